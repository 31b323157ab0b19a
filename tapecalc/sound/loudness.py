"""Loudness of a sound as broadcasters measure it, its peaks between the samples, and the gain to a level.

Source: ITU-R BS.1770-4, the filters as its tables give them for 48 kHz (from memory).
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft

from tapecalc.calc.units import db_to_amplitude
from tapecalc.sound.samples import SILENCE_DB, Array, level_of, sound_array, valid_rate

#: What a program is brought to, and its highest true peak. Source: EBU R 128 (from memory).
PROGRAM_LUFS, MOST_PEAK_DB = -23.0, -1.0
BLOCK, STEPS = 0.4, 4  # s, and the steps in which one block follows the other
ABSOLUTE_LUFS, RELATIVE_LU = -70.0, -10.0  # below these a block does not count
OVERSAMPLING = 4  # of true peaks
OFFSET_DB = -0.691  # takes back what K weighting adds at 1 kHz
TWICE_DB = 10 * np.log10(2)  # what a second channel of the same adds

#: K weighting, a shelf for the head and a high pass: numerators and denominators in powers of 1/z.
K_WEIGHTING = (
    ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1, -1.69065929318241, 0.73248077421585)),
    ((1, -2, 1), (1, -1.99004745483398, 0.99007225036621)),
)


def loudness_lufs(samples: ArrayLike, sample_rate: int) -> float:
    """Measure the loudness, ``-0.691 + 10 log10 P``, with P the K-weighted power of all channels.

    P is the mean of the blocks of 400 ms that pass both gates; -300 if none does. Mono is one channel: with
    the same sound in both channels of a file it reads 3 dB more (`TWICE_DB`).

    >>> t = np.arange(48000) / 48000
    >>> round(loudness_lufs(np.sin(2 * np.pi * 997 * t), 48000), 1)
    -3.0
    """
    sound = sound_array(samples)
    weighted = _k_weighted(sound.reshape(len(sound), -1), valid_rate(sample_rate))
    step = round(BLOCK * sample_rate / STEPS)
    steps = weighted[: len(sound) // step * step].reshape(-1, step * weighted.shape[1])
    blocks = np.convolve(np.sum(steps**2, axis=1) / (STEPS * step), np.ones(STEPS), "full")
    power = blocks[STEPS - 1 : len(steps)]  # of the blocks that are whole
    loud = power[power > 10 ** ((ABSOLUTE_LUFS - OFFSET_DB) / 10)]
    loud = loud[loud > np.mean(loud) * 10 ** (RELATIVE_LU / 10)] if loud.size else loud
    return OFFSET_DB + 10 * float(np.log10(np.mean(loud))) if loud.size else SILENCE_DB


def _k_weighted(sound: Array, sample_rate: int) -> Array:
    """Weight each column by the response of the filters at 48 kHz, whatever the rate."""
    size = fft.next_fast_len(len(sound) + sample_rate // 2, real=True)  # the filters ring into the rest
    turn = np.minimum(fft.rfftfreq(size, 1 / sample_rate) / 48_000, 0.5)
    back = np.exp(-2j * np.pi * turn)  # 1/z
    response = np.ones(len(back), complex)
    for above, below in K_WEIGHTING:
        response *= np.polyval(above[::-1], back) / np.polyval(below[::-1], back)
    return fft.irfft(fft.rfft(sound, size, axis=0) * response[:, None], size, axis=0)[: len(sound)]


def true_peak_db(samples: ArrayLike) -> float:
    """Compute the largest peak between and at the samples, four times oversampled; -300 for silence."""
    sound = sound_array(samples)
    size = fft.next_fast_len(len(sound) + 64, real=True)  # silence keeps the end from meeting the start
    finer = fft.irfft(fft.rfft(sound, size, axis=0), OVERSAMPLING * size, axis=0) * OVERSAMPLING
    return level_of(float(np.max(np.abs(finer))))


def program_gain_db(samples: ArrayLike, sample_rate: int) -> float:
    """Compute the gain to `PROGRAM_LUFS`, or to `MOST_PEAK_DB` of true peak if that comes first.

    Mono is taken as a sound that stands in both channels of a file. 0 for silence.
    """
    sound = sound_array(samples)
    aim = PROGRAM_LUFS - (TWICE_DB if sound.ndim == 1 else 0)
    most_db = MOST_PEAK_DB - true_peak_db(sound)
    gain_db = most_db
    for _ in range(2):  # what is turned down passes less of the gates
        loudness = loudness_lufs(db_to_amplitude(gain_db) * sound, sample_rate)
        if loudness == SILENCE_DB:
            return 0.0
        gain_db += aim - loudness
    return min(gain_db, most_db)
