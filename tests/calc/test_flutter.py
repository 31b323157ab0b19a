"""Wow and flutter against first principles, and what the module refuses."""

import dataclasses

import numpy as np
import pytest
from scipy import integrate, optimize, signal

from tapecalc.calc import flutter
from tapecalc.calc.parts import TurningPart, blame_by_part, fingerprint, part_rates, part_repeat_deviations

CAPSTAN = TurningPart(name="capstan", diameter=0.008, wobble=0.0006)
PINCH = TurningPart(name="pinch roller", diameter=0.038)
BELT = TurningPart(name="drive belt", belt_length=0.42, pulley_diameter=0.06, capstan_diameter=0.008)
REEL = TurningPart(name="supply reel", reel_radius=0.06)
PARTS = (CAPSTAN, PINCH, BELT, REEL)
SPEED = 0.1905


def record_time(heard, depth, rate, delay):
    """Solve one pass by bisection on the tape that went by, found by numerical integration."""

    def tape_between(earlier):
        return integrate.quad(lambda t: 1 + depth * np.sin(2 * np.pi * rate * t), earlier, heard)[0] - delay

    return optimize.brentq(tape_between, heard - 3 * delay, heard, xtol=1e-14)


# ---- repeats ----


@pytest.mark.parametrize("passes", [1, 2, 3])
def test_pitch_of_a_repeat_is_the_product_over_the_passes_one_by_one(passes):
    depth, rate, delay, heard = 0.2, 1.7, 0.218, 0.9

    def speed(t):
        return 1 + depth * np.sin(2 * np.pi * rate * t)

    pitch, moment = 1.0, heard
    for _ in range(passes):
        earlier = record_time(moment, depth, rate, delay)
        pitch *= speed(moment) / speed(earlier)
        moment = earlier
    ratio = flutter.repeat_pitch_ratio(heard, depth, rate, delay, passes=passes)
    total = flutter.fluttered_delay(heard, depth, rate, delay, passes=passes)
    assert ratio == pytest.approx(pitch, rel=1e-9)
    assert total == pytest.approx(heard - moment, rel=1e-9)


def test_pitch_is_one_minus_the_slope_of_the_delay():
    step, time = 1e-5, np.linspace(0, 2, 41)
    arguments = (0.3, 1.3, 0.4)
    slope = (
        flutter.fluttered_delay(time + step, *arguments) - flutter.fluttered_delay(time - step, *arguments)
    ) / (2 * step)
    np.testing.assert_allclose(flutter.repeat_pitch_ratio(time, *arguments), 1 - slope, atol=1e-7)


def test_a_sampled_record_gives_the_exact_pitch_and_delay():
    rate, time = 2000.0, np.arange(0, 3, 1 / 2000)
    ratio, total = flutter.pitch_and_delay(0.01 * np.sin(2 * np.pi * 2.3 * time), rate, 0.218, passes=3)
    late = time > 0.8
    expected = flutter.repeat_pitch_ratio(time, 0.01, 2.3, 0.218, passes=3)
    np.testing.assert_allclose(ratio[late], expected[late], atol=1e-6)
    expected = flutter.fluttered_delay(time, 0.01, 2.3, 0.218, passes=3)
    np.testing.assert_allclose(total[late], expected[late], atol=1e-7)


def test_a_depth_of_zero_leaves_pitch_and_delay_alone():
    assert flutter.repeat_pitch_ratio(0.3, 0, 2.0, 0.2, passes=4) == 1.0
    assert flutter.fluttered_delay(0.3, 0, 2.0, 0.2, passes=4) == pytest.approx(0.8)


def test_a_mixed_array_keeps_the_exact_nulls():
    deviations = flutter.repeat_deviation(0.001, [0.0, 1.0, 2.0, 4e6], 0.5)
    assert deviations.tolist() == [0.0, 0.002, 0.0, 0.0]


def test_delay_swing_at_rate_zero_is_a_steady_speed_error():
    assert flutter.delay_swing(0.01, [0, 1e-9], 0.5, passes=2) == pytest.approx([0.01, 0.01])


