"""Clips: what is seen happens when it is heard, and nothing goes wrong on the way to a file."""

import functools
import itertools
import json
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from machines import MACHINES as FIVE
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Polygon, Rectangle
from matplotlib.text import Text
from PIL import Image

from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plot import film, style
from tapecalc.plot.catalog import draw
from tapecalc.plot.clips import CLIPS, make_scene, write_clip
from tapecalc.plot.transport import own_deck

SMALL = replace(style.as_profile("video_1080"), dpi=20)  # 320 x 180, laid out as 1080 lines are
ENCODER = film.find_encoder()
needs_encoder = pytest.mark.skipif(ENCODER is None, reason="there is no ffmpeg to write and read MP4 with")
NOTE = film.HOLD + 0.3  # s: when the first note is struck
every_clip = pytest.mark.parametrize("name", CLIPS)

EIGHT = "[transport]\nspeeds_cm_s = [38.1]\n" + "".join(
    f"[[playback_heads]]\nspacing_mm = {30 + 20 * k}\n" for k in range(8)
)
MACHINES = {
    "eight heads": EIGHT,
    "close heads, fast": "[transport]\nspeeds_ips = [30]\n[[playback_heads]]\nspacing_mm = 20\n"
    "[mixer]\nreturn_send_db = 6\n[song]\nbpm = 240\n",
    "one head of two goes back": "[transport]\nspeeds_ips = [7.5]\n[[playback_heads]]\nspacing_mm = 30\n"
    "feeds_return = false\n[[playback_heads]]\nspacing_mm = 60\n",
}


@functools.cache
def small_scene(name):
    """Two seconds of a clip, small: what it shows depends on nothing but the time asked for."""
    return make_scene(name, profile=SMALL, seconds=2)


def pixels_at(scene, time):
    return np.asarray(film.still(scene, time)).astype(int)


# ---------------------------------------------------------------- the catalog


def test_each_clip_is_a_frozen_description_under_its_own_name():
    assert len(CLIPS) >= 4
    for name, entry in CLIPS.items():
        assert entry.name == name and len(entry.shows) > 10
        with pytest.raises(AttributeError):
            entry.name = "other"


@every_clip
def test_a_clip_has_its_length_a_safe_level_and_words(name):
    scene = small_scene(name)
    assert scene.seconds == 4 and scene.pixels == (320, 180) and scene.count(30) == 120
    assert scene.level.startswith("Sound at \N{MINUS SIGN}") and scene.title.count(" ") < 8
    assert scene.caption.endswith(".") and any(digit in scene.caption for digit in "0123456789")
    assert len(scene.alt) > 80 and scene.sources
    times = [time for time, _ in scene.events]
    assert times == sorted(times) and times[0] == NOTE and times[-1] < 3 and 1 <= scene.poster <= 3


@every_clip
@pytest.mark.parametrize("text", MACHINES.values(), ids=MACHINES)
def test_any_machine_can_be_filmed(name, text):
    machine = machine_from_text(text)
    if name == "delay_map":
        with pytest.raises(
            ValueError, match="^clip 'delay_map' needs two speeds, and 'my machine' has only "
        ):
            make_scene(name, machine=machine, profile=SMALL, seconds=1.5)
        return
    scene = make_scene(name, machine=machine, profile=SMALL, seconds=1.5)
    assert np.any(pixels_at(scene, 0) != pixels_at(scene, NOTE + 0.1))
    assert np.all(np.isfinite(scene.sound))


#: Clips that play one of several heads, whose still shows all.
OF_ONE_HEAD = ("one_repeat", "runaway_frequency")
LOOKS = [
    *(("example", size) for size in ("wide", "vertical_dark", "article_single")),
    *((machine, "wide") for machine in ("three_heads", "closed_loop")),
]


@every_clip
@pytest.mark.parametrize(("machine", "size"), LOOKS)
def test_a_clip_ends_as_the_still_of_its_name(name, machine, size):
    if name in OF_ONE_HEAD and machine != "example":
        return
    machine = example_machine() if machine == "example" else machine_from_text(FIVE[machine])
    profile = SMALL if size == "wide" else replace(style.as_profile(size), dpi=40)
    scene = make_scene(name, machine=machine, profile=profile, seconds=5)
    last = pixels_at(scene, scene.seconds)
    drawn = draw(name, machine, profile=profile).figure
    with style.context("notebook"):
        drawn.canvas.draw()
    assert np.array_equal(last, np.asarray(drawn.canvas.buffer_rgba()))
    assert any(np.any(pixels_at(scene, time) != last) for time in (1.5, 3, 4))
    assert np.array_equal(pixels_at(scene, 0), last)


