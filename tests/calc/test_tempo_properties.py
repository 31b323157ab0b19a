"""Tempo: inverses, scaling, ranking and limits, on drawn values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc import tempo

tempos = st.floats(20, 400)
delays = st.floats(1e-3, 10)
beats = st.floats(1 / 64, 16)
notes = st.sampled_from(tempo.NOTE_VALUES)


@given(st.lists(tempos, min_size=1, max_size=5), beats)
def test_delay_and_beats_are_inverses_on_arrays(bpm, length):
    back = tempo.beats_from_delay(tempo.delay_from_tempo(bpm, length), bpm)
    assert back == pytest.approx(np.full(len(bpm), length), rel=1e-12)


@given(tempos, beats, st.floats(0.1, 10))
def test_a_faster_tempo_shortens_every_note_in_proportion(bpm, length, factor):
    assert tempo.delay_from_tempo(bpm * factor, length) * factor == pytest.approx(
        tempo.delay_from_tempo(bpm, length), rel=1e-12
    )


@given(delays, st.floats(1, 2))
def test_a_longer_interval_never_has_a_smaller_threshold(interval, factor):
    assert tempo.timing_threshold(interval * factor) >= tempo.timing_threshold(interval) >= 0.006


@given(st.floats(1e-9, 1e-6))
def test_the_threshold_joins_without_a_step(offset):
    below, above = tempo.timing_threshold([0.24 - offset, 0.24 + offset])
    assert above - below == pytest.approx(0.025 * offset, rel=1e-3)


@given(delays, tempos, notes)
def test_percent_and_cents_have_the_sign_of_the_error(delay, bpm, note):
    one = tempo.fit(delay, bpm, note)
    assert np.sign(one.error) == np.sign(one.error_percent) == np.sign(one.error_cents)
    assert one.wanted_delay * (1 + one.error_percent / 100) == pytest.approx(delay, rel=1e-9)


@given(delays, tempos, notes)
def test_doubling_delay_and_halving_tempo_keeps_percent_and_cents(delay, bpm, note):
    one, other = tempo.fit(delay, bpm, note), tempo.fit(2 * delay, bpm / 2, note)
    assert other.error_percent == pytest.approx(one.error_percent, rel=1e-9, abs=1e-9)
    assert other.error_cents == pytest.approx(one.error_cents, rel=1e-9, abs=1e-9)


@given(delays, tempos)
def test_the_first_fit_is_the_least_audible(delay, bpm):
    fits = tempo.nearest_fits(delay, bpm)
    assert fits[0].audibility <= min(one.audibility for one in fits) + 1e-9
    assert [one.audible for one in fits] == sorted(one.audible for one in fits)


@given(delays, tempos, notes)
def test_repeats_in_time_is_where_the_piled_up_error_crosses_the_threshold(delay, bpm, note):
    one = tempo.fit(delay, bpm, note)
    repeats = one.repeats_in_time
    if repeats is None:
        assert one.error == pytest.approx(0, abs=1e-12 * delay)
        return
    before, after = np.abs(tempo.grid_offset(delay, one.wanted_delay, [repeats, repeats + 1.0]))
    assert before <= one.threshold * (1 + 1e-9)
    assert after >= one.threshold * (1 - 1e-9)


@given(st.floats(0.02, 0.5), st.floats(0.02, 0.8), tempos, notes)
def test_every_exact_change_is_exact(spacing, speed, bpm, note):
    changes = tempo.exact_changes(tempo.fit(spacing / speed, bpm, note), spacing=spacing, speed=speed)
    for new_spacing, new_speed, new_bpm in (
        (changes.spacing, speed, bpm),
        (spacing, changes.speed, bpm),
        (spacing, speed, changes.bpm),
    ):
        assert tempo.fit(new_spacing / new_speed, new_bpm, note).error_percent == pytest.approx(0, abs=1e-9)


@given(st.floats(1, 1e4), st.floats(0.01, 5), st.booleans())
def test_drift_and_its_duration_are_inverses(duration, error_percent, early):
    error_percent = -error_percent if early else error_percent
    drift = tempo.take_drift(duration, error_percent)
    assert tempo.duration_from_drift(drift, error_percent) == pytest.approx(duration, rel=1e-12)


@given(delays, st.floats(-5, 5), st.integers(1, 1000))
def test_drift_over_a_take_is_the_grid_offset_of_its_repeats(wanted_delay, error_percent, repeats):
    delay = wanted_delay * (1 + error_percent / 100)
    offset = tempo.grid_offset(delay, wanted_delay, repeats)
    drift = tempo.take_drift(repeats * wanted_delay, error_percent)
    assert drift == pytest.approx(offset, rel=1e-6, abs=1e-9 * repeats)


@given(st.floats(1, 20))
def test_hearing_more_intervals_never_makes_ears_worse(intervals):
    fewer, more = tempo.tempo_threshold([intervals, intervals + 0.5])
    assert 0.03 <= more <= fewer <= 0.06