def test_null_lists_end_at_the_limit_and_may_be_empty():
    assert flutter.null_rates(0.1, 29.999).tolist() == pytest.approx([10, 20])
    assert flutter.null_rates(0.1, 15, passes=3).tolist() == pytest.approx([10 / 3, 20 / 3, 10, 40 / 3])
    assert flutter.null_rates(0.1, 9).size == 0
    assert flutter.null_delays(7.58, 0.1).size == 0


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: flutter.repeat_deviation(-0.1, 1, 1), "depth must be 0 or more"),
        (lambda: flutter.repeat_deviation(0.1, 1, 1, passes=0), "passes must be greater than 0"),
        (lambda: flutter.repeat_deviation(0.1, 1, 1, passes=1.5), "passes must be whole numbers from 1"),
        (lambda: flutter.repeat_deviation(0.1, float("nan"), 1), "rate must be a finite number"),
        (lambda: flutter.depth_from_repeat(0.001, 2.0, 0.5), "rate must keep away from whole multiples"),
        (lambda: flutter.fluttered_delay(0, 0.6, 1, 0.2), "depth must be from 0 to 0.5"),
        (lambda: flutter.fluttered_delay(0, 0.1, 0, 0.2), "rate must be greater than 0 Hz"),
        (lambda: flutter.pitch_and_delay([0, -1.5], 10, 0.1), r"1 \+ deviation must be greater than 0"),
        (lambda: flutter.pitch_and_delay([0.1], 10, 0.1), "one-dimensional with 2 values or more"),
        (lambda: flutter.pitch_and_delay([0, 0], [10, 20], 0.1), "sample_rate must be one number"),
        (lambda: flutter.null_rates(0.1, 10, passes=0), "passes must be a whole number from 1"),
    ],
)
def test_bad_values_of_repeats_get_one_sentence(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call()


# ---- weighting and reading ----


def test_weighting_goes_on_along_the_last_line_outside_the_table():
    below = flutter.weighting_db([0.05, 0.1, 0.2])
    assert below[1] - below[0] == pytest.approx(below[2] - below[1])
    above = flutter.weighting_db([100, 200, 400])
    assert above[2] - above[1] == pytest.approx(above[1] - above[0])


def test_the_analog_filter_stays_within_half_a_decibel_of_the_table():
    frequency = np.geomspace(0.2, 200, 3000)
    _, response = signal.freqs_zpk(*flutter.weighting_zpk(), worN=2 * np.pi * frequency)
    errors = 20 * np.log10(np.abs(response)) - flutter.weighting_db(frequency)
    assert np.max(np.abs(errors)) < 0.5


def test_the_filter_can_be_built():
    zeros, poles, gain = flutter.weighting_zpk()
    assert np.all(poles.real < 0)
    assert len(zeros) < len(poles)
    assert gain > 0


@pytest.mark.parametrize("sample_rate", [2000.0, 4000.0, 48000.0])
def test_the_digital_filter_stays_within_one_decibel_of_the_table(sample_rate):
    frequency = np.geomspace(0.2, 200, 3000)
    _, response = signal.sosfreqz(flutter.weighting_sos(sample_rate), worN=frequency, fs=sample_rate)
    errors = 20 * np.log10(np.abs(response)) - flutter.weighting_db(frequency)
    assert np.max(np.abs(errors)) < 1.0


@pytest.mark.parametrize("sample_rate", [150.0, 1000.0, 48000.0])
def test_a_reading_does_not_depend_on_the_sample_rate(sample_rate):
    time = np.arange(0, 12, 1 / sample_rate)
    wobble = 0.001 * np.sin(2 * np.pi * 4 * time)
    assert flutter.weighted_flutter(wobble, sample_rate) == pytest.approx(0.997447e-3, rel=2e-3)


def test_a_steady_speed_error_does_not_count_as_flutter():
    time = np.arange(0, 10, 1e-3)
    wobble = 0.001 * np.sin(2 * np.pi * 4 * time)
    assert flutter.weighted_flutter(0.02 + wobble, 1000.0) == pytest.approx(
        flutter.weighted_flutter(wobble, 1000.0), rel=1e-9
    )
    assert flutter.rms_deviation(0.02 + wobble) == pytest.approx(0.001 / np.sqrt(2), rel=1e-6)


def test_rare_spikes_set_the_peak_and_leave_two_sigma_alone():
    deviation = np.zeros(1000)
    deviation[[100, 500]] = 0.01
    assert flutter.two_sigma(deviation) == 0.0
    assert flutter.peak_deviation(deviation) == 0.005


def test_two_sigma_of_gaussian_noise_is_two_standard_deviations():
    noise = np.random.default_rng(5).normal(0, 1e-3, 400_000)
    assert flutter.two_sigma(noise) == pytest.approx(2e-3, rel=0.01)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: flutter.weighted_flutter(np.zeros(7000), 1000.0), "must last 8 s or more .* got 7 s"),
        (lambda: flutter.weighted_flutter(np.zeros(9000), 50.0), "sample_rate must be from 100"),
        (lambda: flutter.weighted_flutter(np.zeros(9), 100.0, settling=-1), "settling must be 0 s or more"),
        (lambda: flutter.weighting_sos(1000.0), "sample_rate must be from 2000"),
        (lambda: flutter.weighting_db(0.0), "frequency must be greater than 0 Hz"),
        (lambda: flutter.two_sigma(np.zeros((3, 3))), "one-dimensional"),
    ],
)
def test_bad_records_get_one_sentence(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call()


# ---- parts ----


def test_parts_turn_once_for_each_length_of_theirs():
    assert CAPSTAN.rate_at(SPEED) == pytest.approx(SPEED / (np.pi * 0.008))
    assert REEL.rate_at(SPEED) == pytest.approx(SPEED / (2 * np.pi * 0.06))
    np.testing.assert_allclose(PINCH.rate_at([SPEED, SPEED / 2]), [1.5957, 0.79787], rtol=1e-4)


def test_a_belt_runs_with_the_pulley_on_the_capstan_shaft():
    shaft = CAPSTAN.rate_at(SPEED)
    assert BELT.rate_at(SPEED) == pytest.approx(shaft * np.pi * 0.06 / 0.42)
    motor = TurningPart(name="motor pulley", diameter=0.01, pulley_diameter=0.06, capstan_diameter=0.008)
    assert motor.rate_at(SPEED) == pytest.approx(6 * shaft)


def test_tape_thickness_counts_on_the_tape_and_not_on_the_belt():
    thick = dataclasses.replace(CAPSTAN, tape_thickness=50e-6)
    assert thick.rate_at(SPEED) == pytest.approx(SPEED / (np.pi * 0.00805))
    thick = dataclasses.replace(BELT, tape_thickness=50e-6)
    assert thick.rate_at(SPEED) == pytest.approx(SPEED * 0.06 / 0.00805 / 0.42)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("Capstan", "capstan"),
        ("flywheel", "capstan"),
        ("pinch roller", "pinch roller"),
        ("take-up reel", "reel"),
        ("guide", "guide"),
        ("idler wheel", "idler"),
        ("motor pulley", "motor"),
        ("counter roller", "roller"),
    ],
)
def test_kind_is_found_from_the_name(name, kind):
    assert TurningPart(name=name, diameter=0.02).kind_of_part == kind


