"""The number of repeats is one: in plan, figure, pattern of echoes, and counted from rendered samples.

A ping of 10 ms at 1 kHz is played through the machine without what hides it: flutter, hiss and the tape's
limit. The detector takes the peak of its envelope within 10 ms of each answer. The first answer is repeat 1,
levels count from it, and what is not below the level is heard; where samples are 0.05 dB short of it, it is a
tie.
"""

import numpy as np
import pytest
from flat_machines import MEASURED, ONE_HEAD, THREE_HEADS, flat_machine
from scipy.signal import hilbert

from tapecalc.machine import example_machine, with_changes
from tapecalc.plan import echo_pattern, make_plan
from tapecalc.plot.loop import decay_of_repeats
from tapecalc.report.plan_text import headlines, tables
from tapecalc.sound.render import render

RATE = 48_000
PING_HZ, PING_S, WINDOW_S = 1000, 0.010, 0.010
TIE_DB = 0.05


def answers_db(machine, times):
    """Level of the rendered answers to a ping, so long after it, in dB from the first."""
    t = np.arange(int(PING_S * RATE)) / RATE
    ping = 0.1 * np.sin(np.pi * t / PING_S) ** 2 * np.sin(2 * np.pi * PING_HZ * t)
    without = ["flutter", "hiss", "saturation"]
    wet = render(ping, RATE, machine, without=without, seconds=times[-1] + 2 * PING_S).wet
    envelope = np.abs(hilbert(wet, 1 << (wet.size - 1).bit_length())[: wet.size])
    edges = np.round((np.array(times)[:, None] + PING_S / 2 + [-WINDOW_S, WINDOW_S]) * RATE).astype(int)
    peaks = np.array([envelope[low : high + 1].max() for low, high in edges])
    return 20 * np.log10(peaks / peaks[0])


def counted(machine):
    """How many repeats of one head are heard in the rendered sound."""
    plan = make_plan(machine)
    times = plan.delays[0].delay * np.arange(1, 14)
    return int(np.sum(answers_db(machine, times) >= machine.song.faded_db - TIE_DB))


def told(machine):
    """The number of repeats as everything else tells it."""
    plan = make_plan(machine)
    loop = plan.loops[0]
    _, amplitudes = echo_pattern(
        machine,
        loop.speed,
        longest=13.5 * plan.delays[0].delay,
        faintest_db=loop.first_repeat_db + machine.song.faded_db,
    )
    drawn = decay_of_repeats(machine=machine)
    (rows,) = (table.rows for table in tables(plan) if table.key == "repeats")
    assert f" {loop.repeats} repeat" in next(said for said in headlines(plan) if "heard down to" in said)
    assert f" {loop.repeats} repeat" in drawn.caption
    assert loop.gone_in == pytest.approx(loop.repeats * plan.delays[0].delay)
    return {loop.repeats, amplitudes.size, int(rows[0][2]), drawn.artists["decays"][0].get_xdata().size}


# Down to -30 dB from the first answer: at -30/n dB a round repeat n + 1 stands at -30 dB and counts.
TIES = [(-30.0, 2), (-15.0, 3), (-10.0, 4), (-7.5, 5), (-6.0, 6), (-5.0, 7), (-3.0, 11)]


@pytest.mark.parametrize(("tie_db", "at_tie"), TIES)
@pytest.mark.parametrize(("off_db", "fewer"), [(0.0, 0), (0.2, 0), (-0.2, 1)])
def test_every_place_tells_the_number_that_the_samples_give(tie_db, at_tie, off_db, fewer):
    # 0.2 dB more are not enough for one more: from -3 to -30/11 = -2.73 dB it takes 0.27.
    machine = with_changes(flat_machine(ONE_HEAD), {"mixer.return_send_db": tie_db + off_db, "songs": []})
    assert told(machine) == {at_tie - fewer}
    assert counted(machine) == at_tie - fewer


@pytest.mark.parametrize("send_db", [-6.0, -7.0, -9.0, -12.0, -20.0, -40.0])
def test_the_bench_deck_repeats_as_often_as_its_sound(send_db):
    machine = with_changes(example_machine(), {"mixer.return_send_db": send_db})
    assert told(machine) == {counted(machine)}


@pytest.mark.parametrize("changes", [{}, {"song.faded_db": -20.0}, {"playback_heads.1.inverted": True}])
def test_a_measured_delay_an_other_level_and_a_turned_head_change_nothing(changes):
    machine = with_changes(flat_machine(MEASURED), changes)
    assert told(machine) == {counted(machine)}


def sound_of(machine):
    """When the last answer of several heads is heard in the sound, and in everything else."""
    plan = make_plan(machine)
    step = plan.delays[0].delay  # all delays are whole numbers of it
    levels_db = answers_db(machine, step * np.arange(1, 40))
    last = step * (1 + np.flatnonzero(levels_db >= machine.song.faded_db - TIE_DB)[-1])
    (rows,) = (table.rows for table in tables(plan) if table.key == "repeats")
    drawn = decay_of_repeats(machine=machine)
    assert plan.loops[0].repeats is None
    assert rows[0][2] == f"{last:.2f} s"
    assert drawn.artists["decays"][0].get_xdata()[-1] == pytest.approx(last)
    assert f"a sound is heard for {last:.2f} s" in " ".join(headlines(plan))
    return last, plan.loops[0].gone_in


@pytest.mark.parametrize("send_db", [-8.0, -10.0, -14.0, -30.0])
@pytest.mark.parametrize("inverted", [False, True])
def test_the_last_answer_of_several_heads_is_told_as_it_sounds(send_db, inverted):
    changes = {"mixer.return_send_db": send_db, "playback_heads.2.inverted": inverted, "songs": []}
    sounded, planned = sound_of(with_changes(flat_machine(THREE_HEADS), changes))
    assert planned == pytest.approx(sounded)
