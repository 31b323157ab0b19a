"""Published speeds, delays and run times."""

import numpy as np
import pytest

from tapecalc.calc import standards, transport
from tapecalc.calc.units import from_si, ratio_to_cents, to_si

SERIES = "IEC 60094-1 / NAB 1965 speed series, as listed by an encyclopedia article on tape speeds"


@pytest.mark.parametrize(
    ("ips", "exact_cm_s", "printed_cm_s", "source"),
    [
        (30, 76.2, 76.2, SERIES),
        (15, 38.1, 38.1, SERIES),
        (7.5, 19.05, 19.05, SERIES),
        (3.75, 9.525, 9.53, SERIES),
        (1.875, 4.7625, 4.76, SERIES),
        (0.9375, 2.38125, 2.38, SERIES),
        (0.46875, 1.190625, 1.19, SERIES),
    ],
)
def test_nominal_speeds_in_centimeters(ips, exact_cm_s, printed_cm_s, source):
    speed = from_si(to_si(ips, "ips"), "cm_s")
    assert speed == pytest.approx(exact_cm_s, rel=1e-9)
    assert speed == pytest.approx(printed_cm_s, abs=0.00501)


def test_nominal_speeds_form_a_geometric_series():
    # Source: IEC 60094-1:1981 Amd 1:1994 clause 10
    speeds = np.array(standards.SPEEDS_IPS)
    np.testing.assert_allclose(speeds[:-1] / speeds[1:], 2, rtol=1e-12)


@pytest.mark.parametrize("label_mm_s, ips", [(95, 3.75), (190, 7.5), (380, 15), (760, 30)])
def test_rounded_labels_lie_a_quarter_percent_below(label_mm_s, ips):
    # Source: labels used in a calibration laboratory's publications
    assert 1 - label_mm_s / from_si(to_si(ips, "ips"), "mm") == pytest.approx(0.0026, abs=0.0001)


@pytest.mark.parametrize(
    ("error", "cents"),
    [
        (0.015, 25.776),  # Source: DIN 45 500-4, 1.5 %
        (0.002, 3.459),  # Source: NAB 1965, 0.2 %, from memory
        (0.001, 1.730),  # Source: 1200 log2(1 + e)
    ],
)
def test_speed_error_in_cents(error, cents):
    assert ratio_to_cents(1 + error) == pytest.approx(cents, abs=0.001)


def test_twenty_five_feet_at_fifteen_ips_take_twenty_seconds():
    # Source: worked example of a speed calibration tape in a recording forum
    assert transport.run_time(to_si(25, "ft"), to_si(15, "ips")) == pytest.approx(20, rel=1e-9)
    assert transport.speed_from_length(to_si(25, "ft"), 20) == pytest.approx(to_si(15, "ips"), rel=1e-9)


def test_an_eighth_of_an_inch_at_fifteen_ips_is_not_the_printed_125_milliseconds():
    # Source: the same forum prints 125 cycles of 1 kHz; the arithmetic gives 8.33
    delay = transport.delay_from_spacing(to_si(1 / 8, "in"), to_si(15, "ips"))
    assert delay * 1000 == pytest.approx(8.333, abs=0.001)


@pytest.mark.parametrize(
    ("spacing", "speed", "delay_ms"),
    [
        ((50.8, "mm"), (19.05, "cm_s"), 266.667),
        ((2, "in"), (7.5, "ips"), 266.667),
        ((50, "mm"), (38.1, "cm_s"), 131.234),
        ((100, "mm"), (19.05, "cm_s"), 524.934),
    ],
)
def test_delay_is_spacing_over_speed(spacing, speed, delay_ms):
    # Source: definition of speed
    delay = transport.delay_from_spacing(to_si(*spacing), to_si(*speed))
    assert from_si(delay, "ms") == pytest.approx(delay_ms, abs=0.001)


def test_halving_the_speed_doubles_the_delay():
    # common practice, no source
    slow, fast = (transport.delay_from_spacing(0.0415, to_si(v, "ips")) for v in (3.75, 7.5))
    assert slow / fast == pytest.approx(2, rel=1e-12)


