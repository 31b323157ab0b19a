"""Loop gain from a recording of the repeats.

Once nothing new goes in, each stretch of one delay is the one before it, times the loop gain. So the power of
stretch after stretch falls on a straight line in dB, band by band, until the noise takes over; how long the
first sound was does not matter. The band where it falls least decides whether the loop runs away.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy import fft

from tapecalc import words
from tapecalc.calc.quantity import Delay, calculator
from tapecalc.measuring.dsp import Array, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, Reading, student
from tapecalc.measuring.recording import Recording, channel_health

FAINTEST_DB = -40.0  # against the first repeat, below which another does not count


@dataclass(frozen=True)
class RepeatReading(Reading):
    """How the repeats fall."""

    delay: float  # s
    loop_gain_db: Estimate  # in the band where it is highest, which decides about stability
    upper_db: float  # what it does not exceed at any frequency from 30 Hz up, in 95 of 100 cases
    bands: tuple[tuple[float, Estimate], ...]  # middle of a third of an octave in Hz, and the gain in it, dB
    sentences: tuple[str, ...] = ()

    derived = ("repeats",)

    @property
    def repeats(self) -> int:
        """Repeats down to -40 dB of the first, if the fall goes on as found; 0 if there is none."""
        gain_db = self.loop_gain_db.value
        return math.floor(FAINTEST_DB / gain_db) if gain_db < -1e-9 else 0


LONGEST_FALL = 60.0  # s of repeats that are read
FEWEST = 3  # stretches


@calculator
def measure_repeats(recording: Recording, *, delay: Delay[float]) -> RepeatReading:
    """Measure the loop gain from a sound and its repeats, which die away with nothing else in the recording.

    Where the dry channel is there, the end of the sound is found in it, else the loudest moment is taken. The
    `delay`, in s, is that of another take: a pitched sound cannot tell it. Source: geometric series.

    >>> from tapecalc.measuring import open_recording
    >>> burst = np.random.default_rng(1).standard_normal(1600)
    >>> train = np.concatenate([0.5 ** n * np.pad(burst, (0, 1600)) for n in range(12)])
    >>> reading = measure_repeats(open_recording(0.2 * train, sample_rate=16000), delay=0.2)
    >>> round(reading.loop_gain_db.value, 1)
    -6.0
    """
    health = channel_health(recording, "playback")
    if health.empty:
        raise CannotTell("the playback channel is empty")
    rate = recording.sample_rate
    first, begin = _sound(recording, delay)
    count = min(recording.count - begin, int(LONGEST_FALL * rate))
    if count < (FEWEST + 1) * delay * rate:
        raise CannotTell("the recording ends before three repeats have passed")
    stretches = _stretches(recording.read("playback", begin, count), rate, delay)
    noise: list[float | None] = [None] * len(stretches.middles)
    if first > 2 * delay * rate:  # what is there before the sound
        wait = min(first, 10 * rate)
        quiet = recording.read("playback", first - wait, max(wait, round(2 * delay * rate)))
        noise = _stretches(quiet, rate, delay).power.mean(axis=0).tolist()
    falls = [_fall(stretches, k, level) for k, level in enumerate(noise)]
    bands = [(float(f), fall.gain) for f, fall in zip(stretches.middles, falls, strict=True) if fall.gain]
    if not bands:
        raise CannotTell("fewer than three repeats stand above the noise, or they do not fall evenly")
    weight = stretches.power[1:].sum(axis=0) * (stretches.middles < 1000)
    if weight @ stretches.likeness < 0.5 * weight.sum():
        raise CannotTell(
            f"what follows the sound does not come again {words.amount(delay, 'ms')} later: these are no "
            "repeats, or the delay is another"
        )
    highest, bound = _highest(falls)
    total = stretches.power.sum(axis=1)
    sentences = [*health.sentences()]
    silent = "".join("01"[fall.upper_db is None] for fall in falls)[: int(np.sum(stretches.middles < 250))]
    if (k := silent.find("111")) >= 0:  # an octave in the bass
        bound += 3.0  # what bumps reach on usual machines; common practice, no source
        sentences.append(
            f"Around {stretches.middles[k + 1]:.0f} Hz next to nothing sounded, and a head's bump there may "
            "be 3 dB higher: that is in the upper bound. A burst of noise tells it."
        )
    if highest.value - highest.plus_minus > 0 and total[-1] > 1.2 * total[len(total) // 2]:
        sentences.append("The repeats grow: the loop runs away. Turn the return send down.")
    elif highest.value + highest.plus_minus > 0 and total[-1] > 0.1 * total.max():
        raise CannotTell(
            "the repeats do not die away: the loop is at the edge of running away, or it runs away and only "
            "the limit of the tape holds it; turn the return send down and record them again"
        )
    elif bound > 0:
        sentences.append(
            "At some frequency the loop may run away: keep the return send at least "
            f"{math.ceil(bound)} dB lower until a burst of noise has told more."
        )
    return RepeatReading(
        delay=delay, loop_gain_db=highest, upper_db=bound, bands=tuple(bands), sentences=tuple(sentences)
    )


def _sound(recording: Recording, delay: float) -> tuple[int, int]:
    """Sample at which the first repeat begins at the earliest, and from which on nothing new goes in."""
    rate = recording.sample_rate
    step = rate // 100
    name = "playback" if recording.dry is None else "dry"
    samples = recording.read(name, 0, min(recording.count, int(LONGEST_FALL * rate)))
    power = np.var(samples[: len(samples) // step * step].reshape(-1, step), axis=1)
    # More than 45 dB below its peak, the dry channel counts as silent.
    loud = np.flatnonzero(power > power.max(initial=0.0) * 10**-4.5)
    first = int(loud[0]) if len(loud) else 0
    if recording.dry is not None:
        end = int(loud[-1] + 1) if len(loud) else 0
        if end * step > recording.count - rate // 2:
            raise CannotTell("the dry channel sounds to the end, so that no repeat is alone")
        return first * step, end * step
    # Without the dry channel: from the first time that the sound is near its loudest.
    loudest = int(np.flatnonzero(power >= 0.5 * power.max())[0])
    if power[loudest : loudest + math.ceil(100 * delay)].min() > 0.05 * power.max():
        raise CannotTell(
            "the first sound lasts as long as the delay, and without the dry channel its own fading cannot "
            "be told from that of the repeats: use a click, or record the dry channel as well"
        )
    return first * step, loudest * step


class _Stretches(NamedTuple):
    """Power of stretch after stretch of one delay, in thirds of an octave."""

    middles: Array  # Hz
    power: Array  # (stretches, bands)
    freedom: Array  # independent values in each band of a stretch
    likeness: Array  # of each band: how far a stretch is the one before it again, 0 to 1


def _stretches(samples: Array, rate: int, delay: float) -> _Stretches:
    """Each window is two delays long, so that every sound is in one wherever it lies."""
    length = round(2 * delay * rate)
    starts = np.round(np.arange(0, len(samples) - length + 1, delay * rate)).astype(int)
    bell = np.hanning(length + 1)[:-1]
    frequency = fft.rfftfreq(length, 1 / rate)
    middles = 1000 * 2 ** (np.arange(-15, 10) / 3)  # 31 Hz to 8 kHz
    middles = middles[(middles < 0.4 * rate) & (middles > 2 / delay)]
    edges = np.searchsorted(frequency, [*(middles * 2 ** (-1 / 6)), middles[-1] * 2 ** (1 / 6)])
    power, cross, before = [], np.zeros(len(middles)), None
    for start in starts:
        spectrum = fft.rfft(bell * (samples[start : start + length] - samples.mean()))
        power.append(np.add.reduceat(power_spectrum(spectrum)[: edges[-1]], edges[:-1]))
        if before is not None:
            cross += np.abs(np.add.reduceat((spectrum * np.conj(before))[: edges[-1]], edges[:-1]))
        before = spectrum
    powers = np.array(power)
    both = np.sqrt(powers[1:] * powers[:-1]).sum(axis=0)
    freedom = np.maximum(np.diff(edges) / 1.5, 1.0)
    return _Stretches(middles, powers, freedom, cross / (both + 1e-300))


class _Fall(NamedTuple):
    """How one band falls from stretch to stretch, dB."""

    gain: Estimate | None  # None where too few stretches stand above the noise
    upper_db: float | None  # None where the band never sounded


def _highest(falls: list[_Fall]) -> tuple[Estimate, float]:
    """The gain of the band that is surely the highest, and the upper bound of all."""
    gains = [fall.gain for fall in falls]
    best, upper_db = Estimate(-math.inf, 0.0, "dB"), -math.inf
    for k, fall in enumerate(falls):
        beside = [other for other in (gains[max(k - 1, 0)], *gains[k + 1 : k + 2]) if other]
        most = fall.gain.value if fall.gain else -math.inf
        drop = max((most - other.value - other.plus_minus for other in beside), default=0.0)
        # A band holds the mean; a bump within it stands out by a part of what its neighbors lack.
        hidden = max(drop, 0.0) / 4
        if fall.upper_db is not None:
            upper_db = max(upper_db, fall.upper_db + hidden)
        # Of many vague bands some are high by chance.
        if fall.gain and fall.gain.value - fall.gain.plus_minus > best.value - best.plus_minus:
            best = replace(fall.gain, plus_minus=math.hypot(fall.gain.plus_minus, hidden))
    return best, upper_db


def _fall(stretches: _Stretches, band: int, noise: float | None) -> _Fall:
    """Change of level from stretch to stretch in a band; `noise` is its power before the sound, if known."""
    powers, freedom = stretches.power[:, band], stretches.freedom[band]
    if noise is None:
        # The quietest fifth at the end is noise, unless the recording ends before it is reached.
        noise = float(np.median(powers[-max(len(powers) // 5, 2) :]))
        if noise > 1e-2 * powers.max():
            if stretches.likeness[band] < 0.8:
                return _Fall(None, None)
            noise = 0.0
    # A stretch counts with 10 times the power of the noise; below 1e-10 rounding is all there is.
    floor = max(10 * noise, 1e-10 * powers.max())
    last = int(np.argmin([*(powers > floor), False]))
    # A band that hardly sounded tells nothing.
    if powers[0] < 10 * floor:
        return _Fall(None, None)
    # Where it is lost in the noise, it has fallen so far.
    lost_db = 10 * np.log10(2 * floor / powers[0]) / last if last < len(powers) else math.inf
    if last < FEWEST:
        return _Fall(None, float(lost_db))
    over = (powers - noise)[:last]
    # Noise adds to a sound in any phase.
    share = noise / over
    doubt = np.sqrt((2 * share + share**2) / freedom)
    gain = _slope(over, doubt)
    # What lasts longest in a band shows late, and growth that the tape's limit ends shows early.
    half = last // 2
    if half >= FEWEST:
        for part in (slice(None, half), slice(half, None)):
            other = _slope(over[part], doubt[part])
            if other.value - other.plus_minus > gain.value:
                gain = other
    return _Fall(gain, float(min(gain.value + gain.plus_minus, max(lost_db, gain.value))))


def _slope(over: Array, doubt: Array) -> Estimate:
    """Slope of levels in dB, with 1.5 % that flutter and beating leave in each power."""
    n = np.arange(len(over))
    level = 10 * np.log10(over)
    weight = 1 / (10 / np.log(10) * np.hypot(0.015, doubt)) ** 2
    since = n - weight @ n / weight.sum()
    spread = weight @ since**2
    slope = float(weight @ (since * level) / spread)
    rest = level - (weight @ level / weight.sum() + slope * since)
    freedom = max(len(over) - 2, 1)
    scatter = max(weight @ rest**2 / freedom, 1.0)
    # Neighbors overlap; and a delay that is a little off cuts the sound elsewhere each time: 0.015 dB.
    width = float(COVERAGE_FACTOR * student(freedom) * np.sqrt(scatter / spread))
    return Estimate(slope, math.hypot(1.1 * width, 0.015), "dB")
