"""Noise and hum from a recording of nothing."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

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


QUIETEST = 1e-7  # rms below which a converter has written nothing
LOUDEST_DB = -20.0  # of full scale, above which this is not silence
SHORTEST = 3.0  # s
UNSTEADY_DB = 1.0  # uncertainty that only a noise that changes leaves


@calculator
def measure_noise(recording: Recording, *, reference: Ratio[float] | None = None) -> NoiseReading:
    """Measure noise and hum of 3 s or more of recorded silence, played back.

    `reference` is the rms amplitude of the level to count from (a tone at operating level); full scale if
    left out. Source: Welch's averaged periodogram (from memory).

    >>> from tapecalc.measuring import open_recording
    >>> hiss = 0.001 * np.random.default_rng(1).standard_normal(240000)
    >>> measure_noise(open_recording(hiss, sample_rate=48000), reference=0.1).level_db.text()
    '-40.792 dB +/- 0.039 dB'
    """
    health = channel_health(recording, "playback")
    if health.rms < QUIETEST:
        raise CannotTell(
            "the playback channel holds digital silence; record the machine playing, not nothing"
        )
    if recording.duration < SHORTEST:
        raise CannotTell(f"{recording.duration:.1f} s of noise are too few, and it takes {SHORTEST:g} s")
    if amplitude_to_db(health.rms) > LOUDEST_DB:
        raise CannotTell(
            f"there is sound at {amplitude_to_db(health.rms):.0f} dB of full scale, which is not silence"
        )
    power, seconds, of_lines = _spectrum(recording)
    mains, lines, hum = _mains(power, of_lines)
    zero_db = 0.0 if reference is None else amplitude_to_db(reference)
    level = _level(seconds, zero_db)
    sentences = list(health.sentences())
    if mains:
        sentences.append(
            f"Hum at multiples of {mains:.0f} Hz stands out: look at grounds, shields and transformers."
        )
    if level.uncertainty > UNSTEADY_DB:
        sentences.append("The noise is not steady; something was moving, or this is not silence alone.")
    return NoiseReading(
        level_db=level,
        hiss_db=_level(seconds - hum, zero_db),
        hum_db=_level(hum, zero_db) if mains else None,
        mains=mains,
        hum_lines=tuple((f, _db(strength) - zero_db) for f, strength in lines),
        against="full scale (an rms of 1)" if reference is None else "the reference tone",
        sentences=tuple(sentences),
    )


def _db(power: float) -> float:
    """Decibels of a mean square."""
    return float(10 * np.log10(power))


ROUNDING_DB = 0.005  # uncertainty that is left in any level


def _level(seconds: Array, zero_db: float) -> Estimate:
    """Mean of the powers of all seconds, in dB, with what their scatter leaves open.

    Seconds under a bell that overlap by half are all but independent.
    """
    mean = max(float(np.mean(seconds)), 1e-30)
    relative = np.std(seconds, ddof=1) / mean / np.sqrt(len(seconds) / 1.06)
    spread = 10 / np.log(10) * COVERAGE_FACTOR * student(len(seconds) - 1) * relative + ROUNDING_DB
    return Estimate(_db(mean) - zero_db, float(spread), "dB")


LOWEST, HIGHEST = 20.0, 20000.0  # Hz
MAINS = (50.0, 60.0)  # Hz
#: Bins of 1 Hz in which the eight harmonics of each are, and how far they may be away.
LINES, NEAR = np.round(np.outer(MAINS, np.arange(1, 9))).astype(int), np.arange(-3, 4)
HUM_SHOWS = 10.0  # power of a mains line over its surroundings


def _spectrum(recording: Recording) -> tuple[Array, Array, Array]:
    """Mean power per bin of 1 Hz (its sum is the mean square), and of every second: all, and mains lines."""
    size = recording.sample_rate
    bell = np.hanning(size + 1)[:-1]
    frequency = fft.rfftfreq(size, 1 / recording.sample_rate)
    band = (frequency >= LOWEST) & (frequency <= HIGHEST)
    total, seconds, of_lines = np.zeros(size // 2 + 1), [], []
    for first in range(0, recording.count - size + 1, size // 2):
        samples = recording.read("playback", first, size)
        power = power_spectrum(fft.rfft((samples - samples.mean()) * bell)) * 2 / (size * (bell @ bell))
        total += power
        seconds.append(power[band].sum())
        of_lines.append(power[LINES[..., None] + NEAR].sum(axis=-1))
    return total / len(seconds), np.array(seconds), np.array(of_lines)


def _floor(power: Array) -> Array:
    """Power of the surroundings of each bin: the median of 25 bins."""
    padded = np.pad(power, 12, mode="reflect")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 25), axis=1)


def _mains(power: Array, of_lines: Array) -> tuple[float | None, list[tuple[float, float]], Array]:
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
        return None, [], hum
    lines = zip(LINES[best][shows[best]], strength[best][shows[best]], strict=True)
    return MAINS[best], [(float(f), float(p)) for f, p in lines], hum
