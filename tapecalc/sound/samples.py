"""Sound in memory: arrays of samples, their levels and peaks.

A sound is a float64 array with full scale at 1: shape ``(n,)`` for mono and ``(n, 2)`` for stereo.
"""

from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapecalc.calc.quantity import Is, T, calculator, finite, whole
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude

Array = NDArray[np.float64]

SILENCE_DB = -300.0  # what a level reads when nothing is there; never minus infinity
HIGHEST_SAMPLE = 1e6  # that is taken for sound; programs exist that write floats in steps of 16 bits
LOWEST_RATE, HIGHEST_RATE = 8_000, 384_000  # sample rates that are taken, Hz
CLIPPED_RUN = 4  # consecutive samples at full scale that no natural peak has; common practice, no source

SampleRate = Annotated[
    T, Is(least=LOWEST_RATE, most=HIGHEST_RATE, whole=True, words="samples a second", usual=(22050, 96000))
]
Seed = Annotated[T, Is(least=0, most=2**63, whole=True, words="which of many random ones", usual=(0, 99))]
PeakLevel = Annotated[T, Is("dB", least=SILENCE_DB, most=0, words="peak against full scale", usual=(-30, -3))]


def sound_array(samples: ArrayLike) -> Array:
    """Check a sound and return it as float64; one channel on an axis of its own comes back without it.

    >>> sound_array([[0.5], [0.25]])
    array([0.5 , 0.25])
    """
    array = np.asarray(samples)
    if array.dtype.kind in "iu":
        raise ValueError(f"samples must be floating-point with full scale at 1, got {array.dtype} integers")
    if array.size == 0:
        raise ValueError("samples must hold at least one sample, got none")
    if array.ndim not in (1, 2) or (array.ndim == 2 and array.shape[1] > 2):
        raise ValueError(f"samples must be of shape (n,), (n, 1) or (n, 2), got {array.shape}")
    array = finite("samples", array)
    return array[:, 0] if array.ndim == 2 and array.shape[1] == 1 else array


def valid_rate(sample_rate: int) -> int:
    """Check a sample rate."""
    return whole("sample_rate", sample_rate, LOWEST_RATE, HIGHEST_RATE)


def peak_db(samples: ArrayLike) -> float:
    """Compute the peak level against full scale, ``20 log10 max|x|``; -300 for silence.

    >>> round(peak_db([0.0, -0.5]), 2)
    -6.02
    """
    return level_of(np.max(np.abs(sound_array(samples))))


def rms_db(samples: ArrayLike) -> float:
    """Compute the rms level against full scale, ``20 log10 sqrt(mean x^2)``.

    A full-scale sine reads -3.01.
    """
    return level_of(np.sqrt(np.mean(np.square(sound_array(samples)))))


def level_of(amplitude: float) -> float:
    """Turn an amplitude of 0 or more into dB, -300 for silence."""
    return amplitude_to_db(max(float(amplitude), db_to_amplitude(SILENCE_DB)))


@calculator
def with_peak(samples: ArrayLike, level_db: PeakLevel[float]) -> Array:
    """Scale a sound so that its peak has a level; silence stays silence.

    >>> with_peak([0.1, -0.2], 0)
    array([ 0.5, -1. ])
    """
    array = sound_array(samples)
    peak = np.max(np.abs(array))
    return array * (db_to_amplitude(level_db) / peak) if peak > 0 else array


def clipped_samples(samples: ArrayLike) -> int:
    """Count samples that were clipped when the sound was recorded, over all channels.

    A sample counts in a run of four or more at full scale: natural peaks do not stay there.

    >>> clipped_samples([0.2, 1, 1, 1, 1, 0.3, 1.0, 0.2])
    4
    """
    full = (np.abs(sound_array(samples)) >= 1 - 2.0**-15).T.astype(np.int8)
    edges = np.diff(np.atleast_2d(full), prepend=0, append=0, axis=-1)
    runs = np.nonzero(edges < 0)[1] - np.nonzero(edges > 0)[1]
    return int(runs[runs >= CLIPPED_RUN].sum())
