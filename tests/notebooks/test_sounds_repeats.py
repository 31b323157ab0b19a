"""What lesson 3 says one hears is in its sounds: fading by the loop gain, and two howls."""

import numpy as np
import pytest
from lesson_sounds import levels_db, share_above, sounds

HEARD = sounds("03_repeats")


def between(title, start, end):
    """A part of a sound, times in s, with its rate."""
    samples, rate = HEARD[title]
    return samples[round(start * rate) : round(end * rate)], rate


def level_db(title, start, end):
    """Rms of a part, dB against full scale."""
    return 10 * np.log10(np.mean(between(title, start, end)[0] ** 2) + 1e-12)


def strongest_share(title, count=10):
    """What the strongest frequencies of the last two seconds hold of their power."""
    samples, rate = HEARD[title]
    last = samples[-2 * rate :]
    power = np.sort(np.abs(np.fft.rfft(last * np.hanning(len(last)))) ** 2)
    return power[-count:].sum() / power.sum()


def test_one_gain_for_all_three_and_the_larger_the_loop_gain_the_longer_the_tail():
    half, most, past = (level_db(f"loop gain {gain}", 4.5, 5.5) for gain in (0.5, 0.9, 1.02))
    assert half < most - 20
    assert most < past - 5
    start = [level_db(f"loop gain {gain}", 0.15, 0.3) for gain in (0.5, 0.9, 1.02)]
    assert np.ptp(start) < 0.2


def test_past_the_edge_the_line_still_fades_more_slowly_and_gets_duller():
    def falls(title):
        return level_db(title, 4, 5) - level_db(title, 7, 8)

    assert 3 < falls("loop gain 1.02") < falls("loop gain 0.9") - 5
    early, late = (share_above(between("loop gain 1.02", t, t + 1), 2000) for t in (3.5, 7))
    assert late < early - 8


def test_of_hiss_many_tones_grow_and_none_wins_and_after_a_hum_one_has_the_tape():
    assert strongest_share("nobody plays") < 0.5
    assert strongest_share("a hum came first") > 0.95


@pytest.mark.parametrize("title", ["nobody plays", "a hum came first"])
def test_a_howl_begins_near_silence_and_ends_no_louder_than_the_voice(title):
    loudest = max(levels_db(HEARD["loop gain 0.9"]))
    assert level_db(title, 0, 0.2) < level_db(title, 7, 8) - 15
    assert max(levels_db(HEARD[title])) < loudest
    steps = np.diff([level_db(title, t, t + 0.5) for t in np.arange(0.5, 7.5, 0.5)])
    assert steps.max() < 12
