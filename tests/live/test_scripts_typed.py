"""The types in the comments of all scripts hold, all modules together, and the facts are of theirs."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from live_machines import TEXTS, machine_named

import tapecalc.live
from tapecalc.live.facts import playable_facts

FOLDER = Path(next(iter(tapecalc.live.__path__)))
NAMES = sorted(path.stem for path in [*FOLDER.glob("*.mjs"), *FOLDER.glob("../panels/*.mjs")])
CHECKER = shutil.which("tsc")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHECKER is None, reason="needs tsc, in Debian's node-typescript"),
]


def checked(folder):
    """Check the scripts of a folder; give what is found, line by line."""
    command = [CHECKER, "--project", str(folder / "jsconfig.json"), "--pretty", "false"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert bool(done.returncode) == bool(done.stdout), done.stderr
    return done.stdout.splitlines()


def planted(folder, texts):
    """Put more scripts beside formulas and setting; give the numbers of what is found in each."""
    for name in ("formulas.mjs", "setting.mjs", "jsconfig.json"):
        shutil.copy(FOLDER / name, folder)
    for name, text in texts.items():
        (folder / f"{name}.mjs").write_text(text, encoding="utf-8")
    lines = checked(folder)
    return {name: [ln.split()[2][:-1] for ln in lines if ln.startswith(f"{name}.mjs")] for name in texts}


def as_typed(facts):
    """Write facts as a script that says of what type they are."""
    return f'/** @type {{import("./setting.mjs").Facts}} */\nexport const facts = {json.dumps(facts)};\n'


@pytest.fixture(scope="module")
def all_together():
    """What is found in all scripts, looked at together."""
    return checked(FOLDER)


@pytest.mark.parametrize("name", NAMES)
def test_every_script_is_typed_and_fits_the_others(all_together, name):
    assert [line for line in all_together if f"{name}.mjs(" in line] == []


def test_nothing_else_is_found(all_together):
    elsewhere = [line for line in all_together if line[0] != " " and ".mjs(" not in line]  # of the check
    assert elsewhere == []


def test_mistakes_are_found(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = planted(
        tmp_path,
        {
            "called": 'import { marginDb } from "./formulas.mjs";\nmarginDb(1, 2);\n',
            "missing": 'import { notThere } from "./formulas.mjs";\nnotThere();\n',
            "untyped": "export function untyped(value) {\n  return value;\n}\n",
            "halved": "/** @param {number} n */\nexport function halved(n) {\n  return n.half;\n}\n",
        },
    )
    assert found == {"called": ["TS2345"], "missing": ["TS2305"], "untyped": ["TS7006"], "halved": ["TS2339"]}


def test_the_facts_of_every_machine_are_of_their_type(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    facts = {name: playable_facts(machine_named(name)) for name in TEXTS}
    bare = facts["bare"]
    wrong = {
        "more": {**bare, "more": 1},
        "other": {**bare, "units": None},
        "less": {key: value for key, value in bare.items() if key != "name"},
    }
    found = planted(tmp_path, {name: as_typed(one) for name, one in {**facts, **wrong}.items()})
    assert {name for name, numbers in found.items() if numbers} == set(wrong)
