"""The delay between what went in and what came out, on average and against time.

1. `find_lag` finds roughly where the echo is, and whether another lag fits as well: then nothing is told.
2. `learn_path` learns from the loudest seconds what the machine does to the sound on its way.
3. `fit_windows` finds the delay of a short window every 50 ms, all through the recording.
4. The phase that is left in all windows together is told apart: delay, a low cut's lead, equalizers' lead.
5. The mean over the take is judged by the lag, and by what it does from one part of the take to another.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapecalc import words
from tapecalc.calc.quantity import calculator
from tapecalc.calc.response import OnePass
from tapecalc.measuring.delay_windows import Grid, Spectra, Windows, fit_windows, learn_path
from tapecalc.measuring.dsp import phase_ramp, total_and_without
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, ClockTolerance, Estimate, jackknife
from tapecalc.measuring.lag import HIGHPASS, INVERTED, Lag, find_lag
from tapecalc.measuring.recording import Recording, channel_health

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DelayTrack:
    """The delay of a machine, on average and against time, in s; uncertainties are of 95 % intervals.

    That of the mean covers noise and the fit of the path's phase, in this take. What the interface's clock
    adds, and how far the mean of another take may be from this one, stand beside it; `total` has all three.
    Source: JCGM 100:2008 (GUM).
    """

    delay: Estimate  # the mean
    clock_plus_minus: float
    wander: float
    time: Array  # of playback
    track: Array  # the delay at those times
    track_plus_minus: Array
    polarity: int  # -1 if the machine inverts the signal
    drift: Estimate  # steady change of the delay, s/s
    low_cut: Estimate  # corner of the phase lead that was found in the bass, Hz
    match: float  # median correlation of a window with its echo
    return_gain: Estimate  # with which the playback is fed back; 0 if it is not clearly there
    used: int  # windows
    windows: int  # that had sound
    clipped: float = 0.0  # share of the playback's samples
    sentences: tuple[str, ...] = ()  # what was noticed, and what these figures cannot tell

    @property
    def total(self) -> Estimate:
        """The delay with noise, clock and wander in its uncertainty: what a plan should use."""
        sigma = float(np.hypot(self.delay.plus_minus, self.wander)) / COVERAGE_FACTOR
        clock = self.clock_plus_minus / Estimate.half_width(0.0, 1.0)
        return Estimate(self.delay.value, Estimate.half_width(sigma, clock), "s")

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file, the track with its first 2,000 values."""
        return {
            "delay": self.delay.to_dict(),
            "clock_plus_minus": float(self.clock_plus_minus),
            "wander": float(self.wander),
            "total": self.total.to_dict(),
            "drift": self.drift.to_dict(),
            "low_cut": self.low_cut.to_dict(),
            "polarity": self.polarity,
            "match": float(self.match),
            "return_gain": self.return_gain.to_dict(),
            "windows": {"used": self.used, "with sound": self.windows},
            "track": {
                "time": [round(float(t), 6) for t in self.time[:2000]],
                "delay": [round(float(t), 9) for t in self.track[:2000]],
            },
            "sentences": list(self.sentences),
        }


