"""What short windows of a recording and their spectra are made with."""

from __future__ import annotations

import numpy as np

__all__ = [
    "GROUPS",
    "TIED",
    "members",
    "moves",
    "squared",
    "windows",
]


#: Groups of windows, each left out once to see how far a figure depends on it.
GROUPS = 8
#: Windows over which one sound may go on: neighbors are in one group.
TIED = 10

TOGETHER = 64  # bins whose factors are products of two


def windows(samples, starts, length):
    """Cut rows out of a sound.

    Parameters
    ----------
    samples : numpy.ndarray
        The sound, of shape (samples,).
    starts : numpy.ndarray
        First sample of each row; every row lies within the sound.
    length : int
        Samples in a row.

    Returns
    -------
    numpy.ndarray
        Of shape (rows, length).

    Notes
    -----
    Source: definition. Notebook: none.

    Examples
    --------
    >>> windows(np.arange(6.0), np.array([0, 3]), 2)
    array([[0., 1.],
           [3., 4.]])
    """
    return samples[np.asarray(starts)[:, None] + np.arange(length)]


def squared(spectrum):
    """Square the magnitude, without the root that `abs` takes.

    Parameters
    ----------
    spectrum : numpy.ndarray
        Complex, of any shape.

    Returns
    -------
    numpy.ndarray
        ``|X|^2``, of the same shape.

    Notes
    -----
    Source: definition. Notebook: none.

    Examples
    --------
    >>> squared(np.array([3 + 4j]))
    array([25.])
    """
    return spectrum.real**2 + spectrum.imag**2


def members(number):
    """Tell which window is in which group, as a matrix that sums over groups.

    Parameters
    ----------
    number : numpy.ndarray
        Which window of the recording each one is, of shape (windows,).

    Returns
    -------
    numpy.ndarray
        Zeros and ones, of shape (groups, windows).

    Notes
    -----
    Source: house rule. Notebook: none.

    Examples
    --------
    >>> members(np.array([0, 9, 10, 80]))[:2]
    array([[1., 1., 0., 1.],
           [0., 0., 1., 0.]])
    """
    return (number // TIED % GROUPS == np.arange(GROUPS)[:, None]).astype(float)


def moves(shift, length):
    """Tell the factors that make the sound of each spectrum come earlier.

    ``exp(2j pi k e / N)`` for bin ``k``. Most of what an exponential costs is saved: the factor of
    a bin is that of the 64th bin below or at it, times that of the few bins between.

    Parameters
    ----------
    shift : numpy.ndarray
        By how many samples, of shape (rows,); negative makes it later.
    length : int
        Samples that each spectrum is of.

    Returns
    -------
    numpy.ndarray
        Of shape (rows, length // 2 + 1).

    Notes
    -----
    Source: shift theorem of the Fourier transform. Notebook: none.

    Examples
    --------
    >>> click = np.eye(8)[[3]]
    >>> np.fft.irfft(np.fft.rfft(click) * moves(np.array([1]), 8)).round(9) + 0.0
    array([[0., 0., 1., 0., 0., 0., 0., 0.]])
    """
    count = length // 2 + 1
    step = 2j * np.pi / length * np.asarray(shift, dtype=float)
    rough = np.exp(np.multiply.outer(step, np.arange(0, count, TOGETHER)))
    fine = np.exp(np.multiply.outer(step, np.arange(TOGETHER)))
    return (rough[:, :, None] * fine[:, None, :]).reshape(len(step), -1)[:, :count]
