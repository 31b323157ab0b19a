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
def test_the_first_fit_is_the_least_audible_but_for_a_threshold_that_a_plain_note_is_worth(delay, bpm):
    first, *others = tempo.nearest_fits(delay, bpm)
    for one in others:
        worth = {(True, False): 1.0, (False, True): -1.0}.get((first.note.plain, one.note.plain), 0.0)
        assert first.audibility <= one.audibility + worth + 2e-9


errors, doubts = st.floats(-0.05, 0.05), st.floats(1e-4, 0.02)


@given(errors, doubts, st.floats(0.006, 0.05), st.integers(1, 12))
def test_the_chance_is_the_share_of_the_normal_distribution_outside(error, u_delay, threshold, repeat):
    # By adding up the bell curve in small steps, without an error function.
    z = np.linspace(-9, 9, 36_001)
    bell = np.exp(-(z**2) / 2)
    outside = bell[np.abs(repeat * (error + u_delay * z)) > threshold].sum() / bell.sum()
    assert tempo.chance_heard(error, u_delay, threshold, repeat) == pytest.approx(outside, abs=1e-3)


@given(errors, doubts, st.floats(0.006, 0.05), st.integers(1, 12))
def test_later_repeats_and_larger_errors_are_never_less_likely_heard(error, u_delay, threshold, repeat):
    chance = tempo.chance_heard(error, u_delay, threshold, repeat)
    assert 0 <= chance <= 1
    assert tempo.chance_heard(error, u_delay, threshold, repeat + 1) >= chance - 1e-12
    assert tempo.chance_heard(1.1 * error, u_delay, threshold, repeat) >= chance - 1e-12
    assert tempo.chance_heard(-error, u_delay, threshold, repeat) == pytest.approx(chance, abs=1e-12)


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
        (spacing + changes.spacing_change.value, speed, bpm),
        (spacing, changes.speed, bpm),
        (spacing, speed * (1 + changes.speed_change_percent.value / 100), bpm),
        (spacing, speed, changes.bpm.value),
    ):
        assert tempo.fit(new_spacing / new_speed, new_bpm, note).error_percent == pytest.approx(0, abs=1e-9)


@given(
    st.floats(0.02, 0.5),
    st.floats(0.02, 0.8),
    tempos,
    notes,
    *[st.floats(-1.9, 1.9)] * 2,
    st.floats(0, 0.01),
    st.floats(0, 0.01),
)
def test_what_would_be_exact_lies_within_the_intervals(
    spacing, speed, bpm, note, off_delay, off_speed, part_delay, part_speed
):
    """A machine that is off by less than two uncertainties, as it is planned and as it really is."""
    delay = spacing / speed
    u_delay, u_speed = part_delay * delay, part_speed * speed
    real_delay, real_speed = delay + off_delay * u_delay, speed + off_speed * u_speed
    planned = tempo.exact_changes(
        tempo.fit(delay, bpm, note), spacing=spacing, speed=speed, u_delay=u_delay, u_speed=u_speed
    )
    wanted = tempo.delay_from_tempo(bpm, note.beats)
    slack = 1e-9 + 2 * 1.9**2 * (part_delay + part_speed) ** 2  # what the first order leaves out
    for change, really, size in (
        (planned.spacing_change, (wanted - real_delay) * real_speed, (wanted + delay) * speed),
        (planned.speed_change_percent, 100 * (real_delay / wanted - 1), 100 * delay / wanted),
        (planned.bpm, tempo.tempo_from_delay(real_delay, note.beats), planned.bpm.value),
    ):
        assert abs(really - change.value) <= change.plus_minus + slack * size


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