def shown_texts(scene):
    """Every text that stands in the picture, with its box in pixels."""
    renderer = scene.figure.canvas.get_renderer()
    hidden = set()
    for axes in scene.figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not (low <= tick.get_loc() <= high and axes.axison):
                    hidden |= {id(tick.label1), id(tick.label2)}
    texts = scene.figure.findobj(Text)
    shown = (t for t in texts if t.get_visible() and t.get_text().strip() and id(t) not in hidden)
    # Of the words alone: a line may lead from them across the picture.
    return [(t.get_text(), Text.get_window_extent(t, renderer)) for t in shown]


@pytest.mark.parametrize("size", ["video_1080_dark", "vertical", "article_single"])
@pytest.mark.parametrize(
    ("name", "text"), [*((name, None) for name in CLIPS), ("tape_path", EIGHT), ("head_rhythm", EIGHT)]
)
def test_texts_lie_inside_the_safe_area_and_apart_all_the_time(name, text, size):
    profile = style.as_profile(size)
    machine = machine_from_text(text) if text else example_machine()
    scene = make_scene(name, machine=machine, profile=profile, seconds=2)
    width, height = scene.figure.bbox.size
    for time in (0, 1.4, 1.8, 2.9):
        film.still(scene, time)
        texts = shown_texts(scene)
        assert len(texts) > 4
        for text, box in texts:
            assert box.x0 >= profile.safe * width - 1 and box.x1 <= (1 - profile.safe) * width + 1, text
            assert box.y0 >= profile.floor * height - 1 and box.y1 <= (1 - profile.safe) * height + 1, text
        for (one, first), (other, second) in itertools.combinations(texts, 2):
            assert not first.overlaps(second), (one, other)


@pytest.mark.parametrize("size", ["video_1080", "vertical", "article_single"])
def test_a_mark_that_swells_does_not_reach_the_names_of_the_heads(size):
    scene = make_scene("head_rhythm", profile=size, seconds=1)
    film.still(scene, NOTE + 0.001)
    renderer = scene.figure.canvas.get_renderer()
    note = scene.moving[1]
    assert note.get_visible()
    names = [label.get_window_extent(renderer) for label in note.axes.get_yticklabels()]
    x, _ = note.axes.transData.transform(note.get_xydata()[0])
    radius = note.get_markersize() / 2 * scene.figure.dpi / 72
    assert x - radius > max(box.x1 for box in names)


def test_the_sound_of_the_tape_is_late_by_spacing_over_speed():
    machine = with_changes(example_machine(), {"transport.speeds_ips": (15, 7.5)})
    events = {name: time for time, name in make_scene("tape_path", machine=machine, seconds=1).events}
    # Source: definition of speed: 41.5 mm at 381 mm/s, the first of the two.
    assert events["echo"] - events["note"] == pytest.approx(41.5 / 381)


def test_after_two_single_notes_the_phrase_is_played():
    scene = make_scene("tape_path", profile=SMALL, seconds=5)
    start = NOTE + 4 * 60 / 76
    single, phrase = (np.abs(scene.sound[int(48000 * t) :][:24000]).max() for t in (start - 0.6, start))
    assert phrase > 20 * single


def test_heads_of_the_reader_play_where_there_are_several():
    machine = machine_from_text(MACHINES["one head of two goes back"])
    assert make_scene("head_rhythm", machine=machine, seconds=1).caption.startswith("Two heads, 19.05 cm/s")
    assert make_scene("head_rhythm", seconds=1).caption.startswith("One head, 19.05 cm/s")


@pytest.mark.parametrize(
    ("name", "times"),
    [
        # 200 ms at 19.05 cm/s; -8 dB of return, so three more until -24 dB.
        ("one_head", {"head 1": 0.2, "later repeat": (0.4, 0.6, 0.8)}),
        # 100, 200, 400 ms at 40 cm/s, later answers as in the still figure.
        ("three_heads", {"head 1": 0.1, "head 2": 0.2, "head 3": 0.4, "later repeat": (0.3, 0.5, 0.7)}),
        # 300 ms from head to head at 10 cm/s.
        ("closed_loop", {"head 1": 0.3, "head 2": 0.6, "head 3": 0.9, "head 4": 1.2}),
        ("measured", {"head 1": 0.2193}),
    ],
)
def test_the_rhythm_clip_plays_the_heads_of_the_machine(name, times):
    scene = make_scene("head_rhythm", machine=machine_from_text(FIVE[name]), profile=SMALL, seconds=1.7)
    for event, after in times.items():
        seen = [time - NOTE for time, what in scene.events if what == event]
        assert seen[: np.size(after)] == pytest.approx(np.ravel(after), abs=1e-6)