def test_kind_falls_back_on_the_shape_and_gives_way_to_what_was_said():
    assert dataclasses.replace(BELT, name="rubber").kind_of_part == "belt"
    assert dataclasses.replace(REEL, name="left").kind_of_part == "reel"
    assert dataclasses.replace(CAPSTAN, kind="idler").kind_of_part == "idler"


@pytest.mark.parametrize(
    ("sizes", "sentence"),
    [
        ({}, "exactly one of diameter, belt_length and reel_radius, got none"),
        ({"diameter": 0.01, "reel_radius": 0.06}, "exactly one of .* got diameter, reel_radius"),
        ({"belt_length": 0.4}, "both pulley_diameter and capstan_diameter, got neither"),
        ({"belt_length": 0.4, "pulley_diameter": 0.06}, "capstan_diameter, got pulley_diameter"),
        ({"diameter": 0.0}, "diameter of part 'x' must be greater than 0 m"),
        ({"diameter": 0.01, "wobble": -0.1}, "wobble must be 0 or more"),
        ({"diameter": 0.01, "tape_thickness": -1e-6}, "tape_thickness must be 0 m or more"),
        ({"diameter": 0.01, "kind": "gear"}, "kind must be one of capstan, .* got 'gear'"),
    ],
)
def test_a_part_that_cannot_be_gets_one_sentence(sizes, sentence):
    with pytest.raises(ValueError, match=sentence):
        TurningPart(name="x", **sizes)


def test_two_parts_of_one_name_are_refused():
    with pytest.raises(ValueError, match="names of their own, got 'capstan' twice"):
        part_rates([CAPSTAN, CAPSTAN], SPEED)


def test_a_part_at_a_null_of_the_delay_does_not_bend_the_pitch():
    bend = part_repeat_deviations([CAPSTAN], SPEED, 1 / CAPSTAN.rate_at(SPEED))
    assert bend["capstan"] == pytest.approx(0, abs=1e-15)


# ---- the fingerprint ----


def test_every_part_is_found_from_its_own_rate():
    rates = part_rates(PARTS, SPEED)
    peaks = [(rate * 1.004, 0.001 / (i + 1)) for i, rate in enumerate(rates.values())]
    verdicts = fingerprint(peaks, PARTS, SPEED, resolution=0.05)
    assert [verdict.part.name for verdict in verdicts] == [part.name for part in PARTS]
    assert all(verdict.sure > 0.8 and verdict.harmonic == 1 for verdict in verdicts)
    assert [verdict.depth for verdict in verdicts] == sorted((d for _, d in peaks), reverse=True)


def test_a_worn_belt_and_a_bad_pinch_roller_are_told_apart():
    belt, pinch = BELT.rate_at(SPEED), PINCH.rate_at(SPEED)
    assert fingerprint([(belt, 0.001)], PARTS, SPEED)[0].part is BELT
    verdict = fingerprint([(pinch, 0.001)], PARTS, SPEED)[0]
    assert verdict.part is PINCH
    assert "rubber" in verdict.advice


