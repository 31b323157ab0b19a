"""Clips in which a head or the speed is moved: what is heard follows what is seen."""

import re
from dataclasses import replace

import numpy as np
import pytest
from machines import MACHINES as FIVE
from scipy import signal

from tapecalc.calc.transport import delay_at
from tapecalc.machine import machine_from_text
from tapecalc.plot import film, style
from tapecalc.plot.clips import make_scene
from tapecalc.plot.clips.motion import between_stops, note_in_reach, read_between
from tapecalc.plot.clips.sounds import with_phrase

SMALL = replace(style.as_profile("video_1080"), dpi=20)
RATE = 48000
#: 8 mm of capstan and 35 um of tape, at 190.5 mm/s: v / (pi (D + h)).
CAPSTAN = 0.1905 / (np.pi * 0.008035)
PARTS = '[[parts]]\nname = "roller"\ndiameter_mm = 20\n'
CLOSE_30_IPS = "[transport]\nspeeds_ips = [30, 15]\n" + "".join(
    f"[[playback_heads]]\nspacing_mm = {place}\n" for place in (12, 14)
)


def said(scene, gid):
    """What stands in the head of the figure under a name."""
    return next(text.get_text() for text in scene.figure.texts if text.get_gid() == gid)


def milliseconds(text):
    return float(re.search(r"([\d.]+) ms", text)[1])


def part_of(scene, time, seconds):
    """The sound around a time."""
    first = round((time - seconds / 2) * RATE)
    return scene.sound[first : first + round(seconds * RATE)]


def bend_heard(scene, time):
    """Half of what the pitch swings in a turn of the capstan, over 440 Hz."""
    whole = np.unwrap(np.angle(signal.hilbert(part_of(scene, time, 0.6))))
    pitch = np.diff(whole) * RATE / (2 * np.pi)
    middle, turns = len(pitch) // 2, round(RATE / CAPSTAN / 2)
    return np.ptp(pitch[middle - turns : middle + turns]) / 2 / 440


def marks(scene, shape):
    """Places of the lines of a shape of marker that are seen, in the order in which they are drawn."""
    lines = [a for a in scene.moving if getattr(a, "get_marker", lambda: None)() == shape]
    return [np.asarray(line.get_xydata()) for line in lines if line.get_visible()]


# ---------------------------------------------------------------- a wobble that cancels


def test_the_pitch_heard_bends_as_the_picture_says_and_the_formula():
    scene = make_scene("flutter_comb", profile=SMALL, seconds=120)  # slowly
    wobble = 20 * 0.0006  # of the machine file, exaggerated
    factors = []
    for time in (16.0, 40.0, 60.0, 80.0, 118.0):
        scene.update(time)
        delay = milliseconds(said(scene, "subtitle")) / 1000
        factor = float(said(scene, "number").split()[1])
        by_hand = 2 * abs(np.sin(np.pi * CAPSTAN * delay))
        assert factor == pytest.approx(by_hand, abs=0.06)  # one digit, and a delay to 1 ms
        assert marks(scene, "o")[-1][0] == pytest.approx([CAPSTAN, by_hand], abs=0.03)
        shown = marks(scene, "o")[-1][0, 1]
        assert bend_heard(scene, time) == pytest.approx(wobble * shown, abs=0.03 * wobble)
        factors.append(by_hand)
    assert min(factors) < 0.8 and max(factors) > 1.7


def test_where_the_wobble_is_said_to_cancel_the_tone_stands_still():
    scene = make_scene("flutter_comb", profile=SMALL, seconds=60)
    there = [time for time, name in scene.events if name == "the wobble cancels"]
    # 1.64 turns in 218 ms, so 0.82 to 2.47: past 1 and 2, and past 2 again.
    assert len(there) == 3
    assert max(bend_heard(scene, time) for time in there) < 0.1 * 20 * 0.0006
    doubled = [time for time, name in scene.events if name == "the wobble is doubled"]
    assert min(bend_heard(scene, time) for time in doubled) > 1.95 * 20 * 0.0006


def test_the_delay_is_swept_from_half_to_one_and_a_half_and_back():
    scene = make_scene("flutter_comb", profile=SMALL, seconds=20)
    swept = []
    for time in np.arange(1.0, 21.0, 0.25):
        scene.update(time)
        swept.append(milliseconds(said(scene, "subtitle")))
    # The first picture is that of the end: 41.5 mm at 190.5 mm/s are 217.8 ms.
    assert (min(swept), max(swept), swept[-1]) == (109, 327, 218)
    assert "its delay swept from 109 ms to 327 ms and back to 218 ms" in scene.caption
    assert "7.5 Hz and 0.06 %" in scene.caption and "taken 20 times as large" in scene.caption