@pytest.mark.parametrize(
    ("name", "apart", "quieter_db", "count", "alone"),
    [
        # At the first speed; whole part of level / gain, and 1: 30 / 8 -> 4, 30 / 9 -> 4, 30 / 20 -> 2.
        ("one_head", 0.2, 8.0, 4, ""),
        ("three_heads", 0.1, 9.0, 4, "Head 1 alone, of 3. "),
        ("closed_loop", 0.3, 20.0, 2, "Head 1 alone, of 4. "),
        ("cassette", 0.105042, 8.0, 4, ""),
    ],
)
def test_repeats_fade_by_the_loop_gain_of_the_machine(name, apart, quieter_db, count, alone):
    machine = machine_from_text(FIVE[name].replace("return_send_db = -10", "return_send_db = -9"))
    scene = make_scene("one_repeat", machine=machine, profile=SMALL, seconds=4)
    assert scene.caption.startswith(f"{alone}Repeats at ")
    assert f"each is {quieter_db:.1f} dB quieter" in scene.caption
    first = [time for time, what in scene.events if what.startswith("repeat")][:count]
    assert [time - NOTE for time in first] == pytest.approx(apart * np.arange(1, count + 1), abs=1e-5)
    later = {f"repeat {n}, {quieter_db:.1f} dB quieter" for n in range(2, count + 1)}
    assert {what for _, what in scene.events} == {"note", "repeat 1", *later}
    one = machine.one_pass(machine.speeds[0])
    line, *_, wave = (one for one in scene.moving if isinstance(one, Line2D) and len(one.get_xdata()) > 99)
    played = wave.get_ydata().copy()
    for n in range(1, count + 1):
        scene.update(NOTE + n * apart + 0.001)
        frequency = line.get_xdata()[::50]
        assert line.get_ydata()[::50] == pytest.approx(n * one.level_db(frequency))  # n passes
    # What was played is heard at the moment of a note, and its wave is steeper than that of the last repeat.
    scene.update(NOTE + 0.001)
    assert not line.get_visible()
    assert np.abs(wave.get_ydata() - played).max() > 0.01


def test_the_sound_of_one_repeat_fades_by_the_loop_gain():
    machine = machine_from_text(FIVE["one_head"].replace("return_send_db = -8", "return_send_db = -3"))
    scene = make_scene("one_repeat", machine=machine, profile=SMALL, seconds=6)
    peaks = [np.abs(scene.sound[int(48000 * (NOTE + n * 0.2)) :][:9600]).max() for n in range(1, 6)]
    steps_db = 20 * np.log10(np.array(peaks[1:]) / peaks[:-1])
    assert steps_db == pytest.approx([-3] * 4, abs=1.5)  # a pluck loses some of its treble on top


def test_a_loop_that_runs_away_is_turned_down_for_the_clip_and_that_is_called_a_suggestion():
    loud = machine_from_text(FIVE["one_head"].replace("return_send_db = -8", "return_send_db = 5"))
    fading = make_scene("one_repeat", machine=loud, profile=SMALL, seconds=3)
    # 4 wanted repeats: 30 dB / 3.5 = 8.57 dB a repeat.
    assert "each is 8.6 dB quieter" in fading.caption
    assert "A suggestion: the return send at \N{MINUS SIGN}8.6 dB; as it is set the loop" in fading.caption
    rhythm = make_scene("head_rhythm", machine=loud, profile=SMALL, seconds=1)
    assert "The return send is down" in rhythm.caption
    assert "later repeat" not in {what for _, what in rhythm.events}


@pytest.mark.parametrize(
    ("name", "after", "meters"),
    [
        # 4.8 cm of tape at 19.05 cm/s, beyond the head at 38.1 mm; 25 cm of a loop of 1.2 m at 10 cm/s.
        ("one_head", 0.252, 0.048),
        ("closed_loop", 2.5, 0.25),
    ],
)
def test_sound_rides_on_past_the_heads(name, after, meters):
    machine = machine_from_text(FIVE[name])
    scene = make_scene("tape_path", machine=machine, profile=SMALL, seconds=2.9)
    scene.update(NOTE + after)
    riding = next(one for one in scene.moving if isinstance(one, Polygon) and len(one.get_xy()) >= 2400)
    outline = riding.get_xy()[:2400]
    ridge, line = outline[:1200], outline[:1199:-1]
    risen = np.hypot(*(ridge - line).T)
    drawn = draw("tape_path", machine, profile=SMALL)
    way = drawn.artists["way"]
    there = [np.interp(meters, way[:, 0], way[:, k]) for k in (1, 2)]  # where the note has got to
    k = int(np.argmin(np.hypot(*(line - there).T)))
    assert np.hypot(*(line[k] - there)) < 0.3  # the face of the ribbon, 0.225 from its middle
    assert risen[max(k - 60, 0) : k + 1].max() > 0.3 * risen.max() > 0 and risen[k + 15 :].max() < 1e-6


