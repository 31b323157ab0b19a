"""Published figures on wow, flutter and what turns."""

import math

import numpy as np
import pytest
from scipy import signal

from tapecalc.calc import flutter, standards
from tapecalc.calc.parts import TurningPart
from tapecalc.calc.transport import capstan_speed
from tapecalc.calc.units import db_to_amplitude, ratio_to_cents

NOTE = "notes of a public measuring script, synthetic reference files (Wang, 2019)"


def wobble(rate, depth, sample_rate=4000.0, duration=20.0):
    return depth * np.sin(2 * np.pi * rate * np.arange(0, duration, 1 / sample_rate))


def test_the_measuring_tone():
    # Source: AES6-2008; IEC 60386:1972
    assert standards.FLUTTER_TONE == 3150


def test_a_reading_needs_five_seconds():
    # Source: AES6-2008, observation time of the two-sigma method
    flutter.weighted_flutter(np.zeros(5000), 1000.0, settling=0)
    with pytest.raises(ValueError, match="5 s to read"):
        flutter.weighted_flutter(np.zeros(4999), 1000.0, settling=0)


def test_peak_is_half_of_the_peak_to_peak_value():
    # Source: AES6-1982 (r2003) abstract
    assert flutter.peak_deviation([0.004, -0.001, 0.0]) == 0.0025


def test_shape_of_the_weighting_curve():
    # Source: AES6-2008 abstract: about 6 dB an octave on each side of 4 Hz, steeper below 0.5 Hz
    weight = flutter.weighting_db
    assert weight(4.0) == 0.0
    assert weight(100) - weight(50) == pytest.approx(-6, abs=1.5)
    assert weight(1) - weight(0.5) == pytest.approx(6, abs=2.5)
    assert weight(0.4) - weight(0.2) > 12


@pytest.mark.parametrize(
    ("frequency", "weight_db", "gain"),
    [
        (0.1, -48.0, 0.00398),
        (0.2, -30.6, 0.02951),
        (0.315, -19.7, 0.10351),
        (0.4, -15.0, 0.17783),
        (0.63, -8.4, 0.38019),
        (0.8, -6.0, 0.50119),
        (1, -4.2, 0.61660),
        (1.6, -1.8, 0.81283),
        (2, -0.9, 0.90157),
        (4, 0.0, 1),
        (6.3, -0.9, 0.90157),
        (10, -2.1, 0.78524),
        (20, -5.9, 0.50699),
        (40, -10.4, 0.30200),
        (63, -14.2, 0.19498),
        (100, -17.3, 0.13646),
        (200, -23.0, 0.07079),
    ],
)
def test_weighting_table(frequency, weight_db, gain):
    # Source: AES6-2008 = IEC 60386 = DIN 45507, as printed in a public measuring script
    assert flutter.weighting_db(frequency) == pytest.approx(weight_db, abs=0.05)
    assert db_to_amplitude(flutter.weighting_db(frequency)) == pytest.approx(gain, abs=6e-6)
    _, response = signal.freqs_zpk(*flutter.weighting_zpk(), worN=[2 * np.pi * frequency])
    assert 20 * np.log10(np.abs(response[0])) == pytest.approx(weight_db, abs=0.4)


def test_two_sigma_factor_of_a_sinusoid():
    # Source: arithmetic, sin(0.954500 x 90 degrees)
    assert pytest.approx(0.954500, abs=1e-6) == standards.TWO_SIGMA_COVERAGE
    sine = np.sin(2 * np.pi * (np.arange(1_000_000) + 0.5) / 1_000_000)
    assert flutter.two_sigma(sine) == pytest.approx(0.997447, abs=1e-6)


@pytest.mark.parametrize(
    ("rate", "depth", "expected", "tolerance", "source"),
    [
        (4.0, 0.001, 0.000997, 0.000997e-3, NOTE),
        (4.0, 0.01, 0.00997, 0.00997e-3, NOTE),
        (4.0, 0.1, 0.0997, 0.0997e-3, NOTE),
        (0.8, 0.001, 0.000499, 0.000003, NOTE),
        (20.0, 0.001, 0.000506, 0.000003, NOTE),
        (0.2, 0.001, 0.000030, 0.000001, NOTE),
        (4.0, 0.0, 0.0, 1e-6, NOTE),
    ],
)
def test_weighted_flutter_of_a_sinusoid(rate, depth, expected, tolerance, source):
    reading = flutter.weighted_flutter(wobble(rate, depth), 4000.0)
    assert reading == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("rate", "expected"), [(4.0, 0.00997), (20.0, 0.00506)])
def test_weighted_flutter_from_a_demodulated_tone(rate, expected):
    # Source: as the table above; demodulation by an independent calculator, scipy.signal.hilbert
    sample_rate, depth = 24000.0, 0.01
    time = np.arange(0, 10, 1 / sample_rate)
    phase = 3150 * (time - depth / (2 * np.pi * rate) * np.cos(2 * np.pi * rate * time))
    unwrapped = np.unwrap(np.angle(signal.hilbert(np.sin(2 * np.pi * phase))))
    deviation = np.gradient(unwrapped) * sample_rate / (2 * np.pi * 3150) - 1
    assert flutter.weighted_flutter(deviation[2400:-2400], sample_rate) == pytest.approx(expected, rel=0.01)


def test_a_sideband_fifty_decibels_down():
    # Source: remark on intermodulation in an encyclopedia article, printed 0.3 %
    assert 100 * db_to_amplitude(-50) == pytest.approx(0.316, abs=0.001)


