"""Films as others read them: how loud, how they begin and end, their captions, markers and colors."""

import functools
import re
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from machines import MACHINES as FIVE
from matplotlib.patches import Polygon
from PIL import Image

from tapecalc.machine import machine_from_text
from tapecalc.plot import film, style
from tapecalc.plot.clips import CLIPS, make_scene, write_clip
from tapecalc.sound.loudness import TWICE_DB, loudness_lufs

SMALL = replace(style.as_profile("video_1080"), dpi=20)  # 320 x 180, laid out as 1080 lines are
ENCODER = film.find_encoder()
needs_encoder = pytest.mark.skipif(ENCODER is None, reason="there is no ffmpeg to write and read MP4 with")
every_clip = pytest.mark.parametrize("name", CLIPS)
RATE = 48000
NOTE = film.HOLD + 0.3  # s: when the first note is struck


@functools.cache
def scene_of(name, seconds=6):
    return make_scene(name, profile=SMALL, seconds=seconds)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Every clip as MP4, by name."""
    folder = tmp_path_factory.mktemp("films")
    return {
        name: write_clip(name, folder / f"{name}.mp4", profile=SMALL, seconds=4, fps=20) for name in CLIPS
    }


def told(path, *words):
    """What ffmpeg tells about a file."""
    command = [ENCODER, "-hide_banner", "-nostats", "-i", str(path), *words]
    return subprocess.run(command, capture_output=True, text=True, check=False).stderr


def shown(scene, time):
    return np.asarray(film.still(scene, time)).astype(int)


def heard(path):
    """The sound of a film, two columns."""
    command = [ENCODER, "-v", "error", "-i", str(path), "-f", "f32le", "-ar", str(RATE), "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    return np.frombuffer(raw, np.float32).reshape(-1, 2)


def lufs(scene):
    return loudness_lufs(scene.sound, scene.sample_rate) + TWICE_DB


# ---------------------------------------------------------------- loudness


@needs_encoder
@every_clip
def test_a_film_has_the_loudness_of_a_program_and_its_peaks(name, written):
    text = told(written[name].path, "-af", "ebur128=peak=true:framelog=verbose", "-f", "null", "-")
    loudness = float(re.findall(r"I: +(-?[\d.]+) LUFS", text)[-1])
    peak = float(re.findall(r"Peak: +(-?[\d.]+) dBFS", text)[-1])
    said = float(re.search(r"(-?[\d.]+) LUFS", written[name].level.replace("\N{MINUS SIGN}", "-"))[1])
    assert loudness == pytest.approx(said, abs=0.3)  # coded, and by another meter
    assert peak <= -1
    if name == "one_repeat":
        assert loudness < -24
        assert written[name].level.endswith("turned as `loop_diagram` is, to compare levels.")
    elif name == "wavelength_at_gap":
        assert -27 < loudness < -23  # as loud as the others at its start, and then it falls
        assert written[name].level.endswith(": as loud as others at its start.")
    else:
        assert loudness == pytest.approx(-23, abs=1)
        assert ":" not in written[name].level


@pytest.mark.parametrize("machine", ["one_head", "three_heads", "cassette"])
def test_clips_that_teach_a_level_share_their_gain(machine):
    deck = machine_from_text(FIVE[machine])
    notes = []
    for name in ("one_repeat", "loop_diagram", "runaway_frequency"):
        scene = make_scene(name, machine=deck, profile=SMALL, seconds=5)
        delay = deck.delays(deck.speeds[0])[0]
        alone = scene.sound[
            round(NOTE * RATE) : round((NOTE + delay - 0.01) * RATE)
        ]  # before the tape answers
        notes.append(np.abs(alone).max())
        assert lufs(scene) < -22.9
    assert notes == pytest.approx([notes[0]] * 3, rel=0.02)  # both are played with their peak at -12 dB


def test_peaks_that_allow_no_more_are_told(monkeypatch):
    monkeypatch.setattr("tapecalc.sound.loudness.MOST_PEAK_DB", -15.0)
    level = make_scene("head_rhythm", profile=SMALL, seconds=1).level
    assert re.fullmatch("Sound at \N{MINUS SIGN}3\\d[.]\\d LUFS: its peaks allow no more[.]", level)


# ---------------------------------------------------------------- beginning and end


@every_clip
def test_nothing_moves_in_the_first_and_last_second_and_nothing_is_heard(name):
    scene = scene_of(name)
    assert scene.seconds == 8
    last = shown(scene, 8)
    moved = replace(scene, rests=0.0)  # drawn as if it did not know that it rests
    for time in (0, 0.5, 0.99, 7, 7.5, 7.99):
        assert np.array_equal(shown(moved, time), last) and np.array_equal(shown(scene, time), last)
    assert np.abs(scene.sound[: int(1.29 * RATE)]).max() < 1e-9
    assert np.abs(scene.sound[7 * RATE :]).max() == 0
    assert np.abs(scene.sound[: 7 * RATE][-960:]).max() < 1e-3 * np.abs(scene.sound).max()
    assert np.any(shown(scene, 1.35) != last) and np.any(shown(scene, scene.poster) != last)


def test_a_held_picture_is_drawn_once():
    asked, scene = [], scene_of("patch_sends")
    watched = replace(scene, update=lambda time: (asked.append(time), scene.update(time)))
    assert sum(1 for _ in film.frames(watched, 10)) == 80
    # 60 frames that move, and two that stand for the 20 that are held and for the dissolve.
    assert len(asked) == 62 and asked.count(0.0) == 2


def test_the_held_picture_dissolves_into_the_beginning():
    scene = make_scene("patch_sends", profile=SMALL.on("transparent"), seconds=3)
    last, begun = shown(scene, 5), shown(scene, 1.3)
    for time, share in ((1.0, 0), (1.1, 0.25), (1.15, 0.5), (1.2, 0.75)):  # sin^2 of 0, 30, 45, 60 degrees
        mixed = shown(scene, time)
        (one, clear), (other, veil) = ((each[..., :3], each[..., 3:] / 255) for each in (last, begun))
        opaque = (1 - share) * clear + share * veil
        assert np.abs(mixed[..., 3:] - 255 * opaque).max() <= 2
        colors = ((1 - share) * clear * one + share * veil * other) / opaque  # as light through two films
        assert np.abs(mixed[..., :3] - colors).max() <= 4


@pytest.mark.parametrize("seconds", [1, 1.7, 2.9])
@every_clip
def test_nothing_is_lit_at_the_end_however_short(name, seconds):
    if name == "delay_map" and seconds < 2:  # which is refused
        return
    scene = scene_of(name, seconds)
    assert np.array_equal(shown(scene, scene.seconds), shown(scene, 0.5))
    if name == "head_rhythm":
        assert not any(mark.get_visible() for mark in scene.moving)


def test_what_is_struck_is_heard_to_its_end():
    # Two notes 2 beats of 76 bpm apart, 1.58 s; the second is answered 0.22 s later, at 2.10 s of 2.3 s.
    assert [name for _, name in scene_of("tape_path", 2.45).events].count("note") == 2
    assert [name for _, name in scene_of("tape_path", 2.3).events].count("note") == 1
    scene = scene_of("tape_path", 8)
    assert [name for _, name in scene.events][-2:] == ["phrase", "its echo"]
    # Played until 0.6 s and a delay before the end: then the echo is heard alone, and the tape gets empty.
    tail = scene.sound[int((9 - 0.6 - 41.5 / 190.5 + 0.01) * RATE) : int(8.39 * RATE)]
    assert np.abs(tail).max() > 0.02
    scene.update(scene.seconds)
    riding = next(one for one in scene.moving if isinstance(one, Polygon) and len(one.get_xy()) >= 2400)
    assert not riding.get_visible()


def test_a_sound_of_two_channels_is_held_as_it_is():
    both = np.column_stack([np.ones(RATE), -np.ones(RATE)])
    longer = film.held_sound(both, RATE)
    assert longer.shape == (3 * RATE, 2) and np.array_equal(longer[:, 0], -longer[:, 1])
    assert longer[RATE + 480, 0] == pytest.approx(0.5)  # half of 20 ms
    assert longer[2 * RATE - 7200, 0] == pytest.approx(0.5)  # half of 0.3 s
    assert longer[RATE + RATE // 2, 0] == 1 and film.two_channels(both) is both


# ---------------------------------------------------------------- the tape's limit


def test_the_tape_is_called_full_only_where_the_level_stops_growing():
    short, long = (scene_of("loop_diagram", seconds) for seconds in (5, 10))
    assert "until the tape is full" in long.caption
    assert "until" not in short.caption and "and does not fill the tape; the return send" in short.caption
    full = [[time for time, name in scene.events if name == "the tape is full"] for scene in (short, long)]
    assert full[0] == []
    (at,) = full[1]
    back = next(time for time, name in long.events if name.startswith("back"))
    before, end = (
        10 * np.log10(np.mean(long.sound[int((t - 0.05) * RATE) : int(t * RATE)] ** 2)) for t in (at, back)
    )
    assert before == pytest.approx(end - 1, abs=0.1)  # nobody plays: what is heard is the echo alone


# ---------------------------------------------------------------- what stands beside and inside


@every_clip
def test_captions_are_a_text_track_without_overlaps(name):
    scene = scene_of(name)
    text = film.captions(scene)
    header, note, *cues = text.strip().split("\n\n")
    assert header == "WEBVTT" and note.startswith("NOTE ") and "-->" not in note
    before = 0.0
    for cue in cues:
        times, words = cue.split("\n")
        found = re.fullmatch(r"00:00:(\d\d\.\d{3}) --> 00:00:(\d\d\.\d{3})", times)
        begin, end = map(float, found.groups())
        assert before <= begin < end <= scene.seconds and end - begin <= 3
        assert re.fullmatch(r"\[[^\[\]<]+\]", words)
        before = end
    said = " ".join(cues)
    assert all(event in said for _, event in scene.events)


def test_captions_tell_how_much_quieter_a_repeat_is():
    deck = machine_from_text(FIVE["one_head"])  # -8 dB, 200 ms
    text = film.captions(make_scene("one_repeat", machine=deck, profile=SMALL, seconds=4))
    assert (
        "[note; repeat 1; repeat 2, 8.0 dB quieter; repeat 3, 8.0 dB quieter; repeat 4, 8.0 dB quieter]"
        in text
    )


def test_times_and_signs_in_captions_are_written_as_the_form_demands():
    events = ((1.3, "a < b & c"), (3725.0416, "late"))
    scene = replace(scene_of("head_rhythm"), events=events, sound=np.zeros(3800 * 100), sample_rate=100)
    text = film.captions(scene)
    assert "00:00:01.300 --> 00:00:04.300\n[a &lt; b &amp; c]" in text
    assert "01:02:05.042 --> 01:02:08.042\n[late]" in text


def test_a_round_begins_a_group_of_its_own_and_names_stand_once():
    times = (1.0, 1.2, 1.4, 1.9, 2.0, 2.3, 2.4)
    names = ("note", "a", "b", "b", "note", "a", "b")
    scene = replace(scene_of("head_rhythm"), events=tuple(zip(times, names, strict=True)))
    assert film._grouped(scene, 1.0) == [(1.0, 2.0, "note; a; b"), (2.0, 8.0, "note; a; b")]
    assert film._grouped(scene, 0.25) == [
        (1.0, 1.4, "note; a"),
        (1.4, 2.0, "b"),
        (2.0, 2.3, "note"),
        (2.3, 8.0, "a; b"),
    ]


@needs_encoder
@every_clip
def test_a_film_has_captions_poster_markers_and_words(name, written):
    clip, scene = written[name], scene_of(name, 4)
    captions, poster = clip.beside
    assert {p.name for p in clip.beside} == {f"{name}.vtt", f"{name}.png"}
    assert captions.read_text("utf-8") == film.captions(scene)
    with Image.open(poster) as picture:
        assert np.array_equal(np.asarray(picture), shown(scene, scene.poster)[..., :3])
        assert picture.text["Copyright"] == style.CREDIT and picture.text["Author"] == "the tapecalc authors"
        assert picture.text["Description"] == scene.caption
    text = told(clip.path)
    assert re.search(r"artist +: the tapecalc authors", text) and re.search(
        rf"copyright +: {style.CREDIT}", text
    )
    assert scene.title in text and scene.caption.encode() in clip.path.read_bytes()
    found = re.findall(r"start ([\d.]+), end ([\d.]+)\s+Metadata:\s+title +: (.*)", text)
    starts = [float(start) for start, _, _ in found]
    assert starts[0] == 0 and found[0][2] == "start" and starts[1] == pytest.approx(NOTE)
    assert np.diff(starts).min() >= 0.199 and float(found[-1][1]) == pytest.approx(6, abs=0.05)
    times = [time for time, _ in scene.events]
    assert all(min(abs(start - time) for time in times) < 0.001 for start in starts[1:])


@needs_encoder
def test_signs_that_mean_something_to_the_encoder_stay_in_markers(tmp_path):
    scene = scene_of("head_rhythm", 1)
    odd = replace(scene, events=((1.3, r"a=b; #1 \ c"),))
    film.write_mp4(odd, tmp_path / "a.mp4", 5)
    assert r": a=b; #1 \ c" in told(tmp_path / "a.mp4")


@needs_encoder
def test_the_colors_of_a_film_are_named_in_stream_and_box(written):
    for clip in written.values():
        (line,) = re.findall(r"Video: h264.*", told(clip.path))
        assert re.search(r"yuv420p\(tv, bt709(, progressive)?\)", line)  # one name: all three are alike
        content = clip.path.read_bytes()
        at = content.index(b"colr")
        # Source: ISO/IEC 14496-12: nclx, primaries, transfer, matrix, range; 1 is BT.709 in ITU-T H.273.
        assert content[at + 4 : at + 15] == b"nclx" + bytes([0, 1, 0, 1, 0, 1, 0])


@needs_encoder
@every_clip
def test_the_sound_of_a_film_is_stereo_as_long_as_its_frames_and_ends_in_silence(name, written):
    sound = heard(written[name].path)
    assert re.search(r"Audio: aac.*48000 Hz, stereo", told(written[name].path))
    assert len(sound) == pytest.approx(6 * RATE, abs=1100)
    apart = np.sqrt(np.mean((sound[:, 0] - sound[:, 1]) ** 2))  # of what is coded alike, coders keep a little
    assert apart > 0.01 if name == "at_the_gap" else apart < 1e-4
    assert np.abs(sound[:960]).max() < 1e-4 and np.abs(sound[6 * RATE - 960 :]).max(initial=0) < 1e-4


@needs_encoder
def test_a_silent_film_has_captions_and_no_sound(tmp_path):
    clip = write_clip("head_rhythm", tmp_path / "a.mp4", profile=SMALL, seconds=1, fps=10, silent=True)
    text = told(clip.path)
    assert "Audio" not in text and "Duration: 00:00:03.00" in text and "title           : note" in text
    assert clip.level == "No sound." and sorted(p.suffix for p in tmp_path.iterdir()) == [
        ".mp4",
        ".png",
        ".vtt",
    ]


def test_numbered_frames_have_sound_in_two_channels_as_long_as_they_are(tmp_path):
    clip = write_clip("head_rhythm", tmp_path / "a", profile=SMALL, seconds=1.03, fps=7, as_frames=True)
    sound, rate = soundfile.read(tmp_path / "a" / "sound.wav")
    assert sound.shape == (round(clip.count * rate / 7), 2) and clip.beside == ()


@pytest.mark.parametrize("ground", ["light", "dark"])
def test_a_gif_keeps_its_ground_and_its_loop_closes(ground, tmp_path):
    profile = SMALL.on(ground)
    path = write_clip("tape_path", tmp_path / "a.gif", profile=profile, seconds=1, fps=10).path
    scene = make_scene("tape_path", profile=profile, seconds=1)
    with Image.open(path) as picture:
        assert b"CC BY 4.0, the tapecalc authors" in picture.info["comment"]
        first = np.asarray(picture.convert("RGB"))
        picture.seek(picture.n_frames - 1)
        assert np.array_equal(np.asarray(picture.convert("RGB")), first)
    of_ground = np.all(shown(scene, 0)[..., :3] == shown(scene, 0)[0, 0, :3], axis=2)
    assert np.all(first[of_ground] == shown(scene, 0)[0, 0, :3])
    if ground == "light":
        assert np.all(first[0, 0] == 255)


@needs_encoder
def test_an_mp4_that_cannot_be_written_leaves_nothing_beside_it(tmp_path):
    (tmp_path / "a.png").mkdir()
    with pytest.raises(OSError, match=r"cannot write .*a\.png"):
        write_clip("head_rhythm", tmp_path / "a.mp4", profile=SMALL, seconds=1, fps=5)
    assert [path.name for path in tmp_path.iterdir()] == ["a.png"]
