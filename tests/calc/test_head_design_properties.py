"""Scaling, bounds and limits of the design of head layouts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapecalc.calc import head_design
from tapecalc.calc.head_design import InfeasibleLayout, MechanicalLimits

NOTES = (0.25, 1 / 3, 0.5, 2 / 3, 0.75, 1.0, 1.5, 2.0)
rhythms = st.sets(st.sampled_from(NOTES), min_size=1, max_size=6).map(sorted)
tempo_ranges = st.tuples(st.floats(50, 160), st.floats(1, 1.5)).map(lambda pair: (pair[0], pair[0] * pair[1]))
speed_sets = st.lists(st.floats(0.05, 0.8), min_size=1, max_size=4)
limits = st.builds(
    MechanicalLimits,
    first=st.floats(0.01, 0.06),
    pitch=st.floats(0.005, 0.03),
    longest=st.floats(0.25, 0.6),
    ruler_step=st.sampled_from([None, 0.0005, 0.001, 0.01]),
)
factors = st.floats(0.2, 5)


@given(rhythms, tempo_ranges, speed_sets, factors, st.integers(0, 100))
def test_the_worst_error_does_not_change_with_that_factor_either(beats, tempos, speeds, factor, seed):
    positions = np.sort(np.random.default_rng(seed).uniform(0.02, 0.5, len(beats)))
    here = head_design.worst_timing_error(positions, beats, tempos, speeds)
    there = head_design.worst_timing_error(factor * positions, beats, tempos, [factor * v for v in speeds])
    assert there == pytest.approx(here, rel=1e-9, abs=1e-12)


@given(rhythms, tempo_ranges, speed_sets, st.floats(0.05, 0.8), st.integers(0, 100))
def test_one_more_speed_or_a_smaller_range_never_makes_it_worse(beats, tempos, speeds, another, seed):
    positions = np.sort(np.random.default_rng(seed).uniform(0.02, 0.5, len(beats)))
    error = head_design.worst_timing_error(positions, beats, tempos, speeds)
    assert error >= 0
    assert head_design.worst_timing_error(positions, beats, tempos, [*speeds, another]) <= error + 1e-12
    middle = sum(tempos) / 2
    assert head_design.worst_timing_error(positions, beats, (middle, tempos[1]), speeds) <= error + 1e-12


@given(rhythms, st.floats(50, 160), st.floats(0.05, 0.8), st.integers(0, 100))
def test_one_tempo_and_one_speed_leave_the_largest_timing_error(beats, bpm, speed, seed):
    positions = np.sort(np.random.default_rng(seed).uniform(0.02, 0.5, len(beats)))
    errors = head_design.timing_errors(positions, beats, bpm, speed)
    assert head_design.worst_timing_error(positions, beats, (bpm, bpm), [speed]) == pytest.approx(
        np.max(np.abs(errors)), abs=1e-12
    )


@settings(max_examples=30)
@given(rhythms, tempo_ranges, speed_sets, limits, st.integers(0, 1000))
def test_no_random_layout_beats_the_design_which_keeps_the_limits(beats, tempos, speeds, within, seed):
    design = head_design.design_heads(beats, tempos, speeds, within)
    positions = np.array(design.layout.spacings)
    assert positions[0] >= within.first - 1e-9
    assert positions[-1] <= within.longest + 1e-9
    assert np.all(np.diff(positions) >= within.pitch - 1e-9)
    assert head_design.worst_timing_error(positions, beats, tempos, speeds) == pytest.approx(
        design.worst_error, abs=1e-12
    )
    if within.ruler_step is not None:
        others = head_design.random_layouts(within, len(beats), 300, seed=seed)
        assert (
            head_design.worst_timing_error(others, beats, tempos, speeds).min() >= design.worst_error - 1e-9
        )


@settings(max_examples=20)
@given(rhythms, tempo_ranges, speed_sets, limits)
def test_lifting_a_limit_never_makes_the_design_worse(beats, tempos, speeds, within):
    error = head_design.design_heads(beats, tempos, speeds, within).worst_error
    costs = head_design.errors_without_each_limit(beats, tempos, speeds, within)
    assert all(cost <= error + 2e-9 for cost in costs.values())
    assert costs["all"] <= min(costs.values()) + 2e-9


@settings(max_examples=10)
@given(rhythms, tempo_ranges, speed_sets, limits)
def test_an_error_is_allowed_exactly_down_to_the_smallest_one(beats, tempos, speeds, within):
    error = head_design.design_heads(beats, tempos, speeds, within).worst_error
    design = head_design.design_heads(beats, tempos, speeds, within, allowed_error=error)
    assert design.worst_error == error
    if error > 1e-6:
        with pytest.raises(InfeasibleLayout):
            head_design.design_heads(beats, tempos, speeds, within, allowed_error=0.999 * error - 1e-9)


@given(st.integers(1, 8), limits.filter(lambda found: found.ruler_step), st.integers(0, 1000))
def test_random_layouts_keep_the_limits(count, within, seed):
    found = head_design.random_layouts(within, count, 50, seed=seed)
    assert found.shape == (50, count)
    assert found.min() >= within.first - 1e-9
    assert found.max() <= within.longest + 1e-9
    assert count == 1 or np.diff(found, axis=1).min() >= within.pitch - 1e-9
