"""The whole measurement, from takes to figures and to a machine file."""

import dataclasses
import json

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.machine import Machine, example_machine, with_changes
from tapecalc.measuring import CannotTell, Delay, Estimate, KnownSpeed, Ruler
from tapecalc.measuring.look import KINDS
from tapecalc.measuring.machine_file import part_wobbles
from tapecalc.report.measurement import measurement_data, measurement_rows
from tapecalc.sound.render import render

RATE = 48000
SPACING, FAST = 0.0415, 0.1905


@pytest.fixture(scope="module")
def bench_deck():
    """The bundled machine at its fast speed, its loop open, and its measurement through the renderer."""
    machine = with_changes(example_machine(), {"mixer.return_send_db": -90.0})
    signal = measure.make_test_signal(RATE)
    wet = render(signal, RATE, machine, speed=machine.speeds[0], seconds=len(signal) / RATE, seed=0).wet
    recording = measure.open_recording(np.stack([signal, wet[: len(signal)]], axis=1), sample_rate=RATE)
    ruler = Ruler(Estimate(machine.spacings[0] + 0.2e-3, 0.5e-3, "m"))
    take = measure.Take(recording=recording, kind="test signal")
    return machine, measure.measure([take], machine=machine, rulers=[ruler])


def test_the_planned_response_of_dirt_and_tilt_together_is_measured(bench_deck):
    machine, found = bench_deck
    one_pass, response = machine.one_pass(machine.speeds[0]), found.responses[0, 0]
    planned_db = one_pass.level_db(response.frequency) - one_pass.level_db(1000.0)
    inside = (response.frequency > 80) & (response.frequency < 9000)
    assert np.max(np.abs(response.level_db - planned_db)[inside]) < 0.5
    best = found.what_ifs[0, 0][0].low_cut
    assert best.covers(machine.heads.low_cut_hz) and best.plus_minus < 10
    assert measure.measured_machine(found, machine).heads.low_cut_hz == pytest.approx(best.value, abs=0.05)


def test_wobbling_parts_are_named_and_noise_counts_from_the_tone_of_the_test_signal(bench_deck):
    machine, found = bench_deck
    named = {verdict.part.name for verdict in found.suspects[0] if verdict.part is not None}
    assert named & {part.name for part in machine.turning_parts if part.wobble > 0}
    assert found.flutter[0].weighted.value > 0
    assert found.noise[0].against == "the reference tone"


def test_the_measured_machine_is_as_measured_and_else_as_it_was(bench_deck):
    machine, found = bench_deck
    again = measure.measured_machine(found, machine)
    assert again.name == "Bench deck, measured"
    assert again.spacings[0] == pytest.approx(machine.spacings[0], abs=0.5e-3)
    assert again.speeds[0] == pytest.approx(machine.speeds[0], rel=0.012)
    assert again.speeds[0] != machine.speeds[0]
    assert again.speeds[1] == machine.speeds[1]
    spread = found.delays[0, 0].total.plus_minus
    assert again.delays(again.speeds[0])[0] == pytest.approx(machine.delays(machine.speeds[0])[0], abs=spread)
    assert again.tape == machine.tape and again.song == machine.song


def test_a_measurement_is_a_table_and_a_json_file(bench_deck):
    _, found = bench_deck
    rows = dict(measurement_rows(found))
    assert rows["delay, head 1, speed 1"].startswith("217.8")
    assert rows["spacing, head 1"].endswith("mm")
    text = json.dumps(measurement_data(found), allow_nan=False)
    assert "NaN" not in text and len(text) < 1_000_000
    assert any("one absolute measurement" in sentence for sentence in found.sentences)


