"""Wow and flutter from a steady tone that was played by the machine.

The tone's frequency against time is freed of mean and drift, and taken apart into steady wobbles and the
rest. The intervals are for the machine: they hold what a very long take would read. In a short one the
wobbles meet in other phases, and the rest is a piece of chance.

When the tone was recorded and played at once, the deviation is that of two speeds one delay apart: a wobble
of rate f shows with the factor ``2 |sin(pi f T)|``, which is divided out where it is large enough.
"""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapecalc.calc.flutter import null_rates, weighting_db
from tapecalc.calc.quantity import Delay, Frequency, Rate, calculator
from tapecalc.calc.standards import FLUTTER_TONE, TWO_SIGMA_COVERAGE
from tapecalc.measuring import flutter_lines as parts
from tapecalc.measuring.dsp import power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, ClockTolerance, Estimate, student
from tapecalc.measuring.flutter_lines import Density, DeviationSpectrum, SteadyWobbles
from tapecalc.measuring.recording import Recording, channel_health
from tapecalc.measuring.tone import RATE, Dropouts, TonePiece, ToneReader, white_density

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
    """Wow and flutter of a tone, as fractions of speed (0.001 is +/- 0.1 %). Source: AES6-2008, IEC 60386."""

    weighted: Estimate  # two-sigma
    weighted_rms: Estimate
    unweighted: Estimate  # two-sigma, 0.2 to 200 Hz
    unweighted_rms: Estimate
    scrape: Estimate | None  # rms from 200 Hz on; None where none was seen
    dropouts: Dropouts
    tone: Estimate  # mean frequency, Hz
    drift: Estimate  # steady change of speed, fraction per second
    speed_error: Estimate | None  # mean speed against nominal; None where the tone cannot tell
    duration: float  # s of steady tone that were read
    noise: float  # rms of the deviation that the recording's noise made, which is taken off above
    record_mode: str  # a key of `RECORD_MODES`
    delay: float | None  # s, with which the lines were corrected
    lines: tuple[FlutterLine, ...]  # what stands out of the spectrum, the deepest first
    sentences: tuple[str, ...]
    rate: Array  # of the flutter spectrum, Hz
    depth: Array  # zero to peak, of a steady wobble of that rate
    floor: Array  # that of the surroundings
    time: Array  # s, the first minute or two
    deviation: Array  # noise included

    def peaks(self, *, least: float = 0.0) -> list[tuple[float, float]]:
        """List rate and depth, the machine's own where it can be told, of lines at least so deep as read."""
        return [
            (line.rate.value, (line.element_depth or line.depth).value)
            for line in self.lines
            if line.depth.value >= least
        ]

    def could_see(self, rate: Rate[float]) -> float:
        """Give the least depth, zero to peak and the machine's own, that would have been seen at a rate.

        Infinite where the recording hides the rate. What was not seen is less than this, and not 0.
        """
        shown = _shown(rate, self.record_mode, self.delay)
        if shown < parts.VISIBLE or not parts.LOWEST_RATE <= rate <= parts.HIGHEST_RATE:
            return np.inf
        # Between two bins a line is lower by 0.85, and noise may take 2 of the usual size from it.
        seen = (parts.STANDS_OUT / 0.85 + 2) * float(np.interp(rate, self.rate, self.floor))
        # Beside another line it would have to be as deep as that one.
        near = [x.depth.value for x in self.lines if abs(x.rate.value - rate) < 4 * self.rate[1]]
        return max(seen, *near) / shown if near else seen / shown

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file, without the arrays."""
        data = asdict(self) | {"record_mode": RECORD_MODES[self.record_mode]}
        arrays = ("rate", "depth", "floor", "time", "deviation")
        return {{"record_mode": "taken"}.get(k, k): v for k, v in data.items() if k not in arrays}


def _shown(rate: float, record_mode: str, delay: float | None) -> float:
    """Factor with which a recording shows the machine's own wobble; 0 where that is not known."""
    if record_mode == "simultaneous" and delay is not None:
        return float(parts.comb(rate, delay))
    return 1.0 if record_mode == "test tape" else 0.0


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

    `tone` is its nominal frequency in Hz; a test tape of 3,150, 3,000 or 1,000 Hz is recognized.
    `record_mode` is a key of `RECORD_MODES`. The `delay` in s of the head that played corrects a tone
    recorded and played at once. Source: AES6-2008 = IEC 60386 for tone, weighting and the two-sigma reading.

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
    clipped = health.clipped / recording.count
    if health.empty:
        raise CannotTell("the playback channel is empty")
    if clipped > 0.5:
        raise CannotTell("the tone is clipped for most of the time; record it lower")
    _require_length(recording.duration)
    reader = ToneReader(recording, health.loudest)
    comb_delay = delay if record_mode == "simultaneous" else None
    pieces: list[_Piece] = []
    for piece in reader.pieces():
        pieces.append(_read_piece(piece, comb_delay, clipped=clipped > 0, keep_series=not pieces))
    _require_length(reader.seconds)
    share = np.array([piece.seconds for piece in pieces]) / reader.seconds
    figures = {key: _pooled([piece.figures[key] for piece in pieces], share) for key in pieces[0].figures}
    # Clipped peaks fold back to near the tone.
    scrape, unseen = (None, np.inf) if clipped else reader.scrape()
    nominal = _nominal(figures["tone"].value, tone) if record_mode == "test tape" else None
    of_mode = [] if record_mode == "test tape" else _mode_sentences(record_mode, delay)
    rate, depth, floor, lines = _lines(pieces, record_mode, delay, clock_tolerance)
    return FlutterReading(
        **figures,
        scrape=scrape,
        dropouts=reader.dropouts(),
        speed_error=_speed_error(figures["tone"], nominal, clock_tolerance) if nominal else None,
        duration=reader.seconds,
        noise=float(np.sqrt(share @ np.array([piece.noise for piece in pieces]) ** 2)),
        record_mode=record_mode,
        delay=delay,
        lines=lines,
        sentences=(
            *health.sentences(),
            *(of_mode or _speed_sentences(figures["tone"].value, nominal)),
            *_tape_sentences(reader, figures["unweighted_rms"], unseen),
        ),
        rate=rate,
        depth=depth,
        floor=floor,
        time=pieces[0].time,
        deviation=pieces[0].deviation,
    )


