"""Noise and hum from a recording of nothing."""

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from tapecalc.calc.quantity import Ratio, calculator
from tapecalc.calc.units import amplitude_to_db
from tapecalc.measuring.dsp import power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, student
from tapecalc.measuring.recording import Recording, channel_health

Array = NDArray[np.float64]


@dataclass(frozen=True)
class NoiseReading:
    """Rms level of the noise from 20 Hz to 20 kHz in dB, with and without hum."""

    level_db: Estimate
    hiss_db: Estimate  # without the mains lines
    hum_db: Estimate | None  # all mains lines together; None if none stands out
    mains: float | None  # 50 or 60 Hz
    hum_lines: tuple[tuple[float, float], ...]  # Hz and dB of every line that stands out
    against: str  # what 0 dB is
    sentences: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file."""
        return asdict(self)


@calculator
def measure_noise(recording: Recording, *, reference: Ratio[float] | None = None) -> NoiseReading:
    """Measure noise and hum of 3 s or more of recorded silence, played back.

    `reference` is the rms amplitude of the level to count from (a tone at operating level); full scale if
    left out. Source: Welch's averaged periodogram (from memory).

    >>> from tapecalc.measuring import open_recording
    >>> hiss = 0.001 * np.random.default_rng(1).standard_normal(240000)
    >>> measure_noise(open_recording(hiss, sample_rate=48000), reference=0.1).level_db.text()
    '-40.79 dB +/- 0.04 dB'
    """
    health = channel_health(recording, "playback")
    if health.rms < 1e-7:
        raise CannotTell(
            "the playback channel holds digital silence; record the machine playing, not nothing"
        )
    if recording.duration < 3:
        raise CannotTell(f"{recording.duration:.1f} s of noise are too few, and it takes 3 s")
    loud_db = amplitude_to_db(health.rms)
    if loud_db > -20:
        raise CannotTell(f"there is sound at {loud_db:.0f} dB of full scale, which is not silence")
    power, seconds, of_lines = _spectrum(recording)
    mains, lines, hum = _mains(power, of_lines)
    zero_db = 0.0 if reference is None else amplitude_to_db(reference)
    level = _level(seconds, zero_db)
    sentences = list(health.sentences())
    if mains:
        sentences.append(
            f"Hum at multiples of {mains:.0f} Hz stands out: look at grounds, shields and transformers."
        )
    if level.plus_minus > 1:  # dB, which only a noise that changes leaves
        sentences.append("The noise is not steady; something was moving, or this is not silence alone.")
    return NoiseReading(
        level_db=level,
        hiss_db=_level(seconds - hum, zero_db),
        hum_db=_level(hum, zero_db) if mains else None,
        mains=mains,
        hum_lines=tuple((f, 10 * math.log10(strength) - zero_db) for f, strength in lines),
        against="full scale (an rms of 1)" if reference is None else "the reference tone",
        sentences=tuple(sentences),
    )


def _level(seconds: Array, zero_db: float) -> Estimate:
    """Mean of the powers of all seconds, in dB, with what their scatter leaves open.

    Seconds under a bell that overlap by half are all but independent.
    """
    mean = max(float(np.mean(seconds)), 1e-30)
    relative = np.std(seconds, ddof=1) / mean / np.sqrt(len(seconds) / 1.06)
    spread = 10 / np.log(10) * COVERAGE_FACTOR * student(len(seconds) - 1) * relative + 0.005  # rounding
    return Estimate(10 * math.log10(mean) - zero_db, float(spread), "dB")


MAINS = (50.0, 60.0)  # Hz
#: Bins of 1 Hz in which the eight harmonics of each are, and how far they may be away.
LINES, NEAR = np.round(np.outer(MAINS, np.arange(1, 9))).astype(int), np.arange(-3, 4)


def _spectrum(recording: Recording) -> tuple[Array, Array, Array]:
    """Mean power per bin of 1 Hz (its sum is the mean square), and of every second: all, and mains lines."""
    size = recording.sample_rate
    bell = np.hanning(size + 1)[:-1]
    frequency = fft.rfftfreq(size, 1 / recording.sample_rate)
    band = (frequency >= 20) & (frequency <= 20_000)
    total, seconds, of_lines = np.zeros(size // 2 + 1), [], []
    for first in range(0, recording.count - size + 1, size // 2):
        samples = recording.read("playback", first, size)
        power = power_spectrum(fft.rfft((samples - samples.mean()) * bell)) * 2 / (size * (bell @ bell))
        total += power
        seconds.append(power[band].sum())
        of_lines.append(power[LINES[..., None] + NEAR].sum(axis=-1))
    return total / len(seconds), np.array(seconds), np.array(of_lines)


def _mains(power: Array, of_lines: Array) -> tuple[float | None, list[tuple[float, float]], Array]:
    """The mains frequency that explains the lines best, its lines as (Hz, power), and each second's hum."""
    # A line has 10 times the power of its surroundings, the median of 25 bins.
    floor = ndimage.median_filter(power, 25, mode="mirror")[LINES]
    shows = power[LINES[..., None] + NEAR].max(axis=-1) > 10.0 * floor
    # Below a line there is hiss as well.
    of_lines = np.where(shows, of_lines - len(NEAR) * floor, 0.0)
    strength = np.maximum(of_lines.mean(axis=0), 0.0)
    # 300 Hz belongs to both; lines that only one of them has decide.
    best = int(np.argmax(strength.sum(axis=1)))
    hum = of_lines[:, best].sum(axis=1)
    lines = zip(LINES[best][shows[best]].tolist(), strength[best][shows[best]].tolist(), strict=True)
    return MAINS[best] if np.any(shows) else None, [(float(f), power) for f, power in lines], hum
