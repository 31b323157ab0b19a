"""Make one small mistake after another in the library, and see whether its tests notice.

    python tools/mutants.py                     # all of FILES
    python tools/mutants.py calc/levels.py      # one of them
    python tools/mutants.py --excused           # only those excused in mutants.toml: not long

The mistakes are mutmut's: one operator for another, a number one higher, an argument left out ... Its own
runner leaves out constants and decorated functions, which is where most of this library stands. So they are
tried here, each in a copy of a process that has loaded all it needs. A mistake inside a function takes the
place of its code, and only tests of those files are tried of which one runs the changed lines: first what
noticed a mistake of the same function, then those that run the lines, the quickest before the rest. Any
other, and one whose lines run when a module is loaded, takes the place of the module; what builds on it is
loaded anew and all tests of the file are tried. In constants of a module the last digit is changed too. All
happens in a copy in a temporary folder.

What describes a quantity is left alone; mistakes in strings and errors count as wording.
Any other that no test notices must stand in `mutants.toml` with the reason why it need not be.
Exit status 1 if one does not, if one stands there that is noticed, or if less than `WANTED` of all are.
"""

import argparse
import contextlib
import difflib
import gc
import importlib
import json
import os
import shutil
import signal
import sys
import tempfile
import time
import tomllib
import traceback
import types
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import coverage
import libcst
import pytest
from hypothesis import Phase, settings
from libcst.matchers import Arg, Call, Name, matches
from libcst.metadata import CodeRange, MetadataWrapper, ParentNodeProvider, PositionProvider
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
    *("-q", "-s", "-x", "-p", "no:cacheprovider", "-p", "_hypothesis_pytestplugin", "--doctest-modules"),
    "-Wignore::pytest.PytestAssertRewriteWarning",
)
os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"  # which takes longer than most tests


class Mistake(NamedTuple):
    """One changed source, and what was changed where."""

    source: str
    what: str  # function: line before -> line after
    wording: bool
    lines: range  # of the statement, if it is in the body of a function
    function: str = ""  # the outermost such function, as the module knows it


# ---- making mistakes ----