def test_every_repeat_is_quieter_until_the_last_in_the_fading_clip():
    scene = make_scene("one_repeat", profile=SMALL, seconds=5)
    delay = 41.5 / 190.5
    # The bench deck's gain is about -6.1 dB, so five repeats are not 30 dB below the first.
    peaks = [np.abs(scene.sound[int(48000 * (NOTE + n * delay)) :][:9600]).max() for n in range(1, 6)]
    assert np.all(np.diff(peaks) < 0)
    assert 20 * np.log10(peaks[-1] / peaks[0]) < -24


@pytest.mark.parametrize("name", ["loop_diagram", "runaway_frequency"])
def test_past_the_margin_the_loop_grows_by_itself_to_the_tapes_limit_and_is_stopped(name):
    scene = make_scene(name, profile=SMALL, seconds=8)
    times = {name.split(":")[0]: time for time, name in scene.events}
    past, back = times["past the margin"], times["back within the margin"]
    rate = scene.sample_rate

    def level(time):
        part = scene.sound[int(rate * time) : int(rate * (time + 0.25))]
        return 10 * np.log10(np.mean(part**2))

    assert times["nobody plays any more"] == pytest.approx(1 + 0.3 * 8)
    assert 1 + 0.3 * 8 < past < back < 9  # nobody plays when the margin is passed
    assert past < times["the tape is full"] < back
    assert level(past + 1.5) > level(past + 0.2) + 6
    assert level(back - 0.4) == pytest.approx(level(back - 0.9), abs=1.5)  # the tape is full
    assert level(8.7) < level(back - 0.4) - 30


def test_units_and_ground_reach_the_picture():
    inches = make_scene("tape_path", profile=SMALL, units="inches", seconds=1)
    assert "7.5 ips" in inches.caption and "1.63 in" in inches.caption
    clear = make_scene("tape_path", profile=SMALL.on("transparent"), seconds=1)
    assert pixels_at(clear, 0.5)[0, 0, 3] < 255
    assert np.all(pixels_at(inches, 0.5)[..., 3] == 255)


@every_clip
def test_no_large_part_of_the_picture_ever_flashes(name):
    # Source: WCAG 2.2, 2.3.1: a flash is safe where it takes under a quarter of the middle of the view.
    scene = small_scene(name)
    shown = [pixels[..., :3].astype(int).sum(axis=2) for pixels in film.frames(scene, 15)]
    changed = max(np.mean(np.abs(b - a) > 76) for a, b in zip(shown, shown[1:], strict=False))
    assert changed < 0.06  # that is a quarter of the safe size; the comb's thin curve takes 0.051


def loudest(scene, begin, end):
    """Peak of the sound between two times."""
    return np.abs(scene.sound[round(begin * 48000) : round(end * 48000)]).max()


def test_nothing_is_heard_of_a_patch_before_the_speakers_are_plugged_in():
    scene = make_scene("patch_sends", profile=SMALL, seconds=10)
    cables = [time for time, name in scene.events if name.startswith("cable")]
    assert len(cables) == 4 and "limiter, then speakers" in dict(scene.events)[cables[-1]]
    voice = next(time for time, name in scene.events if name == "voice")
    assert loudest(scene, 0, cables[-1] + 0.3) == 0 and loudest(scene, voice, voice + 0.04) > 0.05
    # One echo after 41.5 mm at 190.5 mm/s and no second one while the return send is down.
    echo = voice + 41.5 / 190.5
    assert loudest(scene, echo + 0.001, echo + 0.1) > 1.5 * loudest(scene, echo - 0.05, echo - 0.001)
    raised = next(time for time, name in scene.events if name.startswith("the return send"))
    assert [name for time, name in scene.events if time < raised].count("repeat 2") == 0
    last = max(time for time, name in scene.events if name == "voice")
    again = last + 3 * 41.5 / 190.5
    assert loudest(scene, again, again + 0.1) > 0.01


def test_a_cable_grows_from_its_first_socket_and_the_others_wait():
    scene = make_scene("patch_sends", profile=SMALL, seconds=10)
    scene.update(NOTE + 0.1)  # a third of the way, eased: sin^2 of 30 degrees is a quarter
    wires = draw("patch_sends", profile=SMALL).artists
    whole = wires["voice", "channel 1"].get_path().vertices
    grown = [
        one.get_path().vertices
        for one in scene.moving
        if isinstance(one, PathPatch) and one.get_visible() and one.get_zorder() == 1.5 and not one.get_fill()
    ]
    length = abs(whole[-1, 1] - whole[0, 1])
    part = next(
        p for p in grown if np.allclose(p[0], whole[0]) and len(p) and abs(p[-1, 1] - p[0, 1]) < length / 2
    )
    assert abs(part[-1, 1] - part[0, 1]) == pytest.approx(length / 4, rel=0.02)


