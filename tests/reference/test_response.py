"""Published and independently computed values of wavelength, losses and equalization."""

from fractions import Fraction
from math import factorial

import numpy as np
import pytest

from tapecalc.calc import response
from tapecalc.calc.units import to_si

#: First gap null in gap lengths. Sources: plain formula; J. Eargle, Electroacoustical Reference Data, 1994,
#: ch. 167; J. C. Mallinson, Foundations of Magnetic Recording, 1993, pp. 95-96; W. K. Westmijze, Philips Res.
#: Rep. 8, 1953 (from memory).
PLAIN, EARGLE, MALLINSON, WESTMIJZE = 1.00, 1.11, 1.12, 1.14
UM = to_si(1, "um")


def ips(value):
    return to_si(value, "ips")


# ---- wavelength ----


@pytest.mark.parametrize(
    ("frequency", "speed_ips", "um", "source"),
    [
        (15000, 7.5, 12.700, "textbook example, 0.0005 in; from memory"),
        (1000, 30, 762, "definition"),
        (1000, 15, 381, "definition"),
        (1000, 7.5, 190.5, "definition"),
        (1000, 3.75, 95.25, "definition"),
        (1000, 1.875, 47.625, "definition"),
        (10000, 30, 76.2, "definition"),
        (10000, 15, 38.1, "definition"),
        (10000, 7.5, 19.05, "definition"),
        (10000, 3.75, 9.525, "definition"),
        (10000, 1.875, 4.7625, "definition"),
    ],
)
def test_wavelengths(frequency, speed_ips, um, source):
    assert response.wavelength(frequency, ips(speed_ips)) == pytest.approx(um * UM, rel=1e-9)


def test_half_the_shortest_wavelength_is_the_largest_gap_and_not_the_smallest():
    # Source: Tape Playback Head Gap Width, diamondcut.com forum, thread 2212: 0.375 mil, which it calls
    # the minimum; the rule as an upper bound: a textbook of consumer electronics, eq. 10.2
    largest = response.wavelength(20000, ips(15)) / 2
    assert largest == pytest.approx(9.525 * UM, rel=1e-9)
    assert largest == pytest.approx(to_si(0.375, "mil"), rel=1e-9)
    shorter, longer = response.gap_loss_db(20000, ips(15), [largest / 2, largest * 1.5])
    assert shorter > response.gap_loss_db(20000, ips(15), largest) > longer


# ---- spacing ----


@pytest.mark.parametrize(
    ("um", "frequency", "speed", "loss", "tolerance", "source"),
    [
        (1, 1, 1e-6, 54.5751, 1e-4, "Wallace 1951, 54.6 or 55 in print: one wavelength"),
        (1, 10000, 0.095, 5.745, 0.001, "F. Engel, Schallspeicherung auf Magnetband, 1975, worked out"),
        (1, 10000, 0.095, 5.7, 0.05, "F. Engel 1975, printed"),
        (1, 10000, 0.09525, 5.730, 0.001, "Wallace 1951"),
        (1, 333, 0.095, 0.1913, 0.0005, "Wallace 1951"),
        (1, 15000, 0.1905, 4.2972, 1e-4, "Wallace 1951"),
        (2.5, 15000, 0.1905, 10.7431, 1e-4, "Wallace 1951"),
        (5, 10000, 0.381, 7.1621, 1e-4, "Wallace 1951"),
        (2, 1000, 0.1905, 0.573, 1e-3, "Wallace 1951: a grain of dirt"),
        (2, 10000, 0.1905, 5.730, 1e-3, "Wallace 1951: a grain of dirt"),
        (2, 1000, 0.09525, 1.146, 1e-3, "Wallace 1951: a grain of dirt"),
        (2, 10000, 0.09525, 11.459, 1e-3, "Wallace 1951: a grain of dirt"),
    ],
)
def test_spacing_loss(um, frequency, speed, loss, tolerance, source):
    assert response.spacing_loss_db(frequency, speed, um * UM) == pytest.approx(-loss, abs=tolerance)


