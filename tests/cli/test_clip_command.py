"""``python -m tapecalc clip``: a film out, mistakes named."""

import pytest

from tapecalc.cli import main
from tapecalc.plot import film

QUICK = ["--profile", "page", "--seconds", "1"]


def test_a_clip_as_gif_with_its_words(tmp_path, capsys):
    target = tmp_path / "new" / "a.gif"
    assert main(["clip", "head_rhythm", "--out", str(target), "--fps", "4", *QUICK]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"Written: {target} (3.0 s, 12 frames)\nOne head, 19.05 cm/s")
    assert "Description: Dot chart" in said and target.stat().st_size > 1000


def test_numbered_frames_of_the_readers_machine(tmp_path, capsys):
    machine = tmp_path / "mine.toml"
    machine.write_text("[transport]\nspeeds_ips = [15]\n[[playback_heads]]\nspacing_mm = 100\n")
    folder = tmp_path / "frames"
    arguments = ["clip", "tape_path", "--out", str(folder), "--frames", "--machine", str(machine)]
    assert main([*arguments, "--fps", "5", "--units", "inches", *QUICK]) == 0
    assert "At 15 ips the tape takes 262 ms over 3.94 in" in capsys.readouterr().out
    assert len(list(folder.glob("frame_*.png"))) == 15


def test_a_clip_without_sound(tmp_path, capsys):
    folder = tmp_path / "frames"
    words = ["clip", "head_rhythm", "--out", str(folder), "--frames", "--silent", "--fps", "2", *QUICK]
    assert main(words) == 0
    assert capsys.readouterr().out.endswith("No sound.\n") and not (folder / "sound.wav").exists()
    assert "2 a second, without sound." in (folder / "about.txt").read_text()


TO_FILM = ["clip", "tape_path", "--out", "OUT/a.mp4"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["clip", "tape_pth", "--out", "OUT/a.mp4"], "did you mean 'tape_path'"),
        (["clip", "tape_path", "--out", "OUT/a.avi"], "a.avi: must end in .mp4 or .gif"),
        ([*TO_FILM, "--profile", "vidoe_1080"], "did you mean 'video_1080'"),
        ([*TO_FILM, "--machine", "none.toml"], "none.toml: cannot be read"),
        ([*TO_FILM, "--seconds", "0"], "seconds must be from 1 to 120 s"),
        (["clip", "head_rhythm", "--out", "/dev/null/x/a.gif", *QUICK], "cannot write to /dev/null/x"),
        (["clip", "tape_path"], "required: --out"),
        (["clip", "--out", "OUT/a.mp4"], "required: CLIP"),
    ],
)
def test_a_mistake_ends_with_one_line_and_status_2(arguments, said, tmp_path, capsys):
    folder = tmp_path / "new"
    assert main([word.replace("OUT", str(folder)) for word in arguments]) == 2
    streams = capsys.readouterr()
    assert said in streams.err.splitlines()[-1]
    assert not folder.exists()


def test_a_missing_encoder_is_one_line_with_the_ways_out(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(film, "find_encoder", lambda: None)
    assert main(["clip", "tape_path", "--out", str(tmp_path / "a.mp4")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("tapecalc: a.mp4: MP4 needs ffmpeg") and "numbered frames" in line
    assert list(tmp_path.iterdir()) == []
