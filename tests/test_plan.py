"""The plan says what the calculators say."""

import functools
import subprocess
import sys

import numpy as np
import pytest
from flat_machines import CASSETTE, CLOSED_LOOP, MEASURED, ONE_HEAD, THREE_HEADS, flat_machine
from machines import MACHINES

from tapecalc.calc.flutter import usual_shimmer_db
from tapecalc.calc.loop import crowd_settling_level, settling_level, stability
from tapecalc.machine import (
    SENDS_DB,
    MachineFileError,
    example_machine,
    machine_from_options,
    machine_from_text,
    with_changes,
)
from tapecalc.plan import MOST_PASSES, echo_pattern, is_cassette, make_plan
from tapecalc.plot.catalog import draw

LOSSLESS = (
    "heads = {gap_um = 0, spacing_loss_um = 0, aligned_spacing_loss_um = 0, low_cut_hz = 0, "
    "treble_boost_db = 0, pole_length_mm = 0}\ntape.coating_thickness_um = 1e-6\n"
)
ALIKE = ", ".join(f"{{spacing_mm = {spacing}}}" for spacing in (40, 70, 90, 130))


@functools.cache
def planned(text):
    """Plan one of the flat machines."""
    return make_plan(flat_machine(text))


@pytest.fixture(scope="module")
def plan():
    return make_plan(example_machine())


def test_every_speed_and_head_has_a_delay():
    machine = machine_from_options(spacings_mm=[80, 40], speeds_cm_s=[19.05, 9.525])
    delays = make_plan(machine).delays
    assert [(round(100 * d.speed, 3), d.head) for d in delays] == [
        (19.05, 1),
        (19.05, 2),
        (9.525, 1),
        (9.525, 2),
    ]
    assert [d.delay for d in delays] == pytest.approx([0.04 / 0.1905, 0.08 / 0.1905, 0.4199475, 0.839895])


def test_best_fit_is_the_nearest_everyday_note(plan):
    # 217.85 ms are 20.48 more than a sixteenth at 76 bpm, 3.4 thresholds of 6 ms; twice that are 40.96 more
    # than an eighth, 4.2 of 9.87 ms.
    assert [(one.delay.speed, one.fit.note.name) for one in plan.tempos] == [
        (0.1905, "sixteenth"),
        (0.09525, "eighth"),
    ]
    sixteenth = 60 / 76 / 4
    assert plan.tempos[0].fit.error_percent == pytest.approx(100 * (0.0415 / 0.1905 / sixteenth - 1))


def test_a_wished_note_is_the_one_that_is_planned():
    plan = make_plan(flat_machine(ONE_HEAD), bpm=75, note="eighth triplet")
    assert [one.fit.note.name for one in plan.tempos] == ["eighth triplet"] * 2
    # It lasts 20/75 s = 266.67 ms: 66.67 early with a threshold of 6.67, 133.33 late.
    assert [one.fit.error for one in plan.tempos] == pytest.approx([-0.2 / 3, 0.4 / 3])
    assert plan.machine.song.note == "eighth triplet"


def test_each_of_the_four_changes_makes_the_fit_exact(plan):
    for one in plan.tempos:
        wanted = 60 / 76 * one.fit.note.beats
        assert one.changes.spacing / one.delay.speed == pytest.approx(wanted)
        assert one.delay.spacing / one.changes.speed == pytest.approx(wanted)
        assert 60 / one.changes.bpm.value * one.fit.note.beats == pytest.approx(one.delay.delay)
        turned = (one.changes.sleeve_diameter.value + 35e-6) / (8e-3 + 35e-6)
        assert turned == pytest.approx(one.changes.speed / one.delay.speed)


def test_repeats_follow_the_loop_gain(plan):
    first = plan.loops[0]
    assert first.gain_db == pytest.approx(-6.1, abs=0.05)
    assert first.repeats == 5  # the fifth stands at 4 * -6.1 = -24.4 dB, the sixth at -30.5 dB
    assert first.gone_in == pytest.approx(5 * 0.0415 / 0.1905)
    assert first.stability.stable


@pytest.mark.parametrize("wish", [1, 2, 3, 5, 9, 30, 200])
def test_the_send_for_a_wish_gives_the_wish(plan, wish):
    # Without poles: 200 repeats, 0.15 dB a round, are nearer to the edge than any bump is small.
    machine = with_changes(plan.machine, {"heads.pole_length_mm": 0.0})
    wished = make_plan(machine, repeats=wish, speeds=[0.1905], tone_of=[1])
    send_db = wished.loops[0].return_send_db
    again = make_plan(with_changes(machine, {"mixer.return_send_db": send_db}), speeds=[0.1905], tone_of=[1])
    assert again.loops[0].repeats == wish
    # In the middle of what gives it: half a repeat from either neighbor.
    assert -30 / again.loops[0].gain_db == pytest.approx(wish - 0.5)


def test_only_a_send_that_can_be_set_is_advised():
    for end_db, beyond in zip(SENDS_DB, (-0.1, 0.1), strict=True):
        assert with_changes(example_machine(), {"mixer.return_send_db": end_db})
        with pytest.raises(MachineFileError):
            with_changes(example_machine(), {"mixer.return_send_db": end_db + beyond})

    def advised(level_db, wish, faded_db):
        changes = {"playback_heads.1.level_db": level_db, "song.faded_db": faded_db}
        return make_plan(with_changes(flat_machine(CASSETTE), changes), repeats=wish).loops[0].return_send_db

    assert advised(-30.0, 3, -30.0) == pytest.approx(18)  # -30/2.5 = -12 of a head 30 dB down
    assert advised(-33.0, 3, -30.0) == 20  # +21 is the middle, and -13 dB once round give 3 as well
    assert advised(-36.0, 3, -30.0) is None  # -16 dB give 2
    assert advised(0.0, 1, -40.0) == pytest.approx(-80)
    assert advised(0.0, 1, -50.0) == -90  # fully down, which is 90 dB and more below -50
    assert advised(0.0, 1, -95.0) is None  # the second stands at -90


def test_a_song_without_a_tempo_still_gets_its_delays():
    plan = make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]))
    assert plan.tempos == ()
    assert len(plan.delays) == len(plan.liked_tempos) == 1


def test_tempo_and_repeats_may_be_given_apart_from_the_file():
    plan = make_plan(example_machine(), bpm=90, repeats=9)
    assert (plan.bpm, plan.wanted_repeats) == (90, 9)
    assert plan.loops[0].tone[-1].repeat == 9


@pytest.mark.parametrize("kind", [{"bpm": 0}, {"bpm": 1e4}, {"repeats": 0}, {"repeats": 2.5}])
def test_a_tempo_or_a_wish_that_makes_no_sense_is_refused(kind):
    with pytest.raises(ValueError, match="song.bpm must be|repeats must be a whole number from 1 to 200"):
        make_plan(example_machine(), **kind)