def test_what_turns_turns_as_fast_as_the_tape_runs_over_it():
    scene = make_scene("tape_path", profile=SMALL, seconds=3)
    deck = own_deck(example_machine())
    scene.update(NOTE)
    marks = [one for one in scene.moving if isinstance(one, Line2D) and len(one.get_xdata()) == 2]
    angles = []
    for time in (NOTE, NOTE + 0.01):
        scene.update(time)
        angles.append([np.arctan2(*np.diff(mark.get_xydata(), axis=0)[0, ::-1]) for mark in marks])
    turned = np.angle(np.exp(1j * np.subtract(*angles[::-1]))) / 0.01
    radii = [deck.packs[0], deck.packs[1], deck.capstan / 2, -deck.roller / 2]
    assert turned == pytest.approx(0.1905 / np.array(radii))


def test_the_curve_of_the_loop_gain_is_lifted_as_the_send_is_ridden():
    scene = make_scene("runaway_frequency", profile=SMALL, seconds=10)
    curve = next(one for one in scene.moving if isinstance(one, Line2D) and len(one.get_xdata()) > 99)
    scene.update(scene.seconds)
    rest = curve.get_ydata().copy()
    number = next(one for one in scene.moving if isinstance(one, Text) and one.get_gid() == "number")
    said = []
    for share in (0.05, 0.6):  # 9 dB below the margin, and 3 dB beyond it
        scene.update(film.HOLD + 10 * share)
        said.append(number.get_text())
        lift = curve.get_ydata() - rest
        assert np.ptp(lift) < 1e-9
        said.append(float(lift[0]))
    assert said[::2] == ["9.0 dB", "3.0 dB"] and said[3] - said[1] == pytest.approx(12)


def test_what_rides_through_the_loop_is_at_the_playback_head_when_it_is_heard():
    scene = make_scene("loop_diagram", profile=SMALL, seconds=10)
    scene.update(NOTE)
    trace = next(one for one in scene.moving if isinstance(one, Polygon) and len(one.get_xy()) > 400)
    half = []
    for time in np.arange(NOTE, NOTE + 0.4, 0.005):
        scene.update(time)
        edge = trace.get_xy()[:480]
        half.append(edge[:240, 1] - edge[:239:-1, 1])
    written, read = (np.argmax(np.array(half)[:, k] > 0.1) * 0.005 for k in (2, -1))
    assert written < 0.04 and read - written == pytest.approx(41.5 / 190.5, abs=0.01)


def test_old_sound_is_heard_under_the_new_once_the_erase_head_is_off():
    scene = make_scene("erase_off", profile=SMALL, seconds=10)
    off = next(time for time, name in scene.events if name == "the erase head is switched off")
    old = [time for time, name in scene.events if name == "old sound under the new"]
    new = [time for time, name in scene.events if name == "new sound"]
    assert len(old) >= 2 and min(old) > off
    for time in old:
        assert loudest(scene, time, time + 0.05) > 1.2 * loudest(scene, time - 0.04, time - 0.002)
    lap = (10 - film.EASE) / 3
    first = [time for time in new if time < NOTE + lap]
    for time in first:  # a lap later the second lap has taken their place
        later = time + lap
        assert loudest(scene, later + 0.001, later + 0.03) <= 1.05 * loudest(
            scene, later - 0.03, later - 0.001
        )


def test_a_loop_that_nothing_feeds_cannot_run_away():
    lonely = machine_from_text(
        FIVE["one_head"].replace("spacing_mm = 38.1", "spacing_mm = 38.1\nfeeds_return = false")
    )
    with pytest.raises(ValueError, match="'loop_diagram' needs a head that feeds the return"):
        make_scene("loop_diagram", machine=lonely, profile=SMALL, seconds=2)


def test_between_the_notes_of_a_rhythm_no_beat_is_dead():
    for text in (*FIVE.values(), EIGHT):
        machine = machine_from_text(text)
        events = make_scene("head_rhythm", machine=machine, profile=SMALL, seconds=30).events
        times = np.array([time for time, _ in events])
        last = max(time for time, name in events if name == "note")
        beat = 60 / machine.song.bpm if machine.song.bpm else 0.6
        assert (
            np.diff(times[times <= last]).max() <= max(beat, np.max(machine.delays(machine.speeds[0]))) + 1e-9
        )


# ---------------------------------------------------------------- frames


