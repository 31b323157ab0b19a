"""Scaling, bounds and limits of the design of head layouts."""

from dataclasses import replace

import numpy as np
import pytest
from head_layouts import random_layouts, worst_error
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


@settings(max_examples=30)
@given(rhythms, tempo_ranges, speed_sets, limits, st.integers(0, 1000))
def test_no_random_layout_beats_the_design_which_keeps_the_limits(beats, tempos, speeds, within, seed):
    design = head_design.design_heads(beats, tempos, speeds, within)
    positions = np.array(design.layout.spacings)
    assert positions[0] >= within.first - 1e-9
    assert positions[-1] <= within.longest + 1e-9
    assert np.all(np.diff(positions) >= within.pitch - 1e-9)
    assert worst_error(positions, beats, tempos, speeds) == pytest.approx(design.worst_error, abs=1e-12)
    if within.ruler_step is not None:
        others = random_layouts(within, len(beats), 300, seed=seed)
        assert worst_error(others, beats, tempos, speeds).min() >= design.worst_error - 1e-9


@settings(max_examples=10)
@given(rhythms, tempo_ranges, speed_sets, st.sampled_from([0.5, 2.0, 4.0]))
def test_the_worst_error_does_not_change_when_limits_and_speeds_grow_alike(beats, tempos, speeds, factor):
    within = {"first": 0.03, "pitch": 0.02, "longest": 0.5, "ruler_step": 0.001}
    here = head_design.design_heads(beats, tempos, speeds, MechanicalLimits(**within))
    larger = MechanicalLimits(**{name: factor * value for name, value in within.items()})
    there = head_design.design_heads(beats, tempos, [factor * v for v in speeds], larger)
    assert there.worst_error == pytest.approx(here.worst_error, abs=1e-9)


@settings(max_examples=20)
@given(rhythms, tempo_ranges, speed_sets, st.floats(0.05, 0.8), limits)
def test_more_speeds_a_smaller_range_or_wider_limits_never_make_it_worse(
    beats, tempos, speeds, another, within
):
    error = head_design.design_heads(beats, tempos, speeds, within).worst_error
    middle = (sum(tempos) / 2, tempos[1])
    wider = replace(within, longest=2 * within.longest)
    for easier in (([*speeds, another], tempos, within), (speeds, middle, within), (speeds, tempos, wider)):
        chosen, played, room = easier
        assert head_design.design_heads(beats, played, chosen, room).worst_error <= error + 2e-9


@settings(max_examples=10)
@given(rhythms, tempo_ranges, speed_sets, limits)
def test_an_error_is_allowed_exactly_down_to_the_smallest_one(beats, tempos, speeds, within):
    error = head_design.design_heads(beats, tempos, speeds, within).worst_error
    design = head_design.design_heads(beats, tempos, speeds, within, allowed_error=error)
    assert design.worst_error == error
    if error > 1e-6:
        with pytest.raises(InfeasibleLayout):
            head_design.design_heads(beats, tempos, speeds, within, allowed_error=0.999 * error - 1e-9)
