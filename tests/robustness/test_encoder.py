"""An encoder that is missing, hangs, lies or is of the wrong kind: one sentence, and the old clip stays."""

import os
import signal
import subprocess
import threading

import pytest

from tapecalc.cli import main
from tapecalc.plot import film

CLIP = ["clip", "head_rhythm", "--profile", "page", "--seconds", "1", "--fps", "4", "--out"]
SHELL = "#!/bin/sh\n"
#: What stands in the place of ffmpeg, and what is then said; the last argument is the file to write.
FAKES = {
    "lies": (f"{SHELL}cat > /dev/null\n", "ffmpeg says that all is well, but wrote no MP4"),
    "writes rubbish": (
        f'{SHELL}cat > /dev/null; for last; do :; done; echo rubbish > "$last"\n',
        "ffmpeg says that all is well, but wrote no MP4",
    ),
    "hangs": (f"{SHELL}exec sleep 600\n", "ffmpeg did nothing for 1 s and was stopped"),
    "hangs behind a script": (f"{SHELL}sleep 600\n", "ffmpeg did nothing for 1 s and was stopped"),
    "hangs at the end": (
        f"{SHELL}cat > /dev/null; exec sleep 600\n",
        "ffmpeg did nothing for 1 s and was stopped",
    ),
    "fails": (f"{SHELL}echo one >&2; echo no such codec >&2; exit 3\n", "ffmpeg says: no such codec"),
    "fails in silence": (f"{SHELL}exit 3\n", "ffmpeg says: status 3"),
    "is no program": ("\x7fELF rubbish", "ffmpeg cannot be started: Exec format error"),
}


pytestmark = pytest.mark.skipif(os.name == "nt", reason="a program is a script of a shell here")


def stands_in(text, folder, monkeypatch):
    """Put a script in the place of ffmpeg, and an old clip where the new one shall be."""
    fake = folder / "bin" / "ffmpeg"
    fake.parent.mkdir()
    fake.write_text(text)
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", str(fake.parent), prepend=os.pathsep)
    clip = folder / "clip.mp4"
    clip.write_bytes(b"old")
    return clip


@pytest.mark.parametrize("name", FAKES)
def test_an_encoder_that_does_not_do_its_work_is_told_and_the_old_clip_stays(
    name, tmp_path, monkeypatch, capsys
):
    text, said = FAKES[name]
    clip = stands_in(text, tmp_path, monkeypatch)
    monkeypatch.setattr(film, "PATIENCE", 1.0)
    assert main([*CLIP, str(clip)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line == f"tapecalc: cannot write {clip}: {said}"
    assert clip.read_bytes() == b"old"
    assert {path.name for path in tmp_path.iterdir()} == {"bin", "clip.mp4"}


@pytest.mark.parametrize("moment", ["before it starts", "before we know of it"])
def test_an_encoder_does_not_outlive_us_whenever_ctrl_c_comes(moment, tmp_path, monkeypatch, capsys):
    clip = stands_in(FAKES["hangs"][0], tmp_path, monkeypatch)
    popen, started, noticed = subprocess.Popen, [], threading.Event()

    def struck(*words, **options):
        """Start a program, and be asked to end just before that, or before anybody has its number."""
        if moment == "before it starts":
            interrupt()
        started.append(popen(*words, **options))
        if moment == "before we know of it":
            interrupt()
        return started[-1]

    def interrupt():
        os.kill(os.getpid(), signal.SIGINT)
        noticed.wait(5)

    def note(number, frame):
        noticed.set()
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, note)
    try:
        with monkeypatch.context() as patch:
            patch.setattr(film.subprocess, "Popen", struck)
            assert main([*CLIP, str(clip)]) == 130
    finally:
        signal.signal(signal.SIGINT, before)
    assert noticed.is_set() and capsys.readouterr().err == "tapecalc: stopped\n"
    assert [process.returncode for process in started] == [-signal.SIGKILL]
    assert clip.read_bytes() == b"old" and {path.name for path in tmp_path.iterdir()} == {"bin", "clip.mp4"}
