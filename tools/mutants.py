"""Make one small mistake after another in the library, and see whether its tests notice.

    python tools/mutants.py                     # all of FILES
    python tools/mutants.py calc/levels.py      # one of them

The mistakes are mutmut's: one operator for another, a number one higher, an argument left out ... Its own
runner leaves out constants and decorated functions, which is where most of this library stands. So they are
tried here, each in a new process in which the changed module takes the place of the real one: first with the
tests that run its lines, the quickest of them first, then with the others of the file's own. In constants of
a module the last digit is changed too. All happens in a copy in a temporary folder.

What describes a quantity is left alone; mistakes in strings and errors count as wording.
Any other that no test notices must stand in `mutants.toml` with the reason why it need not be.
Exit status 1 if one does not, if one stands there that is noticed, or if less than `WANTED` of all are.
"""

import argparse
import difflib
import json
import os
import shutil
import signal
import sys
import tempfile
import tomllib
import traceback
import types
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

import coverage
import libcst
import numpy  # noqa: F401 (loaded once for all processes)
import pytest
from hypothesis import Phase, settings
from libcst.matchers import Arg, Call, Name, matches
from libcst.metadata import MetadataWrapper, ParentNodeProvider, PositionProvider
from mutmut.mutation.file_mutation import NEVER_MUTATE_FUNCTION_NAMES, MutationVisitor
from mutmut.mutation.mutators import mutation_operators
from mutmut.mutation.pragma_handling import IgnoredCode

FILES = (
    "calc/levels.py",
    "calc/loop.py",
    "calc/response.py",
    "calc/song_set.py",
    "calc/standards.py",
    "calc/tempo.py",
    "plan.py",
)
WANTED = 0.9  # share of all mistakes that tests must notice
PATIENCE = 4  # times the processor time of the tests, then nothing comes of it: noticed
PROCESSES = 2
PASSED = (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)

ROOT = Path(__file__).resolve().parent.parent
EXCUSES = Path(__file__).with_suffix(".toml")
PYTEST = (
    *("-q", "-p", "no:cacheprovider", "-p", "_hypothesis_pytestplugin", "--doctest-modules"),
    "-Wignore::pytest.PytestAssertRewriteWarning",
)
os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"  # which takes longer than most tests


class Mistake(NamedTuple):
    """One changed source, and what was changed where."""

    source: str
    what: str  # function: line before -> line after
    wording: bool
    lines: range  # of the function; empty outside functions


# ---- making mistakes ----

#: What only describes a quantity.
DESCRIPTION = Arg(keyword=Name("words") | Name("usual") | Name("series"))
UNIT = Arg(keyword=None)
#: In what a mistake counts as wording.
WORDING = libcst.SimpleString | libcst.FormattedString | libcst.Raise


class Visitor(MutationVisitor):
    """As mutmut's, but decorated functions are changed too, and what describes a quantity is not."""

    def _skip_node_and_children(self, node: libcst.CSTNode) -> bool:
        if isinstance(node, libcst.FunctionDef):
            return node.name.value in NEVER_MUTATE_FUNCTION_NAMES
        return matches(node, DESCRIPTION) or super()._skip_node_and_children(node)

    def _removes_ignored_code(self, node: libcst.CSTNode, mutated_node: libcst.CSTNode) -> bool:
        if matches(node, Call(func=Name("Is"))):
            kept = {id(argument) for argument in mutated_node.children}
            return any(id(one) not in kept for one in node.args if matches(one, UNIT | DESCRIPTION))
        return super()._removes_ignored_code(node, mutated_node)


def mistakes(source: str) -> Iterator[Mistake]:
    """Make every mistake in a module's source, each once."""
    wrapper = MetadataWrapper(libcst.parse_module(source))
    visitor = Visitor(mutation_operators, IgnoredCode(set(), set(), set()))
    wrapper.visit(visitor)
    parents, positions = wrapper.resolve(ParentNodeProvider), wrapper.resolve(PositionProvider)
    changes = [
        (one.original_node, one.mutated_node, one.contained_by_top_level_function)
        for one in visitor.mutations
    ]
    constants = {
        node: None
        for node, _, function in changes
        if function is None and isinstance(node, libcst.BaseNumber)
    }
    changes += [(node, _other_digit(node), None) for node in constants]
    module, seen = wrapper.module, {source}
    parts = {statement: module.code_for_node(statement) for statement in module.body}
    before, _, after = source.partition("".join(parts.values()))
    for node, instead, function in changes:
        around = list(_around(node, parents))  # all but the last within one statement of the module
        statement = around[-2]
        part = module.code_for_node(statement.deep_replace(node, instead))
        changed = before + "".join((parts | {statement: part}).values()) + after
        if changed in seen:
            continue
        seen.add(changed)
        place = positions[function] if function else None
        yield Mistake(
            source=changed,
            what=f"{_name(around)}: {_difference(parts[statement], part)}",
            wording=any(isinstance(one, WORDING) for one in around),
            lines=range(place.start.line + 1, place.end.line + 1) if place else range(0),
        )