@every_clip
def test_frames_show_what_a_full_drawing_shows(name):
    scene = make_scene(name, profile=SMALL, seconds=3)
    kept = [pixels.copy() for pixels in film.frames(scene, 10)]
    assert len(kept) == 50
    for k in (16, 22, 27, 36):
        scene.update((k + 0.5) / 10)
        for artist in scene.moving:
            artist.set_animated(False)
        with style.context(SMALL):
            scene.figure.canvas.draw()
        assert np.array_equal(np.asarray(scene.figure.canvas.buffer_rgba()), kept[k]), k


def test_a_strip_names_its_moments_and_shows_the_frames_in_their_order(monkeypatch):
    scene = make_scene("tape_path", profile=SMALL, seconds=1)
    strip = film.strip(scene, [0.1, 0.5, 0.9], width=160)
    assert strip.image.size == (330, 190)
    assert repr(strip).startswith("The clip at 0.10, 0.50 and 0.90 s. Plan view of a tape")
    assert film.strip(scene, [0.5], width=160).alt.startswith("The clip at 0.50 s. ")
    middle = np.asarray(film.strip(scene, [0.5], width=160).image)
    assert np.array_equal(np.asarray(strip.image)[:90, 170:], middle)
    shown = []
    monkeypatch.setattr("IPython.display.display", lambda data, **options: shown.append((data, options)))
    strip._ipython_display_()
    (picture, options), (words, _) = shown
    assert picture["image/png"] and options["metadata"]["image/png"]["alt"] == strip.alt
    assert words["text/markdown"] == f"*{strip.alt}*"


def test_numbered_frames_come_with_their_sound_and_replace_their_like(tmp_path):
    folder = tmp_path / "frames"
    clear = SMALL.on("transparent")
    write_clip("head_rhythm", folder, profile=clear, seconds=2, fps=10, as_frames=True)
    written = write_clip("head_rhythm", folder, profile=clear, seconds=1, fps=10, as_frames=True)
    names = sorted(path.name for path in folder.iterdir())
    assert names == ["SHA256SUMS", "about.txt", *(f"frame_{k:05d}.png" for k in range(30)), "sound.wav"]
    with Image.open(folder / "frame_00004.png") as picture:
        assert picture.mode == "RGBA"
        assert picture.info["Author"] == style.CREATOR and picture.info["Copyright"] == style.CREDIT
    assert soundfile.info(folder / "sound.wav").duration == 3.0
    about = (folder / "about.txt").read_text()
    assert written.caption in about and written.level in about and "CC BY 4.0" in about
    assert [path.name for path in tmp_path.iterdir()] == ["frames"]


def test_a_folder_with_other_things_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(ValueError, match="holds thesis.txt, which is not, or no longer, as"):
        write_clip("head_rhythm", tmp_path, profile=SMALL, seconds=1, as_frames=True)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_a_gif_keeps_time(tmp_path):
    path = write_clip("tape_path", tmp_path / "a.gif", profile=SMALL, seconds=1.5, fps=30).path
    with Image.open(path) as picture:
        total = 0
        for k in range(picture.n_frames):
            picture.seek(k)
            total += picture.info["duration"]
        assert picture.size == (320, 180) and total == 3500


# ---------------------------------------------------------------- film


def decoded(path, width, height):
    """Frames (gray) and sound of a film, as ffmpeg reads them."""
    read = [ENCODER, "-v", "error", "-i", str(path)]
    raw = subprocess.run([*read, "-f", "rawvideo", "-pix_fmt", "rgb24", "-"], capture_output=True, check=True)
    shown = np.frombuffer(raw.stdout, np.uint8).reshape(-1, height, width, 3).astype(int)
    sound = ["-f", "f32le", "-ac", "1", "-ar", "48000", "-"]
    raw = subprocess.run([*read, *sound], capture_output=True, check=True)
    return shown, np.frombuffer(raw.stdout, np.float32)


