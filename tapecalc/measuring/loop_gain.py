"""Loop gain from a recording of the repeats.

Once nothing new goes in, each stretch of one delay is the one before it, times the loop gain. So the level of
stretch after stretch falls on a straight line in dB, band by band, until the noise takes over; how long the
first sound was does not matter.
"""

import math
from dataclasses import asdict, dataclass, replace
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from tapecalc.calc.quantity import Delay, Is, T, calculator
from tapecalc.measuring.dsp import power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, student
from tapecalc.measuring.recording import Recording, channel_health

Array = NDArray[np.float64]

HeardLevel = Annotated[
    T, Is("dB", least=-100, most=-1, words="level of the faintest repeat", usual=(-60.0, -20.0))
]


@dataclass(frozen=True)
class RepeatReading:
    """How the repeats fall."""

    delay: float  # s, as given or as found in the recording
    loop_gain_db: Estimate  # in the band where it is highest, which decides about stability
    bands: tuple[tuple[float, Estimate], ...]  # middle of an octave band in Hz, and the loop gain in it, dB
    levels_db: tuple[float, ...]  # of each stretch against the first, all bands together
    repeats: int  # above the faintest level that counts, if the fall goes on as found
    heard_db: float  # that level
    sentences: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file."""
        bands = [{"frequency": f, "loop_gain_db": gain.to_dict()} for f, gain in self.bands]
        return asdict(self) | {"bands": bands, "levels_db": [round(level, 3) for level in self.levels_db]}


LONGEST_FALL = 60.0  # s of repeats that are read
SETTLING = 0.5  # s before, for the band filters
FEWEST = 3  # stretches


@calculator
def measure_repeats(
    recording: Recording, *, delay: Delay[float] | None = None, heard_db: HeardLevel[float] = -40.0
) -> RepeatReading:
    """Measure the loop gain from a sound and its repeats, which die away with nothing else in the recording.

    Where the dry channel is there, the end of the sound is found in it, else the loudest moment is taken.

    Parameters
    ----------
    delay : float, optional
        s; looked for in the recording, up to 3 s, if left out.
    heard_db : float, optional
        Level against the first repeat at which a repeat no longer counts.

    Notes
    -----
    Source: geometric series; M. R. Schroeder, Natural Sounding Artificial Reverberation, JAES 10, 1962, for
    decay time from gain.

    Examples
    --------
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
    begin = _end_of_sound(recording)
    count = min(recording.count - begin, int(LONGEST_FALL * rate))
    start = int(SETTLING * rate)
    samples = recording.read("playback", begin - start, count + start)
    samples -= samples[start:].mean()
    if delay is None:
        delay = _repeat_time(samples[start:], rate)
    stretch = delay * rate
    if count < FEWEST * stretch:
        raise CannotTell("the recording ends before three repeats have passed")
    start += _quietest(samples[start : start + round(stretch)], rate)
    bands = _band_gains(samples, start, stretch, rate)
    powers = _powers(samples[start:], stretch)
    if not bands or _fall(powers) is None:
        raise CannotTell("fewer than three repeats stand above the noise, or they do not fall evenly")
    # The highest of the bands that are clear enough: of several it is a little too high.
    clearest = min(gain.plus_minus for _, gain in bands)
    clear = [gain for _, gain in bands if gain.plus_minus <= 4 * clearest]
    highest = max(clear, key=lambda gain: gain.value)
    highest = _with_cut(replace(highest, plus_minus=1.5 * highest.plus_minus))
    levels_db = 10 * np.log10(np.maximum(powers / powers[0], 1e-30))
    decaying = highest.value < -1e-9
    sentences = [*health.sentences()]
    if highest.value - highest.plus_minus > 0:
        sentences.append("The repeats grow: the loop runs away. Turn the return send down.")
    elif not decaying:
        sentences.append("The loop is at the edge of running away.")
    return RepeatReading(
        delay=delay,
        loop_gain_db=highest,
        bands=tuple((frequency, _with_cut(gain)) for frequency, gain in bands),
        levels_db=tuple(levels_db.tolist()),
        repeats=math.floor(heard_db / highest.value) if decaying else 0,
        heard_db=heard_db,
        sentences=tuple(sentences),
    )


# ---- where the repeats are ----


def _end_of_sound(recording: Recording) -> int:
    """Sample from which on nothing new goes in."""
    rate = recording.sample_rate
    step = rate // 100
    name = "playback" if recording.dry is None else "dry"
    samples = recording.read(name, 0, min(recording.count, int(LONGEST_FALL * rate)))
    frames = len(samples) // step
    power = np.mean((samples[: frames * step] - samples.mean()).reshape(frames, step) ** 2, axis=1)
    if recording.dry is None:
        # Without the dry channel: from the first time that the sound is near its loudest.
        return int(np.flatnonzero(power > 0.5 * power.max())[0]) * step
    # More than 45 dB below its peak, the dry channel counts as silent.
    loud = np.flatnonzero(power > power.max() * 10**-4.5)
    end = int(loud[-1] + 1) * step if len(loud) else 0
    if end > recording.count - rate // 2:
        raise CannotTell("the dry channel sounds to the end, so that no repeat is alone")
    return end


