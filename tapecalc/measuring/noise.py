"""Noise, hum and whistles from a recording of nothing."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from tapecalc.calc.noise import a_weighting_db
from tapecalc.calc.quantity import Ratio, calculator
from tapecalc.calc.units import amplitude_to_db
from tapecalc.measuring.dsp import Array, Bools, power_spectrum
from tapecalc.measuring.estimate import CannotTell, Estimate, Reading, mean_of
from tapecalc.measuring.recording import Recording, channel_health

Line = tuple[float, float]  # Hz, and mean square or dB


@dataclass(frozen=True)
class NoiseReading(Reading):
    """Rms level of the noise from 20 Hz to 20 kHz in dB, and of what it is made of."""

    level_db: Estimate
    weighted_db: Estimate  # as the ear hears it, A
    hiss_db: Estimate  # without hum and whistles
    hum_db: Estimate | None  # all mains lines together; None if none stands out
    mains: float | None  # Hz, as played: hum that is on the tape is off with its speed
    hum_lines: tuple[Line, ...]  # Hz and dB of every mains line that stands out
    whistles: tuple[Line, ...]  # Hz and dB of the other lines
    against: str  # what 0 dB is
    sentences: tuple[str, ...] = ()


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
        raise CannotTell("the playback is digital silence; record the machine playing")
    if recording.duration < 3:
        raise CannotTell(f"{recording.duration:.1f} s of noise are too few, and it takes 3 s")
    loud_db = amplitude_to_db(health.rms)
    if loud_db > -20:
        raise CannotTell(f"there is sound at {loud_db:.0f} dB of full scale, which is not silence")
    powers, windows = _powers(recording)
    mean = powers.mean(axis=0)
    # The median of 25 bins of 1 Hz; it is below their mean, after Wilson and Hilferty.
    floor = ndimage.median_filter(mean, 25, mode="mirror") / (1 - 1.06 / (9 * windows)) ** 3
    lines = _lines(mean, floor)
    mains, hum = _hum(lines)
    frequency = np.arange(mean.size)
    band = (frequency >= 20) & (frequency <= 20_000)
    weighting = np.zeros(mean.size)
    weighting[band] = 10 ** (a_weighting_db(frequency[band]) / 10)
    total = powers @ band
    near_hum, near_line = _near(hum, mean.size), _near(lines, mean.size)
    of_hum, of_lines = (powers - floor) @ near_hum, (powers - floor) @ (near_line & band)
    zero_db = 0.0 if reference is None else amplitude_to_db(reference)
    level = _level(total, zero_db)
    hum_lines, whistles = (
        tuple((round(hertz, 2), 10 * math.log10(square) - zero_db) for hertz, square in part)
        for part in (hum, [line for line in lines if line not in hum])
    )
    return NoiseReading(
        level_db=level,
        weighted_db=_level(powers @ weighting, zero_db),
        hiss_db=_level(total - of_lines, zero_db),
        hum_db=_level(of_hum, zero_db) if hum else None,
        mains=mains,
        hum_lines=hum_lines,
        whistles=whistles,
        against="full scale (an rms of 1)" if reference is None else "the reference tone",
        sentences=(*health.sentences(), *_sentences(level, mains, whistles)),
    )


def _level(seconds: Array, zero_db: float) -> Estimate:
    """Mean of the powers of all seconds, in dB, with what their scatter leaves open.

    Seconds under a bell that overlap by half are all but independent.
    """
    power = mean_of(seconds, independent=1 / 1.06)
    mean = max(power.value, 1e-30)
    spread_db = 10 / math.log(10) * power.plus_minus / mean + 0.005  # rounding
    return Estimate(10 * math.log10(mean) - zero_db, spread_db, "dB")


def _powers(recording: Recording) -> tuple[Array, int]:
    """Power per bin of 1 Hz, whose sum is the mean square, in up to 60 rows; and how many windows."""
    size = recording.sample_rate
    bell = np.hanning(size + 1)[:-1]
    starts = range(0, recording.count - size + 1, size // 2)
    rows = np.zeros((min(len(starts), 60), size // 2 + 1))
    for n, first in enumerate(starts):
        samples = recording.read("playback", first, size)
        rows[n * len(rows) // len(starts)] += power_spectrum(fft.rfft((samples - samples.mean()) * bell))
    each = np.bincount(np.arange(len(starts)) * len(rows) // len(starts))
    return rows * 2 / (size * (bell @ bell)) / each[:, None], len(starts)


def _lines(power: Array, floor: Array) -> list[Line]:
    """Every line of 10 times the power of its surroundings, and the highest, 3 Hz on either side."""
    top = (power == ndimage.maximum_filter1d(power, 7)) & (power > 10 * floor)
    lines = []
    for at in 20 + np.flatnonzero(top[20:-4]):
        near = np.arange(at - 3, at + 4)
        above = np.maximum(power[near] - floor[near], 0.0)
        lines.append((float(near @ above / above.sum()), float(above.sum())))
    return lines


def _near(lines: list[Line], count: int) -> Bools:
    """Which bins of 1 Hz belong to lines."""
    near = np.zeros(count, dtype=bool)
    for hertz, _ in lines:
        near[round(hertz) - 3 : round(hertz) + 4] = True
    return near


def _hum(lines: list[Line]) -> tuple[float | None, list[Line]]:
    """The mains frequency from 45 to 65 Hz that explains most, as played, and its lines.

    One of its first two multiples must be there. A line that stands alone is hum only at the mains
    themselves; else any whistle of 110 Hz would be.
    """
    best: tuple[float | None, list[Line]] = (None, [])
    for mains in [hertz / multiple for hertz, _ in lines for multiple in (1, 2)]:
        if not 45 <= mains <= 65:
            continue
        found: list[Line] = []
        for highest in (3, 10, 40):  # the more lines, the better it is known
            turns = [round(hertz / mains) for hertz, _ in lines]
            alike = [
                (turn, line)
                for turn, line in zip(turns, lines, strict=True)
                if 1 <= turn <= highest and abs(line[0] - turn * mains) < 0.5 + 0.02 * turn
            ]
            found = [line for _, line in alike]
            mains = sum(turn * hertz for turn, (hertz, _) in alike) / sum(turn**2 for turn, _ in alike)
        alone = len(found) == 1 and min(abs(mains - 50), abs(mains - 60)) > 0.6
        if not alone and sum(power for _, power in found) > sum(power for _, power in best[1]):
            best = round(mains, 1), found
    return best


def _sentences(level: Estimate, mains: float | None, whistles: tuple[Line, ...]) -> Iterator[str]:
    """What hum, whistles and unsteady noise say."""
    if mains:
        yield f"Hum at multiples of {mains:g} Hz stands out: look at grounds, shields and transformers."
        off = mains / (50 if mains < 55 else 60) - 1
        if abs(off) > 0.005:
            yield f"It is {100 * off:+.1f} % off the mains: it is on the tape, recorded at another speed."
    if whistles:
        frequency, loudness_db = max(whistles, key=lambda line: line[1])
        yield (f"There is a whistle at {frequency:.0f} Hz ({loudness_db:.0f} dB): what else runs nearby?")
    if level.plus_minus > 1:  # dB, which only a noise that changes leaves
        yield "The noise is not steady; something was moving, or this is not silence alone."
