"""Clips at the gap: what is written, read, squeezed and lifted is heard when it is seen."""

from dataclasses import replace

import numpy as np
import pytest
from machines import MACHINES as FIVE
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D

from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plot import film, style
from tapecalc.plot.catalog import draw
from tapecalc.plot.clips import gap as clips
from tapecalc.plot.clips import make_scene
from tapecalc.plot.clips.sounds import even, leveled
from tapecalc.sound.loudness import TWICE_DB, loudness_lufs

SMALL = replace(style.as_profile("video_1080"), dpi=20)
MACHINE = example_machine()
RATE = 48000
NOTE = film.HOLD + 0.3
NAMES = ("at_the_gap", "wavelength_at_gap", "lifted_tape")


def pixels_at(scene, time):
    return np.asarray(film.still(scene, time)).astype(int)


def level_db(sound, time, width=0.02):
    part = sound[round(RATE * (time - width / 2)) : round(RATE * (time + width / 2))]
    return 10 * np.log10(np.mean(part**2) + 1e-30)


def number(scene):
    """The running number of a picture, dB."""
    text = next(t.get_text() for t in scene.figure.texts if t.get_gid() == "number")
    return float(text.replace("\N{MINUS SIGN}", "-").removeprefix("< ").removesuffix(" dB"))


def amplitude(sound, frequency):
    """Of one frequency in a sound."""
    turns = np.exp(-2j * np.pi * frequency / RATE * np.arange(len(sound)))
    window = np.hanning(len(sound))
    return 2 * abs(np.sum(window * sound * turns)) / np.sum(window)


# ---------------------------------------------------------------- all of them


def test_two_channels_are_as_loud_as_one_that_stands_in_both():
    tone = 0.1 * np.sin(2 * np.pi * 1000 / RATE * np.arange(2 * RATE))
    one, two = leveled(tone), leveled(np.column_stack([tone, tone]))
    assert two[0][:, 0] == pytest.approx(one[0]) and one[1] == two[1] == "Sound at \N{MINUS SIGN}23.0 LUFS."


# ---------------------------------------------------------------- written and read


def test_a_wave_is_written_when_the_tone_is_heard_and_read_when_its_echo_is():
    scene = make_scene("at_the_gap", profile=SMALL, seconds=5)
    events = [(time, name) for time, name in scene.events]
    delay = 41.5 / 190.5  # Source: definition of speed
    assert [name for _, name in events[:2]] == ["1 kHz, left", "echo of 1 kHz, right"]
    assert np.diff([time for time, _ in events[:2]]) == pytest.approx(delay)
    for channel, (time, _) in enumerate(events[:2]):
        heard = scene.sound[:, channel]
        assert level_db(heard, time + 0.03) > level_db(heard, time - 0.03) + 30
    stripes = draw("at_the_gap", MACHINE, profile=SMALL).artists["written"]["stripes"].get_path()
    first = scene.moving
    trace = [a for a in first if isinstance(a, Line2D) and a.get_zorder() == 3.2]
    ride = [a for a in first if isinstance(a, Line2D) and a.get_zorder() == 3.4]
    scene.update(events[0][0] - 0.02)
    assert not any(a.get_visible() for a in trace + ride)
    scene.update(events[0][0] + 0.02)
    assert ride[0].get_visible() and not trace[0].get_visible()
    scene.update(events[1][0] + 0.02)
    assert trace[0].get_visible()
    # The front of what is written is then at the playback head, drawn as in the still.
    ahead = np.ptp(ride[0].get_xdata())
    marks = [a.get_xdata()[0] for a in first if isinstance(a, Line2D) and a.get_zorder() == 4.6]
    assert ahead == pytest.approx(np.ptp(marks) * (delay + 0.02) / delay)
    assert len(stripes.vertices) > 0


