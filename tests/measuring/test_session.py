"""Recordings, geometry, the test signal, and the whole measurement round to a machine file."""

import json

import deck_generator as generator
import numpy as np
import pytest
import soundfile

from tapecalc import measuring as measure
from tapecalc.machine import Machine, example_machine, with_changes
from tapecalc.measuring import CannotTell, Delay, Estimate, KnownSpeed, Ruler, Stopwatch
from tapecalc.measuring.session import KINDS
from tapecalc.plan import make_plan
from tapecalc.report.measurement import measurement_rows
from tapecalc.sound.render import render

RATE = 48000
SPACING, FAST, SLOW = 0.0415, 0.1905, 0.09525


def test_estimate_prints_the_digits_that_its_uncertainty_supports():
    assert Estimate(0.2178478, 0.0021, "s").text("ms") == "217.8 ms +/- 2.1 ms"
    assert Estimate(3.0, 0.0).text() == "3.000 +/- 0.000"
    assert Estimate(1.0, 0.1).covers(1.09) and not Estimate(1.0, 0.1).covers(1.11)


def test_a_recording_reads_any_piece_and_zeros_outside():
    samples = np.arange(20.0).reshape(10, 2) / 100
    recording = measure.open_recording(samples, sample_rate=10_000)
    np.testing.assert_allclose(recording.read("dry", -2, 4), [0, 0, 0.0, 0.02])
    np.testing.assert_allclose(recording.read("playback", 8, 4), [0.17, 0.19, 0, 0])
    np.testing.assert_allclose(recording.part(0.0004, 0.0006).read("dry", -1, 4), [0, 0.08, 0.10, 0])
    np.testing.assert_allclose(recording.swapped().read("dry", 0, 1), [0.01])
    assert np.all(recording.read("dry", -50, 5) == 0) and np.all(recording.read("dry", 50, 5) == 0)


def test_files_read_as_arrays_do(tmp_path):
    samples = 0.3 * np.random.default_rng(1).standard_normal((4000, 2)).clip(-1, 1)
    soundfile.write(tmp_path / "a.wav", samples, 8000, subtype="FLOAT")
    recording = measure.open_recording(tmp_path / "a.wav", dry_channel=1)
    np.testing.assert_allclose(recording.read("dry", 10, 100), samples[10:110, 1], atol=1e-7)
    assert recording.one_clock and recording.duration == 0.5
    soundfile.write(tmp_path / "mono.wav", samples[:, 0], 8000)
    assert measure.open_recording(tmp_path / "mono.wav").dry is None
    two = measure.open_recording(tmp_path / "mono.wav", tmp_path / "a.wav")
    assert not two.one_clock
    assert np.all(two.read("playback", 5000, 5) == 0)


def test_what_cannot_be_opened_is_refused(tmp_path):
    (tmp_path / "text.wav").write_text("no sound")
    with pytest.raises(ValueError, match="text.wav: not a sound file"):
        measure.open_recording(tmp_path / "text.wav")
    with pytest.raises(ValueError, match="sample_rate"):
        measure.open_recording(np.zeros(10))
    with pytest.raises(ValueError, match="finite"):
        measure.open_recording(np.array([0.0, np.nan]), sample_rate=8000)
    with pytest.raises(ValueError, match="finite"):
        measure.open_recording(np.array([0.0, 1e300]), sample_rate=8000)
    with pytest.raises(ValueError, match="sample_rate must be"):
        measure.open_recording(np.zeros(10), sample_rate=1)
    soundfile.write(tmp_path / "a.wav", np.zeros(10), 8000)
    soundfile.write(tmp_path / "b.wav", np.zeros(10), 44100)
    with pytest.raises(ValueError, match="one sample rate"):
        measure.open_recording(tmp_path / "a.wav", tmp_path / "b.wav")


@pytest.mark.parametrize("ceiling", [0.05, 0.2])
def test_clipping_is_seen_on_one_side_and_on_both(ceiling):
    music = generator.plucked(3, 16000)
    above, below = np.count_nonzero(music >= ceiling), np.count_nonzero(music <= -ceiling)
    one_sided = np.minimum(music, ceiling)
    cases = ((one_sided, above), (-one_sided, above), (np.clip(music, -ceiling, ceiling), above + below))
    for samples, expected in cases:
        health = measure.channel_health(measure.open_recording(samples, sample_rate=16000), "playback")
        assert health.clipped == pytest.approx(expected, rel=0.05)
        assert "clipped" in health.sentences()[0]


