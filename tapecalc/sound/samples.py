"""Sound in memory: arrays of samples, their levels and peaks."""

from __future__ import annotations

import numpy as np

from tapecalc.calc.quantity import between, finite, positive, scalar_or_array, single, whole
from tapecalc.calc.units import db_to_amplitude

__all__ = [
    "clipped_samples",
    "peak_db",
    "rms_db",
    "sound_array",
    "with_peak",
]


SILENCE_DB = -300.0  # what a level reads when nothing is there; never minus infinity
HIGHEST_SAMPLE = 1e6  # that is taken for sound; programs exist that write floats in steps of 16 bits
LOWEST_RATE, HIGHEST_RATE = 8_000, 384_000  # sample rates that are taken, Hz
CLIPPED_RUN = 4  # consecutive samples at full scale that no natural peak has


def sound_array(samples):
    """Check a sound and return it as float64, ``(n,)`` or ``(n, 2)``.

    Parameters
    ----------
    samples : array_like
        Floating-point samples with full scale at 1; a second axis holds one or two channels.

    Returns
    -------
    numpy.ndarray
        A float64 array; a single channel comes back one-dimensional.

    Raises
    ------
    ValueError
        If there are no samples, more than two channels, integers, NaN or infinity.

    Notes
    -----
    Source: house rule. Notebook: none.

    Examples
    --------
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


def valid_rate(sample_rate):
    """Check a sample rate."""
    return whole("sample_rate", sample_rate, LOWEST_RATE, HIGHEST_RATE)


def _length(seconds, sample_rate):
    """Return how many samples last `seconds`, at least one."""
    return max(1, round(single("seconds", positive("seconds", seconds, "s")) * sample_rate))


# --- levels ----------------------------------------------------------------------------------------


def peak_db(samples):
    """Compute the peak level against full scale, ``20 log10 max|x|``.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`.

    Returns
    -------
    float
        Level in dB, -300 for silence.

    See Also
    --------
    with_peak : sets the level that this reads

    Notes
    -----
    Source: definition of dBFS, sample peak. Notebook: 03_repeats.

    Examples
    --------
    >>> round(peak_db([0.0, -0.5]), 2)
    -6.02
    """
    return level_of(np.max(np.abs(sound_array(samples))))


def rms_db(samples):
    """Compute the rms level against full scale, ``20 log10 sqrt(mean x^2)``.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`.

    Returns
    -------
    float
        Level in dB, -300 for silence; a full-scale sine reads -3.01.

    Notes
    -----
    Source: definition; full scale is an amplitude of 1. Notebook: 02_wavelength.

    Examples
    --------
    >>> round(rms_db(tone(1000, 1.0, level_db=0)), 2)
    -3.01
    """
    return level_of(np.sqrt(np.mean(np.square(sound_array(samples)))))


def level_of(amplitude):
    """Turn an amplitude of 0 or more into dB, -300 for silence."""
    return scalar_or_array(20 * np.log10(np.maximum(amplitude, db_to_amplitude(SILENCE_DB))))


def with_peak(samples, level_db):
    """Scale a sound so that its peak stands at a level.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`. Silence stays silence.
    level_db : float
        Wanted peak against full scale in dB, 0 or less.

    Returns
    -------
    numpy.ndarray
        The scaled sound.

    Raises
    ------
    ValueError
        If the level is above 0 dB, or the samples are no sound.

    See Also
    --------
    peak_db : reads the level that this sets

    Notes
    -----
    Source: definition of dBFS. Notebook: none.

    Examples
    --------
    >>> with_peak([0.1, -0.2], 0)
    array([ 0.5, -1. ])
    """
    array = sound_array(samples)
    peak = np.max(np.abs(array))
    return array * (_amplitude(level_db) / peak) if peak > 0 else array


def _amplitude(level_db):
    """Turn a level of at most full scale into an amplitude."""
    return db_to_amplitude(single("level_db", between("level_db", level_db, SILENCE_DB, 0, "dB")))


def clipped_samples(samples):
    """Count samples that were clipped when the sound was recorded.

    A sample counts when it stands in a run of four or more at full scale: natural
    peaks do not stay there.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`.

    Returns
    -------
    int
        How many samples, over all channels.

    Notes
    -----
    Source: common practice, no source. Notebook: none.

    Examples
    --------
    >>> clipped_samples([0.2, 1, 1, 1, 1, 0.3, 1.0, 0.2])
    4
    """
    full = (np.abs(sound_array(samples)) >= 1 - 2.0**-15).T.astype(np.int8)
    edges = np.diff(np.atleast_2d(full), prepend=0, append=0, axis=-1)
    runs = np.nonzero(edges < 0)[1] - np.nonzero(edges > 0)[1]
    return int(runs[runs >= CLIPPED_RUN].sum())
