"""What a user installs is what is tested: the same bounds everywhere, and no file left at home."""

import fnmatch
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
import yaml
from library_rules import ROOT, keeps
from packaging.requirements import Requirement

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SOURCES = (".py", ".pyc")


def bounds(requirements):
    """Requirement strings as a mapping of name to bound, spaces and case aside."""
    found = {}
    for text in requirements:
        name, bound = re.fullmatch(r"([\w.-]+)\s*(.*)", text.strip()).groups()
        found[name.lower().replace("_", "-")] = bound.replace(" ", "")
    return found


def wanted():
    """Every package that pyproject.toml names, with its bound, and Python."""
    project = PROJECT["project"]
    extras = [text for group in project["optional-dependencies"].values() for text in group]
    return {**bounds([*project["dependencies"], *extras]), "python": project["requires-python"]}


def listed(text):
    """Packages that an environment file lists, for conda and for pip, the project itself left out."""
    lines = [line.split("#")[0].strip() for line in text.partition("dependencies:")[2].splitlines()]
    entries = [line.removeprefix("- ") for line in lines if line.startswith("- ")]
    return bounds(entry for entry in entries if entry not in ("pip", "pip:", "-e ."))


def environment_violations(text, project):
    """Differences between an environment file and the project's own list."""
    conda = listed(text)
    return [
        f"{name}: {project.get(name, 'missing')} in pyproject.toml, {conda.get(name, 'missing')} for conda"
        for name in sorted({*project, *conda})
        if project.get(name) != conda.get(name)
    ]


def constraint_violations(text, project):
    """Packages of the project without a pin, pins below a bound, and lines that pin nothing."""
    lines = [line.strip() for line in text.splitlines() if line.strip() and not line.startswith("#")]
    found = [f"{line} pins nothing" for line in lines if not re.fullmatch(r"[\w.-]+==[\w.]+", line)]
    pins = {name: bound.removeprefix("==") for name, bound in bounds(lines).items()}
    for name, bound in project.items():
        if name != "python" and name not in pins:
            found.append(f"{name} has no pin")
        elif name != "python" and numbers(pins[name]) < numbers(bound.removeprefix(">=")):
            found.append(f"{name} is pinned at {pins[name]}, below {bound}")
    return found


def numbers(version):
    return [int(part) for part in re.findall(r"\d+", version)]


def test_conda_and_pip_users_get_the_same_packages():
    text = (ROOT / "environment.yml").read_text(encoding="utf-8")
    keeps(environment_violations(text, wanted()))
    assert "-e ." in text


def test_the_environment_is_one_that_conda_reads():
    """Its grammar only: whether a channel has these names cannot be known without asking it."""
    text = (ROOT / "environment.yml").read_text(encoding="utf-8")
    told = yaml.safe_load(text)
    assert list(told) == ["name", "channels", "dependencies"]
    assert (told["name"], told["channels"]) == ("tapecalc", ["conda-forge"])
    *specs, last = told["dependencies"]
    keeps([spec for spec in specs if not re.fullmatch(r"[a-z0-9][a-z0-9._-]*( >=[0-9][0-9.]*)?", spec)])
    assert "pip" in specs  # or else conda warns, and takes one of its own choice
    assert list(last) == ["pip"]
    assert [str(Requirement(wish)) for wish in last["pip"][:-1]] == last["pip"][:-1]
    assert last["pip"][-1] == "-e ."


def test_every_package_is_pinned_for_the_set_up_at_or_above_its_bound():
    keeps(constraint_violations((ROOT / "constraints.txt").read_text(encoding="utf-8"), wanted()))


def test_every_dependency_has_a_lower_bound_and_none_an_upper_one():
    keeps([f"{name}{bound}" for name, bound in wanted().items() if not re.fullmatch(r">=[\d.]+", bound)])


def packaged(name):
    """Whether a file of the package is in the wheel: a module, or matched by package-data."""
    path = Path(name)
    package = ".".join(path.parent.parts)
    patterns = PROJECT["tool"]["setuptools"].get("package-data", {})
    return any(
        fnmatch.fnmatch(path.name, pattern)
        for owner, those in patterns.items()
        if owner in (package, "*")
        for pattern in those
    )


def data_files():
    """Files below the package that are no source."""
    files = (path for path in (ROOT / "tapecalc").rglob("*") if path.is_file())
    data = (path for path in files if path.suffix not in SOURCES and ".ipynb_checkpoints" not in path.parts)
    return [path.relative_to(ROOT).as_posix() for path in data]


def git_ignores(names):
    """Which of some files git would ignore, tracked or not."""
    command = ["git", "check-ignore", "--no-index", "--stdin"]
    done = subprocess.run(command, input="\n".join(names), capture_output=True, text=True, cwd=ROOT)
    assert done.returncode in (0, 1), done.stderr
    return done.stdout.split()


def test_every_data_file_of_the_package_is_in_the_wheel():
    assert data_files()
    keeps([f"{name} matches no package-data pattern" for name in data_files() if not packaged(name)])


def test_every_folder_with_modules_is_a_package():
    folders = {path.parent for path in (ROOT / "tapecalc").rglob("*.py")}
    keeps(sorted(str(f.relative_to(ROOT)) for f in folders if not (f / "__init__.py").exists()))


def test_no_ignore_rule_swallows_package_data_sounds_or_figures():
    made_up = [
        *(f"tapecalc/examples/new.{kind}" for kind in ("toml", "wav", "flac", "mp3", "csv")),
        *(f"figures/new.{kind}" for kind in ("svg", "png")),
        *(f"notebooks/sounds/new.{kind}" for kind in ("mp3", "flac", "wav")),
        "notebooks/new.ipynb",
    ]
    keeps([f"{name} is ignored by git" for name in git_ignores([*data_files(), *made_up])])


def test_ignored_files_are_found():
    assert git_ignores(["out/plan.html"]) == ["out/plan.html"]


ENVIRONMENT = "dependencies:\n  - python >=3.11\n  - numpy >=1.26\n  - pip:\n      - soundfile>=0.13\n"
MADE_UP = {"python": ">=3.11", "numpy": ">=1.26", "soundfile": ">=0.13"}


def test_an_environment_that_says_the_same_is_left_in_peace():
    assert environment_violations(ENVIRONMENT, MADE_UP) == []
    assert constraint_violations("numpy==2.4.6\nsoundfile==0.13.1\n", MADE_UP) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [("numpy >=1.26", "numpy >=1.25"), ("  - numpy >=1.26\n", ""), ("python >=", "extra >=1\n  - python >=")],
)
def test_an_environment_that_differs_is_found(old, new):
    assert environment_violations(ENVIRONMENT.replace(old, new), MADE_UP) != []


@pytest.mark.parametrize(
    "text", ["numpy==2.4.6\n", "numpy==1.3\nsoundfile==0.13.1", "numpy==2.4\nsoundfile>=0.13"]
)
def test_a_missing_low_or_open_pin_is_found(text):
    assert constraint_violations(text, MADE_UP) != []


def test_a_data_file_outside_the_patterns_is_found():
    assert packaged("tapecalc/examples/bench_deck.toml")
    assert not packaged("tapecalc/examples/bench_deck.xyz")
    assert not packaged("tapecalc/bench_deck.toml")