def test_unclipped_music_noise_and_tones_are_not_called_clipped():
    tone = np.sin(np.arange(48000) / 7)
    for samples in (
        generator.plucked(3, 16000),
        generator.noise(3, 16000),
        tone,
        generator.soiled(tone, bits=16),
    ):
        health = measure.channel_health(measure.open_recording(samples, sample_rate=16000), "playback")
        assert health.clipped == 0
        assert health.sentences() == ()


def delays():
    return [
        Delay(Estimate(SPACING / FAST, 2e-6, "s"), at=0),
        Delay(Estimate(SPACING / SLOW, 4e-6, "s"), at=1),
    ]


def test_delays_alone_give_the_speed_ratio_and_say_what_they_cannot_tell():
    found = measure.solve_geometry(delays())
    assert found.spacings == (None,) and found.speeds == (None, None)
    assert found.speed_ratios[1].covers(0.5) and found.speed_ratios[1].uncertainty < 1e-5
    assert "cannot separate head spacing from tape speed" in found.sentences[0]


def test_a_ruler_or_a_stopwatch_settles_it():
    ruler = Ruler(Estimate(SPACING, 0.5e-3, "m"))
    watch = Stopwatch(Estimate(10.0, 0.01, "m"), Estimate(10 / SLOW, 0.4, "s"), at=1)
    ruled = measure.solve_geometry([*delays(), ruler])
    timed = measure.solve_geometry([*delays(), watch])
    both = measure.solve_geometry([*delays(), ruler, watch])
    for found in (ruled, timed, both):
        assert found.spacings[0].covers(SPACING)
        assert found.speeds[0].covers(FAST) and found.speeds[1].covers(SLOW)
        assert None not in found.speed_ratios
    assert ruled.spacings[0].uncertainty == pytest.approx(0.5e-3, rel=1e-3)
    # Two independent ways: weights add up.
    expected = 1 / np.hypot(1 / ruled.speeds[0].uncertainty, 1 / timed.speeds[0].uncertainty)
    assert both.speeds[0].uncertainty == pytest.approx(expected, rel=0.01)
    assert "one absolute measurement" in ruled.sentences[0]
    assert both.sentences == ()
    json.dumps(both.to_dict())


@pytest.mark.parametrize("tolerance", [0, 1e-12, 1e-9])
def test_a_clock_that_is_right_leaves_the_ruler_as_it_is(tolerance):
    seen = [Delay(Estimate(0.2, 1e-6, "s")), Ruler(Estimate(0.04, 0.5e-3, "m"))]
    found = measure.solve_geometry(seen, clock_tolerance=tolerance)
    assert found.spacings[0].value == pytest.approx(0.04, rel=1e-6)
    assert found.spacings[0].uncertainty == pytest.approx(0.5e-3, rel=1e-3)
    assert found.speeds[0].value == pytest.approx(0.2, rel=1e-6)
    assert found.covariance[-1, -1] == pytest.approx(tolerance**2 / 3, rel=1e-6, abs=0)
    # Alone, a delay still leaves spacing and speed open.
    assert measure.solve_geometry(seen[:1], clock_tolerance=tolerance).spacings == (None,)


def test_the_tolerance_of_the_clock_goes_into_the_speed():
    # A plate and a delay tell the spacing; the clock adds its own doubt, in squares.
    seen = [Delay(Estimate(0.2, 1e-9, "s")), KnownSpeed(Estimate(0.2, 2e-9, "m/s"))]
    found = measure.solve_geometry(seen, clock_tolerance=1e-3)
    assert found.spacings[0].uncertainty / 0.04 == pytest.approx(2e-3 / np.sqrt(3), rel=1e-3)


def test_two_heads_share_the_speed():
    second = Delay(Estimate(2 * SPACING / FAST, 2e-6, "s"), head=1)
    found = measure.solve_geometry([delays()[0], second, Ruler(Estimate(SPACING, 0.5e-3, "m"))])
    assert found.spacings[1].covers(2 * SPACING)
    assert found.spacing_ratios[1].covers(2.0) and found.spacing_ratios[1].uncertainty < 1e-4
    # The spacings stand or fall together.
    assert found.covariance[0, 1] > 0.99 * found.covariance[0, 0]