def test_a_loop_that_runs_away_is_planned_and_said():
    plan = planned(CASSETTE)
    assert plan.runs_away
    one = plan.loops[0]
    assert one.repeats is None and one.gone_in is None and one.snr_db is None and one.piled_up_db is None
    assert (one.gain_db, one.stability.margin_db) == pytest.approx((2, -2))
    assert one.growth_db_per_s == pytest.approx(2 / (0.005 / 0.0476))
    # The tape is full 4 + 4 + 2.144 + 4.824 dB above 0 dBu, as its reference is 250 and not 320 nWb/m. A
    # crowd: x = 10^(2/20) tanh x at 0.9045, a wave with flat tops as strong as a sine of sqrt(2) x, 2 dB less
    # of it on the tape: 14.968 + 20 log10(1.2792) - 2. One tone: 2/(pi A) times the integral of
    # tanh(A sin u) sin u over half a turn is 10^(-2/20) at A = 1.0608.
    assert one.settles_dbu == pytest.approx((13.481, 15.107), abs=0.002)


def test_several_heads_grow_by_their_true_pole():
    # 42 and 168 mm at 20 cm/s: 0.21 and 0.84 s, at +2 dB each. 1 = 1.2589 (x + x^4) at x = 0.6334 in 0.21 s:
    # 8.686 * -ln(0.6334) / 0.21 = 18.89 dB a second; all at once 8 dB in the shorter would be 38.
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = 2\n{LOSSLESS}"
        "playback_heads = [{spacing_mm = 42}, {spacing_mm = 168}]"
    )
    one = make_plan(machine).loops[0]
    assert one.growth_db_per_s == pytest.approx(18.89, abs=0.01)
    assert one.gain_db == pytest.approx(2 + 20 * np.log10(2))
    assert one.gone_in is None and one.repeats is None


def test_a_runaway_of_many_heads_has_no_end():
    # Of 6.3 dB 6 are lost where the heads are in phase: a little beyond the edge, where what is heard within
    # some seconds does not tell that it never ends.
    machine = with_changes(flat_machine(THREE_HEADS), {"mixer.return_send_db": 6.3})
    for one in make_plan(machine).loops:
        assert one.stability.margin_db == pytest.approx(-0.3)
        assert one.gone_in is None and one.repeats is None


def test_a_loop_that_is_stable_only_by_its_phases_is_planned():
    # Both heads at once would be 3.53 - 3 = 0.53 dB, what comes back in phase is -6 - 3 = -9 dB: nothing that
    # counts on the loudest can be told, but there is an end.
    one = make_plan(with_changes(flat_machine(THREE_HEADS), {"mixer.return_send_db": -3.0})).loops[0]
    assert one.gain_db == pytest.approx(0.5287, abs=1e-3) and one.stability.margin_db == pytest.approx(9)
    assert one.snr_db is None and one.piled_up_db is None and one.settles_dbu is None
    assert one.growth_db_per_s is None and one.gone_in is not None and one.stability.stable


def test_an_ideal_machine_exactly_at_the_edge_is_planned():
    machine = machine_from_text(
        "transport.speeds_cm_s = [19.05]\nplayback_heads = [{spacing_mm = 40}]\nmixer.return_send_db = 0\n"
        + LOSSLESS
    )
    one = make_plan(machine).loops[0]
    assert not one.stability.stable
    assert one.settles_dbu is None and one.repeats is None and one.snr_db is None
    assert one.tone[0].low is None


def test_a_little_below_the_edge_is_stable_and_a_little_above_is_not():
    edge = (
        3.0
        + make_plan(with_changes(example_machine(), {"mixer.return_send_db": 3.0}))
        .loops[0]
        .stability.margin_db
    )
    below, above = (
        make_plan(with_changes(example_machine(), {"mixer.return_send_db": edge + step}))
        for step in (-0.01, 0.01)
    )
    assert below.loops[0].stability.stable
    assert not above.loops[0].stability.stable


def test_repeats_get_darker_and_noisier(plan):
    for one in plan.loops:
        highs = [row.high for row in one.tone]
        assert highs == sorted(highs, reverse=True)
        assert list(one.snr_db) == sorted(one.snr_db, reverse=True)


def test_planning_twice_gives_the_same_plan(plan):
    assert make_plan(example_machine()) == plan


def test_one_head_echoes_at_equal_steps_each_lower_by_the_loop_gain(plan):
    times, amplitudes = echo_pattern(plan.machine, 0.1905, longest=1.2)
    np.testing.assert_allclose(times, np.arange(1, 6) * 0.0415 / 0.1905, rtol=1e-8)
    np.testing.assert_allclose(np.diff(20 * np.log10(amplitudes)), plan.loops[0].gain_db, atol=1e-6)


def test_echoes_of_a_loop_that_no_tone_limits_stay_numbers():
    # A hundred passes of 100 dB would be more than a number holds.
    near = "unusual = true\ntransport.speeds_ips = [300]\nheads = {low_cut_hz = 0, treble_boost_db = 60}\n"
    head = "mixer.return_send_db = 20\nplayback_heads = [{spacing_mm = 0.1, level_db = 20}]"
    machine = machine_from_text(near + head)
    _, amplitudes = echo_pattern(machine, machine.speeds[0], longest=0.002)
    assert np.all(np.isfinite(amplitudes)) and amplitudes.max() > 1e14


def test_echoes_of_two_heads_that_meet_add_up():
    machine = machine_from_text(
        "transport.speeds_cm_s = [10]\nmixer.return_send_db = -6.0206\nheads.low_cut_hz = 0\n"
        "playback_heads = [{spacing_mm = 20}, {spacing_mm = 40}]"
    )
    times, found = echo_pattern(machine, 0.1, longest=0.5)
    amplitudes = [0.0]
    dry = [1.0]
    for step in range(1, 3):  # by hand: bus[n] = dry[n] + bus[n-1]/2 + bus[n-2]/2
        amplitudes.append(sum(dry[step - k] for k in (1, 2) if step >= k))
        dry.append(0.5 * amplitudes[step])
    np.testing.assert_allclose(times, [0.2, 0.4], rtol=1e-9)
    np.testing.assert_allclose(found, amplitudes[1:], rtol=2e-3)


def test_a_head_outside_the_loop_is_heard_once():
    machine = machine_from_text(
        "transport.speeds_cm_s = [10]\n"
        "playback_heads = [{spacing_mm = 20, feeds_return = false}, {spacing_mm = 90, feeds_return = false}]"
    )
    times, _ = echo_pattern(machine, 0.1)
    np.testing.assert_allclose(times, [0.2, 0.9])


def test_without_a_head_that_feeds_the_return_there_is_a_plan_without_a_send():
    plan = make_plan(with_changes(example_machine(), {"playback_heads.1.feeds_return": False}))
    assert all(one.return_send_db is None and one.repeats == 1 for one in plan.loops)
    assert [one.gone_in for one in plan.loops] == pytest.approx([0.0415 / 0.1905, 0.0415 / 0.09525])
    assert [node.name for node in plan.levels.nodes][-1] == "playback output"


def test_a_far_head_outside_the_loop_only_lengthens_the_echo_and_a_near_one_does_not_hurry_it():
    # 40 and 160 mm are 210 and 840 ms at 19.05 cm/s. By halves what has gone round five times stands at
    # -30.10 dB; the far head, not in the loop, gives it 840 ms after that, together with the near head's
    # answer to what has gone round eight times, an eighth of it: -29.08 dB, the last heard, and 9 * 0.21 s.
    heads = "[{{spacing_mm = 40, feeds_return = {}}}, {{spacing_mm = 160, feeds_return = {}}}]"
    text = f"transport.speeds_cm_s = [19.05]\n{LOSSLESS}"
    near = machine_from_text(
        f"{text}mixer.return_send_db = -6.0206\nplayback_heads = {heads.format('true', 'false')}"
    )
    assert make_plan(near).loops[0].gone_in == pytest.approx(9 * 40 / 190.5)
    # 2 dB more each 839.9 ms.
    far = machine_from_text(
        f"{text}mixer.return_send_db = 2\nplayback_heads = {heads.format('false', 'true')}"
    )
    assert make_plan(far).loops[0].growth_db_per_s == pytest.approx(2 / 0.83990, rel=1e-4)


