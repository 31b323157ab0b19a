"""A head of opposite polarity: file, plan, echoes, workbench, picture and sound agree about its sign."""

import numpy as np
import pytest

from tapecalc.calc.loop import loop_gain
from tapecalc.course.workbench import Workbench
from tapecalc.machine import machine_from_text, machine_to_text
from tapecalc.plan import echo_pattern, make_plan
from tapecalc.plot.loop import runaway_frequency
from tapecalc.report.plan_text import headlines
from tapecalc.sound.render import render

RATE = 48_000
#: A machine without losses, so that every sound of it can be reckoned by hand.
IDEAL = (
    "transport.speeds_cm_s = [20]\nsong.bpm = 60\nmixer.return_send_db = -6.020599913\n"
    "heads = {gap_um = 0, spacing_loss_um = 0, aligned_spacing_loss_um = 0, low_cut_hz = 0, "
    "treble_boost_db = 0, pole_length_mm = 0}\ntape.coating_thickness_um = 1e-6\n"
)


def machine(*heads):
    """A machine with heads at so many mm, those below 0 inverted."""
    each = (f"{{spacing_mm = {abs(mm)}, inverted = {str(mm < 0).lower()}}}" for mm in heads)
    return machine_from_text(f"{IDEAL}playback_heads = [{', '.join(each)}]")


def rendered(machine, times):
    """What the machine plays of one short bell, at those times after it."""
    bell = np.exp(-0.5 * ((np.arange(2400) / RATE - 0.02) / 0.002) ** 2) * 0.01
    take = render(bell, RATE, machine, without=["flutter", "hiss", "saturation"], seconds=0.03 + times[-1])
    return take.wet[np.round((times + 0.02) * RATE).astype(int)] / 0.01


def test_the_sign_is_in_the_file_and_in_the_one_carrier_of_heads():
    both = machine(40, -80)
    assert machine_from_text(machine_to_text(both)) == both
    assert both.heads_at(0.2).gains == (1, -1)
    assert both.echo_loop(0.2).heads.return_gains == (1, -1)
    assert "playback_heads[1].inverted" not in [key for key, _, _ in both.assumed]


@pytest.mark.parametrize("heads", [(-40,), (40, -75), (-40, 75), (-40, -80)])
def test_the_pattern_is_what_is_rendered(heads):
    times, amplitudes = echo_pattern(machine(*heads), 0.2, longest=1.0)
    assert len(times) > 3 and np.any(amplitudes < 0)
    np.testing.assert_allclose(rendered(machine(*heads), times), amplitudes, atol=0.003)


def test_one_inverted_head_turns_every_second_repeat_over():
    (_, plain), (_, turned) = (echo_pattern(machine(mm), 0.2, longest=1.0) for mm in (40, -40))
    np.testing.assert_allclose(turned, plain * [-1, 1, -1, 1, -1])


@pytest.mark.parametrize(("mm", "turns"), [(40, 0.0), (-40, 0.5)])
def test_plan_picture_and_workbench_name_the_frequency_that_comes_back_in_phase(mm, turns):
    turned = machine(mm)
    plan, echo = make_plan(turned), turned.echo_loop(0.2)
    start = plan.loops[0].stability.frequency
    assert (start * 0.2) % 1 == pytest.approx(turns, abs=1e-6)
    assert loop_gain(echo, start) == pytest.approx(0.5, abs=1e-6)
    assert f" at {max(start, 1e-3):.2g} Hz" in runaway_frequency(loop=echo).caption
    panel = Workbench(turned)
    assert panel.table["margin"].startswith(f"{plan.loops[0].stability.margin_db:.1f} dB, would start at ")
    assert f"{plan.loops[0].repeats} repeats" in panel.readout
    assert f"{plan.loops[0].repeats} repeats" in headlines(plan)[-1]
