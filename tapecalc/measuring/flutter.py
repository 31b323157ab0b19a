"""Wow and flutter from a steady tone that was played by the machine.

The tone is shifted to 0 Hz and cut to a band of 450 Hz on either side, block by
block; what is left turns as fast as the tone's frequency deviates. The noise of the
recording deviates too, more so at high rates; its power is measured from the tone's
amplitude (noise shakes amplitude and phase alike) and taken off.

When the tone was recorded and played at once, the deviation is that of two speeds one
delay apart: a wobble of rate fm appears with the factor ``2 |sin(pi fm T)|``, which
hides the rates ``k / T``. Where the factor is large enough it is divided out.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import fft
from scipy.sparse.linalg import LinearOperator, cg

from tapecalc.calc.flutter import null_rates, repeat_deviation, weighting_db
from tapecalc.calc.quantity import between, positive
from tapecalc.calc.standards import FLUTTER_TONE, TWO_SIGMA_COVERAGE
from tapecalc.measuring.dsp import squared
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, student
from tapecalc.measuring.needle import NEEDLE_TOLERANCE, quasi_peak
from tapecalc.measuring.recording import channel_health

__all__ = [
    "TAKEN",
    "FlutterLine",
    "FlutterReading",
    "measure_flutter",
]


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
#: Relative standard uncertainty of a median over the noise band, times sqrt(s): 1 / (ln 2 sqrt(n)), of
#: n = 180 Hz bins a second under a bell, of which one in 1.94 is independent.
MEDIAN_KNOWN = 0.15
APART = 2.1  # standard uncertainties (3 over sqrt(2)) by which two readings of the noise may differ
PIECE = 60.0  # seconds analyzed at a time in a long recording
SHORTEST = 5.0  # seconds. Source: AES6-2008, observation time of the two-sigma method
EDGE = (0.5, 3.0)  # seconds left out at the ends, where the weighting settles: a tenth, within these
LOW_BAND = 100.0  # Hz, where a clipped tone may have offset and hum
RESTORED, MOST_TURNS = 1e-6, 30  # of the fit of a clipped tone: how exact, and turns at the most
WIDEST = 0.12  # of the frequency, how far a tone may swing
STEADIEST = 0.5  # share of the power that must be in the tone's band
DROPOUT = 0.25  # amplitude against the usual one below which the deviation is bridged
CLEAREST = 5.0  # amplitude of a line against its surroundings
VISIBLE = 0.25  # comb factor below which a wobble is not to be corrected
SMOOTH, GATE = 9, 3.0  # bins averaged, and their power over the noise, before a rate counts as flutter
FINER = 4  # times the rate for the distribution of the deviation, whose steep parts leave few samples
BUCKETS, BUCKET = 40000, 5e-4  # buckets of the distribution, and their width in logarithm
LEAST = np.log(1e-9) / BUCKET
NEAR = 0.02  # of a two-sigma value, how near a deviation is to it to decide it
RANDOM = ("error", "error shut", "peak", "level")  # what is of the kind of a square of an uncertainty
LEVEL_TURNS = 8  # of the fit of what surrounds a wobble
FIT_TURNS, TINY = 5, 1e-4  # of the fit of steady wobbles; step in bins for a slope
MOST_LINES = 30
UNSTEADY = 4.0  # power left in a wobble's bins over the expected one, above which it is not steady
#: Student's t for 95 %: two neighboring bins under a bell hold 2.8 independent squares.
SLOW_FACTOR = 3.3
EDGES = 0.3  # of what an unfinished turn of the slowest wobble changes in a reading
FLOOR = 1e-4  # relative uncertainty that the arithmetic leaves in any reading
TINIEST = 1e-9  # depth, what the arithmetic leaves in a line
DRAWS = 16  # times noise is drawn to see what it does
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
    Notebook: 08_measuring.

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
    Made by `measure_flutter`. Source: AES6-2008, IEC 60386. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
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
    Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
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
    pile = _Pile(delay if taken == "through" else None)
    for when, frequency, noise in _pieces(recording, channel, carrier, health.whole):
        # Clipping takes noise out of the amplitude and leaves it in the phase.
        pile.add(when, frequency, np.inf if health.clipped else noise)
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
    power = squared(fft.rfft((samples - samples.mean()) * np.hanning(count)))
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


def _demodulated(recording, channel, carrier, whole):
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
        spectrum = _spectrum(samples, whole, bins, int(LOW_BAND * seconds))[bins] * band * (2 / size)
        value = fft.ifft(spectrum, norm="forward")[inner]
        change = fft.ifft(spectrum * turn, norm="forward")[inner]
        amplitude = np.abs(value)
        frequency = (change * np.conj(value)).imag / np.maximum(amplitude**2, 1e-30) / (2 * np.pi)
        when = first / rate + np.arange(len(value)) / RATE
        inside = when < recording.duration
        yield when[inside], frequency[inside], amplitude[inside]


def _spectrum(samples, whole, bins, low):
    """The spectrum of a block; of one with clipped peaks, that of the tone that explains all other samples.

    The overtones of clipped peaks fold back over half the sample rate to near the tone, and beat with
    it: 13 and 15 times 3150 Hz do at 44.1 kHz. Least squares by conjugate gradients; the lowest bins
    hold offset and hum.
    """
    kept = (samples > whole[0]) & (samples < whole[1])
    if np.all(kept):
        return fft.rfft(samples)
    used = np.zeros(len(samples) // 2 + 1, dtype=bool)
    used[bins], used[:low] = True, True

    def seen(tone):
        """What is left of a tone by the samples kept, in the band."""
        return fft.irfft(fft.rfft(tone * kept) * used, len(samples))

    gram = LinearOperator((len(samples),) * 2, matvec=seen, dtype=float)
    return fft.rfft(cg(gram, seen(samples), rtol=RESTORED, maxiter=MOST_TURNS)[0])


def _pieces(recording, channel, carrier, whole):
    """Yield steady pieces: times, frequency, and the density of phase noise; a minute or two at most."""
    longest = recording.duration if recording.duration <= 2 * PIECE else PIECE
    held, usual = [], None
    for block in _demodulated(recording, channel, carrier, whole):
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
    power = squared(fft.rfft((series - series.mean()) * bell)) * 2 / (RATE * (bell @ bell))
    rate = fft.rfftfreq(len(series), 1 / RATE)
    use = (rate > NOISE_BAND[0]) & (rate < NOISE_BAND[1])
    return float(np.median(power[use] / rate[use] ** (2 * order - 2)) / np.log(2))


@dataclass
class _Pile:
    """What the pieces add up to."""

    delay: float | None = None  # after which a wobble meets itself, of a tone taken through
    duration: float = 0.0
    needle: float = 0.0
    sums: dict = field(default_factory=dict)
    means: list = field(default_factory=list)
    counts: dict = field(default_factory=dict)
    spectra: list = field(default_factory=list)
    first: tuple | None = None

    def add(self, when, frequency, amplitude_noise):
        """Analyze one piece and add it."""
        # Under a bell, wobbles that go round a few times leave nothing in mean and slope.
        bell = np.hanning(len(when) + 2)[1:-1]
        since = when - when.mean()
        for_mean, for_slope = bell / bell.sum(), bell * since / (bell @ since**2)
        mean, slope = float(for_mean @ frequency), float(for_slope @ frequency)
        deviation = (frequency - slope * since) / mean - 1
        # Noise shakes phase and amplitude alike; a tape's own level wobble only ever adds to the latter.
        seconds = len(when) / RATE
        density, known = _agreed(amplitude_noise / mean**2, _white(deviation, 2), seconds)
        if self.first is None:
            self.first = (when, deviation)
        self.duration += seconds
        spectrum = _Spectrum.of(deviation, density, self.delay)
        power = np.abs(spectrum.value) ** 2
        steady = spectrum.fitted(_tops(power, spectrum.noise, spectrum.step))
        slow = _slowest(deviation - steady.deviation(since), for_mean, density, self.delay)
        going_on = _going_on(deviation, steady)
        for name, weighted in (("weighted", True), ("unweighted", False)):
            clean, sums = _cleaned(len(deviation), going_on, density, weighted, steady, slow, self.delay)
            sums["level"] = (known * sums["noise"]) ** 2
            old = self.sums.setdefault(name, dict.fromkeys(sums, 0.0))
            for what, value in sums.items():
                # Squares of uncertainties fall with the number of pieces.
                old[what] += seconds * value * (seconds if what in RANDOM else 1)
            bucket = np.log(np.abs(clean) + 1e-300) / BUCKET - LEAST
            count = np.bincount(np.clip(bucket, 0, BUCKETS - 1).astype(int), minlength=BUCKETS)
            self.counts[name] = self.counts.get(name, 0) + count
            if weighted:
                self.needle = max(self.needle, quasi_peak(clean[:: FINER * NEEDLE_STEP], RATE / NEEDLE_STEP))
        left = [
            np.hypot(
                COVERAGE_FACTOR * _shaken(weights, density),
                SLOW_FACTOR * _wandered(weights, slow, self.delay),
            )
            for weights in (for_mean, for_slope)
        ]
        self.means.append((when.mean(), mean, slope / mean, seconds, *left))
        # All pieces but the last are of one length.
        if not self.spectra or len(spectrum.value) == len(self.spectra[0].value):
            self.spectra.append(spectrum)


def _agreed(of_amplitude, of_phase, seconds):
    """Density of the noise from two readings, and its relative standard uncertainty.

    The mean of the two, or the lower one where chance cannot part them.
    """
    known = MEDIAN_KNOWN / np.sqrt(seconds)
    if abs(of_amplitude - of_phase) < APART * known * (of_amplitude + of_phase):
        return (of_amplitude + of_phase) / 2, known / np.sqrt(2)
    return min(of_amplitude, of_phase), known


def _shaken(weights, density):
    """Standard uncertainty that white phase noise leaves in a weighted sum of deviations.

    A deviation is the slope of the phase over the tone, so that the weights' slopes count.
    """
    steps = np.diff(weights, prepend=0.0, append=0.0)
    return float(np.sqrt(density * RATE**3 * (steps @ steps) / (8 * np.pi**2)))


def _comb(rate, delay):
    """Factor with which a recording shows a wobble: two speeds one delay apart differ by it."""
    return np.ones_like(rate) if delay is None else repeat_deviation(1.0, rate, delay)


def _slowest(rest, bell, density, delay):
    """Density of the slowest wobble that can be told from the mean, two and three turns in the time."""
    count = len(rest)
    slow = np.array([2, 3])
    turns = np.exp(-2j * np.pi * np.outer(slow, np.arange(count) / count))
    power = np.mean(np.abs(turns @ (bell * rest)) ** 2) / (bell @ bell * RATE / 2)
    # Noise at these rates, of which the bell is a third of a turn wide.
    power -= density * ((4 + 9) / 2 + 1 / 3) * (RATE / count) ** 2
    return max(float(power / np.mean(_comb(slow * RATE / count, delay) ** 2)), 0.0)


def _wandered(weights, slow, delay):
    """Standard uncertainty that wobble of one density at all slow rates leaves in a weighted sum."""
    rate = fft.rfftfreq(2 * len(weights), 1 / RATE)
    return float(np.sqrt(_moved(weights, slow * _comb(rate, delay) ** 2, 2 * len(weights))))


@dataclass(frozen=True, eq=False)
class _Steady:
    """Steady wobbles: rate, complex depth about the middle of the time, and their covariance."""

    rate: np.ndarray
    value: np.ndarray
    covariance: np.ndarray  # of (real, imaginary, rate) for each

    def deviation(self, since):
        """The wobbles at times counted from the middle."""
        return sum(
            (np.real(c * np.exp(2j * np.pi * f * since)) for c, f in zip(self.value, self.rate, strict=True)),
            np.zeros(len(since)),
        )

    @property
    def depth(self):
        """Depths zero to peak."""
        return np.abs(self.value)

    @property
    def depth_sigma(self):
        """Standard uncertainty of the depths."""
        along = np.stack([self.value.real, self.value.imag], axis=1) / self.depth[:, None]
        return np.sqrt(np.einsum("ni,nij,nj->n", along, self.covariance[:, :2, :2], along))

    @property
    def rate_sigma(self):
        """Standard uncertainty of the rates, Hz."""
        return np.sqrt(self.covariance[:, 2, 2])


def _lobe(x):
    """What a bell makes of a steady wobble `x` bins away."""
    return np.sinc(x) + 0.5 * (np.sinc(x - 1) + np.sinc(x + 1))


@dataclass(frozen=True, eq=False)
class _Spectrum:
    """Deviation under a bell about its middle in time; a steady wobble of depth m shows as m."""

    value: np.ndarray
    noise: np.ndarray  # its power
    shown: np.ndarray  # power with which the recording shows each rate
    step: float  # Hz from bin to bin
    span: float  # s

    @classmethod
    def of(cls, deviation, density, delay):
        """The spectrum up to the highest rate, and that of white phase noise."""
        count = len(deviation)
        bell = np.hanning(count + 2)[1:-1]
        rate = fft.rfftfreq(count, 1 / RATE)
        rate = rate[rate <= HIGHEST_RATE]
        about_middle = np.exp(1j * np.pi * (count - 1) / count * np.arange(len(rate)))
        value = fft.rfft(deviation * bell)[: len(rate)] * about_middle * 2 / bell.sum()
        # Noise of density S has the power 2 S RATE (bell power) / (bell sum)^2 where a sine has m^2.
        noise = density * rate**2 * 2 * RATE * (bell @ bell) / bell.sum() ** 2
        shown = np.maximum(_comb(rate, delay), VISIBLE) ** 2
        return cls(value.astype(np.complex64), noise, shown, RATE / count, (count + 1) / RATE)

    def fitted(self, tops):
        """Depth, phase and rate of all wobbles near the bins `tops`, by least squares at once.

        What one leaks into the bins of another is in the equations.
        """
        if len(tops) == 0:
            return _Steady(np.zeros(0), np.zeros(0, complex), np.zeros((0, 3, 3)))
        bins = np.unique(np.clip(tops[:, None] + np.arange(-2, 3), 1, len(self.value) - 1))
        seen = self.value[bins].astype(complex)
        place = bins[:, None] * self.step
        rate = self.step * (tops + _between(np.abs(self.value), tops))
        value = None
        for _ in range(FIT_TURNS):
            below, above = (place - rate) * self.span, (place + rate) * self.span
            columns = [_lobe(below) + _lobe(above), 1j * (_lobe(below) - _lobe(above))]
            if value is not None:
                steep = [(_lobe(x + TINY) - _lobe(x - TINY)) / (2 * TINY) for x in (below, above)]
                columns.append(self.span * (np.conj(value) * steep[1] - value * steep[0]))
            design = np.concatenate(columns, axis=1)
            design = np.concatenate([design.real, design.imag])
            inverse = np.linalg.pinv(design)
            rest = seen if value is None else seen - self._of(bins, rate, value)
            change = inverse @ np.concatenate([rest.real, rest.imag])
            real, imaginary, *other = np.split(change, len(columns))
            if value is None:
                value = real + 1j * imaginary
            else:
                value = value + real + 1j * imaginary
                rate = rate + np.clip(other[0], -self.step / 2, self.step / 2)
        return _Steady(rate, value, self._doubt(tops, bins, rate, value, design, inverse))

    def _of(self, bins, rate, value):
        """What wobbles show in the bins; a sine has a lobe at its rate, and one below 0 Hz."""
        place = bins[:, None] * self.step
        return _lobe((place - rate) * self.span) @ value + _lobe((place + rate) * self.span) @ np.conj(value)

    def _unsteady(self, rest, bins):
        """Power of unsteady wobble before the recording shows it, from what is left in `bins`.

        With the noise it explains the median of the bins' powers, each against its own mean.
        """
        power = 0.0
        if len(rest):
            power = np.median(rest / self.shown[bins])
            for _ in range(LEVEL_TURNS):
                power *= np.median(rest / (power * self.shown[bins] + self.noise[bins] + 1e-30)) / np.log(2)
        return power

    def _doubt(self, tops, bins, rate, value, design, inverse):
        """Covariance of real part, imaginary part and rate of each wobble, by what surrounds it."""
        half = _half_width(len(self.value))
        taken = np.zeros(len(self.value), dtype=bool)
        taken[bins] = True
        unsteady, wider = np.empty(len(tops)), np.ones(len(tops))
        for n, top in enumerate(tops):
            around = np.arange(max(top - half, 1), min(top + half + 1, len(self.value)))
            around = around[~taken[around]]
            rest = np.abs(self.value[around] - self._of(around, rate, value)) ** 2
            unsteady[n] = self._unsteady(rest, around)
            if unsteady[n] * self.shown[top] > self.noise[top]:
                # The median of n bins, of which every second is one of its own, tells as n/2 squares do.
                wider[n] = student(max(len(rest) / 2, 1)) ** 2
        # Neighboring bins overlap through the bell: by 2/3, and by 1/6 over two.
        apart = np.abs(bins[:, None] - bins)
        overlap = np.select([apart == 0, apart == 1, apart == 2], [1.0, 2 / 3, 1 / 6], 0.0)
        owner = np.argmin(np.abs(bins[:, None] - tops), axis=1)
        of_bin = np.sqrt(unsteady[owner] * self.shown[bins] + self.noise[bins] + 1e-18)
        scatter = 0.5 * np.kron(np.eye(2), overlap * np.outer(of_bin, of_bin))
        covariance = inverse @ scatter @ inverse.T
        # A wobble that is not steady leaves more in its bins than its surroundings explain.
        seen = self.value[bins] - self._of(bins, rate, value)
        seen = np.concatenate([seen.real, seen.imag]) ** 2
        left = np.eye(len(design)) - design @ inverse
        expected = np.einsum("ij,jk,ik->i", left, scatter, left)
        owner = np.tile(owner, 2)
        excess = np.bincount(owner, seen) / np.bincount(owner, expected)
        stretch = np.where(excess > UNSTEADY, excess, 1.0)
        place = np.arange(len(tops))[:, None] + len(tops) * np.arange(3)
        each = covariance[place[:, :, None], place[:, None, :]]
        return each * (stretch * wider)[:, None, None]


def _between(size, tops):
    """How far, in bins, the top of a lobe is from the highest bin."""
    left, top, right = size[tops - 1], size[tops], size[tops + 1]
    shift = np.where(right > left, (2 * right - top) / (right + top), -(2 * left - top) / (left + top))
    return np.clip(shift, -1, 1)


def _half_width(count):
    """Bins on either side that are the surroundings of one."""
    return max(10, count // 200)


def _surroundings(power, noise):
    """Power of the surroundings of each bin: the median of a stretch, lines left out by themselves."""
    half = _half_width(len(power))
    padded = np.pad(power, half, mode="reflect")
    floor = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)[::5], axis=1)
    floor = np.interp(np.arange(len(power)), np.arange(len(floor)) * 5, floor)
    return np.maximum(floor / np.log(2), noise) + 1e-18


def _tops(power, noise, step):
    """Bins of the lines that stand out, the strongest first."""
    level = _surroundings(power, noise)
    is_top = np.r_[False, (power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]), False]
    stands = is_top & (power > CLEAREST**2 * level) & (step * np.arange(len(power)) >= LOWEST_RATE)
    # A line is the highest of its surroundings, four bins on either side.
    tops = [k for k in np.flatnonzero(stands) if power[k] == power[max(k - 4, 0) : k + 5].max()]
    return np.array(sorted(tops, key=lambda k: -power[k])[:MOST_LINES], dtype=int)


def _going_on(deviation, steady):
    """Times, the deviation's rest and the spectra of rest and steady wobbles, some seconds beyond the ends.

    There steady wobbles go on, and the rest is mirrored.
    """
    count = len(deviation)
    pad = min(5 * RATE, count - 1)
    since = (np.arange(-pad, count + pad) - (count - 1) / 2) / RATE
    series = steady.deviation(since)
    rest = np.pad(deviation - series[pad : pad + count], pad, mode="reflect")
    return since, rest, fft.rfft(rest), fft.rfft(series)


def _cleaned(count, going_on, density, weighted, steady, slow, delay):
    """Deviation of `count` values in the flutter band without its noise, and mean squares of several things.

    These are the deviation, the noise taken off, what that may be off by, and what the
    ends, where unsteady wobbles go on unknown, change in the power.
    """
    since, rest, of_rest, of_steady = going_on
    pad = (len(rest) - count) // 2
    spectrum = of_rest + of_steady
    rate = fft.rfftfreq(len(rest), 1 / RATE)
    gain = _band(rate, weighted)
    density_of = 2 / (RATE * len(rest))
    power = np.abs(spectrum) ** 2 * density_of
    noise = density * rate**2
    smooth = np.convolve(power, np.ones(SMOOTH) / SMOOTH, "same")
    keep = np.sqrt(np.clip(1 - noise / np.maximum(smooth, 1e-300), 0, 1)) * (smooth > GATE * noise)
    # A steady wobble passes at its own rate: bins would spread it over the corners of the weighting.
    passed = replace(steady, value=steady.value * _band(steady.rate, weighted))
    shown = of_rest * gain * keep + fft.rfft(passed.deviation(since))
    edge = int(np.clip(count / 10, EDGE[0] * RATE, EDGE[1] * RATE))
    inside = slice(pad + edge, pad + count - edge)
    fine = FINER * fft.irfft(shown, FINER * len(rest))[FINER * inside.start : FINER * inside.stop]
    clean = fine[::FINER]
    step, seconds = rate[1], len(clean) / RATE
    shaped = gain**2 * noise
    # A bin's power errs by sqrt(2 signal noise + noise^2); there are as many apart as seconds in 1 Hz.
    error = gain**2 * shaped * np.maximum(2 * power - noise, noise) * step / seconds
    # Broad flutter that the gate shut out is power above the noise, and counts.
    out = keep == 0
    kept = float(np.mean(fine**2))
    shut = float(np.sum((gain**2 * (power - noise))[out]) * step)
    unknown = np.abs(of_rest[1:]) ** 2 * density_of
    ends = float(np.sum(gain[1:] ** 2 * unknown / rate[1:]) * step / (4 * np.pi * seconds))
    # What goes round less than twice in the time was taken for mean and slope in part.
    vague = np.where(rate < 2 * RATE / count, slow * (_comb(rate, delay) * gain) ** 2, 0.0)
    vague_power = float(np.sum(vague) * step) ** 2
    error_shut = float(np.sum(error[out]))
    missing = gain**2 * np.maximum(smooth - noise, 0.0) * out
    missing *= min(max(shut - np.sqrt(error_shut), 0.0) / max(float(np.sum(missing)) * step, 1e-30), 1.0)
    peak = float(np.quantile(np.abs(clean), TWO_SIGMA_COVERAGE))
    of_peak = _shaken_peak(clean, shaped * ~out + missing + vague, len(rest))
    near = np.abs(np.abs(clean) - peak) < NEAR * peak
    count_near = max(np.count_nonzero(near), 1)
    # It is read from the time spent above it, which is counted in whole steps at each crossing.
    crossings = np.count_nonzero(np.diff(np.abs(clean) > peak))
    of_steps = crossings / 12 / FINER**2 / (count_near / (2 * NEAR * peak + 1e-300)) ** 2
    of_vague = _moved(2 * clean / len(clean), vague, len(rest))
    return fine, {
        "kept": kept,
        "shut": shut,
        "noise": float(np.sum(shaped) * step),
        "error": float(np.sum(error)) + of_vague + vague_power,
        "error shut": error_shut + vague_power,
        "ends": ends,
        "peak": of_peak + of_steps,
    }


def _shaken_peak(deviation, density, length):
    """Square of what noise of a density (per Hz, against rate) does to a two-sigma value.

    It is drawn and added a few times: near the tops of a slow wobble no straight line tells what it
    does. Student's t for the number of draws stands in the place of the usual 2.
    """
    rng = np.random.default_rng(DRAWS)
    half, seen = length // 2, deviation[::2]  # 200 Hz and less need no more
    size = np.sqrt(density[: half // 2 + 1] * RATE * length / 4) * half / length
    noise = rng.standard_normal((2, DRAWS, len(size)))
    drawn = fft.irfft(size * (noise[0] + 1j * noise[1]), half, axis=1)[:, : len(seen)]
    peaks = np.quantile(np.abs(seen + drawn), TWO_SIGMA_COVERAGE, axis=1)
    return float(np.var(peaks, ddof=1) * student(DRAWS - 1) ** 2)


def _band(rate, weighted):
    """Gain of the band in which flutter is read, with the weighting or flat."""
    inside = (rate >= LOWEST_RATE / 2) & (rate <= HIGHEST_RATE)
    gain = inside.astype(float)
    if weighted and np.any(inside):
        gain[inside] = 10 ** (weighting_db(rate[inside]) / 20)
    return gain


def _moved(weights, density, length):
    """Square of what noise of a density (per Hz, against rate) does to a weighted sum."""
    gains = squared(fft.rfft(weights, length))
    return float(gains @ density * RATE / length)


def _quantile(counts, share):
    """Value below which `share` of the counted magnitudes lie, along straight lines within a bucket."""
    total = np.cumsum(counts)
    wanted = share * total[-1]
    bucket = int(np.searchsorted(total, wanted))
    part = (wanted - total[bucket] + counts[bucket]) / counts[bucket]
    return float(np.exp((LEAST + bucket + part) * BUCKET))


def _of_root(square, sigma):
    """95 % half width of a root whose square has the standard uncertainty `sigma`."""
    root = np.sqrt(square)
    upper, lower = square + COVERAGE_FACTOR * sigma, max(square - COVERAGE_FACTOR * sigma, 0.0)
    return float(max(np.sqrt(upper) - root, root - np.sqrt(lower)) + 1e-12)


def _reading(pile, tone, taken, delay, clock_tolerance, sentences):
    """Turn what has piled up into a `FlutterReading`."""
    values = {}
    for name in ("weighted", "unweighted"):
        mean = {w: v / pile.duration ** (2 if w in RANDOM else 1) for w, v in pile.sums[name].items()}
        power = max(mean["kept"] + mean["shut"], 0.0)
        common = mean["level"] + (EDGES * mean["ends"]) ** 2
        rms = float(np.sqrt(power))
        error = np.sqrt(mean["error"] + common + (FLOOR * power) ** 2)
        values[name + "_rms"] = Estimate(rms, _of_root(power, error))
        # What the gate shut out broadens the distribution as it adds to the power.
        peak = _quantile(pile.counts[name], TWO_SIGMA_COVERAGE)
        wider = power / mean["kept"] if mean["kept"] > 0 else 1.0
        broader = np.sqrt(mean["error shut"] + common) / max(power, 1e-30)
        spread = np.hypot(COVERAGE_FACTOR * np.sqrt(mean["peak"]), FLOOR * peak)
        spread = np.sqrt(wider) * np.hypot(spread, _of_root(1.0, broader) * peak)
        values[name] = Estimate(float(np.sqrt(wider) * peak), float(spread) + 1e-12)
    # The needle follows the weighted deviation, and no two meters agree better than they must.
    known = values["weighted"].uncertainty / max(values["weighted"].value, 1e-30) / COVERAGE_FACTOR
    spread = Estimate.half_width(min(known, 1.0) * pile.needle, NEEDLE_TOLERANCE * pile.needle)
    values["quasi_peak"] = Estimate(pile.needle, spread + 1e-12)
    tone_read, drift = _mean_and_drift(pile)
    speed_error = None
    if taken == "test tape":
        sigma = tone_read.uncertainty / COVERAGE_FACTOR / tone
        off = tone_read.value / tone
        speed_error = Estimate(off - 1, Estimate.half_width(sigma, off * clock_tolerance))
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
    rate, depth, lines = _lines(pile, taken, delay, clock_tolerance)
    if any(line.element_depth is None for line in lines) and taken == "through" and delay is not None:
        sentences.append(
            "Some lines stand where the recording hides them almost wholly; their own depth is not given."
        )
    noise = float(np.sqrt(pile.sums["unweighted"]["noise"] / pile.duration))
    if noise > values["unweighted_rms"].value:
        sentences.append(
            "The noise of the recording is larger than the flutter; the readings are upper bounds at best."
        )
    return FlutterReading(
        **values,
        tone=tone_read,
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


def _mean_and_drift(pile):
    """Mean frequency and steady change of speed, by the interface's clock."""
    when, means, slopes, seconds, of_mean, of_slope = (
        np.array(column) for column in zip(*pile.means, strict=True)
    )
    share = seconds / seconds.sum()
    mean = float(share @ means)
    left = float(np.sqrt(share**2 @ of_mean**2))
    if len(when) > 2:
        # Whole pieces tell how far they scatter.
        factor = COVERAGE_FACTOR * student(len(when) - 2)
        since = when - share @ when
        weight = share * since / (share @ since**2)
        slope = float(weight @ means / mean)
        rest = means / mean - 1 - slope * since
        scatter = np.sqrt(share @ rest**2 * len(when) / (len(when) - 2))
        left = max(left, float(factor * scatter * np.sqrt(share @ share)))
        drift = Estimate(slope, float(factor * scatter * np.sqrt(weight @ weight)), "1/s")
    else:
        drift = Estimate(float(share @ slopes), float(np.sqrt(share**2 @ of_slope**2)), "1/s")
    return Estimate(mean, float(mean * left), "Hz"), drift


