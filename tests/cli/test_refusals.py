"""What a person must not lose, and what must not reach a terminal: links, inputs, streams, missing parts."""

import errno
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from tapecalc import cli
from tapecalc.cli import main
from tapecalc.machine import example_machine, write_machine
from tapecalc.plot.film import find_encoder
from tapecalc.sound.files import write_sound

POSIX = pytest.mark.skipif(os.name == "nt", reason="a name of bytes, a pipe, a stream closed by a shell")


@pytest.fixture
def desk(tmp_path):
    """A machine file with a comment, a sound and a take of silence."""
    write_machine(example_machine(), tmp_path / "machine.toml")
    with (tmp_path / "machine.toml").open("a") as file:
        file.write("# mine\n")
    write_sound(tmp_path / "dry.wav", 0.3 * np.sin(np.arange(24_000) / 9), 48000)
    noise = 0.01 * np.random.default_rng(1).standard_normal((4 * 48_000, 2))
    write_sound(tmp_path / "silence.wav", noise, 48000)
    return tmp_path


def refused(words, capsys):
    """The one printable line of a refusal."""
    assert main([str(word) for word in words]) == 2
    streams = capsys.readouterr()
    assert streams.out == ""
    (line,) = streams.err.splitlines()
    assert line.startswith("tapecalc: ") and line.isprintable() and len(line) <= cli.LONGEST_LINE + 10
    return line


# --- what is read is never written over ---


def test_a_measurement_is_not_written_over_its_machine_file_or_its_takes(desk, capsys):
    before = (desk / "machine.toml").read_text()
    (desk / "mine").mkdir()
    (desk / "link").symlink_to(desk)
    (desk / "mine" / "take.wav").symlink_to(desk / "silence.wav")
    take = ["measure", "--silence", desk / "silence.wav"]
    for out in (desk, desk / "link"):
        said = refused([*take, "--machine", desk / "machine.toml", "--out", out], capsys)
        assert said.endswith("machine.toml, which is read: name another")
        assert "silence.wav, which is read" in refused([*take, "--out", out], capsys)
    assert "holds take.wav" in refused([*take, "--out", desk / "mine"], capsys)
    assert (desk / "machine.toml").read_text() == before


def test_a_measurement_leaves_nothing_of_the_one_before_and_spares_what_was_changed(desk, capsys):
    words = ["measure", "--silence", str(desk / "silence.wav"), "--out", str(desk / "m")]
    assert main([*words, "--machine", str(desk / "machine.toml")]) == 0
    assert (desk / "m" / "machine.toml").exists()
    assert main(words) == 0  # its own files it may replace, and none stays that is not made again
    assert not (desk / "m" / "machine.toml").exists()
    (desk / "m" / "notes.txt").write_text("bench 3")
    capsys.readouterr()
    assert "m holds notes.txt, which is not" in refused(words, capsys)
    (desk / "m" / "notes.txt").unlink()
    with (desk / "m" / "measured.json").open("a") as file:
        file.write(" ")
    assert "m holds measured.json, which is not, or no longer, as 'tapecalc measure'" in refused(
        words, capsys
    )
    assert (desk / "m" / "measured.json").read_text().endswith(" ")


def test_no_file_is_written_over_the_machine_file_whatever_its_name(desk, capsys):
    os.link(desk / "machine.toml", desk / "hard.wav")
    (desk / "link.gif").symlink_to("machine.toml")
    said = refused(["render", desk / "machine.toml", desk / "dry.wav", desk / "hard.wav"], capsys)
    assert "hard.wav would be written over" in said
    clip = ["clip", "head_rhythm", "--machine", desk / "machine.toml", "--out", desk / "link.gif"]
    assert "link.gif would be written over" in refused(clip, capsys)


def test_a_plan_into_the_folder_one_is_in_is_refused(desk, monkeypatch, capsys):
    (desk / "empty").mkdir()
    monkeypatch.chdir(desk / "empty")
    assert ". is the folder that you are in" in refused(["plan", "--out", "."], capsys)


# --- what reaches the terminal ---


@pytest.mark.parametrize(
    "words",
    [
        ["plan", "example", "\x1b]0;PWN\x07"],
        ["plan", "--spacing-mm", "\x1b[31m"],
        ["x" * 5000],
        ["plan", "--" + "x" * 5000],
        ["clip", "x" * 5000, "--out", "a.gif"],
        ["plan", "y" * 200 + "\n\x9b\u202e.toml"],
        [],
    ],
)
def test_a_refusal_is_one_short_printable_line_whatever_was_typed(words, capsys):
    refused(words, capsys)


def test_a_long_refusal_keeps_its_beginning_and_its_reason():
    line = cli._one_line(ValueError(f"{'n' * 900}: cannot be read (no such file)"))
    assert len(line) == 300 and line.startswith("nnn") and line.endswith("n: cannot be read (no such file)")


@POSIX
def test_a_result_shows_no_control_characters_of_a_file_name(desk, capsys, monkeypatch):
    monkeypatch.chdir(desk)
    assert main(["render", "example", "dry.wav", "t\x1b]0;PWN\x07.wav", "--seconds", "1"]) == 0
    assert capsys.readouterr().out.startswith("Written: t?]0;PWN?.wav (1.0 s")
    assert main(["measure", "--silence", "silence.wav", "--out", "m\x1b[2J"]) == 0
    assert "\x1b" not in capsys.readouterr().out


# --- streams, names and parts that are missing ---


