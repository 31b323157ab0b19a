"""Each transport calculator against a number worked out by hand, and what it refuses."""

import numpy as np
import pytest

from tapecalc.calc import transport


def test_delay_of_fifty_millimeters_at_half_a_meter_a_second_is_a_tenth():
    assert transport.delay_from_spacing(0.05, 0.5) == pytest.approx(0.1)


def test_spacing_and_speed_invert_delay():
    assert transport.spacing_from_delay(0.1, 0.5) == pytest.approx(0.05)
    assert transport.speed_from_delay(0.1, 0.05) == pytest.approx(0.5)


def test_inputs_broadcast_and_stay_as_they_were():
    spacings = np.array([[0.04], [0.08]])
    delays = transport.delay_from_spacing(spacings, [0.1, 0.2])
    np.testing.assert_allclose(delays, [[0.4, 0.2], [0.8, 0.4]])
    np.testing.assert_array_equal(spacings, [[0.04], [0.08]])


def test_uncertainties_add_in_squares():
    alone = transport.delay_uncertainty(0.04, 0.2, 0.0004, 0)
    both = transport.delay_uncertainty(0.04, 0.2, 0.0004, 0.002)
    assert alone == pytest.approx(0.2 * 0.01)
    assert both == pytest.approx(0.2 * 0.01 * np.sqrt(2))


def test_capstan_counts_the_middle_of_the_tape():
    assert transport.capstan_speed(0.01, 0.0, 1.0) == pytest.approx(np.pi * 0.01)
    assert transport.capstan_speed(0.01, 1e-4, 1.0) == pytest.approx(np.pi * 0.0101)


def test_sleeve_for_the_same_speed_is_the_capstan_itself():
    assert transport.sleeve_diameter(0.008, 35e-6, 1) == pytest.approx(0.008)


def test_sleeve_without_tape_thickness_follows_the_ratio():
    assert transport.sleeve_diameter(0.008, 0, 2) == pytest.approx(0.016)


def test_capstan_diameter_thinner_than_the_tape_is_refused():
    with pytest.raises(ValueError, match="diameter for this speed must be greater than 0 m"):
        transport.capstan_diameter(1e-4, 1e-3, 10)
    with pytest.raises(ValueError, match="sleeve diameter must be greater than 0 m"):
        transport.sleeve_diameter(0.008, 0.002, 0.1)


def test_tape_length_of_a_thin_ring():
    assert transport.tape_length(0.0200, 0.0199, 1e-4) == pytest.approx(2 * np.pi * 0.01995)


def test_tape_length_needs_the_outer_radius_to_be_larger():
    with pytest.raises(ValueError, match="outer_radius minus inner_radius"):
        transport.tape_length(0.02, 0.03, 35e-6)


def test_delay_at_steady_speed_is_spacing_over_speed():
    delay = transport.delay_at(np.linspace(0, 2, 9), np.full(9, 0.2), 0.05)
    np.testing.assert_allclose(delay, 0.25, rtol=1e-13)


def test_delay_after_a_sudden_change_reaches_the_new_value():
    time = np.array([0.0, 1.0, 1.0 + 1e-9, 3.0])
    delay = transport.delay_at(time, [0.2, 0.2, 0.1, 0.1], 0.05)
    assert delay[0] == pytest.approx(0.25)
    assert delay[-1] == pytest.approx(0.5)


def test_delay_on_a_ramp_solves_the_integral():
    time = np.linspace(0, 3, 301)
    speeds = 0.1 + 0.05 * time
    spacing = 0.03
    delay = transport.delay_at(time, speeds, spacing)
    later = time > 1
    then = time[later] - delay[later]
    run = 0.1 * delay[later] + 0.025 * (time[later] ** 2 - then**2)
    np.testing.assert_allclose(run, spacing, rtol=1e-12)


@pytest.mark.parametrize(
    ("time", "speeds", "said"),
    [
        ([0.0, 1.0], [0.1, 0.1, 0.1], "equal length"),
        ([0.0], [0.1], "equal length"),
        ([0.0, 0.0], [0.1, 0.1], "time must rise"),
        ([0.0, 1.0], [0.1, 0.0], "speeds must be greater than 0 m/s, got 0 at index 1"),
    ],
)
def test_delay_at_refuses_a_bad_table(time, speeds, said):
    with pytest.raises(ValueError, match=said):
        transport.delay_at(time, speeds, 0.05)


def test_pitch_goes_with_the_ratio_of_speeds():
    assert transport.pitch_ratio(0.3, 0.2) == pytest.approx(1.5)


def test_mains_of_fifty_on_a_sixty_hertz_machine_is_five_sixths():
    assert transport.mains_speed_ratio(50, 60) == pytest.approx(5 / 6)


def test_a_reel_turns_slower_the_fuller_it_is():
    # pi (0.05^2 - 0.03^2)/h = 100 m of tape make 50 mm of 30: 190.5/(2 pi 50) turns a second.
    wound = np.pi * (0.05**2 - 0.03**2) / 50e-6
    assert transport.reel_rate(0.1905, wound, 0.03, 50e-6) == pytest.approx(0.60638, abs=1e-5)
    assert transport.reel_rate(0.1905, 0, 0.03, 50e-6) == pytest.approx(1.01063, abs=1e-5)
    assert transport.reel_rate(0.09525, wound, 0.03, 50e-6) == pytest.approx(0.30319, abs=1e-5)


def test_turns_of_a_reel_add_up_to_its_layers():
    # While the tape winds on, each turn adds one thickness to the radius: 20 mm are 400 layers of 50 um.
    time = np.linspace(0, np.pi * (0.05**2 - 0.03**2) / 50e-6 / 0.1905, 20_001)
    rates = transport.reel_rate(0.1905, 0.1905 * time, 0.03, 50e-6)
    assert np.trapezoid(rates, time) == pytest.approx(400, rel=1e-6)