#: What only describes a quantity.
DESCRIPTION = Arg(keyword=Name("words") | Name("usual") | Name("series"))
UNIT = Arg(keyword=None)
#: In what a mistake counts as wording.
WORDING = libcst.SimpleString | libcst.FormattedString | libcst.Raise
STATEMENT = libcst.SimpleStatementLine | libcst.BaseCompoundStatement


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
    for node, instead, _ in changes:
        around = list(_around(node, parents))  # all but the last within one statement of the module
        statement = around[-2]
        part = module.code_for_node(statement.deep_replace(node, instead))
        changed = before + "".join((parts | {statement: part}).values()) + after
        if changed in seen:
            continue
        seen.add(changed)
        inside = _body(around)
        yield Mistake(
            source=changed,
            what=f"{_name(around)}: {_difference(parts[statement], part)}",
            wording=any(isinstance(one, WORDING) for one in around),
            lines=_lines(around, positions) if inside else range(0),
            function=_name(inside) if inside else "",
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


def _body(around: list[libcst.CSTNode]) -> list[libcst.CSTNode]:
    """Return the outermost function in whose body a node stands, and what that stands in; or nothing."""
    for place in reversed(range(1, len(around))):
        if isinstance(around[place], libcst.FunctionDef):
            return around[place:] if around[place - 1] is around[place].body else []
    return []


def _lines(around: list[libcst.CSTNode], positions: Mapping[libcst.CSTNode, CodeRange]) -> range:
    """Find the lines of the smallest statement in which a node stands, of one with a body those before it."""
    place = next(place for place, one in enumerate(around) if isinstance(one, STATEMENT))
    statement = positions[around[place]]
    body = getattr(around[place], "body", None)
    last = positions[body].start if isinstance(body, libcst.BaseSuite) else statement.end
    return range(statement.start.line, last.line + 1)


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
    """Draws few examples, always the same, shrinks none that fails, and runs some tests before the others."""

    def __init__(self, first: Iterable[str] = ()) -> None:
        self.order = {name: place for place, name in enumerate(first)}

    def pytest_sessionstart(self) -> None:
        some = settings(phases=(Phase.explicit, Phase.generate), max_examples=15, derandomize=True)
        settings.register_profile("hasty", some)
        settings.load_profile("hasty")

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items.sort(key=lambda item: self.order.get(item.nodeid, len(self.order)))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            Path(f"noticed-{os.getpid()}").write_text(report.nodeid, encoding="utf-8")


class Recorder:
    """Tells coverage which test is running, and keeps how much processor time it takes."""

    def __init__(self, seen: coverage.Coverage) -> None:
        self.seen = seen
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        self.seen.switch_context(item.nodeid)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        begun = time.process_time()
        done = yield
        self.seconds[item.nodeid] = time.process_time() - begun
        return done


class Runs(NamedTuple):
    """What one run of the tests on the unchanged library tells."""

    by_line: dict[int, set[str]]  # the tests that run it; "" is loading
    seconds: dict[str, float]  # of processor time, of each test
    modules: list[str]  # of others, that were loaded for them
    patience: float  # s of processor time, after which nothing comes of a mistake


def recorded(file: str, tests: list[str]) -> Runs:
    """Run the tests on the unchanged library."""

    def record() -> int:
        seen = coverage.Coverage(data_file="seen", include=[f"*/tapecalc/{file}"], config_file=False)
        recorder = Recorder(seen)
        seen.start()
        failed = pytest.main([*PYTEST, *tests], plugins=[Hasty(), recorder])
        seen.stop()
        seen.save()
        own = {Path(one).stem for one in Path("tests").rglob("*.py")} | {"tapecalc", "tests", "__main__"}
        others = [name for name in sys.modules if name.partition(".")[0] not in own]
        Path("seen.json").write_text(json.dumps([recorder.seconds, others]), encoding="utf-8")
        return int(failed)

    Path("seen").unlink(missing_ok=True)
    begun = os.times().children_user
    must_pass(record)
    patience = PATIENCE * (5 + os.times().children_user - begun)
    found = coverage.CoverageData("seen")
    found.read()
    (measured,) = found.measured_files()
    by_line = {line: set(names) for line, names in found.contexts_by_lineno(measured).items()}
    return Runs(by_line, *json.loads(Path("seen.json").read_text(encoding="utf-8")), patience)


def started(work: Callable[[], int], log: str | None = os.devnull) -> int:
    """Begin a function in a copy of this process; its result becomes the exit status."""
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    status = 70
    try:
        if log:
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


def load_others(file: str, modules: list[str]) -> None:
    """Load once what does not build on a file of the library, so that no copy of this process has to."""
    for name in modules:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    name = _module(file)
    importlib.import_module(name)  # and what it builds on
    del sys.modules[name]


def _module(file: str) -> str:
    return ".".join(("tapecalc", *Path(file).with_suffix("").parts))


def fails(file: str, source: str, order: list[str], tests: list[str]) -> bool:
    """Put a source in the place of its module, and see whether a test fails; in a process of its own."""
    name = _module(file)
    parent, _, last = name.rpartition(".")
    module = types.ModuleType(name)
    module.__file__, module.__package__ = str(Path("tapecalc", file).resolve()), parent
    sys.modules[name] = module
    exec(compile(source, module.__file__, "exec", dont_inherit=True), module.__dict__)  # may fail as well
    setattr(sys.modules[parent], last, module)
    return pytest.main([*PYTEST, *tests], plugins=[Hasty(order)]) not in PASSED


def codes(code: types.CodeType) -> Iterator[types.CodeType]:
    """Yield the code of all that is defined in a piece of code."""
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            yield constant
            yield from codes(constant)


class Judge:
    """Tries the mistakes in one file, and keeps which were noticed."""

    def __init__(self, file: str, tests: list[str], runs: Runs) -> None:
        self.file, self.tests, self.runs = file, tests, runs
        self.running: dict[int, tuple[int, Mistake]] = {}
        self.noticed: dict[int, bool] = {}  # by number
        self.noticing: dict[str, list[str]] = {}  # by function: the tests that did, the last one first
        self.words = os.fdopen(os.dup(2), "w", buffering=1, encoding="utf-8")  # pytest shall not have it

    def judge(self, made: Mapping[int, Mistake]) -> None:
        """Try all, those that need the module loaded anew first."""
        own = {number for number, mistake in made.items() if self._within(mistake)}
        for number, mistake in made.items():
            if number not in own:
                order = self.order(mistake)
                self.begin(number, mistake, lambda: fails(self.file, mistake.source, order, self.tests))  # noqa: B023
        self.end_all()
        swap = Swap(self, {number: made[number] for number in made if number in own})
        if pytest.main([*PYTEST, *self.tests], plugins=[Hasty(), swap]) != pytest.ExitCode.OK:
            raise RuntimeError("pytest did not come to its end")

    def _within(self, mistake: Mistake) -> bool:
        """Tell whether a mistake is in the body of a function that nothing calls while it is loaded."""
        loading = any("" in self.runs.by_line.get(line, ()) for line in mistake.lines)
        return bool(mistake.function) and not loading

    def begin(self, number: int, mistake: Mistake, work: Callable[[], int]) -> None:
        """Try one in a copy of this process, as soon as fewer than `PROCESSES` run."""

        def patiently() -> int:
            signal.setitimer(signal.ITIMER_VIRTUAL, self.runs.patience)  # whose signal ends the process
            sys.dont_write_bytecode = True
            return work()

        if len(self.running) == PROCESSES:
            self.end()
        self.running[started(patiently)] = number, mistake

    def end(self) -> None:
        """Wait for one of those that run."""
        pid, status = os.waitpid(-1, 0)
        (number, mistake), note = self.running.pop(pid), Path(f"noticed-{pid}")
        self.noticed[number] = status != 0
        if note.exists():
            found, known = note.read_text(encoding="utf-8"), self.noticing.setdefault(mistake.function, [])
            known[:] = [found, *(one for one in known if one != found)]
            note.unlink()
        if len(self.noticed) % 50 == 0:
            print(f"{self.file}: {len(self.noticed)} tried", file=self.words)
        if status == 0 and not mistake.wording:
            print(f"{self.file}: not noticed: {mistake.what}", file=self.words)

    def end_all(self) -> None:
        """Wait for all that run."""
        while self.running:
            self.end()

    def order(self, mistake: Mistake) -> list[str]:
        """Name the tests that may notice a mistake, those first that are likely to do so soon.

        What one test has made, by a fixture of its file or a cache, others of the file look at as well.
        """
        runs = {test for line in mistake.lines for test in self.runs.by_line.get(line, ())}
        files = {test.partition("::")[0] for test in runs}
        within = self._within(mistake)
        some = [one for one in self.runs.seconds if not within or one.partition("::")[0] in files]
        known = [test for test in self.noticing.get(mistake.function, []) if test in some]
        rest = set(some) - set(known)
        return [*known, *sorted(rest, key=lambda one: (one not in runs, self.runs.seconds[one], one))]


class Swap:
    """Tries mistakes inside functions once all tests are found, each as another code of one function."""

    def __init__(self, judge: Judge, inside: Mapping[int, Mistake]) -> None:
        self.judge, self.inside = judge, inside
        self.path = str(Path("tapecalc", judge.file).resolve())

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        loaded = [one for one in gc.get_objects() if isinstance(one, types.FunctionType)]
        own = [one for one in loaded if one.__code__.co_filename == self.path]
        gc.freeze()  # so that copies of this process share what is loaded
        for number, mistake in self.inside.items():
            functions = [one for one in own if one.__code__.co_qualname == mistake.function]
            if not functions:
                raise RuntimeError(f"no function {mistake.function} is loaded")
            self.judge.begin(number, mistake, lambda: self._fails(session, mistake, functions))  # noqa: B023
        self.judge.end_all()
        return True

    def _fails(self, session: pytest.Session, mistake: Mistake, functions: list[types.FunctionType]) -> bool:
        """Put another code into functions, and see whether a test fails; in a process of its own."""
        changed = codes(compile(mistake.source, self.path, "exec", dont_inherit=True))
        (code,) = (one for one in changed if one.co_qualname == mistake.function)
        for function in functions:
            function.__code__ = code
        found = {item.nodeid: item for item in session.items}
        items = [found[name] for name in self.judge.order(mistake)]
        for item, following in pairwise([*items, None]):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if session.shouldfail:
                return True
        return False


def judged(file: str, wanted: Callable[[str], bool], every: int) -> list[tuple[Mistake, bool]]:
    """Try every n-th mistake in one file if it is wanted; each with whether it was noticed."""
    source, tests = Path("tapecalc", file).read_text(encoding="utf-8"), own_tests(file)
    made = {
        number: mistake
        for number, mistake in enumerate(mistakes(source), start=1)
        if wanted(mistake.what) and not number % every
    }
    print(f"{file}: {len(made)} mistakes", file=sys.stderr)
    judge = Judge(file, tests, recorded(file, tests))

    def work() -> int:
        load_others(file, judge.runs.modules)
        must_pass(lambda: fails(file, source, [], tests))
        judge.judge(made)
        Path("noticed.json").write_text(json.dumps(list(judge.noticed.items())), encoding="utf-8")
        return 0

    if os.waitpid(started(work, "log"), 0)[1]:
        raise SystemExit(Path("log").read_text(encoding="utf-8"))
    noticed = dict(json.loads(Path("noticed.json").read_text(encoding="utf-8")))
    return [(mistake, noticed[number]) for number, mistake in made.items()]


# ---- telling ----


def as_it_should_be(
    file: str,
    outcomes: list[tuple[Mistake, bool]],
    excuses: Mapping[str, str],
    *,
    all_excused: bool,
    least_share: float,
) -> bool:
    """Print how many mistakes in one file were noticed, and which of the others should have been."""
    missed = [mistake for mistake, noticed in outcomes if not noticed]
    share = 1 - len(missed) / len(outcomes)
    wording = sum(mistake.wording for mistake in missed)
    numeric = [mistake.what for mistake in missed if not mistake.wording]
    fitting = {what: [one for one in excuses if _fits(one, what)] for what in numeric}
    unexcused = [what for what, found in fitting.items() if not found]
    stale = set(excuses).difference(*fitting.values()) if all_excused else ()
    print(f"{file}: {len(outcomes) - len(missed)} of {len(outcomes)} noticed ({100 * share:.1f} %)")
    print(
        f"    of the others {wording} are wording, {len(numeric) - len(unexcused)} excused, "
        f"{len(unexcused)} neither"
    )
    for what in unexcused:
        print(f"    not noticed: {what}")
    for what in sorted(stale):
        print(f"    excused, but noticed or not there: {what}")
    return not unexcused and not stale and share >= least_share


def _fits(excuse: str, what: str) -> bool:
    """Tell whether an excuse is for a mistake; one that ends in dots is for all that begin like it."""
    return what == excuse or (excuse.endswith("...") and what.startswith(excuse.removesuffix("...")))


def _wanted(options: argparse.Namespace, excuses: Iterable[str], what: str) -> bool:
    excused = not options.excused or any(_fits(one, what) for one in excuses)
    return excused and any(part in what for part in options.only)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("files", nargs="*", metavar="file", help=f"of {', '.join(FILES)}; all by default")
    parser.add_argument(
        "--only", nargs="+", default=[""], help="only mistakes in whose description one of these stands"
    )
    parser.add_argument("--excused", action="store_true", help="only mistakes that are excused")
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
            outcomes = judged(file, partial(_wanted, options, own := excuses.get(file, {})), options.every)
            good &= not outcomes or as_it_should_be(
                file,
                outcomes,
                own,
                all_excused=options.only == [""] and options.every == 1,
                least_share=0.0 if options.excused else WANTED,
            )
            for mistake, noticed in outcomes:
                if options.wording and mistake.wording and not noticed:
                    print(f"    wording: {mistake.what}")
        os.chdir(ROOT)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
