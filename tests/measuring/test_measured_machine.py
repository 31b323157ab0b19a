"""The machine file that a measurement fills in: what it keeps of delays, heads and speeds."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.machine import (
    MachineFileError,
    example_machine,
    machine_from_text,
    machine_to_text,
    with_changes,
)
from tapecalc.measuring import CannotTell, Estimate, Ruler, Take
from tapecalc.measuring.loop_gain import RepeatReading
from tapecalc.plan import make_plan
from tapecalc.report.measurement import measurement_data
from tapecalc.sound.render import render

RATE = 32_000
SPACINGS = (0.0415, 0.0800, 0.1185)
SPEEDS = (0.1905, 0.09525)
WOBBLE = ((5e-4, 7.0, 0.0),)


def played(head, at, kind="program"):
    """A take of one head at one speed, the others turned down."""
    deck = generator.Deck(spacing=SPACINGS[head], speed=SPEEDS[at], wobbles=WOBBLE)
    dry = generator.noise(4, RATE, seed=10 * head + at)
    wet = generator.soiled(generator.echo(dry, RATE, deck), snr_db=40, seed=head)
    recording = measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE)
    return Take(recording=recording, kind=kind, head=head, at=at)


@pytest.fixture(scope="module")
def found():
    """Three heads at two speeds, and a ruler to the farthest head."""
    takes = [played(head, at) for head in range(3) for at in range(2)]
    return measure.measure(takes, rulers=[Ruler(Estimate(SPACINGS[2] + 2e-4, 5e-4, "m"), head=2)])


def test_three_heads_and_two_speeds_are_told_by_one_ruler(found):
    for spacing, truth in zip(found.geometry.spacings, SPACINGS, strict=True):
        assert spacing.covers(truth)
        assert spacing.plus_minus == pytest.approx(truth * 5e-4 / SPACINGS[2], rel=0.02)
    for speed, truth in zip(found.geometry.speeds, SPEEDS, strict=True):
        assert speed.covers(truth)
    # Delays sure to 1e-7 beside a ruler sure to 1e-2: digits lost in the sums would read as a clash.
    assert found.geometry.misfit > 0.01
    assert not any("clash" in sentence for sentence in found.sentences)


def test_the_file_keeps_every_delay_with_its_own_uncertainty(found):
    machine = machine_from_text(machine_to_text(measure.measured_machine(found)))
    assert len(machine.measured_delays) == 6
    for one in make_plan(machine).delays:
        at = machine.speeds.index(one.speed)
        total = found.delays[one.head - 1, at].total
        assert one.measured
        assert one.delay == pytest.approx(total.value, abs=1e-8)
        assert total.plus_minus <= one.plus_minus * (1 + 1e-9)  # three digits in the file, rounded up
        assert one.plus_minus < 1.01 * total.plus_minus
        assert abs(one.delay - SPACINGS[one.head - 1] / SPEEDS[at]) < total.plus_minus
        # What the ruler leaves in spacing and speed is ten times as much and more.
        assert one.plus_minus < 0.1 * one.delay * 5e-4 / SPACINGS[2]


def test_measuring_again_replaces_what_was_measured_and_drops_what_no_longer_holds(found):
    first = measure.measured_machine(found)
    nothing = measure.Measurement()
    assert measure.measured_machine(nothing, first).measured_delays == first.measured_delays
    again = measure.measure([played(0, 0)], rulers=[Ruler(Estimate(0.0415, 3e-4, "m"))])
    second = measure.measured_machine(again, first)
    # Speed 1 and head 1 have new figures; only heads 2 and 3 at speed 2 are as they were.
    assert [(one.head, one.speed) for one in second.measured_delays] == [(1, 1), (2, 2), (3, 2)]
    assert second.measured_delays[1:] == (first.measured_delays[3], first.measured_delays[5])


def test_without_a_delay_nothing_is_written_about_delays():
    filled = measure.measured_machine(measure.Measurement(), example_machine())
    assert "measured_delays" not in filled.model_fields_set


def test_a_what_if_on_the_measured_machine_is_planned_from_spacing_and_speed(found):
    machine = measure.measured_machine(found)
    moved = with_changes(machine, {"playback_heads.2.spacing_mm": 90.0})
    measured = [one.measured for one in make_plan(moved).delays]
    assert measured == [True, False, True, True, False, True]


def test_heads_counted_from_the_wrong_end_make_no_machine_file():
    takes = [
        Take(recording=played(1 - head, 0).recording, head=head) for head in range(2)
    ]  # the farther head first
    found = measure.measure(takes, rulers=[Ruler(Estimate(SPACINGS[1], 5e-4, "m"))])
    with pytest.raises(CannotTell, match="playback_heads must stand in tape order, nearest to the record"):
        measure.measured_machine(found)


def test_a_figure_that_no_machine_file_takes_is_refused_by_its_key():
    gain = Estimate(25.0, 0.1, "dB")
    reading = RepeatReading(0.2, gain, 25.1, ((707.0, gain),))
    with pytest.raises(CannotTell, match="makes no machine: mixer.return_send_db must be 20 or less, got 25"):
        measure.measured_machine(measure.Measurement(repeats={0: reading}), example_machine())


def test_flutter_and_noise_are_read_from_the_first_head_that_tells_them():
    noise = Take(recording=played(0, 0).recording, kind="tone")  # noise is no tone
    deck = generator.Deck(wobbles=((1e-3, 4.0, 0.0),))
    tone = measure.open_recording(generator.tone(8, RATE, deck), sample_rate=RATE)
    takes = [
        noise,
        *(Take(recording=tone, kind="tone", record_mode="test tape", head=head) for head in (1, 2)),
    ]
    found = measure.measure(takes)
    assert found.flutter_heads == {0: 1}
    assert measurement_data(found)["flutter_heads"] == {"speed 1": 2}
    assert sum("read once for each speed" in sentence for sentence in found.sentences) == 1


def test_a_far_head_whose_delay_sways_is_not_taken_for_a_sound_that_repeats_itself():
    # Half of the time here and half of the time there: two peaks of one height, as slow wobbles make them.
    dry = generator.noise(8, RATE)
    near, far = round(1.25 * RATE), round(1.25 * RATE) + round(1.6e-3 * RATE)
    half = near + (len(dry) - near) // 2  # of what comes back before the recording ends
    wet = np.concatenate([np.roll(dry, near)[:half], np.roll(dry, far)[half:]])
    track = measure.measure_delay(
        measure.open_recording(np.stack([dry, wet], axis=1), sample_rate=RATE)
    ).track
    for there in (near, far):
        assert np.sum(np.abs(track - there / RATE) < 2e-6) > 0.3 * len(track)


ROWS = [[50.0, -3.0], [100.0, 2.5], [1000.0, 0.0], [8000.0, -1.25], [12000.0, -9.0]]


def with_response(*speeds, rows=ROWS):
    """The bundled machine with one and the same response at some of its speeds."""
    found = [{"speed": speed, "hz_and_db": rows} for speed in speeds]
    return with_changes(example_machine(), {"measured_responses": found})


@pytest.mark.parametrize("shape", ["flat", "blocks", "plates"])
def test_a_measured_response_is_used_as_it_is_with_no_bumps_on_top(shape):
    machine = machine_from_text(machine_to_text(with_response(1)))
    one_pass = machine.one_pass(SPEEDS[0], pole_shape=shape)
    for hertz, level_db in ROWS:
        assert one_pass.level_db(hertz) - one_pass.level_db(1000.0) == pytest.approx(level_db, abs=1e-9)
    # Between the points there are no bumps either, and 1 kHz is as loud as it is reckoned to be.
    even = with_changes(example_machine(), {"heads.pole_length_mm": 0.0})
    found = [{"speed": 1, "hz_and_db": ROWS}]
    without = with_changes(even, {"measured_responses": found}).one_pass(SPEEDS[0])
    between = np.geomspace(60, 900, 50)
    np.testing.assert_array_equal(one_pass.level_db(between), without.level_db(between))
    assert one_pass.level_db(1000.0) == pytest.approx(even.one_pass(SPEEDS[0]).level_db(1000.0), abs=1e-9)
    # At the other speed nothing was measured.
    assert machine.one_pass(SPEEDS[1], pole_shape=shape) == example_machine().one_pass(
        SPEEDS[1], pole_shape=shape
    )


def test_a_measured_response_is_what_is_heard():
    machine = with_response(1, rows=[[60.0, -3.0], [1000.0, 0.0], [4000.0, 2.0]])
    rate, level = 32_000, {}
    for hertz in (1000.0, 4000.0):
        dry = 0.01 * np.sin(2 * np.pi * hertz * np.arange(rate) / rate)
        wet = render(
            dry, rate, machine, without=["flutter", "hiss", "saturation", "feedback"], seconds=1.0
        ).wet
        level[hertz] = 20 * np.log10(np.std(wet[rate // 2 : rate // 2 + 8000]))
    assert level[4000.0] - level[1000.0] == pytest.approx(2.0, abs=0.1)


def test_a_measured_response_goes_with_what_it_was_measured_on():
    machine = with_response(1, 2)
    for kept in ({"song.bpm": 100.0}, {"tape.length_m": 300.0}, {"playback_heads.1.level_db": -3.0}):
        assert with_changes(machine, kept).measured_responses == machine.measured_responses
    for lost in ({"heads.spacing_loss_um": 0.5}, {"tape.coating_thickness_um": 5.0}):
        assert with_changes(machine, lost).measured_responses == ()
    faster = with_changes(machine, {"transport.speeds_ips": [7.4, 3.75]})
    assert [response.speed for response in faster.measured_responses] == [2]


@pytest.mark.parametrize(
    ("speeds", "rows", "problem"),
    [
        ((1,), [[100.0, 0.0], [100.0, 1.0]], "must rise in frequency"),
        ((1, 1), ROWS, "must be of one speed of this machine each"),
        ((3,), ROWS, "must be of one speed of this machine each"),
        ((1,), [[0.5, 0.0]], "must be 1 or more"),
    ],
)
def test_a_response_that_makes_no_sense_is_refused(speeds, rows, problem):
    with pytest.raises(MachineFileError, match=problem):
        with_response(*speeds, rows=rows)


def test_the_file_keeps_the_response_of_the_nearest_head_at_each_speed(found):
    machine = measure.measured_machine(found)
    assert [response.speed for response in machine.measured_responses] == [1, 2]
    for at, response in enumerate(machine.measured_responses):
        seen = found.responses[0, at]
        sure = seen.plus_minus_db < 1
        hertz, level_db = np.transpose(response.hz_and_db)
        np.testing.assert_allclose(hertz, seen.frequency[sure], atol=0.051)
        np.testing.assert_allclose(level_db, seen.level_db[sure], atol=0.0051)
    again = measure.measured_machine(measure.Measurement(), machine)
    assert again.measured_responses == machine.measured_responses
