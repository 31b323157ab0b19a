"""The panels about wow and flutter, driven without a browser."""

import math

import numpy as np
import pytest
from panel_checks import panel_fixture

from tapecalc.course import flutter as lesson
from tapecalc.course.flutter import parts_panel, wobble_panel

wobble = panel_fixture(wobble_panel)
parts = panel_fixture(parts_panel)


def test_the_largest_bend_stays_within_the_axes(wobble):
    wobble.set(wobble_percent=0.5, repeat=3, delay_ms=450)
    for name in ("bend", "speed", "passed"):
        artist = wobble.artists[name]
        (left, right), (bottom, top) = artist.axes.get_xlim(), artist.axes.get_ylim()
        x, y = artist.get_data()
        assert left <= min(x) and max(x) <= right and bottom <= min(y) and max(y) <= top


@pytest.mark.parametrize(
    ("rate", "delay", "factor"), [(1.0, 250, math.sqrt(2)), (2.0, 250, 2.0), (4.0, 250, 0.0), (5.0, 100, 2.0)]
)
def test_a_first_repeat_bends_by_twice_the_sine_of_half_a_turn_per_wobble(rate, delay, factor, wobble):
    # Source: difference of two speeds one delay apart; bounds 0 and 2, M.R.L. Publication 570.
    wobble.set(rate_hz=rate, delay_ms=delay, wobble_percent=0.2)
    (bend,) = wobble.artists["here"].get_ydata()
    assert bend == pytest.approx(0.2 * factor, abs=1e-9)
    assert wobble.readout.endswith(f"{factor:.2f} times the wobble.")


def test_half_a_wobble_in_a_delay_leaves_the_second_repeat_steady_and_the_third_as_the_first(wobble):
    found = []
    for repeat in (1, 2, 3):
        wobble.set(rate_hz=2.0, delay_ms=250, repeat=repeat)
        found.append(wobble.artists["here"].get_ydata()[0])
    assert found == pytest.approx([0.6, 0, 0.6], abs=1e-9)


@pytest.mark.parametrize("repeat", [1, 2, 3])
@pytest.mark.parametrize("rate", [0.7, 3.1, 7.9, 11.3])
def test_first_and_last_dot_are_as_far_apart_as_the_bend_and_on_the_curve(rate, repeat, wobble):
    wobble.set(rate_hz=rate, repeat=repeat, delay_ms=300)
    time, speed = wobble.artists["passed"].get_data()
    assert time == pytest.approx(-0.3 * np.arange(repeat, -1, -1))
    assert abs(speed[-1] - speed[0]) == pytest.approx(wobble.artists["here"].get_ydata()[0], abs=1e-9)
    curve_time, curve = wobble.artists["speed"].get_data()
    assert np.interp(time, curve_time, curve) == pytest.approx(speed, abs=0.01)


def test_the_panel_tells_pitch_in_cents(wobble):
    wobble.set(rate_hz=5.0, delay_ms=100, wobble_percent=0.05)
    # Source: 1200 log2(1.001) = 1.730 cents.
    assert "0.10 % (1.7 cents)" in wobble.readout


def test_parts_turn_as_often_as_tape_runs_over_their_circumference(parts):
    parts.set(speed_ips=7.5, capstan_mm=8.0, reel_mm=60)
    rates = dict(zip((text.get_text() for text in parts.artists["names"]),
                     parts.artists["wobble"].get_xdata(), strict=True))  # fmt: skip
    # Source: rolling without slip at 190.5 mm/s; tape of 35 um bends about its middle.
    assert rates["capstan"] == pytest.approx(190.5 / (math.pi * 8.035))
    assert rates["roller"] == pytest.approx(190.5 / (math.pi * 38.035))
    assert rates["reel"] == pytest.approx(190.5 / (2 * math.pi * 60))
    assert rates["belt"] == pytest.approx(190.5 * 61 / 8.035 / 420)  # a belt of 1 mm


def test_the_speed_moves_parts_sideways_and_leaves_their_bends(parts):
    before, bends = parts.artists["repeat"].get_data()
    parts.set(speed_ips=3.75)
    after, same = parts.artists["repeat"].get_data()
    assert after == pytest.approx(np.asarray(before) / 2)
    assert same == pytest.approx(bends)


def test_two_turns_of_the_capstan_between_the_heads_hide_it(parts):
    parts.set(capstan_mm=7.9, spacing_mm=49.9)  # two turns are 2 pi (7.9 + 0.035) = 49.86 mm
    capstan = [text.get_text() for text in parts.artists["names"]].index("capstan")
    assert parts.artists["repeat"].get_ydata()[capstan] < 0.002
    assert "turns 2.00 times in a delay" in parts.readout


def test_the_reading_follows_the_weighting_of_the_worst_part(parts):
    def reading():
        return float(parts.readout.partition("reads ")[2].partition(" %")[0])

    parts.set(speed_ips=7.5)
    usual = reading()
    bends = parts.artists["repeat"].get_ydata()
    assert np.max(bends) / 2 < usual < np.sum(bends)
    parts.set(speed_ips=15)  # the capstan then turns 15 times a second, where ears mind it less
    assert reading() < usual


def test_the_weighting_is_that_of_the_standard(parts):
    # Source: AES6-2008, IEC 60386, table of the weighting.
    parts.set(reel_mm=30, speed_ips=7.5)
    x, y = parts.artists["weight"].axes.lines[0].get_data()
    rows = {0.2: -30.6, 0.8: -6.0, 4.0: 0.0, 20.0: -5.9}
    assert np.interp(np.log(list(rows)), np.log(x), y) == pytest.approx(list(rows.values()), abs=0.1)


def test_a_pulsing_force_wobbles_the_capstan_fourfold_at_half_the_speed_and_stays_in_the_chart(parts):
    parts.set(speed_ips=7.5)
    round_one = parts.artists["wobble"].get_ydata()
    parts.set(forced=True)
    assert list(parts.artists["wobble"].get_ydata()) == pytest.approx(list(round_one))
    parts.set(speed_ips=3.75)
    capstan = [text.get_text() for text in parts.artists["names"]].index("capstan")
    assert parts.artists["wobble"].get_ydata()[capstan] == pytest.approx(0.24)  # four times 0.06
    axes = parts.artists["repeat"].axes
    assert max(parts.artists["repeat"].get_ydata()) < parts.artists["names"][0].get_position()[1]
    assert parts.artists["names"][0].get_position()[1] < axes.get_ylim()[1]


def test_the_panel_tells_how_far_a_held_note_swings(wobble):
    wobble.set(rate_hz=0.2, delay_ms=218, wobble_percent=0.05)
    # 0.05 % x 218 ms = 0.109 ms, 0.301 rad to either side: 2 x 4.343 x 0.301 = 2.6 dB and a little more.
    text = wobble.table["held 440 Hz, echo as loud, swings by"]
    assert float(text.removesuffix(" dB")) == pytest.approx(2.65, abs=0.06)


@pytest.mark.parametrize(
    ("exercise", "right", "wrong"), [(lesson.forced, ["0.2", "0.20"], ["0.1", "0.05", "0.0125"])]
)
def test_an_answer_is_right_as_people_round_it(exercise, right, wrong):
    assert {exercise.check(float(text)).state for text in right} == {"right"}
    assert {exercise.check(float(text)).state for text in wrong} == {"not yet"}
