"""What lesson 7 says one hears is in its sounds."""

import numpy as np
from lesson_sounds import levels_db, share_above, sounds

from tapecalc.machine import example_machine

LESSON = "07_patching"
DECK = example_machine()
DELAY = DECK.delays(DECK.speeds[0])[0]


def test_with_sends_the_repeats_fade_and_on_one_bus_they_stay():
    """Each repeat 0.6 of the one before, 20 log10 0.6 = -4.4 dB, or as loud as it."""
    for name, step_db in (("with sends", 20 * np.log10(0.6)), ("one bus", 0.0)):
        samples, rate = sounds(LESSON)[name]
        first = round((0.1 + 2 * DELAY) * rate)  # later than the syllable itself
        later = round((0.1 + 6 * DELAY) * rate)
        piece = round(DELAY * rate)
        levels = [10 * np.log10(np.mean(samples[at : at + piece] ** 2)) for at in (first, later)]
        assert abs(levels[1] - levels[0] - 4 * step_db) < 1.0, name


def test_too_low_is_noisy_and_too_loud_is_blunt():
    right, low, loud = (sounds(LESSON)[name] for name in ("right", "20 dB too low", "20 dB too loud"))
    assert share_above(low, 9000) > share_above(right, 9000) + 6
    quiet = [np.min(levels_db(sound)[10:]) for sound in (right, low)]  # after the encoder's start
    assert quiet[1] > quiet[0] + 6
    stand_out = [20 * np.log10(np.abs(s).max() / np.sqrt(np.mean(s**2))) for s, _ in (right, loud)]
    assert stand_out[1] < stand_out[0] - 3