def test_a_part_without_a_stated_wobble_is_assumed_to_have_one():
    machine = machine_from_text(
        "[transport]\nspeeds_ips = [7.5]\n[[playback_heads]]\nspacing_mm = 40\n" + PARTS
    )
    assert "of the roller, assumed, 3 Hz and 0.1 %" in make_scene("flutter_comb", machine=machine).caption
    bare = machine_from_text(FIVE["one_head"])  # 200 ms
    assert "a made-up wobble, 5 Hz and 0.1 %" in make_scene("flutter_comb", machine=bare).caption


# ---------------------------------------------------------------- teeth


def lag_heard(scene, time):
    """After how many ms the sound comes once more."""
    part = np.diff(part_of(scene, time, 0.5), 2)  # or the bass would hide it
    both = np.fft.irfft(np.abs(np.fft.rfft(part, 1 << 16)) ** 2)
    first, last = RATE // 1000, RATE // 80
    return 1000 * (first + int(np.argmax(both[first:last]))) / RATE


CLOSE_7_IPS = "[transport]\nspeeds_ips = [7.5]\n" + "".join(
    f"[[playback_heads]]\nspacing_mm = {place}\n" for place in (40, 40.9525)
)


def test_the_comb_heard_is_that_which_is_seen():
    # By hand: 0.9525 mm at 190.5 mm/s are 5 ms.
    scene = make_scene("comb_of_heads", machine=machine_from_text(CLOSE_7_IPS), profile=SMALL, seconds=60)
    lags = []
    for time in (3.0, 20.0, 35.0, 58.0):
        scene.update(time)
        apart = next(
            milliseconds(a.get_text()) for a in scene.moving if "ms" in getattr(a, "get_text", str)()
        )
        assert lag_heard(scene, time) == pytest.approx(apart, abs=0.1)
        comb = scene.moving[0]
        frequency, level_db = comb.get_data()
        first_notch = frequency[(level_db < -30) & (frequency < 900 / apart)]
        assert np.median(first_notch) == pytest.approx(500 / apart, rel=0.02)
        assert level_db[0] == pytest.approx(20 * np.log10(2))
        assert said(scene, "number") == f"{float(f'{1000 / apart:.2g}'):g} Hz" or apart < 5
        lags.append(apart)
    # Half of 5 ms, one and a half, and at the end 5.
    assert (lags[0], lags[2], lags[3]) == (2.5, 7.5, 5.0)
    assert scene.caption.startswith("Head 2, moved while one hears noise: 2.5 ms apart")


def test_the_repeats_of_one_head_are_heard_as_far_apart_as_they_are_seen():
    # One head, 200 ms at 190.5 mm/s: bursts come again after half of that, one and a half, and all of it.
    machine = machine_from_text(FIVE["one_head"])
    scene = make_scene("comb_of_heads", machine=machine, profile=SMALL, seconds=60)
    assert scene.caption.startswith("The head, moved while one hears bursts of noise: 100 ms apart")
    seen = []
    for time in (3.0, 35.0, 58.0):
        scene.update(time)
        apart = next(
            milliseconds(a.get_text()) for a in scene.moving if "ms" in getattr(a, "get_text", str)()
        )
        at, head = marks(scene, "s")[-1][:, 0]  # the record head stands still
        frequency, level_db = scene.moving[0].get_data()
        peak = frequency[(frequency > 500 / apart) & (frequency < 1500 / apart)]
        level = level_db[(frequency > 500 / apart) & (frequency < 1500 / apart)]
        assert peak[np.argmax(level)] == pytest.approx(1000 / apart, rel=0.01)
        part = part_of(scene, time, 6.0)
        both = np.fft.irfft(np.abs(np.fft.rfft(part, 1 << 20)) ** 2)
        first, last = RATE // 20, RATE // 2
        heard = 1000 * (first + int(np.argmax(both[first:last]))) / RATE
        if time != 58.0:  # where the sound ends
            assert heard == pytest.approx(apart, rel=0.02)
        seen.append((apart, at, head))
    lags, ends, places = np.transpose(seen)
    assert lags == pytest.approx([100, 300, 200], abs=1.5) and np.ptp(ends) == 0  # the sweep has just begun
    assert (places - ends) / (places[2] - ends[2]) == pytest.approx(lags / 200, rel=0.01)


# ---------------------------------------------------------------- two speeds