@pytest.mark.parametrize(
    ("heads", "send_db", "output_dbu", "once_round_db"),
    [("{spacing_mm = 40, level_db = 12}", -6, 12, 6), (ALIKE, -20, 12.041, -7.959)],
)
def test_levels_and_loop_tell_the_same_of_loud_and_of_many_heads(heads, send_db, output_dbu, once_round_db):
    # Four alike together are 20 log10 4 = 12.041 dB, from 0 dBu up to a mixer that clips at 20.
    plan = make_plan(
        machine_from_text(
            f"transport.speeds_cm_s = [19.05]\n{LOSSLESS}mixer.return_send_db = {send_db}\n"
            f"playback_heads = [{heads}]"
        )
    )
    output, back = plan.levels.nodes[-2:]
    assert output.dbu == pytest.approx(output_dbu, abs=1e-3)
    assert output.headroom_db == pytest.approx(20 - output_dbu, abs=1e-3)
    assert (back.dbu, plan.loops[0].gain_db) == pytest.approx((once_round_db, once_round_db), abs=1e-3)


def test_a_sleeve_only_adds():
    early = planned(THREE_HEADS)
    assert all(
        one.changes.sleeve_diameter is None and not one.changes.sleeve_possible for one in early.tempos
    )
    late = make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]), bpm=76).tempos[0]
    assert late.changes.sleeve_diameter is None and late.changes.sleeve_possible  # the capstan is not known


def test_a_runaway_pattern_ends_where_it_was_told_to():
    machine = with_changes(example_machine(), {"mixer.return_send_db": 3.0})
    times, amplitudes = echo_pattern(machine, 0.1905, longest=2.0)
    assert times[-1] <= 2.0
    assert amplitudes[-1] > amplitudes[0]


@pytest.fixture(scope="module")
def measured_plan():
    """One head at two speeds, at the first of which its delay was measured."""
    one = {"head": 1, "speed": 1, "delay_ms": 219.3, "delay_plus_minus_ms": 0.052}
    return make_plan(with_changes(example_machine(), {"measured_delays": [one]}))


def test_a_measured_delay_stands_in_the_plan_with_its_own_uncertainty(measured_plan):
    first, second = measured_plan.delays
    assert (first.delay, first.u_delay, first.plus_minus) == pytest.approx((0.2193, 0.026e-3, 0.052e-3))
    assert (first.measured, second.measured) == (True, False)
    # 1 of 41.5 mm and 2 %: 3.131 %, of 435.7 ms 13.64.
    assert (second.delay, second.plus_minus) == pytest.approx((0.0415 / 0.09525, 13.6439e-3), rel=1e-5)


def test_songs_and_loop_of_a_measured_delay_are_reckoned_from_it(measured_plan):
    first = next(one for one in measured_plan.tempos if one.delay.measured)
    wanted = 60 / 76 * first.fit.note.beats
    assert first.fit.error == pytest.approx(0.2193 - wanted)
    # Where the head stands now it gives 219.3 ms; at wanted / 219.3 of that way it gives the wanted delay.
    assert first.changes.spacing == pytest.approx(0.0415 * wanted / 0.2193)
    assert first.changes.speed_change_percent.value == pytest.approx(100 * (0.2193 / wanted - 1))
    assert measured_plan.loops[0].gone_in == pytest.approx(5 * 0.2193)
    assert measured_plan.machine.echo_loop(0.1905).delays == pytest.approx((0.2193,))
    assert echo_pattern(measured_plan.machine, 0.1905)[0][0] == pytest.approx(0.2193)


def test_planning_for_another_song_keeps_what_was_measured(measured_plan):
    again = make_plan(measured_plan.machine, bpm=90, repeats=3)
    assert again.delays == measured_plan.delays


def test_echoes_of_opposite_polarity_that_meet_take_from_each_other():
    machine = machine_from_text(
        "transport.speeds_cm_s = [10]\nmixer.return_send_db = -6.0206\nheads.low_cut_hz = 0\n"
        "playback_heads = [{spacing_mm = 20}, {spacing_mm = 40, inverted = true}]"
    )
    times, amplitudes = echo_pattern(machine, 0.1, longest=0.7)
    heard, bus = [0.0], [1.0]
    for step in range(1, 4):  # by hand: heard[n] = bus[n-1] - bus[n-2], bus[n] = heard[n] / 2
        heard.append(bus[step - 1] - (bus[step - 2] if step > 1 else 0))
        bus.append(0.5 * heard[step])
    np.testing.assert_allclose(times, [0.2, 0.4, 0.6], rtol=1e-9)
    np.testing.assert_allclose(amplitudes, heard[1:], rtol=2e-3)
    assert list(np.sign(amplitudes)) == [1, -1, -1]


def test_echoes_that_cancel_are_not_heard():
    machine = machine_from_text(
        "transport.speeds_cm_s = [10]\nmixer.return_send_db = -90\n"
        "playback_heads = [{spacing_mm = 20}, {spacing_mm = 20, inverted = true}, {spacing_mm = 50}]"
    )
    times, _ = echo_pattern(machine, 0.1)
    np.testing.assert_allclose(times, [0.5])


def test_a_pattern_that_nobody_hears_is_empty():
    for machine, longest in (
        (example_machine(), 0.1),
        (with_changes(example_machine(), {"mixer.input_send_db": -90.0}), 3.0),
    ):
        times, amplitudes = echo_pattern(machine, 0.1905, longest=longest)
        assert times.shape == amplitudes.shape == (0,)


def test_a_runaway_of_very_short_delays_is_followed_for_so_many_passes_only():
    hot = {"mixer.return_send_db": 20.0, "playback_heads.1.spacing_mm": 0.1, "unusual": True}
    times, amplitudes = echo_pattern(with_changes(example_machine(), hot), 0.1905)
    assert len(times) == MOST_PASSES == 100 and np.all(np.isfinite(amplitudes))


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ({"speed": 0}, "speed must be greater than 0 m/s, got 0"),
        ({"longest": -1}, "longest must be greater than 0 s, got -1"),
        ({"faintest_db": np.nan}, "faintest_db must be a finite number, got nan"),
    ],
)
def test_a_pattern_of_nonsense_is_refused(kind, said):
    with pytest.raises(ValueError, match=said):
        echo_pattern(example_machine(), **({"speed": 0.1905} | kind))


def test_a_plan_of_some_speeds_and_repeats_is_that_part_of_the_whole_plan(plan):
    part = make_plan(plan.machine, speeds=[plan.machine.speeds[1]], tone_of=[2])
    assert part.delays == plan.delays[1:]
    assert part.loops[0].tone == plan.loops[1].tone[1:2]
    assert part.loops[0].stability == plan.loops[1].stability
    assert [planned.fit for planned in part.tempos] == [
        planned.fit for planned in plan.tempos if planned.delay.speed == plan.machine.speeds[1]
    ]
    assert part.wobble == tuple(row for row in plan.wobble if row.speed == plan.machine.speeds[1])


