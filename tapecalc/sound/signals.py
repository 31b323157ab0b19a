"""Sounds made here: clicks, tones, plucked strings, a phrase.

All are mono, and start well below full scale, because an echo adds to what is there.
"""

from typing import Annotated

import numpy as np

from tapecalc.calc.quantity import Duration, Is, T, between, calculator, single
from tapecalc.calc.units import db_to_amplitude
from tapecalc.sound.samples import Array, PeakLevel, SampleRate, Seed, with_peak

START_LEVEL_DB = -18.0  # peak of what is generated here: there is room for the echo to add up

#: The phrase: start in beats, MIDI note number and strength of each note. Our own, in D minor.
PHRASE_STARTS = (0.0, 0.0, 0.75, 1.0, 1.75, 2.5, 2.75, 3.25, 3.5)
PHRASE_NOTES = (50, 57, 65, 64, 60, 62, 57, 53, 55)
PHRASE_STRENGTHS = (1.0, 0.7, 0.9, 0.8, 0.9, 1.0, 0.6, 0.8, 0.9)

PluckPlace = Annotated[T, Is(least=1e-3, most=0.5, words="fraction of the string", usual=(0.1, 0.4))]
PhraseTempo = Annotated[T, Is(least=20, most=400, words="quarter notes a minute", usual=(60.0, 180.0))]


@calculator
def click(
    seconds: Duration[float] = 1.0,
    sample_rate: SampleRate[int] = 48000,
    *,
    at: float = 0.05,
    width: Duration[float] = 0.0005,
    level_db: PeakLevel[float] = START_LEVEL_DB,
) -> Array:
    """Make a click with its middle at a time in s: one raised cosine, ``(1 + cos(2 pi (t - at)/width)) / 2``.

    >>> int(click(at=0.01).argmax())
    480
    """
    time = np.arange(_length(seconds, sample_rate)) / sample_rate
    turn = (time - single("at", between("at", at, 0, seconds, "s"))) / width
    return db_to_amplitude(level_db) * np.where(np.abs(turn) < 0.5, np.cos(np.pi * turn) ** 2, 0)


@calculator
def tone(
    frequency: float,
    seconds: Duration[float] = 1.0,
    *,
    sample_rate: SampleRate[int] = 48000,
    level_db: PeakLevel[float] = START_LEVEL_DB,
) -> Array:
    """Make a sine tone below half the sample rate, ``A sin(2 pi f t)``.

    >>> tone(12000, 4 / 48000, level_db=0).round(6).tolist()
    [0.0, 1.0, 0.0, -1.0]
    """
    f = single("frequency", between("frequency", frequency, 1e-3, sample_rate / 2, "Hz"))
    turns = 2 * np.pi * f / sample_rate * np.arange(_length(seconds, sample_rate))
    return db_to_amplitude(level_db) * np.sin(turns)


@calculator
def pluck(
    frequency: float,
    seconds: Duration[float] = 2.0,
    *,
    sample_rate: SampleRate[int] = 48000,
    decay: Duration[float] = 2.5,
    position: PluckPlace[float] = 0.18,
    seed: Seed[int] = 0,
    level_db: PeakLevel[float] = START_LEVEL_DB,
) -> Array:
    """Pluck a string: noise that circles in a delay line and loses treble at each turn.

    ``y[n] = x[n] + rho (h * y)[n - N]`` with ``h`` a symmetric low pass times a fractional delay; ``N`` and
    the fraction are chosen so that the phase of one turn closes exactly at the wanted frequency, at most a
    twentieth of the sample rate. The fundamental falls by 60 dB in the time `decay`; the string is plucked
    at `position` and faded out over its last 20 ms.

    Source: Karplus and Strong 1983, Computer Music Journal 7(2); fractional tuning by Lagrange
    interpolation, Jaffe and Smith 1983 in the same issue.
    """
    f = single("frequency", between("frequency", frequency, 20, sample_rate / 20, "Hz"))
    n = _length(seconds, sample_rate)
    turn = sample_rate / f  # samples in one turn of the string
    delay = int(turn) - 3
    fraction = turn - int(turn)
    low_pass = np.array([0.1, 0.8, 0.1])  # one sample late at every frequency
    taps = np.convolve(low_pass, _fractional_delay(2 + fraction))
    omega = 2 * np.pi * f / sample_rate
    response = np.exp(-1j * omega * np.arange(len(taps)))
    # The interpolator is a hair off at the fundamental; shift the fraction by what is missing.
    late = -np.angle(np.sum(taps * response)) / omega
    fraction += turn - (delay + late)
    taps = np.convolve(low_pass, _fractional_delay(2 + fraction))
    loss = np.abs(np.sum(taps * response))
    taps *= min(1.0, 10 ** (-3 * turn / (decay * sample_rate)) / loss)

    burst = np.random.default_rng(seed).uniform(-1, 1, min(n, int(turn)))
    fingertip = 0.35 * 0.65 ** np.arange(100)  # not a needle
    sound = np.zeros(n + delay)
    plucked = np.convolve(burst, fingertip)[:n]
    sound[: plucked.size] = plucked
    place = round(position * turn)
    sound[place : place + plucked.size] -= plucked
    for start in range(delay, n, delay):  # one time round after the other
        before = sound[max(start - delay - len(taps) + 1, 0) : start]
        sound[start : start + delay] += np.convolve(before, taps)[-len(taps) + 1 - delay : -len(taps) + 1]
    sound = sound[:n]
    end = min(round(0.02 * sample_rate), n)
    sound[n - end :] *= np.cos(np.pi / 2 * np.arange(1, end + 1) / end) ** 2
    return with_peak(sound, level_db)


def _fractional_delay(delay: float) -> Array:
    """Return the five taps of Lagrange's interpolator that delays by `delay` samples, near 2."""
    at = np.arange(5.0)
    return np.array([np.prod((delay - np.delete(at, k)) / (k - np.delete(at, k))) for k in range(5)])


@calculator
def phrase(
    sample_rate: SampleRate[int] = 48000,
    *,
    bpm: PhraseTempo[float] = 76.0,
    seconds: Duration[float] = 6.0,
    level_db: PeakLevel[float] = -12.0,
) -> Array:
    """Play the phrase: one bar on the plucked string, then room for the echo; late notes are left out."""
    sound = np.zeros(_length(seconds, sample_rate))
    notes = zip(PHRASE_STARTS, PHRASE_NOTES, PHRASE_STRENGTHS, strict=True)
    for number, (start, note, strength) in enumerate(notes):
        rest = sound[round(start * (60 / bpm) * sample_rate) :]
        if len(rest):
            length = min(1.6, len(rest) / sample_rate)
            frequency = note_frequency(note)
            string = pluck(frequency, length, sample_rate=sample_rate, decay=1.4, seed=number, level_db=0)
            rest[: len(string)] += strength * string[: len(rest)]
    return with_peak(sound, level_db)


def note_frequency(note: int) -> float:
    """Return the frequency in Hz of a MIDI note number: equal temperament, A4 = 440 Hz (ISO 16)."""
    return 440 * 2 ** ((note - 69) / 12)


def _length(seconds: float, sample_rate: int) -> int:
    """Return how many samples last `seconds`, at least one."""
    return max(1, round(seconds * sample_rate))
