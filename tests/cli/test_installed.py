"""What somebody gets who installs the package and has never seen its source tree.

A wheel is built from the source archive and put into an empty environment that holds the packages
named by the wheel and no other. Everything is done without a network.
"""

import importlib.metadata
import json
import os
import shutil
import subprocess
import sys
import tarfile
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

import tapecalc

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
ROOT_FILES = {"LICENSE", "MANIFEST.in", "README.md", "pyproject.toml"}
SOURCES = (*sorted(ROOT_FILES), "tapecalc", "tests", "tools", "notebooks", "figures")
NOT_SOURCE = shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints")
BUILD = "import sys; from setuptools import build_meta; print(getattr(build_meta, sys.argv[1])(sys.argv[2]))"
PLACE = "Küche und Bühne"

MACHINE = """
name = "Küchentisch"
transport.speeds_ips = [7.5]
playback_heads = [{spacing_mm = 41.5}]
"""


def build(kind, tree, target):
    """Let the build backend make one archive of a tree, as an installer would without isolation."""
    words = [sys.executable, "-c", BUILD, f"build_{kind}", str(target)]
    done = subprocess.run(words, cwd=tree, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return target / done.stdout.splitlines()[-1]


@pytest.fixture(scope="session")
def archives(tmp_path_factory):
    """The source archive of a copy of this tree, and the wheel built from nothing but that archive."""
    folder = tmp_path_factory.mktemp("archives")
    (folder / "tree").mkdir()
    for name in SOURCES:
        source, target = ROOT / name, folder / "tree" / name
        shutil.copytree(source, target, ignore=NOT_SOURCE) if source.is_dir() else shutil.copy(source, target)
    sdist = build("sdist", folder / "tree", folder)
    with tarfile.open(sdist) as archive:
        archive.extraction_filter = getattr(tarfile, "data_filter", None)  # Python 3.11.3 knows none
        archive.extractall(folder / "unpacked")
    (unpacked,) = (folder / "unpacked").iterdir()
    return sdist, build("wheel", unpacked, folder)


def needed(wishes, seen):
    """The packages that requirements ask for here, and those that these need, without extras."""
    for text in wishes:
        wish = Requirement(text)
        name = canonicalize_name(wish.name)
        if name not in seen and (wish.marker is None or wish.marker.evaluate({"extra": ""})):
            seen.add(name)
            needed(importlib.metadata.requires(name) or (), seen)
    return seen


def lend(name, target):
    """Put links to a package of this environment into another, with nothing beside it."""
    package = importlib.metadata.distribution(name)
    tops = {file.parts[0] for file in package.files} - {"..", "__pycache__"}
    for top in tops:
        source = Path(package.locate_file(top))
        if source.exists():
            (target / top).symlink_to(source)


class Installed:
    """An environment with the wheel in it, and what its commands say."""

    def __init__(self, folder, wheel):
        self.folder = folder
        venv.create(folder, with_pip=False)
        self.python = folder / "bin" / "python"
        (self.packages,) = folder.glob("lib/python*/site-packages")
        for name in needed(PROJECT["dependencies"], set()):
            lend(name, self.packages)
        pip = [sys.executable, "-m", "pip", "--python", str(self.python), "--disable-pip-version-check"]
        install = [*pip, "install", "--quiet", "--no-index", "--no-deps", str(wheel)]
        done = subprocess.run(install, capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stderr

    def run(self, *words, cwd, **environment):
        """Run a program of this environment with next to nothing set."""
        bare = {"PATH": "/usr/bin:/bin", "HOME": str(cwd), **environment}
        command = [str(self.folder / "bin" / words[0]), *words[1:]]
        return subprocess.run(command, cwd=cwd, env=bare, capture_output=True, timeout=300)

    def contents(self):
        """Every file of the package with its size and date, to see whether anything was written."""
        files = (path for path in (self.packages / "tapecalc").rglob("*") if path.is_file())
        return {path: (path.stat().st_size, path.stat().st_mtime_ns) for path in files}


@pytest.fixture(scope="session")
def installed(archives, tmp_path_factory):
    """An installation in a folder with spaces and umlauts that nobody may write to."""
    if os.name != "posix":
        pytest.skip("lays the environment out as POSIX systems do")
    there = Installed(tmp_path_factory.mktemp("installed") / f"{PLACE} 1", archives[1])
    folders = [there.folder, *(path for path in there.folder.rglob("*") if not path.is_symlink())]
    modes = {path: path.stat().st_mode for path in folders}
    for path in folders:
        path.chmod(modes[path] & ~0o222)
    yield there
    for path in folders:
        path.chmod(modes[path])


@pytest.fixture
def desk(tmp_path):
    """A folder to work in, far from the source tree, with spaces and umlauts in its name."""
    folder = tmp_path / PLACE
    folder.mkdir()
    (folder / "mein Gerät.toml").write_text(MACHINE, encoding="utf-8")
    return folder


def names(archive):
    """The files of a wheel or of a source archive."""
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as opened:
            return {name for name in opened.namelist() if not name.endswith("/")}
    with tarfile.open(archive) as opened:
        return {entry.name.partition("/")[2] for entry in opened if entry.isfile()}


def tracked(folder):
    """The files of a folder of this tree that are no leftovers of running it."""
    paths = (path for path in (ROOT / folder).rglob("*") if path.is_file() and path.suffix != ".pyc")
    return {path.relative_to(ROOT).as_posix() for path in paths if ".ipynb_checkpoints" not in path.parts}


def test_the_wheel_holds_the_package_and_nothing_else(archives):
    held = names(archives[1])
    assert {name for name in held if ".dist-info/" not in name} == tracked("tapecalc")
    assert "tapecalc/examples/bench_deck.toml" in held
    assert {"tapecalc/report/plan_page.html.jinja", "tapecalc/live/page.mjs"} <= held
    assert [name for name in held if name.endswith(".dist-info/licenses/LICENSE")]


def test_the_source_archive_holds_what_the_wheel_is_built_from_and_no_tests(archives):
    held = names(archives[0])
    assert tracked("tapecalc") | ROOT_FILES <= held
    rest = {name.split("/")[0] for name in held - tracked("tapecalc")}
    assert rest == ROOT_FILES | {"PKG-INFO", "setup.cfg", "tapecalc.egg-info"}


def test_the_wheel_names_the_packages_the_project_file_names(archives):
    with zipfile.ZipFile(archives[1]) as opened:
        (place,) = (name for name in opened.namelist() if name.endswith(".dist-info/METADATA"))
        wheel = importlib.metadata.PathDistribution(zipfile.Path(opened, place.rpartition("/")[0] + "/"))
        told = [Requirement(text) for text in wheel.requires]
        named = {str(wish) for wish in told if wish.marker is None}
        assert wheel.metadata["License-Expression"] == "BSD-3-Clause"
        assert wheel.metadata["Version"] == tapecalc.__version__
    assert named == {str(Requirement(text)) for text in PROJECT["dependencies"]}


def test_the_empty_environment_has_nothing_of_the_lab(installed):
    code = (
        "import importlib.util as u, tapecalc; print(tapecalc.__file__);"
        "print([n for n in ('jupyterlab', 'ipywidgets', 'IPython', 'sympy', 'pytest') if u.find_spec(n)])"
    )
    where, found = installed.run("python", "-c", code, cwd=installed.folder).stdout.decode().splitlines()
    assert Path(where) == installed.packages / "tapecalc" / "__init__.py"
    assert found == "[]"


def test_every_room_can_be_imported_without_the_lab(installed, desk):
    code = "import tapecalc; [getattr(tapecalc, room) for room in tapecalc.__all__]; print('all')"
    done = installed.run("python", "-c", code, cwd=desk)
    assert (done.stdout, done.stderr) == (b"all\n", b"")


@pytest.mark.parametrize("program", [["tapecalc"], ["python", "-m", "tapecalc"]])
def test_the_example_is_planned_from_another_folder(installed, desk, program):
    done = installed.run(*program, "plan", cwd=desk)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.startswith(b"Echo plan for Bench deck\n")


#: Where a program may find itself. (Python 3.13 loads no compiled module from a folder with an umlaut when
#: file names are forced to be ASCII; what is printed may be, all the same.)
LANGUAGES = {
    "UTF-8": {"LANG": "C.UTF-8"},
    "C": {"LANG": "C"},
    "nothing": {},
    "ASCII output": {"LANG": "C.UTF-8", "PYTHONIOENCODING": "ascii"},
    "Latin-1 output": {"LANG": "C.UTF-8", "PYTHONIOENCODING": "latin-1"},
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_machine_with_an_umlaut_is_planned_in_any_language(installed, desk, language):
    done = installed.run("tapecalc", "plan", "mein Gerät.toml", cwd=desk, **LANGUAGES[language])
    assert (done.returncode, done.stderr) == (0, b"")
    title = done.stdout.splitlines()[0].decode("latin-1" if language == "Latin-1 output" else "utf-8")
    assert title == f"Echo plan for {'K?chentisch' if language == 'ASCII output' else 'Küchentisch'}"


def test_a_plan_is_written_without_a_home_and_without_touching_the_installation(installed, desk):
    before = installed.contents()
    home = desk / "mein Gerät.toml" / "home"  # below a file, so that not even root can make it
    done = installed.run("tapecalc", "plan", "--out", "aus der Küche", cwd=desk, LANG="C", HOME=str(home))
    assert done.returncode == 0, done.stderr
    out = desk / "aus der Küche"
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))["bpm"] == 76
    assert "Bench deck" in (out / "plan.html").read_text(encoding="utf-8")
    assert "Bench deck" in (out / "try.html").read_text(encoding="utf-8")
    assert (out / "preview.wav").stat().st_size > 100_000
    assert installed.contents() == before


def test_sounds_and_figures_are_made_in_the_empty_environment(installed, desk):
    make = ["measure", "--make-test-signal", "Prüf signal.wav"]
    render = ["render", "mein Gerät.toml", "Prüf signal.wav", "mein Echo.wav", "--seconds", "2"]
    draw = ["figures", "tempo_map", "--machine", "mein Gerät.toml", "--out", "mit Bildern", "--format", "svg"]
    for words in (make, render, draw):
        done = installed.run("tapecalc", *words, cwd=desk, LANG="C")
        assert done.returncode == 0, done.stderr
    assert (desk / "mein Echo.wav").stat().st_size > 100_000
    made = {path.name for path in (desk / "mit Bildern").iterdir()}
    assert made == {"SHA256SUMS", "captions.md", "tempo_map.svg"}


def test_the_set_up_fits_the_oldest_python_that_is_promised():
    """A pin that asks for a later 3.11 than 3.11.0 leaves some who have 3.11 without an installation."""
    pins = dict(line.split("==") for line in (ROOT / "constraints.txt").read_text().split())
    oldest = PROJECT["requires-python"].removeprefix(">=") + ".0"
    known = {d.name.lower().replace("_", "-"): d for d in importlib.metadata.distributions()}
    looked, late = 0, []
    for name, version in pins.items():
        package = known.get(name.lower().replace("_", "-"))
        if package is not None and package.version == version:
            looked += 1
            wants = package.metadata.get("Requires-Python", "")
            if not SpecifierSet(wants).contains(oldest):
                late.append(f"{name} {version} wants Python {wants}")
    if looked < len(pins) / 2:
        pytest.skip("runs on other versions than the pinned ones")
    assert late == []
