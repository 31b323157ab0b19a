"""Wow and flutter from a steady tone that was played by the machine.

The tone's frequency against time is freed of mean and drift, and taken apart into steady wobbles and the
rest. The intervals are for the machine: they hold what a very long take would read. In a short one the
wobbles meet in other phases, and the rest is a piece of chance.

When the tone was recorded and played at once, the deviation is that of two speeds one delay apart: a wobble
of rate f shows with the factor ``2 |sin(pi f T)|``, which is divided out where it is large enough.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import fft

from tapecalc.calc.flutter import null_rates, weighting_db
from tapecalc.calc.quantity import Delay, calculator
from tapecalc.calc.standards import TWO_SIGMA_COVERAGE
from tapecalc.measuring import flutter_lines as parts
from tapecalc.measuring.dsp import Array, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, U_CLOCK, CannotTell, Estimate, Reading, student
from tapecalc.measuring.flutter_lines import Density, SteadyWobbles
from tapecalc.measuring.recording import Recording, channel_health
from tapecalc.measuring.tone import RATE, ToneReader, white_density

VISIBLE = 0.25  # factor with which a recording shows a wobble, below which it is not to be corrected
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
class FlutterReading(Reading):
    """Wow and flutter of a tone, as fractions of speed (0.001 is +/- 0.1 %). Source: AES6-2008, IEC 60386."""

    weighted: Estimate  # two-sigma
    weighted_rms: Estimate
    unweighted: Estimate  # two-sigma, 0.2 to 200 Hz
    unweighted_rms: Estimate
    scrape: Estimate | None  # rms from 200 Hz on; None where none was seen
    dropouts: Estimate  # falls below half of the amplitude, 5 ms long or longer, a minute
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
    time: Array  # s
    deviation: Array  # noise included

    unwritten = ("rate", "depth", "floor", "time", "deviation")

    def peaks(self, *, least: float = 0.0) -> list[tuple[float, float]]:
        """List rate and depth, the machine's own where it can be told, of lines at least so deep as read."""
        return [
            (line.rate.value, (line.element_depth or line.depth).value)
            for line in self.lines
            if line.depth.value >= least
        ]

    def could_see(self, rate: float) -> float:
        """Give the least depth, zero to peak and the machine's own, that would have been seen at a rate.

        Infinite where the recording hides the rate. What was not seen is less than this, and not 0.
        """
        shown = _shown(rate, self.record_mode, self.delay)
        if shown < VISIBLE or not parts.LOWEST_RATE <= rate <= parts.HIGHEST_RATE:
            return np.inf
        # Between two bins a line is lower by 0.85, and noise may take 2 of the usual size from it.
        seen = (parts.STANDS_OUT / 0.85 + 2) * float(np.interp(rate, self.rate, self.floor))
        # Beside another line it would have to be as deep as that one.
        near = [x.depth.value for x in self.lines if abs(x.rate.value - rate) < 4 * self.rate[1]]
        return max(seen, *near) / shown if near else seen / shown


def _shown(rate: float, record_mode: str, delay: float | None) -> float:
    """Factor with which a recording shows the machine's own wobble; 0 where that is not known."""
    if record_mode == "simultaneous" and delay is not None:
        return float(parts.comb(rate, delay))
    return 1.0 if record_mode == "test tape" else 0.0