def test_spacing_loss_at_333_hertz_is_not_the_printed_ten_times_as_much():
    # Source: a page that quotes F. Engel 1975 prints 1.9 dB; its 5.7 dB at 10 kHz gives 0.19 dB
    loss = -response.spacing_loss_db(333, 0.095, 1 * UM)
    assert loss == pytest.approx(0.19, abs=0.005)
    assert abs(loss - 1.9) > 1


def test_the_fifth_micrometer_layer_gives_seven_percent():
    # Source: F. Engel 1975, printed 8 %
    amplitude = 10 ** (response.spacing_loss_db(10000, 0.095, 4 * UM) / 20)
    assert amplitude == pytest.approx(0.0710, abs=0.0001)
    assert amplitude == pytest.approx(0.08, abs=0.01)


def test_equal_wavelengths_lose_the_same():
    # Source: F. Engel 1975: 19 cm/s at 20 kHz as 9.5 cm/s at 10 kHz
    here, there = response.spacing_loss_db([20000, 10000], [0.19, 0.095], 1 * UM)
    assert here == pytest.approx(there, rel=1e-12)


def test_spacing_loss_is_proportional_to_the_distance():
    # Source: Wallace 1951, formula
    one, two = response.spacing_loss_db(5000, 0.1905, [1 * UM, 2 * UM])
    assert two / one == pytest.approx(2, rel=1e-12)


# ---- thickness ----


@pytest.mark.parametrize(
    ("wavelengths", "level"),
    [(0.01, -0.2714), (0.1, -2.5863), (0.5, -10.3267), (1, -15.9798), (2, -21.9842), (5, -29.9430)],
)
def test_thickness_loss_by_wavelengths(wavelengths, level):
    # Source: Wallace 1951, formula
    assert response.thickness_loss_db(1, 1, wavelengths) == pytest.approx(level, abs=1e-4)


@pytest.mark.parametrize(
    ("frequency", "speed", "level"),
    [(1000, 0.1905, -1.3931), (10000, 0.1905, -10.6927), (15000, 0.381, -8.6316)],
)
def test_thickness_loss_of_ten_micrometers(frequency, speed, level):
    # Source: Wallace 1951, formula
    assert response.thickness_loss_db(frequency, speed, 10 * UM) == pytest.approx(level, abs=1e-4)


def test_thickness_loss_falls_six_decibels_per_octave():
    # Source: J. McKnight, Calculating the wavelength response, 2012: uniform depth gives only 6 dB per octave
    octaves = np.diff(response.thickness_loss_db(1, 1, [2, 4, 8, 16]))
    np.testing.assert_allclose(octaves, -6.02, atol=0.01)


@pytest.mark.parametrize("wavelengths", [0.01, 0.1, 1, 2, 5])
def test_thickness_loss_is_the_mean_of_the_spacing_loss_over_the_depth(wavelengths):
    # Source: scipy.integrate.quad of exp(-2 pi y / lam)
    from scipy.integrate import quad

    mean = quad(lambda y: np.exp(-2 * np.pi * y), 0, wavelengths, epsabs=1e-13)[0] / wavelengths
    assert response.thickness_loss_db(1, 1, wavelengths) == pytest.approx(20 * np.log10(mean), abs=1e-6)


def test_thickness_law_goes_to_no_loss_for_a_thin_coating():
    # Source: sympy
    import sympy

    d = sympy.symbols("d", positive=True)
    law = (1 - sympy.exp(-2 * sympy.pi * d)) / (2 * sympy.pi * d)
    assert sympy.limit(law, d, 0) == 1
    for depth in (1e-6, 0.3, 3.0):
        level = float(20 * sympy.log(law.subs(d, depth), 10))
        assert response.thickness_loss_db(1, 1, depth) == pytest.approx(level, abs=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.7])