def test_observations_that_clash_are_reported():
    ruler = Ruler(Estimate(SPACING, 0.1e-3, "m"))
    plate = KnownSpeed(Estimate(1.05 * FAST, 0.001, "m/s"))
    found = measure.solve_geometry([*delays(), ruler, plate])
    assert found.misfit < 0.01
    assert any("clash" in sentence for sentence in found.sentences)


def test_geometry_needs_a_delay_and_real_uncertainties():
    with pytest.raises(CannotTell, match="none was measured"):
        measure.solve_geometry([Ruler(Estimate(SPACING, 1e-3, "m"))])
    with pytest.raises(ValueError, match="uncertainty greater than 0"):
        measure.solve_geometry([Delay(Estimate(0.2, 0.0, "s"))])


@pytest.mark.parametrize("rate", [44100, 48000])
def test_the_test_signal_is_found_again_wherever_it_starts(rate):
    signal = measure.make_test_signal(rate)
    assert np.max(np.abs(signal)) <= 0.2501
    late = np.concatenate([1e-4 * np.random.default_rng(1).standard_normal(int(7.3 * rate)), signal])
    parts = measure.find_parts(measure.open_recording(np.stack([late, late], 1), sample_rate=rate))
    assert set(parts) == {part.name for part in measure.PARTS}
    begin = parts["noise"].first / rate - 7.3
    assert begin == pytest.approx(13.0, abs=2 / rate)


def test_a_recording_without_the_test_signal_is_refused():
    with pytest.raises(CannotTell, match="announcing pattern"):
        measure.find_parts(measure.open_recording(generator.noise(10, RATE), sample_rate=RATE))
    with pytest.raises(ValueError, match="sample_rate"):
        measure.make_test_signal(8000)


@pytest.fixture(scope="module")
def bench_deck():
    """The bundled machine, its loop open, and its measurement through the renderer."""
    machine = with_changes(example_machine(), {"mixer.return_send_db": -90.0})
    signal = measure.make_test_signal(RATE)
    takes = []
    for at, speed in enumerate(machine.speeds):
        wet = render(signal, RATE, machine, speed=speed, seconds=len(signal) / RATE, seed=at).wet
        both = np.stack([signal, wet[: len(signal)]], axis=1)
        takes.append(
            measure.Take(recording=measure.open_recording(both, sample_rate=RATE), kind="test signal", at=at)
        )
    ruler = measure.Ruler(Estimate(machine.spacings[0] + 0.2e-3, 0.5e-3, "m"))
    return machine, takes, measure.measure(takes, machine=machine, rulers=[ruler])


def test_plan_render_measure_returns_the_planned_delays_and_spacing(bench_deck):
    machine, _, found = bench_deck
    for at, speed in enumerate(machine.speeds):
        planned = machine.delays(speed)[0]
        assert found.delays[0, at].total.covers(planned)
        # Random wow of the machine moves the mean of 20 s by some tens of microseconds.
        assert found.delays[0, at].total.uncertainty < 1e-3 * planned
        assert found.geometry.speeds[at].covers(speed)
    assert found.geometry.spacings[0].covers(machine.spacings[0])
    assert found.geometry.speed_ratios[1].covers(machine.speeds[1] / machine.speeds[0])


def test_plan_render_measure_returns_the_planned_response(bench_deck):
    machine, _, found = bench_deck
    for at, speed in enumerate(machine.speeds):
        response = found.responses[0, at]
        planned = machine.one_pass(speed).level_db(response.frequency) - machine.one_pass(speed).level_db(
            1000.0
        )
        inside = (response.frequency > 80) & (response.frequency < 9000)
        assert np.max(np.abs(response.level_db - planned)[inside]) < 0.5
        assert found.delays[0, at].low_cut.value == pytest.approx(machine.heads.low_cut_hz, abs=3)


def test_plan_render_measure_returns_the_wobble_of_the_parts(bench_deck):
    machine, _, found = bench_deck
    named = {v.part.name for at in found.suspects for v in found.suspects[at] if v.part is not None}
    wobbling = {part.name for part in machine.turning_parts if part.wobble > 0}
    assert named & wobbling
    assert found.flutter[0].weighted.value > 0
    assert found.noise[0].against == "the reference tone"