def _other_digit(node: libcst.BaseNumber) -> libcst.BaseNumber:
    """Change the last digit of a number as it is written, before its exponent."""
    digits, exponent, power = node.value.rstrip(".").partition("e")
    return node.with_changes(value=f"{digits[:-1]}{(int(digits[-1]) + 1) % 10}{exponent}{power}")


def _around(
    node: libcst.CSTNode, parents: Mapping[libcst.CSTNode, libcst.CSTNode]
) -> Iterator[libcst.CSTNode]:
    """A node, what it stands in, and so on outward."""
    while node is not None:
        yield node
        node = parents.get(node)


def _name(around: list[libcst.CSTNode]) -> str:
    """Name the function in which a node stands."""
    named = (one.name.value for one in around if isinstance(one, libcst.FunctionDef | libcst.ClassDef))
    return ".".join(reversed(list(named))) or "module"


def _difference(before: str, after: str) -> str:
    """Tell what changed, as lines before and lines after."""
    lines = list(difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0))[2:]
    gone, come = (" ".join(line[1:].strip() for line in lines if line[0] == sign) for sign in "-+")
    return f"{gone} -> {come}"


# ---- running tests ----


def own_tests(file: str) -> list[str]:
    """Find the tests of one file of the library, and the examples in it."""
    folder, stem = Path("tests", file).parent, Path(file).stem
    places = (f"{folder}/test_{stem}.py", f"{folder}/test_{stem}_*.py", f"tests/reference/test_{stem}.py")
    return [*(str(path) for place in places for path in sorted(Path().glob(place))), f"tapecalc/{file}"]


class Hasty:
    """Draws few examples, always the same, shrinks none that fails, and leaves out some tests."""

    def __init__(self, without: Collection[str] = ()) -> None:
        self.without = frozenset(without)

    def pytest_sessionstart(self) -> None:
        some = settings(phases=(Phase.explicit, Phase.generate), max_examples=15, derandomize=True)
        settings.register_profile("hasty", some)
        settings.load_profile("hasty")

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = [item for item in items if item.nodeid not in self.without]


class Recorder:
    """Tells coverage which test is running, and keeps how long it takes."""

    def __init__(self, seen: coverage.Coverage) -> None:
        self.seen = seen
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        self.seen.switch_context(item.nodeid)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration


def tests_by_line(file: str, tests: list[str]) -> tuple[dict[int, set[str]], dict[str, float]]:
    """Run the tests on the unchanged library: which run each line of a file, and how long each takes."""

    def record() -> int:
        seen = coverage.Coverage(data_file="seen", include=[f"*/tapecalc/{file}"], config_file=False)
        recorder = Recorder(seen)
        seen.start()
        failed = pytest.main([*PYTEST, *tests], plugins=[recorder])
        seen.stop()
        seen.save()
        Path("seconds").write_text(json.dumps(recorder.seconds), encoding="utf-8")
        return int(failed)

    Path("seen").unlink(missing_ok=True)
    must_pass(record)
    found = coverage.CoverageData("seen")
    found.read()
    (measured,) = found.measured_files()
    lines = {line: set(names) - {""} for line, names in found.contexts_by_lineno(measured).items()}
    return lines, json.loads(Path("seconds").read_text(encoding="utf-8"))


def started(work: Callable[[], int], log: str = os.devnull) -> int:
    """Begin a function in a copy of this process; its result becomes the exit status."""
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    status = 70
    try:
        with open(log, "w", encoding="utf-8") as written:
            os.dup2(written.fileno(), 1)
            os.dup2(written.fileno(), 2)
        status = int(work())
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        os._exit(status)


def must_pass(work: Callable[[], int]) -> None:
    """End with what was printed if a function fails that has no mistake in it."""
    if os.waitpid(started(work, "log"), 0)[1]:
        raise SystemExit(Path("log").read_text(encoding="utf-8") + "\nThis fails without any mistake.")


