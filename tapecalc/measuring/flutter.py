"""Wow and flutter from a steady tone that was played by the machine.

The tone's frequency against time (see `tapecalc.measuring.tone`) is freed of mean and drift and, rate by
rate, of the noise of the recording, which deviates too, more so at high rates. Then it is weighted and read.

When the tone was recorded and played at once, the deviation is that of two speeds one delay apart: a wobble
of rate f appears with the factor ``2 |sin(pi f T)|``. Where the factor is large enough it is divided out.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapecalc.calc.flutter import null_rates, weighting_db
from tapecalc.calc.quantity import Delay, Frequency, calculator
from tapecalc.calc.standards import FLUTTER_TONE, TWO_SIGMA_COVERAGE
from tapecalc.measuring.dsp import power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, ClockTolerance, Estimate, student
from tapecalc.measuring.flutter_lines import (
    HIGHEST_RATE,
    LOWEST_RATE,
    VISIBLE,
    DeviationSpectrum,
    SteadyWobbles,
    comb,
    find_lines,
)
from tapecalc.measuring.needle import NEEDLE_TOLERANCE, quasi_peak
from tapecalc.measuring.recording import Recording, channel_health
from tapecalc.measuring.tone import RATE, TonePiece, find_carrier, steady_pieces, white_density

Array = NDArray[np.floating[Any]]

#: How the tone came to be played.
RECORD_MODES = {
    "simultaneous": "recorded and played at once on this machine",
    "later": "recorded on this machine and played later",
    "test tape": "from a test tape of another machine",
}


@dataclass(frozen=True)
class FlutterLine:
    """One steady wobble in the flutter spectrum, depths zero to peak as fractions of speed.

    Source: Publication 570 of M.R.L. on record-and-replay tests (0 to 2 times one element).
    """

    rate: Estimate  # Hz
    depth: Estimate  # as read
    comb: float  # the factor with which this recording shows that rate; 1 for a test tape
    element_depth: Estimate | None  # the machine's own; None where it cannot be told


@dataclass(frozen=True, eq=False)
class FlutterReading:
    """Wow and flutter of a tone, as fractions of speed (0.001 is +/- 0.1 %).

    The first five readings are of the time recorded, less its ends; record for longer to know more. The
    uncertainty of `quasi_peak` holds what two meters that both comply may differ by. Source: AES6-2008,
    IEC 60386.
    """

    weighted: Estimate  # two-sigma
    weighted_rms: Estimate
    unweighted: Estimate  # two-sigma, 0.2 to 200 Hz
    unweighted_rms: Estimate
    quasi_peak: Estimate  # the highest that the needle of a weighted meter goes
    tone: Estimate  # mean frequency, Hz
    speed_error: Estimate | None  # mean speed against nominal; None where the tone cannot tell
    drift: Estimate  # steady change of speed, fraction per second
    duration: float  # s of steady tone that were read
    noise: float  # rms of the deviation that the recording's noise made, which is taken off above
    rate: Array  # of the flutter spectrum, Hz
    depth: Array  # zero to peak, of a steady wobble of that rate
    lines: tuple[FlutterLine, ...]  # what stands out of the spectrum, the deepest first
    time: Array  # s, the first minute or two
    deviation: Array  # noise included
    record_mode: str  # a key of `RECORD_MODES`
    sentences: tuple[str, ...] = ()

    def peaks(self, *, least: float = 0.0) -> list[tuple[float, float]]:
        """List rate and depth, the machine's own where it can be told, of lines at least so deep as read."""
        return [
            (line.rate.value, (line.element_depth or line.depth).value)
            for line in self.lines
            if line.depth.value >= least
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file."""
        readings = ("weighted", "weighted_rms", "unweighted", "unweighted_rms", "quasi_peak", "tone", "drift")
        return {
            **{name: getattr(self, name).to_dict() for name in readings},
            "speed_error": None if self.speed_error is None else self.speed_error.to_dict(),
            "duration": float(self.duration),
            "noise": float(self.noise),
            "taken": RECORD_MODES[self.record_mode],
            "lines": [asdict(line) for line in self.lines],
            "sentences": list(self.sentences),
        }


SHORTEST = 5.0  # s. Source: AES6-2008, observation time of the two-sigma method


@calculator
def measure_flutter(
    recording: Recording,
    *,
    tone: Frequency[float] = FLUTTER_TONE,
    record_mode: str = "simultaneous",
    delay: Delay[float] | None = None,
    clock_tolerance: ClockTolerance[float] = 1e-4,
) -> FlutterReading:
    """Measure wow and flutter from 5 s or more of a steady tone; 60 s for rates below 1 Hz.

    Parameters
    ----------
    tone : float, optional
        Nominal frequency, Hz; the real one is found by itself.
    record_mode : str, optional
        A key of `RECORD_MODES`.
    delay : float, optional
        Of the head that played the tone, s; needed to correct a tone recorded and played at once.

    Notes
    -----
    Source: AES6-2008 = IEC 60386 for tone, weighting and the two-sigma reading.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> t = np.arange(10 * 16000) / 16000
    >>> wobble = 0.001 * np.cos(2 * np.pi * 4 * t) / (2 * np.pi * 4)
    >>> tape = open_recording(0.5 * np.sin(2 * np.pi * 3150 * (t + wobble)), sample_rate=16000)
    >>> round(100 * measure_flutter(tape, record_mode="test tape").weighted.value, 3)  # percent
    0.1
    """
    if record_mode not in RECORD_MODES:
        raise ValueError(f"record_mode must be one of {', '.join(RECORD_MODES)}, got {record_mode!r}")
    health = channel_health(recording, "playback")
    if health.empty:
        raise CannotTell("the playback channel is empty")
    _require_length(recording.duration)
    carrier = find_carrier(recording, health.loudest)
    comb_delay = delay if record_mode == "simultaneous" else None
    pieces: list[_PieceReading] = []
    for piece in steady_pieces(recording, carrier, health.whole):
        # Clipping takes noise out of the amplitude and leaves it in the phase.
        seen = piece._replace(noise=np.inf) if health.clipped else piece
        reading, deviation = _read_piece(seen, comb_delay)
        if not pieces:
            first = piece.time, deviation
        pieces.append(reading)
    duration = sum(piece.seconds for piece in pieces)
    _require_length(duration)
    weighted, weighted_rms, _ = _pool_bands([piece.weighted for piece in pieces])
    unweighted, unweighted_rms, noise = _pool_bands([piece.unweighted for piece in pieces])
    mean, drift = _mean_and_drift(pieces)
    rate, depth, lines = _lines(pieces, record_mode, delay, clock_tolerance)
    sentences = [*health.sentences(), *_mode_sentences(record_mode, delay)]
    if record_mode == "simultaneous" and delay is not None and any(n.element_depth is None for n in lines):
        sentences.append(
            "Some lines stand where the recording hides them almost wholly; their own depth is not given."
        )
    if noise > unweighted_rms.value:
        sentences.append(
            "The noise of the recording is larger than the flutter; the readings are upper bounds at best."
        )
    return FlutterReading(
        weighted=weighted,
        weighted_rms=weighted_rms,
        unweighted=unweighted,
        unweighted_rms=unweighted_rms,
        quasi_peak=_needle_estimate(max(piece.weighted.needle for piece in pieces), weighted),
        tone=mean,
        speed_error=_speed_error(mean, tone, clock_tolerance) if record_mode == "test tape" else None,
        drift=drift,
        duration=duration,
        noise=noise,
        rate=rate,
        depth=depth,
        lines=lines,
        time=first[0],
        deviation=first[1],
        record_mode=record_mode,
        sentences=tuple(sentences),
    )


def _require_length(duration: float) -> None:
    """Refuse a tone that is too short."""
    if duration < SHORTEST:
        raise CannotTell(f"there are only {duration:.1f} s of a steady tone, and it takes {SHORTEST:g} s")


# ---- one piece of tone ----


class _Powers(NamedTuple):
    """Mean squares of a deviation in one band."""

    kept: float  # above the noise, rate by rate
    shut: float  # above the noise at the rates that the gate shut out
    noise: float  # taken off
    ends: float  # that the ends change, where unsteady wobbles go on unknown


class _Variances(NamedTuple):
    """Squares of standard uncertainties in one band."""

    power: float  # of the mean square
    shut: float  # of its part that the gate shut out
    peak: float  # of the two-sigma value
    noise: float  # of the noise taken off, as far as its density is not known


class _BandReading(NamedTuple):
    """What one piece tells in one band, with the weighting or flat."""

    seconds: float
    powers: _Powers
    variances: _Variances
    histogram: NDArray[np.int32]
    needle: float  # its highest; 0 without the weighting


class _PieceReading(NamedTuple):
    """What one piece of steady tone tells."""

    middle: float  # s
    seconds: float
    mean: float  # Hz
    drift: float  # 1/s
    half_widths: tuple[float, float]  # of mean, relative, and drift
    spectrum: DeviationSpectrum
    weighted: _BandReading
    unweighted: _BandReading


def _read_piece(tone: TonePiece, delay: float | None) -> tuple[_PieceReading, Array]:
    """Analyze one piece, and give its deviation too; `delay` is that after which a wobble meets itself."""
    # Under a bell, wobbles that go round a few times leave nothing in mean and slope.
    bell = np.hanning(len(tone.time) + 2)[1:-1]
    middle = float(tone.time.mean())
    time = tone.time - middle
    for_mean, for_slope = bell / bell.sum(), bell * time / (bell @ time**2)
    mean, slope = float(for_mean @ tone.frequency), float(for_slope @ tone.frequency)
    deviation = (tone.frequency - slope * time) / mean - 1
    seconds = len(deviation) / RATE
    density, u_density = _noise_density(tone.noise / mean**2, white_density(deviation, 2), seconds)
    spectrum = DeviationSpectrum.of(deviation, density, delay)
    steady = spectrum.fit(find_lines(spectrum.power, spectrum.noise, spectrum.step))
    slow = _slow_density(deviation - steady.deviation(time), for_mean, density, delay)
    half_widths = (
        _trend_half_width(for_mean, density, slow, delay),
        _trend_half_width(for_slope, density, slow, delay),
    )
    extended = _Extended.of(deviation, steady)
    weighted, unweighted = (
        _read_band(extended, density, u_density, slow, delay, weighted=weighted) for weighted in (True, False)
    )
    reading = _PieceReading(middle, seconds, mean, slope / mean, half_widths, spectrum, weighted, unweighted)
    return reading, deviation


#: Relative standard uncertainty of a median over the noise band, times sqrt(s): 1 / (ln 2 sqrt(n)), of
#: n = 180 Hz bins a second under a bell, of which one in 1.94 is independent.
U_MEDIAN = 0.15
APART = 2.1  # standard uncertainties (3 over sqrt(2)) by which two readings of the noise may differ


def _noise_density(of_amplitude: float, of_phase: float, seconds: float) -> tuple[float, float]:
    """Density of the phase noise from two readings, and its relative standard uncertainty.

    Noise shakes phase and amplitude alike, while a tape's own level wobble only ever adds to the latter, and
    flutter to the former: the mean of the two, or the lower one where chance cannot part them.
    """
    u_median = U_MEDIAN / np.sqrt(seconds)
    if abs(of_amplitude - of_phase) < APART * u_median * (of_amplitude + of_phase):
        return (of_amplitude + of_phase) / 2, u_median / np.sqrt(2)
    return min(of_amplitude, of_phase), u_median


def _slow_density(unsteady: Array, bell: Array, density: float, delay: float | None) -> float:
    """Density of the slowest wobble that can be told from the mean, two and three turns in the time."""
    count = len(unsteady)
    turns = np.array([2, 3])
    waves = np.exp(-2j * np.pi * np.outer(turns, np.arange(count) / count))
    power = np.mean(np.abs(waves @ (bell * unsteady)) ** 2) / (bell @ bell * RATE / 2)
    # Noise at these rates, of which the bell is a third of a turn wide.
    power -= density * ((4 + 9) / 2 + 1 / 3) * (RATE / count) ** 2
    return max(float(power / np.mean(comb(turns * RATE / count, delay) ** 2)), 0.0)


#: Student's t for 95 %: two neighboring bins under a bell hold 2.8 independent squares.
SLOW_FACTOR = 3.3


def _trend_half_width(weights: Array, density: float, slow: float, delay: float | None) -> float:
    """95 % half width that phase noise and slow wobble leave in a weighted sum of deviations."""
    # A deviation is the slope of the phase over the tone, so that the weights' slopes count.
    steps = np.diff(weights, prepend=0.0, append=0.0)
    u_noise = np.sqrt(density * RATE**3 * (steps @ steps) / (8 * np.pi**2))
    length = 2 * len(weights)
    at_each_rate = slow * comb(fft.rfftfreq(length, 1 / RATE), delay) ** 2
    u_slow = np.sqrt(_sum_variance(weights, at_each_rate, length))
    return float(np.hypot(COVERAGE_FACTOR * u_noise, SLOW_FACTOR * u_slow))


def _sum_variance(weights: Array, density: Array, length: int) -> float:
    """Variance that noise of a density (per Hz, against rate) gives a weighted sum."""
    return float(power_spectrum(fft.rfft(weights, length)) @ density * RATE / length)


# ---- the deviation without its noise ----

BEYOND = 5  # s that a deviation is continued at both ends
SMOOTH, GATE = 9, 3.0  # bins averaged, and their power over the noise, before a rate counts as flutter
FINER = 4  # times the rate for the distribution of the deviation, whose steep parts leave few samples
EDGE = (0.5, 3.0)  # s left out at the ends, where the weighting settles: a tenth, within these


@dataclass(frozen=True, eq=False)
class _Extended:
    """Spectra of a deviation that goes on beyond its ends: steady wobbles as they are, the rest mirrored."""

    count: int  # values of the deviation itself
    time: Array  # s from the middle
    wobbles: SteadyWobbles
    steady: NDArray[np.complex128]
    rest: NDArray[np.complex128]

    @classmethod
    def of(cls, deviation: Array, wobbles: SteadyWobbles) -> "_Extended":
        """Continue a deviation."""
        count = len(deviation)
        pad = min(BEYOND * RATE, count - 1)
        time = (np.arange(-pad, count + pad) - (count - 1) / 2) / RATE
        steady = wobbles.deviation(time)
        rest = np.pad(deviation - steady[pad : pad + count], pad, mode="reflect")
        return cls(count, time, wobbles, fft.rfft(steady), fft.rfft(rest))

    def density(self, spectrum: NDArray[np.complex128]) -> Array:
        """One-sided power density of a spectrum, per Hz."""
        return np.abs(spectrum) ** 2 * 2 / (RATE * len(self.time))


def _band_gain(rate: Array, *, weighted: bool) -> Array:
    """Gain of the band in which flutter is read."""
    inside = (rate >= LOWEST_RATE / 2) & (rate <= HIGHEST_RATE)
    gain = inside.astype(float)
    if weighted and np.any(inside):
        gain[inside] = 10 ** (weighting_db(rate[inside]) / 20)
    return gain


NEEDLE_STEP = 2  # values from one that a needle is shown to the next


def _read_band(
    extended: _Extended, density: float, u_density: float, slow: float, delay: float | None, *, weighted: bool
) -> _BandReading:
    """Free a deviation from its noise in one band, and read it."""
    count, length = extended.count, len(extended.time)
    rate = fft.rfftfreq(length, 1 / RATE)
    step = rate[1]
    gain = _band_gain(rate, weighted=weighted)
    power, noise = extended.density(extended.rest + extended.steady), density * rate**2
    smooth = np.convolve(power, np.ones(SMOOTH) / SMOOTH, "same")
    keep = np.sqrt(np.clip(1 - noise / np.maximum(smooth, 1e-300), 0, 1)) * (smooth > GATE * noise)

    # A steady wobble passes at its own rate: bins would spread it over the corners of the weighting.
    wobbles = extended.wobbles
    passed = replace(wobbles, value=wobbles.value * _band_gain(wobbles.rate, weighted=weighted))
    shown = extended.rest * gain * keep + fft.rfft(passed.deviation(extended.time))
    edge = (length - count) // 2 + int(np.clip(count / 10, EDGE[0] * RATE, EDGE[1] * RATE))
    fine = FINER * fft.irfft(shown, FINER * length)[FINER * edge : FINER * (length - edge)]
    clean = fine[::FINER]
    seconds = len(clean) / RATE

    # A bin's power errs by sqrt(2 signal noise + noise^2); there are as many apart as seconds in 1 Hz.
    error = gain**4 * noise * np.maximum(2 * power - noise, noise) * step / seconds
    # Broad flutter that the gate shut out is power above the noise, and counts.
    out = keep == 0
    shut, u_shut = float(np.sum((gain**2 * (power - noise))[out]) * step), float(np.sqrt(np.sum(error[out])))
    missing = gain**2 * np.maximum(smooth - noise, 0.0) * out
    missing *= min(max(shut - u_shut, 0.0) / max(float(np.sum(missing)) * step, 1e-30), 1.0)
    # At the ends, unsteady wobbles go on unknown.
    unknown = gain[1:] ** 2 * extended.density(extended.rest)[1:]
    ends = float(np.sum(unknown / rate[1:]) * step / (4 * np.pi * seconds))
    # What goes round less than twice in the time was taken for mean and slope in part.
    vague = np.where(rate < 2 * RATE / count, slow * (comb(rate, delay) * gain) ** 2, 0.0)
    vague2 = float(np.sum(vague) * step) ** 2

    taken_off = float(np.sum(gain**2 * noise) * step)
    variances = _Variances(
        power=float(np.sum(error)) + vague2 + _sum_variance(2 * clean / len(clean), vague, length),
        shut=u_shut**2 + vague2,
        peak=_peak_variance(clean, gain**2 * noise * ~out + missing + vague, length),
        noise=(u_density * taken_off) ** 2,
    )
    powers = _Powers(float(np.mean(fine**2)), shut, taken_off, ends)
    needle = quasi_peak(clean[::NEEDLE_STEP], RATE / NEEDLE_STEP) if weighted else 0.0
    return _BandReading(count / RATE, powers, variances, _histogram(fine), needle)


DRAWS = 16  # times noise is drawn to see what it does
NEAR = 0.02  # of a two-sigma value, how near a deviation is to it to decide it


def _peak_variance(deviation: Array, density: Array, length: int) -> float:
    """Variance that noise of a density (per Hz, against rate) and the counting give a two-sigma value.

    Noise is drawn and added a few times: near the tops of a slow wobble no straight line tells what it
    does. Student's t for the number of draws stands in the place of the usual 2.
    """
    rng = np.random.default_rng(DRAWS)
    half, seen = length // 2, deviation[::2]  # 200 Hz and less need no more
    size = np.sqrt(density[: half // 2 + 1] * RATE * length / 4) * half / length
    noise = rng.standard_normal((2, DRAWS, len(size)))
    drawn = fft.irfft(size * (noise[0] + 1j * noise[1]), half, axis=1)[:, : len(seen)]
    peaks = np.quantile(np.abs(seen + drawn), TWO_SIGMA_COVERAGE, axis=1)
    by_noise = np.var(peaks, ddof=1) * student(DRAWS - 1) ** 2
    # The value is read from the time spent above it, which is counted in whole steps at each crossing.
    size = np.abs(deviation)
    peak = float(np.quantile(size, TWO_SIGMA_COVERAGE))
    near = max(int(np.count_nonzero(np.abs(size - peak) < NEAR * peak)), 1)
    crossings = np.count_nonzero(np.diff(size > peak))
    by_steps = crossings / 12 / FINER**2 / (near / (2 * NEAR * peak + 1e-300)) ** 2
    return float(by_noise + by_steps)


# ---- all pieces together ----

FLOOR = 1e-4  # relative uncertainty that the arithmetic leaves in any reading
EDGES = 0.3  # of what an unfinished turn of the slowest wobble changes in a reading


def _pool_bands(bands: Sequence[_BandReading]) -> tuple[Estimate, Estimate, float]:
    """Two-sigma value and rms of one band over all pieces, and the rms of the noise taken off."""
    seconds = np.array([band.seconds for band in bands])
    share = seconds / seconds.sum()
    powers = _Powers(*(share @ np.array([band.powers for band in bands])))
    variances = _Variances(*(share**2 @ np.array([band.variances for band in bands])))
    power = max(powers.kept + powers.shut, 0.0)
    common = variances.noise + (EDGES * powers.ends) ** 2
    u_power = float(np.sqrt(variances.power + common + (FLOOR * power) ** 2))
    rms = Estimate(float(np.sqrt(power)), _root_half_width(power, u_power))
    # What the gate shut out broadens the distribution as it adds to the power.
    broader = float(np.sqrt(power / powers.kept)) if powers.kept > 0 else 1.0
    peak = _quantile(np.sum([band.histogram for band in bands], axis=0), TWO_SIGMA_COVERAGE)
    u_broader = float(np.sqrt(variances.shut + common)) / max(power, 1e-30)
    spread = np.hypot(COVERAGE_FACTOR * np.sqrt(variances.peak), FLOOR * peak)
    spread = broader * np.hypot(spread, _root_half_width(1.0, u_broader) * peak)
    return Estimate(broader * peak, float(spread) + 1e-12), rms, float(np.sqrt(powers.noise))


def _root_half_width(square: float, sigma: float) -> float:
    """95 % half width of a root whose square has the standard uncertainty `sigma`."""
    root = np.sqrt(square)
    upper, lower = square + COVERAGE_FACTOR * sigma, max(square - COVERAGE_FACTOR * sigma, 0.0)
    return float(max(np.sqrt(upper) - root, root - np.sqrt(lower)) + 1e-12)


BUCKETS, BUCKET = 40000, 5e-4  # buckets of the distribution, and their width in logarithm
LEAST = np.log(1e-9) / BUCKET  # of the lowest one, in buckets


def _histogram(deviation: Array) -> NDArray[np.int32]:
    """How many magnitudes are in each bucket."""
    bucket = np.log(np.abs(deviation) + 1e-300) / BUCKET - LEAST
    return np.bincount(np.clip(bucket, 0, BUCKETS - 1).astype(int), minlength=BUCKETS).astype(np.int32)


def _quantile(counts: NDArray[np.int_], share: float) -> float:
    """Value below which `share` of the counted magnitudes lie, along straight lines within a bucket."""
    total = np.cumsum(counts)
    wanted = share * total[-1]
    bucket = int(np.searchsorted(total, wanted))
    part = (wanted - total[bucket] + counts[bucket]) / counts[bucket]
    return float(np.exp((LEAST + bucket + part) * BUCKET))


def _needle_estimate(needle: float, weighted: Estimate) -> Estimate:
    """How high the needle goes, as sure as the weighted reading, and as two meters need agree."""
    known = weighted.uncertainty / max(weighted.value, 1e-30) / COVERAGE_FACTOR
    return Estimate(needle, Estimate.half_width(min(known, 1.0) * needle, NEEDLE_TOLERANCE * needle) + 1e-12)


def _speed_error(mean: Estimate, tone: float, clock_tolerance: float) -> Estimate:
    """Mean speed against nominal, of a tone from a test tape."""
    sigma, ratio = mean.uncertainty / COVERAGE_FACTOR / tone, mean.value / tone
    return Estimate(ratio - 1, Estimate.half_width(sigma, ratio * clock_tolerance))


def _mean_and_drift(pieces: Sequence[_PieceReading]) -> tuple[Estimate, Estimate]:
    """Mean frequency and steady change of speed, by the interface's clock."""
    count, seconds = len(pieces), np.array([piece.seconds for piece in pieces])
    share = seconds / seconds.sum()
    means = np.array([piece.mean for piece in pieces])
    of_means, of_drifts = np.array([piece.half_widths for piece in pieces]).T
    mean = float(share @ means)
    spread = float(np.sqrt(share**2 @ of_means**2))
    if count > 2:
        # Whole pieces tell how far they scatter.
        time = np.array([piece.middle for piece in pieces])
        factor = COVERAGE_FACTOR * student(count - 2)
        since = time - share @ time
        weight = share * since / (share @ since**2)
        slope = float(weight @ means / mean)
        rest = means / mean - 1 - slope * since
        scatter = np.sqrt(share @ rest**2 * count / (count - 2))
        spread = max(spread, float(factor * scatter * np.sqrt(share @ share)))
        drift = Estimate(slope, float(factor * scatter * np.sqrt(weight @ weight)), "1/s")
    else:
        drifts = np.array([piece.drift for piece in pieces])
        drift = Estimate(float(share @ drifts), float(np.sqrt(share**2 @ of_drifts**2)), "1/s")
    return Estimate(mean, mean * spread, "Hz"), drift


# ---- the lines ----

TINIEST = 1e-9  # depth that the arithmetic leaves in a line


def _lines(
    pieces: Sequence[_PieceReading], record_mode: str, delay: float | None, clock_tolerance: float
) -> tuple[Array, Array, tuple[FlutterLine, ...]]:
    """Rate and depth of the flutter spectrum, and the lines that stand out of it."""
    first = pieces[0].spectrum
    # All pieces but the last are of one length.
    spectra = [p.spectrum for p in pieces if len(p.spectrum.value) == len(first.value)]
    power = np.mean([spectrum.power for spectrum in spectra], axis=0)
    noise = np.mean([spectrum.noise for spectrum in spectra], axis=0)
    tops = find_lines(power, noise, first.step)
    fits = [spectrum.fit(tops) for spectrum in spectra]
    lines = []
    for n in range(len(tops)):
        rate, u_rate = _pooled([fit.rate[n] for fit in fits], [fit.u_rate[n] for fit in fits])
        depth, u_depth = _pooled([fit.depth[n] for fit in fits], [fit.u_depth[n] for fit in fits])
        rate_estimate = Estimate(rate, Estimate.half_width(u_rate, rate * clock_tolerance), "Hz")
        depth_estimate = Estimate(depth, COVERAGE_FACTOR * u_depth + TINIEST)
        lines.append(_line(rate_estimate, depth_estimate, record_mode, delay))
    deepest_first = tuple(sorted(lines, key=lambda line: -line.depth.value))
    return first.step * np.arange(len(power)), np.sqrt(power), deepest_first


def _pooled(values: Sequence[float], sigmas: Sequence[float]) -> tuple[float, float]:
    """Mean of what the pieces say, and its standard uncertainty: as stated, or as they scatter."""
    count = len(values)
    stated = np.sqrt(np.mean(np.square(sigmas)) / count)
    scatter = np.std(values, ddof=1) / np.sqrt(count) if count > 1 else 0.0
    return float(np.mean(values)), float(max(stated, scatter))


def _line(rate: Estimate, depth: Estimate, record_mode: str, delay: float | None) -> FlutterLine:
    """A line, with the machine's own depth where the recording shows it."""
    factor, slope = 1.0, 0.0
    if record_mode == "simultaneous":
        if delay is None:
            return FlutterLine(rate, depth, 0.0, None)
        factor = float(comb(rate.value, delay))
        # A little off in rate, the comb is a little off too.
        slope = 2 * np.pi * delay * abs(np.cos(np.pi * rate.value * delay))
    if record_mode == "later" or factor < VISIBLE:
        return FlutterLine(rate, depth, factor, None)
    spread = np.hypot(depth.uncertainty / factor, depth.value * slope * rate.uncertainty / factor**2)
    return FlutterLine(rate, depth, factor, Estimate(depth.value / factor, float(spread)))


# ---- in words ----


def _mode_sentences(record_mode: str, delay: float | None) -> list[str]:
    """What a tone that was recorded here cannot tell."""
    if record_mode == "later":
        return [
            "The tone was recorded on the same machine and played later: the reading is anything from 0 to "
            "2 times the machine's own flutter, and no correction is possible."
        ]
    if record_mode == "test tape":
        return []
    sentences = [
        "The tone was recorded and played at once: its mean frequency says nothing about the tape's speed."
    ]
    if delay is None:
        sentences.append("Give the delay to have the flutter of the machine itself worked out line by line.")
    elif len(hidden := null_rates(delay, 20.0)):
        rates = ", ".join(f"{rate:.2f}" for rate in hidden[:5])
        sentences.append(
            f"A wobble at {rates} Hz (whole numbers of turns per delay) does not show in this recording."
        )
    return sentences
