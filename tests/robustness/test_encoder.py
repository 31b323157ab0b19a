"""An encoder that is missing, hangs, lies or is of the wrong kind: one sentence, and the old clip stays."""

import os

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
    "hangs at the end": (
        f"{SHELL}cat > /dev/null; exec sleep 600\n",
        "ffmpeg did nothing for 1 s and was stopped",
    ),
    "fails": (f"{SHELL}echo one >&2; echo no such codec >&2; exit 3\n", "ffmpeg says: no such codec"),
    "fails in silence": (f"{SHELL}exit 3\n", "ffmpeg says: status 3"),
    "is no program": ("\x7fELF rubbish", "ffmpeg cannot be started: Exec format error"),
}


@pytest.mark.skipif(os.name == "nt", reason="a program is a script of a shell here")
@pytest.mark.parametrize("name", FAKES)
def test_an_encoder_that_does_not_do_its_work_is_told_and_the_old_clip_stays(
    name, tmp_path, monkeypatch, capsys
):
    text, said = FAKES[name]
    fake = tmp_path / "bin" / "ffmpeg"
    fake.parent.mkdir()
    fake.write_text(text)
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", str(fake.parent), prepend=os.pathsep)
    monkeypatch.setattr(film, "PATIENCE", 1.0)
    clip = tmp_path / "clip.mp4"
    clip.write_bytes(b"old")
    assert main([*CLIP, str(clip)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line == f"tapecalc: cannot write {clip}: {said}"
    assert clip.read_bytes() == b"old"
    assert {path.name for path in tmp_path.iterdir()} == {"bin", "clip.mp4"}