def fails(file: str, source: str, near: list[str], tests: list[str], patience: float) -> bool:
    """Put a source in the place of its module, and see whether a test fails; in a process of its own."""
    signal.setitimer(signal.ITIMER_VIRTUAL, patience)  # whose signal ends the process
    sys.dont_write_bytecode = True
    name = ".".join(("tapecalc", *Path(file).with_suffix("").parts))
    parent, _, last = name.rpartition(".")
    __import__(parent)
    module = types.ModuleType(name)
    module.__file__, module.__package__ = str(Path("tapecalc", file).resolve()), parent
    sys.modules[name] = module
    exec(compile(source, module.__file__, "exec"), module.__dict__)  # an error here is noticed as well
    setattr(sys.modules[parent], last, module)
    trials = [(near, Hasty())] if near else []
    return any(
        pytest.main([*PYTEST, "-x", *some], plugins=[hasty]) not in PASSED
        for some, hasty in (*trials, (tests, Hasty(without=near)))
    )


def judged(file: str, only: str, every: int) -> Iterator[tuple[Mistake, bool]]:
    """Try the mistakes in one file, or every n-th of them; each with whether it was noticed."""
    source, tests = Path("tapecalc", file).read_text(encoding="utf-8"), own_tests(file)
    begun = os.times().children_user
    runners, seconds = tests_by_line(file, tests)
    patience = PATIENCE * (5 + os.times().children_user - begun)
    must_pass(lambda: fails(file, source, [], tests, patience))
    running: dict[int, Mistake] = {}

    def ended() -> tuple[Mistake, bool]:
        pid, status = os.waitpid(-1, 0)
        if status == 0 and not running[pid].wording:
            print(f"{file}: not noticed: {running[pid].what}", file=sys.stderr)
        return running.pop(pid), status != 0

    for number, mistake in enumerate(mistakes(source), start=1):
        if number % 50 == 0:
            print(f"{file}: at mistake {number}", file=sys.stderr)
        if only not in mistake.what or number % every:
            continue
        if len(running) == PROCESSES:
            yield ended()
        runs = {test for line in mistake.lines for test in runners.get(line, ())}
        near = sorted(runs, key=lambda test: (seconds[test], test))
        pid = started(lambda: fails(file, mistake.source, near, tests, patience))  # noqa: B023 (in a copy)
        running[pid] = mistake
    while running:
        yield ended()


# ---- telling ----


def as_it_should_be(
    file: str, outcomes: list[tuple[Mistake, bool]], excuses: Mapping[str, str], *, all_tried: bool
) -> bool:
    """Print how many mistakes in one file were noticed, and which of the others should have been."""
    missed = [mistake for mistake, noticed in outcomes if not noticed]
    share = 1 - len(missed) / len(outcomes)
    wording = sum(mistake.wording for mistake in missed)
    numeric = [mistake.what for mistake in missed if not mistake.wording]
    fitting = {what: [one for one in excuses if _fits(one, what)] for what in numeric}
    unexcused = [what for what, found in fitting.items() if not found]
    stale = set(excuses).difference(*fitting.values()) if all_tried else ()
    print(f"{file}: {len(outcomes) - len(missed)} of {len(outcomes)} noticed ({100 * share:.1f} %)")
    print(
        f"    of the others {wording} are wording, {len(numeric) - len(unexcused)} excused, "
        f"{len(unexcused)} neither"
    )
    for what in unexcused:
        print(f"    not noticed: {what}")
    for what in sorted(stale):
        print(f"    excused, but noticed or not there: {what}")
    return not unexcused and not stale and share >= WANTED


def _fits(excuse: str, what: str) -> bool:
    """Tell whether an excuse is for a mistake; one that ends in dots is for all that begin like it."""
    return what == excuse or (excuse.endswith("...") and what.startswith(excuse.removesuffix("...")))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("files", nargs="*", metavar="file", help=f"of {', '.join(FILES)}; all by default")
    parser.add_argument("--only", default="", help="only mistakes in whose description this stands")
    parser.add_argument(
        "--every", type=int, default=1, help="every so many mistakes only: 5 takes a fifth of the time"
    )
    parser.add_argument("--wording", action="store_true", help="list mistakes in wording too")
    options = parser.parse_args()
    excuses = tomllib.loads(EXCUSES.read_text(encoding="utf-8"))
    good = True
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        for part in ("tapecalc", "tests"):
            shutil.copytree(ROOT / part, Path(folder, part), ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", folder)
        os.chdir(folder)
        sys.path.insert(0, folder)
        for file in options.files or FILES:
            outcomes = list(judged(file, options.only, options.every))
            all_tried = not options.only and options.every == 1
            good &= not outcomes or as_it_should_be(
                file, outcomes, excuses.get(file, {}), all_tried=all_tried
            )
            for mistake, noticed in outcomes:
                if options.wording and mistake.wording and not noticed:
                    print(f"    wording: {mistake.what}")
        os.chdir(ROOT)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