def _require_length(duration: float) -> None:
    """Refuse a tone that is too short. Source: AES6-2008, observation time of the two-sigma method."""
    if duration < 5:
        raise CannotTell(f"there are only {duration:.1f} s of a steady tone, and it takes 5 s")


# ---- one piece of tone ----


class _Piece(NamedTuple):
    """What one piece of steady tone tells."""

    seconds: float
    figures: dict[str, Estimate]  # by the names of `FlutterReading`
    noise: float  # rms
    spectrum: DeviationSpectrum
    rest: Density  # what is not steady
    time: Array  # s; of the first piece alone
    deviation: Array


def _read_piece(piece: TonePiece, delay: float | None, *, clipped: bool, keep_series: bool) -> _Piece:
    """Analyze one piece; `delay` is that after which a wobble meets itself."""
    count = len(piece.time)
    time = parts.centered(count)
    # Under a bell, wobbles that go round a few times leave nothing in mean and slope.
    bell = np.hanning(count + 1)[:-1]
    weights = bell / bell.sum(), bell * time / (bell @ time**2)
    mean, slope = (float(weight @ piece.frequency) for weight in weights)
    deviation = (piece.frequency - slope * time) / mean - 1
    # A tape's level wobble adds to the noise of the amplitude, flutter to that of the phase; clipping takes
    # it out of the amplitude.
    of_phase = white_density(deviation, 2)
    noise = of_phase if clipped else min(of_phase, white_density(piece.amplitude, 0) / mean**2)
    spectrum = DeviationSpectrum.of(deviation)
    power = power_spectrum(spectrum.value)
    steady = spectrum.fit(parts.find_lines(power, parts.surroundings(power), spectrum.step))
    rest = Density.of(deviation - steady.deviation(time), noise)
    # The slowest rates are known from so many squares; an interface's clock wanders too.
    u_mean, u_drift = (student(8) * np.sqrt(rest.variance_of_sum(weight, delay)) for weight in weights)
    figures = {
        "tone": Estimate(mean, float(COVERAGE_FACTOR * u_mean + 1e-6) * mean, "Hz"),
        "drift": Estimate(slope / mean, float(COVERAGE_FACTOR * u_drift + 1e-9), "1/s"),
    }
    for name in ("weighted", "unweighted"):
        two_sigma, rms, taken = _read_band(deviation, steady, rest, weighted=name == "weighted")
        figures |= {name: two_sigma, f"{name}_rms": rms}
        if clipped:
            # The 13th and 15th overtone of 3,150 Hz fold back to near the tone at 44.1 kHz, some 0.5 % of it,
            # and deviate by 14 and 16 times as much.
            for key in (name, f"{name}_rms"):
                wider = np.hypot(figures[key].plus_minus, 0.03 * figures[key].value)
                figures[key] = replace(figures[key], plus_minus=float(wider))
    series = (piece.time, deviation) if keep_series else (np.zeros(0), np.zeros(0))
    return _Piece(count / RATE, figures, taken, spectrum, rest, *series)