def test_the_first_repeat_is_as_loud_as_the_pattern_says(plan):
    _, amplitudes = echo_pattern(plan.machine, 0.1905)
    assert plan.loops[0].first_repeat_db == pytest.approx(20 * np.log10(amplitudes[0]))


def test_the_parts_that_wobble_are_planned_at_every_speed(plan):
    turning = {part.name: part for part in plan.machine.turning_parts}
    assert {row.part for row in plan.wobble} == {part.name for part in turning.values() if part.wobble > 0}
    assert {row.speed for row in plan.wobble} == set(plan.machine.speeds)
    for row in plan.wobble:
        delay = plan.machine.delays(row.speed)[0]
        bend = 2 * turning[row.part].wobble * abs(np.sin(np.pi * row.rate * delay))
        assert row.deviation == pytest.approx(bend, rel=1e-9)


# ---- heads, levels and chances by hand ----


def by_steps(gains, fed, send, count):
    """Bus and sound of heads one, two, three ... steps away, step by step."""
    bus, heard = [1.0], [0.0]
    for step in range(1, count):
        sums = [0.0, 0.0]
        for away, (gain, feeds) in enumerate(zip(gains, fed, strict=True), start=1):
            if step >= away:
                sums[0] += gain * bus[step - away]
                sums[1] += gain * feeds * bus[step - away]
        heard.append(sums[0])
        bus.append(send * sums[1])
    return np.array(heard[1:])


def heads_in_steps(gains, fed, send, step_mm=40):
    rows = ", ".join(
        f"{{spacing_mm = {step_mm * (n + 1)}, level_db = {20 * np.log10(abs(gain))}, "
        f"inverted = {str(gain < 0).lower()}, feeds_return = {str(feeds).lower()}}}"
        for n, (gain, feeds) in enumerate(zip(gains, fed, strict=True))
    )
    return machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = {20 * np.log10(send)}\n{LOSSLESS}"
        f"playback_heads = [{rows}]"
    )


CASES = [  # gains of heads 200, 400, ... ms away, which of them feed the return, the send
    ((1.0, 0.5, 0.7), (True, True, False), 0.4),
    ((1.0, -0.5, 0.7), (True, True, False), 0.4),
    ((0.3, 1.0), (False, True), 0.6),
    ((1.0, 0.2, 0.9), (True, False, True), 0.45),
    ((0.8, 0.8, -0.8, 0.8), (True, True, True, True), 0.28),
]


@pytest.mark.parametrize(("gains", "fed", "send"), CASES)
def test_the_last_answer_of_several_heads_is_that_of_a_sum_step_by_step(gains, fed, send):
    machine = heads_in_steps(gains, fed, send)
    heard = by_steps(gains, fed, send, 300)
    one = make_plan(machine).loops[0]
    loud = np.flatnonzero(np.abs(heard) >= abs(gains[0]) * 10 ** (-30 / 20))
    assert one.repeats is None
    assert one.gone_in == pytest.approx(0.2 * (loud[-1] + 1))
    times, amplitudes = echo_pattern(machine, 0.2, longest=4.0, faintest_db=-60)
    every = heard[:20]
    kept = np.abs(every) >= 1e-3
    np.testing.assert_allclose(times, 0.2 * (1 + np.flatnonzero(kept)))
    np.testing.assert_allclose(amplitudes, every[kept], atol=1e-4)  # what is 60 dB fainter is not followed


def test_an_echo_is_followed_through_the_heads_of_the_loop_whatever_others_do():
    # 4 mm answer after 20 ms and are not in the loop, 80 mm after 400 ms are: at half the level each time the
    # sixth stands 5 * 6.02 = 30.1 dB below the first, and 36.1 are too many: 6 * 0.4 s.
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = -6.0206\nsong.faded_db = -31\n{LOSSLESS}"
        "playback_heads = [{spacing_mm = 4, feeds_return = false}, {spacing_mm = 80}]"
    )
    assert make_plan(machine).loops[0].gone_in == pytest.approx(2.4)


def test_levels_of_answers_count_from_the_first_on_a_machine_that_loses_much():
    # Bass and treble are lost so that the loudest tone comes back some decibels down, each time round again.
    lossy = (
        "heads = {gap_um = 0, spacing_loss_um = 30, aligned_spacing_loss_um = 0, low_cut_hz = 500}\n"
        "transport.speeds_cm_s = [20]\nmixer = {input_send_db = -3, return_send_db = 0}\n"
        "playback_heads = [{spacing_mm = 40, feeds_return = false}, {spacing_mm = 80}]"
    )
    one = make_plan(machine_from_text(lossy)).loops[0]
    assert one.gain_db < -3 and one.first_repeat_db == pytest.approx(-3 + one.gain_db)
    # What has gone round n times stands n gains below the first answer; the head of the loop gives it last.
    assert one.gone_in == pytest.approx(0.4 * (1 + np.floor(30 / -one.gain_db)))


@pytest.mark.parametrize(("rounds", "last"), [(98, 19.6), (99, None)])
def test_an_echo_must_be_over_one_longest_delay_before_it_is_no_longer_followed(rounds, last):
    # 100 rounds of 0.2 s less the 0.3 s of a head that nobody hears: until 19.7 s.
    send_db = -100 / (rounds - 0.5)
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = {send_db}\nsong.faded_db = -100\n{LOSSLESS}"
        "playback_heads = [{spacing_mm = 40}, {spacing_mm = 60, feeds_return = false, level_db = -90}]"
    )
    found = make_plan(machine).loops[0].gone_in
    assert found is None if last is None else found == pytest.approx(last)


def test_only_the_loudest_sounds_on_the_tape_are_followed(monkeypatch):
    # Heads after 0.2 and 0.33 s, the second at half the level, 6 dB down a round: where one sound is followed
    # each time it is that of the first head, and both answer to it.
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = -6.0206\n{LOSSLESS}"
        "playback_heads = [{spacing_mm = 40}, {spacing_mm = 66, level_db = -6.0206}]"
    )
    monkeypatch.setattr("tapecalc.plan.MOST_FOLLOWED", 1)
    times, amplitudes = echo_pattern(machine, 0.2, longest=0.99)
    np.testing.assert_allclose(times, [0.2, 0.33, 0.4, 0.53, 0.6, 0.73, 0.8, 0.93])
    np.testing.assert_allclose(amplitudes, [1, 0.5, 0.5, 0.25, 0.25, 0.125, 0.125, 0.0625], rtol=1e-5)
    monkeypatch.setattr("tapecalc.plan.MOST_FOLLOWED", 2)
    # On the tape 0.5 at 0.2 s and 0.25 at 0.33; then 0.25 at 0.4 and, of both, 0.25 at 0.53, and 0.0625 at
    # 0.66 is let go; then 0.125 at 0.6 and, of both, 0.1875 at 0.73, and 0.0625 at 0.86 is let go.
    times, amplitudes = echo_pattern(machine, 0.2, longest=0.87)
    np.testing.assert_allclose(times, [0.2, 0.33, 0.4, 0.53, 0.6, 0.66, 0.73, 0.8, 0.86])
    np.testing.assert_allclose(amplitudes, [1, 0.5, 0.5, 0.5, 0.25, 0.125, 0.375, 0.125, 0.125], rtol=1e-5)


