"""Importing loads only what is needed, the inch is written down once, and the library stays small."""

import ast
import io
import json
import pkgutil
import subprocess
import sys
import tokenize

from project import LIBRARY, keeps

#: Slow or large packages, and the rooms or modules that may load them when they are imported.
KEPT_OUT = {
    "matplotlib": ("plot", "live", "report", "course"),
    "ipywidgets": ("live.shown", "live.widget", "course"),
    "IPython": ("plot", "live.shown", "live.widget", "course"),
    "sympy": (),
    "scipy.signal": ("measuring", "plot", "live", "report", "course"),
    "scipy.optimize": ("measuring", "plot", "live", "report", "course"),
}
IMPORT_ONE_BY_ONE = """
import importlib, json, sys
loaded = {}
for name in json.loads(sys.argv[1]):
    before = set(sys.modules)
    importlib.import_module(name)
    loaded[name] = sorted(set(sys.modules) - before)
print(json.dumps(loaded))
"""
#: Lengths of the inch and the foot, as digits without zeros and points.
INCH_DIGITS = {"254", "3048"}
#: The most that one person can hold: all lines, lines of code, and docstring lines for each of them.
MOST_LINES, MOST_CODE, MOST_DOCSTRING = 31_300, 21_950, 0.55
MOST_SCRIPT = 12_800  # lines of JavaScript
LARGEST_FILE, LONGEST_FUNCTION = 700, 60  # lines of code

FILES = sorted(LIBRARY.rglob("*.py"))
MODULES = [info.name for info in pkgutil.walk_packages([str(LIBRARY)], "tapecalc.")]


def room(name: str) -> str:
    """The room of a module: the first part of its name below the package."""
    return name.split(".")[1] if "." in name else ""


def loaded_by(names: list[str]) -> dict[str, list[str]]:
    """What each module loads, imported one after the other in a new process."""
    command = [sys.executable, "-c", IMPORT_ONE_BY_ONE, json.dumps(names)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def test_a_room_loads_only_what_it_may():
    """Lower rooms first: what one of them loads would be hidden behind an upper one."""
    order = (
        "",
        "calc",
        "words",
        "files",
        "machine",
        "plan",
        "sound",
        "measuring",
        "plot",
        "live",
        "panels",
        "report",
        "course",
        "cli",
    )
    names = sorted((n for n in MODULES if room(n) in order), key=lambda name: order.index(room(name)))
    found = loaded_by(["tapecalc", *names])
    keeps(
        f"importing {name} loads {package}"
        for name, modules in found.items()
        for package, allowed in KEPT_OUT.items()
        if package in modules and not {room(name), name.removeprefix("tapecalc.")} & set(allowed)
    )


def inch_violations(name: str, source: str) -> list[str]:
    """Numbers that are the inch or the foot again."""
    return [
        f"{name}, line {node.lineno}: {node.value!r} is the inch again"
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Constant)
        and isinstance(node.value, float)
        and f"{node.value:.12e}".split("e")[0].replace(".", "").strip("0-") in INCH_DIGITS
    ]


def test_the_inch_is_written_down_in_units_only():
    assert all(inch_violations("made_up.py", f"FACTOR = {number}\n") for number in (0.0254, 25.4, 0.3048))
    for path in FILES:
        assert "default_rng()" not in path.read_text(encoding="utf-8"), path  # random numbers take a seed
        if path.name != "units.py":
            keeps(inch_violations(path.name, path.read_text(encoding="utf-8")))


def counted(source: str) -> tuple[int, int, int, dict[str, int]]:
    """Lines, lines of code, docstring lines, and lines of code of each function."""
    tree = ast.parse(source)
    holders = (ast.Module, ast.ClassDef, ast.FunctionDef)
    docstrings: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, holders) and ast.get_docstring(node, clean=False) is not None:
            docstrings |= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    skipped = (tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT)
    code: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in (*skipped, tokenize.ENDMARKER):
            code |= set(range(token.start[0], token.end[0] + 1))
    code -= docstrings
    functions = {
        node.name: len(code & set(range(node.lineno, node.end_lineno + 1)))
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef)
    }
    return len(source.splitlines()), len(code), len(docstrings), functions


def script_lines(text):
    """How many lines of a script are code, and how many are not."""
    lines = [line.strip() for line in text.splitlines()]
    code = sum(not line.startswith(("/*", "*", "//")) and line != "" for line in lines)
    return code, len(lines) - code


def test_the_library_is_small_enough_to_hold():
    found = {path.relative_to(LIBRARY): counted(path.read_text(encoding="utf-8")) for path in FILES}
    lines, code, docstring = (sum(count[k] for count in found.values()) for k in range(3))
    assert lines <= MOST_LINES
    assert code <= MOST_CODE
    assert docstring <= MOST_DOCSTRING * code
    scripts = {path.name: script_lines(path.read_text(encoding="utf-8")) for path in LIBRARY.rglob("*.mjs")}
    assert sum(map(sum, scripts.values())) <= MOST_SCRIPT
    keeps(f"{name} has {code} lines" for name, (code, _) in scripts.items() if code > LARGEST_FILE)
    keeps(f"{name} has {count[1]} lines of code" for name, count in found.items() if count[1] > LARGEST_FILE)
    keeps(
        f"{name}: {function} has {length} lines of code"
        for name, count in found.items()
        for function, length in count[3].items()
        if length > LONGEST_FUNCTION
    )
