"""What an echo is judged as, and what forces and reels do, through the whole plan and into the sound."""

import pytest
from flat_machines import ONE_HEAD, THREE_HEADS, flat_machine

from tapecalc.machine import example_machine, with_changes
from tapecalc.plan import make_plan
from tapecalc.sound.render import echo_settings


def test_every_verdict_of_a_plan_takes_the_threshold_that_was_chosen():
    # 220, 440 and 880 ms at 66 bpm are 7.27, 14.55 and 29.09 ms early: in a pulse heard from 6, 11.36 and
    # 22.73 ms, as a soft line from 35.
    pulse = make_plan(flat_machine(THREE_HEADS))
    line = make_plan(with_changes(pulse.machine, {"song.judged_as": "soft line"}))
    assert {one.fit.threshold for one in line.tempos} == {0.035}
    assert [plan.together.before.in_time for plan in (pulse, line)] == [0, 3]
    assert [plan.set_change.before.in_time for plan in (pulse, line)] == [0, 1]
    assert [plan.songs[0][0].fit.audible for plan in (pulse, line)] == [True, False]
    assert pulse.machine.timing_threshold is None and line.machine.timing_threshold == 0.035


def test_a_wobble_by_force_is_fourfold_at_half_the_speed_in_pitch_and_level():
    round_one = make_plan(example_machine())
    forced = make_plan(with_changes(example_machine(), {"parts.1.by_force": True}))
    pairs = [(a, b) for a, b in zip(round_one.wobble, forced.wobble, strict=True) if a.part == "capstan"]
    assert [b.deviation / a.deviation for a, b in pairs] == pytest.approx([1, 4])
    assert pairs[0][0] == pairs[0][1] and pairs[1][1].shimmer_db > 3 * pairs[1][0].shimmer_db


def test_only_a_tape_on_reels_has_turns_that_change():
    on_reels = make_plan(flat_machine(ONE_HEAD)).wobble
    looped = make_plan(flat_machine(ONE_HEAD.replace("length_m = 549", "loop_length_m = 2"))).wobble
    assert {row.part for row in on_reels if row.over_reel} == {"reel"}
    assert not any(row.over_reel for row in looped)


def test_a_force_shakes_the_rendered_tape_too():
    machine = with_changes(example_machine(), {"parts.1.by_force": True})
    for speed, wobble in zip(machine.speeds, (0.0006, 0.0024), strict=True):
        assert echo_settings(machine, speed).motion.wobbles[0][0] == pytest.approx(wobble)
