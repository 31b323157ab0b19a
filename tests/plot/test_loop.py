"""Figures of repeats and stability: curves as the library says, and a loop past its margin says so."""

import numpy as np
import pytest

from tapecalc.calc import loop
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw
from tapecalc.plot.loop import decay_of_repeats

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]


def test_decay_falls_by_the_loop_gain_each_delay():
    drawn = decay_of_repeats(delay=0.25, gains_db=(-6.0, -12.0), repeats=5)
    t, level = drawn.artists["decays"][1].get_data()
    np.testing.assert_allclose(t, 0.25 * np.arange(6))
    np.testing.assert_allclose(level, -12.0 * np.arange(6))


def test_nyquist_curve_is_the_loop_gain_and_keeps_clear_of_the_point_when_stable():
    echo = MACHINE.echo_loop(SPEED)
    curve = draw("nyquist_picture").artists["gain"]
    assert np.abs(curve.get_xdata() + 1j * curve.get_ydata()).max() < 1
    f = np.linspace(0, 14 / max(echo.delays), 1680)
    np.testing.assert_allclose(curve.get_xdata(), loop.loop_gain(echo, f).real)


def test_runaway_start_stands_at_the_margin():
    echo = MACHINE.echo_loop(SPEED)
    found = loop.stability(echo)
    artists = draw("runaway_frequency").artists
    assert artists["start"].get_xydata()[0] == pytest.approx((found.frequency, -found.margin_db))
    f, level = artists["gain"].get_data()
    np.testing.assert_allclose(level, loop.loop_gain_db(echo, f))


def test_a_loop_past_its_margin_says_so():
    hot = MACHINE.model_copy(update={"mixer": MACHINE.mixer.model_copy(update={"return_send_db": 2.0})})
    for name in ("runaway_frequency", "nyquist_picture"):
        assert "running away" in draw(name, machine=hot).caption
