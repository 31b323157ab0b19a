"""Loop gain from a recording of the repeats.

Once nothing new goes in, each stretch of one delay is the one before it, times the loop
gain. So the level of stretch after stretch falls on a straight line in dB, band by band,
until the noise takes over; how long the first sound was does not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

from tapecalc.calc.quantity import between, positive
from tapecalc.measuring.dsp import squared
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, student
from tapecalc.measuring.recording import channel_health

__all__ = [
    "RepeatReading",
    "measure_repeats",
]


EDGES = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)  # Hz, of the octave bands
OVER_NOISE = 4.0  # power over the noise that a stretch must have to count
FAINTEST = 1e-10  # power against the loudest stretch, below which rounding is all there is
FEWEST = 3  # stretches
CUT_DB = 0.015  # dB a repeat: a cut at another place, a gain that differs within a band
VAGUE = 4.0  # times the uncertainty of the clearest band, above which a band has no say in the highest gain
SHORTEST = 0.02  # seconds, the shortest delay looked for
ALIKE = 0.3  # autocorrelation that shows repeats
MIDDLE = (150.0, 900.0)  # Hz, where repeats are looked for
QUIET_DRY_DB = -45.0  # dB of its peak below which the dry channel counts as silent
LONGEST_FALL = 60.0  # seconds of repeats that are read


@dataclass(frozen=True)
class RepeatReading:
    """How the repeats fall.

    Parameters
    ----------
    delay : float
        s, as given or as found in the recording.
    loop_gain_db : Estimate
        Loop gain in the band where it is highest, which decides about stability.
    bands : tuple of (float, Estimate)
        Middle of an octave band in Hz, and the loop gain in it, dB.
    levels_db : tuple of float
        Level of each stretch against the first, all bands together.
    repeats : int
        Repeats louder than the faintest one that counts, if the fall goes on as found.
    heard_db : float
        That faintest level.
    sentences : tuple of str
        What was noticed.

    Notes
    -----
    Made by `measure_repeats`. Source: geometric series of repeats. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> burst = np.random.default_rng(1).standard_normal(1600)
    >>> train = np.concatenate([0.5 ** n * np.pad(burst, (0, 1600)) for n in range(12)])
    >>> reading = measure_repeats(open_recording(0.2 * train, sample_rate=16000), delay=0.2)
    >>> round(reading.loop_gain_db.value, 1)
    -6.0
    """

    delay: float
    loop_gain_db: Estimate
    bands: tuple
    levels_db: tuple
    repeats: int
    heard_db: float
    sentences: tuple = ()

    def to_dict(self):
        """Return the figures as a plain dict for a JSON file.

        Returns
        -------
        dict
            Delay, gains, levels and sentences.
        """
        return {
            "delay": float(self.delay),
            "loop_gain_db": self.loop_gain_db.to_dict(),
            "bands": [{"frequency": f, "loop_gain_db": gain.to_dict()} for f, gain in self.bands],
            "levels_db": [round(float(v), 3) for v in self.levels_db],
            "repeats": self.repeats,
            "heard_db": float(self.heard_db),
            "sentences": list(self.sentences),
        }


def measure_repeats(recording, *, delay=None, longest=3.0, heard_db=-40.0):
    """Measure the loop gain from repeats that die away.

    Parameters
    ----------
    recording : Recording
        A sound, then its repeats and nothing else; with the dry channel, the end of the sound is
        found there, without it the loudest moment is taken.
    delay : float, optional
        s; looked for in the recording if left out.
    longest : float, optional
        The longest delay to look for, s.
    heard_db : float, optional
        Level against the first repeat at which a repeat no longer counts, dB.

    Returns
    -------
    RepeatReading
        Loop gain by octave band, levels, number of repeats.

    Raises
    ------
    CannotTell
        If the channel is empty, there are no repeats, or too few above the noise.
    ValueError
        If an option is out of range.

    Notes
    -----
    Source: geometric series; M. R. Schroeder, Natural Sounding Artificial Reverberation, JAES 10, 1962, for
    decay time from gain. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> try:
    ...     measure_repeats(open_recording(np.zeros(16000), sample_rate=16000))
    ... except CannotTell as reason:
    ...     print(reason)
    cannot tell, because the playback channel is empty
    """
    between("heard_db", heard_db, -100, -1, "dB")
    positive("longest", longest, "s")
    health = channel_health(recording, "playback")
    if health.empty:
        raise CannotTell("the playback channel is empty")
    sentences = list(health.sentences())
    rate = recording.sample_rate
    begin = _end_of_sound(recording)
    count = min(recording.count - begin, int(LONGEST_FALL * rate))
    # Half a second before, so that the band filters have settled.
    warm = rate // 2
    samples = recording.read("playback", begin - warm, count + warm)
    samples -= samples[warm:].mean()
    if delay is None:
        delay = _repeat_time(samples[warm:], rate, longest)
    positive("delay", delay, "s")
    stretch = delay * rate
    if count < FEWEST * stretch:
        raise CannotTell("the recording ends before three repeats have passed")
    warm += _quietest(samples[warm : warm + round(stretch)], rate)
    bands = []
    for low, high in zip(EDGES[:-1], EDGES[1:], strict=True):
        if high < 0.45 * rate:
            sos = signal.butter(3, (low, high), "bandpass", fs=rate, output="sos")
            gain = _fall(_powers(signal.sosfilt(sos, samples)[warm:], stretch))
            if gain is not None:
                bands.append((float(np.sqrt(low * high)), gain))
    whole = _powers(samples[warm:], stretch)
    total = _fall(whole)
    if not bands or total is None:
        raise CannotTell("fewer than three repeats stand above the noise, or they do not fall evenly")
    clearest = min(gain.uncertainty for _, gain in bands)
    highest = max(
        (gain for _, gain in bands if gain.uncertainty <= VAGUE * clearest), key=lambda gain: gain.value
    )
    # The highest of several is a little too high.
    highest = _with_cut(Estimate(highest.value, 1.5 * highest.uncertainty, "dB"))
    levels = 10 * np.log10(np.maximum(whole / whole[0], 1e-30))
    if highest.value - highest.uncertainty > 0:
        sentences.append("The repeats grow: the loop runs away. Turn the return send down.")
        repeats = 0
    elif highest.value >= -1e-9:
        sentences.append("The loop is at the edge of running away.")
        repeats = 0
    else:
        repeats = int(np.floor(heard_db / highest.value))
    return RepeatReading(
        delay=float(delay),
        loop_gain_db=highest,
        bands=tuple((frequency, _with_cut(gain)) for frequency, gain in bands),
        levels_db=tuple(float(v) for v in levels),
        repeats=repeats,
        heard_db=float(heard_db),
        sentences=tuple(sentences),
    )


def _with_cut(gain):
    """A loop gain with what a delay that is a little off adds, which cuts the sound elsewhere each time."""
    return Estimate(gain.value, float(np.hypot(gain.uncertainty, CUT_DB)), "dB")


def _end_of_sound(recording):
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
    loud = np.flatnonzero(power > power.max() * 10 ** (QUIET_DRY_DB / 10))
    end = int(loud[-1] + 1) * step if len(loud) else 0
    if end > recording.count - rate // 2:
        raise CannotTell("the dry channel sounds to the end, so that no repeat is alone")
    return end


def _repeat_time(samples, rate, longest):
    """The delay at which the sound is most like itself."""
    # Flutter shifts treble out of step from repeat to repeat; the lower middle stays alike.
    sos = signal.butter(2, MIDDLE, "bandpass", fs=rate, output="sos")
    middle = signal.sosfilt(sos, samples)
    size = fft.next_fast_len(2 * len(middle), real=True)
    lags = np.arange(min(int(longest * rate), len(middle) // 2))
    product = fft.irfft(squared(fft.rfft(middle, size)), size)[: len(lags)]
    total = np.concatenate([[0.0], np.cumsum(middle**2)])
    early, late = total[len(middle) - lags], total[-1] - total[lags]
    likeness = product / np.sqrt(np.maximum(early * late, 1e-12 * total[-1] ** 2) + 1e-300)
    shortest = int(SHORTEST * rate)
    if len(lags) <= shortest or likeness[shortest:].max() < ALIKE:
        raise CannotTell("no repeats were found: nothing in the recording comes again")
    # The first lag that is nearly as good as the best: 2 T and 3 T fit as well.
    near = np.flatnonzero(likeness[shortest:] > 0.8 * likeness[shortest:].max())
    first = shortest + int(near[0])
    return (first + int(np.argmax(likeness[first : first + rate // 200]))) / rate


def _quietest(stretch, rate):
    """Sample of the first stretch at which it is quietest, where a cut hurts least."""
    step = max(rate // 100, 1)
    power = np.convolve(stretch**2, np.ones(step), "same")
    return int(np.argmin(power[::step])) * step


def _powers(samples, stretch):
    """Mean power of stretch after stretch of one delay."""
    edges = np.round(np.arange(0, len(samples) + 1, stretch)).astype(int)
    return np.add.reduceat(samples[: edges[-1]] ** 2, edges[:-1]) / np.diff(edges)


def _fall(powers):
    """Change of level from stretch to stretch in dB, or None where the noise leaves too few."""
    if len(powers) < FEWEST:
        return None
    # The quietest fifth at the end is noise, unless the recording ends before it is reached.
    tail = powers[-max(len(powers) // 5, 2) :]
    noise = float(np.median(tail)) if np.median(tail) < 1e-2 * powers.max() else 0.0
    over = powers - noise
    above = powers > max(OVER_NOISE * noise, FAINTEST * powers.max())
    last = int(np.argmin(above)) if not np.all(above) else len(powers)
    if last < FEWEST:
        return None
    n = np.arange(last)
    level = 10 * np.log10(over[:last])
    # A level is known to a few tenths of a dB (flutter, beating), and worse near the noise.
    sigma = 10 / np.log(10) * np.hypot(0.015, noise / over[:last] * 0.5)
    weight = 1 / sigma**2
    center = weight @ n / weight.sum()
    slope = float(weight @ ((n - center) * level) / (weight @ (n - center) ** 2))
    rest = level - (weight @ level / weight.sum() + slope * (n - center))
    scatter = weight @ rest**2 / max(last - 2, 1)
    spread = np.sqrt(max(scatter, 1.0) / (weight @ (n - center) ** 2))
    factor = COVERAGE_FACTOR * student(max(last - 2, 1))
    return Estimate(slope, float(factor * spread), "dB")