LONGEST = 3.0  # s, the delays looked for


def _repeat_time(samples: Array, rate: int) -> float:
    """The delay at which the sound is most like itself, s."""
    # Flutter shifts treble out of step from repeat to repeat; the lower middle stays alike.
    sos = signal.butter(2, (150, 900), "bandpass", fs=rate, output="sos")
    middle = signal.sosfilt(sos, samples)
    size = fft.next_fast_len(2 * len(middle), real=True)
    lags = np.arange(min(int(LONGEST * rate), len(middle) // 2))
    product = fft.irfft(power_spectrum(fft.rfft(middle, size)), size)[: len(lags)]
    total = np.concatenate([[0.0], np.cumsum(middle**2)])
    early, late = total[len(middle) - lags], total[-1] - total[lags]
    likeness = product / np.sqrt(np.maximum(early * late, 1e-12 * total[-1] ** 2) + 1e-300)
    shortest = rate // 50
    if len(lags) <= shortest or likeness[shortest:].max() < 0.3:
        raise CannotTell("no repeats were found: nothing in the recording comes again")
    # The first lag that is 0.8 times as good as the best: 2 T and 3 T fit as well.
    near = np.flatnonzero(likeness[shortest:] > 0.8 * likeness[shortest:].max())
    first = shortest + int(near[0])
    return (first + int(np.argmax(likeness[first : first + rate // 200]))) / rate


def _quietest(stretch: Array, rate: int) -> int:
    """Sample of the first stretch at which it is quietest, where a cut hurts least."""
    step = max(rate // 100, 1)
    power = np.convolve(stretch**2, np.ones(step), "same")
    return int(np.argmin(power[::step])) * step


# ---- how they fall ----

EDGES = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)  # Hz, of the octave bands


def _band_gains(samples: Array, start: int, stretch: float, rate: int) -> list[tuple[float, Estimate]]:
    """Middle of each octave band in Hz, and the loop gain in it, where enough repeats stand out."""
    gains = []
    for low, high in zip(EDGES[:-1], EDGES[1:], strict=True):
        if high < 0.45 * rate:
            sos = signal.butter(3, (low, high), "bandpass", fs=rate, output="sos")
            gain = _fall(_powers(signal.sosfilt(sos, samples)[start:], stretch))
            if gain is not None:
                gains.append((float(np.sqrt(low * high)), gain))
    return gains


def _powers(samples: Array, stretch: float) -> Array:
    """Mean power of stretch after stretch of one delay."""
    edges = np.round(np.arange(0, len(samples) + 1, stretch)).astype(int)
    return np.add.reduceat(samples[: edges[-1]] ** 2, edges[:-1]) / np.diff(edges)


def _fall(powers: Array) -> Estimate | None:
    """Change of level from stretch to stretch in dB, or None where the noise leaves too few."""
    if len(powers) < FEWEST:
        return None
    # The quietest fifth at the end is noise, unless the recording ends before it is reached.
    tail = float(np.median(powers[-max(len(powers) // 5, 2) :]))
    noise = tail if tail < 1e-2 * powers.max() else 0.0
    # A stretch counts with 4 times the power of the noise; below 1e-10 rounding is all there is.
    above = powers > max(4 * noise, 1e-10 * powers.max())
    last = int(np.argmin([*above, False]))
    if last < FEWEST:
        return None
    n = np.arange(last)
    over = (powers - noise)[:last]
    level = 10 * np.log10(over)
    # Flutter and beating leave 1.5 % in each power.
    weight = 1 / (10 / np.log(10) * np.hypot(0.015, noise / over * 0.5)) ** 2
    since = n - weight @ n / weight.sum()
    spread = weight @ since**2
    slope = float(weight @ (since * level) / spread)
    rest = level - (weight @ level / weight.sum() + slope * since)
    freedom = max(last - 2, 1)
    scatter = max(weight @ rest**2 / freedom, 1.0)
    return Estimate(slope, float(COVERAGE_FACTOR * student(freedom) * np.sqrt(scatter / spread)), "dB")


def _with_cut(gain: Estimate) -> Estimate:
    """A loop gain with what a delay that is a little off adds, which cuts the sound elsewhere each time.

    It is 0.015 dB a repeat: a cut at another place, a gain that differs within a band.
    """
    return replace(gain, plus_minus=float(np.hypot(gain.plus_minus, 0.015)))