@pytest.mark.parametrize("kept", [1, 2, 3, 5, 7, 9])
def test_the_loudest_of_many_sounds_are_followed_pass_by_pass(monkeypatch, kept):
    heads = {40: -3.01, 53: -9.13, 71: -1.27, 94: -6.34, 117: -4.49, 131: -7.78}  # mm, dB; no sums alike
    rows = ", ".join(f"{{spacing_mm = {mm}, level_db = {level}}}" for mm, level in heads.items())
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = -8\n{LOSSLESS}playback_heads = [{rows}]"
    )
    tape, heard = {0: 1.0}, {}  # by the way of the tape in mm
    for _ in range(5):
        loudest = sorted(tape.items(), key=lambda sound: -sound[1])[:kept]
        tape = {}
        for way, amplitude in loudest:
            for mm, level in heads.items():
                if way + mm >= 200:  # later than is asked for
                    continue
                answer = amplitude * 10 ** (level / 20)
                heard[way + mm] = heard.get(way + mm, 0) + answer
                tape[way + mm] = tape.get(way + mm, 0) + answer * 10 ** (-8 / 20)
    complete = sorted(heard)  # a sixth pass comes after 6 * 40 mm
    monkeypatch.setattr("tapecalc.plan.MOST_FOLLOWED", kept)
    times, amplitudes = echo_pattern(machine, 0.2, longest=0.9999, faintest_db=-60)
    np.testing.assert_allclose(times, [way / 200 for way in complete])
    np.testing.assert_allclose(amplitudes, [heard[way] for way in complete], rtol=1e-6)


def test_an_echo_that_is_longer_than_it_is_followed_is_not_told():
    # 42 and 55 mm at -0.02 dB a round: some thousand rounds of 0.2 s.
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = -6.04\n{LOSSLESS}"
        "playback_heads = [{spacing_mm = 42}, {spacing_mm = 55}]"
    )
    one = make_plan(machine).loops[0]
    assert one.gone_in is None and one.stability.stable and one.repeats is None


@pytest.mark.parametrize(
    ("heads_mm", "gain_db", "last"),
    [
        # Heads of 0.5 s, not in the loop, and 1 s: it is followed for 60 s, the last of which must be quiet.
        # Down to -100 dB at -1.739 dB a round are 57 rounds and the answer to the last, at -1.681 dB 59.
        ((100, 200), -100 / 57.5, 58.0),
        ((100, 200), -100 / 59.5, None),
        # Heads of 0.1 and 0.2 s: 100 rounds are 20 s, the last 0.2 of which must be quiet.
        ((20, 40), -100 / 97.5, 19.6),
        ((20, 40), -100 / 99.5, None),
    ],
)
def test_an_echo_is_followed_for_a_minute_and_100_rounds(heads_mm, gain_db, last):
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = {gain_db}\nsong.faded_db = -100\n{LOSSLESS}"
        f"playback_heads = [{{spacing_mm = {heads_mm[0]}, feeds_return = false}}, {{spacing_mm = "
        f"{heads_mm[1]}}}]"
    )
    found = make_plan(machine).loops[0].gone_in
    assert found is None if last is None else found == pytest.approx(last)


def test_a_pattern_is_told_for_3_s_and_down_to_40_db_unless_asked_otherwise():
    machine = flat_machine(MEASURED)
    # 13 * 219.3 ms = 2.85 s, one more 3.07; at -4.9 dB a round the ninth stands at 8 * -4.9 = -39.2 dB.
    loud = with_changes(machine, {"mixer.return_send_db": -1.0})
    assert echo_pattern(loud, 0.1905)[0].size == 13
    soft = with_changes(machine, {"mixer.return_send_db": -4.9})
    assert echo_pattern(soft, 0.1905)[0].size == 9
    assert echo_pattern(soft, 0.1905, faintest_db=-39)[0].size == 8
    # What stands at the level counts, whatever the last bit says: 0, -s, ... -40 dB.
    for count in (2, 3, 4, 5, 8):
        tied = with_changes(machine, {"mixer.return_send_db": -40 / count})
        assert echo_pattern(tied, 0.1905)[0].size == count + 1


def test_the_return_carries_what_the_heads_of_the_loop_give():
    # 1 and -6 dB feed the return, -3 dB does not: 1.5012 of it; at -10 dB 0.4747.
    plan = planned(THREE_HEADS)
    for one in plan.loops:
        assert one.gain_db == pytest.approx(20 * np.log10(0.316228 * 1.501187), abs=1e-4)
        assert one.first_repeat_db == pytest.approx(0)  # of the first head
        assert plan.node("return send").dbu - plan.node("machine input").dbu == pytest.approx(one.gain_db)
        assert one.return_send_db == pytest.approx(-30 / 3.5 - 20 * np.log10(1.501187), abs=1e-4)
        assert one.piled_up_db == pytest.approx(-20 * np.log10(1 - 0.474720), abs=1e-4)


def test_the_first_repeat_is_that_of_the_first_head_sent_to_the_tape():
    machine = with_changes(
        flat_machine(THREE_HEADS), {"playback_heads.1.level_db": -4.0, "mixer.input_send_db": -2.0}
    )
    assert [one.first_repeat_db for one in make_plan(machine).loops] == pytest.approx([-6, -6])


def test_chances_are_those_of_the_first_and_of_the_last_wished_repeat():
    # 7.692 ms late and 2.5 unsure against 6: 1 - Phi(-0.677); 23.077 late and 7.5 unsure: 1 - Phi(-2.277).
    # 15.385 late and 5 unsure against 9.615: 1 - Phi(-1.154); 46.154 late and 15 unsure: 1 - Phi(-2.436).
    plan = planned(ONE_HEAD)
    assert [one.chance for one in plan.tempos] == pytest.approx([0.7508, 0.8757], abs=2e-4)
    assert [one.chance_of_last for one in plan.tempos] == pytest.approx([0.9886, 0.9926], abs=2e-4)


def test_hiss_is_that_of_each_shown_repeat_and_speed():
    # +1 dBu over 4 - 56 = -52 dBu of tape and -85 - 2 = -87 dBu of mixer: 52.9986; at half the speed the tape
    # has 3.0103 + 4.8889 dB more (flat_machines.py, test_plan_tables.py): 45.1006.
    one = planned(ONE_HEAD)
    builds_up = 10 * np.log10([1, 1 + 10**-0.8, 1 + 10**-0.8 + 10**-1.6])
    for loop, first_db in zip(one.loops, (52.9986, 45.1006), strict=True):
        assert loop.snr_db == pytest.approx(first_db - 8 * np.arange(3) - builds_up, abs=2e-4)
    some = make_plan(flat_machine(ONE_HEAD), tone_of=[3])
    assert [loop.snr_db for loop in some.loops] == [loop.snr_db[2:] for loop in one.loops]


def test_the_mixers_own_noise_counts():
    # -40 dBu through a send of -6 dB are as loud as -46 dBu of tape noise: 3.01 dB more than either.
    changes = {"levels.mixer_noise_dbu": -40.0, "mixer.input_send_db": -6.0, "levels.tape_noise_db": -50.0}
    plan = make_plan(with_changes(flat_machine(ONE_HEAD), changes))
    assert plan.loops[0].snr_db[0] == pytest.approx(-12 + 15 - 6 + 46 - 10 * np.log10(2))


