"""Published values that the measurements must return."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.measuring.estimate import COVERAGE_FACTOR, student
from tapecalc.words import with_uncertainty

RATE = 32000


def frequency_modulated(rate, depth, duration=30, carrier=3150.0):
    """A carrier whose frequency swings by `depth` at `rate`, from the closed form of its phase."""
    t = np.arange(int(duration * RATE)) / RATE
    phase = 2 * np.pi * carrier * t
    if rate:
        phase -= carrier * depth / rate * (np.cos(2 * np.pi * rate * t) - 1)
    return measure.open_recording(0.5 * np.sin(phase), sample_rate=RATE)


@pytest.mark.parametrize(
    ("rate", "depth_percent", "weighted_percent", "tolerance", "source"),
    [
        (4.0, 0.1, 0.0997, 1e-4, "F22: synthetic reference files of a measurement note (Wang, 2019)"),
        (4.0, 1.0, 0.997, 1e-3, "F22: as before"),
        (4.0, 10.0, 9.97, 1e-2, "F22: as before"),
        (0.8, 0.1, 0.0499, 3e-4, "F23: as F22"),
        (20.0, 0.1, 0.0506, 3e-4, "F24: as F22"),
        (0.2, 0.1, 0.0030, 1e-4, "F25: as F22"),
        (0.0, 0.0, 0.0, 1e-4, "F26: no modulation, as F22"),
    ],
)
def test_weighted_two_sigma_of_the_reference_files(rate, depth_percent, weighted_percent, tolerance, source):
    recording = frequency_modulated(rate, depth_percent / 100)
    found = measure.measure_flutter(recording, record_mode="test tape")
    assert 100 * found.weighted.value == pytest.approx(weighted_percent, abs=tolerance), source


def test_two_sigma_of_a_sine_is_the_published_part_of_its_peak():
    # Source: F21, coverage of 95.45 % of the time: sin(0.954500 * 90 degrees) = 0.997447 (arithmetic).
    found = measure.measure_flutter(frequency_modulated(4.0, 0.001, 60), record_mode="test tape")
    assert found.unweighted.value == pytest.approx(0.001 * 0.997447, rel=1e-3)


def test_flutter_is_read_at_the_published_tone():
    # Source: F1, AES6-2008 and IEC 60386:1972: 3150 Hz.
    t = np.arange(22 * 32000) / 32000
    sent = measure.open_recording(measure.make_test_signal(32000), sample_rate=32000)
    tone = measure.find_signal(sent).parts["tone"]
    samples = tone.read("playback", 0, len(t) - 2 * 32000)
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    assert np.argmax(spectrum) * 32000 / len(samples) == pytest.approx(3150, abs=0.1)


def test_less_than_the_published_observation_time_is_refused():
    # Source: F2, AES6-2008: the two-sigma method takes 5 s or more.
    with pytest.raises(measure.CannotTell, match="5 s"):
        measure.measure_flutter(frequency_modulated(4.0, 0.001, 4.5), record_mode="test tape")


@pytest.mark.parametrize(("delay", "rate", "factor"), [(0.5, 1.0, 2.0), (0.1, 5.0, 2.0)])
def test_record_and_play_at_once_shows_the_published_factor(delay, rate, factor):
    # Source: F29, M.R.L. Publication 570 (0 to 2 times one element); F30, 2 |sin(pi fm T)| (arithmetic).
    deck = generator.Deck(spacing=delay * 0.1905, wobbles=((0.0005, rate, 0.4),))
    recording = measure.open_recording(generator.tone(30, RATE, deck, through=True), sample_rate=RATE)
    found = measure.measure_flutter(recording, record_mode="simultaneous", delay=delay)
    assert found.lines[0].depth.value == pytest.approx(factor * 0.0005, rel=0.01)
    assert found.lines[0].element_depth.value == pytest.approx(0.0005, rel=0.01)


def test_record_and_play_at_once_hides_the_published_rate():
    # Source: F30, T = 0.5 s gives 0 at 2 Hz (arithmetic).
    deck = generator.Deck(spacing=0.5 * 0.1905, wobbles=((0.0005, 2.0, 0.4),))
    recording = measure.open_recording(generator.tone(30, RATE, deck, through=True), sample_rate=RATE)
    assert measure.measure_flutter(recording, record_mode="simultaneous", delay=0.5).unweighted.value < 1e-6


@pytest.mark.parametrize(
    ("gain", "per_pass_db", "whole_repeats", "source"),
    [
        (0.5, -6.0206, 9, "K14, K15: 60 / (-20 log10 g) (arithmetic)"),
        (0.7, -3.0980, 19, "K14, K15: as before"),
        (0.9, -0.9151, 65, "K14, K15: as before"),
    ],
)
def test_repeats_fall_by_the_published_decibels(gain, per_pass_db, whole_repeats, source):
    train = np.zeros(30 * 16000)
    train[:1600] = 0.3 * np.random.default_rng(2).standard_normal(1600)
    for n in range(1, 140):
        train[n * 3200 : n * 3200 + 1600] = gain * train[(n - 1) * 3200 : (n - 1) * 3200 + 1600]
    found = measure.measure_repeats(measure.open_recording(train, sample_rate=16000), delay=0.2)
    assert found.loop_gain_db.value == pytest.approx(per_pass_db, abs=1e-3), source
    assert int(60 / -found.loop_gain_db.value) == whole_repeats, source


@pytest.mark.parametrize(("count", "factor"), [(3, 4.303), (5, 2.776), (10, 2.262)])
def test_few_readings_need_a_larger_factor(count, factor):
    # Source: Student's t for 95 %, JCGM 100:2008, table G.2, 4.30, 2.78, 2.26; a digit more from tables
    assert COVERAGE_FACTOR * student(count - 1) == pytest.approx(factor, abs=5e-4)


@pytest.mark.parametrize(
    ("value", "plus_minus", "written"),
    # Source: JCGM 100:2008, 7.2.6, 10.47 to 11 and 28.05 to 28. Here the latter becomes 29: never less.
    [(100.0, 10.47, "100 +/- 11"), (100.0, 28.05, "100 +/- 29"), (10.05762, 0.027, "10.058 +/- 0.027")],
)
def test_digits_of_an_uncertainty(value, plus_minus, written):
    assert with_uncertainty(value, plus_minus) == written