def onsets(sound, rate=48000, loud=0.08):
    """Times at which a sound gets loud after 50 ms in which it was not; coders smear what is softer."""
    level = np.abs(sound[: len(sound) // 48 * 48]).reshape(-1, rate // 1000).max(axis=1)
    return [k / 1000 for k in np.flatnonzero(level > loud) if not np.any(level[max(0, k - 50) : k] > loud)]


def lit(shown, box, fps):
    """Times of the frames in which a part of the picture changes by more than it ever does in noise."""
    (x0, y0), (x1, y1) = box
    part = shown[:, y0:y1, x0:x1].mean(axis=(1, 2))
    change = np.abs(np.diff(part, axis=0)).max(axis=1)
    rises = np.flatnonzero(change > 0.4 * change.max()) + 1
    return [k / fps for k in rises if k - 1 not in rises]


def box_of(artist, height):
    """Corners of an artist's box in pixels from the upper left."""
    box = artist.get_window_extent()
    return (int(box.x0) + 2, int(height - box.y1) + 2), (int(box.x1) - 1, int(height - box.y0) - 1)


@needs_encoder
@pytest.mark.parametrize("fps", [25, 30])
def test_picture_and_sound_of_a_film_agree_within_one_frame(fps, tmp_path):
    path = write_clip("tape_path", tmp_path / "a.mp4", profile=SMALL, seconds=1.6, fps=fps).path
    shown, sound = decoded(path, 320, 180)
    assert len(shown) == round(3.6 * fps) and len(sound) == pytest.approx(3.6 * 48000, abs=1100)
    scene = make_scene("tape_path", profile=SMALL, seconds=1.6)
    record, playback = [one for one in scene.moving if isinstance(one, Rectangle)][-2:]
    heard = onsets(sound)
    assert len(heard) == 2
    for box, time, event in zip((record, playback), heard, (NOTE, NOTE + 41.5 / 190.5), strict=True):
        assert time == pytest.approx(event, abs=0.004)  # the encoder's lead-in is taken off
        seen = lit(shown, box_of(box, 180), fps)[0]
        assert abs(seen - time) <= 1 / fps


@needs_encoder
def test_each_head_of_a_rhythm_is_seen_when_it_is_heard(tmp_path):
    fps = 30
    path = write_clip("head_rhythm", tmp_path / "a.mp4", profile=SMALL, seconds=1.5, fps=fps).path
    shown, sound = decoded(path, 320, 180)
    scene = make_scene("head_rhythm", profile=SMALL, seconds=1.5)
    marks = scene.moving[1:]
    heads = [time for time, name in scene.events if name != "note"]
    assert len(heads) == 5  # the answer and four more
    for mark, time in zip(marks[1:], heads, strict=True):
        x, y = mark.axes.transData.transform(mark.get_xydata()[0])
        box = (int(x) - 7, int(180 - y) - 7), (int(x) + 8, int(180 - y) + 8)
        assert min(abs(seen - time) for seen in lit(shown, box, fps)) <= 1 / fps
        before, after = (sound[int(48000 * (time + d)) :][:240] for d in (-0.006, 0.001))
        assert np.abs(after).max() > 2 * np.abs(before).max()


@needs_encoder
def test_a_film_can_start_before_it_is_loaded_and_carries_its_words_and_colors(tmp_path):
    written = write_clip("head_rhythm", tmp_path / "a.MP4", profile=SMALL, seconds=1)
    content = written.path.read_bytes()
    assert content.index(b"moov") < content.index(b"mdat")
    assert (written.count, written.seconds) == (90, 3.0)
    assert str(written).startswith(f"{written.path} (3.0 s, 90 frames), a.vtt, a.png\nOne head")
    shown, _ = decoded(written.path, 320, 180)
    assert np.all(np.abs(shown[0, 0, 0] - 255) <= 2)  # the ground is white


@needs_encoder
def test_an_odd_size_is_made_even(tmp_path):
    odd = replace(SMALL, width_in=16.05, height_in=9.05)
    assert odd.pixels == (321, 181)
    path = write_clip("head_rhythm", tmp_path / "a.mp4", profile=odd, seconds=1, fps=5).path
    assert len(decoded(path, 320, 180)[0]) == 15


# ---------------------------------------------------------------- what can go wrong


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("tape_pth", "a.mp4"), "clip 'tape_pth' is not known; did you mean 'tape_path'"),
        (("tape_path", "a.avi"), "a.avi: must end in .mp4 or .gif"),
        (("tape_path", "a"), "or be a folder of frames, got ''"),
    ],
)
def test_a_wrong_name_or_ending_writes_nothing(arguments, said, tmp_path):
    name, file = arguments
    with pytest.raises(ValueError, match=said):
        write_clip(name, tmp_path / "new" / file, profile=SMALL)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"profile": "vidoe_1080"}, "profile 'vidoe_1080' is not known; did you mean 'video_1080'"),
        ({"units": "inch"}, "did you mean 'inches'"),
        ({"seconds": 0.2}, "seconds must be from 1 to 120 s, got 0.2"),
        ({"seconds": 1e9}, "seconds must be"),
        ({"seconds": float("nan")}, "seconds must be"),
        ({"fps": 0}, "fps must be a whole number from 1 to 120, got 0"),
        ({"fps": 29.97}, "fps must be"),
        ({"profile": SMALL.on("transparent")}, "MP4 cannot be transparent"),
    ],
)
def test_a_wrong_option_writes_nothing(options, said, tmp_path):
    with pytest.raises(ValueError, match=said):
        write_clip("tape_path", tmp_path / "new" / "a.mp4", **({"profile": SMALL, "seconds": 1} | options))
    assert not (tmp_path / "new").exists()


