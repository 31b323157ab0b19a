"""Sizes of what the plan leaves out, against print and against fields worked out another way."""

import math

import numpy as np
import pytest

from tapecalc.calc import omissions as listed
from tapecalc.calc import standards
from tapecalc.calc.levels import leak_ripple_db
from tapecalc.calc.response import thickness_loss_db
from tapecalc.calc.units import to_si

ROWS = {
    row.what: row.size
    for row in listed.omissions(
        [0.1905],
        coating_thickness=11e-6,
        separation=0.5e-6,
        track_width=2e-3,
        azimuth_angle=0,
        tape_thickness=35e-6,
    )
}


def size(what):
    (found,) = (text for name, text in ROWS.items() if what in name)
    return found


@pytest.mark.parametrize(("place", "db"), list(zip(listed.HEAD_BUMPS, (3.348, -3.493, 2.064), strict=True)))
def test_head_bumps_of_thin_pole_plates(place, db):
    # Source: scipy.special: field of two thin plates by reciprocity, the integral of J0 from 0 to pi L/lam
    from scipy.special import itj0y0

    def response_db(waves):
        return 20 * math.log10(itj0y0(math.pi * waves)[0])

    assert response_db(place) == pytest.approx(db, abs=1e-3)
    aside = [response_db(place + step) for step in (-0.002, 0.002)]
    assert all(np.sign(db) * (response_db(place) - one) > 0 for one in aside)  # an extremum


def test_the_sizes_of_bumps_lie_between_those_of_thin_plates_and_deep_blocks():
    # Source: the same for thin plates; for deep rectangular blocks a field mapped after Schwarz and
    # Christoffel, worked out beforehand: +1.548, -1.172, +0.802 dB
    assert size("Head bumps").startswith("up by 0.8 to 3.3 dB or down by 1.2 to 3.5 dB;")


@pytest.mark.parametrize(
    ("wavelengths", "db"), [(0.1, -3.2107), (0.2, -6.1639), (0.5, -13.4555), (1, -21.2831), (2, -29.1264)]
)
def test_loss_of_a_coating_magnetized_less_at_its_surface(wavelengths, db):
    # Source: scipy.integrate.quad of the layers, 0.2 at the surface to 1 below, each fading with its depth
    from scipy.integrate import quad

    def layers(waves):
        return quad(lambda u: (0.2 + 0.8 * u) * math.exp(-2 * math.pi * u * waves), 0, 1, epsabs=1e-13)[0]

    assert listed._rising_db(wavelengths) == pytest.approx(db, abs=1e-4)
    assert listed._rising_db(wavelengths) == pytest.approx(
        20 * math.log10(layers(wavelengths) / 0.6), abs=1e-9
    )


def test_it_falls_faster_than_six_decibels_per_octave():
    # Source: J. McKnight, Calculating the wavelength response, 2012: measured first 6, then more
    near_one = listed._rising_db(2**0.5) - listed._rising_db(2**-0.5)
    assert near_one == pytest.approx(-8.05, abs=0.01)
    even = thickness_loss_db(1, 1, [2**0.5, 2**-0.5])
    assert near_one < even[0] - even[1] - 1.5


def test_equalizers_may_be_off_by_half_the_window_of_the_standard():
    # Source: DIN 45 500 sheet 4: 5 dB from 250 to 6300 Hz, 7 dB outside
    assert size("Uneven") == f"up or down by {5 / 2} dB from 250 Hz to 6.3 kHz, by {7 / 2} dB outside"


def test_erasure_and_the_other_track():
    # Source: DIN 45 500 sheet 4: 60 dB at 1 kHz for both
    assert size("erase") == "60 dB below full level at 1 kHz"


def test_bias_from_the_loudest_treble_to_the_usual_setting():
    # Sources: G. Ballou (ed.), Handbook for Sound Engineers, p. 1069, 3 dB at 15 ips; 4.5 dB at 3.75 ips
    # from memory
    assert size("Bias").startswith("3 to 4.5 dB at 10 kHz")


def test_a_leak_forty_decibels_down_moves_the_level_by_less_than_a_tenth():
    # Source: derived, 1 + 0.01 and 1 - 0.01
    down, up = leak_ripple_db(-40)
    assert (up, down) == (pytest.approx(0.086, abs=1e-3), pytest.approx(-0.087, abs=1e-3))
    assert size("Leak").startswith("less than 0.1 dB where it is 40 dB below")


def test_tape_wanders_by_half_of_what_was_measured_from_end_to_end():
    # Source: AES preprint on the displacement in time between channels, 600 urad from end to end
    assert pytest.approx(600e-6 / 2, rel=1e-12) == listed.AZIMUTH_SWING


def test_worst_wavelength_of_print_through():
    # Source: Bertram, Stafford, Mills, The Print-Through Phenomenon, 1980: 2 pi times the thickness, about
    # 1200 Hz for 2 mil at 15 ips
    (row,) = (
        row.size
        for row in listed.omissions(
            [to_si(15, "ips")],
            coating_thickness=11e-6,
            separation=0,
            track_width=2e-3,
            azimuth_angle=0,
            tape_thickness=to_si(2, "mil"),
        )
        if "Print-through" in row.what
    )
    assert row.endswith("most near 1.2 kHz")


def test_stretch_by_a_pull_of_one_newton():
    # Source: PET film data bulletin H-37232, 490 kg/mm2; 6.3 mm x 38 um: 0.0869 %
    stretch = 1.0 / (standards.PET_MODULUS * 6.3e-3 * 38e-6)
    assert 100 * stretch == pytest.approx(0.0869, abs=1e-4)
    assert size("Slip") == f"{100 * stretch:.1f} % of the delay"


def test_bass_and_treble_come_apart_by_a_tenth_of_a_millisecond():
    # Source: worked out beforehand with the phase that a boost of least phase has: 0.09 to 0.11 ms at 7.5 ips
    assert 0.09e-3 <= listed.APART <= 0.11e-3
