"""What the needle of a flutter meter does whatever it is shown."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.measuring.needle import needle, quasi_peak

RATE = 700
SEEDS = st.integers(0, 10_000)


def wobble(seed, seconds=3.0):
    """Random flutter up to some 70 Hz."""
    rng = np.random.default_rng(seed)
    return np.convolve(rng.standard_normal(int(seconds * RATE)), np.ones(10) / 10, "same")


def sine(rate, phase, seconds):
    return np.sin(2 * np.pi * rate * np.arange(int(seconds * RATE)) / RATE + phase)


@given(SEEDS, st.floats(1e-6, 1e3))
def test_twice_the_flutter_reads_twice_as_much(seed, factor):
    here, there = needle(wobble(seed), RATE), needle(factor * wobble(seed), RATE)
    np.testing.assert_allclose(there, factor * here, rtol=1e-9)


@given(SEEDS)
def test_it_does_not_matter_to_which_side_the_flutter_goes(seed):
    assert quasi_peak(-wobble(seed), RATE) == quasi_peak(wobble(seed), RATE)


@given(SEEDS)
def test_the_needle_never_goes_beyond_half_the_swing(seed):
    deviation = wobble(seed)
    # The scale is set by a sine, which the needle does not follow quite to the top.
    assert 0 < quasi_peak(deviation, RATE) <= 1.05 * np.ptp(deviation) / 2


@given(st.floats(0.6, 60.0), st.floats(0, 6.28))
def test_a_steady_sine_reads_its_zero_to_peak_value_within_what_meters_differ_by(rate, phase):
    assert abs(quasi_peak(sine(rate, phase, 10.0), RATE) - 1) < 6 / 90


@given(st.floats(0.005, 0.2), st.floats(0.005, 0.2))
def test_a_longer_burst_never_reads_less(one, other):
    short, long = sorted((one, other))
    time = np.arange(4 * RATE) / RATE % 1.0
    readings = [quasi_peak((time < length).astype(float), RATE) for length in (short, long)]
    assert readings[0] <= readings[1] + 1e-12


@given(SEEDS, st.floats(0.0, 2.0))
def test_silence_before_the_flutter_changes_nothing(seed, wait):
    deviation = wobble(seed)
    late = np.concatenate([np.zeros(int(wait * RATE)), deviation])
    np.testing.assert_allclose(needle(late, RATE)[-len(deviation) :], needle(deviation, RATE))