def test_the_mixers_noise_is_weighted_as_the_tapes_is():
    # Source: A-weighted white noise from 20 Hz to 20 kHz is 2.05 dB less, by IEC 61672-1 in numpy.
    changes = {"levels.mixer_noise_dbu": -40.0, "levels.tape_noise_db": -110.0}
    one = make_plan(with_changes(flat_machine(ONE_HEAD), changes)).loops[0]
    assert one.snr_a_db - one.snr_db[0] == pytest.approx(2.05, abs=0.01)


def test_tone_is_planned_of_the_first_three_and_the_last_wished():
    machine = flat_machine(CASSETTE)
    for wish, shown in ((1, [1]), (2, [1, 2]), (3, [1, 2, 3]), (4, [1, 2, 3, 4]), (9, [1, 2, 3, 9])):
        assert [row.repeat for row in make_plan(machine, repeats=wish).loops[0].tone] == shown


def test_the_zone_of_each_delay_is_told():
    # 4.9 mm at 1 m/s, 39 and 41, 249 and 251: either side of 40 and of 250 ms; the shortest is below 5.
    machine = machine_from_options(spacings_mm=[4.9, 39, 41, 249, 251], speeds_cm_s=[100.0])
    assert [planned.zone for planned in make_plan(machine).delays] == [
        *("coloration", "doubling", "slap", "slap", "separate echo")
    ]


# ---- a set, one change for all heads, a range of speeds ----


def test_one_change_that_serves_all_heads_is_found_at_the_first_speed():
    plan = planned(THREE_HEADS)
    # 220, 440 and 880 ms are 0.968 of a sixteenth, an eighth and a quarter at 66 bpm.
    together = plan.together
    assert [choice.delay.head for choice in together.best.choices] == [0, 1, 2]
    assert {choice.delay.speed for choice in together.best.choices} == {0}
    assert [choice.fit.note.name for choice in together.best.choices] == ["sixteenth", "eighth", "quarter"]
    assert together.best.factor == pytest.approx(1 / 0.968)
    assert (together.before.in_time, together.best.in_time) == (0, 3)
    assert planned(ONE_HEAD).together is None
    noted = make_plan(plan.machine, note="eighth").together  # 454.55 ms, of which 220 and 880 are far
    assert {choice.fit.note.name for choice in noted.best.choices} == {"eighth"}
    two = make_plan(with_changes(plan.machine, {"playback_heads": plan.machine.playback_heads[:2]}))
    assert [choice.fit.note.name for choice in two.together.best.choices] == ["sixteenth", "eighth"]
    without_tempo = THREE_HEADS.replace("[song]\nbpm = 66\n", "")
    assert make_plan(flat_machine(without_tempo)).together is None


def test_each_song_of_a_set_gets_its_choice_at_each_speed():
    plan = planned(ONE_HEAD)
    assert [[choice.delay.speed for choice in row] for row in plan.songs] == [[0, 0], [1, 1]]
    assert [[choice.song.name for choice in row] for row in plan.songs] == [["Tide", "Lamp"]] * 2
    assert [[choice.delay.delay for choice in row] for row in plan.songs] == [
        pytest.approx([0.2, 0.2]),
        pytest.approx([0.4, 0.4]),
    ]
    assert [choice.chance_heard for choice in plan.songs[0]] == pytest.approx([0.0164, 0.8089], abs=2e-4)
    assert plan.set_change.best.factor == pytest.approx((1 + 15 / 78.2 / 0.2) / 2)
    assert plan.set_change.best.worst.song.name == "Tide"  # of two that are off alike the first
    assert plan.set_change.runner_up.factor == pytest.approx(1.25)
    assert planned(MEASURED).set_change is None
    assert planned(MEASURED).songs == ()


def test_two_equal_speeds_are_two_speeds():
    machine = machine_from_text(
        "transport.speeds_ips = [7.5, 7.5]\nplayback_heads = [{spacing_mm = 41.5}]\n"
        'songs = [{name = "Tide", bpm = 90}]'
    )
    plan = make_plan(machine)
    assert [row[0].delay.speed for row in plan.songs] == [0, 1]
    assert plan.songs[0][0].fit == plan.songs[1][0].fit


def test_a_song_of_the_set_may_wish_a_note():
    plan = planned(THREE_HEADS)
    assert [row[0].fit.note.name for row in plan.songs] == ["quarter", "quarter"]
    assert [row[0].delay.head for row in plan.songs] == [2, 2]


def test_songs_find_their_speed_in_a_range():
    plan = planned(CLOSED_LOOP)
    found = [(row.song, row.bpm, row.note, row.head, row.speed, row.plus_minus) for row in plan.range_speeds]
    # 60 mm in 45/92, 20/120, 30/120, 45/120, 60/120 s; a sixteenth at 120 bpm would take 48 cm/s. All 5 %
    # unsure.
    expected = [
        ("Tide", 92, "dotted eighth", 1, 0.06 * 92 / 45, 0.003 * 92 / 45),
        ("Lamp", 120, "eighth triplet", 1, 0.36, 0.018),
        ("Lamp", 120, "eighth", 1, 0.24, 0.012),
        ("Lamp", 120, "dotted eighth", 1, 0.16, 0.008),
        ("Lamp", 120, "quarter", 1, 0.12, 0.006),
    ]
    assert [row[:4] for row in found] == [row[:4] for row in expected]
    assert np.array([row[4:] for row in found]) == pytest.approx(np.array([row[4:] for row in expected]))
    assert planned(ONE_HEAD).range_speeds == ()


@pytest.mark.parametrize(
    ("bpm", "notes"), [(50, ["quarter"]), (49.99, []), (200, ["sixteenth"]), (200.1, [])]
)
def test_the_ends_of_a_range_are_in_it(bpm, notes):
    # 12 cm at 10 cm/s last a quarter at 50 bpm, 1.2 s; at 160 cm/s a sixteenth at 200 bpm, 75 ms.
    note = "quarter" if bpm < 100 else "sixteenth"
    machine = machine_from_text(
        "transport.speed_range_cm_s = [10, 160]\nplayback_heads = [{spacing_mm = 120}]\n"
        f'song = {{bpm = {bpm}, note = "{note}"}}'
    )
    assert [row.note for row in make_plan(machine).range_speeds] == notes


def test_a_song_alone_finds_its_speed_in_a_range():
    machine = machine_from_text(
        "transport.speed_range_cm_s = [10, 40]\nplayback_heads = [{spacing_mm = 60}]\nsong.bpm = 92"
    )
    first, *_ = make_plan(machine).range_speeds
    # An eighth triplet lasts 20/92 s: 27.6 cm/s; a sixteenth, 15/92 s, 36.8 cm/s comes first.
    assert (first.song, first.note, first.speed) == ("", "sixteenth", pytest.approx(0.368))
    silent = machine_from_text("transport.speed_range_cm_s = [10, 40]\nplayback_heads = [{spacing_mm = 60}]")
    assert make_plan(silent).range_speeds == ()


def test_a_plan_loads_no_scipy():
    program = (
        "import sys; from tapecalc.machine import example_machine; from tapecalc.plan import make_plan\n"
        "from tapecalc.report.plan_text import plan_text\n"
        "plan_text(make_plan(example_machine())); print('scipy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize(
    ("beats", "bpm", "liked"),
    [(1, 60.5, ["quarter"]), (1, 59.5, []), (0.25, 179.5, ["sixteenth"]), (0.25, 180.5, [])],
)
def test_a_delay_likes_tempos_from_60_to_180(beats, bpm, liked):
    # At 10 cm/s: of the five notes the quarter is the longest, the sixteenth the shortest, so that the
    # others would want tempos farther out.
    machine = machine_from_options(spacings_mm=[100 * 60 * beats / bpm], speeds_cm_s=[10])
    likes = [(note.name, found) for note, found in make_plan(machine).liked_tempos[0]]
    edge = [(name, found) for name, found in likes if abs(found - bpm) < 1e-6]
    assert [name for name, _ in edge] == liked


