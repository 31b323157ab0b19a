"""The panels about measuring, driven without a browser."""

import numpy as np
import pytest
from panel_checks import panel_fixture

from tapecalc.course.measuring import pieces_panel, tools_panel

tools = panel_fixture(tools_panel)
pieces = panel_fixture(pieces_panel)


def spreads(panel, row):
    """Half widths of spacing in mm and of speed in cm/s in one row of the table."""
    spacing, speed = panel.table[row].split("; ")
    return float(spacing.split()[-2]), float(speed.split()[-2])


def test_a_ruler_passes_its_share_of_error_on_to_the_speed(tools):
    tools.set(ruler_mm=0.5, delay_us=1)
    spacing, speed = spreads(tools, "with the ruler alone")
    assert (spacing, speed) == (0.5, 0.23)  # 1.2 % of both; of 19.05 cm/s 0.2295, and no less is said


#: A thumb of 0.2 s and marks of a thousandth: 2 m take 10.5 s, 1.91 % together; 10 m 52.5 s, 0.394 %;
#: 30 m 157.5 s, 0.1616 %. Of 41.5 mm these are 0.79, 0.163 and 0.067 mm, of 19.05 cm/s 0.363, 0.0750 and
#: 0.0308 cm/s, and what is printed is rounded up.
STOPWATCH = [(2.0, (0.8, 0.4)), (10.0, (0.17, 0.08)), (30.0, (0.07, 0.031))]


@pytest.mark.parametrize(("length", "told"), STOPWATCH)
def test_a_stopwatch_is_as_good_as_its_thumb_and_its_marks(length, told, tools):
    tools.set(length_m=length, thumb_s=0.2, delay_us=1)
    assert spreads(tools, "with the stopwatch alone") == told
    band = np.ptp(tools.artists["stopwatch"].get_ydata()) / 2
    assert band == pytest.approx(19.05 * np.hypot(0.2 / (length / 0.1905), 1e-3), rel=0.003)


def test_the_stopwatch_wins_from_some_length_on(tools):
    told = []
    for length in (3.0, 3.5, 4.0):
        tools.set(length_m=length)
        told.append("stopwatch tells more" in tools.readout)
    assert told == [False, True, True]  # 0.2 s of 18.4 s are as much as 0.5 mm of 41.5 mm


def test_the_ellipse_throws_shadows_as_wide_as_the_intervals(tools):
    tools.set(delay_us=2000)
    # Shares: ruler 0.5 mm of 41.5 mm, a = 1.205 %; watch hypot(0.2 s of 26.25 s, 0.1 %), b = 0.769 %;
    # delay 2 ms of 217.8 ms, c = 0.918 %. Spacing by the ruler or by watch and delay, hypot(b, c) = 1.197 %:
    # both together 1 / hypot(1 / 1.205, 1 / 1.197) = 0.849 %. Speed likewise from 1.515 % and b: 0.685 %.
    x, y = tools.artists["ellipse"].get_data()
    assert np.ptp(x) / 2 == pytest.approx(0.00849 * 41.5, rel=2e-3)
    assert np.ptp(y) / 2 == pytest.approx(0.00685 * 19.05, rel=2e-3)
    assert "mm +/- 0.4 mm apart" in tools.readout and "cm/s +/- 0.14 cm/s" in tools.readout


def test_the_strip_is_the_pairs_that_give_the_delay(tools):
    tools.set(delay_us=1000)
    spacing, speed = tools.artists["delay"].get_data()
    delays_ms = spacing / (10 * speed) * 1e3
    assert delays_ms == pytest.approx([216.848, 216.848, 218.848, 218.848], abs=1e-3)


def error_us(panel):
    """The rms error that the panel says."""
    return float(panel.readout.partition("off by ")[2].split()[0])


def test_dots_find_the_true_curve(pieces):
    pieces.set(piece_ms=10.0, snr_db=40, wobble_percent=0.2, rate_hz=2.0)
    time, found = pieces.artists["found"].get_data()
    true = np.interp(time, *pieces.artists["true"].get_data())
    assert np.sqrt(np.mean((1e3 * (found - true)) ** 2)) == pytest.approx(error_us(pieces), rel=0.1)
    assert pieces.artists["rms"].get_ydata()[0] == pytest.approx(error_us(pieces), rel=0.05)
    assert error_us(pieces) < 4


def test_long_pieces_lose_when_the_tape_wobbles_and_win_when_it_does_not(pieces):
    errors = {}
    for wobble in (0.0, 0.2):
        for piece in (5.0, 200.0):
            pieces.set(piece_ms=piece, snr_db=40, wobble_percent=wobble, rate_hz=2.0)
            errors[wobble, piece] = error_us(pieces)
    assert errors[0.0, 200.0] < errors[0.0, 5.0] / 3
    assert errors[0.2, 200.0] > errors[0.2, 5.0] * 30


def test_noise_drowns_the_pieces(pieces):
    pieces.set(piece_ms=20.0, wobble_percent=0.0, snr_db=60)
    clean = error_us(pieces)
    pieces.set(snr_db=0)
    assert error_us(pieces) > 3 * clean