@pytest.mark.parametrize("machine", ["example", "three_heads", "cassette"])
def test_tone_and_echo_do_not_cancel_where_both_channels_become_one(machine):
    deck = MACHINE if machine == "example" else machine_from_text(FIVE[machine])
    scene = make_scene("at_the_gap", machine=deck, profile=SMALL, seconds=5)
    echo = next(time for time, name in scene.events if name.startswith("echo of 1 kHz"))
    both = scene.sound[round(RATE * (echo + 0.2)) : round(RATE * (echo + 0.6))]
    left, right, mono = (np.mean(part**2) for part in (*both.T, both.sum(axis=1)))
    assert mono == pytest.approx(left + right, rel=0.03)  # a quarter of a wave apart: powers add


def test_the_bar_at_the_gap_reads_what_stands_over_it():
    scene = make_scene("at_the_gap", profile=SMALL, seconds=5)
    start = next(time for time, name in scene.events if name == "echo of 10 kHz, right")
    end = scene.seconds - film.HOLD - film.EASE
    bar = next(a for a in scene.moving if isinstance(a, Line2D) and a.get_zorder() == 3.3)
    heights = []
    for share in np.linspace(0.001, 0.9, 200):
        scene.update(start + share * (end - film.EASE - start))
        heights.append(bar.get_ydata()[0])
    heights = np.array(heights) - (1e-6 + 11e-6 / 2)
    # 0.4 of the coating, and of that sin(y) / y with y = pi 4.44 / 19.05 = 0.7322: 0.9130.
    assert [heights.max(), heights.min()] == pytest.approx([0.913 * 4.4e-6, -0.913 * 4.4e-6], rel=0.01)


# ---------------------------------------------------------------- squeezed into the gap


def test_the_tone_falls_as_the_number_says_and_is_gone_where_one_wave_fits_the_gap():
    scene = make_scene("wavelength_at_gap", profile=SMALL, seconds=8)
    times = [time for time, _ in scene.events]
    first = level_db(scene.sound, NOTE + 0.2)
    scene.update(NOTE + 0.2)
    shown = number(scene)
    # sin(y) / y with y = pi 4.44 / 19.05 = 0.7322: 0.9130, -0.79 dB.
    assert shown == -0.79
    for time in np.ceil(5 * np.linspace(times[1] + 0.1, times[2] - 0.5, 6)) / 5:  # the number is new then
        scene.update(time)
        assert level_db(scene.sound, time, 0.004) - first == pytest.approx(number(scene) - shown, abs=0.15)
    # At the null, 40 ms before and after: nothing is heard, and nothing read.
    scene.update(times[2] + 0.04)
    assert number(scene) == -100 and level_db(scene.sound, times[2] + 0.04) < first - 100
    scene.update(times[2] - 0.04)
    assert number(scene) > -60 and level_db(scene.sound, times[2] - 0.04, 0.004) > first - 60
    # Back at both speeds: sin(y) / y with y = pi 4.44 / 9.525 = 1.4644: 0.6790, -3.36 dB.
    steps = [level_db(scene.sound, time + 0.2) - first for time in times[3:]]
    assert steps == pytest.approx([0, -3.36 + 0.79], abs=0.02)
    assert (
        scene.events[2][1].startswith("4.44 cm/s")
        and scene.events[4][1] == "9.525 cm/s: \N{MINUS SIGN}3.4 dB"
    )


def test_the_pitch_stays_while_the_tape_slows_down():
    scene = make_scene("wavelength_at_gap", profile=SMALL, seconds=8)
    for time in (NOTE + 0.2, 3.0, 4.0):
        part = scene.sound[round(RATE * time) :][:4800]
        assert np.sum(np.diff(np.sign(part)) > 0) == pytest.approx(1000, abs=1)  # 0.1 s of 10 kHz
    assert "The pitch stays" in scene.caption


def test_the_tone_is_as_loud_as_other_clips_at_its_start():
    scene = make_scene("wavelength_at_gap", profile=SMALL, seconds=10)
    start = scene.sound[round(RATE * NOTE) : round(RATE * (NOTE + 1))]
    assert loudness_lufs(start, RATE) + TWICE_DB == pytest.approx(-23, abs=0.15)
    assert scene.level.endswith(": as loud as others at its start.")


