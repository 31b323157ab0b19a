"""What a lesson says one hears is in its sounds: measured in the files that stand in the notebooks."""

import numpy as np
from lesson_sounds import lag_of, levels_db, share_above, sounds


def test_one_answer_comes_after_each_delay():
    heard = sounds("01_delay")
    for title, delay in (("218 ms", 0.2178), ("436 ms", 0.4357)):
        assert abs(lag_of(heard[title], heard["no echo"]) - delay) < 0.001


def test_the_fast_answer_treads_on_the_next_syllable_and_the_slow_one_speaks_in_gaps():
    """Where the line pauses, the later answer sounds and the sooner one is over more often."""
    heard = sounds("01_delay")
    dry, late, soon = (levels_db(heard[name]) for name in ("no echo", "436 ms", "218 ms"))
    pauses = dry < np.max(dry) - 30
    assert np.mean(late[pauses] > -45) > np.mean(soon[pauses] > -45)


def test_consonants_go_with_the_passes():
    heard = sounds("02_wavelength")
    one, fast, slow = (
        share_above(heard[name], 3000) for name in ("pass 1, fast", "pass 8, fast", "pass 8, slow")
    )
    assert fast < one - 2
    assert slow < fast - 6


def test_each_effect_alone_does_what_is_said_of_it():
    heard = sounds("02_wavelength")
    response, hiss, limiting = (heard[f"only {name}"] for name in ("response", "hiss", "limiting"))
    assert share_above(response, 3000) < share_above(hiss, 3000) - 3
    quiet = [np.percentile(levels_db(sound), 5) for sound in (hiss, limiting)]
    assert quiet[0] > quiet[1] + 10
    assert np.abs(limiting[0]).max() < 0.9 * np.abs(hiss[0]).max()
