"""The panels about many heads, driven without a browser."""

import re

import numpy as np
import pytest
from panel_checks import panel_fixture

from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop, stability
from tapecalc.calc.stereo import StereoLoop, shared_sends, stereo_stability
from tapecalc.course.heads import (
    RETURNS,
    RHYTHM_MM,
    comb_panel,
    crossed_panel,
    ping_pong,
    return_panel,
    rhythm_panel,
)
from tapecalc.machine import example_machine

INCH = 0.0254
MACHINE = example_machine()
FAST, SLOW = MACHINE.speeds


rhythm = panel_fixture(rhythm_panel)
comb = panel_fixture(comb_panel)
returns = panel_fixture(return_panel)
crossed = panel_fixture(crossed_panel)


def test_all_heads_stay_on_the_drawn_tape(rhythm):
    rhythm.set(first_mm=100, second_mm=70, third_mm=70, speed_ips=3.75, bpm=160)
    assert rhythm.artists["heads"].get_xdata() == pytest.approx([100, 170, 240])
    for artist in rhythm.moving:
        assert np.min(artist.get_xdata()) >= 0 and np.max(artist.get_xdata()) <= 240


def test_the_dots_lie_where_the_note_values_are(rhythm):
    rhythm.set(first_mm=38, second_mm=38, third_mm=38, bpm=100)
    # A beat of 600 ms on tape at 190.5 mm/s: a third, two thirds and a whole of 114.3 mm.
    assert rhythm.artists["notes"].get_xdata() == pytest.approx([38.1, 76.2, 114.3])
    assert "eighth triplet, quarter triplet and quarter" in rhythm.readout
    assert rhythm.readout.endswith("the worst is 1.6 ms off.")  # 0.3 mm at 190.5 mm/s
    assert rhythm.table["head 3, 114 mm, quarter"] == "598 ms, -1.6 ms off"


def test_the_ruler_has_four_sixteenths_to_a_beat_of_tape(rhythm):
    rhythm.set(bpm=100)
    x, y = rhythm.artists["ruler"].get_data()
    places, depths = x[1::3], y[1::3]
    assert places[:5] == pytest.approx(np.arange(5) * 114.3 / 4)
    assert depths[4] == depths[0] and depths[4] < depths[2] < depths[1] == depths[3] < 0


def test_half_the_speed_halves_the_ruler_and_leaves_the_heads(rhythm):
    before = rhythm.artists["ruler"].get_xdata()[1::3][1]
    rhythm.set(speed_ips=3.75)
    assert rhythm.artists["ruler"].get_xdata()[1::3][1] == pytest.approx(before / 2)
    assert rhythm.artists["heads"].get_xdata() == pytest.approx(RHYTHM_MM)
    assert "quarter, dotted quarter and half" in rhythm.readout


def test_the_comb_has_its_notches_at_odd_halves_and_its_peaks_at_the_sum(comb):
    comb.set(apart_mm=2.0, speed_ips=7.5, second_db=-6.0)
    spacing_hz = 190.5 / 2
    notches = comb.artists["notches"].get_xdata()
    assert notches == pytest.approx((np.arange(notches.size) + 0.5) * spacing_hz)
    assert notches[-1] + spacing_hz > 1000
    frequency, level_db = comb.artists["comb"].get_data()
    second = 10 ** (-6 / 20)
    assert level_db.max() == pytest.approx(20 * np.log10(1 + second), abs=1e-9)
    assert level_db.min() == pytest.approx(20 * np.log10(1 - second), abs=0.01)
    sums = np.abs(1 + second * np.exp(-2j * np.pi * frequency * 0.002 / 0.1905))
    assert level_db == pytest.approx(20 * np.log10(sums), abs=1e-6)


def test_equal_heads_cancel_to_silence_and_far_ones_are_two_sounds(comb):
    assert comb.table["notches"] == "silence"
    assert "one sound" in comb.readout
    comb.set(apart_mm=12.0)  # 63 ms
    assert "two sounds" in comb.readout


def test_the_margin_is_the_bound_of_the_loop_through_the_chosen_heads(returns):
    for name, feeds in RETURNS.items():
        returns.set(feeds=name, return_send_db=-10.0, step_db=2.0, speed_ips=3.75)
        three = Heads(
            spacings=tuple(d / 1000 for d in RHYTHM_MM),
            gains=tuple(10 ** (-2.0 * k / 20) for k in range(3)),
            feeds_return=feeds,
        )
        worst = MACHINE.one_pass(SLOW, pole_shape="plates")
        loop = EchoLoop(heads=three, return_gain=10**-0.5, one_pass=worst)
        assert returns.table["loop gain at most"] == f"{-stability(loop).bound_db:+.1f} dB"