def test_a_repeat_is_as_wide_as_the_band_within_10_db_of_its_loudest():
    # A low cut at 90 Hz and no other loss: 1/(1 + (90/f)^2) is a tenth at 90/3 Hz, and its square is one
    # where 1 + (90/f)^2 is the root of 10.
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nplayback_heads = [{{spacing_mm = 40}}]\n{LOSSLESS}"
    )
    plan = make_plan(with_changes(machine, {"heads.low_cut_hz": 90.0}), tone_of=[1, 2])
    first, second = plan.loops[0].tone
    assert (first.low, first.high, second.high) == (pytest.approx(30, rel=1e-3), None, None)
    assert second.low == pytest.approx(90 / (10**0.5 - 1) ** 0.5, rel=1e-3)


def test_a_delay_likes_the_five_notes_that_are_played_most():
    # 250 ms: a sixteenth at 60, an eighth triplet at 80, an eighth at 120, a dotted eighth at 180, and a
    # quarter at 240; the eighth quintuplet at 96 and the dotted sixteenth at 90 are left out.
    machine = machine_from_options(spacings_mm=[25], speeds_cm_s=[10])
    (likes,) = make_plan(machine).liked_tempos
    assert [note.name for note, _ in likes] == ["sixteenth", "eighth triplet", "eighth", "dotted eighth"]
    assert [bpm for _, bpm in likes] == pytest.approx([60, 80, 120, 180])


@pytest.mark.parametrize(("level_db", "followed"), [(-9.97, True), (-10.03, False)])
def test_a_sound_60_db_below_the_faintest_is_followed_until_it_has_grown(level_db, followed):
    # Sent at -90 dB it comes back at -99.97, and each time round at 20 - 9.97 = 10.03 dB more: the seventh
    # at -39.79 dB. What comes back at -100.03 is let go.
    machine = machine_from_text(
        "transport.speeds_cm_s = [20]\nmixer = {input_send_db = -90, return_send_db = 20}\n"
        f"playback_heads = [{{spacing_mm = 40, level_db = {level_db}}}]\n{LOSSLESS}"
    )
    times, amplitudes = echo_pattern(machine, 0.2, longest=1.7)
    assert times == pytest.approx([1.4, 1.6] if followed else [])
    assert 20 * np.log10(amplitudes) == pytest.approx([-39.79, -29.76] if followed else [], abs=1e-6)


def test_the_loudest_of_very_many_sounds_are_followed(monkeypatch):
    heads = {400: -0.83, 537: -1.91, 719: -1.27, 946: -2.34, 1173: -1.49, 1312: -0.78}  # 0.1 mm, dB
    rows = ", ".join(f"{{spacing_mm = {mm / 10}, level_db = {level}}}" for mm, level in heads.items())
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = -8\n{LOSSLESS}playback_heads = [{rows}]"
    )
    kept, longest = 250, 9000
    tape, heard, most = {0: 1.0}, {}, 0
    while tape:
        loudest = sorted(tape.items(), key=lambda sound: -sound[1])[:kept]
        tape, most = {}, max(most, len(tape))
        for way, amplitude in loudest:
            for mm, level in heads.items():
                if way + mm < longest:
                    answer = amplitude * 10 ** (level / 20)
                    heard[way + mm] = heard.get(way + mm, 0) + answer
                    tape[way + mm] = tape.get(way + mm, 0) + answer * 10 ** (-8 / 20)
    assert most > 256  # so many are no longer put in order as a whole, to find the loudest
    monkeypatch.setattr("tapecalc.plan.MOST_FOLLOWED", kept)
    times, amplitudes = echo_pattern(machine, 0.2, longest=longest / 2000 - 1e-6, faintest_db=-200)
    np.testing.assert_allclose(times, [way / 2000 for way in sorted(heard)])
    np.testing.assert_allclose(amplitudes, [heard[way] for way in sorted(heard)], rtol=1e-6)


def test_each_change_is_as_unsure_as_delay_and_speed():
    # 200 ms, u 2.5, are 7.6923 late of a sixteenth at 78 bpm; 19.05 cm/s, u 0.75 % of it. At half the speed
    # all times are twice as long.
    for one, times in zip(planned(ONE_HEAD).tempos, (1, 2), strict=True):
        changes, late, speed = one.changes, 0.2 - 15 / 78, 0.1905
        unsure = 2 * (speed * 0.0025 + late * 0.0075 * speed)
        assert one.delay.speed == pytest.approx(speed / times)
        assert changes.spacing_change == pytest.approx((-speed * late, unsure))
        assert changes.speed_change_percent == pytest.approx((4, 100 * 0.005 * 78 / 15))
        assert changes.sleeve_diameter == pytest.approx((8.035e-3 * 1.04 - 35e-6, 8.035e-3 * 0.005 * 78 / 15))
        assert changes.bpm == pytest.approx((75, 2 * 75 * 0.0125))


def test_a_plan_does_not_count_the_tones_that_grow():
    # There are very many in a long loop, and nothing of a plan depends on their number.
    assert all(one.stability.growing_modes is None for one in planned(CASSETTE).loops)


@pytest.mark.parametrize(("apart", "amplitudes"), [(0.5e-8, [1.5]), (1.5e-8, [1, 0.5])])
def test_what_falls_together_within_ten_nanoseconds_adds_up(apart, amplitudes):
    rows = f"{{spacing_mm = 40}}, {{spacing_mm = {40 + 200 * apart!r}, level_db = -6.0206}}"
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = -90\nplayback_heads = [{rows}]\n{LOSSLESS}"
    )
    times, found = echo_pattern(machine, 0.2)
    assert times[-1] - times[0] == pytest.approx(apart * (len(amplitudes) - 1), abs=1e-12)
    assert found == pytest.approx(amplitudes, rel=1e-5)


@pytest.mark.parametrize(("next_at", "told"), [(59.95, True), (60.05, False)])
def test_the_answer_that_must_stay_away_falls_within_the_minute(next_at, told):
    # 60 answers of the head of the loop are heard, the next would come just before or just after 60 s.
    away = next_at / 61
    machine = machine_from_text(
        f"transport.speeds_cm_s = [20]\nmixer.return_send_db = {-100 / 59.5}\nsong.faded_db = -100\n"
        f"{LOSSLESS}playback_heads = [{{spacing_mm = 100, feeds_return = false}}, "
        f"{{spacing_mm = {200 * away}}}]"
    )
    assert make_plan(machine).loops[0].gone_in == (pytest.approx(60 * away) if told else None)


def test_the_echo_of_one_head_is_told_however_long_it_is():
    # -0.201 dB a round, of which 149 stay above -30 dB: 150 answers, more than are followed one by one.
    machine = machine_from_text(
        "transport.speeds_cm_s = [20]\nmixer.return_send_db = -0.201\nsong.faded_db = -30\n"
        f"{LOSSLESS}playback_heads = [{{spacing_mm = 40}}]"
    )
    one = make_plan(machine).loops[0]
    assert one.repeats == 150 and one.gone_in == pytest.approx(30)


