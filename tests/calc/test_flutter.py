"""Wow and flutter against first principles, and what the module refuses."""

import numpy as np
import pytest
from scipy import integrate, optimize, signal

from tapecalc.calc import flutter


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
        (lambda: flutter.two_sigma(np.zeros((3, 3))), "one-dimensional with 2 values or more"),
        (lambda: flutter.peak_deviation([0.1]), "one-dimensional with 2 values or more"),
        (lambda: flutter.weighted([0, 0], [100, 200]), "sample_rate must be one number"),
    ],
)
def test_bad_records_get_one_sentence(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call()


def test_a_roller_halfway_doubles_the_scrape_resonance():
    assert flutter.scrape_resonance(0.05) == pytest.approx(2 * flutter.scrape_resonance(0.1))


# ---- what makes a wobble, and what it does beside the dry sound ----


def test_a_force_makes_more_wobble_on_a_slow_flywheel_and_an_eccentric_part_does_not():
    # dv/v = M / (J w_c w_d): half of w_c doubles it, half of both makes it fourfold.
    assert flutter.forced_wobble(0.0006, 0.5) == pytest.approx(0.0024)
    assert flutter.forced_wobble(0.0006, 0.5, once_a_turn=False) == pytest.approx(0.0012)
    assert flutter.forced_wobble(0.0006, [1, 2]).tolist() == pytest.approx([0.0006, 0.00015])
    assert flutter.eccentric_wobble(4e-6, 0.008) == pytest.approx(0.001)  # 4 um of a radius of 4 mm


def test_a_force_on_a_flywheel_followed_step_by_step():
    # J dw/dt = M cos(w t), once a turn: w swings by M / (J w), a share of M / (J w^2).
    inertia, torque, found = 0.001, 0.002, []
    for turns_hz in (8.0, 4.0):
        time = np.linspace(0, 1 / turns_hz, 20_001)
        around = 2 * np.pi * turns_hz
        extra = integrate.cumulative_trapezoid(torque * np.cos(around * time) / inertia, time)
        found.append(np.ptp(extra) / 2 / around)
    assert flutter.forced_wobble(found[0], 0.5) == pytest.approx(found[1], rel=1e-6)


@pytest.mark.parametrize(
    ("note", "gain", "swing_db"),
    [
        # 0.1 ms of 440 Hz are 0.044 turns, 0.27646 rad to either side, its cosine 0.96203. In phase at 110
        # turns: from (1 + 0.5)^2 = 2.25 to 1.25 + 0.96203 = 2.21203.
        (440, 0.5, 0.0739),
        # A quarter turn off at 110.25: 441 Hz, 0.27709 rad, its sine 0.27356: 1.25 +/- 0.27356.
        (441, 0.5, 1.9321),
        # Against each other at 110.5: 442 Hz, 0.27772 rad, its cosine 0.96168: from 0.25 to 0.28832.
        (442, 0.5, 0.6193),
        (442, 1.0, flutter.DEEPEST_DB),  # both cancel on the way
        (441, 0.0, 0.0),
    ],
)
def test_level_swing_of_a_held_note_by_hand(note, gain, swing_db):
    assert flutter.shimmer_db(note, 0.25, 0.0001, gain=gain) == pytest.approx(swing_db, abs=1e-4)


def test_a_swing_of_half_a_turn_runs_through_all_levels():
    # From 1 + g to 1 - g: 20 log10 3 for a half, whatever the note.
    for note in (440, 440.7, 443.1):
        assert flutter.shimmer_db(note, 0.25, 0.51 / note, gain=0.5) == pytest.approx(9.5424, abs=1e-3)
    assert flutter.usual_shimmer_db(440, 0.51 / 440, gain=0.5) == pytest.approx(9.5424, abs=1e-3)


def test_every_second_note_swings_by_more_than_a_small_swing_says():
    # Equal levels: 20 log10 |2 cos(phi/2)| climbs by 4.3429 tan(phi/2) dB a radian, at the middle phase, a
    # quarter turn, by 4.3429; to either side that makes 2 x 4.3429 x 2 pi f swing.
    small = 440 * 2 * np.pi * 1e-6
    assert flutter.usual_shimmer_db(440, 1e-6) == pytest.approx(2 * 4.342945 * small, rel=1e-3)
    assert flutter.usual_shimmer_db(440, 0, gain=0.7) == pytest.approx(0, abs=1e-9)


def test_level_swing_against_the_sum_of_two_sounds_moment_by_moment():
    rng = np.random.default_rng(8)
    turn = np.linspace(-1, 1, 20_001)
    for _ in range(40):
        note, delay, swing, gain = rng.uniform([60, 0.05, 0, 0.1], [2000, 0.6, 4e-4, 0.9])
        level_db = 20 * np.log10(np.abs(1 + gain * np.exp(-2j * np.pi * note * (delay + swing * turn))))
        assert flutter.shimmer_db(note, delay, swing, gain=gain) == pytest.approx(np.ptp(level_db), abs=1e-3)
