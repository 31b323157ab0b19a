"""The plan says what the calculators say."""

import numpy as np
import pytest

from tapecalc.machine import example_machine, machine_from_options, machine_from_text, with_changes
from tapecalc.plan import MOST_PASSES, echo_pattern, make_plan


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
    best = plan.tempos[0].fit
    sixteenth = 60 / 76 / 4
    assert best.note.name in ("sixteenth", "eighth")
    assert plan.tempos[0].fit.error_percent == pytest.approx(100 * (0.0415 / 0.1905 / sixteenth - 1))


def test_each_of_the_four_changes_makes_the_fit_exact(plan):
    for one in plan.tempos:
        wanted = 60 / 76 * one.fit.note.beats
        assert one.changes.spacing / one.delay.speed == pytest.approx(wanted)
        assert one.delay.spacing / one.changes.speed == pytest.approx(wanted)
        assert 60 / one.changes.bpm * one.fit.note.beats == pytest.approx(one.delay.delay)
        turned = (one.changes.sleeve_diameter + 35e-6) / (8e-3 + 35e-6)
        assert turned == pytest.approx(one.changes.speed / one.delay.speed)


def test_repeats_follow_the_loop_gain(plan):
    first = plan.loops[0]
    assert first.repeats == np.floor(-30 / first.gain_db)
    assert first.fades_in == pytest.approx(0.0415 / 0.1905 * 30 / -first.gain_db)
    assert first.stability.stable


def test_the_send_for_the_wish_gives_the_wish(plan):
    machine = with_changes(plan.machine, {"mixer.return_send_db": plan.loops[0].return_send_db + 0.001})
    assert make_plan(machine).loops[0].repeats == 5


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
    plan = make_plan(with_changes(example_machine(), {"mixer.return_send_db": 3.0}))
    assert plan.runs_away
    one = plan.loops[0]
    assert one.repeats is None and one.fades_in is None and one.snr_db is None
    assert one.growth_db_per_s == pytest.approx(-one.stability.margin_db / (0.0415 / 0.1905))
    # 3 dB over: the limiter must take about 3 dB off, so the tone is held below where the tape is full
    assert 4 < one.settles_dbu < 13


def test_an_ideal_machine_exactly_at_the_edge_is_planned():
    machine = machine_from_text(
        "transport.speeds_cm_s = [19.05]\nplayback_heads = [{spacing_mm = 40}]\nmixer.return_send_db = 0\n"
        "heads = {gap_um = 0, spacing_loss_um = 0, aligned_spacing_loss_um = 0, low_cut_hz = 0}"
    )
    one = make_plan(machine).loops[0]
    assert not one.stability.stable
    assert one.settles_dbu is None
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
    assert all(one.return_send_db is None and one.repeats == 0 for one in plan.loops)


def test_a_delay_far_too_short_for_any_sleeve_is_planned():
    plan = make_plan(with_changes(example_machine(), {"playback_heads.1.spacing_mm": 0.01}))
    assert all(one.changes.sleeve_diameter is None for one in plan.tempos)


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
    assert (first.delay, first.uncertainty) == pytest.approx((0.2193, 0.026e-3))
    assert (first.measured, second.measured) == (True, False)
    assert second.delay == pytest.approx(0.0415 / 0.09525) and second.uncertainty > 1e-3


def test_songs_and_loop_of_a_measured_delay_are_reckoned_from_it(measured_plan):
    first = next(one for one in measured_plan.tempos if one.delay.measured)
    wanted = 60 / 76 * first.fit.note.beats
    assert first.fit.error == pytest.approx(0.2193 - wanted)
    # Where the head stands now it gives 219.3 ms; at wanted / 219.3 of that way it gives the wanted delay.
    assert first.changes.spacing == pytest.approx(0.0415 * wanted / 0.2193)
    assert first.changes.speed_change_percent == pytest.approx(100 * (0.2193 / wanted - 1))
    assert measured_plan.loops[0].fades_in == pytest.approx(0.2193 * 30 / -measured_plan.loops[0].gain_db)
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
    hot = {"mixer.return_send_db": 20.0, "playback_heads.1.spacing_mm": 0.01}
    times, amplitudes = echo_pattern(with_changes(example_machine(), hot), 0.1905)
    assert len(times) == MOST_PASSES and np.all(np.isfinite(amplitudes))


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
