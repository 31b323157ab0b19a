"""The plan says what the calculators say, in the right words and digits."""

import json

import numpy as np
import pytest

from tapecalc.machine import example_machine, machine_from_options, machine_from_text, with_changes
from tapecalc.plan import CAUTIONS, echo_pattern, make_plan, with_uncertainty


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
    assert "Fit to the song" not in plan.text()
    assert "Tempos that the delays like" in plan.text()


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
    text = plan.text()
    assert "RUNS AWAY" in text
    assert "no end" in text and "never" in text


def test_an_ideal_machine_exactly_at_the_edge_is_planned():
    machine = machine_from_text(
        "transport.speeds_cm_s = [19.05]\nplayback_heads = [{spacing_mm = 40}]\nmixer.return_send_db = 0\n"
        "heads = {gap_um = 0, spacing_loss_um = 0, aligned_spacing_loss_um = 0, low_cut_hz = 0}"
    )
    one = make_plan(machine).loops[0]
    assert not one.stability.stable
    assert one.settles_dbu is None
    assert one.tone[0].low is None
    assert "0 Hz to" in make_plan(machine).text()


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


def test_the_plan_lists_assumptions_and_cautions():
    text = make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5])).text()
    assert "heads.gap_um" in text
    assert "capstan" not in text.split("Assumed")[0]
    assert all(caution in text for caution in CAUTIONS)


def test_an_unknown_capstan_is_said_where_a_sleeve_would_stand():
    text = make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]), bpm=76).text()
    assert "capstan not known" in text


def test_all_of_the_plan_is_plain_data(plan):
    data = json.loads(json.dumps(plan.to_dict(), allow_nan=False))
    assert data["delays"][0]["delay_ms"] == pytest.approx(41.5 / 190.5 * 1000)
    assert data["tempo_fits"][0]["exact"]["bpm"] == pytest.approx(68.855, abs=0.001)
    assert data["machine"]["name"] == "Bench deck"
    assert data["clips_first"] == "tape"


def test_a_second_head_gets_its_own_rows():
    machine = machine_from_text(
        "transport.speeds_ips = [7.5]\nsong.bpm = 100\n"
        "playback_heads = [{spacing_mm = 40}, {spacing_mm = 75.5}]"
    )
    text = make_plan(machine).text()
    assert "head 2" in text


def test_planning_twice_gives_the_same_plan(plan):
    assert make_plan(example_machine()) == plan


@pytest.mark.parametrize(
    ("value", "uncertainty", "written"),
    [
        (217.86, 3.41, "218 ms +/- 3 ms"),
        (217.86, 0.341, "217.9 ms +/- 0.3 ms"),
        (217.86, 0.141, "217.86 ms +/- 0.14 ms"),
        (2178.5, 34.1, "2180 ms +/- 30 ms"),
        (2178.5, 14.1, "2178 ms +/- 14 ms"),
        (217.86, 0.96, "217.9 ms +/- 1.0 ms"),
        (217.86, 9.6, "218 ms +/- 10 ms"),
        (217.86, 0, "217.9 ms"),
    ],
)
def test_digits_end_where_the_uncertainty_begins(value, uncertainty, written):
    assert with_uncertainty(value, uncertainty, "ms") == written


def test_one_head_echoes_at_equal_steps_each_lower_by_the_loop_gain(plan):
    times, levels_db = echo_pattern(plan.machine, 0.1905, longest=1.2)
    np.testing.assert_allclose(times, np.arange(1, 6) * 0.0415 / 0.1905, rtol=1e-8)
    np.testing.assert_allclose(np.diff(levels_db), plan.loops[0].gain_db, atol=1e-6)


def test_echoes_of_two_heads_that_meet_add_up():
    machine = machine_from_text(
        "transport.speeds_cm_s = [10]\nmixer.return_send_db = -6.0206\nheads.low_cut_hz = 0\n"
        "playback_heads = [{spacing_mm = 20}, {spacing_mm = 40}]"
    )
    times, levels_db = echo_pattern(machine, 0.1, longest=0.5)
    amplitudes = [0.0]
    dry = [1.0]
    for step in range(1, 3):  # by hand: bus[n] = dry[n] + bus[n-1]/2 + bus[n-2]/2
        amplitudes.append(sum(dry[step - k] for k in (1, 2) if step >= k))
        dry.append(0.5 * amplitudes[step])
    np.testing.assert_allclose(times, [0.2, 0.4], rtol=1e-9)
    np.testing.assert_allclose(10 ** (levels_db / 20), amplitudes[1:], rtol=2e-3)


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
    assert plan.headlines()[-1].startswith("No head feeds the return")
    assert plan.to_dict()["loops"][0]["return_send_db_for_wanted_repeats"] is None
    assert "none" in plan.text()


def test_a_delay_far_too_short_for_any_sleeve_is_planned():
    plan = make_plan(with_changes(example_machine(), {"playback_heads.1.spacing_mm": 0.01}))
    assert all(one.changes.sleeve_diameter is None for one in plan.tempos)
    assert "none is thin enough" in plan.text()


def test_a_runaway_pattern_ends_where_it_was_told_to():
    machine = with_changes(example_machine(), {"mixer.return_send_db": 3.0})
    times, levels_db = echo_pattern(machine, 0.1905, longest=2.0)
    assert times[-1] <= 2.0
    assert levels_db[-1] > levels_db[0]


@pytest.fixture(scope="module")
def measured_plan():
    """One head at two speeds, at the first of which its delay was measured."""
    one = {"head": 1, "speed": 1, "delay_ms": 219.3, "delay_uncertainty_ms": 0.026}
    return make_plan(with_changes(example_machine(), {"measured_delays": [one]}))


def test_a_measured_delay_stands_in_the_plan_with_its_own_uncertainty(measured_plan):
    first, second = measured_plan.delays
    assert (first.delay, first.uncertainty) == pytest.approx((0.2193, 0.026e-3))
    assert (first.measured, second.measured) == (True, False)
    assert second.delay == pytest.approx(0.0415 / 0.09525) and second.uncertainty > 1e-3
    assert "219.30 ms +/- 0.03 ms at 7.5 ips" in measured_plan.headlines()[0]
    assert "As measured in 1 of 2 rows" in measured_plan.text()
    assert [one["measured"] for one in measured_plan.to_dict()["delays"]] == [True, False]


def test_without_measured_delays_the_plan_does_not_speak_of_them(plan):
    assert "measured" not in plan.text().lower()


def test_where_all_delays_are_measured_the_plan_says_so(measured_plan):
    rows = [
        {"head": 1, "speed": n, "delay_ms": t, "delay_uncertainty_ms": 0.03}
        for n, t in ((1, 219.3), (2, 437.0))
    ]
    text = make_plan(with_changes(measured_plan.machine, {"measured_delays": rows})).text()
    assert "As measured, which is surer than spacing over speed." in text


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


@pytest.mark.parametrize(
    ("bpm", "said"),
    [
        # A sixteenth at 76 bpm lasts 15/76 s, at 19.05 cm/s 37.6 mm: 3.9 mm less than 41.5 mm.
        (76, "heard as off. It is exact at 68.9 bpm, or with the head 3.9 mm nearer to the record head."),
        # At 64 bpm it lasts 15/64 s, 44.6 mm.
        (64, "heard as off. It is exact at 68.9 bpm, or with the head 3.1 mm farther from the record head."),
        (69, "which is not heard as off."),
    ],
)
def test_the_headline_of_a_miss_says_what_makes_it_exact(bpm, said):
    assert make_plan(example_machine(), bpm=bpm).headlines()[1].endswith(said)
