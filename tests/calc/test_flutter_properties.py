"""Limits, bounds, inverses and scaling of wow and flutter."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tapecalc.calc import flutter

depths = st.floats(1e-5, 0.02)
rates = st.floats(0.05, 60)
delays = st.floats(0.02, 2)
passes = st.integers(1, 8)
times = st.floats(-5, 5)


@given(depths, rates, delays, passes)
def test_deviation_stays_between_nothing_and_twice_the_depth(depth, rate, delay, n):
    assert 0 <= flutter.repeat_deviation(depth, rate, delay, passes=n) <= 2 * depth


@given(depths, rates, delays, passes)
def test_the_nth_repeat_is_one_pass_of_n_delays(depth, rate, delay, n):
    assert flutter.repeat_deviation(depth, rate, delay, passes=n) == pytest.approx(
        flutter.repeat_deviation(depth, rate, n * delay), abs=1e-12
    )


@given(times, st.floats(0, 0.4), rates, delays, passes)
def test_pitch_of_the_passes_multiplies(time, depth, rate, delay, n):
    whole = flutter.repeat_pitch_ratio(time, depth, rate, delay, passes=n + 1)
    last = flutter.fluttered_delay(time, depth, rate, delay)
    step = flutter.repeat_pitch_ratio(time, depth, rate, delay)
    rest = flutter.repeat_pitch_ratio(time - last, depth, rate, delay, passes=n)
    assert whole == pytest.approx(step * rest, rel=1e-9)


@given(times, st.floats(0, 0.5), rates, delays, passes)
def test_exactly_n_head_spacings_of_tape_lie_between(time, depth, rate, delay, n):
    total = flutter.fluttered_delay(time, depth, rate, delay, passes=n)
    angular = 2 * np.pi * rate

    def tape(t):
        return t - depth / angular * np.cos(angular * t)

    assert tape(time) - tape(time - total) == pytest.approx(n * delay, rel=1e-9)


@given(rates, delays, passes)
def test_a_small_wobble_meets_the_formula(rate, delay, n):
    depth = 1e-7
    time = np.linspace(0, 1 / rate, 4001)
    ratio = flutter.repeat_pitch_ratio(time, depth, rate, delay, passes=n)
    swing = flutter.fluttered_delay(time, depth, rate, delay, passes=n) - n * delay
    assert np.max(ratio - 1) == pytest.approx(
        flutter.repeat_deviation(depth, rate, delay, passes=n), abs=1e-5 * depth + 1e-12
    )
    assert np.max(swing) == pytest.approx(
        flutter.delay_swing(depth, rate, delay, passes=n), rel=1e-5, abs=1e-14
    )


@given(depths, st.floats(0.05, 20), delays, passes, st.integers(1, 5))
def test_the_deviation_repeats_with_the_rate(depth, rate, delay, n, turns):
    other = rate + turns / (n * delay)
    assert flutter.repeat_deviation(depth, other, delay, passes=n) == pytest.approx(
        flutter.repeat_deviation(depth, rate, delay, passes=n), abs=1e-9
    )


@given(depths, rates, delays, passes)
def test_depth_comes_back_from_the_deviation(depth, rate, delay, n):
    deviation = flutter.repeat_deviation(depth, rate, delay, passes=n)
    assume(deviation > 0.051 * depth)
    assert flutter.depth_from_repeat(deviation, rate, delay, passes=n) == pytest.approx(depth, rel=1e-9)


@given(delays, st.floats(1, 60), passes)
def test_every_null_rate_is_a_null(delay, highest, n):
    nulls = flutter.null_rates(delay, highest, passes=n)
    assert np.all(np.diff(nulls) > 0)
    if nulls.size:
        assert nulls[-1] <= highest * (1 + 1e-9)
        assert np.max(flutter.repeat_deviation(1.0, nulls, delay, passes=n)) < 1e-9


@given(st.floats(0.02, 500), st.floats(1.001, 3))
def test_weighting_rises_to_four_hertz_and_falls_beyond(frequency, factor):
    low, high = flutter.weighting_db([frequency, frequency * factor])
    if frequency * factor <= 4:
        assert low < high
    if frequency >= 4:
        assert low > high


@given(st.integers(0, 1000), st.floats(0.1, 10))
def test_readings_scale_with_the_wobble(seed, factor):
    wobble = np.random.default_rng(seed).normal(0, 1e-3, 300)
    for reading in (flutter.two_sigma, flutter.peak_deviation):
        assert reading(factor * wobble) == pytest.approx(factor * reading(wobble), rel=1e-9)
        assert reading(-wobble) == pytest.approx(reading(wobble), rel=1e-9)


@given(st.floats(0.01, 1), st.floats(1e9, 1e10), st.floats(500, 3000))
def test_scrape_resonance_is_half_a_wave_of_the_stretch(free_length, modulus, density):
    resonance = flutter.scrape_resonance(free_length, modulus=modulus, density=density)
    assert 2 * free_length * resonance == pytest.approx(flutter.wave_speed(modulus, density), rel=1e-12)
