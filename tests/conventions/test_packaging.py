"""What a user installs is what is tested: the same bounds everywhere, and no file left at home."""

import fnmatch
import re
import tomllib
from pathlib import Path

import yaml
from packaging.requirements import Requirement
from packaging.version import Version
from project import LIBRARY, ROOT, keeps

import tapecalc

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
ENVIRONMENT = (ROOT / "environment.yml").read_text(encoding="utf-8")
PINS = (ROOT / "constraints.txt").read_text(encoding="utf-8")


def bounds(specs: list[str]) -> dict[str, str]:
    """Requirements as name to bound, each named as the registry names it."""
    wishes = [Requirement(spec) for spec in specs]
    return {wish.name.lower().replace("_", "-"): str(wish.specifier) for wish in wishes}


def wanted() -> dict[str, str]:
    """Every package that pyproject.toml names, with its bound."""
    project = PROJECT["project"]
    return bounds([*project["dependencies"], *sum(project["optional-dependencies"].values(), [])])


def environment_violations(text: str, project: dict[str, str]) -> list[str]:
    """Differences between an environment file and the project's own list."""
    *specs, last = yaml.safe_load(text)["dependencies"]
    conda = bounds([*(spec for spec in specs if spec != "pip"), *last["pip"][:-1]])
    wished = {**project, "python": PROJECT["project"]["requires-python"]}
    return [
        f"{name}: {wished.get(name, 'missing')} in pyproject.toml, {conda.get(name, 'missing')} for conda"
        for name in sorted({*wished, *conda})
        if wished.get(name) != conda.get(name)
    ]


def pin_violations(text: str, project: dict[str, str]) -> list[str]:
    """Packages of the project without a pin, or with one below its bound."""
    pins = bounds(text.split())
    found = [f"{name} has no pin" for name in project if not pins.get(name, "").startswith("==")]
    return found + [
        f"{name} is pinned at {pins[name]}, below {bound}"
        for name, bound in project.items()
        if name in pins and Version(pins[name][2:]) < Version(bound.removeprefix(">="))
    ]


def test_names_of_files_do_for_every_system():
    """None differ in capitals alone, and none has letters or a stem that Windows keeps for itself."""
    folders = (LIBRARY, ROOT / "figures", ROOT / "notebooks", ROOT / "tests", ROOT / "tools")
    paths = [path.relative_to(ROOT) for folder in folders for path in folder.rglob("*")]
    names = {path.as_posix() for path in paths if "__pycache__" not in path.parts}
    assert len({name.casefold() for name in names}) == len(names) > 300
    kept = re.compile(r'[<>:"|?*\\]|[. ]$|(^|/)(con|prn|aux|nul|com\d|lpt\d)(\.|$)', re.I)
    keeps(f"{name} cannot be on every system" for name in names if kept.search(name))
    assert kept.search("a/aux.py") and kept.search("a:b") and not kept.search("a/console.py")


def test_conda_and_pip_users_get_the_same_packages():
    keeps(environment_violations(ENVIRONMENT, wanted()))
    told = yaml.safe_load(ENVIRONMENT)
    assert (told["name"], told["channels"]) == ("tapecalc", ["conda-forge"])
    assert "pip" in told["dependencies"]  # or else conda warns, and takes one of its own choice
    assert told["dependencies"][-1]["pip"][-1] == "-e ."


def test_every_package_is_pinned_for_the_set_up_at_or_above_its_bound():
    keeps(pin_violations(PINS, wanted()))


def test_every_dependency_has_a_lower_bound_and_none_an_upper_one():
    keeps(f"{name}{bound}" for name, bound in wanted().items() if not re.fullmatch(r">=[\d.]+", bound))


def test_the_citation_names_this_version():
    cited = yaml.safe_load((ROOT / "CITATION.cff").read_text(encoding="utf-8"))
    assert (cited["version"], cited["license"]) == (tapecalc.__version__, PROJECT["project"]["license"])


def data_files() -> list[Path]:
    """Files below the package that are no source."""
    files = (path for path in LIBRARY.rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc"))
    return [path.relative_to(ROOT) for path in files if ".ipynb_checkpoints" not in path.parts]


def packaged(path: Path) -> bool:
    """Whether a data file of the package is in the wheel."""
    listed = PROJECT["tool"]["setuptools"]["package-data"]
    return any(
        fnmatch.fnmatch(str(path.relative_to(folder)), pattern)
        for folder in path.parents[:-1]
        for pattern in listed.get(".".join(folder.parts), [])
    )


def test_every_data_file_of_the_package_is_in_the_wheel():
    keeps(f"{path} matches no package-data pattern" for path in data_files() if not packaged(path))
    assert packaged(Path("tapecalc/examples/bench_deck.toml")) and not packaged(
        Path("tapecalc/bench_deck.xyz")
    )