def test_the_loop_gain_that_was_set_is_measured():
    machine = with_changes(
        example_machine(), {"mixer.return_send_db": -4.0, "flutter.random_percent_rms": 0.0}
    )
    dry = np.zeros(8 * RATE)
    dry[2000 : 2000 + RATE // 8] = 0.5 * generator.noise(0.125, RATE)
    wet = render(dry, RATE, machine, seconds=8.0, without=("saturation",)).wet[: len(dry)]
    repeats = measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE)
    sound = generator.noise(4, RATE)
    once = with_changes(machine, {"mixer.return_send_db": -90.0})
    both = np.stack([sound, render(sound, RATE, once, seconds=4.0).wet[: len(sound)]], axis=1)
    program = measure.open_recording(both, sample_rate=RATE)
    alone = measure.measure([measure.Take(recording=repeats, kind="repeats")], machine=machine)
    assert alone.empty and any("hangs on the delay" in sentence for sentence in alone.sentences)
    takes = [measure.Take(recording=repeats, kind="repeats"), measure.Take(recording=program)]
    found = measure.measure(takes, machine=machine)
    assert found.repeats[0].loop_gain_db.value == pytest.approx(-4.0, abs=0.2)
    filled = measure.measured_machine(found, machine)
    assert filled.mixer.return_send_db == pytest.approx(-4.0, abs=0.2)


def test_wrong_takes_end_in_sentences_not_in_numbers():
    silent = measure.open_recording(np.zeros((8 * RATE, 2)), sample_rate=RATE)
    takes = [measure.Take(recording=silent, kind=kind) for kind in KINDS]
    found = measure.measure(takes)
    for kind in ("the flutter", "the noise"):
        assert any(f"cannot tell {kind}" in sentence for sentence in found.sentences)
    told = {light.kind: light.light for light in found.lights}
    assert all(told[kind] == "useless" for kind in ("program", "test signal", "repeats", "tracks"))
    assert sum("the playback channel is empty" in sentence for sentence in found.sentences) >= 1
    assert found.geometry is None and found.empty and not measurement_rows(found)
    with pytest.raises(CannotTell, match="tape speed was not measured"):
        measure.measured_machine(found)
    with pytest.raises(ValueError, match="kind"):
        measure.Take(recording=silent, kind="anything")
    with pytest.raises(ValueError, match="record_mode"):
        measure.Take(recording=silent, record_mode="anyhow")
    with pytest.raises(ValueError, match="takes"):
        measure.measure([])


def test_without_ruler_the_plate_of_the_machine_is_taken_and_said():
    dry = generator.noise(4, RATE)
    deck = generator.Deck(spacing=SPACING, speed=FAST)
    wet = generator.echo(dry, RATE, deck)
    take = measure.Take(recording=measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE))
    found = measure.measure([take], machine=example_machine())
    assert found.geometry.spacings[0].covers(SPACING)
    assert any("plate" in sentence for sentence in found.sentences)
    alone = measure.measure([take])
    assert alone.geometry.spacings == (None,)
    assert dict(measurement_rows(alone))["spacing, head 1"] == "cannot be told"
    with pytest.raises(CannotTell):
        measure.measured_machine(alone)


@pytest.mark.parametrize("at", [0, 1])
def test_measuring_one_speed_and_one_head_keeps_the_others(at):
    second = {"spacing_mm": 90.0, "spacing_plus_minus_mm": 1.4, "level_db": -3.0}
    data = example_machine().model_dump(exclude_unset=True)
    known = Machine.model_validate({**data, "playback_heads": [*data["playback_heads"], second]})
    speed = 1.01 * known.speeds[at]
    spread = 1e-6
    seen = [
        Delay(Estimate(0.042 / speed, spread, "s"), at=at),
        KnownSpeed(Estimate(speed, 1e-3 * speed, "m/s"), at=at),
    ]
    geometry = measure.solve_geometry(seen)
    assert not any("cannot separate" in sentence for sentence in geometry.sentences)
    again = measure.measured_machine(measure.Measurement(geometry=geometry), known)
    assert again.speeds[at] == pytest.approx(speed, rel=1e-5)
    assert again.speeds[1 - at] == pytest.approx(known.speeds[1 - at], rel=1e-5)
    # One figure for both: that of the speed which is known worse.
    assert again.u_speed == pytest.approx(known.u_speed, rel=1e-3)
    assert again.spacings == pytest.approx((0.042, 0.09), rel=1e-4)
    assert again.playback_heads[1] == known.playback_heads[1]