@calculator
def measure_flutter(
    recording: Recording, *, record_mode: str = "simultaneous", delay: Delay[float] | None = None
) -> FlutterReading:
    """Measure wow and flutter from 5 s or more of a steady tone; 60 s for rates below 1 Hz.

    Of a longer one the loudest two minutes are read. `record_mode` is a key of `RECORD_MODES`; the `delay` in
    s of the head that played corrects a tone recorded and played at once. A test tape of 3,150, 3,000 or
    1,000 Hz is recognized. Source: AES6-2008 = IEC 60386 for tone, weighting and the two-sigma reading.

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
    tone = ToneReader(recording, health.loudest)
    _require_length(len(tone.time) / RATE)
    return _read(tone, record_mode, delay, clipped=clipped > 0, sentences=health.sentences())


def _require_length(duration: float) -> None:
    """Refuse a tone that is too short. Source: AES6-2008, observation time of the two-sigma method."""
    if duration < 5:
        raise CannotTell(f"there are only {duration:.1f} s of a steady tone, and it takes 5 s")


def _read(
    tone: ToneReader, record_mode: str, delay: float | None, *, clipped: bool, sentences: tuple[str, ...]
) -> FlutterReading:
    """Read all that a steady tone tells."""
    count = len(tone.time)
    time = parts.centered(count)
    # Under a bell, wobbles that go round a few times leave nothing in mean and slope.
    bell = np.hanning(count + 1)[:-1]
    weights = bell / bell.sum(), bell * time / (bell @ time**2)
    mean, slope = (float(weight @ tone.frequency) for weight in weights)
    deviation = (tone.frequency - slope * time) / mean - 1
    # A tape's level wobble adds to the noise of the amplitude, flutter to that of the phase; clipping takes
    # it out of the amplitude.
    of_phase = white_density(deviation, 2)
    noise = of_phase if clipped else min(of_phase, white_density(tone.amplitude, 0) / mean**2)
    spectrum = parts.spectrum_of(deviation)
    floor = parts.surroundings(power_spectrum(spectrum))
    steady = parts.steady_wobbles(spectrum, floor, RATE / count)
    rest = Density.of(deviation - steady.deviation(time), noise)
    # The slowest rates are known from so many squares; an interface's clock wanders too.
    once = delay if record_mode == "simultaneous" else None
    u_mean, u_drift = (student(8) * np.sqrt(rest.variance_of_sum(weight, once)) for weight in weights)
    frequency = Estimate(mean, float(COVERAGE_FACTOR * u_mean + 1e-6) * mean, "Hz")
    weighted, weighted_rms, _ = _read_band(deviation, steady, rest, weighted=True)
    unweighted, unweighted_rms, taken = _read_band(deviation, steady, rest, weighted=False)

    def told(figure: Estimate) -> Estimate:
        # The 13th and 15th overtone of a clipped 3,150 Hz fold back to near the tone at 44.1 kHz, some 0.5 %
        # of it, and deviate by 14 and 16 times as much.
        beside = 0.03 * figure.value if clipped else 0.0
        return replace(figure, plus_minus=float(np.hypot(figure.plus_minus, beside)))

    scrape, unseen = (None, np.inf) if clipped else tone.scrape()
    lines = _lines(steady, rest, count / RATE, record_mode, delay)
    spread = float(np.hypot(frequency.plus_minus, COVERAGE_FACTOR * U_CLOCK * mean))
    nominal = _nominal(mean) if record_mode == "test tape" else None
    of_mode = [] if record_mode == "test tape" else _mode_sentences(record_mode, delay)
    return FlutterReading(
        weighted=told(weighted),
        weighted_rms=told(weighted_rms),
        unweighted=told(unweighted),
        unweighted_rms=told(unweighted_rms),
        scrape=scrape,
        dropouts=tone.dropouts(),
        tone=frequency,
        drift=Estimate(slope / mean, float(COVERAGE_FACTOR * u_drift + 1e-9), "1/s"),
        speed_error=Estimate(mean / nominal - 1, spread / nominal) if nominal else None,
        duration=count / RATE,
        noise=taken,
        record_mode=record_mode,
        delay=delay,
        lines=tuple(sorted(lines, key=lambda line: -line.depth.value)),
        sentences=(
            *sentences,
            *(of_mode or _speed_sentences(mean, nominal)),
            *_tape_sentences(tone, unweighted_rms, unseen),
        ),
        rate=RATE / count * np.arange(len(spectrum)),
        depth=np.abs(spectrum),
        floor=np.sqrt(floor),
        time=tone.time,
        deviation=deviation,
    )


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


def _nominal(mean: float) -> float | None:
    """Nominal frequency of the test tape that plays a tone, Hz; None where none is near."""
    nearest = min((3150.0, 3000.0, 1000.0), key=lambda nominal: abs(np.log(mean / nominal)))
    return nearest if abs(mean / nearest - 1) < 0.1 else None


def _lines(
    steady: SteadyWobbles, rest: Density, seconds: float, record_mode: str, delay: float | None
) -> Iterator[FlutterLine]:
    """The lines of the flutter spectrum, with the machine's own depth where the recording shows it."""
    u_depths, u_rates = steady.uncertainties(rest.near(steady.rate), seconds)
    spreads = COVERAGE_FACTOR * np.stack([u_depths, np.hypot(u_rates, U_CLOCK * steady.rate)], axis=1)
    for rate, value, (of_depth, of_rate) in zip(steady.rate, steady.value, spreads.tolist(), strict=True):
        depth, factor = Estimate(float(abs(value)), of_depth + 1e-6), _shown(float(rate), record_mode, delay)
        own = None
        if factor >= VISIBLE:
            # A little off in rate, the comb is a little off too.
            turn = np.pi * (delay or 0.0) if record_mode == "simultaneous" else 0.0
            off = depth.value * 2 * turn * abs(np.cos(turn * rate)) * of_rate / factor**2
            own = Estimate(depth.value / factor, float(np.hypot(depth.plus_minus / factor, off)))
        yield FlutterLine(Estimate(float(rate), of_rate, "Hz"), depth, factor, own)


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
    if (swing := 20 / np.log(10) * np.sqrt(reader.swing)) > 0.5:
        yield (
            f"The level of the tone swings by {swing:.1f} dB (rms). If the return send was up, or the source "
            "is in the playback, this flutter is not the machine's; else see how the tape meets the head."
        )
    if abs(fall := reader.fall_db) > 2:
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
