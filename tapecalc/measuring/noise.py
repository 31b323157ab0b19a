"""Noise and hum from a recording of nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from tapecalc.calc.quantity import positive
from tapecalc.measuring.dsp import squared
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, student
from tapecalc.measuring.recording import channel_health

__all__ = [
    "NoiseReading",
    "measure_noise",
]


LOW, HIGH = 20.0, 20000.0  # Hz
MAINS = (50.0, 60.0)  # Hz
HARMONICS = 8
#: Bins of 1 Hz in which the lines of each are, and how far they may be away.
LINES, NEAR = np.round(np.outer(MAINS, np.arange(1, HARMONICS + 1))).astype(int), np.arange(-3, 4)
QUIETEST = 1e-7  # rms below which a converter has written nothing
LOUDEST_DB = -20.0  # dB of full scale above which this is not silence
HUM_SHOWS = 10.0  # power of a mains line over its surroundings
SHORTEST = 3.0  # seconds


@dataclass(frozen=True)
class NoiseReading:
    """Level of the noise, with and without hum.

    Parameters
    ----------
    level_db : Estimate
        Rms from 20 Hz to 20 kHz, dB against full scale or against the reference.
    hiss_db : Estimate
        The same without the mains lines.
    hum_db : Estimate or None
        All mains lines together, dB; None if none stands out.
    mains : float or None
        50 or 60 Hz, or None.
    hum_lines : tuple of (float, float)
        Frequency in Hz and level in dB of every line that stands out.
    against : str
        What 0 dB is.
    sentences : tuple of str
        What was noticed.

    Notes
    -----
    Made by `measure_noise`. Source: definition of the rms. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> hiss = 0.001 * np.random.default_rng(1).standard_normal(240000)
    >>> measure_noise(open_recording(hiss, sample_rate=48000)).mains is None
    True
    """

    level_db: Estimate
    hiss_db: Estimate
    hum_db: Estimate | None
    mains: float | None
    hum_lines: tuple
    against: str
    sentences: tuple = ()

    def to_dict(self):
        """Return the figures as a plain dict for a JSON file.

        Returns
        -------
        dict
            Levels, lines and sentences.
        """
        return {
            "level_db": self.level_db.to_dict(),
            "hiss_db": self.hiss_db.to_dict(),
            "hum_db": None if self.hum_db is None else self.hum_db.to_dict(),
            "mains": self.mains,
            "hum_lines": [[float(f), float(db)] for f, db in self.hum_lines],
            "against": self.against,
            "sentences": list(self.sentences),
        }


def measure_noise(recording, *, reference=None, channel="playback"):
    """Measure noise and hum of a machine that plays silence.

    Parameters
    ----------
    recording : Recording
        3 s or more of recorded silence, played back.
    reference : float, optional
        Rms amplitude of the level to count from (a tone at operating level); full scale if left out.
    channel : str, optional
        ``"playback"`` or ``"dry"``.

    Returns
    -------
    NoiseReading
        Levels with uncertainties, mains lines, sentences.

    Raises
    ------
    CannotTell
        If the channel holds digital silence, something loud, or less than 3 s.
    ValueError
        If the reference is not greater than 0.

    Notes
    -----
    Source: Welch's averaged periodogram (from memory). Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> hiss = 0.001 * np.random.default_rng(1).standard_normal(240000)
    >>> measure_noise(open_recording(hiss, sample_rate=48000), reference=0.1).level_db.text()
    '-40.792 dB +/- 0.039 dB'
    """
    if reference is not None:
        positive("reference", reference)
    health = channel_health(recording, channel)
    if health.rms < QUIETEST:
        raise CannotTell(
            f"the {channel} channel holds digital silence; record the machine playing, not nothing"
        )
    if recording.duration < SHORTEST:
        raise CannotTell(f"{recording.duration:.1f} s of noise are too few, and it takes {SHORTEST:g} s")
    if 20 * np.log10(health.rms) > LOUDEST_DB:
        raise CannotTell(
            f"there is sound at {20 * np.log10(health.rms):.0f} dB of full scale, which is not silence"
        )
    power, seconds, of_lines = _spectrum(recording, channel)
    mains, lines, hum = _mains(power, of_lines)
    scale = 20 * np.log10(reference) if reference else 0.0
    against = "the reference tone" if reference else "full scale (an rms of 1)"
    level = _level(seconds, scale)
    sentences = list(health.sentences())
    if mains:
        sentences.append(
            f"Hum at multiples of {mains:.0f} Hz stands out: look at grounds, shields and transformers."
        )
    if level.uncertainty > 1.0:
        sentences.append("The noise is not steady; something was moving, or this is not silence alone.")
    return NoiseReading(
        level_db=level,
        hiss_db=_level(seconds - hum, scale),
        hum_db=_level(hum, scale) if mains else None,
        mains=mains,
        hum_lines=tuple((f, _db(strength) - scale) for f, strength in lines),
        against=against,
        sentences=tuple(sentences),
    )


def _db(power):
    """Decibels of a mean square."""
    return float(10 * np.log10(power))


def _level(seconds, scale):
    """Mean of the powers of all seconds, in dB over the scale, with what their scatter leaves open.

    Seconds under a bell that overlap by half are all but independent.
    """
    mean = max(float(np.mean(seconds)), 1e-30)
    relative = np.std(seconds, ddof=1) / mean / np.sqrt(len(seconds) / 1.06)
    spread = 10 / np.log(10) * COVERAGE_FACTOR * student(len(seconds) - 1) * relative + 0.005
    return Estimate(_db(mean) - scale, float(spread), "dB")


def _spectrum(recording, channel):
    """Mean power per bin of 1 Hz (its sum is the mean square), and of every second: all, and mains lines."""
    size = recording.sample_rate
    bell = np.hanning(size + 1)[:-1]
    total, seconds, of_lines = np.zeros(size // 2 + 1), [], []
    frequency = fft.rfftfreq(size, 1 / recording.sample_rate)
    band = (frequency >= LOW) & (frequency <= HIGH)
    for first in range(0, recording.count - size + 1, size // 2):
        samples = recording.read(channel, first, size)
        power = squared(fft.rfft((samples - samples.mean()) * bell)) * 2 / (size * (bell @ bell))
        total += power
        seconds.append(power[band].sum())
        of_lines.append(power[LINES[..., None] + NEAR].sum(axis=-1))
    return total / len(seconds), np.array(seconds), np.array(of_lines)


def _floor(power):
    """Power of the surroundings of each bin: the median of 25 bins."""
    padded = np.pad(power, 12, mode="reflect")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 25), axis=1)


def _mains(power, of_lines):
    """The mains frequency that explains the lines best, its lines as (Hz, power), and each second's hum."""
    floor = _floor(power)[LINES]
    shows = power[LINES[..., None] + NEAR].max(axis=-1) > HUM_SHOWS * floor
    # Below a line there is hiss as well.
    of_lines = np.where(shows, of_lines - len(NEAR) * floor, 0.0)
    strength = np.maximum(of_lines.mean(axis=0), 0.0)
    # 300 Hz belongs to both; lines that only one of them has decide.
    best = int(np.argmax(strength.sum(axis=1)))
    hum = of_lines[:, best].sum(axis=1)
    if not np.any(shows):
        return None, (), hum
    lines = zip(LINES[best][shows[best]], strength[best][shows[best]], strict=True)
    return MAINS[best], tuple((float(f), float(p)) for f, p in lines), hum