def test_a_part_that_does_not_wobble_is_left_out():
    plan = planned(ONE_HEAD)
    assert [part.name for part in plan.machine.turning_parts] == ["capstan", "reel", "roller", "belt"]
    assert [row.part for row in plan.wobble] == ["reel", "roller", "belt"] * 2


# ---- what is likely and what may be, measured responses, reels ----


def example_at(send_db):
    """The loop of the bundled machine at its first speed with the return turned up, and its machine."""
    machine = with_changes(example_machine(), {"mixer.return_send_db": send_db})
    return make_plan(machine, speeds=[0.1905], tone_of=[1]).loops[0], machine


def settled_dbu(machine, margin_db):
    """Where the tape holds one tone and a crowd that are so far beyond the edge."""
    tape_dbu = machine.saturation_dbu(0.1905) + margin_db
    settles = (settling_level, crowd_settling_level)
    return [tape_dbu + 20 * np.log10(settle(-margin_db, 1.0)) for settle in settles]


def test_between_the_likely_and_the_largest_bumps_a_loop_may_run_away():
    one, machine = example_at(-1.0)
    likely = stability(machine.echo_loop(0.1905), count_modes=False)
    assert likely.stable and not one.stability.stable
    assert (one.runs_away, one.bumps) == (False, True)
    assert one.repeats is not None and one.growth_db_per_s > 0
    assert one.settles_dbu == pytest.approx(settled_dbu(machine, one.stability.margin_db))


def test_a_sure_runaway_settles_as_with_likely_bumps():
    one, machine = example_at(1.0)
    likely = stability(machine.echo_loop(0.1905), count_modes=False)
    assert one.runs_away and likely.margin_db > one.stability.margin_db
    assert one.settles_dbu == pytest.approx(settled_dbu(machine, likely.margin_db))


def half_a_decibel(sign):
    """The loop of one head without losses, so far beyond the edge or below it."""
    text = f"transport.speeds_cm_s = [20]\nplayback_heads = [{{spacing_mm = 40}}]\n{LOSSLESS}"
    return make_plan(machine_from_text(f"mixer.return_send_db = {0.5 * sign}\n{text}")).loops[0]


def test_half_a_decibel_beyond_the_edge_settles_and_half_below_piles_up():
    beyond, below = half_a_decibel(1), half_a_decibel(-1)
    assert (beyond.bumps, beyond.measured, beyond.runs_away) == (False, False, True)
    assert beyond.settles_dbu is not None and beyond.piled_up_db is None
    # 10^(-0.5/20) = 0.944061: 1/0.055939 is 25.05 dB.
    assert below.settles_dbu is None and below.piled_up_db == pytest.approx(25.046, abs=1e-3)


def test_a_measured_response_is_used_without_bumps_at_its_speed():
    measured = [{"speed": 1, "hz_and_db": [[40.0, 1.0], [1000.0, 0.0], [10_000.0, -3.0]]}]
    plan = make_plan(with_changes(example_machine(), {"measured_responses": measured}))
    assert [(one.measured, one.bumps) for one in plan.loops] == [(True, False), (False, True)]


def test_a_wished_note_is_judged_by_the_threshold_that_was_chosen():
    changes = {"song.note": "eighth", "song.judged_as": "soft line"}
    line = make_plan(with_changes(flat_machine(THREE_HEADS), changes))
    assert {one.fit.threshold for one in line.tempos} == {0.035}


def test_a_reel_turns_faster_the_less_tape_is_on_it():
    plan = planned(ONE_HEAD)
    (full, fast), (half_full, half_fast) = (row.over_reel for row in plan.wobble if row.over_reel)
    # A hub of 30 mm; 549 m of 35 um wound on it are 0.549 * 0.035 m2 / pi more than its radius squared.
    assert fast == pytest.approx(0.1905 / (2 * np.pi * 0.03))
    assert full == pytest.approx(0.1905 / (2 * np.pi * np.sqrt(9e-4 + 549 * 35e-6 / np.pi)))
    assert (half_full, half_fast) == pytest.approx((full / 2, fast / 2))


def test_the_hub_of_a_cassette_is_its_own_in_plan_and_picture():
    reel = "[[parts]]\nname = 'supply reel'\nradius_mm = 20\nwobble_percent = 0.1\n"
    machine = machine_from_text(MACHINES["cassette"] + reel)
    (row,) = make_plan(machine).wobble
    # 4.76 cm/s on a hub of 11 mm; 86 m of 18 um are 86 * 18e-6 m2 / pi more than its radius squared.
    expected = [0.0476 / (2 * np.pi * r) for r in (np.sqrt(0.011**2 + 86 * 18e-6 / np.pi), 0.011)]
    assert row.over_reel == pytest.approx(expected)
    rates = np.concatenate([line.get_ydata() for line in draw("reel_turns", machine).artists.values()])
    assert [rates.min(), rates.max()] == pytest.approx(expected)


def test_a_cassette_is_told_by_tracks_heads_and_speeds():
    cassette = machine_from_text(MACHINES["cassette"])
    assert is_cassette(cassette)
    for key, last, first in (("heads.track_width_mm", 0.89, 0.9), ("playback_heads.1.spacing_mm", 20, 20.1)):
        assert is_cassette(with_changes(cassette, {key: last}))
        assert not is_cassette(with_changes(cassette, {key: first}))
    assert not is_cassette(with_changes(cassette, {"transport.speeds_cm_s": (4.76, 9.525)}))


def test_the_swing_of_a_held_note_is_that_of_440_hz_and_the_first_repeat():
    plan = planned(ONE_HEAD)
    (reel,) = (row for row in plan.wobble if row.part == "reel" and row.speed == 0.1905)
    # 0.05 % of 200 ms at 0.1905/(2 pi 0.0363828) = 0.8333 turns a second; the first repeat 2 dB down.
    swing = 0.0005 * 0.2 * np.sinc(0.2 * 0.1905 / (2 * np.pi * 0.0363828))
    assert reel.shimmer_db == pytest.approx(usual_shimmer_db(440.0, swing, gain=10 ** (-2 / 20)), rel=1e-9)


def test_the_noise_of_the_tape_is_weighted_as_it_is_asked_for():
    machine = with_changes(flat_machine(ONE_HEAD), {"levels.mixer_noise_dbu": -140.0})
    for one in make_plan(machine).loops:
        noise_db = [machine.tape_noise_db(one.speed, weighting=name) for name in ("unweighted", "A")]
        assert noise_db[0] - noise_db[1] > 1
        # +1 dBu over the reference of 4 dBu and the noise below it.
        assert [one.snr_db[0], one.snr_a_db] == pytest.approx([1 - 4 - db for db in noise_db], abs=1e-4)


def test_a_wish_that_the_lowest_send_overshoots_names_no_send():
    heads = ", ".join(f"{{spacing_mm = {40 + n}, level_db = 20}}" for n in range(8))
    text = "heads = {treble_boost_db = 60, aligned_spacing_loss_um = 50, spacing_loss_um = 0}\n"
    song = f"song = {{wanted_repeats = 1, faded_db = -100}}\nplayback_heads = [{heads}]"
    plan = make_plan(machine_from_text(f"unusual = true\ntransport.speeds_ips = [7.5]\n{text}{song}"))
    assert plan.loops[0].return_send_db is None
