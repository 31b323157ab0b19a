"""What a terminal gets to see: our sentences, and nothing of what a decoder notes meanwhile."""

import os
import subprocess
import sys
import threading
import warnings
from contextlib import contextmanager

import numpy as np
import pytest

from tapecalc import cli as command
from tapecalc.sound.files import write_sound

NOTES = b"Note: Illegal Audio-MPEG-Header 0x0 at offset 7.\n[src/libmpg123/parse.c:1] error: no.\n\n"


@pytest.fixture
def damaged(tmp_path):
    """MP3 files with their middle overwritten, from a seed."""
    whole = write_sound(tmp_path / "whole.mp3", 0.02 * np.random.default_rng(1).standard_normal(88200), 44100)
    sound = bytearray(whole.read_bytes())
    sound[2000:6000] = np.random.default_rng(1).integers(0, 256, 4000).astype(np.uint8).tobytes()
    path = tmp_path / "damaged.mp3"
    path.write_bytes(sound)
    return path


@contextmanager
def stderr_of_the_process():
    """Python's standard error on that of the process, as on a terminal."""
    before = sys.stderr
    with os.fdopen(os.dup(2), "w", buffering=1) as stream:
        sys.stderr = stream
        try:
            yield stream
        finally:
            sys.stderr = before


def test_a_damaged_mp3_ends_with_one_line(damaged):
    arguments = ["measure", "--program", str(damaged)]
    noisy = f"import sys; from tapecalc.cli import main; sys.exit(main({arguments!r}))"
    bare, ours = (
        subprocess.run([sys.executable, *how], capture_output=True, text=True, timeout=60)
        for how in (["-c", noisy], ["-m", "tapecalc", *arguments])
    )
    assert "Note: " in bare.stderr  # or there would be nothing to keep away
    assert (ours.returncode, ours.stdout) == (2, "")
    assert ours.stderr.splitlines() == bare.stderr.splitlines()[-1:]
    assert ours.stderr.startswith("tapecalc: ") and ours.stderr.count("\n") == 1


def test_only_the_decoder_is_kept_away(capfd):
    with stderr_of_the_process():

        def other():
            os.write(2, b"another library\n")
            print("another thread", file=sys.stderr)

        with command._without_decoder_notes():
            os.write(2, NOTES)
            thread = threading.Thread(target=other)
            thread.start()
            thread.join()
            print("ours", file=sys.stderr)
            assert capfd.readouterr().err == "another thread\nours\n"  # at once
            os.write(2, b"a last word without an end")
        assert capfd.readouterr().err == "another library\na last word without an end"
        print("after", file=sys.stderr)
        os.write(2, b"straight\n")
        assert capfd.readouterr().err == "after\nstraight\n"


def test_the_terminal_comes_back_after_an_exception(capfd):
    with stderr_of_the_process() as stream:
        open_before = set(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else None
        with pytest.raises(RuntimeError), command._without_decoder_notes():
            os.write(2, NOTES + b"kept\n")
            raise RuntimeError("something went wrong")
        assert sys.stderr is stream
        os.write(2, b"straight\n")
        assert capfd.readouterr().err == "kept\nstraight\n"
        if open_before is not None:
            assert set(os.listdir("/proc/self/fd")) == open_before


def test_where_nothing_can_be_put_aside_the_command_still_runs(capfd, monkeypatch):
    with stderr_of_the_process():

        def full():
            raise OSError("no space left")

        monkeypatch.setattr(command.tempfile, "TemporaryFile", full)
        with command._without_decoder_notes():
            os.write(2, b"Note: seen\n")
        assert capfd.readouterr().err == "Note: seen\n"


def test_a_process_without_a_standard_error_runs_too(monkeypatch):
    monkeypatch.setattr(sys, "stderr", None)
    with command._without_decoder_notes():
        assert sys.stderr is None
    assert sys.stderr is None


def test_letters_that_pictures_lack_are_told_in_one_line(tmp_path):
    lines = "transport.speeds_ips = [7.5]\nplayback_heads = [{spacing_mm = 41.5}]\n"
    part = "[[parts]]\nname = '\u9332\u97f3\u6a5f \U0001f4fc'\ndiameter_mm = 8\nwobble_percent = 0.1\n"
    (tmp_path / "machine.toml").write_text(lines + part, "utf-8")
    words = [sys.executable, "-m", "tapecalc", "plan", "machine.toml", "--out", "plan"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, encoding="utf-8", timeout=120)
    assert done.returncode == 0 and "Written: " in done.stdout
    (line,) = done.stderr.splitlines()
    assert line.startswith("tapecalc: in pictures a box stands for letters") and len(line) < 300
    assert all(letter in line for letter in "\u9332\u97f3\u6a5f\U0001f4fc")


def test_other_warnings_are_shown_as_ever(monkeypatch):
    shown = []
    monkeypatch.setattr(warnings, "showwarning", lambda message, *rest: shown.append(str(message)))
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        with command._missing_letters_told():
            warnings.warn("another", stacklevel=1)
    assert shown == ["another"]