def _gain(rate: Array, *, weighted: bool) -> Array:
    """Gain of the band in which flutter is read, from half of the lowest rate on."""
    inside = np.clip(rate, parts.LOWEST_RATE / 2, parts.HIGHEST_RATE)
    weighting = 10 ** (weighting_db(inside) / 20) if weighted and len(rate) else 1.0
    return (rate == inside) * weighting


def _read_band(
    deviation: Array, steady: SteadyWobbles, rest: Density, *, weighted: bool
) -> tuple[Estimate, Estimate, float]:
    """Two-sigma value and rms of a deviation in one band, and the rms of the noise that was taken off.

    The mean square is that of the steady wobbles, ``sum m^2 / 2``, and of the rest less its noise. Its
    variance is that of chance, ``integral S^2 df / T``, of the depths, and of the noise.
    """
    seconds, step = len(deviation) / RATE, rest.step
    flat, gain = _gain(rest.rate, weighted=weighted), _gain(steady.rate, weighted=weighted)
    power, noise = flat**2 * rest.power, flat**2 * rest.noise
    passed = SteadyWobbles(steady.rate, steady.value * gain)
    u_depth, _ = steady.uncertainties(rest.near(steady.rate), seconds)
    unsteady, taken = np.sum(power) * step, np.sum(noise) * step
    # Squares of an average over few tapers are too large by one in their number; they use 0.9 of the time.
    chance = np.sum(power**2) * step / seconds / (0.9 * (1 + 1 / rest.tapers))
    chance *= student(max(2 * unsteady**2 / max(chance, 1e-30), 1)) ** 2
    of_lines, of_noise = np.sum((np.abs(passed.value) * u_depth * gain) ** 2), (0.25 * taken) ** 2 / seconds
    of_steady = np.sum(np.abs(passed.value) ** 2) / 2
    clean = max(of_steady + unsteady - taken, 0.0)
    rms = Estimate(float(np.sqrt(clean)), _root_half_width(clean, np.sqrt(chance + of_lines + of_noise)))
    # The distribution is that of the rates whose power is three times the noise; where these are not most of
    # it, it is taken for chance, of which 95 % are within 2 rms.
    smooth = np.maximum(np.convolve(power, np.ones(9) / 9, "same"), 1e-300)
    keep = flat * np.sqrt(np.clip(1 - noise / smooth, 0, 1)) * (smooth > 3 * noise)
    kept, crest, of_phases = of_steady + np.sum(keep**2 * rest.power) * step, 2.0, 0.0
    if kept > clean / 2:
        crest = _two_sigma(_cleaned(deviation, steady, passed, rest.rate, keep)) / np.sqrt(kept)
        drawn = _other_takes(passed, rest, keep) * np.sqrt(clean / kept)
        of_phases = COVERAGE_FACTOR * student(len(drawn) - 1) * np.std(drawn, ddof=1)
    of_rest = crest * _root_half_width(clean, np.sqrt(of_noise + np.sum(noise**2) * step / seconds))
    two_sigma = Estimate(float(crest * rms.value), float(np.hypot(of_phases, of_rest)) + 1e-6)
    return two_sigma, rms, float(np.sqrt(taken))


def _root_half_width(square: float, sigma: float) -> float:
    """95 % half width of a root whose square has the standard uncertainty `sigma`; 1e-6 is the least."""
    root = np.sqrt(square)
    upper, lower = square + COVERAGE_FACTOR * sigma, max(square - COVERAGE_FACTOR * sigma, 0.0)
    return float(max(np.sqrt(upper) - root, root - np.sqrt(lower)) + 1e-6)


