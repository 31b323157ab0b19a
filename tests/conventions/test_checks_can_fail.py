"""A check that cannot fail is none: nothing passes anyway, and what git tracks is what is tested."""

import re
import subprocess
import sys
import tomllib

from project import ROOT, keeps

#: What lets a failure of a recipe pass: an ignored status, a lax option, a pipe, a loop that goes on.
PASS_ANYWAY = r"\|\| *(true|:)|; *true|set \+e|--nbval-lax|--exit-zero|--ignore|^\t@?-|^\t[^#|]*[^|]\|(?!\|)"
SUPPRESSED = r"pytest\.mark\.xfail\((?!.*strict=True)|importorskip\(.tapecalc|filterwarnings\(.ignore.\)"
MAKEFILE = (ROOT / "Makefile").read_text(encoding="utf-8")


def tracked(*patterns):
    """Files that git tracks, as paths from the root of the project."""
    listed = subprocess.check_output(["git", "ls-files", *patterns], cwd=ROOT, text=True)
    return [name for name in listed.splitlines() if (ROOT / name).exists()]


def test_make_test_runs_everything_but_what_is_weekly_and_no_failure_passes():
    recipe = MAKEFILE.partition("\ntest:")[2].partition("\n\n")[0]
    steps = "ruff check|ruff format --check|mypy|lint-imports|--doctest-modules|--nbval |--cov".split("|")
    assert [step for step in steps if step not in recipe] == []
    assert set(re.findall(r'-m "([^"]*)"', recipe)) == {"not weekly"}
    assert re.search(r"(?s)^set -euo pipefail$.*make test", (ROOT / ".ci/run").read_text("utf-8"), re.M)
    assert "-m weekly" in (ROOT / ".ci/weekly").read_text("utf-8")
    lines = [*MAKEFILE.splitlines(), *(ROOT / ".ci/run").read_text("utf-8").splitlines()]
    keeps(line for line in lines if re.search(PASS_ANYWAY, line.split(" #")[0]))


def test_warnings_are_errors_and_expected_failures_must_fail():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    options = project["tool"]["pytest"]["ini_options"]
    assert (options["filterwarnings"][0], options["xfail_strict"]) == ("error", True)
    assert {"--strict-markers", "--strict-config"} <= set(options["addopts"].split())


def test_no_test_is_allowed_to_fail_and_every_test_file_is_collected():
    tests = [name for name in tracked("tests/*.py") if not name.endswith("test_checks_can_fail.py")]
    keeps(name for name in tests if re.search(SUPPRESSED, (ROOT / name).read_text(encoding="utf-8")))
    helpers = ("tests/tools/", "tests/benchmarks/")
    keeps(n for n in tests if not n.startswith(helpers) and not re.search(r"/(test_\w+|conftest)\.py$", n))


def test_every_tracked_notebook_is_collected():
    strict = ["--nbval", "--nbval-current-env", "--collect-only", "-q", "notebooks"]
    listed = subprocess.check_output([sys.executable, "-m", "pytest", *strict], text=True, cwd=ROOT)
    collected = {line.partition("::")[0] for line in listed.splitlines() if ".ipynb::" in line}
    keeps(sorted(set(tracked("*.ipynb")) - collected))
