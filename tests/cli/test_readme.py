"""What README and DEVELOPERS say works: commands, code, files, links."""

import contextlib
import io
import re
import shlex
from pathlib import Path

import pytest

from tapecalc.__main__ import main
from tapecalc.audio.sound import tone, write_sound
from tapecalc.machine import machine_from_text

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text, language):
    return re.findall(rf"```{language}\n(.*?)```", text, re.S)


def commands(text):
    lines = [line.split("#")[0].strip() for block in blocks(text, "sh") for line in block.splitlines()]
    return [line for line in lines if line]


def test_there_is_something_to_check():
    assert len(blocks(README, "python")) >= 1
    assert len(blocks(README, "toml")) >= 1
    assert any(line.startswith("make plan") for line in commands(README))


@pytest.mark.parametrize("code", blocks(README, "python") + blocks(DEVELOPERS, "python"))
def test_python_blocks_print_what_their_comments_say(code):
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(code, "README.md", "exec"), {})
    expected = re.findall(r"print\(.*\)\s+# (.*)", code)
    assert said.getvalue().splitlines() == expected


@pytest.mark.parametrize("line", commands(README) + commands(DEVELOPERS))
def test_every_command_is_one_that_works(line, tmp_path, monkeypatch, capsys):
    words = shlex.split(line)
    if words[0] == "make":
        targets = re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(), re.M)
        assert words[1] in targets
        return
    assert words[:3] == [".venv/bin/python", "-m", "tapecalc"], f"no rule here for {line}"
    monkeypatch.chdir(tmp_path)
    (tmp_path / "machine.toml").write_text(blocks(README, "toml")[0])
    write_sound(tmp_path / "test.wav", tone(440, 1.0, sample_rate=44_100), 44_100)
    assert main(words[3:]) == 0
    assert capsys.readouterr().out


def test_the_machine_file_in_the_readme_is_one():
    assert machine_from_text(blocks(README, "toml")[0]).name == "Kitchen table"


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_links_lead_to_files(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    targets = [target.split("#")[0] for target in re.findall(r"\]\(([^)]+)\)", text)]
    missing = [t for t in targets if t and not t.startswith("http") and not (ROOT / t).exists()]
    assert missing == []


def test_the_rooms_in_the_guide_are_the_rooms_in_the_tree():
    named = set(re.findall(r"^      ([a-z_]+)(?:\.py|/) ", DEVELOPERS, re.M)) - {"__main__"}
    there = {path.stem for path in (ROOT / "tapecalc").iterdir() if not path.name.startswith("_")}
    assert named == there


TARGETS = ("plan", "lab", "test", "fast", "bench", "figures", "notebooks", "site", "clean")


@pytest.mark.parametrize("target", TARGETS)
def test_make_has_the_targets_that_are_promised(target):
    assert re.search(rf"^{target}:", (ROOT / "Makefile").read_text(), re.M)
