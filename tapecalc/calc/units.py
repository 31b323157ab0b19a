"""Conversions between the trade's units and SI, decibels and cents.

Inside the library everything is SI. A person types and reads trade units; this
module is the only place where the two meet, and `UNITS` is the only place where
a conversion factor is written down.
"""

from __future__ import annotations

import math

import numpy as np

from tapecalc.calc.quantity import finite, known_name, positive, scalar_or_array

__all__ = [
    "INCH",
    "UNITS",
    "amplitude_to_db",
    "cents_to_ratio",
    "db_to_amplitude",
    "db_to_power",
    "from_si",
    "power_to_db",
    "ratio_to_cents",
    "to_si",
]


INCH = 0.0254  # meters, exact since the international yard of 1959
CENTS_PER_OCTAVE = 1200.0

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
}


def to_si(value, unit):
    """Convert a value in a trade unit to SI, ``value * UNITS[unit]``.

    Parameters
    ----------
    value : array_like
        Any finite value, counted in `unit`.
    unit : str
        A key of `UNITS`, for example ``"mm"``, ``"ips"`` or ``"ms"``.

    Returns
    -------
    float or numpy.ndarray
        The same quantity in SI, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number, or the unit is not known.

    See Also
    --------
    from_si : the inverse

    Notes
    -----
    Source: international inch and foot of 1959 (25.4 mm and 304.8 mm exactly);
    IEC 80000-3 for the rest. Notebook: 01_delay.

    Examples
    --------
    >>> to_si(7.5, "ips")
    0.1905
    >>> to_si([0, 1200], "ft")
    array([  0.  , 365.76])
    """
    return scalar_or_array(finite("value", value) * _factor(unit))


def from_si(value, unit):
    """Convert an SI value to a trade unit, ``value / UNITS[unit]``.

    Parameters
    ----------
    value : array_like
        Any finite value in SI.
    unit : str
        A key of `UNITS`, for example ``"mm"``, ``"ips"`` or ``"ms"``.

    Returns
    -------
    float or numpy.ndarray
        The same quantity counted in `unit`, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number, or the unit is not known.

    See Also
    --------
    to_si : the inverse

    Notes
    -----
    Source: as `to_si`. Notebook: 01_delay.

    Examples
    --------
    >>> round(from_si(0.0415 / 0.1905, "ms"), 3)
    217.848
    """
    return scalar_or_array(finite("value", value) / _factor(unit))


def _factor(unit):
    """Look up a unit, suggesting the nearest known one if it is not there."""
    return UNITS[known_name("unit", unit, UNITS)]


def amplitude_to_db(amplitude):
    """Convert an amplitude ratio to decibels, ``20 log10(A)``.

    Parameters
    ----------
    amplitude : array_like
        An amplitude ratio, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        The ratio in decibels, of the shape of the input; 0 for a ratio of 1.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0 (silence has no level).

    See Also
    --------
    db_to_amplitude : the inverse

    Notes
    -----
    Source: ISO 80000-8. Notebook: 03_repeats.

    Examples
    --------
    >>> round(amplitude_to_db(0.5), 4)
    -6.0206
    """
    return scalar_or_array(20 * np.log10(positive("amplitude", amplitude)))


def db_to_amplitude(db):
    """Convert decibels to an amplitude ratio, the inverse of ``20 log10(A)``.

    Parameters
    ----------
    db : array_like
        Any finite value in decibels.

    Returns
    -------
    float or numpy.ndarray
        An amplitude ratio, of the shape of the input; 1 for 0 decibels.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    amplitude_to_db : the inverse

    Notes
    -----
    Source: ISO 80000-8. Notebook: 03_repeats.

    Examples
    --------
    >>> round(db_to_amplitude(-6.0206), 4)
    0.5
    """
    return scalar_or_array(10 ** (finite("db", db) / 20))


def power_to_db(power):
    """Convert a power ratio to decibels, ``10 log10(P)``.

    Parameters
    ----------
    power : array_like
        A power ratio, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        The ratio in decibels, of the shape of the input; 0 for a ratio of 1.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0 (silence has no level).

    See Also
    --------
    db_to_power : the inverse

    Notes
    -----
    Source: ISO 80000-8. Notebook: 03_repeats.

    Examples
    --------
    >>> round(power_to_db(0.5), 4)
    -3.0103
    """
    return scalar_or_array(10 * np.log10(positive("power", power)))


def db_to_power(db):
    """Convert decibels to a power ratio, the inverse of ``10 log10(P)``.

    Parameters
    ----------
    db : array_like
        Any finite value in decibels.

    Returns
    -------
    float or numpy.ndarray
        A power ratio, of the shape of the input; 1 for 0 decibels.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    power_to_db : the inverse

    Notes
    -----
    Source: ISO 80000-8. Notebook: 03_repeats.

    Examples
    --------
    >>> round(db_to_power(-3.0103), 4)
    0.5
    """
    return scalar_or_array(10 ** (finite("db", db) / 10))


def ratio_to_cents(ratio):
    """Convert a frequency or speed ratio to cents, ``1200 log2(r)``.

    Parameters
    ----------
    ratio : array_like
        A frequency or speed ratio, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        The ratio in cents, of the shape of the input; 0 for a ratio of 1.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0 (silence has no level).

    See Also
    --------
    cents_to_ratio : the inverse

    Notes
    -----
    Source: definition of the cent, 1/1200 octave.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(ratio_to_cents(1.015), 4)
    25.7757
    """
    return scalar_or_array(CENTS_PER_OCTAVE * np.log2(positive("ratio", ratio)))


def cents_to_ratio(cents):
    """Convert cents to a frequency or speed ratio, the inverse of ``1200 log2(r)``.

    Parameters
    ----------
    cents : array_like
        Any finite value in cents.

    Returns
    -------
    float or numpy.ndarray
        A frequency or speed ratio, of the shape of the input; 1 for 0 cents.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    ratio_to_cents : the inverse

    Notes
    -----
    Source: definition of the cent, 1/1200 octave.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(cents_to_ratio(25.7757), 4)
    1.015
    """
    return scalar_or_array(2 ** (finite("cents", cents) / CENTS_PER_OCTAVE))
