"""Checks on what a caller passes in, and the shape of what goes back.

Every calculator sends its arguments through one of these functions, so that
nonsense is refused with the same kind of sentence everywhere (what, where,
what is allowed) and no NaN or infinity travels on in silence.
"""

from __future__ import annotations

import numpy as np

__all__ = [
    "between",
    "finite",
    "non_negative",
    "positive",
    "scalar_or_array",
    "single",
    "whole",
]


def finite(name, value):
    """Return `value` as a float64 array, refusing NaN, infinity and non-numbers.

    Parameters
    ----------
    name : str
        What the value is called where the caller typed it.
    value : array_like
        Any real number or array of real numbers.

    Returns
    -------
    numpy.ndarray
        A new float64 array of the same shape (zero-dimensional for a scalar).

    Raises
    ------
    ValueError
        If an element is not a finite real number.

    Notes
    -----
    Source: the house rule that nothing returns NaN silently. Notebook: none.

    Examples
    --------
    >>> finite("speed", 3)
    array(3.)
    """
    raw = np.asarray(value)
    if raw.dtype.kind not in "iuf" or raw.size == 0:
        raise ValueError(f"{name} must be a number or an array of numbers, got {value!r}")
    array = np.array(raw, dtype=np.float64)
    _refuse(name, array, ~np.isfinite(array), "a finite number")
    return array


def positive(name, value, unit=""):
    """Return `value` as a float64 array in which every element is above zero.

    Parameters
    ----------
    name : str
        What the value is called where the caller typed it.
    value : array_like
        Any real number or array of real numbers.
    unit : str, optional
        The unit named in the error.

    Returns
    -------
    numpy.ndarray
        As `finite`.

    Raises
    ------
    ValueError
        If an element is not finite, zero, or negative.

    Notes
    -----
    Source: house rule. Notebook: none.

    Examples
    --------
    >>> positive("speed", 0.1905, "m/s")
    array(0.1905)
    """
    array = finite(name, value)
    _refuse(name, array, array <= 0, f"greater than 0 {unit}".rstrip())
    return array


def non_negative(name, value, unit=""):
    """Return `value` as a float64 array in which no element is below zero.

    Parameters
    ----------
    name : str
        What the value is called where the caller typed it.
    value : array_like
        Any real number or array of real numbers.
    unit : str, optional
        The unit named in the error.

    Returns
    -------
    numpy.ndarray
        As `finite`.

    Raises
    ------
    ValueError
        If an element is not finite, or negative.

    Notes
    -----
    Source: house rule. Notebook: none.

    Examples
    --------
    >>> non_negative("gap", [0, 3e-6], "m")
    array([0.e+00, 3.e-06])
    """
    array = finite(name, value)
    _refuse(name, array, array < 0, f"0 {unit}".rstrip() + " or more")
    return array


def between(name, value, low, high, unit=""):
    """Return `value` as a float64 array with every element from `low` to `high`.

    Parameters
    ----------
    name : str
        What the value is called where the caller typed it.
    value : array_like
        Any real number or array of real numbers.
    low, high : float
        The smallest and the largest allowed value, both allowed themselves.
    unit : str, optional
        The unit named in the error.

    Returns
    -------
    numpy.ndarray
        As `finite`.

    Raises
    ------
    ValueError
        If an element is not finite, below `low` or above `high`.

    Notes
    -----
    Source: house rule. Notebook: none.

    Examples
    --------
    >>> between("bpm", 76, 20, 400)
    array(76.)
    """
    array = finite(name, value)
    _refuse(name, array, (array < low) | (array > high), f"from {low:g} to {high:g} {unit}".rstrip())
    return array


def single(name, value):
    """Return a checked value as one plain float, refusing an array of numbers.

    Parameters
    ----------
    name : str
        What the value is called where the caller typed it.
    value : numpy.ndarray
        What `finite`, `positive`, `non_negative` or `between` gave back.

    Returns
    -------
    float
        The one number.

    Raises
    ------
    ValueError
        If there is more than one number.

    Notes
    -----
    Source: house rule: a report on one echo takes one number. Notebook: none.

    Examples
    --------
    >>> single("bpm", positive("bpm", 76))
    76.0
    """
    if value.ndim:
        raise ValueError(f"{name} must be one number, got an array of shape {value.shape}")
    return value.item()


def whole(name, value, low, high):
    """Return `value` as an int from `low` to `high`.

    Parameters
    ----------
    name : str
        What the value is called where the caller typed it.
    value : int
        One whole number.
    low, high : int
        The smallest and the largest allowed value, both allowed themselves.

    Returns
    -------
    int
        The same number.

    Raises
    ------
    ValueError
        If `value` is not one whole number in the range.

    Notes
    -----
    Source: house rule. Notebook: none.

    Examples
    --------
    >>> whole("repeats", 5, 1, 100)
    5
    """
    array = np.asarray(value)
    if array.ndim or array.dtype.kind not in "iuf" or array != np.floor(array) or not low <= array <= high:
        raise ValueError(f"{name} must be a whole number from {low} to {high}, got {value!r}")
    return int(array)


def scalar_or_array(result):
    """Turn a zero-dimensional array into a plain float and leave arrays alone.

    Parameters
    ----------
    result : array_like
        What a calculator has worked out, in float64.

    Returns
    -------
    float or complex or bool or numpy.ndarray
        A plain Python scalar for scalar input, else the array.

    Notes
    -----
    Source: house rule "scalar in, scalar out". Notebook: none.

    Examples
    --------
    >>> scalar_or_array(finite("speed", 2))
    2.0
    """
    array = np.asarray(result)
    return array.item() if array.ndim == 0 else array


def _refuse(name, array, bad, allowed):
    """Raise ValueError about the first element of `array` at which `bad` is true."""
    if not np.any(bad):
        return
    where = tuple(int(i[0]) for i in np.nonzero(np.atleast_1d(bad)))
    place = f" at index {where[0] if len(where) == 1 else where}" if array.ndim else ""
    raise ValueError(f"{name} must be {allowed}, got {np.atleast_1d(array)[where]:g}{place}")
