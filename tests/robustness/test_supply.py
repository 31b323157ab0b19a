"""What is installed is what was written down: pins, hashes, licenses, and a look for known holes."""

import re
import subprocess
import tomllib

import pytest
from programs import program
from project import ROOT, keeps

lock = program("lock")
LISTS = {path.stem: path.read_text(encoding="utf-8") for path in (ROOT / "locked").glob("*.txt")}
ENTRY = re.compile(r"([\w.-]+)==([\w.]+)( ; [^\\]+)? \\\n((?:    --hash=sha256:[0-9a-f]{64}(?: \\\n)?)+)")


def named(name):
    """A package's name as the registry writes it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def locked(*steps):
    """Packages of some lists: name -> version and the systems that need it, None for all."""
    found = [ENTRY.fullmatch(entry) for step in steps for entry in lock.entries(LISTS[step])]
    return {named(one[1]): (one[2], one[3]) for one in found}


def test_what_is_locked_is_what_is_pinned_and_each_has_its_hashes():
    assert set(LISTS) == set(lock.STEPS)
    for step, text in LISTS.items():
        keeps(f"{step}: {entry[:60]}" for entry in lock.entries(text) if not ENTRY.fullmatch(entry))
        assert "://" not in text  # the user's own registry is asked
    pins = dict(line.split("==") for line in (ROOT / "constraints.txt").read_text().split())
    pins = {named(name): version for name, version in pins.items()}
    there = locked(*LISTS)
    keeps(f"{name} is pinned and not locked" for name in pins.keys() - there.keys())
    keeps(f"{name} is {there[name][0]} in locked/" for name in pins if there[name][0] != pins[name])
    keeps(f"{name} is locked and not pinned" for name in there.keys() - pins.keys() if not there[name][1])


def test_each_step_of_make_installs_its_list_by_hash():
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    assert re.findall(r"^\t\$\(INSTALL\) locked/(\w+)\.txt$", text, re.M) == list(lock.STEPS)
    assert "--no-deps --require-hashes --only-binary :all: -r" in text
    first = locked("plan")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = {named(re.match(r"[\w.-]+", wish)[0]) for wish in project["dependencies"]}
    assert wanted <= first.keys() and not first.keys() & locked("lab").keys()


def test_what_builds_the_project_is_pinned_and_locked():
    (wish,) = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["build-system"]["requires"]
    assert wish == f"setuptools=={locked('plan')['setuptools'][0]}"


def test_lists_are_cut_into_entries_and_put_together_again():
    text = "a==1 \\\n    --hash=x \\\n    --hash=y\nb==2 ; os_name == 'nt' \\\n    --hash=z\n"
    assert lock.entries(text) == [
        "a==1 \\\n    --hash=x \\\n    --hash=y",
        "b==2 ; os_name == 'nt' \\\n    --hash=z",
    ]


def test_every_package_has_a_line_with_its_license():
    rows = (ROOT / "locked" / "LICENSES.md").read_text(encoding="utf-8").splitlines()[2:]
    told = {named(row.split("|")[1].strip()): row.split("|")[3].strip() for row in rows}
    keeps(
        f"{name} has no line"
        for name, (_, system) in locked("plan", "lab", "test").items()
        if system is None and name not in told and name not in ("setuptools", "pip", "wheel")
    )
    assert all(told.values()) and told["numpy"].startswith("BSD")


#: What pip-audit adds for a package that its registry has no list of holes for, ending as if all were well.
SKIPPED = "jinja2 Dependency not found and could not be audited: jinja2 (3.1.6)"


@pytest.mark.parametrize(
    ("says", "status", "ends", "told"),
    [
        ("No known vulnerabilities found", 0, 0, "No holes are known in what is locked."),
        ("Found 1 known vulnerability in 1 package", 1, 1, "Found 1 known vulnerability in 1 package"),
        (f"Found 1 known vulnerability\n{SKIPPED}", 1, 1, f"Found 1 known vulnerability\n{SKIPPED}"),
        (
            f"No known vulnerabilities found\n{SKIPPED}",
            0,
            0,
            f"THE AUDIT COULD NOT BE DONE of 1 packages: {SKIPPED}",
        ),
        ("ConnectionError: no route", 1, 0, "THE AUDIT COULD NOT BE DONE: ConnectionError: no route"),
    ],
)
def test_an_audit_fails_for_a_hole_and_says_when_it_could_not_look(says, status, ends, told, tmp_path):
    fake = tmp_path / "pip-audit"
    fake.write_text(
        f'#!/bin/sh\ncase "$*" in *--requirement=locked/plan.txt*) echo "{says}";; esac\nexit {status}\n'
    )
    fake.chmod(0o755)
    for program_there in (fake, tmp_path / "none"):
        done = subprocess.run(
            ["bash", ROOT / "tools" / "audit.sh", program_there], capture_output=True, text=True
        )
        if program_there == fake:
            assert (done.returncode, done.stdout.strip()) == (ends, told)
        else:
            assert done.returncode == 0 and done.stdout.startswith("THE AUDIT COULD NOT BE DONE: ")