def test_thickness_loss_of_long_waves_is_a_power_series(share):
    # Source: the spacing loss averaged over the depth t, weighted by m + (1 - m) t, in fractions. The
    # integral of t^n e^(-x t) from 0 to 1 is the sum of (-x)^k / k! / (k + n + 1).
    for x in (0, 1e-7, 1e-4, 9.9e-4, 1.01e-3, 0.01, 0.5, 0.9, 3):
        even, rising = (
            float(sum(Fraction(-x) ** k / factorial(k) / (k + n + 1) for k in range(30))) for n in (0, 1)
        )
        level_db = 20 * np.log10((share * even + (1 - share) * rising) / ((1 + share) / 2))
        found_db = response.thickness_loss_db(1, 2 * np.pi, x, surface_share=share)
        assert found_db == pytest.approx(level_db, abs=1e-9)


def test_spacing_constant_by_symbols():
    # Source: sympy, 40 pi log10(e)
    import sympy

    constant = float(40 * sympy.pi * sympy.log(sympy.E, 10))
    assert -response.spacing_loss_db(1, 1, 1) == pytest.approx(constant, rel=1e-12)


# ---- gap ----


@pytest.mark.parametrize(
    ("wavelengths", "levels"),
    [
        (0.1, (-0.1434, -0.1768, -0.1800, -0.1865)),
        (0.25, (-0.9121, -1.1295, -1.1506, -1.1932)),
        (0.5, (-3.9224, -4.9592, -5.0620, -5.2722)),
        (0.75, (-10.4545, -14.3320, -14.7721, -15.7145)),
    ],
)
def test_gap_loss_by_wavelengths(wavelengths, levels):
    # Source: formula, with the factors of a German textbook, Eargle 1994, Mallinson 1993, Westmijze 1953
    factors = [PLAIN, EARGLE, MALLINSON, WESTMIJZE]
    found = response.gap_loss_db(1, 1, wavelengths, gap_factor=factors)
    np.testing.assert_allclose(found, levels, atol=1e-4)


def test_four_decibels_at_half_a_wavelength_need_the_plain_factor():
    # Source: R. Hess, note on gap length, 2012, which prints 4 dB beside the factor 1.12
    assert response.gap_loss_db(1, 1, 0.5, gap_factor=PLAIN) == pytest.approx(-4, abs=0.1)
    assert response.gap_loss_db(1, 1, 0.5, gap_factor=MALLINSON) < -5


@pytest.mark.parametrize(
    ("um", "frequency", "levels"),
    [
        (3, 15000, (-0.8124, -1.0055, -1.0620)),
        (5, 15000, (-2.3399, -2.9240, -3.0972)),
        (6.35, 10000, (-1.6500, -2.0525, -2.1711)),
    ],
)
def test_gap_loss_at_nineteen_centimeters_per_second(um, frequency, levels):
    # Source: formula, factors 1, 1.11 and 1.14
    found = response.gap_loss_db(frequency, 0.1905, um * UM, gap_factor=[PLAIN, EARGLE, WESTMIJZE])
    np.testing.assert_allclose(found, levels, atol=1e-4)


@pytest.mark.parametrize(
    ("um", "speed", "khz"),
    [(6.35, 0.1905, (30.000, 27.027, 26.786, 26.316)), (3, 0.09525, (31.750, 28.604, 28.348, 27.851))],
)
def test_first_gap_null(um, speed, khz):
    # Source: v / (c g), with the four factors in print
    factors = [PLAIN, EARGLE, MALLINSON, WESTMIJZE]
    nulls = response.gap_null_frequency(speed, um * UM, gap_factor=factors)
    np.testing.assert_allclose(nulls / 1000, khz, atol=0.001)


@pytest.mark.parametrize(
    ("factor", "expected", "tolerance", "source"),
    [
        (PLAIN, 1.00, 1e-9, "German textbook form, the effective gap itself"),
        (EARGLE, 1.11, 1e-9, "J. Eargle, Electroacoustical Reference Data, 1994, chapter 167"),
        (MALLINSON, 1.12, 1e-9, "J. C. Mallinson, Foundations of Magnetic Recording, 1993, pp. 95-96"),
        (WESTMIJZE, 1.136, 0.005, "W. K. Westmijze, Philips Res. Rep. 8, 1953; from memory"),
    ],
)
def test_first_null_wavelength_in_gaps(factor, expected, tolerance, source):
    null = response.gap_null_frequency(0.1905, 4 * UM, gap_factor=factor)
    assert response.wavelength(null, 0.1905) / (4 * UM) == pytest.approx(expected, abs=tolerance)