def test_a_clip_that_ends_before_the_first_echo_is_refused():
    slow = with_changes(example_machine(), {"transport.speeds_ips": (0.9375,)})
    for name in ("tape_path", "one_repeat"):
        with pytest.raises(ValueError, match="seconds must be more than the shortest delay"):
            make_scene(name, machine=slow, seconds=1)
    with pytest.raises(ValueError, match="seconds must be"):
        make_scene("loop_diagram", machine=slow, seconds=1)


@pytest.mark.parametrize(("file", "as_frames"), [("a.mp4", False), ("a.gif", False), ("a", True)])
def test_a_folder_that_cannot_be_written_is_named(file, as_frames):
    if file == "a.mp4" and ENCODER is None:
        pytest.skip("there is no ffmpeg")
    with pytest.raises(OSError, match="cannot write to /dev/null/x"):
        write_clip("head_rhythm", f"/dev/null/x/{file}", profile=SMALL, seconds=1, as_frames=as_frames)


def test_without_an_encoder_the_ways_out_are_named_and_still_work(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setitem(sys.modules, "imageio_ffmpeg", None)
    assert film.find_encoder() is None
    with pytest.raises(OSError, match="a.mp4: MP4 needs ffmpeg.* or write a .gif, or numbered frames"):
        write_clip("head_rhythm", tmp_path / "a.mp4", profile=SMALL, seconds=1)
    with pytest.raises(OSError, match="needs ffmpeg"):
        film.write_mp4(make_scene("head_rhythm", profile=SMALL, seconds=1), tmp_path / "a.mp4", 30)
    assert list(tmp_path.iterdir()) == []
    write_clip("head_rhythm", tmp_path / "a.gif", profile=SMALL, seconds=1, fps=4)
    write_clip("head_rhythm", tmp_path / "a", profile=SMALL, seconds=1, fps=4, as_frames=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "a.gif"]


def test_the_encoder_of_the_extra_is_found_where_the_system_has_none(tmp_path, monkeypatch):
    made_up = type(sys)("imageio_ffmpeg")
    made_up.get_ffmpeg_exe = lambda: "an ffmpeg"
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setitem(sys.modules, "imageio_ffmpeg", made_up)
    assert film.find_encoder() == "an ffmpeg"


@pytest.mark.skipif(os.name != "posix", reason="a shell script stands in for the encoder")
@pytest.mark.parametrize("script", ["echo 'no such codec' >&2; exit 3", "exit 3", "cat >/dev/null; exit 3"])
def test_an_encoder_that_fails_leaves_the_old_file(script, tmp_path, monkeypatch):
    fake = tmp_path / "encoder"
    fake.write_text(f"#!/bin/sh\n{script}\n")
    fake.chmod(0o755)
    (tmp_path / "a.mp4").write_text("old")
    monkeypatch.setattr(film, "find_encoder", lambda: str(fake))
    with pytest.raises(OSError, match="ffmpeg says: (no such codec|status 3)"):
        write_clip("head_rhythm", tmp_path / "a.mp4", profile=SMALL, seconds=1)
    assert (tmp_path / "a.mp4").read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4", "encoder"]


def test_a_disk_that_is_full_is_said_in_one_line(tmp_path, monkeypatch):
    def full(*arguments, **options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Image.Image, "save", full)
    for file, as_frames in (("a.gif", False), ("a", True)):
        with pytest.raises(OSError, match=f"cannot write .*{file}: No space left on device"):
            write_clip("head_rhythm", tmp_path / file, profile=SMALL, seconds=1, fps=4, as_frames=as_frames)
    assert list(tmp_path.iterdir()) == []


def test_a_sound_that_finds_no_room_leaves_no_frames(tmp_path, monkeypatch):
    def refused(path, samples, rate):
        raise OSError(f"cannot write {path.name}: the disk is full")

    monkeypatch.setattr(film, "write_sound", refused)
    with pytest.raises(OSError, match="cannot write sound.wav: the disk is full"):
        write_clip("head_rhythm", tmp_path / "a", profile=SMALL, seconds=1, fps=4, as_frames=True)
    assert list(tmp_path.iterdir()) == []


def test_the_bar_counts_frames_when_asked(tmp_path, capsys):
    write_clip("head_rhythm", tmp_path / "a.gif", profile=SMALL, seconds=1, fps=4, progress=True)
    assert "0/12" in capsys.readouterr().err
    write_clip("head_rhythm", tmp_path / "a.gif", profile=SMALL, seconds=1, fps=4, progress=False)
    assert capsys.readouterr().err == ""


def test_importing_clips_needs_neither_widgets_nor_an_encoder():
    code = "import json, sys, tapecalc.plot.clips; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert {"ipywidgets", "imageio_ffmpeg", "IPython"}.isdisjoint(json.loads(done.stdout))
