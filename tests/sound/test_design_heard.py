"""The inverse design, heard: its answer is rendered, and its onsets are measured on the sound."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import find_peaks

from tapecalc.calc.head_design import MechanicalLimits, design_heads
from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine
from tapecalc.sound.render import echo_settings, render
from tapecalc.sound.signals import click

RATE = 48_000
MACHINE = example_machine()
FAST, SLOW = MACHINE.speeds
ALLOWED = 0.2e-3  # s, between the sound and the plan
CLOSEST = 0.02  # s, below the smallest distance of two answers in these tests

CASES = {
    # rhythm in beats, slowest and fastest tempo, speeds, longest path
    "three heads, the slow tape must serve": ((0.5, 0.75, 1.0), (76, 76), (FAST, SLOW), 0.140),
    "three heads on the fast tape": ((0.5, 0.75, 1.0), (76, 76), (FAST,), 0.160),
    "triplets over a range of tempos": ((1 / 3, 2 / 3, 1.0), (88, 92), (FAST, SLOW), 0.140),
    "six heads": ((0.25, 0.5, 0.75, 1.0, 1.5, 2.0), (100, 100), (FAST, SLOW), 0.300),
}


def heard_onsets(layout, speed):
    """When the answers come after the click, in s, found as the loud points of the rendered echo."""
    levels = tuple(0.9 ** np.arange(len(layout.spacings)))
    heads = Heads(spacings=layout.spacings, gains=levels)
    settings = replace(echo_settings(MACHINE, speed), heads=heads, return_gain=0.0)
    snap = click(0.1, RATE)
    seconds = 0.2 + max(layout.spacings) / speed
    wet = np.abs(render(snap, RATE, settings, without=["flutter", "hiss"], seconds=seconds).wet)
    loud, _ = find_peaks(wet, height=0.3 * wet.max(), distance=round(CLOSEST * RATE))
    left, middle, right = wet[loud - 1], wet[loud], wet[loud + 1]
    between = (left - right) / (2 * (left - 2 * middle + right))  # top of the parabola through three points
    return (loud + between - np.argmax(snap)) / RATE


@pytest.mark.parametrize(("rhythm", "tempos", "speeds", "longest"), CASES.values(), ids=CASES)
def test_the_designed_rhythm_is_heard_where_it_was_planned(rhythm, tempos, speeds, longest):
    limits = MechanicalLimits(first=0.030, pitch=0.018, longest=longest, ruler_step=0.001)
    plan = design_heads(rhythm, tempos, speeds, limits)
    for bpm in {*tempos}:
        speed = plan.best_speed(bpm)
        heard = heard_onsets(plan.layout, speed)
        assert heard.size == len(rhythm)
        # two roads: positions over speed, and the score plus the errors that the plan admits
        assert heard == pytest.approx(np.array(plan.layout.spacings) / speed, abs=ALLOWED)
        score = np.array(rhythm) * 60 / bpm
        assert heard == pytest.approx(score + plan.errors(bpm, speed), abs=ALLOWED)
        assert np.max(np.abs(heard - score)) <= plan.worst_error + ALLOWED


def test_a_head_one_ruler_step_off_the_plan_is_heard():
    limits = MechanicalLimits(first=0.030, pitch=0.018, longest=0.140, ruler_step=0.001)
    plan = design_heads((0.5, 0.75, 1.0), (76, 76), (SLOW,), limits)
    first, second, third = plan.layout.spacings
    moved = replace(plan.layout, spacings=(first, second + limits.ruler_step, third))
    off = heard_onsets(moved, SLOW) - plan.layout.delays(SLOW)
    assert off == pytest.approx([0, limits.ruler_step / SLOW, 0], abs=ALLOWED)
    assert off[1] > 50 * ALLOWED
