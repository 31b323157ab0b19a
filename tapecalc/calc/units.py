"""Conversions between the trade's units and SI, decibels and cents.

Inside the library everything is SI. A person types and reads trade units; `UNITS` is the only place
where a conversion factor is written down.

Sources: international inch of 1959; IEC 80000-3; ISO 80000-8 for levels.
"""

import math
from typing import Annotated

import numpy as np

from tapecalc.calc.quantity import Is, Level, Ratio, T, calculator, known_name

INCH = 0.0254  # meters, exact
CENTS_PER_OCTAVE = 1200.0
#: Standard uncertainties in a plus/minus, which then holds in 95 of 100 cases. Source: JCGM 100:2008, 6.3.3.
COVERAGE_FACTOR = 2.0

#: What one of each trade unit is in SI.
UNITS = {
    "m": 1.0,
    "cm": 1e-2,
    "mm": 1e-3,
    "um": 1e-6,
    "in": INCH,
    "mil": INCH / 1000,  # a thousandth of an inch
    "ft": 12 * INCH,
    "m_s": 1.0,
    "cm_s": 1e-2,
    "ips": INCH,  # inches per second, the trade's unit of tape speed
    "s": 1.0,
    "ms": 1e-3,
    "us": 1e-6,
    "min": 60.0,
    "h": 3600.0,
    "hz": 1.0,
    "khz": 1e3,
    "rpm": 1 / 60,  # turns per minute, in turns per second
    "bpm": 1 / 60,  # beats per minute, in beats per second
    "rad": 1.0,
    "deg": math.pi / 180,
    "arcmin": math.pi / 180 / 60,
    "percent": 1e-2,
    "v": 1.0,
    "mv": 1e-3,
    "ohm": 1.0,
    "kohm": 1e3,
    "nwb_m": 1e-9,  # magnetic flux for each meter of track width
}

Value = Annotated[T, Is(words="value in any unit", usual=(0.1, 50.0))]
Cents = Annotated[T, Is(words="interval of pitch in cents", usual=(1.0, 200.0))]


@calculator
def to_si(value: Value, unit: str) -> Value:
    """Convert a value in a trade unit, a key of `UNITS`, to SI; the inverse of `from_si`.

    >>> to_si(7.5, "ips"), to_si([0, 1200], "ft")
    (0.1905, array([  0.  , 365.76]))
    """
    return value * UNITS[known_name("unit", unit, UNITS)]


@calculator
def from_si(value: Value, unit: str) -> Value:
    """Convert an SI value to a trade unit, a key of `UNITS`; the inverse of `to_si`.

    >>> round(from_si(0.0415 / 0.1905, "ms"), 3)
    217.848
    """
    return value / UNITS[known_name("unit", unit, UNITS)]


@calculator
def amplitude_to_db(amplitude: Ratio) -> Level:
    """Convert an amplitude ratio to decibels, ``20 log10(A)``; the inverse of `db_to_amplitude`."""
    return 20 * np.log10(amplitude)


@calculator
def db_to_amplitude(db: Level) -> Ratio:
    """Convert decibels to an amplitude ratio, ``10^(db/20)``; the inverse of `amplitude_to_db`."""
    return 10 ** (db / 20)


@calculator
def ratio_to_cents(ratio: Ratio) -> Cents:
    """Convert a ratio of frequencies or speeds to cents, ``1200 log2(r)``; inverse of `cents_to_ratio`."""
    return CENTS_PER_OCTAVE * np.log2(ratio)


@calculator
def cents_to_ratio(cents: Cents) -> Ratio:
    """Convert cents to a ratio of frequencies or speeds, ``2^(c/1200)``; the inverse of `ratio_to_cents`."""
    return 2 ** (cents / CENTS_PER_OCTAVE)