def test_the_measured_machine_is_a_machine_file_that_plans_alike(bench_deck):
    machine, _, found = bench_deck
    again = measure.measured_machine(found, machine)
    assert again.name == "Bench deck, measured"
    assert again.spacings[0] == pytest.approx(machine.spacings[0], abs=0.5e-3)
    assert again.speeds == pytest.approx(machine.speeds, rel=0.012)
    planned, measured_plan = make_plan(machine), make_plan(again)
    assert type(planned) is type(measured_plan)
    for at, speed in enumerate(machine.speeds):
        spread = found.delays[0, at].total.uncertainty
        assert again.delays(again.speeds[at])[0] == pytest.approx(machine.delays(speed)[0], abs=spread)


def test_a_measurement_is_a_table_and_a_json_file(bench_deck):
    _, _, found = bench_deck
    rows = dict(measurement_rows(found))
    assert rows["delay, head 1, speed 1"].startswith("217.8")
    assert rows["spacing, head 1"].endswith("mm")
    text = json.dumps(found.to_dict(), allow_nan=False)
    assert "NaN" not in text and len(text) < 1_000_000
    assert any("one absolute measurement" in sentence for sentence in found.sentences)


def test_the_loop_gain_that_was_set_is_measured():
    machine = with_changes(
        example_machine(), {"mixer.return_send_db": -4.0, "flutter.random_percent_rms": 0.0}
    )
    dry = np.zeros(8 * RATE)
    dry[2000 : 2000 + RATE // 8] = 0.5 * generator.noise(0.125, RATE)
    wet = render(dry, RATE, machine, seconds=8.0, without=("saturation",)).wet[: len(dry)]
    recording = measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE)
    found = measure.measure([measure.Take(recording=recording, kind="repeats")], machine=machine)
    assert found.repeats[0].loop_gain_db.value == pytest.approx(-4.0, abs=0.2)
    filled = measure.measured_machine(found, machine)
    assert filled.mixer.return_send_db == pytest.approx(-4.0, abs=0.2)


def test_wrong_takes_end_in_sentences_not_in_numbers():
    silent = measure.open_recording(np.zeros((8 * RATE, 2)), sample_rate=RATE)
    takes = [measure.Take(recording=silent, kind=kind) for kind in KINDS]
    found = measure.measure(takes)
    for kind in ("the delay", "the flutter", "the loop gain", "the noise"):
        assert any(f"cannot tell {kind}" in sentence for sentence in found.sentences)
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
    second = {"spacing_mm": 90.0, "spacing_uncertainty_mm": 0.7, "level_db": -3.0}
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
    assert again.speed_uncertainty == pytest.approx(known.speed_uncertainty, rel=1e-3)
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
    assert np.all(np.abs(error) < response.uncertainty_db + 0.1)
    best = measure.fit_what_ifs(response, speed, aligned=one_pass.aligned, boost_db=one_pass.boost_db)[0]
    assert best.name == "separation" and best.value.covers(1e-6)


def test_a_recording_without_the_announced_signal_is_taken_as_any_other():
    dry = generator.noise(4, RATE)
    both = np.stack([dry, generator.echo(dry, RATE, generator.Deck())], axis=1)
    recording = measure.open_recording(both, sample_rate=RATE)
    found = measure.measure([measure.Take(recording=recording, kind="test signal")])
    assert found.delays[0, 0].total.covers(0.2)
    assert any("taken as any other sound" in sentence for sentence in found.sentences)


def test_a_constant_far_from_zero_is_an_empty_channel_and_a_faint_sound_on_it_is_not():
    steady = np.full(20 * 8000, 0.7)
    assert measure.channel_health(measure.open_recording(steady, sample_rate=8000), "playback").rms == 0
    faint = 1e-6 * np.sin(np.arange(len(steady)))
    health = measure.channel_health(measure.open_recording(steady + faint, sample_rate=8000), "playback")
    assert health.rms == pytest.approx(1e-6 / np.sqrt(2), rel=1e-3)
    assert health.offset == pytest.approx(0.7, abs=1e-9)