def test_the_default_factor_is_eargles():
    # Source: J. Eargle, Electroacoustical Reference Data, 1994, chapter 167
    assert response.gap_null_frequency(1, 1) == pytest.approx(1 / 1.11, rel=1e-12)
    assert response.gap_loss_db(1, 1, 0.5) == pytest.approx(-4.9592, abs=1e-4)


def test_no_gap_loses_nothing():
    # Source: limit of sin(y) / y
    assert response.gap_loss_db(15000, 0.1905, 0) == 0


def test_first_null_found_by_a_root_finder():
    # Source: scipy.optimize.brentq on sin(pi c g f / v)
    from scipy.optimize import brentq

    root = brentq(lambda f: np.sin(np.pi * 1.11 * 6.35e-6 * f / 0.1905), 20e3, 35e3, xtol=1e-9)
    assert response.gap_null_frequency(0.1905, 6.35e-6) == pytest.approx(root, rel=1e-9)
    angle = brentq(lambda a: np.sin(np.pi * 6.25e-3 * np.tan(a) * 10e3 / 0.1905), 0.002, 0.004, xtol=1e-15)
    assert response.azimuth_null_angle(10e3, 0.1905, 6.25e-3) == pytest.approx(angle, rel=1e-9)


def test_numpy_sinc_takes_wavelengths_without_pi():
    # Source: numpy.sinc(0.5) = 2 / pi
    level = response.gap_loss_db(1, 1, 0.5, gap_factor=1)
    assert 10 ** (level / 20) == pytest.approx(0.636620, abs=1e-6)


# ---- azimuth ----


@pytest.mark.parametrize(
    ("mm", "arcmin", "levels"),
    [
        (6.25, (1, 2, 3, 5), (-0.1305, -0.5269, -1.2045, -3.5390)),
        (2.75, (5, 10, 15, 20), (-0.6392, -2.6841, -6.6722, -14.7627)),
        (2.1, (5, 10, 15, 20), (-0.3704, -1.5223, -3.6014, -6.9706)),
        (1.1, (5, 10, 15, 20), (-0.1010, -0.4069, -0.9267, -1.6769)),
    ],
)
def test_azimuth_loss_at_ten_kilohertz(mm, arcmin, levels):
    # Source: H. Voelz, lecture notes: sinc of pi W tan(a) / lam
    found = response.azimuth_loss_db(10000, 0.1905, to_si(mm, "mm"), to_si(arcmin, "arcmin"))
    np.testing.assert_allclose(found, levels, atol=1e-4)


def test_double_speed_stands_twice_the_tilt():
    # Source: scaling with the wavelength
    fast = response.azimuth_loss_db(10000, 0.381, 6.25e-3, to_si(10, "arcmin"))
    assert fast == pytest.approx(-3.5390, abs=1e-4)
    slow = response.azimuth_loss_db(10000, 0.1905, 6.25e-3, to_si(5, "arcmin"))
    assert fast == pytest.approx(slow, abs=1e-4)


@pytest.mark.parametrize(("mm", "arcmin"), [(6.25, 10.478), (2.75, 23.814), (2.1, 31.184), (1.1, 59.530)])
def test_first_azimuth_null(mm, arcmin):
    # Source: tan(a) = lam / W
    angle = response.azimuth_null_angle(10000, 0.1905, to_si(mm, "mm"))
    assert angle / to_si(1, "arcmin") == pytest.approx(arcmin, abs=0.001)


@pytest.mark.parametrize("arcmin", [1, 3, 5])
def test_azimuth_loss_is_the_mean_phasor_across_the_track(arcmin):
    # Source: scipy.integrate.trapezoid of exp(j 2 pi y tan(a) / lam)
    from scipy.integrate import trapezoid

    angle, width, length = to_si(arcmin, "arcmin"), 6.25e-3, 19.05e-6
    y = np.linspace(0, width, 20001)
    mean = trapezoid(np.exp(2j * np.pi * y * np.tan(angle) / length), y) / width
    level = 20 * np.log10(abs(mean))
    assert response.azimuth_loss_db(10000, 0.1905, width, angle) == pytest.approx(level, abs=1e-5)


