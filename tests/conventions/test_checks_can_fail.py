"""A check that cannot fail is none: nothing passes anyway, and what git tracks is what is tested."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib

import pytest
from project import ROOT, keeps

PASS_ANYWAY = (
    r"\|\|\s*(true|:|exit 0|echo)",
    r";\s*true\b|\bset \+e|continue-on-error",
    r"--nbval-lax|--exit-zero|--no-strict|--cov-fail-under=0|--ignore|--deselect|-k ['\"]?not",
    r"^\t-|^\t@-",
    r"^\t[^#|]*[^|]\|(?!\|)",  # a pipe hides an exit status
    r"^\t(?=.*\bfor\b.*\bdo\b)(?!.*(\|\| exit 1|exit \$\$))",  # a loop shows its last status only
)
SUPPRESSED = r"pytest\.mark\.xfail\((?!.*strict=True)|importorskip\(.tapecalc|filterwarnings\(.ignore.\)"


def tracked(*patterns: str) -> list[str]:
    """Files that git tracks, as paths from the root of the project."""
    listed = subprocess.run(
        ["git", "ls-files", *patterns], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [name for name in listed.stdout.splitlines() if (ROOT / name).exists()]


def matching(names: list[str], *patterns: str) -> list[str]:
    """Lines of files in which one of the patterns is found."""
    return [
        f"{name}, line {number}: {line.strip()}"
        for name in names
        for number, line in enumerate((ROOT / name).read_text(encoding="utf-8").splitlines(), start=1)
        if any(re.search(pattern, line.split(" #")[0]) for pattern in patterns)
    ]


def test_no_failure_passes_anyway():
    keeps(matching(["Makefile", ".ci/run"], *PASS_ANYWAY))
    assert re.search(r"^set -euo pipefail$", (ROOT / ".ci/run").read_text(encoding="utf-8"), re.M)


def test_make_test_runs_everything_but_what_is_weekly():
    recipe = (ROOT / "Makefile").read_text(encoding="utf-8").partition("\ntest:")[2].partition("\n\n")[0]
    for part in (
        "ruff check",
        "ruff format --check",
        "mypy",
        "lint-imports",
        "--doctest-modules",
        "--nbval ",
        "--cov",
    ):
        assert part in recipe
    assert set(re.findall(r'-m "([^"]*)"', recipe)) == {"not weekly"}
    assert "make test" in (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert "-m weekly" in (ROOT / ".ci/weekly").read_text(encoding="utf-8")


def test_warnings_are_errors_and_expected_failures_must_fail():
    options = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"][
        "ini_options"
    ]
    assert options["filterwarnings"][0] == "error"
    assert options["xfail_strict"] is True
    assert {"--strict-markers", "--strict-config"} <= set(options["addopts"].split())
    assert {"tests", "tapecalc"} <= set(options["testpaths"])


def test_no_test_is_allowed_to_fail_and_every_test_file_is_collected():
    tests = [name for name in tracked("tests/*.py") if not name.endswith("test_checks_can_fail.py")]
    keeps(matching(tests, SUPPRESSED))
    helpers = ("tests/tools/", "tests/benchmarks/")
    keeps(n for n in tests if not n.startswith(helpers) and not re.search(r"/(test_\w+|conftest)\.py$", n))


def test_every_tracked_notebook_is_collected():
    command = [
        sys.executable,
        "-m",
        "pytest",
        "--nbval",
        "--nbval-current-env",
        "--collect-only",
        "-q",
        "notebooks",
    ]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    collected = {line.partition("::")[0] for line in done.stdout.splitlines() if ".ipynb::" in line}
    keeps(sorted(set(tracked("*.ipynb")) - collected))


@pytest.mark.parametrize(
    "line",
    ["\tpytest || true", "\t-pytest", "\tpytest | tail", "\tpytest; true", "\tpytest --nbval-lax", "set +e"]
    + ["\tpytest --ignore tests/browser", "\tfor file in *.py; do python $$file; done"],
)
def test_a_line_that_passes_anyway_is_found(line):
    assert any(re.search(pattern, line) for pattern in PASS_ANYWAY)
