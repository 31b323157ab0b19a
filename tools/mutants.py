"""Make one small mistake after another in the library, and see whether its tests notice.

    python tools/mutants.py                     # all of FILES
    python tools/mutants.py calc/levels.py      # one of them

The mistakes are mutmut's: one operator for another, a number one higher, an argument left out ... Its own
runner leaves out constants and decorated functions, which is where most of this library stands, so they are
tried here: each in a new process, in which the changed module takes the place of the real one before anything
else is loaded, with the tests that run its lines first and then all of the file's own. In constants of a module
the last digit is changed too. All happens in a copy in a temporary folder.

What a quantity is called and its usual range are left alone; mistakes in strings and errors count as wording.
Any other that no test notices must stand in `mutants.toml` with the reason why it need not be.
Exit status 1 if one does not, if one stands there that is noticed, or if less than `WANTED` of all are.
"""

import argparse
import difflib
import os
import re
import shutil
import signal
import sys
import tempfile
import time
import tomllib
import traceback
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import coverage
import libcst
import numpy  # noqa: F401 (loaded once for all processes)
import pytest
from hypothesis import Phase, settings
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
PATIENCE = 10  # times as long as without a mistake, then it counts as noticed: nothing comes of it
PROCESSES = 2

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
    span: tuple[int, int] | None  # lines of the function; None outside functions


class Outcome(NamedTuple):
    mistake: Mistake
    noticed: bool


# ---- making mistakes ----


class Visitor(MutationVisitor):
    """As mutmut's, but decorated functions are changed too, and words and usual ranges are not."""

    METADATA_DEPENDENCIES = (*MutationVisitor.METADATA_DEPENDENCIES, ParentNodeProvider)

    def _skip_node_and_children(self, node: libcst.CSTNode) -> bool:
        if isinstance(node, libcst.FunctionDef):
            return node.name.value in NEVER_MUTATE_FUNCTION_NAMES
        if isinstance(node, libcst.Arg) and node.keyword and node.keyword.value in ("words", "usual"):
            return True
        return super()._skip_node_and_children(node)


def other_digit(node: libcst.BaseNumber) -> libcst.BaseNumber | None:
    """Change the last digit of a number as it is written, before any exponent."""
    digits, exponent, power = node.value.partition("e")
    digits = f"{digits[:-1]}{(int(digits[-1]) + 1) % 10}" if digits[-1].isdigit() else ""
    return node.with_changes(value=digits + exponent + power) if digits else None


def mistakes(source: str) -> Iterator[Mistake]:
    """Make every mistake in a module's source, each once."""
    wrapper = MetadataWrapper(libcst.parse_module(source))
    visitor = Visitor(mutation_operators, IgnoredCode(set(), set(), set()))
    wrapper.visit(visitor)
    parents, positions = wrapper.resolve(ParentNodeProvider), wrapper.resolve(PositionProvider)
    changes = []
    for change in visitor.mutations:
        node, function = change.original_node, change.contained_by_top_level_function
        changes.append((node, change.mutated_node, function))
        if function is None and isinstance(node, libcst.BaseNumber):
            changes.append((node, other_digit(node), None))
    seen = {source}
    for node, changed_node, function in changes:
        if changed_node is None:
            continue
        changed = wrapper.module.deep_replace(node, changed_node).code
        if changed in seen:
            continue
        seen.add(changed)
        around = [node]
        while (parent := parents.get(around[-1])) is not None:
            around.append(parent)
        span = None
        if function is not None:
            place = positions[function]
            span = (place.start.line, place.end.line)
        yield Mistake(
            source=changed,
            what=f"{_name(around)}: {_difference(source, changed)}",
            wording=any(
                isinstance(one, libcst.BaseString | libcst.FormattedStringText | libcst.Raise)
                for one in around
            ),
            span=span,
        )


def _name(around: list[libcst.CSTNode]) -> str:
    names = [one.name.value for one in around if isinstance(one, libcst.FunctionDef | libcst.ClassDef)]
    return ".".join(reversed(names)) or "module"


def _difference(before: str, after: str) -> str:
    """Tell what changed, as lines before and lines after."""
    lines = list(difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0))[2:]
    gone, come = (" ".join(line[1:].strip() for line in lines if line[0] == sign) for sign in "-+")
    return f"{gone} -> {come}"


# ---- running tests ----


def own_tests(file: str) -> list[str]:
    """Find the tests of one file of the library, and the examples in it."""
    stem = Path(file).stem
    folder = Path("tests", *Path(file).parent.parts)
    places = (f"{folder}/test_{stem}.py", f"{folder}/test_{stem}_*.py", f"tests/reference/test_{stem}.py")
    found = sorted(str(path.relative_to(ROOT)) for place in places for path in ROOT.glob(place))
    return [*found, f"tapecalc/{file}"]


class Hasty:
    """Draws few examples, and leaves the search for the smallest failing one out."""

    def pytest_sessionstart(self) -> None:
        some = settings(phases=(Phase.explicit, Phase.generate), max_examples=15)
        settings.register_profile("hasty", some)
        settings.load_profile("hasty")


class Recorder:
    """Tells coverage which test is running."""

    def __init__(self, seen: coverage.Coverage) -> None:
        self.seen = seen

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        self.seen.switch_context(item.nodeid)