def test_a_speed_or_head_that_nothing_names_is_not_made_up():
    plate = KnownSpeed(Estimate(FAST, 1e-3 * FAST, "m/s"), at=2)
    far = measure.solve_geometry([Delay(Estimate(0.2, 1e-6, "s"), at=2), plate])
    with pytest.raises(CannotTell, match="speed 1 was not measured"):
        measure.measured_machine(measure.Measurement(geometry=far))
    plate = KnownSpeed(Estimate(FAST, 1e-3 * FAST, "m/s"))
    far = measure.solve_geometry([Delay(Estimate(0.4, 1e-6, "s"), head=2), plate])
    with pytest.raises(CannotTell, match="head 2 was not measured"):
        measure.measured_machine(measure.Measurement(geometry=far), example_machine())


@pytest.mark.parametrize(("slight", "blamed"), [(2e-5, 1), (2e-4, 2)])
def test_a_line_too_shallow_to_matter_is_listed_and_not_blamed(slight, blamed):
    rate = 0.1905 / (np.pi * 0.008)
    deck = generator.Deck(wobbles=((0.0006, rate, 0.0), (slight, 112.0, 1.0)))
    tape = measure.open_recording(generator.tone(20, RATE, deck), sample_rate=RATE)
    found = measure.measure(
        [measure.Take(recording=tape, kind="tone", record_mode="test tape")], machine=example_machine()
    )
    assert any(abs(line.rate.value - 112) < 0.1 for line in found.flutter[0].lines)
    assert len(found.suspects[0]) == blamed


@pytest.mark.parametrize(
    ("change", "key", "value"),
    [
        ({"heads.azimuth_error_arcmin": 12.0}, "azimuth_error_arcmin", 12.0),
        ({"heads.spacing_loss_um": 3.0}, "spacing_loss_um", 3.0),
    ],
)
def test_what_explains_the_treble_goes_into_the_machine_file(change, key, value):
    # One explanation at a time: but for the change, the heads are as they were aligned.
    aligned = example_machine().heads.aligned_spacing_loss_um
    worn = with_changes(example_machine(), {"heads.spacing_loss_um": aligned, **change})
    speed = worn.speeds[0]
    deck = generator.Deck(spacing=worn.spacings[0], speed=speed)
    dry = generator.noise(5, RATE, top=19000)
    wet = generator.soiled(generator.echo(dry, RATE, deck, gain=worn.one_pass(speed).gain), snr_db=50)
    take = measure.Take(recording=measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE))
    found = measure.measure([take], machine=example_machine())
    filled = measure.measured_machine(found, example_machine())
    assert getattr(filled.heads, key) == pytest.approx(value, rel=0.03)
    assert any("unexplained" in sentence for sentence in found.sentences)


def test_a_dirty_head_is_named_at_a_low_sample_rate_too():
    rate = 32000
    machine = with_changes(example_machine(), {"heads.azimuth_error_arcmin": 0.0})
    machine = with_changes(machine, {"mixer.return_send_db": -90.0, "heads.spacing_loss_um": 1.0})
    speed = machine.speeds[0]
    signal = measure.make_test_signal(rate)[5 * rate : 26 * rate]  # clicks and noise
    wet = render(signal, rate, machine, speed=speed, seconds=len(signal) / rate, seed=1).wet
    recording = measure.open_recording(np.stack([signal, wet[: len(signal)]], axis=1), sample_rate=rate)
    response = measure.measure_response(recording, measure.measure_delay(recording))
    one_pass = machine.one_pass(speed)
    error = response.level_db - one_pass.level_db(response.frequency) + one_pass.level_db(1000.0)
    assert np.all(np.abs(error) < response.plus_minus_db + 0.1)
    best = measure.fit_what_ifs(response, one_pass)[0]
    assert best.name == "separation" and best.parts["separation"].covers(1e-6)


def test_a_recording_without_the_announced_signal_is_taken_as_any_other():
    dry = generator.noise(4, RATE)
    both = np.stack([dry, generator.echo(dry, RATE, generator.Deck())], axis=1)
    recording = measure.open_recording(both, sample_rate=RATE)
    found = measure.measure([measure.Take(recording=recording, kind="test signal")])
    assert found.delays[0, 0].total.covers(0.2)
    assert any("taken as any other sound" in sentence for sentence in found.sentences)


# ---- takes of one place, and what contradicts what is known ----


