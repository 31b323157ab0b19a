"""The machine file that a measurement fills in: what it keeps of delays, heads and speeds."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.machine import example_machine, machine_from_text, machine_to_text, with_changes
from tapecalc.measuring import CannotTell, Estimate, Ruler, Take
from tapecalc.measuring.loop_gain import RepeatReading
from tapecalc.plan import make_plan

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
    reading = RepeatReading(0.2, gain, ((707.0, gain),), (0.0, 25.0), 0, -40.0)
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
    assert found.to_dict()["flutter_heads"] == {"speed 1": 2}
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