def test_too_much_send_is_said_to_run_away(returns):
    returns.set(return_send_db=0.0, step_db=0.0)
    too_loud = re.search(r"may run away, too loud by ([\d.]+) dB", returns.readout)
    # three heads, three times the amplitude, at the top of the largest bump, which lies below 200 Hz
    f = np.linspace(50, 200, 15001)
    bump_db = MACHINE.one_pass(FAST, pole_shape="plates").level_db(f).max()
    assert 1 < bump_db < 2.1
    assert float(too_loud[1]) == pytest.approx(20 * np.log10(3) + bump_db, abs=0.051)
    assert np.all(np.isfinite(returns.artists["later"].get_xydata()))


def strokes(artist):
    """Time and level of each stroke."""
    x, y = artist.get_data()
    return np.column_stack((x[1::3], y[1::3]))


def test_the_first_round_is_the_heads_themselves(returns):
    first = strokes(returns.artists["first"])
    assert first[:, 0] == pytest.approx(np.array(RHYTHM_MM) / 190.5, abs=1e-6)
    assert first[:, 1] == pytest.approx([0, -3, -6], abs=1e-9)


def test_with_the_last_head_alone_each_round_is_the_figure_one_quarter_later(returns):
    returns.set(feeds="the last alone", return_send_db=-6.0, step_db=3.0)
    first, later = strokes(returns.artists["first"]), strokes(returns.artists["later"])
    period = RHYTHM_MM[-1] / 190.5
    assert later[:3, 0] == pytest.approx(first[:, 0] + period, abs=2e-6)
    assert later[:3, 1] == pytest.approx(first[:, 1] - 12, abs=1e-9)  # send and the last head's own level
    assert later[3:6, 0] == pytest.approx(first[:, 0] + 2 * period, abs=3e-6)


def test_echoes_of_one_moment_add_up(returns):
    returns.set(feeds="the first and the last", return_send_db=-6.0, step_db=0.0)
    later = strokes(returns.artists["later"])
    # 225 mm of tape: head 1 then 3, and 3 then 1; only those two meet there.
    (level_db,) = later[np.isclose(later[:, 0], 225 / 190.5, atol=1e-5), 1]
    # 225 = 75 + 150 = 150 + 75 = 75 + 75 + 75: two ways through one return, one through two.
    one = 10 ** (-6 / 20)
    assert level_db == pytest.approx(20 * np.log10(2 * one + one**2), abs=1e-9)


# ---- two tracks ----


def test_all_crossed_the_sides_take_turns_6_db_apart(crossed):
    delay = 41.5 / 190.5
    left, right = strokes(crossed.artists["left"]), strokes(crossed.artists["right"])
    assert left[:, 0] == pytest.approx(delay * np.array([1, 3, 5]), abs=1e-5)
    assert right[:, 0] == pytest.approx(delay * np.array([2, 4, 6]), abs=1e-5)
    # from the middle at -36 dB; each pass is 0.1 dB below its own loudest or less
    assert left[:, 1] == pytest.approx([36, 24, 12], abs=0.7)
    assert right[:, 1] == pytest.approx([-30, -18, -6], abs=0.7)
    assert "changes sides each time: 2 answers on the right" in crossed.readout  # -6 and -18 dB, not -30.6 dB


def test_half_crossed_is_mono_and_its_difference_never_comes_back(crossed):
    crossed.set(crossed_percent=50)
    left, right = strokes(crossed.artists["left"]), strokes(crossed.artists["right"])
    np.testing.assert_allclose(left[1:], right * [1, -1], atol=1e-9)
    assert crossed.table["their difference"] == "not at all"
    assert "becomes mono" in crossed.readout
    crossed.set(crossed_percent=75)
    assert crossed.table["their difference"] == "-12.0 dB, inverted"  # 1 - 2 * 0.75 = -1/2


@pytest.mark.parametrize("percent", [0, 30, 100])
def test_the_margin_of_two_tracks_is_that_of_their_matrix_or_a_little_less(crossed, percent):
    crossed.set(crossed_percent=percent, return_send_db=-9.0)
    told_db = float(re.search(r"safe by ([\d.]+) dB", crossed.readout)[1])
    both, worst = (MACHINE.heads_at(FAST),) * 2, MACHINE.one_pass(FAST, pole_shape="plates")
    made = StereoLoop(heads=both, sends=shared_sends(10**-0.45, percent / 100), one_pass=worst)
    found = stereo_stability(made)
    assert told_db == pytest.approx(found.bound_db, abs=0.051)
    assert told_db <= found.margin_db + 0.051 < told_db + 0.2


def test_the_margin_of_unlike_crossed_sends_is_half_of_once_round():
    sends = ((0.0, 10 ** (-8 / 20)), (10 ** (-4 / 20), 0.0))
    ideal = MACHINE.one_pass(FAST, pole_shape="flat")
    made = StereoLoop(heads=(MACHINE.heads_at(FAST),) * 2, sends=sends, one_pass=ideal)
    loudest_db = ideal.level_db(np.geomspace(50, 5000, 5000)).max()
    assert stereo_stability(made).margin_db + loudest_db == pytest.approx(ping_pong.expected, abs=0.01)
