"""Figures of wow and flutter: data as the library says."""

import numpy as np
import pytest

from tapecalc.calc import flutter
from tapecalc.calc.parts import part_rates, part_repeat_deviations
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw
from tapecalc.plot.flutter import flutter_comb, flutter_fingerprint

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]


def test_flutter_comb_is_what_flutter_says():
    delay = MACHINE.delays(SPEED)[0]
    artists = draw("flutter_comb").artists
    rate, ratio = artists["first"].get_data()
    np.testing.assert_allclose(1e-4 * ratio, flutter.repeat_deviation(1e-4, rate, delay), atol=1e-12)
    rates = part_rates(MACHINE.turning_parts, SPEED)
    np.testing.assert_allclose(artists["parts"].get_xdata(), list(rates.values()))
    with pytest.raises(ValueError, match="speed must be given"):
        flutter_comb(delay=0.2, parts=MACHINE.turning_parts)


def test_fingerprint_is_what_flutter_says():
    artists = draw("flutter_fingerprint").artists
    bends = part_repeat_deviations(MACHINE.turning_parts, SPEED, MACHINE.delays(SPEED)[0])
    np.testing.assert_allclose(artists["repeat"].get_ydata(), [100 * b for b in bends.values()])
    with pytest.raises(ValueError, match="at least one turning part"):
        flutter_fingerprint(parts=(), speed=SPEED, delay=0.2)
