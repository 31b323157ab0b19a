"""Scaling and bounds of many heads."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc import heads
from tapecalc.calc.heads import Heads

factors = st.floats(0.2, 5)
layouts = st.lists(st.floats(0.01, 0.6), min_size=1, max_size=6, unique=True)


@given(layouts, st.floats(0.05, 0.8), factors)
def test_moving_all_heads_and_the_speed_by_one_factor_changes_no_delay(positions, speed, factor):
    here = Heads(spacings=positions).delays(speed)
    there = Heads(spacings=[factor * d for d in positions]).delays(factor * speed)
    np.testing.assert_allclose(there, here, rtol=1e-12)


@given(st.floats(0, 1), st.floats(0.0005, 0.05), st.floats(0.1, 1), st.floats(0.1, 1))
def test_the_response_of_two_heads_stays_between_notch_and_peak(delay, apart, level, other):
    peak_db, notch_db = heads.comb_extremes_db(level, other)
    gain = np.abs(heads.taps_gain(np.linspace(20, 16000, 500), [delay, delay + apart], [level, other]))
    assert gain.max() <= 10 ** (peak_db / 20) + 1e-9
    assert gain.min() >= 10 ** (notch_db / 20) - 1e-9
    notches = heads.notch_frequencies(delay, delay + apart, 16000)
    if notches.size:
        gain = np.abs(heads.taps_gain(notches, [delay, delay + apart], [level, other]))
        np.testing.assert_allclose(gain, abs(level - other), atol=1e-7)


@given(st.floats(0.1, 10), st.floats(0.05, 0.8), factors)
def test_passes_in_an_hour_follow_speed_over_length(length, speed, factor):
    passes = heads.passes_per_hour(length, speed)
    assert heads.passes_per_hour(factor * length, factor * speed) == pytest.approx(passes, rel=1e-12)
    assert heads.passes_per_hour(length, factor * speed) == pytest.approx(factor * passes, rel=1e-12)


@given(st.floats(0.5, 10), st.floats(0.05, 0.8), st.floats(50, 180))
def test_the_exact_length_of_a_loop_meets_the_bar(length, speed, bpm):
    layout = Heads(spacings=(0.0415,))
    report = heads.closed_loop(length, speed, bpm, layout)
    bar = 4 * 60 / bpm
    assert report.period == pytest.approx(report.whole_bars * bar + report.error)
    assert report.exact_length == pytest.approx(report.whole_bars * bar * speed)
    if report.period > bar:
        assert abs(report.error) <= bar / 2 + 1e-9
