"""Wow and flutter from a steady tone that was played by the machine.

The tone is shifted to 0 Hz and cut to a band of 450 Hz on either side, block by
block; what is left turns as fast as the tone's frequency deviates. The noise of the
recording deviates too, more so at high rates; its power is measured from the tone's
amplitude (noise shakes amplitude and phase alike) and taken off.

When the tone was recorded and played at once, the deviation is that of two speeds one
delay apart: a wobble of rate fm appears with the factor ``2 |sin(pi fm T)|``, which
hides the rates ``k / T``. Where the factor is large enough it is divided out.

======  =================  =======  ========================================
symbol  name in code       SI unit  typical value
======  =================  =======  ========================================
--      ``recording``      --       what `open_recording` returns
f0      ``tone``           Hz       3150
T       ``delay``          s        0.2, of the head that played the tone
--      ``taken``          --       ``"through"``
--      ``clock_tolerance``  1      1e-4
--      ``channel``        --       ``"playback"``
--      ``least``          1        5e-5, depth of a line to be blamed
======  =================  =======  ========================================
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import fft

from tapecalc.audio.measure.estimate import COVERAGE_FACTOR, CannotTell, Estimate
from tapecalc.audio.measure.meter import NEEDLE_TOLERANCE, quasi_peak
from tapecalc.audio.measure.recording import channel_health
from tapecalc.checks import between, positive
from tapecalc.flutter import null_rates, weighting_db
from tapecalc.standards import FLUTTER_TONE, TWO_SIGMA_COVERAGE

__all__ = ["TAKEN", "FlutterLine", "FlutterReading", "measure_flutter"]

#: How the tone came to be played.
TAKEN = {
    "through": "recorded and played at once on this machine",
    "later": "recorded on this machine and played later",
    "test tape": "from a test tape of another machine",
}

BLOCK, MARGIN = 10.0, 1.0  # seconds of a block, and on either side to let the band filter settle
RATE = 1400  # values of deviation per second
NEEDLE_STEP = 2  # values from one that a needle is shown to the next
FLAT, STOP = 450.0, 700.0  # Hz from the tone: passed in full, and no longer
LOWEST_RATE, HIGHEST_RATE = (
    0.2,
    200.0,
)  # Hz; the range of flutter. Source: AES6-2008 = IEC 60386 (from memory)
NOISE_BAND = (100.0, 280.0)  # Hz, where the noise is read
PIECE = 60.0  # seconds analyzed at a time in a long recording
SHORTEST = 5.0  # seconds. Source: AES6-2008, observation time of the two-sigma method
EDGE = (0.5, 3.0)  # seconds left out at the ends, where the weighting settles: a tenth, within these
WIDEST = 0.12  # of the frequency, how far a tone may swing
STEADIEST = 0.5  # share of the power that must be in the tone's band
DROPOUT = 0.25  # amplitude against the usual one below which the deviation is bridged
CLEAREST = 5.0  # amplitude of a line against its surroundings
VISIBLE = 0.25  # comb factor below which a wobble is not to be corrected
SMOOTH, GATE = 9, 3.0  # bins averaged, and their power over the noise, before a rate counts as flutter
BUCKETS = np.geomspace(1e-9, 0.3, 40000)  # for the distribution of the deviation
EDGES = 0.3  # of what an unfinished turn of the slowest wobble changes in a reading
FLOOR = 0.0006  # relative uncertainty that ends and filters leave in any reading
LINE_FLOOR = 0.002  # of a bin, and of the depth, that neighboring lines leave in a line
REST = 0.05  # of the noise that may be left in a two-sigma reading


@dataclass(frozen=True)
class FlutterLine:
    """One steady wobble in the flutter spectrum.

    Parameters
    ----------
    rate : Estimate
        Hz.
    depth : Estimate
        As read, zero to peak, fraction of speed.
    comb : float
        The factor with which this recording shows that rate; 1 for a test tape.
    element_depth : Estimate or None
        The machine's own wobble, None where it cannot be told.

    Notes
    -----
    Source: Publication 570 of M.R.L. on record-and-replay tests (0 to 2 times one element).
    Notebook: 08_measure_a_machine.

    Examples
    --------
    >>> FlutterLine(Estimate(4, 0.1, "Hz"), Estimate(0.001, 1e-5), 2.0, Estimate(0.0005, 5e-6)).comb
    2.0
    """

    rate: Estimate
    depth: Estimate
    comb: float
    element_depth: Estimate | None

    def to_dict(self):
        """Return the line as a plain dict for a JSON file.

        Returns
        -------
        dict
            Rate, depth, comb factor and the machine's own depth.
        """
        own = None if self.element_depth is None else self.element_depth.to_dict()
        depth = self.depth.to_dict()
        return {"rate": self.rate.to_dict(), "depth": depth, "comb": float(self.comb), "element_depth": own}


@dataclass(frozen=True, eq=False)
class FlutterReading:
    """Wow and flutter of a tone.

    Parameters
    ----------
    weighted : Estimate
        Two-sigma reading of the weighted deviation, fraction of speed (0.001 is +/- 0.1 %). This and
        the next three are of the time recorded, less its ends; record for longer to know more.
    weighted_rms, unweighted, unweighted_rms : Estimate
        The rms, and the same without weighting (0.2 to 200 Hz).
    quasi_peak : Estimate
        The highest that the needle of a weighted meter goes; its uncertainty holds what two meters
        that both comply may differ by.
    tone : Estimate
        Mean frequency, Hz.
    speed_error : Estimate or None
        Mean speed against nominal, fraction; None where the tone cannot tell.
    drift : Estimate
        Steady change of speed, fraction per second.
    duration : float
        Length of steady tone that was read, s.
    noise : float
        Rms of the deviation that the recording's noise made (taken off above), unweighted.
    rate, depth : numpy.ndarray
        Flutter spectrum: Hz, and zero-to-peak depth of a steady wobble of that rate.
    lines : tuple of FlutterLine
        What stands out of the spectrum, the deepest first.
    time, deviation : numpy.ndarray
        The deviation against time (the first minute), fraction, noise included.
    taken : str
        A key of `TAKEN`.
    sentences : tuple of str
        What was noticed and what cannot be told.

    Notes
    -----
    Made by `measure_flutter`. Source: AES6-2008, IEC 60386. Notebook: 08_measure_a_machine.

    Examples
    --------
    >>> from tapecalc.audio.measure import open_recording
    >>> t = np.arange(10 * 16000) / 16000
    >>> wobble = 0.001 * np.cos(2 * np.pi * 4 * t) / (2 * np.pi * 4)
    >>> tape = open_recording(0.5 * np.sin(2 * np.pi * 3150 * (t + wobble)), sample_rate=16000)
    >>> round(100 * measure_flutter(tape, taken="test tape").weighted.value, 3)  # percent
    0.1
    """

    weighted: Estimate
    weighted_rms: Estimate
    unweighted: Estimate
    unweighted_rms: Estimate
    quasi_peak: Estimate
    tone: Estimate
    speed_error: Estimate | None
    drift: Estimate
    duration: float
    noise: float
    rate: np.ndarray
    depth: np.ndarray
    lines: tuple
    time: np.ndarray
    deviation: np.ndarray
    taken: str
    sentences: tuple = ()

    def peaks(self, *, own=True, least=0.0):
        """List rate and depth of the lines for `tapecalc.flutter.fingerprint`.

        Parameters
        ----------
        own : bool, optional
            Take the machine's own depth where it can be told, else the depth as read.
        least : float, optional
            Depth as read below which a line is left out, fraction.

        Returns
        -------
        list of (float, float)
            Hz and zero-to-peak fraction.
        """
        return [
            (line.rate.value, (line.element_depth if own and line.element_depth else line.depth).value)
            for line in self.lines
            if line.depth.value >= least
        ]

    def to_dict(self):
        """Return the figures as a plain dict for a JSON file.

        Returns
        -------
        dict
            All readings, the lines, and what cannot be told.
        """
        readings = ("weighted", "weighted_rms", "unweighted", "unweighted_rms", "quasi_peak", "tone", "drift")
        return {
            **{name: getattr(self, name).to_dict() for name in readings},
            "speed_error": None if self.speed_error is None else self.speed_error.to_dict(),
            "duration": float(self.duration),
            "noise": float(self.noise),
            "taken": TAKEN[self.taken],
            "lines": [line.to_dict() for line in self.lines],
            "sentences": list(self.sentences),
        }


def measure_flutter(
    recording, *, tone=FLUTTER_TONE, taken="through", delay=None, clock_tolerance=1e-4, channel="playback"
):
    """Measure wow and flutter from a steady tone.

    Parameters
    ----------
    recording : Recording
        5 s or more of the tone, 60 s for rates below 1 Hz.
    tone : float, optional
        Nominal frequency, Hz; the real one is found by itself.
    taken : str, optional
        A key of `TAKEN`: ``"through"``, ``"later"`` or ``"test tape"``.
    delay : float, optional
        Delay of the head that played the tone, s; needed to correct a tone taken through.
    clock_tolerance : float, optional
        How far the interface's clock may be off, relative.
    channel : str, optional
        ``"playback"`` or ``"dry"``.

    Returns
    -------
    FlutterReading
        Readings, spectrum, lines, and sentences on what cannot be told.

    Raises
    ------
    CannotTell
        If the channel is empty, there is no steady tone, or less than 5 s of it.
    ValueError
        If an option is out of range.

    Notes
    -----
    Source: AES6-2008 = IEC 60386 for tone, weighting and the two-sigma reading.
    Notebook: 08_measure_a_machine.

    Examples
    --------
    >>> from tapecalc.audio.measure import open_recording
    >>> t = np.arange(8 * 16000) / 16000
    >>> tape = open_recording(0.5 * np.sin(2 * np.pi * 3150 * t), sample_rate=16000)
    >>> measure_flutter(tape, taken="test tape").weighted.value < 1e-7
    True
    """
    positive("tone", tone, "Hz")
    between("clock_tolerance", clock_tolerance, 0, 0.01)
    if taken not in TAKEN:
        raise ValueError(f"taken must be one of {', '.join(TAKEN)}, got {taken!r}")
    if delay is not None:
        positive("delay", delay, "s")
    health = channel_health(recording, channel)
    if health.empty:
        raise CannotTell(f"the {channel} channel is empty")
    _long_enough(recording.duration)
    carrier = _carrier(recording, channel, health.loudest)
    pile = _Pile()
    for when, frequency, noise in _pieces(recording, channel, carrier):
        pile.add(when, frequency, noise)
    _long_enough(pile.duration)
    sentences = list(health.sentences())
    return _reading(pile, tone, taken, delay, clock_tolerance, sentences)


def _long_enough(duration):
    """Refuse a tone that is too short."""
    if duration < SHORTEST:
        raise CannotTell(f"there are only {duration:.1f} s of a steady tone, and it takes {SHORTEST:g} s")


def _carrier(recording, channel, loudest):
    """Frequency of the tone, or the reason why there is none."""
    rate = recording.sample_rate
    count = min(recording.count, int(8 * rate))
    first = min(int(loudest * rate), recording.count - count)
    samples = recording.read(channel, first, count)
    power = np.abs(fft.rfft((samples - samples.mean()) * np.hanning(count))) ** 2
    frequency = fft.rfftfreq(count, 1 / rate)
    # Half of the power lies below the middle of the tone, however far it swings.
    center = frequency[np.searchsorted(np.cumsum(power), 0.5 * power.sum())]
    near = np.abs(frequency - center) < max(WIDEST * center, 20)
    center = float(power[near] @ frequency[near] / power[near].sum())
    share = power[near].sum() / power.sum()
    if share < STEADIEST:
        raise CannotTell(
            f"there is no steady tone: what is near {center:.0f} Hz holds {100 * share:.0f} % of the power"
        )
    if not STOP < center < rate / 2 - STOP:
        raise CannotTell(
            f"the tone of {center:.0f} Hz is outside {STOP:.0f} to {rate / 2 - STOP:.0f} Hz; record one "
            "near 3150 Hz"
        )
    return center


def _demodulated(recording, channel, carrier):
    """Yield time, frequency and amplitude of the tone block by block, `RATE` values a second."""
    rate = recording.sample_rate
    size = int((BLOCK + 2 * MARGIN) * rate)
    seconds = BLOCK + 2 * MARGIN
    low = round((carrier - STOP) * seconds)
    bins = np.arange(low, low + round(2 * STOP * seconds))
    away = np.abs(bins / seconds - carrier)
    band = np.cos(np.pi / 2 * np.clip((away - FLAT) / (STOP - FLAT), 0, 1)) ** 2
    turn = 2j * np.pi * bins / seconds
    inner = slice(int(MARGIN * RATE), int((MARGIN + BLOCK) * RATE))
    for first in range(0, recording.count, int(BLOCK * rate)):
        samples = recording.read(channel, first - int(MARGIN * rate), size)
        spectrum = fft.rfft(samples)[bins] * band * (2 / size)
        value = fft.ifft(spectrum, norm="forward")[inner]
        change = fft.ifft(spectrum * turn, norm="forward")[inner]
        amplitude = np.abs(value)
        frequency = (change * np.conj(value)).imag / np.maximum(amplitude**2, 1e-30) / (2 * np.pi)
        when = first / rate + np.arange(len(value)) / RATE
        inside = when < recording.duration
        yield when[inside], frequency[inside], amplitude[inside]


def _pieces(recording, channel, carrier):
    """Yield steady pieces: times, frequency, and the density of phase noise; a minute or two at most."""
    longest = recording.duration if recording.duration <= 2 * PIECE else PIECE
    held, usual = [], None
    for block in _demodulated(recording, channel, carrier):
        usual = np.median(block[2]) if usual is None else max(usual, np.median(block[2]))
        held.append(block)
        if sum(len(b[0]) for b in held) >= longest * RATE - 1:
            yield from _steady(held, usual)
            held = []
    if held:
        yield from _steady(held, usual)


def _steady(held, usual):
    """The longest stretch with the tone at its usual level, short dropouts bridged."""
    when, frequency, amplitude = (np.concatenate(part) for part in zip(*held, strict=True))
    present = amplitude > 0.5 * usual
    smooth = np.convolve(present, np.ones(RATE // 2) / (RATE // 2), "same") > 0.4
    edges = np.flatnonzero(np.diff(np.concatenate([[0], smooth, [0]])))
    if len(edges) == 0:
        return
    begin, end = max(zip(edges[::2], edges[1::2], strict=True), key=lambda e: e[1] - e[0])
    margin = RATE // 5
    begin, end = begin + margin, end - margin
    if end - begin < 2 * RATE:
        return
    when, frequency, amplitude = when[begin:end], frequency[begin:end], amplitude[begin:end]
    good = amplitude > DROPOUT * usual
    frequency = np.interp(when, when[good], frequency[good])
    yield when, frequency, _white(amplitude / amplitude.mean() - 1, 1)


def _white(series, order):
    """Median density (per Hz, one-sided) of ``series`` in the noise band, over ``f^(2 order - 2)``."""
    bell = np.hanning(len(series))
    power = np.abs(fft.rfft((series - series.mean()) * bell)) ** 2 * 2 / (RATE * (bell @ bell))
    rate = fft.rfftfreq(len(series), 1 / RATE)
    use = (rate > NOISE_BAND[0]) & (rate < NOISE_BAND[1])
    return float(np.median(power[use] / rate[use] ** (2 * order - 2)) / np.log(2))


@dataclass
class _Pile:
    """What the pieces add up to."""

    duration: float = 0.0
    needle: float = 0.0
    sums: dict = field(default_factory=dict)
    means: list = field(default_factory=list)
    counts: dict = field(default_factory=dict)
    spectrum: tuple | None = None
    pieces: int = 0
    first: tuple | None = None

    def add(self, when, frequency, amplitude_noise):
        """Analyze one piece and add it."""
        # Under a bell, wobbles that go round a few times leave nothing in mean and slope.
        bell = np.hanning(len(when) + 2)[1:-1]
        since = when - when.mean()
        mean = float(bell @ frequency / bell.sum())
        slope = float((bell * since) @ frequency / (bell @ since**2))
        deviation = (frequency - slope * since) / mean - 1
        # Noise shakes phase and amplitude alike; a tape's own level wobble only ever adds to the latter.
        density = min(amplitude_noise / mean**2, _white(deviation, 2))
        seconds = len(when) / RATE
        self.means.append((when.mean(), mean, slope / mean, seconds))
        if self.first is None:
            self.first = (when, deviation)
        self.duration += seconds
        for name, weighted in (("weighted", True), ("unweighted", False)):
            clean, sums = _cleaned(deviation, density, weighted)
            old = self.sums.get(name, np.zeros(5))
            self.sums[name] = old + seconds * np.array(sums)
            count = np.histogram(np.abs(clean), np.concatenate([[0], BUCKETS, [np.inf]]))[0]
            self.counts[name] = self.counts.get(name, 0) + count
            if weighted:
                self.needle = max(self.needle, quasi_peak(clean[::NEEDLE_STEP], RATE / NEEDLE_STEP))
        self._add_spectrum(deviation, density, seconds)

    def _add_spectrum(self, deviation, density, seconds):
        """Pile up the power spectrum; all pieces but the last are of one length."""
        bell = np.hanning(len(deviation) + 2)[1:-1]
        power = np.abs(fft.rfft(deviation * bell) * 2 / bell.sum()) ** 2
        rate = fft.rfftfreq(len(deviation), 1 / RATE)
        # A sine of depth m shows as m^2; noise of density S as 2 S RATE (bell power) / (bell sum)^2.
        noise = density * rate**2 * 2 * RATE * (bell @ bell) / bell.sum() ** 2
        if self.spectrum is None:
            self.spectrum = (rate, power * seconds, noise * seconds, seconds, seconds)
        elif len(rate) == len(self.spectrum[0]):
            _, old, old_noise, length, total = self.spectrum
            new = (old + power * seconds, old_noise + noise * seconds, length, total + seconds)
            self.spectrum = (rate, *new)


def _cleaned(deviation, density, weighted):
    """Deviation in the flutter band without its noise, and mean squares of several things.

    These are the deviation, the noise taken off, what that may be off by, and what an
    unfinished turn of slow wobbles changes in the power and in the mean.
    """
    pad = min(5 * RATE, len(deviation) - 1)
    longer = np.pad(deviation, pad, mode="reflect")
    spectrum = fft.rfft(longer)
    rate = fft.rfftfreq(len(longer), 1 / RATE)
    gain = np.where((rate >= LOWEST_RATE / 2) & (rate <= HIGHEST_RATE), 1.0, 0.0)
    if weighted:
        inside = gain > 0
        gain[inside] = 10 ** (weighting_db(rate[inside]) / 20)
    power = np.abs(spectrum) ** 2 * 2 / (RATE * len(longer))
    noise = density * rate**2
    smooth = np.convolve(power, np.ones(SMOOTH) / SMOOTH, "same")
    keep = np.sqrt(np.clip(1 - noise / np.maximum(smooth, 1e-300), 0, 1)) * (smooth > GATE * noise)
    clean = fft.irfft(spectrum * gain * keep, len(longer))[pad : pad + len(deviation)]
    edge = int(np.clip(len(clean) / 10, EDGE[0] * RATE, EDGE[1] * RATE))
    clean = clean[edge:-edge]
    step = rate[1]
    shaped = gain**2 * noise
    noise_power = float(np.sum(shaped) * step)
    resolved = 1 / (step * len(longer) / RATE) * len(longer) / len(deviation)
    spread = float(np.sum(gain**2 * shaped * np.maximum(2 * power - noise, noise)) * step**2 * resolved)
    # Broad flutter that the gate shut out is power above the noise, and counts.
    shut = float(np.sum((gain**2 * (power - noise))[keep == 0]) * step)
    inner = max(float(np.mean(clean**2)) + shut, 0.0)
    slow = float(np.sum(gain[1:] ** 2 * power[1:] / rate[1:]) * step / (4 * np.pi * len(deviation) / RATE))
    # A wobble of rate f leaves up to 1 / (pi f t) of its amplitude in a mean over the time t.
    left = np.sum(gain[1:] ** 2 * power[1:] / (np.pi * rate[1:] * len(deviation) / RATE) ** 2) * step
    return clean, (inner, noise_power, spread, slow, float(left))


def _quantile(counts, share):
    """Value below which `share` of the counted magnitudes lie, along straight lines within a bucket."""
    total = np.cumsum(counts)
    wanted = share * total[-1]
    bucket = int(np.searchsorted(total, wanted))
    if bucket == 0:
        return float(BUCKETS[0])
    if bucket >= len(BUCKETS):
        return float(BUCKETS[-1])
    before = total[bucket - 1]
    part = (wanted - before) / max(total[bucket] - before, 1)
    return float(BUCKETS[bucket - 1] + part * (BUCKETS[bucket] - BUCKETS[bucket - 1]))


def _reading(pile, tone, taken, delay, clock_tolerance, sentences):
    """Turn what has piled up into a `FlutterReading`."""
    values = {}
    for name in ("weighted", "unweighted"):
        inner, noise, spread, slow, left = pile.sums[name] / pile.duration
        rms = float(np.sqrt(inner))
        # Power P is known to sqrt(spread); half of that, relative, is the rms's.
        share = np.sqrt(spread / pile.duration * np.mean([p[3] for p in pile.means])) / max(inner, 1e-300)
        random = np.hypot(COVERAGE_FACTOR * share / 2, FLOOR)
        cycles = slow / max(inner, 1e-300)  # that the slowest wobbles are not whole numbers of turns
        noisy = 0.05 * noise / max(inner, 1e-300) / 2  # that the noise's power is known to 5 %
        floor = 0.3 * np.sqrt(noise)
        spread = (np.hypot(random, EDGES * cycles) + noisy) * rms
        values[name + "_rms"] = Estimate(rms, float(min(spread, rms + floor) + 1e-12))
        peak = _quantile(pile.counts[name], TWO_SIGMA_COVERAGE)
        spread = (np.hypot(random, 2 * EDGES * cycles) + noisy) * peak + REST * np.sqrt(noise)
        values[name] = Estimate(peak, float(min(spread, peak + 2 * floor) + 1e-12))
    read = values["weighted"]
    spread = np.hypot(NEEDLE_TOLERANCE, read.uncertainty / max(read.value, 1e-12)) * pile.needle
    values["quasi_peak"] = Estimate(pile.needle, float(spread + 1e-12))
    when, means, slopes, seconds = (np.array(column) for column in zip(*pile.means, strict=True))
    mean = float(seconds @ means / seconds.sum())
    left = float(COVERAGE_FACTOR * np.sqrt(left / len(means)) + 1e-9)
    frequency = Estimate(mean, float(mean * left), "Hz")
    if len(when) > 2:
        (slope, _), covariance = np.polyfit(when, means / mean, 1, cov=True)
        drift = Estimate(float(slope), float(COVERAGE_FACTOR * np.sqrt(covariance[0, 0])), "1/s")
    else:
        slope = float(seconds @ slopes / seconds.sum())
        drift = Estimate(slope, float(4 * left / pile.duration), "1/s")
    speed_error = None
    if taken == "test tape":
        speed_error = Estimate(mean / tone - 1, float(np.hypot(left, clock_tolerance)))
    elif taken == "through":
        sentences.append(
            "The tone was recorded and played at once: its mean frequency says nothing about the tape's "
            "speed."
        )
    else:
        sentences.append(
            "The tone was recorded on the same machine and played later: the reading is anything from 0 to "
            "2 times "
            "the machine's own flutter, and no correction is possible."
        )
    if taken == "through" and delay is not None:
        hidden = null_rates(delay, 20.0)
        if len(hidden):
            named = ", ".join(f"{f:.2f}" for f in np.atleast_1d(hidden)[:5])
            sentences.append(
                f"A wobble at {named} Hz (whole numbers of turns per delay) does not show in this recording."
            )
    elif taken == "through":
        sentences.append("Give the delay to have the flutter of the machine itself worked out line by line.")
    rate, depth, lines = _lines(pile, taken, delay)
    if any(line.element_depth is None for line in lines) and taken == "through" and delay is not None:
        sentences.append(
            "Some lines stand where the recording hides them almost wholly; their own depth is not given."
        )
    noise = float(np.sqrt(pile.sums["unweighted"][1] / pile.duration))
    if noise > values["unweighted_rms"].value:
        sentences.append(
            "The noise of the recording is larger than the flutter; the readings are upper bounds at best."
        )
    return FlutterReading(
        **values,
        tone=frequency,
        speed_error=speed_error,
        drift=drift,
        duration=pile.duration,
        noise=noise,
        rate=rate,
        depth=depth,
        lines=lines,
        time=pile.first[0],
        deviation=pile.first[1],
        taken=taken,
        sentences=tuple(sentences),
    )


def _lines(pile, taken, delay):
    """Flutter spectrum and the lines that stand out of it."""
    rate, power, noise, length, total = pile.spectrum
    power, noise = power / total, noise / total
    use = rate <= HIGHEST_RATE
    rate, power, noise = rate[use], power[use], noise[use]
    depth = np.sqrt(power)
    # The floor around each bin: the median of a stretch, lines left out by themselves.
    half = max(10, len(rate) // 200)
    padded = np.pad(power, half, mode="reflect")
    floor = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)[::5], axis=1)
    floor = np.interp(np.arange(len(rate)), np.arange(len(floor)) * 5, floor)
    level = np.maximum(floor / np.log(2), noise) + 1e-18
    is_top = np.r_[False, (power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]), False]
    # A line is the highest of its surroundings, four bins on either side.
    tops = [
        k
        for k in np.flatnonzero(is_top & (power > CLEAREST**2 * level) & (rate >= LOWEST_RATE))
        if power[k] == power[max(k - 4, 0) : k + 5].max()
    ]
    lines = []
    for k in sorted(tops, key=lambda k: -power[k])[:30]:
        lines.append(_line(k, rate, power, level, length, taken, delay))
    return rate, depth, tuple(sorted(lines, key=lambda line: -line.depth.value))


def _line(k, rate, power, level, length, taken, delay):
    """Rate and depth of the line at bin `k`, and what the machine's own depth is."""
    near = slice(max(k - 2, 0), k + 3)
    # Under a bell the squares over the main lobe add up to 1.5 times that of the line.
    depth = float(np.sqrt(max(power[near].sum() - level[k] * 5, power[k] / 4) / 1.5))
    left, top, right = np.sqrt(power[k - 1 : k + 2])
    if right > left:
        shift = (2 * right - top) / (right + top)
    else:
        shift = -(2 * left - top) / (left + top)
    found = float(rate[k] + np.clip(shift, -1, 1) * rate[1])
    share = np.sqrt(level[k]) / depth
    depth_spread = depth * float(np.hypot(COVERAGE_FACTOR * share, LINE_FLOOR))
    rate_spread = float(COVERAGE_FACTOR * (0.5 * share + LINE_FLOOR) / length)
    comb, own = 1.0, None
    if taken == "through":
        comb = 2 * abs(np.sin(np.pi * found * delay)) if delay is not None else float("nan")
    if taken == "test tape" or (taken == "through" and delay is not None and comb >= VISIBLE):
        # A little off in rate, the comb factor is a little off too.
        slope = 0.0 if taken == "test tape" else 2 * np.pi * delay * abs(np.cos(np.pi * found * delay))
        spread = np.hypot(depth_spread / comb, depth * slope * rate_spread / comb**2)
        own = Estimate(depth / comb, float(spread))
    return FlutterLine(
        Estimate(found, rate_spread, "Hz"), Estimate(depth, depth_spread), float(np.nan_to_num(comb)), own
    )