# ---- equalization ----

PAIRS_US = ((3180, 50), (None, 35), (None, 70), (3180, 90), (None, 17.5), (3180, 120), (3180, 70))
FLUX_LEVELS = """
20    +8.611  0.000   0.000   +8.610  0.000   +8.610  +8.610
31.5  +5.470  0.000   -0.001  +5.470  0.000   +5.468  +5.470
40    +4.091  0.000   -0.001  +4.090  0.000   +4.088  +4.090
50    +3.013  -0.001  -0.002  +3.011  0.000   +3.008  +3.012
63    +2.123  -0.001  -0.003  +2.119  0.000   +2.115  +2.121
100   +0.967  -0.002  -0.008  +0.957  -0.001  +0.946  +0.962
125   +0.639  -0.003  -0.013  +0.624  -0.001  +0.607  +0.633
250   +0.144  -0.013  -0.052  +0.085  -0.003  +0.019  +0.118
500   -0.063  -0.052  -0.205  -0.291  -0.013  -0.534  -0.162
1000  -0.398  -0.205  -0.768  -1.194  -0.052  -1.944  -0.757
2000  -1.442  -0.768  -2.489  -3.575  -0.205  -5.148  -2.486
4000  -4.114  -2.489  -6.123  -7.864  -0.768  -10.041 -6.122
8000  -8.643  -6.123  -11.265 -13.317 -2.489  -15.727 -11.265
10000 -10.362 -7.661  -13.084 -15.182 -3.442  -17.623 -13.084
12500 -12.154 -9.323  -14.945 -17.073 -4.608  -19.534 -14.945
15000 -13.656 -10.749 -16.486 -18.630 -5.706  -21.103 -16.486
16000 -14.194 -11.265 -17.035 -19.184 -6.123  -21.659 -17.035
20000 -16.072 -13.084 -18.942 -21.103 -7.661  -23.587 -18.942
"""


def flux_db(frequency, low_us, high_us):
    low = None if low_us is None else to_si(low_us, "us")
    return response.equalization_db(frequency, to_si(high_us, "us"), low)


@pytest.mark.parametrize("column", range(len(PAIRS_US)))
def test_flux_level_table(column):
    # Source: formula of IEC 60094-1:1981 clause 15, worked out; rounded to 0.001 dB
    table = np.array([line.split() for line in FLUX_LEVELS.strip().splitlines()], dtype=float)
    found = flux_db(table[:, 0], *PAIRS_US[column])
    np.testing.assert_allclose(found, table[:, 1 + column], atol=0.00051)


@pytest.mark.parametrize(("low_us", "high_us"), [(3180, 50), (3180, 90), (3180, 120), (3180, 70)])
def test_flux_curve_is_that_of_an_analog_filter(low_us, high_us):
    # Source: scipy.signal.freqs_zpk
    from scipy.signal import freqs_zpk

    f = np.geomspace(20, 20000, 40)
    low, high = low_us * 1e-6, high_us * 1e-6
    _, h = freqs_zpk(z=[-1 / low], p=[0, -1 / high], k=1 / high, worN=2 * np.pi * f)
    np.testing.assert_allclose(flux_db(f, low_us, high_us), 20 * np.log10(np.abs(h)), atol=1e-9)


