"""Conversions against exact arithmetic."""

from fractions import Fraction

import pytest

from tapecalc.calc import units


def test_fifteen_sixteenths_of_an_inch_a_second_is_exact():
    exact = Fraction(15, 16) * Fraction(254, 100)
    assert units.from_si(units.to_si(15 / 16, "ips"), "cm_s") == pytest.approx(float(exact), rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "whole", "part"),
    [
        ("ft", 1, (12, "in")),
        ("in", 1, (1000, "mil")),
        ("cm", 1, (10, "mm")),
        ("mm", 1, (1000, "um")),
        ("min", 1, (60, "s")),
        ("h", 1, (60, "min")),
        ("deg", 1, (60, "arcmin")),
        ("hz", 1, (60, "rpm")),
        ("hz", 1, (60, "bpm")),
        ("s", 1, (1000, "ms")),
        ("ms", 1, (1000, "us")),
        ("khz", 1, (1000, "hz")),
        ("kohm", 1, (1000, "ohm")),
        ("v", 1, (1000, "mv")),
        ("m_s", 1, (100, "cm_s")),
        ("rad", 3.141592653589793, (180, "deg")),
        ("m", 1, (100, "cm")),
    ],
)
def test_a_unit_is_so_many_of_its_part(unit, whole, part):
    assert units.to_si(whole, unit) == pytest.approx(units.to_si(*part), rel=1e-12)


def test_percent_is_a_hundredth():
    assert units.to_si(1.5, "percent") == pytest.approx(0.015)


def test_an_unknown_unit_is_named_with_its_neighbor():
    with pytest.raises(ValueError, match="unit 'mmm' is not known; did you mean 'mm'"):
        units.to_si(1, "mmm")
    with pytest.raises(ValueError, match="unit 'furlong' is not known; known: m, cm"):
        units.from_si(1, "furlong")


def test_half_the_amplitude_is_six_decibels_less():
    assert units.amplitude_to_db(0.5) == pytest.approx(-6.0206, abs=1e-4)


@pytest.mark.parametrize("db", [-120.0, -6.0, 0.0, 20.0])
def test_decibels_come_back(db):
    assert units.amplitude_to_db(units.db_to_amplitude(db)) == pytest.approx(db, abs=1e-12)


def test_an_octave_is_twelve_hundred_cents():
    assert units.ratio_to_cents(2) == pytest.approx(1200)
    assert units.cents_to_ratio(-1200) == pytest.approx(0.5)


@pytest.mark.parametrize("function", [units.amplitude_to_db, units.ratio_to_cents])
def test_silence_has_no_level(function):
    with pytest.raises(ValueError, match="must be greater than 0"):
        function([1.0, 0.0])