def shell(words, desk, redirect=""):
    """A command as a shell starts it."""
    line = f'exec "$0" -m tapecalc {words} {redirect}'
    return subprocess.run(["sh", "-c", line, sys.executable], cwd=desk, capture_output=True, text=True)


@POSIX
def test_closed_streams_are_no_trouble_and_nothing_of_theirs_gets_into_a_file(desk):
    assert shell("render example dry.wav open.wav --seconds 1", desk).returncode == 0
    for number, redirect in enumerate((">&-", "2>&-", "<&- >&- 2>&-")):
        done = shell(f"render example dry.wav {number}.wav --seconds 1", desk, redirect)
        assert (done.returncode, done.stderr) == (0, "")
        assert (desk / f"{number}.wav").read_bytes() == (desk / "open.wav").read_bytes()
    done = shell("plan none.toml", desk, ">&-")
    assert done.returncode == 2 and done.stderr.count("\n") == 1


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="there is no full device here")
@pytest.mark.parametrize(
    "words", ["plan", "compare example example", "figures delay_map --out f --format svg"]
)
def test_output_that_finds_no_room_is_said_in_one_line(words, desk):
    done = shell(words, desk, "> /dev/full")
    assert done.returncode == 2
    assert done.stderr.startswith("tapecalc: ") and done.stderr.endswith("No space left on device\n")
    assert done.stderr.count("\n") == 1


@POSIX
def test_file_names_that_are_no_utf_8_work(desk, capsys):
    odd = os.fsdecode(os.fsencode(desk) + b"/caf\xe9")
    for name in ("dry.wav", "silence.wav", "machine.toml"):
        os.rename(desk / name, f"{odd}-{name}")
    assert main(["render", f"{odd}-machine.toml", f"{odd}-dry.wav", f"{odd}.flac", "--seconds", "1"]) == 0
    assert soundfile.info(os.fsencode(f"{odd}.flac")).frames == 48000
    assert main(["plan", f"{odd}-machine.toml", "--out", f"{odd}-plan"]) == 0
    assert main(["measure", "--silence", f"{odd}-silence.wav", "--out", f"{odd}-measured"]) == 0
    assert main(["figures", "delay_map", "--format", "svg", "--out", f"{odd}-figures"]) == 0
    clip = ["clip", "head_rhythm", "--profile", "page", "--seconds", "1", "--fps", "4", "--out"]
    assert main(["try", f"{odd}-machine.toml", "--out", f"{odd}.html"]) == 0
    assert main([*clip, f"{odd}.gif"]) == 0 and main([*clip, f"{odd}-frames", "--frames"]) == 0
    assert "caf?-plan" in capsys.readouterr().out


@POSIX
def test_letters_of_drives_backslashes_and_commas_are_parts_of_names(desk, monkeypatch):
    """As on Windows, where a path begins with a letter and a colon; here such a path is one odd name."""
    monkeypatch.chdir(desk)
    odd = "C:\\deck, old\\"
    for name in ("dry.wav", "silence.wav", "machine.toml"):
        os.rename(name, odd + name)
    deck, clip = f"{odd}machine.toml", ["--profile", "page", "--seconds", "1", "--fps", "4", "--silent"]
    endings = (".gif", ".mp4") if find_encoder() else (".gif",)
    lines = [
        ["plan", deck, "--out", f"{odd}plan"],
        ["try", deck, "--out", f"{odd}try.html"],
        ["render", deck, f"{odd}dry.wav", f"{odd}echo.wav", "--seconds", "1"],
        ["measure", "--silence", f"{odd}silence.wav", "--machine", deck, "--out", f"{odd}measured"],
        ["figures", "delay_map", "--machine", deck, "--out", f"{odd}figures", "--format", "svg"],
        *(["clip", "head_rhythm", "--machine", deck, "--out", f"{odd}a{end}", *clip] for end in endings),
    ]
    for line in lines:
        assert main(line) == 0
        assert os.path.exists(next(word for word in reversed(line) if word.startswith(odd)))
    assert all(path.name.startswith(odd) for path in desk.iterdir())


def test_a_missing_part_is_named_in_one_line(tmp_path):
    code = "import sys; sys.modules['soundfile'] = None; from tapecalc.cli import run; run()"
    words = [sys.executable, "-c", code, "render", "example", "a.wav", "b.wav"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 2 and done.stderr.count("\n") == 1
    assert done.stderr.startswith("tapecalc: ") and "soundfile" in done.stderr


def test_a_backend_that_is_none_is_no_trouble(desk):
    words = [sys.executable, "-m", "tapecalc", "figures", "delay_map", "--out", "f", "--format", "svg"]
    done = subprocess.run(words, cwd=desk, env=os.environ | {"MPLBACKEND": "nonsense"}, capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("reason", ["Access is denied", "The process cannot access the file"])
def test_a_file_that_is_open_elsewhere_is_told_and_stays(desk, reason, monkeypatch, capsys):
    """As on Windows, where a file that a player holds cannot be renamed onto."""
    write_sound(desk / "echo.wav", [0.5, 0.25], 48000)
    before = (desk / "echo.wav").read_bytes()

    def held(_, target):
        raise PermissionError(errno.EACCES, reason)

    monkeypatch.setattr("tapecalc.files.os.replace", held)
    words = ["render", "example", desk / "dry.wav", desk / "echo.wav", "--seconds", "1"]
    assert refused(words, capsys).endswith(f"echo.wav: {reason}")
    assert (desk / "echo.wav").read_bytes() == before
    assert {path.name for path in desk.iterdir()} == {"machine.toml", "dry.wav", "silence.wav", "echo.wav"}