@calculator
def measure_delay(
    recording: Recording, *, clock_tolerance: ClockTolerance[float] = 1e-4, one_pass: OnePass | None = None
) -> DelayTrack:
    """Measure the delay of a machine from 1 s or more of any broadband sound and its playback.

    `one_pass` is what is known of the machine: equalizers advance the treble, which is then not taken for a
    shorter delay.

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
    lag = find_lag(recording)
    _refuse_lag(lag)
    grid = Grid(recording.sample_rate)
    path = learn_path(recording, grid, lag.samples, lag.polarity, dry.loudest)
    windows = fit_windows(recording, grid, lag.samples, path)
    used = 0 if windows is None else len(windows.delay)
    if windows is None or used < FEWEST:
        raise CannotTell(
            f"there is an echo at {words.amount(lag.seconds, 'ms')}, but only {used} windows of 50 ms show "
            "it clearly; record louder, so that hiss does not drown it, and for some seconds more"
        )
    phase, lead_said = _told_apart(windows.spectra, grid, one_pass)
    good = _plausible(windows)
    if np.count_nonzero(good) < FEWEST:
        raise CannotTell(f"only {np.count_nonzero(good)} windows of 50 ms show a clear echo")
    center, track, sigma = windows.center[good], windows.delay[good] + phase.delay, windows.sigma[good]
    # A window averages what bends within it: of the bend from one to the next some 0.3 %.
    sigma = np.hypot(sigma, 0.003 * np.std(np.diff(track, 2)))
    judge(track, lag)
    mean, noise, wander, drift = _mean_and_drift(center, track, sigma, grid.hop / grid.rate)
    sentences += _remarks(windows, lag, drift, one_clock=recording.one_clock)
    return DelayTrack(
        delay=Estimate(mean, float(COVERAGE_FACTOR * np.hypot(noise, phase.u_delay)), "s"),
        clock_plus_minus=Estimate.half_width(0.0, clock_tolerance * mean),
        wander=wander,
        time=center + track,
        track=track,
        track_plus_minus=COVERAGE_FACTOR * sigma,
        polarity=lag.polarity,
        drift=drift,
        low_cut=Estimate(phase.low_cut, float(COVERAGE_FACTOR * phase.u_low_cut), "Hz"),
        match=float(np.median(windows.match)),
        return_gain=path.return_gain,
        used=len(track),
        windows=len(windows.match),
        clipped=playback.clipped / recording.count,
        sentences=(*sentences, lead_said),
    )


def _refuse_lag(lag: Lag) -> None:
    """Refuse where no tape is between the channels, where they are exchanged, and where several lags fit."""
    # No two heads are so near that tape is faster than a millisecond.
    if abs(lag.seconds) < 1e-3:
        raise CannotTell(
            f"the playback is there {words.amount(abs(lag.seconds), 'ms', '.1f')} after the "
            "dry sound, sooner than tape can bring it: one signal is on both channels, or the machine plays "
            "its source instead of the tape, or direct monitoring is on"
        )
    if lag.rivals:
        lags = sorted((lag.seconds, *lag.rivals))
        some = words.listed(
            f"{1e3 * other:.0f}" for other in ([later for later in lags if later > 0] or lags)[:4]
        )
        raise CannotTell(
            f"the sound repeats itself: {some} ms fit alike, and maybe others; play something that does not, "
            "such as speech, noise or music of many notes, one head at a time"
        )
    if lag.seconds < 0:
        raise CannotTell(
            f"the playback comes {words.amount(-lag.seconds, 'ms')} before the dry sound: the channels are "
            "swapped"
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


def _plausible(windows: Windows) -> NDArray[np.bool_]:
    """Windows that neither jump away from their neighbors nor are too vague to use."""
    padded = np.pad(windows.delay, 2, mode="reflect")
    around = np.median([padded[:-4], padded[1:-3], padded[3:-1], padded[4:]], axis=0)
    away = np.abs(windows.delay - around)
    usual = 1.4826 * np.median(away)  # the standard deviation of normal errors with this median
    sigma = windows.sigma
    good: NDArray[np.bool_] = (away < 8 * usual + 1e-9) & (sigma < 10 * np.median(sigma) + 1e-9)
    return good


# ---- the phase that remains over all windows ----

LEAD_SHARE = 0.15  # standard uncertainty of what is known of the equalizers' lead; judgement


class Phase(NamedTuple):
    """What the phase of summed spectra tells, with standard uncertainties: s and Hz."""

    delay: float  # left over
    low_cut: float
    u_delay: float
    u_low_cut: float
    misfit: float  # chi-square


def _told_apart(groups: Spectra, grid: Grid, one_pass: OnePass | None) -> tuple[Phase, str]:
    """Phase of all windows, with the lead of equalizers if it is there, and what is to be said of that."""
    fit, lead = fit_phase(groups.total(), grid), None
    said = (
        "The equalizers of a tape machine advance the treble, so that its delay reads up to some hundredths "
        "of a millisecond too short and its low cut too high; with the machine's speed that is taken out."
    )
    if one_pass is not None:
        both = one_pass.record_gain(grid.frequency) * one_pass.playback_gain(grid.frequency)
        usual = np.unwrap(np.angle(both))
        led = fit_phase(groups.total(), grid, usual)
        said = "Nothing advances the treble as equalizers of a tape machine do, so nothing was taken out."
        if led.misfit < fit.misfit:
            fit, lead = led, usual
            said = "What equalizers advance the treble by was taken out of the delay, with its doubt."
    # What parts of the recording differ by is in the uncertainties too.
    _, without = total_and_without(groups, np.flatnonzero(groups.number))
    if len(without) > 1:
        delays, cuts = zip(*(fit_phase(Spectra(*rest), grid, lead)[:2] for rest in without), strict=True)
        fit = fit._replace(
            u_delay=max(fit.u_delay, jackknife(delays)), u_low_cut=max(fit.u_low_cut, jackknife(cuts))
        )
    return fit, said


def fit_phase(total: Spectra, grid: Grid, lead: Array | None = None) -> Phase:
    """Fit ``-2 pi f e + fc / f + lead(f)`` to the phase of summed spectra: weighted least squares.

    The first term is delay, the second the lead of a low cut far above its corner, the third that of
    equalizers, known to some 15 %.
    """
    coherence = total.coherence()
    use = (grid.frequency >= HIGHPASS) & (coherence > 0.1) & (total.dry > 1e-7 * total.dry.max())
    if np.count_nonzero(use) < FEWEST:
        raise CannotTell("dry channel and playback have too few frequencies in common")
    frequency, known = grid.frequency[use], np.zeros(np.count_nonzero(use))
    if lead is not None:
        known = lead[use]
    # Neighboring frequencies overlap through the taper: half of them are independent.
    # Short windows leave 0.02 rad out: what lies beside a frequency is seen as its own.
    variance = 2 * ((1 - coherence[use]) / (2 * coherence[use] * total.number) + 0.02**2)
    # Beyond a null of a head the sound comes back inverted, which is no delay: half turns do not count.
    squared = (total.cross[use] * np.exp(-1j * known)) ** 2
    squared /= np.abs(squared) + 1e-300
    steps = np.arange(-8, 8.1, 0.25)  # samples by which all windows may be off where treble is inverted
    ramps = phase_ramp(2 * steps, grid.length)[:, use]
    best = int(np.argmax(np.abs(ramps @ (squared / variance))))
    phase = np.angle(squared * ramps[best]) / 2
    # Before anything is measured: machines cut off at some tens of Hz.
    design = np.stack([-2 * np.pi * frequency, 1 / frequency, known], axis=1)
    before = np.diag([0.0, 1 / 100.0**2, 1 / LEAD_SHARE**2])
    weighted = design / variance[:, None]
    covariance = np.linalg.inv(design.T @ weighted + before)
    solution = covariance @ (weighted.T @ phase)
    rest = phase - design @ solution
    square = float(rest @ (rest / variance))
    spread = np.sqrt(np.diag(covariance) * max(1.0, square / max(len(rest) - 2, 1)))
    # Of a lead that is wrong as a whole, what looks like delay.
    as_delay = np.sum(weighted[:, 0] * known) / np.sum(weighted[:, 0] * design[:, 0])
    return Phase(
        delay=float(solution[0] + steps[best] / grid.rate),
        low_cut=float(solution[1]),
        u_delay=float(np.hypot(spread[0], LEAD_SHARE * as_delay)),
        u_low_cut=float(spread[1]),
        misfit=square + float((solution[2] / LEAD_SHARE) ** 2),
    )


# ---- what all windows together tell ----


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


# ---- in words ----


def _remarks(windows: Windows, lag: Lag, drift: Estimate, *, one_clock: bool) -> list[str]:
    """What is to be said of the figures."""
    sentences = [
        "A lag of the electronics reads as delay: a second-order low pass at 7 kHz adds about 32 us, and no "
        "recording at one speed can tell it from head distance."
    ]
    if lag.polarity < 0:
        sentences.append(INVERTED)
    if lag.leak > 0:
        sentences.append(
            "The dry sound itself is in the playback, without delay: turn direct monitoring off, and look "
            "for crosstalk. The delay allows for that; a response read from this take does not."
        )
    sentences += _unlike(windows.spectra.total())
    if one_clock and abs(drift.value) > max(2 * drift.plus_minus, 2e-5):
        sentences.append(
            f"The delay drifts by {words.amount(drift.value, 'us', '+.0f')} every second: the machine "
            "changes speed, or the two channels did not share one clock."
        )
    if not one_clock:
        sentences.append(
            "Two files: the delay is counted from their beginnings, so it is right only if both were "
            f"started by the same clock; their clocks differ by {1e6 * drift.value:+.1f} parts per million, "
            "if the tape's speed is steady."
        )
    return sentences


def _unlike(total: Spectra) -> list[str]:
    """Say why the playback is unlike the dry channel: its tone has changed, or there is more in it."""
    dry, played, cross, _ = total
    alike = float(np.abs(cross.sum()) ** 2 / (dry.sum() * played.sum()))
    if alike > 0.8:
        return []
    coherent = float(np.sum(np.abs(cross) ** 2 / (dry + 1e-300)) / np.sum(played))
    said = f"Only {words.amount(alike, 'percent')} of the playback's power is the dry channel as it went in"
    if coherent > 0.9:
        return [
            f"{said}, but {words.amount(coherent, 'percent')} come from it: the tone has changed, most "
            "likely because treble is lost at a dirty or worn head, and there may be hiss. The delay allows "
            "for that."
        ]
    return [
        f"{said}; the rest is hiss, treble lost at a dirty or worn head, feedback or other heads, and the "
        "figures are so much worse. Clean the head, and measure one head at a time with the return send down."
    ]