def _two_sigma(deviation: Array) -> Any:
    """What each row of deviations stays within for 95 % of the time."""
    return np.quantile(np.abs(deviation), TWO_SIGMA_COVERAGE, axis=-1)


def _cleaned(
    deviation: Array, steady: SteadyWobbles, passed: SteadyWobbles, rate: Array, keep: Array
) -> Array:
    """Free a deviation of noise: steady wobbles as they pass the band, and of the rest what is kept.

    The wobbles are stretched a little, so that the samples of each turn lie elsewhere in it.
    """
    time = parts.centered(len(deviation))
    pad = min(5 * RATE, len(time) - 1)
    mirrored = np.pad(deviation - steady.deviation(time), pad, mode="reflect")
    gain = np.interp(fft.rfftfreq(len(mirrored), 1 / RATE), rate, keep, right=0.0)
    return fft.irfft(fft.rfft(mirrored) * gain, len(mirrored))[pad:-pad] + passed.deviation(1.0004 * time)


def _other_takes(passed: SteadyWobbles, rest: Density, keep: Array) -> Array:
    """Two-sigma values of 32 other takes of the same machine: other phases, and another piece of chance."""
    rng = np.random.default_rng(1)
    count = 2 * (len(keep) - 1)
    chance = rng.standard_normal((2, 32, len(keep)), dtype=np.float32)
    size = (keep * np.sqrt(rest.power * rest.step / 4) * count).astype(np.float32)
    # Some 4,000 values, at any times, tell a distribution.
    apart = max(count // 4096, 1)
    drawn = fft.irfft(size * (chance[0] + np.complex64(1j) * chance[1]), count, axis=1)[:, ::apart]
    time = (np.arange(0, count, apart) + apart * rng.random(drawn.shape[1])) / (count * rest.step)
    for value, rate in zip(passed.value, passed.rate, strict=True):
        drawn += np.abs(value) * np.cos(2 * np.pi * (rate * time + rng.random((len(drawn), 1))))
    return _two_sigma(drawn)


# ---- all pieces together ----


def _pooled(of_pieces: Sequence[Estimate], share: Array) -> Estimate:
    """Mean over all pieces: as sure as they are together, or as they scatter where there are enough."""
    values, halves = np.array([(x.value, x.plus_minus) for x in of_pieces]).T
    mean, half, count = share @ values, np.sqrt(share**2 @ halves**2), len(values)
    if count > 3:
        scatter = np.sqrt(share @ (values - mean) ** 2 * count / (count - 1) * (share @ share))
        half = max(half, COVERAGE_FACTOR * student(count - 1) * scatter)
    return Estimate(float(mean), float(half), of_pieces[0].unit)


def _nominal(mean: float, tone: float) -> float | None:
    """Nominal frequency of the test tape that plays a tone, Hz; None where none is near."""
    nearest = min((tone, 3150.0, 3000.0, 1000.0), key=lambda nominal: abs(np.log(mean / nominal)))
    return nearest if abs(mean / nearest - 1) < 0.1 else None


def _speed_error(mean: Estimate, nominal: float, clock_tolerance: float) -> Estimate:
    """Mean speed against nominal, of a tone from a test tape."""
    sigma, ratio = mean.plus_minus / COVERAGE_FACTOR / nominal, mean.value / nominal
    return Estimate(ratio - 1, Estimate.half_width(sigma, ratio * clock_tolerance))


def _lines(
    pieces: Sequence[_Piece], record_mode: str, delay: float | None, clock_tolerance: float
) -> tuple[Array, Array, Array, tuple[FlutterLine, ...]]:
    """Rate, depth and surroundings of the flutter spectrum, and its lines, the deepest first."""
    first = pieces[0].spectrum
    # All pieces but the last are of one length.
    alike = [piece for piece in pieces if len(piece.spectrum.value) == len(first.value)]
    power = np.mean([power_spectrum(piece.spectrum.value) for piece in alike], axis=0)
    floor = parts.surroundings(power)
    tops = parts.find_lines(power, floor, first.step)
    share = np.full(len(alike), 1 / len(alike))
    depths: list[list[Estimate]] = [[] for _ in tops]
    rates: list[list[Estimate]] = [[] for _ in tops]
    for piece in alike:
        fit = piece.spectrum.fit(tops)
        u_depths, u_rates = fit.uncertainties(piece.rest.near(fit.rate), piece.seconds)
        for n in range(len(tops)):
            depths[n].append(Estimate(abs(fit.value[n]), COVERAGE_FACTOR * u_depths[n] + 1e-6))
            rates[n].append(Estimate(fit.rate[n], COVERAGE_FACTOR * u_rates[n], "Hz"))
    lines = []
    for n in range(len(tops)):
        rate = _pooled(rates[n], share)
        sure = Estimate.half_width(rate.plus_minus / COVERAGE_FACTOR, rate.value * clock_tolerance)
        lines.append(_line(replace(rate, plus_minus=sure), _pooled(depths[n], share), record_mode, delay))
    lines.sort(key=lambda line: -line.depth.value)
    return first.step * np.arange(len(power)), np.sqrt(power), np.sqrt(floor), tuple(lines)


def _line(rate: Estimate, depth: Estimate, record_mode: str, delay: float | None) -> FlutterLine:
    """A line, with the machine's own depth where the recording shows it."""
    factor = _shown(rate.value, record_mode, delay)
    if factor < parts.VISIBLE:
        return FlutterLine(rate, depth, factor, None)
    # A little off in rate, the comb is a little off too.
    turn = np.pi * (delay or 0.0) if record_mode == "simultaneous" else 0.0
    off = depth.value * 2 * turn * abs(np.cos(turn * rate.value)) * rate.plus_minus / factor**2
    spread = float(np.hypot(depth.plus_minus / factor, off))
    return FlutterLine(rate, depth, factor, Estimate(depth.value / factor, spread))


# ---- in words ----


def _mode_sentences(record_mode: str, delay: float | None) -> Iterator[str]:
    """What a tone that was recorded here cannot tell."""
    if record_mode == "later":
        yield (
            "The tone was recorded on the same machine and played later: the reading is anything from 0 to "
            "2 times the machine's own flutter, and no correction is possible."
        )
        return
    yield "The tone was recorded and played at once: its mean frequency says nothing about the tape's speed."
    if delay is None:
        yield "Give the delay to have the flutter of the machine itself worked out line by line."
    elif hidden := ", ".join(f"{rate:.2f}" for rate in null_rates(delay, 20.0)[:5]):
        yield f"A wobble at {hidden} Hz (whole numbers of turns per delay) does not show in this recording."


def _speed_sentences(mean: float, nominal: float | None) -> Iterator[str]:
    """Which test tape was taken for granted."""
    if nominal is None:
        yield f"A tone of {mean:.0f} Hz is on no test tape that is known; the speed error is not given."
    elif 3035 < mean < 3115:
        other = 3150 if nominal == 3000 else 3000
        yield (
            f"Taken for a test tape of {nominal:.0f} Hz; if {other} Hz is on its label, the speed is off by "
            f"{100 * (mean / other - 1):+.1f} %."
        )


def _tape_sentences(reader: ToneReader, rms: Estimate, unseen: float) -> Iterator[str]:
    """What the level and the noise of the tone tell."""
    if (swing := reader.swing_db()) > 0.5:
        yield (
            f"The level of the tone swings by {swing:.1f} dB (rms). If the return send was up, or the source "
            "is in the playback, this flutter is not the machine's; else see how the tape meets the head."
        )
    if abs(fall := reader.fall_db()) > 2:
        change = f"{abs(fall):.0f} dB {'softer' if fall > 0 else 'louder'}"
        yield f"The tone became {change} while it played: is an automatic level control on?"
    if rms.value <= rms.plus_minus:
        yield "The noise of the recording is larger than the flutter; the readings are upper bounds at best."
    elif rms.value < 2e-5:
        yield "The tone hardly wobbles at all: did it come from the tape, or straight from the source?"
    if not np.isfinite(unseen):
        yield "This tone does not show scrape flutter (200 Hz and more)."
    elif unseen > 5e-4:
        yield f"Scrape flutter (200 Hz and more) below {100 * unseen:.1g} % would not have been seen."