def test_capstan_exercise_has_a_radius_of_twelve_and_a_half_millimeters():
    # Source: school exercise, 3600 rad/min and 45 m/min; it asks for the diameter and prints the radius
    rate = 3600 / 60 / (2 * np.pi)
    diameter = transport.capstan_diameter(45 / 60, 0, rate)
    assert from_si(diameter, "mm") == pytest.approx(25.0, rel=1e-9)


def test_tape_thickness_adds_to_the_capstan():
    # Source: T. J. Walker, Web Length per Roller Revolution, 2010
    thick = transport.capstan_speed(to_si(6, "mm"), to_si(50, "um"), to_si(600, "rpm"))
    bare = transport.capstan_speed(to_si(6, "mm"), 0, to_si(600, "rpm"))
    assert from_si(thick, "mm") == pytest.approx(190.066, abs=0.001)
    assert from_si(bare, "mm") == pytest.approx(188.496, abs=0.001)
    assert thick / bare - 1 == pytest.approx(0.0083, abs=0.0001)


@pytest.mark.parametrize(
    ("feet", "ips", "minutes"),
    [
        *[(600, v, t) for v, t in ((7.5, 16), (3.75, 32))],
        *[(1200, v, t) for v, t in ((15, 16), (7.5, 32), (3.75, 64), (1.875, 128))],
        *[(1800, v, t) for v, t in ((15, 24), (7.5, 48), (3.75, 96), (1.875, 192))],
        *[(2400, v, t) for v, t in ((15, 32), (7.5, 64), (3.75, 128), (1.875, 256))],
        *[(3600, v, t) for v, t in ((15, 48), (7.5, 96), (3.75, 192), (1.875, 384))],
        *[(2500, v, t) for v, t in ((30, 50 / 3), (15, 100 / 3), (7.5, 200 / 3))],
    ],
)
def test_run_time_of_a_reel(feet, ips, minutes):
    # Source: length over speed, as on tape box charts
    assert transport.run_time(to_si(feet, "ft"), to_si(ips, "ips")) == pytest.approx(60 * minutes, rel=1e-9)


@pytest.mark.parametrize(
    ("feet", "meters"), [(1200, 365.76), (1800, 548.64), (2400, 731.52), (3600, 1097.28)]
)
def test_reel_lengths_in_meters(feet, meters):
    # Source: international foot of 1959
    assert to_si(feet, "ft") == pytest.approx(meters, rel=1e-9)


@pytest.mark.parametrize(("um", "feet"), [(52, 1295), (35, 1924), (26, 2590), (18, 3740)])
def test_pack_of_a_seven_inch_reel(um, feet):
    # Source: geometry; radii 3.375 and 1.125 in assumed
    length = transport.tape_length(to_si(3.375, "in"), to_si(1.125, "in"), to_si(um, "um"))
    assert from_si(length, "ft") == pytest.approx(feet, abs=1)


@pytest.mark.parametrize(("um", "feet_on_the_box"), [(50, 1200), (35, 1800), (25, 2400)])
def test_real_reels_hold_a_little_more_than_the_box_says(um, feet_on_the_box):
    # Source: R. Hess, tape timing chart: about 6 % surplus, tolerance 3 %; tape box charts
    full = transport.tape_length(to_si(3.375, "in"), to_si(1.125, "in"), to_si(um, "um"))
    assert full / to_si(feet_on_the_box, "ft") - 1 == pytest.approx(0.09, abs=0.06)


def test_pack_thickness_of_a_calculus_problem():
    # Source: a college's calculus problem: 1.3125 in/s, 2 h, radii 12 and 43 mm
    length = transport.tape_used(2 * 3600, to_si(1.3125, "ips"))
    assert length == pytest.approx(240.03, abs=0.01)
    thickness = np.pi * (0.043**2 - 0.012**2) / length
    assert from_si(thickness, "um") == pytest.approx(22.32, abs=0.01)
    assert transport.pack_radius(length, 0.012, thickness) == pytest.approx(0.043, rel=1e-9)