def tests_by_line(file: str, tests: list[str]) -> dict[int, set[str]]:
    """Run the tests on the unchanged library, and find which of them run each line of a file."""
    data = Path("seen")
    data.unlink(missing_ok=True)

    def record() -> int:
        seen = coverage.Coverage(data_file=str(data), include=[f"*/tapecalc/{file}"], config_file=False)
        seen.start()
        failed = pytest.main([*PYTEST, *tests], plugins=[Recorder(seen)])
        seen.stop()
        seen.save()
        return int(failed)

    pid = _start(record, Path("log"))
    if os.waitpid(pid, 0)[1]:
        print(Path("log").read_text(encoding="utf-8"))
        raise SystemExit(f"the tests of {file} fail without any mistake")
    found = coverage.CoverageData(str(data))
    found.read()
    (measured,) = found.measured_files()
    return {line: set(names) - {""} for line, names in found.contexts_by_lineno(measured).items()}


def _start(work: Callable[[], int], log: Path = Path(os.devnull)) -> int:
    """Run a function in a copy of this process; its result is the exit status."""
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    status = 70
    try:
        with log.open("w", encoding="utf-8") as written:
            os.dup2(written.fileno(), 1)
            os.dup2(written.fileno(), 2)
        status = int(work())
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        os._exit(status)


def notices(file: str, mistake: Mistake, near: list[str], tests: list[str], seconds: float) -> bool:
    """Put a mistake in the place of its module, and see whether a test fails; in a process of its own."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, PATIENCE * seconds + 10)
    sys.dont_write_bytecode = True
    name = ".".join(("tapecalc", *Path(file).with_suffix("").parts))
    parent, _, last = name.rpartition(".")
    __import__(parent)
    module = types.ModuleType(name)
    module.__file__, module.__package__ = str(Path("tapecalc", file).resolve()), parent
    sys.modules[name] = module
    exec(compile(mistake.source, module.__file__, "exec"), module.__dict__)  # which may fail: noticed
    setattr(sys.modules[parent], last, module)
    return any(pytest.main([*PYTEST, "-x", *some], plugins=[Hasty()]) != 0 for some in (near, tests) if some)


def judged(file: str, only: str = "") -> Iterator[Outcome]:
    """Try every mistake in one file."""
    source, tests = Path("tapecalc", file).read_text(encoding="utf-8"), own_tests(file)
    begun = time.monotonic()
    runners = tests_by_line(file, tests)
    seconds = time.monotonic() - begun
    unchanged = Mistake(source, "nothing", wording=False, span=None)
    if os.waitpid(_start(lambda: notices(file, unchanged, [], tests, seconds), Path("log")), 0)[1]:
        print(Path("log").read_text(encoding="utf-8"))
        raise SystemExit(f"the tests of {file} fail where the module is put in its own place")
    running: dict[int, Mistake] = {}
    tried = 0
    for mistake in [*mistakes(source), None]:
        while running and (mistake is None or len(running) >= PROCESSES):
            pid, status = os.waitpid(-1, 0)
            yield Outcome(running.pop(pid), noticed=status != 0)
        if mistake is not None and only in mistake.what:
            near: set[str] = set()
            if mistake.span:
                near.update(
                    *(runners.get(line, ()) for line in range(mistake.span[0] + 1, mistake.span[1] + 1))
                )
            work = lambda mistake=mistake, near=sorted(near): notices(file, mistake, near, tests, seconds)  # noqa: E731
            running[_start(work)] = mistake
            if (tried := tried + 1) % 50 == 0:
                print(f"{file}: {tried} tried", file=sys.stderr)


# ---- telling ----


def told(file: str, outcomes: list[Outcome], excuses: dict[str, str]) -> bool:
    """Print how many mistakes in one file were noticed and which were not; True if all is as it should be."""
    missed = [outcome.mistake for outcome in outcomes if not outcome.noticed]
    noticed = len(outcomes) - len(missed)
    share = noticed / len(outcomes)
    excused = {mistake.what for mistake in missed} & excuses.keys()
    unexcused = [mistake for mistake in missed if not mistake.wording and mistake.what not in excuses]
    wording = sum(mistake.wording for mistake in missed)
    print(
        f"{file}: {noticed} of {len(outcomes)} noticed ({100 * share:.1f} %); of the others {wording} are "
        f"wording, {len(excused)} excused, {len(unexcused)} neither"
    )
    for mistake in unexcused:
        print(f"    not noticed: {mistake.what}")
    stale = excuses.keys() - excused
    for what in sorted(stale):
        print(f"    excused, but noticed or not there: {what}")
    return not unexcused and not stale and share >= WANTED


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("files", nargs="*", help=f"of {', '.join(FILES)}; all by default")
    parser.add_argument("--only", default="", help="only mistakes whose description contains this")
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
            outcomes = list(judged(file, options.only))
            if not outcomes:
                continue
            good &= told(file, outcomes, {} if options.only else excuses.get(file, {}))
            if options.wording:
                for outcome in outcomes:
                    if not outcome.noticed and outcome.mistake.wording:
                        print(f"    wording: {outcome.mistake.what}")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