def test_a_harmonic_is_surer_when_its_fundamental_is_there():
    rate = PINCH.rate_at(SPEED)
    alone = fingerprint([(2 * rate, 0.001)], [PINCH], SPEED)[0]
    together = fingerprint([(2 * rate, 0.001), (rate, 0.0005)], [PINCH], SPEED)[0]
    assert (alone.harmonic, together.harmonic) == (2, 2)
    assert together.sure > alone.sure
    assert together.expected == pytest.approx(2 * rate)
    assert together.advice.startswith("Twice a turn")


def test_a_high_harmonic_has_a_sentence_too():
    rate = PINCH.rate_at(SPEED)
    verdicts = fingerprint([(5 * rate, 0.001), (rate, 0.0005)], [PINCH], SPEED, harmonics=6)
    assert verdicts[0].advice.startswith("5 times a turn")


def test_two_parts_that_turn_alike_share_the_certainty():
    twin = dataclasses.replace(PINCH, name="guide roller")
    verdict = fingerprint([(PINCH.rate_at(SPEED), 0.001)], [PINCH, twin], SPEED)[0]
    assert verdict.sure == pytest.approx(1 / 2.05)
    assert verdict.rivals == (("guide roller", 1, pytest.approx(1 / 2.05)),)


def test_a_peak_that_fits_nothing_is_said_to_fit_nothing():
    verdict = fingerprint([(50.0, 0.001)], PARTS, SPEED)[0]
    assert (verdict.part, verdict.harmonic, verdict.expected) == (None, 0, None)
    assert verdict.sure > 0.99
    assert "mains" in verdict.advice


def test_near_the_edge_the_unlisted_part_is_named_as_a_rival():
    peak = PINCH.rate_at(SPEED) + 2 * np.hypot(0.1, 0.02 * PINCH.rate_at(SPEED))
    verdict = fingerprint([(peak, 0.001)], [PINCH], SPEED, harmonics=1)[0]
    assert verdict.part is PINCH
    assert verdict.rivals == (("a part not in the list", 0, pytest.approx(1 - verdict.sure)),)


def test_a_part_that_was_measured_roughly_may_miss_the_peak_by_more():
    peak = (1.1 * CAPSTAN.rate_at(SPEED), 0.001)
    assert fingerprint([peak], [CAPSTAN], SPEED, tolerance=0.1)[0].part is CAPSTAN
    assert fingerprint([peak], [CAPSTAN], SPEED, tolerance=0.02)[0].part is None
    assert fingerprint([peak], [CAPSTAN], SPEED, tolerance=0.02, resolution=1)[0].part is CAPSTAN


def test_blame_adds_powers_of_the_peaks_of_one_part():
    rate = PINCH.rate_at(SPEED)
    peaks = [(rate, 0.003), (2 * rate, 0.004), (70.0, 0.0001)]
    verdicts = fingerprint(peaks, [PINCH], SPEED)
    blame = blame_by_part(verdicts)
    assert list(blame) == ["pinch roller", "a part not in the list"]
    sure = {verdict.depth: verdict.sure for verdict in verdicts}
    expected = np.sqrt((sure[0.003] * 0.003**2 + sure[0.004] * 0.004**2) / 2)
    assert blame["pinch roller"] == pytest.approx(expected)
    assert blame_by_part(()) == {}


def test_no_peaks_give_no_verdicts():
    assert fingerprint([], PARTS, SPEED) == ()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"peaks": [3.0]}, "peaks must be pairs of frequency and depth"),
        ({"peaks": [(0.0, 0.1)]}, "peak frequency must be greater than 0 Hz"),
        ({"peaks": [(1.0, -0.1)]}, "peak depth must be 0 or more"),
        ({"parts": ()}, "parts must hold one turning part or more, got none"),
        ({"resolution": 0}, "resolution must be greater than 0 Hz"),
        ({"tolerance": 2}, "tolerance must be from 0 to 0.5"),
        ({"harmonics": 0}, "harmonics must be a whole number from 1 to 20"),
        ({"speed": 0}, "speed must be greater than 0 m/s"),
    ],
)
def test_bad_fingerprints_get_one_sentence(change, sentence):
    arguments = {"peaks": [(1.6, 0.001)], "parts": PARTS, "speed": SPEED, **change}
    with pytest.raises(ValueError, match=sentence):
        fingerprint(**arguments)


def test_a_roller_halfway_doubles_the_scrape_resonance():
    assert flutter.scrape_resonance(0.05) == pytest.approx(2 * flutter.scrape_resonance(0.1))
