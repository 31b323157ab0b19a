"""The delay between what went in and what came out, on average and against time.

1. `find_lag` finds roughly where the echo is, and whether another lag fits as well: then nothing is told.
2. `learn_path` learns from the loudest seconds what the machine does to the sound on its way.
3. `fit_windows` finds the delay of a short window every 50 ms, all through the recording.
4. The phase that is left in all windows together is told apart: delay, and a low cut's lead.
5. The mean over the take is judged by the lag, and by what it does from one part of the take to another.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tapecalc import words
from tapecalc.measuring.delay_windows import Grid, Spectra, Windows, fit_windows, learn_path
from tapecalc.measuring.dsp import Array, Bools, phase_ramp
from tapecalc.measuring.estimate import COVERAGE_FACTOR, U_CLOCK, CannotTell, Estimate, Reading, jackknife
from tapecalc.measuring.lag import HIGHPASS, Lag, find_lag, refuse_doubtful
from tapecalc.measuring.recording import Recording, channel_health


@dataclass(frozen=True, eq=False)
class DelayTrack(Reading):
    """The delay of a machine, on average and against time, in s; uncertainties are of 95 % intervals.

    That of the mean covers noise and the phase of path and equalizers, in this take. What the interface's
    clock adds, and how far the mean of another take may be from this one, stand beside it; `total` has all
    three. Source: JCGM 100:2008 (GUM).
    """

    delay: Estimate  # the mean
    clock_plus_minus: float
    wander: float
    time: Array  # of playback
    track: Array  # the delay at those times
    track_plus_minus: Array
    polarity: int  # -1 if the machine inverts the signal
    drift: Estimate  # steady change of the delay, s/s
    sentences: tuple[str, ...] = ()  # what was noticed, and what these figures cannot tell

    derived = ("total",)

    @property
    def total(self) -> Estimate:
        """The delay with noise, clock and wander in its uncertainty: what a plan should use."""
        parts = self.delay.plus_minus, self.clock_plus_minus, self.wander
        return Estimate(self.delay.value, math.hypot(*parts), "s")


def measure_delay(recording: Recording, lag: Lag | None = None) -> DelayTrack:
    """Measure the delay of a machine from 1 s or more of any broadband sound and its playback.

    A `lag` that `find_lag` gave of it need not be looked for again.

    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = np.stack([noise, np.roll(noise, 9600)], axis=1)
    >>> from tapecalc.measuring import open_recording
    >>> round(measure_delay(open_recording(both, sample_rate=48000)).delay.value, 9)
    0.2
    """
    if recording.dry is None:
        raise CannotTell("a delay needs the dry signal beside the playback, and there is one channel only")
    if not recording.common_start:
        raise CannotTell(
            "two files have no common beginning from which to count a delay; record both channels into one "
            "stereo file, or say that one clock started both"
        )
    sentences: list[str] = []
    dry, playback = (channel_health(recording, name) for name in ("dry", "playback"))
    for channel in (dry, playback):
        if channel.empty:
            raise CannotTell(f"the {channel.name} channel is empty")
        sentences += channel.sentences()
    lag = lag or find_lag(recording)
    refuse_doubtful(lag)
    grid = Grid(recording.sample_rate)
    late = round(lag.seconds * grid.rate)
    path = learn_path(recording, grid, late, lag.polarity, dry.loudest)
    windows = fit_windows(recording, grid, late, path)
    used = 0 if windows is None else len(windows.delay)
    if windows is None or used < FEWEST:
        raise CannotTell(
            f"there is an echo at {words.amount(lag.seconds, 'ms')}, but only {used} windows of 50 ms show "
            "it clearly; record louder, so that hiss does not drown it, and for some seconds more"
        )
    phase, u_phase = shared_delay(windows.spectra, grid)
    good = _plausible(windows)
    if np.count_nonzero(good) < FEWEST:
        raise CannotTell(f"only {np.count_nonzero(good)} windows of 50 ms show a clear echo")
    center, track, sigma = windows.center[good], windows.delay[good] + phase, windows.sigma[good]
    # A window averages what bends within it: of the bend from one to the next some 0.3 %. With no bend and
    # no noise 50 ns are left all the same, counted in made recordings.
    sigma = np.hypot(sigma, math.hypot(0.003 * np.std(np.diff(track, 2)), 50e-9))
    judge(track, lag)
    mean, noise, wander, drift = _mean_and_drift(center, track, sigma, grid.hop / grid.rate)
    sentences += _remarks(windows.spectra.total(), drift, one_clock=recording.one_clock)
    return DelayTrack(
        delay=Estimate(mean, COVERAGE_FACTOR * math.hypot(noise, u_phase, U_LEAD), "s"),
        clock_plus_minus=COVERAGE_FACTOR * U_CLOCK * mean,
        wander=wander,
        time=center + track,
        track=track,
        track_plus_minus=COVERAGE_FACTOR * sigma,
        polarity=lag.polarity,
        drift=drift,
        sentences=tuple(sentences),
    )


def judge(track: Array, lag: Lag) -> None:
    """Refuse windows that went elsewhere than the correlation of the whole take."""
    low, middle, high = np.quantile(track, [0.02, 0.5, 0.98])
    if abs(middle - lag.seconds) > 2e-3 + (high - low) / 2:
        raise CannotTell(
            f"short pieces of sound say {words.amount(middle, 'ms', '.1f')} and the whole take says "
            f"{words.amount(lag.seconds, 'ms', '.1f')}; play something that does not repeat itself"
        )


FEWEST = 10  # windows, or frequencies, without which nothing is said


def _plausible(windows: Windows) -> Bools:
    """Windows that neither jump away from their neighbors nor are too vague to use."""
    padded = np.pad(windows.delay, 2, mode="reflect")
    around = np.median([padded[:-4], padded[1:-3], padded[3:-1], padded[4:]], axis=0)
    away = np.abs(windows.delay - around)
    usual = 1.4826 * np.median(away)  # the standard deviation of normal errors with this median
    sigma = windows.sigma
    good: Bools = (away < 8 * usual + 1e-9) & (sigma < 10 * np.median(sigma) + 1e-9)
    return good


#: Equalizers of tape machines advance the treble, so that a delay reads up to 0.04 ms too short; judgement
U_LEAD = 20e-6  # s


def shared_delay(groups: Spectra, grid: Grid) -> tuple[float, float]:
    """Delay that is left over in all windows, with its standard uncertainty, s."""
    delay, u_delay = fit_phase(groups.total(), grid)
    # What parts of the recording differ by is in the uncertainty too.
    parts = [fit_phase(rest, grid)[0] for rest in groups.without_each()]
    return delay, max(u_delay, jackknife(parts)) if len(parts) > 1 else u_delay


def fit_phase(total: Spectra, grid: Grid) -> tuple[float, float]:
    """Fit ``-2 pi f e + fc / f`` to the phase of summed spectra, by weighted least squares.

    The first term is delay, the second the lead of a low cut far above its corner. Gives the delay `e` and
    its standard uncertainty, s.
    """
    coherence = total.coherence()
    use = (grid.frequency >= HIGHPASS) & (coherence > 0.1) & (total.dry > 1e-7 * total.dry.max())
    if np.count_nonzero(use) < FEWEST:
        raise CannotTell("dry channel and playback have too few frequencies in common")
    frequency = grid.frequency[use]
    # Neighboring frequencies overlap through the taper: half of them are independent.
    # Short windows leave 0.02 rad out: what lies beside a frequency is seen as its own.
    variance = 2 * ((1 - coherence[use]) / (2 * coherence[use] * total.number) + 0.02**2)
    # Beyond a null of a head the sound comes back inverted, which is no delay: half turns do not count.
    squared = total.cross[use] ** 2
    squared /= np.abs(squared) + 1e-300
    steps = np.arange(-8, 8.1, 0.25)  # samples by which all windows may be off where treble is inverted
    ramps = phase_ramp(2 * steps, grid.length)[:, use]
    best = int(np.argmax(np.abs(ramps @ (squared / variance))))
    phase = np.angle(squared * ramps[best]) / 2
    design = np.stack([-2 * np.pi * frequency, 1 / frequency], axis=1)
    weighted = design / variance[:, None]
    # Before anything is measured: machines cut off at some tens of Hz.
    covariance = np.linalg.inv(design.T @ weighted + np.diag([0.0, 1 / 100.0**2]))
    solution = covariance @ (weighted.T @ phase)
    rest = phase - design @ solution
    stretch = max(1.0, float(rest @ (rest / variance)) / max(len(rest) - 2, 1))
    return float(solution[0] + steps[best] / grid.rate), float(np.sqrt(covariance[0, 0] * stretch))


def _mean_and_drift(
    center: Array, delay: Array, sigma: Array, hop: float
) -> tuple[float, float, float, Estimate]:
    """Mean delay under a bell over time, its noise, how far another take's mean may be; and drift.

    Under a bell, wow that goes round a few times in the recording leaves nothing in mean and slope.
    What slower changes may leave is read from the slowest frequencies that can be told from them, and from
    the drift.
    """
    even = np.arange(center[0], center[-1] + hop / 2, hop)
    track = np.interp(even, center, delay)
    since = even - even.mean()
    bell = np.hanning(len(even) + 2)[1:-1]
    for_mean, for_slope = bell / bell.sum(), bell * since / (bell @ since**2)
    mean, slope = float(for_mean @ track), float(for_slope @ track)
    rest = track - mean - slope * since
    # Windows between two that were used are their means.
    owner = np.round(np.interp(even, center, np.arange(len(center)))).astype(int)
    noise, u_slope = (
        float(np.sqrt(np.bincount(owner, weights, len(center)) ** 2 @ sigma**2))
        for weights in (for_mean, for_slope)
    )
    turns = np.exp(-2j * np.pi * np.outer([2, 3], np.arange(len(even)) / len(even)))
    slow = max(np.mean(np.abs(turns @ (for_mean * rest)) ** 2) - noise**2, 0.0)
    slow_slope = slow * (for_slope @ for_slope) / (for_mean @ for_mean)
    # Student's t for 95 %: two neighboring frequencies under a bell hold 2.8 independent squares.
    student = 3.3
    spread = float(np.hypot(COVERAGE_FACTOR * u_slope, student * np.sqrt(slow_slope)))
    # Mean delay and spacing over mean speed differ by the square of the wobble.
    square = np.var(rest) / mean
    wander = float(np.hypot(student * np.sqrt(slow), COVERAGE_FACTOR * square))
    if abs(slope) > spread:
        # A delay that surely drifts may be anywhere on its way in another take.
        wander = float(np.hypot(wander, abs(slope) * (even[-1] - even[0]) / 2))
    return mean, noise, wander, Estimate(slope, spread, "s/s")


def _remarks(total: Spectra, drift: Estimate, *, one_clock: bool) -> Iterator[str]:
    """What is to be said of the figures."""
    yield (
        "A lag of the electronics reads as delay: a second-order low pass at 7 kHz adds about 32 us, and no "
        "recording at one speed can tell it from head distance."
    )
    of_dry = float(np.sum(np.abs(total.cross) ** 2 / (total.dry + 1e-300)) / np.sum(total.played))
    if of_dry < 0.8:
        yield (
            f"Only {words.amount(of_dry, 'percent')} of the playback's power come from the dry channel, the "
            "rest is hiss, feedback or other heads: measure one head at a time, with the return send down."
        )
    if one_clock and abs(drift.value) > max(2 * drift.plus_minus, 2e-5):
        yield (
            f"The delay drifts by {words.amount(drift.value, 'us', '+.0f')} every second: the machine "
            "changes speed, or the two channels did not share one clock."
        )
    if not one_clock:
        yield (
            "Two files: the delay is right only if both were started by one clock; their clocks differ by "
            f"{1e6 * drift.value:+.1f} parts per million, if the tape's speed is steady."
        )