@pytest.mark.parametrize(
    ("us", "hertz", "tolerance", "source"),
    [
        (17.5, 9094.57, 0.01, "definition"),
        (35, 4547.28, 0.01, "definition"),
        (35, 4547, 1, "NAB vs. IEC, wiki of www.reeltoreel.nl, printed"),
        (50, 3183.10, 0.01, "definition"),
        (50, 3183, 1, "NAB vs. IEC, wiki of www.reeltoreel.nl, printed"),
        (70, 2273.64, 0.01, "definition"),
        (70, 2274, 1, "NAB vs. IEC, wiki of www.reeltoreel.nl, printed"),
        (90, 1768.39, 0.01, "definition"),
        (120, 1326.29, 0.01, "definition"),
        (120, 1326, 1, "forum post on IEC 60094-7, printed"),
        (3180, 50.049, 0.001, "definition"),
        (3183, 50.002, 0.001, "definition"),
    ],
)
def test_transition_frequencies(us, hertz, tolerance, source):
    assert response.transition_frequency(to_si(us, "us")) == pytest.approx(hertz, abs=tolerance)


def test_the_label_of_3150_hertz_is_a_rounded_one():
    # Source: R. Hess, ARSC list, 2012, about 0.09 dB; the label: J. McKnight, Tape Recording Equalization
    exact = response.transition_frequency(50e-6)
    assert 20 * np.log10(exact / 3150) == pytest.approx(0.0908, abs=0.0005)
    assert abs(exact - 3150) > 30
    apart = flux_db(1e6, None, 50) - response.equalization_db(1e6, 1 / (2 * np.pi * 3150))
    assert apart == pytest.approx(0.0908, abs=0.0005)


@pytest.mark.parametrize(
    ("high_us", "hertz", "tolerance"),
    [(50, 399.137, 0.001), (90, 297.50, 0.01), (120, 257.64, 0.01), (70, 337.33, 0.01)],
)
def test_zero_crossings(high_us, hertz, tolerance):
    # Source: algebra, 1 / (2 pi sqrt(t_low t_high))
    crossing = np.sqrt(
        response.transition_frequency(3180e-6) * response.transition_frequency(to_si(high_us, "us"))
    )
    assert crossing == pytest.approx(hertz, abs=tolerance)
    assert flux_db(crossing, 3180, high_us) == pytest.approx(0, abs=1e-9)


def test_half_the_speed_halves_the_frequencies():
    # Source: symmetry of 35 us and 70 us
    f = np.geomspace(20, 10000, 30)
    np.testing.assert_allclose(flux_db(2 * f, None, 35), flux_db(f, None, 70), atol=1e-9)


def test_cassette_types_differ_by_four_and_a_half_decibels():
    # Source: articles on cassette equalization, about 4.5 dB
    apart = flux_db([10e3, 1e8], 3180, 70) - flux_db([10e3, 1e8], 3180, 120)
    np.testing.assert_allclose(apart, [4.539, 4.682], atol=0.001)
    assert apart[0] == pytest.approx(4.5, abs=0.1)


def test_nab_and_iec_at_fifteen_ips_differ_by_three_decibels_in_the_treble():
    # Source: formula, 20 log10(50 / 35)
    apart = flux_db([10e3, 1e8], None, 35) - flux_db([10e3, 1e8], 3180, 50)
    np.testing.assert_allclose(apart, [2.701, 3.098], atol=0.001)


def test_proposed_mastering_curve_turns_at_6300_hertz():
    # Source: J. McKnight and P. Kendall, proposed mastering equalization, printed +3 dB
    assert -flux_db(6300, None, 25) == pytest.approx(2.965, abs=0.001)
    assert -flux_db(6300, None, 25) == pytest.approx(3, abs=0.05)


def test_corner_is_three_decibels_down():
    # Source: definition
    corner = response.transition_frequency(70e-6)
    assert flux_db(corner, None, 70) == pytest.approx(-3.0103, abs=1e-4)


def test_cassette_reference_lies_where_the_curve_is_flat():
    # Source: reason given for 315 Hz in a forum post on IEC 60094-7
    level = flux_db(315, 3180, 120)
    assert abs(level) < 0.14


def test_treble_falls_six_decibels_per_octave_far_above_the_corner():
    # Source: J. McKnight, Tape Recording Equalization: -6 dB per octave above a -3 dB corner
    octave = flux_db(2e7, None, 50) - flux_db(1e7, None, 50)
    assert octave == pytest.approx(-6.0206, abs=1e-4)
