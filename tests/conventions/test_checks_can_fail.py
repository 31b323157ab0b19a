"""A check that cannot fail is none: nothing passes anyway, and what git tracks is what is tested."""

import re
import subprocess
import sys
import tomllib

import pytest
from library_rules import ROOT, keeps

PASS_ANYWAY = {
    r"\|\|\s*(true|:|exit 0|echo)": "goes on after a failure",
    r"continue-on-error": "goes on after a failure",
    r";\s*true\b": "forgets an exit status",
    r"--nbval-lax": "does not compare the outputs of notebooks",
    r"--exit-zero|--no-strict|--cov-fail-under=0": "never fails",
    r"--ignore|--deselect|-k ['\"]?not": "leaves tests out",
    r"\bset \+e": "goes on after a failure",
    r"^\t-|^\t@-": "a recipe line that may fail unseen",
    r"^\t[^#|]*[^|]\|(?!\|)": "a pipe in a recipe, which hides an exit status",
}
SUPPRESSED = (
    r"pytest\.mark\.xfail\((?!.*strict=True)|pytest\.importorskip\(.tapecalc|filterwarnings\(.ignore.\)"
)


def tracked(*patterns):
    """Files that git tracks, as paths from the root of the project."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", *patterns], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [name for name in listed.stdout.split("\0") if name]


def pass_anyway_violations(name, text):
    """Lines of a workflow file that let a failure pass."""
    return [
        f"{name}, line {number}: {why}: {line.strip()}"
        for number, line in enumerate(text.splitlines(), start=1)
        for pattern, why in PASS_ANYWAY.items()
        if re.search(pattern, line.split(" #")[0])
    ]


def loop_violations(name, text):
    """Recipe lines with a shell loop that goes on after a failure: a loop shows its last status only."""
    return [
        f"{name}, line {number}: a loop that goes on after a failure: {line.strip()}"
        for number, line in enumerate(text.splitlines(), start=1)
        if line.startswith("\t") and re.search(r"\bfor\b.*\bdo\b", line) and "|| exit 1" not in line
    ]


@pytest.mark.parametrize("name", ["Makefile", ".ci/run"])
def test_no_failure_passes_anyway(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    keeps(pass_anyway_violations(name, text) + loop_violations(name, text))


def test_the_script_of_the_server_stops_at_the_first_failure():
    assert re.search(r"^set -euo pipefail$", (ROOT / ".ci/run").read_text(encoding="utf-8"), re.M)


def test_make_test_runs_everything():
    recipe = (ROOT / "Makefile").read_text(encoding="utf-8").partition("\ntest:")[2].partition("\n\n")[0]
    for part in ("ruff check", "--doctest-modules", "--nbval ", "--nbval-sanitize-with", "--cov"):
        assert part in recipe
    assert '-m "' not in recipe  # no marker leaves anything out
    assert "make test" in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_warnings_are_errors_and_expected_failures_must_fail():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    options = project["tool"]["pytest"]["ini_options"]
    assert options["filterwarnings"][0] == "error"
    assert options["xfail_strict"] is True
    assert {"--strict-markers", "--strict-config"} <= set(options["addopts"].split())
    assert {"tests", "tapecalc"} <= set(options["testpaths"])


def test_no_test_is_allowed_to_fail_and_no_module_of_ours_may_be_missing():
    here = "tests/conventions/test_checks_can_fail.py"
    found = [
        f"{name}, line {number}: {line.strip()}"
        for name in tracked("tests/*.py", "tests/**/*.py")
        if name != here and (ROOT / name).exists()
        for number, line in enumerate((ROOT / name).read_text(encoding="utf-8").splitlines(), start=1)
        if re.search(SUPPRESSED, line)
    ]
    keeps(found)


def test_every_tracked_notebook_is_collected():
    notebooks = [name for name in tracked("*.ipynb") if (ROOT / name).exists()]
    assert all(name.startswith("notebooks/") for name in notebooks), "make test collects notebooks/ only"
    if not notebooks:
        pytest.skip("no notebook is written yet")
    keeps(sorted(set(notebooks) - collected(ROOT / "notebooks")))


def collected(folder):
    """Notebooks that strict nbval collects in a folder, as paths from the root of the project."""
    pytest_nbval = [sys.executable, "-m", "pytest", "--nbval", "--nbval-current-env"]
    command = [*pytest_nbval, "--collect-only", "-q", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    return {line.partition("::")[0] for line in done.stdout.splitlines() if ".ipynb::" in line}


def test_every_tracked_test_file_has_a_name_that_pytest_collects():
    helpers = ("tests/tools/", "tests/benchmarks/")
    strange = [
        name
        for name in tracked("tests/*.py", "tests/**/*.py")
        if not name.startswith(helpers) and not re.search(r"(^|/)(test_\w+|conftest)\.py$", name)
    ]
    keeps(strange)


@pytest.mark.parametrize(
    "line",
    [
        "\t$(BIN)/pytest || true",
        "\t-$(BIN)/pytest",
        "\t$(BIN)/pytest | tail",
        "\t$(BIN)/pytest; true",
        "\t$(BIN)/pytest --nbval-lax notebooks",
        "\t$(BIN)/pytest --ignore tests/browser",
        "set +e",
        "      continue-on-error: true",
    ],
)
def test_a_line_that_passes_anyway_is_found(line):
    assert pass_anyway_violations("Makefile", line) != []


def test_lines_that_can_fail_are_left_in_peace():
    text = "\t$(BIN)/pytest -q\n\t@test -d out || exit 1\nexport A ?= 1 # true\n"
    assert pass_anyway_violations("Makefile", text) == []
    assert loop_violations("Makefile", "\t@for file in *.py; do python $$file || exit 1; done") == []
    assert loop_violations("Makefile", "\t@for file in *.py; do python $$file; done") != []


@pytest.mark.parametrize(
    "line",
    ["@pytest.mark.xfail(reason='')", "pytest.importorskip('tapecalc.loop')", "filterwarnings('ignore')"],
)
def test_a_test_that_may_fail_is_found(line):
    assert re.search(SUPPRESSED, line)