def test_the_echo_is_as_late_as_the_point_says_while_the_speed_changes():
    scene = make_scene("delay_map", profile=SMALL, seconds=8)
    dry = with_phrase(np.zeros(8 * RATE), 0.3, 76)
    sound = scene.sound[RATE : 9 * RATE]
    alone = slice(round(0.35 * RATE), round(0.5 * RATE))  # before the first echo
    wet = sound / (sound[alone] @ dry[alone] / (dry[alone] @ dry[alone])) - dry
    # Neither the bass, which a pass puts out of step, nor what has many waves in a step of the shifts.
    band = signal.butter(2, (300, 1500), "bandpass", fs=RATE, output="sos")
    dry, wet = (signal.sosfiltfilt(band, part) for part in (dry, wet))
    times = {name.split(":")[0]: time - film.HOLD for time, name in scene.events}
    leaves, returns, shifts = times["slower"], times["back"], np.arange(-6, 6.01, 0.1) / 1000
    for start in (leaves - 0.6, leaves, leaves + 0.4, returns - 0.6, returns):
        now = np.arange(round(start * RATE), round((start + 0.6) * RATE))  # more than one note
        shown = []
        for sample in now[::480]:
            scene.update(film.HOLD + sample / RATE)
            shown.append(marks(scene, "o")[-1][0, 1] / 1000)
        came = now / RATE - np.interp(now, now[::480], shown)
        alike = [
            np.corrcoef(wet[now], np.interp((came - shift) * RATE, np.arange(len(dry)), dry))[0, 1]
            for shift in shifts
        ]
        assert max(alike) > 0.8 and abs(shifts[np.argmax(alike)]) < 0.0005, start


def test_the_delay_follows_a_change_of_speed_by_the_tape_that_has_passed():
    scene = make_scene("delay_map", profile=SMALL, seconds=8)
    leaves = next(time for time, name in scene.events if name.startswith("slower"))
    clock = np.arange(0, 9, 1e-3)
    turn = np.clip((clock - leaves) / 0.3, 0, 1)
    speeds = 0.1905 * (1 - 0.5 * (0.5 - 0.5 * np.cos(np.pi * turn)))
    lasting = delay_at(clock, speeds, 0.0415)
    for time in (leaves - 0.1, leaves + 0.1, leaves + 0.3, leaves + 0.5, leaves + 0.8):
        scene.update(time)
        wanted = 1000 * np.interp(time, clock, lasting)
        (point,) = marks(scene, "o")[-1:]
        assert point[0] == pytest.approx([41.5, wanted], abs=1.0)
        told = 1000 * np.interp(np.floor(5 * time + 1e-6) / 5, clock, lasting)  # numbers stay for 0.2 s
        assert milliseconds(said(scene, "number")) == pytest.approx(told, abs=1.5)


def test_the_speed_of_the_moment_stands_beside_the_delay():
    scene = make_scene("delay_map", profile=SMALL, seconds=8)
    returns = next(time for time, name in scene.events if name.startswith("back"))
    scene.update(returns - 0.01)
    assert said(scene, "number") == "436 ms" and said(scene, "means").endswith("9.525 cm/s")
    scene.update(scene.seconds)
    assert said(scene, "number") == "218 ms" and said(scene, "means").endswith("19.05 cm/s")


def test_a_range_of_speeds_is_gone_through_from_its_fast_end():
    scene = make_scene("delay_map", machine=machine_from_text(FIVE["closed_loop"]), profile=SMALL, seconds=5)
    # 30 mm at 40 and at 10 cm/s.
    assert "from 40 cm/s to 10 cm/s and back" in scene.caption and "from 75 ms to 300 ms" in scene.caption


# ---------------------------------------------------------------- a head on its way


def test_the_head_comes_from_12_percent_short_to_the_beat_and_back_to_its_place():
    scene = make_scene("tape_as_ruler", profile=SMALL, seconds=10)
    sixteenth = 60 / 76 / 4 * 190.5  # mm of tape
    places = []
    for time in (1.31, scene.poster, scene.seconds):
        scene.update(time)
        places.append(marks(scene, "s")[0][0, 0])
    assert places == pytest.approx([0.88 * sixteenth, sixteenth, 41.5])
    assert "its echo falls on a sixteenth" in scene.caption and "that is 37.6 mm" in scene.caption
    assert scene.caption.endswith("The machine has it at 41.5 mm, 0.28 beats.")


