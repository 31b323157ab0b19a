"""What short windows of a recording and their spectra are made with."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating[Any]]
Complex = NDArray[np.complex128]
Bools = NDArray[np.bool_]

#: Groups of windows, each left out once to see how far a figure depends on it.
GROUPS = 8


def cut_windows(samples: Array, starts: ArrayLike, length: int) -> Array:
    """Cut rows of `length` samples that begin at `starts`; every row lies within the sound."""
    return samples[np.asarray(starts)[:, None] + np.arange(length)]


def power_spectrum(spectrum: Complex) -> Array:
    """Square the magnitude of each bin, ``|X|^2``, without the root that `abs` takes."""
    return spectrum.real**2 + spectrum.imag**2


def group_matrix(number: NDArray[np.int_]) -> Array:
    """Make the matrix (groups, windows) of zeros and ones that sums windows, by their number, over groups.

    One sound may go on over some windows: ten neighbors are in one group.
    """
    return (number // 10 % GROUPS == np.arange(GROUPS)[:, None]).astype(float)


def phase_ramp(shift: ArrayLike, length: int) -> Complex:
    """Make ``exp(2j pi k e / N)`` for each shift `e`, which lets a sound of `N` samples come `e` earlier.

    Of shape (shifts, length // 2 + 1). To save time the factor of a bin is that of the 64th bin below or at
    it, times that of the few bins between.
    """
    count = length // 2 + 1
    step = 2j * np.pi / length * np.asarray(shift, dtype=float)
    coarse = np.exp(np.multiply.outer(step, np.arange(0, count, 64)))
    fine = np.exp(np.multiply.outer(step, np.arange(64)))
    return (coarse[:, :, None] * fine[:, None, :]).reshape(len(step), -1)[:, :count]
