"""The test signal, found again in a recording."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.measuring import CannotTell
from tapecalc.measuring.test_signal import find_signal
from tapecalc.sound.test_signal import SWEEPS

RATE = 48000
ALL = {part.name for part in measure.PARTS}
DUST = 1e-4


def found_in(sent, rate=RATE):
    """What is found in a take of `sent` with dust on both channels, the playback 0.2 s late."""
    dust = DUST * np.random.default_rng(1).standard_normal((2, len(sent)))
    both = np.stack([sent, np.roll(sent, rate // 5)]) + dust
    return find_signal(measure.open_recording(both.T, sample_rate=rate))


@pytest.fixture(scope="module")
def sent():
    return measure.make_test_signal(RATE)


@pytest.mark.parametrize("rate", [44100, 48000])
def test_the_test_signal_is_found_again_wherever_it_starts(rate):
    signal = measure.make_test_signal(rate)
    late = np.concatenate([1e-4 * np.random.default_rng(1).standard_normal(int(7.3 * rate)), signal])
    parts = find_signal(measure.open_recording(np.stack([late, late], 1), sample_rate=rate)).parts
    assert set(parts) == ALL
    assert parts["noise"].first / rate - 7.3 == pytest.approx(8.0, abs=2 / rate)
    alone = find_signal(measure.open_recording(late, sample_rate=rate))  # the playback alone
    assert alone.missing == () and alone.offset == pytest.approx(7.3, abs=1e-3)


def test_a_recording_without_the_test_signal_is_refused():
    for sound in (generator.noise(10, RATE), generator.plucked(10, RATE), np.zeros(RATE)):
        with pytest.raises(CannotTell, match="announcing pattern"):
            find_signal(measure.open_recording(sound, sample_rate=RATE))
    with pytest.raises(ValueError, match="sample_rate"):
        measure.make_test_signal(8000)


def test_levels_are_as_said(sent):
    piece = {p.name: sent[round(p.start * RATE) : round(p.stop * RATE)] for p in measure.PARTS}
    assert np.max(np.abs(piece["reference"])) == pytest.approx(10 ** (-18 / 20), rel=1e-3)
    assert np.max(np.abs(sent)) == pytest.approx(10 ** (-8 / 20), rel=1e-3)
    power = np.abs(np.fft.rfft(piece["noise"])) ** 2
    treble = np.fft.rfftfreq(len(piece["noise"]), 1 / RATE) > 4000
    share = power[treble].sum() / power.sum() * np.mean(piece["noise"] ** 2)
    assert 10 * np.log10(share / np.mean(piece["reference"] ** 2)) == pytest.approx(-20, abs=0.5)
    first = SWEEPS[0]
    turns = np.diff(first.phase(np.array([1.0, 1.0 + 1e-6])))[0] / (2 * np.pi * 1e-6)
    assert turns == pytest.approx(first.frequency(1.0), rel=1e-4)


def test_after_three_minutes_of_waiting_it_is_found(sent):
    found = found_in(np.pad(sent, (180 * RATE, 0)))
    assert found.missing == () and found.offset == pytest.approx(180, abs=1e-3)


@pytest.mark.parametrize(
    ("stop", "missing", "tone"), [(26, 3, 0.0), (40, 2, 3.0), (58, 2, 21.0), (70, 1, 26.5)]
)
def test_a_take_that_is_broken_off_keeps_what_is_there(sent, stop, missing, tone):
    for take in (sent[: stop * RATE], np.pad(sent[: stop * RATE], (0, 5 * RATE))):
        found = found_in(take)
        assert len(found.missing) == missing or stop == 70
        assert found.parts["noise"].duration >= 12
        assert (found.parts["tone"].duration if tone else 0.0) == pytest.approx(tone, abs=0.11)


@pytest.mark.parametrize("begin", [5, 12, 15])
def test_a_beginning_that_is_cut_off_does_no_harm(sent, begin):
    found = found_in(sent[begin * RATE :])
    assert found.offset == pytest.approx(-begin, abs=1e-3)
    assert found.parts["tone"].duration == 26.5 and found.parts["sweeps"].duration == 14
    assert found.parts["noise"].duration == pytest.approx(min(14, 20 - begin), abs=0.11)
    assert "reference" in found.missing and "silence" not in found.missing


def test_begun_twice_the_whole_one_counts(sent):
    found = found_in(np.concatenate([sent[: 18 * RATE], np.zeros(5 * RATE), sent]))
    assert found.missing == () and found.offset == pytest.approx(23, abs=1e-3)


def test_lost_samples_leave_the_tone_not_in_full(sent):
    found = found_in(np.delete(sent, np.arange(50 * RATE, int(51.2 * RATE))))
    assert found.missing == ("tone", "silence")
    assert found.parts["tone"].duration == pytest.approx(25.3, abs=0.11)


@pytest.mark.parametrize(("made", "stated"), [(48000, 44100), (44100, 48000)])
def test_a_wrong_sample_rate_is_seen(made, stated):
    signal = np.pad(measure.make_test_signal(made), (made, 0))
    found = found_in(signal, stated)
    assert found.rate_ratio == pytest.approx(made / stated) and found.missing == ()
    assert found.offset == pytest.approx(1.0, abs=1e-3)
    assert found.parts["tone"].sample_rate == made and found.parts["tone"].duration == 26.5