def _lines(pile, taken, delay, clock_tolerance):
    """Flutter spectrum and the lines that stand out of it."""
    first = pile.spectra[0]
    power = np.mean([np.abs(spectrum.value) ** 2 for spectrum in pile.spectra], axis=0)
    noise = np.mean([spectrum.noise for spectrum in pile.spectra], axis=0)
    tops = _tops(power, noise, first.step)
    pieces = [spectrum.fitted(tops) for spectrum in pile.spectra]
    lines = []
    for n in range(len(tops)):
        rate, rate_sigma = _pooled([p.rate[n] for p in pieces], [p.rate_sigma[n] for p in pieces])
        depth, depth_sigma = _pooled([p.depth[n] for p in pieces], [p.depth_sigma[n] for p in pieces])
        spread = Estimate.half_width(rate_sigma, rate * clock_tolerance)
        line = Estimate(rate, spread, "Hz"), Estimate(depth, COVERAGE_FACTOR * depth_sigma + TINIEST)
        lines.append(_line(*line, taken, delay))
    lines = tuple(sorted(lines, key=lambda line: -line.depth.value))
    return first.step * np.arange(len(power)), np.sqrt(power), lines


def _pooled(values, sigmas):
    """Mean of what the pieces say, and its standard uncertainty: as stated, or as they scatter."""
    count = len(values)
    stated = np.sqrt(np.mean(np.square(sigmas)) / count)
    scatter = np.std(values, ddof=1) / np.sqrt(count) if count > 1 else 0.0
    return float(np.mean(values)), float(max(stated, scatter))


def _line(rate, depth, taken, delay):
    """A line, and what the machine's own depth is."""
    comb, own = 1.0, None
    if taken == "through":
        comb = float(_comb(rate.value, delay)) if delay is not None else float("nan")
    if taken == "test tape" or (taken == "through" and delay is not None and comb >= VISIBLE):
        # A little off in rate, the comb factor is a little off too.
        slope = 0.0 if taken == "test tape" else 2 * np.pi * delay * abs(np.cos(np.pi * rate.value * delay))
        spread = np.hypot(depth.uncertainty / comb, depth.value * slope * rate.uncertainty / comb**2)
        own = Estimate(depth.value / comb, float(spread))
    return FlutterLine(rate, depth, float(np.nan_to_num(comb)), own)