@pytest.mark.parametrize(("inches_a_second", "gap_um"), [(0.9375, 4.0), (7.5, 20.0)])
def test_a_gap_that_takes_in_more_than_a_wave_from_the_start_is_refused(inches_a_second, gap_um):
    deck = with_changes(MACHINE, {"transport.speeds_ips": (inches_a_second,), "heads.gap_um": gap_um})
    with pytest.raises(
        ValueError, match="wavelength_at_gap needs a gap that acts as less than .* one wave of"
    ):
        make_scene("wavelength_at_gap", machine=deck, profile=SMALL)


def test_a_clip_that_ends_before_the_echo_is_read_is_refused():
    slow = with_changes(MACHINE, {"transport.speeds_ips": (0.9375,)})
    with pytest.raises(
        ValueError, match="seconds, with an echo after 1.74 s, must be from 2.44 to 120 s, got 2"
    ):
        make_scene("at_the_gap", machine=slow, profile=SMALL, seconds=2)
    assert make_scene("at_the_gap", machine=slow, profile=SMALL, seconds=2.5).events


# ---------------------------------------------------------------- lifted by dirt


def test_a_tone_falls_by_what_the_distance_takes_as_the_tape_is_lifted():
    dirty = with_changes(MACHINE, {"heads.spacing_loss_um": 5.0})
    settings = even(dirty, MACHINE.speeds[0])
    time = np.arange(RATE) / RATE
    dry = 0.01 * np.sin(2 * np.pi * 10e3 * time)
    apart = 5e-6 * np.clip((time - 0.2) / 0.6, 0, 1)
    heard = clips._through(dry, settings, apart)
    reference = amplitude(heard[4800:9600], 10e3)
    for at in (0.35, 0.5, 0.65, 0.95):
        part = heard[round(RATE * at) - 240 :][:480]
        # 54.6 dB a wave: 5 um are 14.33 dB of 10 kHz; 40 ms of this are 0.95 dB.
        lost = -14.33 * min((at - 0.2) / 0.6, 1)
        assert 20 * np.log10(amplitude(part, 10e3) / reference) == pytest.approx(lost, abs=0.4)


def test_the_number_and_the_lines_follow_the_distance():
    scene = make_scene("lifted_tape", profile=SMALL, seconds=8)
    begins, ends = (time for time, _ in scene.events[1:])
    scene.update(begins - 0.1)
    assert number(scene) == 0
    scene.update((begins + ends) / 2)
    # 0.5 um of 19.05, 54.575 dB a wave; it runs in steps of a fifth of a second, so it may be one behind.
    step = 2.865 * 0.2 / (ends - begins)
    assert -2.865 / 2 - 0.05 <= number(scene) <= -2.865 / 2 + step + 0.05
    scene.update(ends)
    assert number(scene) == -2.9
    closing = [a for a in scene.moving if isinstance(a, LineCollection)][-1]
    turned = []
    for time in np.linspace(begins, ends, 6):
        scene.update(time)
        turned.append(len({tuple(color) for color in closing.get_color()}))
    assert turned[0] == 1 and max(turned) == 2 and turned[-1] == 1  # none, some, all


def test_the_phrase_loses_its_treble_while_the_tape_is_lifted():
    dirty = with_changes(MACHINE, {"heads.spacing_loss_um": 5.0})
    scene = make_scene("lifted_tape", machine=dirty, profile=SMALL, seconds=12)
    bar = 4 * 60 / 76
    touching = scene.events[0][0] + bar  # the second bar, before the grain
    assert touching + 0.5 < scene.events[1][0]
    dull = touching + 2 * bar
    assert dull + 0.5 > scene.events[2][0] - bar

    def share(time):
        part = scene.sound[round(RATE * time) :][: RATE // 2]
        power = np.abs(np.fft.rfft(part)) ** 2
        edge = round(4000 * len(part) / RATE)
        return 10 * np.log10(power[edge:].sum() / power[:edge].sum())

    assert share(dull) < share(touching) - 3
