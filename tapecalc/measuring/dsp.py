"""What short windows of a recording and their spectra are made with."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Groups of windows, each left out once to see how far a figure depends on it.
GROUPS = 8


def cut_windows(samples: NDArray[np.float64], starts: ArrayLike, length: int) -> NDArray[np.float64]:
    """Cut rows of `length` samples that begin at `starts`; every row lies within the sound.

    >>> cut_windows(np.arange(6.0), np.array([0, 3]), 2)
    array([[0., 1.],
           [3., 4.]])
    """
    return samples[np.asarray(starts)[:, None] + np.arange(length)]


def power_spectrum(spectrum: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Square the magnitude of each bin, ``|X|^2``, without the root that `abs` takes."""
    return spectrum.real**2 + spectrum.imag**2


def group_matrix(number: NDArray[np.int_]) -> NDArray[np.float64]:
    """Make the matrix (groups, windows) of zeros and ones that sums windows, by their number, over groups.

    One sound may go on over some windows: ten neighbors are in one group.

    >>> group_matrix(np.array([0, 9, 10, 80]))[:2]
    array([[1., 1., 0., 1.],
           [0., 0., 1., 0.]])
    """
    return (number // 10 % GROUPS == np.arange(GROUPS)[:, None]).astype(float)


def phase_ramp(shift: ArrayLike, length: int) -> NDArray[np.complex128]:
    """Make ``exp(2j pi k e / N)`` for each shift `e`, which lets a sound of `N` samples come `e` earlier.

    Of shape (shifts, length // 2 + 1). To save time the factor of a bin is that of the 64th bin below or at
    it, times that of the few bins between.

    >>> click = np.eye(8)[[3]]
    >>> np.fft.irfft(np.fft.rfft(click) * phase_ramp([1], 8)).round(9) + 0.0
    array([[0., 0., 1., 0., 0., 0., 0., 0.]])
    """
    count = length // 2 + 1
    step = 2j * np.pi / length * np.asarray(shift, dtype=float)
    coarse = np.exp(np.multiply.outer(step, np.arange(0, count, 64)))
    fine = np.exp(np.multiply.outer(step, np.arange(64)))
    return (coarse[:, :, None] * fine[:, None, :]).reshape(len(step), -1)[:, :count]


def total_and_without(
    sums: Sequence[NDArray[Any]], groups: NDArray[np.int_]
) -> tuple[list[NDArray[Any]], list[list[NDArray[Any]]]]:
    """Add up each of some `sums` over its first axis of groups; and over all but each of `groups` in turn."""
    total = [part.sum(axis=0) for part in sums]
    without = [[whole - part[g] for whole, part in zip(total, sums, strict=True)] for g in groups]
    return total, without
