"""The needle of a flutter meter: what it reads, and what it refuses."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.measuring.needle import needle, quasi_peak
from tapecalc.report.measurement import measurement_rows

RATE = 1400


def sine(rate, seconds=10.0):
    return np.sin(2 * np.pi * rate * np.arange(int(seconds * RATE)) / RATE)


def test_nothing_reads_nothing():
    assert quasi_peak(np.zeros(2000), RATE) == 0
    assert needle([0, 0, 0], RATE).tolist() == [0, 0, 0]


def test_a_sine_of_the_calibration_rate_reads_its_zero_to_peak_value_exactly():
    assert quasi_peak(0.0023 * sine(4.0), RATE) == pytest.approx(0.0023, rel=2e-3)


def test_the_needle_rises_within_a_tenth_of_a_second_and_falls_in_one():
    moved = needle(np.concatenate([np.zeros(RATE), np.ones(RATE // 10), np.zeros(3 * RATE)]), RATE)
    assert np.all(moved[:RATE] == 0)
    assert moved[RATE + RATE // 100] < 0.15 < 0.45 < moved.max() < 0.55  # half the swing
    rest = moved[RATE + RATE // 10 :]
    assert np.all(np.diff(rest) <= 0)
    # By hand: 0.9 s / ln(2.5) = 0.982 s until 1/e is left.
    assert rest[round(0.982 * RATE)] / rest[0] == pytest.approx(np.exp(-1), rel=0.005)


def test_the_other_side_of_the_swing_is_let_go_slowly():
    moved = needle(np.concatenate([sine(20.0, 2.0), np.zeros(8 * RATE)]), RATE)
    assert moved[3 * RATE] == pytest.approx(0.5, abs=0.05)
    assert np.all(np.diff(moved[2 * RATE :]) <= 0)


BAD = [
    ([0.0, np.nan], RATE, "deviation must be a finite number"),
    ([[0.0, 1.0]], RATE, "deviation must be one row of samples"),
    ([], RATE, "deviation must be"),
    (0.5, RATE, "deviation must be one row of samples"),
    ([0.0, 1.0], 100, "sample_rate must be 200 Hz or more, got 100"),
    ([0.0, 1.0], 0, "sample_rate must be greater than 0"),
]


@pytest.mark.parametrize(("deviation", "rate", "said"), BAD)
def test_what_no_needle_follows_is_refused(deviation, rate, said):
    for function in (needle, quasi_peak):
        with pytest.raises(ValueError, match=said):
            function(deviation, rate)


def test_the_flutter_of_a_tone_is_read_on_the_needle_too():
    deck = generator.Deck(wobbles=((1e-3, 4.0, 0.0),))
    tape = measure.open_recording(generator.tone(10, 16000, deck), sample_rate=16000)
    reading = measure.measure_flutter(tape, record_mode="test tape")
    assert reading.quasi_peak.value == pytest.approx(1e-3, rel=0.01)
    assert reading.quasi_peak.plus_minus == pytest.approx(6 / 90 * 1e-3, rel=0.05)
    assert reading.to_dict()["quasi_peak"]["value"] == reading.quasi_peak.value
    found = measure.Measurement(flutter={0: reading})
    assert dict(measurement_rows(found))["flutter, weighted, needle of a meter, speed 1"].startswith(
        "0.100 % +/- 0.007 %"
    )