def program(deck, seed=1, *, seconds=4, rate=RATE, **place):
    """A take of noise through a deck."""
    dry = generator.noise(seconds, rate, seed=seed)
    wet = generator.soiled(generator.echo(dry, rate, deck), snr_db=40, seed=seed)
    return measure.Take(
        recording=measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=rate), **place
    )


def test_takes_of_one_place_that_differ_widen_the_interval_and_say_so():
    decks = [generator.Deck(speed=0.1905 * factor) for factor in (1.0, 1.002)]
    truths = [deck.spacing / deck.speed for deck in decks]
    found = measure.measure([program(deck, k) for k, deck in enumerate(decks)])
    total = found.delays[0, 0].total
    assert total.value == pytest.approx(np.mean(truths), abs=1e-5)
    assert all(total.covers(truth) for truth in truths)
    assert any("more apart than each is sure" in sentence for sentence in found.sentences)
    same = measure.measure([program(decks[0], k) for k in range(2)])
    assert same.delays[0, 0].total.covers(truths[0]) and same.delays[0, 0].total.plus_minus < 1e-4
    assert not any("apart" in sentence for sentence in same.sentences)


def test_several_takes_are_no_surer_than_on_average_and_the_loudest_bound_counts():
    dry = generator.noise(4, RATE)
    decks = (generator.Deck(spacing=SPACING, speed=FAST, wobbles=((m, 0.4, 1.0),)) for m in (0.0, 3e-3))
    wets = [generator.echo(dry, RATE, deck) for deck in decks]
    clean, swaying = (
        measure.Take(recording=measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE))
        for wet in wets
    )
    alone = [measure.measure([take]).delays[0, 0].total.plus_minus for take in (clean, swaying)]
    assert alone[1] > 2 * alone[0]
    for takes in ([clean, swaying], [swaying, clean]):
        assert measure.measure(takes).delays[0, 0].total.plus_minus >= np.mean(alone)

    def falling(gain, last):
        burst = np.pad(generator.noise(0.1, RATE), (0, round(SPACING / FAST * RATE) - RATE // 10))
        return np.concatenate([gain**n * burst for n in range(last)])

    softer, louder = (
        measure.Take(
            recording=measure.open_recording(0.5 * falling(gain, 12), sample_rate=RATE), kind="repeats"
        )
        for gain in (0.5, 0.6)
    )
    bounds = [measure.measure([clean, take]).repeats[0].upper_db for take in (softer, louder)]
    assert bounds[0] < bounds[1]
    assert measure.measure([clean, softer, louder]).repeats[0].upper_db == bounds[1]


def test_a_response_is_read_from_the_take_that_told_the_delay():
    deck = generator.Deck(spacing=SPACING, speed=FAST)
    again, sound = np.tile(generator.noise(0.5, RATE), 8), generator.noise(4, RATE)
    repeated, plain = (
        measure.Take(
            recording=measure.open_recording(
                np.stack([dry, generator.echo(dry, RATE, deck)], axis=1), sample_rate=RATE
            )
        )
        for dry in (again, sound)
    )
    both, alone = measure.measure([repeated, plain]), measure.measure([plain])
    assert any("repeats itself" in sentence for sentence in both.sentences)
    assert both.responses[0, 0].to_dict() == alone.responses[0, 0].to_dict()


def test_takes_of_one_place_that_contradict_each_other_tell_nothing():
    found = measure.measure([program(generator.Deck(speed=v)) for v in (0.1905, 0.09525)])
    assert not found.delays and found.geometry is None
    assert any("contradict each other, 200.0" in s and "two speeds" in s for s in found.sentences)


def test_a_take_that_is_dead_leaves_the_others_alive():
    rng = np.random.default_rng(2)
    dry = generator.noise(4, RATE)
    hiss = generator.soiled(0.01 * generator.echo(dry, RATE, generator.Deck()), snr_db=-30)
    chance = rng.standard_normal((4 * RATE, 2)) * 0.1
    dead = [np.stack([dry, hiss], axis=1), chance]
    takes = [measure.Take(recording=measure.open_recording(one, sample_rate=RATE)) for one in dead]
    found = measure.measure([*takes, program(generator.Deck(), at=1)])
    assert [light.light for light in found.lights] == ["useless", "useless", "good"]
    assert list(found.delays) == [(0, 1)] and found.delays[0, 1].total.covers(0.2)


def test_speeds_in_the_wrong_order_make_no_machine_file():
    machine = example_machine()
    takes = [
        program(generator.Deck(spacing=machine.spacings[0], speed=speed), at=at)
        for at, speed in enumerate(reversed(machine.speeds))
    ]
    ruler = Ruler(Estimate(machine.spacings[0], 5e-4, "m"))
    found = measure.measure(takes, machine=machine, rulers=[ruler])
    assert any("another order than on the plate" in sentence for sentence in found.sentences)
    with pytest.raises(CannotTell, match="no machine is so far off"):
        measure.measured_machine(found, machine)


def test_a_speed_that_is_not_that_of_the_plate_is_told():
    machine = example_machine()
    spacing, (fast, slow) = machine.spacings[0], machine.speeds
    takes = [
        program(generator.Deck(spacing=spacing, speed=v), at=n) for n, v in enumerate((1.1 * fast, slow))
    ]
    found = measure.measure(takes, machine=machine, rulers=[Ruler(Estimate(spacing, 5e-4, "m"))])
    told = [sentence for sentence in found.sentences if "more than both may be off" in sentence]
    assert len(told) == 1 and told[0].startswith("The speed 1 comes out as 8.2")


def test_a_rate_that_the_file_says_wrong_is_suspected_from_the_plate():
    machine = example_machine()
    deck = generator.Deck(spacing=machine.spacings[0], speed=machine.speeds[0])
    right = program(deck).recording
    wrong = dataclasses.replace(right, sample_rate=44100)
    found = measure.measure([measure.Take(recording=wrong)], machine=machine)
    assert any("48 to 44.1 kHz" in sentence for sentence in found.sentences)
    found = measure.measure([measure.Take(recording=right)], machine=machine)
    assert not any("44.1" in sentence or "both may be off" in sentence for sentence in found.sentences)


@pytest.mark.parametrize("nominal", [3150.0, 3000.0])
def test_a_test_tape_tells_the_speed(nominal):
    machine = example_machine()
    deck = generator.Deck(spacing=machine.spacings[0], speed=1.012 * machine.speeds[0])
    tone = generator.tone(12, RATE, deck, frequency=1.012 * nominal)
    tape = measure.open_recording(tone, sample_rate=RATE)
    takes = [measure.Take(recording=tape, kind="tone", record_mode="test tape"), program(deck)]
    found = measure.measure(takes, machine=machine)
    assert found.flutter[0].speed_error.covers(0.012)
    speed = found.geometry.speeds[0]
    assert speed.covers(deck.speed) and speed.plus_minus < 0.002 * deck.speed
    assert found.geometry.spacings[0].covers(machine.spacings[0])
    alone = measure.measure(takes)
    assert alone.geometry.speeds == (None,)
    assert any("name a machine file to have it" in sentence for sentence in alone.sentences)


def test_a_part_that_was_not_seen_keeps_what_the_file_says_or_at_most_what_would_have_been_seen():
    machine = example_machine()
    rates = {part.name: float(part.rate_at(machine.speeds[0])) for part in machine.turning_parts}
    names = list(rates)
    data = machine.model_dump(exclude_unset=True)
    for part, wobble in zip(data["parts"], (0.5, 0.0004, 0.03, 0.02), strict=False):
        part["wobble_percent"] = wobble
    known = Machine.model_validate(data)
    deck = generator.Deck(wobbles=((1e-3, rates[names[2]], 0.0),), random=(1e-4, 3))
    tape = measure.open_recording(generator.tone(20, RATE, deck), sample_rate=RATE)
    found = measure.measure(
        [measure.Take(recording=tape, kind="tone", record_mode="test tape")], machine=known
    )
    how = {part.name: part for part in part_wobbles(found, known)}
    assert how[names[0]].how == "at most" and 0 < how[names[0]].wobble < 0.005
    assert how[names[1]].how == "not to be seen"
    assert how[names[2]].how == "measured" and how[names[2]].wobble == pytest.approx(1e-3, rel=0.05)
    again = measure.measured_machine(found, known)
    wobbles = {part.name: part.wobble_percent for part in again.parts}
    assert wobbles[names[1]] == 0.0004
    assert 0 < wobbles[names[0]] < 0.5
