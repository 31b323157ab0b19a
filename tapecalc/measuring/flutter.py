"""Wow and flutter from a steady tone that was played by the machine.

The tone's frequency against time (see `tapecalc.measuring.tone`) is freed of mean and drift and, rate by
rate, of the noise of the recording, which deviates too, more so at high rates. Then it is weighted and read.

When the tone was recorded and played at once, the deviation is that of two speeds one delay apart: a wobble
of rate f appears with the factor ``2 |sin(pi f T)|``. Where the factor is large enough it is divided out.
"""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapecalc.calc.flutter import null_rates, weighting_db
from tapecalc.calc.quantity import Delay, Frequency, calculator
from tapecalc.calc.standards import FLUTTER_TONE, TWO_SIGMA_COVERAGE
from tapecalc.measuring import flutter_lines
from tapecalc.measuring.dsp import power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, ClockTolerance, Estimate, student
from tapecalc.measuring.flutter_lines import DeviationSpectrum, SteadyWobbles, comb, find_lines
from tapecalc.measuring.needle import NEEDLE_TOLERANCE, quasi_peak
from tapecalc.measuring.recording import Recording, channel_health
from tapecalc.measuring.tone import RATE, find_carrier, steady_pieces, white_density

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
    drift: Estimate  # steady change of speed, fraction per second
    speed_error: Estimate | None  # mean speed against nominal; None where the tone cannot tell
    duration: float  # s of steady tone that were read
    noise: float  # rms of the deviation that the recording's noise made, which is taken off above
    record_mode: str  # a key of `RECORD_MODES`
    lines: tuple[FlutterLine, ...]  # what stands out of the spectrum, the deepest first
    sentences: tuple[str, ...]
    rate: Array  # of the flutter spectrum, Hz
    depth: Array  # zero to peak, of a steady wobble of that rate
    time: Array  # s, the first minute or two
    deviation: Array  # noise included

    def peaks(self, *, least: float = 0.0) -> list[tuple[float, float]]:
        """List rate and depth, the machine's own where it can be told, of lines at least so deep as read."""
        return [
            (line.rate.value, (line.element_depth or line.depth).value)
            for line in self.lines
            if line.depth.value >= least
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file, without the arrays."""
        data = asdict(self) | {"record_mode": RECORD_MODES[self.record_mode]}
        arrays = ("rate", "depth", "time", "deviation")
        return {{"record_mode": "taken"}.get(k, k): v for k, v in data.items() if k not in arrays}


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
    pieces: list[_Piece] = []
    for time, frequency, noise in steady_pieces(recording, carrier, health.whole):
        # Clipping takes noise out of the amplitude and leaves it in the phase.
        piece, deviation = _read_piece(time, frequency, np.inf if health.clipped else noise, comb_delay)
        pieces.append(piece)
        if len(pieces) == 1:
            first = time, deviation
    seconds = np.array([piece.seconds for piece in pieces])
    _require_length(seconds.sum())
    share = seconds / seconds.sum()
    (weighted, weighted_rms, _), (unweighted, unweighted_rms, noise) = (
        _pool_bands(bands, share) for bands in zip(*(piece.bands for piece in pieces), strict=True)
    )
    mean, drift = _mean_and_drift(pieces, share)
    rate, depth, lines = _lines(pieces, record_mode, delay, clock_tolerance)
    noisy = noise > unweighted_rms.value
    return FlutterReading(
        weighted=weighted,
        weighted_rms=weighted_rms,
        unweighted=unweighted,
        unweighted_rms=unweighted_rms,
        quasi_peak=_needle_estimate(max(piece.bands[0].needle for piece in pieces), weighted),
        tone=mean,
        drift=drift,
        speed_error=_speed_error(mean, tone, clock_tolerance) if record_mode == "test tape" else None,
        duration=float(seconds.sum()),
        noise=noise,
        record_mode=record_mode,
        lines=lines,
        sentences=(*health.sentences(), *_sentences(record_mode, delay, lines, noisy=noisy)),
        rate=rate,
        depth=depth,
        time=first[0],
        deviation=first[1],
    )


def _require_length(duration: float) -> None:
    """Refuse a tone that is too short."""
    if duration < SHORTEST:
        raise CannotTell(f"there are only {duration:.1f} s of a steady tone, and it takes {SHORTEST:g} s")


# ---- one piece of tone ----


class _Band(NamedTuple):
    """What one piece tells in one band, with the weighting or flat."""

    # Mean squares: above the noise, rate by rate; above it at the rates that the gate shut out; of the noise
    # that was taken off; and that the ends change, where unsteady wobbles go on unknown.
    powers: tuple[float, float, float, float]
    # Squares of standard uncertainties: of the mean square; of its part that the gate shut out; of the
    # two-sigma value; of the noise taken off, as far as its density is not known.
    variances: tuple[float, float, float, float]
    histogram: NDArray[np.int32]
    needle: float  # its highest; 0 without the weighting


class _Piece(NamedTuple):
    """What one piece of steady tone tells."""

    middle: float  # s
    seconds: float
    mean: float  # Hz
    drift: float  # 1/s
    half_widths: tuple[float, ...]  # of mean, relative, and drift
    spectrum: DeviationSpectrum
    bands: tuple[_Band, ...]  # weighted and flat


def _read_piece(time: Array, frequency: Array, noise: float, delay: float | None) -> tuple[_Piece, Array]:
    """Analyze one piece, and give its deviation too; `delay` is that after which a wobble meets itself."""
    # Under a bell, wobbles that go round a few times leave nothing in mean and slope.
    bell = np.hanning(len(time) + 2)[1:-1]
    middle = float(time.mean())
    time = time - middle
    weights = bell / bell.sum(), bell * time / (bell @ time**2)
    mean, slope = (float(weight @ frequency) for weight in weights)
    deviation = (frequency - slope * time) / mean - 1
    seconds = len(deviation) / RATE
    density, u_density = _noise_density(noise / mean**2, white_density(deviation, 2), seconds)
    spectrum = DeviationSpectrum.of(deviation, density, delay)
    steady = spectrum.fit(find_lines(spectrum.power, spectrum.noise, spectrum.step))
    slow = _slow_density(deviation - steady.deviation(time), weights[0], density, delay)
    half_widths = tuple(_trend_half_width(weight, density, slow, delay) for weight in weights)
    bands = _read_bands(deviation, steady, density, u_density, slow, delay)
    return _Piece(middle, seconds, mean, slope / mean, half_widths, spectrum, bands), deviation


def _noise_density(of_amplitude: float, of_phase: float, seconds: float) -> tuple[float, float]:
    """Density of the phase noise from two readings, and its relative standard uncertainty.

    Noise shakes phase and amplitude alike, while a tape's own level wobble only ever adds to the latter, and
    flutter to the former: the mean of the two, or the lower one where chance cannot part them.
    """
    # Of a median over the noise band: 1 / (ln 2 sqrt(n)), of n = 180 Hz bins a second under a bell, of which
    # one in 1.94 is independent.
    u_median = 0.15 / np.sqrt(seconds)
    # Two readings may differ by 2.1 (3 over sqrt(2)) standard uncertainties.
    if abs(of_amplitude - of_phase) < 2.1 * u_median * (of_amplitude + of_phase):
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


def _band_gain(rate: Array, *, weighted: bool) -> Array:
    """Gain of the band in which flutter is read."""
    lowest, highest = flutter_lines.LOWEST_RATE / 2, flutter_lines.HIGHEST_RATE
    gain = ((rate >= lowest) & (rate <= highest)).astype(float)
    return (
        gain * 10 ** (weighting_db(np.clip(rate, lowest, highest)) / 20) if weighted and len(rate) else gain
    )


def _read_bands(
    deviation: Array,
    wobbles: SteadyWobbles,
    density: float,
    u_density: float,
    slow: float,
    delay: float | None,
) -> tuple[_Band, ...]:
    """Free a deviation from its noise, and read it with the weighting and flat."""
    # Beyond its ends, steady wobbles go on as they are; the rest is mirrored.
    count = len(deviation)
    pad = min(BEYOND * RATE, count - 1)
    time = (np.arange(-pad, count + pad) - (count - 1) / 2) / RATE
    length = len(time)
    steady = wobbles.deviation(time)
    unsteady = fft.rfft(np.pad(deviation - steady[pad : pad + count], pad, mode="reflect"))
    power, unknown = (
        power_spectrum(part) * 2 / (RATE * length) for part in (unsteady + fft.rfft(steady), unsteady)
    )
    rate = fft.rfftfreq(length, 1 / RATE)
    step = float(rate[1])
    noise = density * rate**2
    smooth = np.convolve(power, np.ones(SMOOTH) / SMOOTH, "same")
    keep = np.sqrt(np.clip(1 - noise / np.maximum(smooth, 1e-300), 0, 1)) * (smooth > GATE * noise)
    out = keep == 0
    edge = pad + int(np.clip(count / 10, EDGE[0] * RATE, EDGE[1] * RATE))
    seconds = (length - 2 * edge) / RATE

    def read(*, weighted: bool) -> _Band:
        gain = _band_gain(rate, weighted=weighted)
        # A steady wobble passes at its own rate: bins would spread it over the corners of the weighting.
        passed = replace(wobbles, value=wobbles.value * _band_gain(wobbles.rate, weighted=weighted))
        shown = unsteady * gain * keep + fft.rfft(passed.deviation(time))
        fine = FINER * fft.irfft(shown, FINER * length)[FINER * edge : FINER * (length - edge)]
        clean = fine[::FINER]
        # A bin's power errs by sqrt(2 signal noise + noise^2); there are as many apart as seconds in 1 Hz.
        error = gain**4 * noise * np.maximum(2 * power - noise, noise) * step / seconds
        # Broad flutter that the gate shut out is power above the noise, and counts.
        shut, u_shut = np.sum((gain**2 * (power - noise))[out]) * step, np.sqrt(np.sum(error[out]))
        missing = gain**2 * np.maximum(smooth - noise, 0.0) * out
        missing *= min(max(shut - u_shut, 0.0) / max(np.sum(missing) * step, 1e-30), 1.0)
        # At the ends, unsteady wobbles go on unknown.
        ends = np.sum(gain[1:] ** 2 * unknown[1:] / rate[1:]) * step / (4 * np.pi * seconds)
        # What goes round less than twice in the time was taken for mean and slope in part.
        vague = np.where(rate < 2 * RATE / count, slow * (comb(rate, delay) * gain) ** 2, 0.0)
        vague2 = (np.sum(vague) * step) ** 2
        taken_off = np.sum(gain**2 * noise) * step
        variances = (
            np.sum(error) + vague2 + _sum_variance(2 * clean / len(clean), vague, length),
            u_shut**2 + vague2,
            _peak_variance(clean, gain**2 * noise * ~out + missing + vague, length),
            (u_density * taken_off) ** 2,
        )
        # Every second value is enough for a needle.
        highest = quasi_peak(clean[::2], RATE / 2) if weighted else 0.0
        return _Band((np.mean(fine**2), shut, taken_off, ends), variances, _histogram(fine), highest)

    return read(weighted=True), read(weighted=False)


def _peak_variance(deviation: Array, density: Array, length: int) -> float:
    """Variance that noise of a density (per Hz, against rate) and the counting give a two-sigma value.

    Noise is drawn and added 16 times: near the tops of a slow wobble no straight line tells what it does.
    Student's t for the number of draws stands in the place of the usual 2.
    """
    draws = 16
    rng = np.random.default_rng(draws)
    half, seen = length // 2, deviation[::2]  # 200 Hz and less need no more
    size = np.sqrt(density[: half // 2 + 1] * RATE * length / 4) * half / length
    noise = rng.standard_normal((2, draws, len(size)))
    drawn = fft.irfft(size * (noise[0] + 1j * noise[1]), half, axis=1)[:, : len(seen)]
    peaks = np.quantile(np.abs(seen + drawn), TWO_SIGMA_COVERAGE, axis=1)
    by_noise = np.var(peaks, ddof=1) * student(draws - 1) ** 2
    # The value is read from the time spent above it, which is counted in whole steps at each crossing.
    size = np.abs(deviation)
    peak = np.quantile(size, TWO_SIGMA_COVERAGE)
    near = 0.02 * peak  # where a deviation decides it
    deciding = max(int(np.count_nonzero(np.abs(size - peak) < near)), 1)
    crossings = np.count_nonzero(np.diff(size > peak))
    return float(by_noise + crossings / 12 / FINER**2 / (deciding / (2 * near + 1e-300)) ** 2)


BUCKETS, BUCKET = 40000, 5e-4  # buckets of the distribution, and their width in logarithm
LEAST = np.log(1e-9) / BUCKET  # of the lowest one, in buckets


def _histogram(deviation: Array) -> NDArray[np.int32]:
    """How many magnitudes are in each bucket."""
    bucket = np.log(np.abs(deviation) + 1e-300) / BUCKET - LEAST
    return np.bincount(np.clip(bucket, 0, BUCKETS - 1).astype(int), minlength=BUCKETS).astype(np.int32)


# ---- all pieces together ----

FLOOR = 1e-4  # relative uncertainty that the arithmetic leaves in any reading


def _pool_bands(bands: Sequence[_Band], share: Array) -> tuple[Estimate, Estimate, float]:
    """Two-sigma value and rms of one band over all pieces, and the rms of the noise taken off."""
    kept, shut, noise, ends = share @ np.array([band.powers for band in bands])
    of_power, of_shut, of_peak, of_noise = share**2 @ np.array([band.variances for band in bands])
    power = max(kept + shut, 0.0)
    common = of_noise + (0.3 * ends) ** 2  # of what an unfinished turn of the slowest wobble changes
    rms_spread = _root_half_width(power, np.sqrt(of_power + common + (FLOOR * power) ** 2))
    # What the gate shut out broadens the distribution as it adds to the power.
    broader = np.sqrt(power / kept) if kept > 0 else 1.0
    counted = np.cumsum(np.sum([[0, *band.histogram] for band in bands], axis=0))
    bucket = np.interp(TWO_SIGMA_COVERAGE * counted[-1], counted, np.arange(BUCKETS + 1))
    peak = np.exp((LEAST + bucket) * BUCKET)
    spread = np.hypot(COVERAGE_FACTOR * np.sqrt(of_peak), FLOOR * peak)
    of_broader = _root_half_width(1.0, np.sqrt(of_shut + common) / max(power, 1e-30))
    two_sigma = Estimate(float(broader * peak), float(broader * np.hypot(spread, of_broader * peak)) + 1e-12)
    return two_sigma, Estimate(float(np.sqrt(power)), rms_spread), float(np.sqrt(noise))


def _root_half_width(square: float, sigma: float) -> float:
    """95 % half width of a root whose square has the standard uncertainty `sigma`."""
    root = np.sqrt(square)
    upper, lower = square + COVERAGE_FACTOR * sigma, max(square - COVERAGE_FACTOR * sigma, 0.0)
    return float(max(np.sqrt(upper) - root, root - np.sqrt(lower)) + 1e-12)


def _needle_estimate(needle: float, weighted: Estimate) -> Estimate:
    """How high the needle goes, as sure as the weighted reading, and as two meters need agree."""
    known = weighted.plus_minus / max(weighted.value, 1e-30) / COVERAGE_FACTOR
    return Estimate(needle, Estimate.half_width(min(known, 1.0) * needle, NEEDLE_TOLERANCE * needle) + 1e-12)


def _speed_error(mean: Estimate, tone: float, clock_tolerance: float) -> Estimate:
    """Mean speed against nominal, of a tone from a test tape."""
    sigma, ratio = mean.plus_minus / COVERAGE_FACTOR / tone, mean.value / tone
    return Estimate(ratio - 1, Estimate.half_width(sigma, ratio * clock_tolerance))


def _mean_and_drift(pieces: Sequence[_Piece], share: Array) -> tuple[Estimate, Estimate]:
    """Mean frequency and steady change of speed, by the interface's clock."""
    count = len(pieces)
    means = np.array([piece.mean for piece in pieces])
    mean = float(share @ means)
    drift = share @ np.array([piece.drift for piece in pieces])
    u_mean, u_drift = np.sqrt(share**2 @ np.array([piece.half_widths for piece in pieces]) ** 2)
    if count > 2:
        # Whole pieces tell how far they scatter.
        time = np.array([piece.middle for piece in pieces])
        since = time - share @ time
        weight = share * since / (share @ since**2)
        drift = weight @ means / mean
        rest = means / mean - 1 - drift * since
        scatter = COVERAGE_FACTOR * student(count - 2) * np.sqrt(share @ rest**2 * count / (count - 2))
        u_mean = max(u_mean, scatter * np.sqrt(share @ share))
        u_drift = scatter * np.sqrt(weight @ weight)
    return Estimate(mean, float(mean * u_mean), "Hz"), Estimate(float(drift), float(u_drift), "1/s")


# ---- the lines ----


def _lines(
    pieces: Sequence[_Piece], record_mode: str, delay: float | None, clock_tolerance: float
) -> tuple[Array, Array, tuple[FlutterLine, ...]]:
    """Rate and depth of the flutter spectrum, and the lines that stand out of it, the deepest first."""
    first = pieces[0].spectrum
    # All pieces but the last are of one length.
    spectra = [p.spectrum for p in pieces if len(p.spectrum.value) == len(first.value)]
    power = np.mean([spectrum.power for spectrum in spectra], axis=0)
    tops = find_lines(power, np.mean([spectrum.noise for spectrum in spectra], axis=0), first.step)
    fits = [spectrum.fit(tops) for spectrum in spectra]
    rates = _pooled([fit.rate for fit in fits], [fit.u_rate for fit in fits])
    depths = _pooled([fit.depth for fit in fits], [fit.u_depth for fit in fits])
    lines = []
    for rate, u_rate, depth, u_depth in zip(*rates, *depths, strict=True):
        rate_estimate = Estimate(rate, Estimate.half_width(u_rate, rate * clock_tolerance), "Hz")
        # The arithmetic leaves 1e-9.
        lines.append(
            _line(rate_estimate, Estimate(depth, COVERAGE_FACTOR * u_depth + 1e-9), record_mode, delay)
        )
    lines.sort(key=lambda line: -line.depth.value)
    return first.step * np.arange(len(power)), np.sqrt(power), tuple(lines)


def _pooled(values: Sequence[Array], sigmas: Sequence[Array]) -> tuple[list[float], list[float]]:
    """Mean of what the pieces say, and its standard uncertainty: as stated, or as they scatter."""
    count = len(values)
    stated = np.sqrt(np.mean(np.square(sigmas), axis=0) / count)
    scatter = np.std(values, axis=0, ddof=1) / np.sqrt(count) if count > 1 else 0.0
    return np.mean(values, axis=0).tolist(), np.maximum(stated, scatter).tolist()


def _line(rate: Estimate, depth: Estimate, record_mode: str, delay: float | None) -> FlutterLine:
    """A line, with the machine's own depth where the recording shows it."""
    factor, slope = 1.0, 0.0
    if record_mode == "simultaneous":
        if delay is None:
            return FlutterLine(rate, depth, 0.0, None)
        factor = float(comb(rate.value, delay))
        # A little off in rate, the comb is a little off too.
        slope = 2 * np.pi * delay * abs(np.cos(np.pi * rate.value * delay))
    if record_mode == "later" or factor < flutter_lines.VISIBLE:
        return FlutterLine(rate, depth, factor, None)
    spread = np.hypot(depth.plus_minus / factor, depth.value * slope * rate.plus_minus / factor**2)
    return FlutterLine(rate, depth, factor, Estimate(depth.value / factor, float(spread)))


def _sentences(
    record_mode: str, delay: float | None, lines: Sequence[FlutterLine], *, noisy: bool
) -> Iterator[str]:
    """What a tone that was recorded here cannot tell, or one with much noise."""
    if record_mode == "later":
        yield (
            "The tone was recorded on the same machine and played later: the reading is anything from 0 to "
            "2 times the machine's own flutter, and no correction is possible."
        )
    elif record_mode == "simultaneous":
        yield (
            "The tone was recorded and played at once: its mean frequency says nothing about the tape's "
            "speed."
        )
        if delay is None:
            yield "Give the delay to have the flutter of the machine itself worked out line by line."
        elif hidden := ", ".join(f"{rate:.2f}" for rate in null_rates(delay, 20.0)[:5]):
            yield (
                f"A wobble at {hidden} Hz (whole numbers of turns per delay) does not show in this recording."
            )
        if delay and any(line.element_depth is None for line in lines):
            yield (
                "Some lines stand where the recording hides them almost wholly; their own depth is not given."
            )
    if noisy:
        yield "The noise of the recording is larger than the flutter; the readings are upper bounds at best."