def test_recording_and_playing_on_one_machine_gives_nothing_to_twice_one_element():
    # Source: M.R.L. Publication 570: the phase decides
    factors = flutter.repeat_deviation(1.0, np.linspace(0, 20, 2001), 0.218)
    assert np.min(factors) == pytest.approx(0, abs=0.01)
    assert np.max(factors) == pytest.approx(2, abs=0.01)


@pytest.mark.parametrize(("delay", "rate", "factor"), [(0.5, 1, 2), (0.5, 2, 0), (0.1, 5, 2)])
def test_factor_of_an_echo(delay, rate, factor):
    # Source: difference of two speeds one delay apart; within the bounds of M.R.L. Publication 570
    assert flutter.repeat_deviation(1.0, rate, delay) == pytest.approx(factor, abs=1e-9)


def test_the_most_annoying_rate():
    # Source: AES6-2008 abstract, basis of the weighting
    rates = np.geomspace(0.1, 200, 5001)
    worst = rates[np.argmax(flutter.weighting_db(rates))]
    assert worst == pytest.approx(4.0, rel=1e-3)


# ---- mechanics ----


@pytest.mark.parametrize(
    ("modulus", "speed", "source"),
    [
        (4.805e9, 1859.3, "theory of the bar; PET film data bulletin H-37232"),
        (4.895e9, 1876.6, "theory of the bar; the same bulletin in other units"),
        (6.5e9, 2162.5, "theory of the bar; US 4,798,759 (1989)"),
    ],
)
def test_speed_of_a_longitudinal_wave(modulus, speed, source):
    assert flutter.wave_speed(modulus, 1390) == pytest.approx(speed, abs=0.1)


def test_the_default_film_is_the_one_of_the_data_bulletin():
    # Source: PET film data bulletin H-37232: 490 kg/mm2 = 4.805 GPa, 1390 kg/m3
    assert flutter.wave_speed() == pytest.approx(math.sqrt(4.805e9 / 1390), rel=1e-4)


@pytest.mark.parametrize(("free_length", "resonance"), [(0.10, 9297), (0.05, 18593)])
def test_scrape_flutter_resonance(free_length, resonance):
    # Source: half a wave in a bar held at both ends (no published resonance of tape found)
    found = flutter.scrape_resonance(free_length, modulus=4.805e9, density=1390)
    assert found == pytest.approx(resonance, abs=1)


def test_an_eccentric_capstan_halves_its_rate_and_keeps_its_wobble():
    # Source: own derivation: rate v/(2 pi r), wobble e/r; the weighting between rows of AES6-2008, IEC 60386
    shaft = TurningPart(name="capstan", diameter=0.006, wobble=flutter.eccentric_wobble(3e-6, 0.006))
    for speed, turns, weight_db in ((0.1905, 10.106, -2.1), (0.09525, 5.053, -0.4)):
        assert shaft.rate_at(speed) == pytest.approx(turns, abs=5e-4)
        assert flutter.weighting_db(turns) == pytest.approx(weight_db, abs=0.1)
        assert 100 * shaft.wobble_at(speed) == pytest.approx(0.100, abs=1e-9)


def test_how_far_a_wobble_swings_a_delay():
    # Source: own derivation, m/(pi f) |sin(pi f T)|, at most m/(pi f)
    assert 1000 * flutter.delay_swing(0.001, 1.0, 0.2) == pytest.approx(0.1871, abs=5e-5)
    for rate, bound_ms in ((10.106, 0.0315), (5.053, 0.0630)):
        swings = flutter.delay_swing(0.001, rate, np.linspace(0, 1, 5001))
        assert 1000 * swings.max() == pytest.approx(bound_ms, abs=5e-5)


@pytest.mark.parametrize(("frequency", "erb", "cents"), [(500, 78.7, 27.0), (1000, 132.6, 22.8)])
def test_a_wobble_at_the_limit_bends_less_than_a_glide_that_is_just_heard(frequency, erb, cents):
    # Source: H. Jarvelainen and V. Valimaki (abstract): a glide of 0.1 ERB; 24.7 (4.37 f / kHz + 1) Hz wide,
    # from memory. The library tells no threshold of its own.
    assert ratio_to_cents(1 + 0.1 * erb / frequency) == pytest.approx(cents, abs=0.1)
    # The worst delay is half a turn of the wobble: twice 0.2 %, 6.9 cents.
    bend = flutter.repeat_deviation(standards.FLUTTER_LIMITS["hi-fi"], 2.5, 0.2)
    assert ratio_to_cents(1 + bend) == pytest.approx(6.9, abs=0.05)
    assert ratio_to_cents(1 + bend) < cents / 3


def test_a_free_span_of_twenty_centimeters():
    # Source: half a wave in a bar held at both ends, the modulus of the data bulletin
    assert flutter.scrape_resonance(0.2, modulus=4.805e9, density=1390) == pytest.approx(4648, abs=1)


def test_a_capstan_of_six_millimeters_at_six_hundred_turns_a_minute():
    # Source: T. J. Walker, Web Length per Roller Revolution, 2010: diameter plus web thickness
    capstan = TurningPart(name="capstan", diameter=0.006, tape_thickness=50e-6)
    assert capstan.rate_at(0.190066) == pytest.approx(10, rel=1e-5)
    bare = TurningPart(name="capstan", diameter=0.006)
    assert bare.rate_at(0.188496) == pytest.approx(10, rel=1e-5)
    assert capstan_speed(0.006, 50e-6, 10) == pytest.approx(0.190066, abs=1e-6)


def test_the_capstan_of_the_school_exercise_has_a_radius_of_twelve_and_a_half_millimeters():
    # Source: school exercise, 3600 rad/min and 45 m/min
    capstan = TurningPart(name="capstan", diameter=0.025)
    assert capstan.rate_at(45 / 60) * 2 * np.pi * 60 == pytest.approx(3600, rel=1e-12)
