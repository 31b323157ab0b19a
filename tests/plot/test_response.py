"""Figures of losses and equalization: curves as the library says."""

import numpy as np

from tapecalc.calc import response, standards
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]


def test_patterns_repeat_every_wavelength():
    drawn = draw("wavelength_at_gap")
    for pattern, speed in zip(drawn.artists["patterns"], MACHINE.speeds, strict=True):
        x, y = pattern.get_data()
        middle = (y.max() + y.min()) / 2
        up = x[1:][(y[:-1] < middle) & (y[1:] >= middle)]
        expected = 1e6 * response.wavelength(10e3, speed)
        np.testing.assert_allclose(np.diff(up), expected, rtol=0.02)


def test_losses_add_up_to_their_sum():
    lines = draw("four_losses").artists
    parts = sum(lines[name].get_ydata() for name in ("thickness", "spacing", "gap", "azimuth"))
    np.testing.assert_allclose(parts, lines["sum"].get_ydata(), atol=1e-9)
    expected = response.contact_loss_db(lines["sum"].get_xdata(), SPEED, MACHINE.one_pass(SPEED).today)
    np.testing.assert_allclose(lines["sum"].get_ydata(), expected)


def test_response_of_repeat_n_is_n_passes():
    lines = draw("repeats_response").artists["repeats"]
    assert len(lines) == 8
    for n in (1, 8):
        f, level = lines[n - 1].get_data()
        np.testing.assert_allclose(level, response.repeat_level_db(MACHINE.one_pass(SPEED), f, n))


def test_equalization_curves_are_those_of_the_standards():
    for name, line in draw("equalization_standards").artists.items():
        entry = standards.equalization(name)
        f, level = line.get_data()
        np.testing.assert_allclose(level, response.equalization_db(f, entry.tau_high, entry.tau_low))