def test_the_beats_ride_with_the_head_where_its_delay_was_measured_too():
    scene = make_scene(
        "tape_as_ruler", machine=machine_from_text(FIVE["measured"]), profile=SMALL, seconds=10
    )
    scene.update(1.31)
    head = marks(scene, "s")[0][0, 0]
    beats = [text for text in scene.figure.axes[0].texts if re.match(r"0\.\d\d", text.get_text())]
    assert len(beats) == 2 and head < 0.9 * 41.5
    assert [text.xy[0] for text in beats] == pytest.approx([head, head], abs=0.5)  # to the pixel


def test_each_echo_is_heard_when_the_note_on_the_tape_meets_the_head():
    scene = make_scene("tape_as_ruler", profile=SMALL, seconds=10)
    notes = [time for time, name in scene.events if name == "note"]
    echoes = [(time, name) for time, name in scene.events if name != "note"]
    assert len(notes) == len(echoes) > 5
    assert echoes[0][1] == "its echo, 24 ms early" and echoes[-1][1] == "its echo, on a sixteenth"
    assert echoes[0][0] - notes[0] == pytest.approx(0.88 * 60 / 76 / 4)
    assert echoes[-1][0] - notes[-1] == pytest.approx(60 / 76 / 4, abs=1e-6)
    for time, _ in echoes:
        scene.update(time + 1e-3)
        head, *_ = marks(scene, "s")
        riding = [xy for xy in marks(scene, "o") if len(xy) == 1 and xy[0, 0] > 0]
        assert any(abs(xy[0, 0] - head[0, 0]) < 0.04 * 190.5 / 10 for xy in riding)  # a tenth of 40 ms
    early = echoes[0][0]
    before, after = (np.abs(scene.sound[round((early + d) * RATE) :][:240]).max() for d in (-0.006, 0.001))
    assert after > 1.5 * before


def test_a_head_is_not_moved_past_the_next_one():
    machine = machine_from_text(FIVE["closed_loop"])
    assert note_in_reach(machine).wanted_delay < machine.delays(0.1)[1]
    with pytest.raises(ValueError, match="needs a note value near the first head, and 'my machine' has none"):
        make_scene("tape_as_ruler", machine=machine_from_text(CLOSE_30_IPS))


# ---------------------------------------------------------------- what they are made of


def test_stops_are_gone_through_one_after_the_other():
    stops = [(1.0, 0.5), (2.0, 1.5), (4.0, 1.0)]
    assert between_stops([0, 1, 1.5, 2, 3, 4, 9], stops).tolist() == pytest.approx(
        [0.5, 0.5, 1.0, 1.5, 1.25, 1.0, 1.0]
    )


def test_a_sound_is_read_between_its_samples():
    time = np.arange(4800) / RATE
    late = read_between(np.sin(2 * np.pi * 1000 * time), np.arange(4800) - 10.25)
    wanted = np.sin(2 * np.pi * 1000 * (time - 10.25 / RATE))
    assert late[200:-200] == pytest.approx(wanted[200:-200], abs=1e-4)
    assert late[:10].tolist() == [0] * 10


@pytest.mark.parametrize(
    ("name", "machine", "seconds", "why"),
    [
        ("delay_map", FIVE["cassette"], 10, "needs two speeds, and 'Cassette deck' has only 4.76 cm/s"),
        ("delay_map", FIVE["one_head"], 1.5, "seconds must be .* or more for both changes of speed"),
        (
            "tape_as_ruler",
            FIVE["one_head"].replace("[19.05, 9.525]", "[4.76]"),
            1,
            "or more for an echo to be heard, got 1",
        ),
        (
            "comb_of_heads",
            FIVE["one_head"].replace("= -8", "= -90"),
            10,
            "needs two answers: turn the return send up, or add a head",
        ),
        (
            "flutter_comb",
            FIVE["closed_loop"].replace("[10", "[0.7"),
            10,
            "for a wobble of 0.23 Hz to be heard",
        ),
    ],
)
def test_what_cannot_be_shown_is_refused_in_a_sentence(name, machine, seconds, why):
    with pytest.raises(ValueError, match=why) as refused:
        make_scene(name, machine=machine_from_text(machine), profile=SMALL, seconds=seconds)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("name", ["flutter_comb", "comb_of_heads", "delay_map", "tape_as_ruler"])
def test_what_only_moves_is_not_seen_at_rest(name):
    scene = make_scene(name, profile=SMALL, seconds=4)
    film.still(scene, 2.5)
    moving = sum(artist.get_visible() for artist in scene.moving)
    film.still(scene, scene.seconds)
    assert sum(not artist.get_visible() for artist in scene.moving) in (1, 2, 3, 4)
    assert moving > 2
