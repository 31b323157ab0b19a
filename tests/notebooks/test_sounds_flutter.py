"""What lesson 5 says one hears is in its sounds: pitch in cents, and levels that come and go."""

import numpy as np
import pytest
from lesson_sounds import cents, levels_db, sounds
from scipy import signal

from tapecalc.machine import example_machine
from tapecalc.sound.line import line

HEARD = sounds("05_flutter")
DECK = example_machine()
DELAY = DECK.delays(DECK.speeds[0])[0]


@pytest.mark.parametrize(("number", "least", "most"), [(1, 30, 38), (2, 0, 2), (3, 30, 38)])
def test_the_second_repeat_stands_still_and_the_others_sway(number, least, most):
    """Twice a wobble of a hundredth is 2 x 17.3 cents; none is none, but for what MP3 does."""
    found = cents(HEARD[f"repeat {number}"], 220, number * DELAY + 0.3, 2.8)
    assert least <= np.abs(found).max() <= most


def test_the_echo_alone_is_steady_and_with_the_dry_tone_it_comes_and_goes():
    swings = [np.ptp(levels_db(HEARD[name])[5:-10]) for name in ("echo alone", "dry and echo")]
    assert swings[0] < 0.5
    assert 8 < swings[1] < 20


def test_a_bent_shaft_is_heard_from_one_place_and_not_from_the_other():
    """An even echo has the shape of what went in; one that gargles runs ahead of it and behind."""
    alike = []
    for title in ("head at 41.5 mm", "head at 50.5 mm"):
        samples, rate = HEARD[title]
        went_in = line(rate, seconds=5)
        overlap = signal.correlate(samples, went_in, method="fft").max()
        whole = np.linalg.norm(samples) * np.linalg.norm(went_in[: len(went_in) - round(0.25 * rate)])
        alike.append(overlap / whole)
    assert alike[1] > 0.95
    assert alike[0] < alike[1] - 0.05
