"""The delay between what went in and what came out, on average and against time.

1. `find_lag` finds roughly where the echo is, its polarity, and whether the channels are swapped.
2. `learn_path` learns from the loudest seconds what the machine does to the sound on its way.
3. `fit_windows` finds the delay of a short window every 50 ms, all through the recording.
4. At the end all windows together give mean and drift, with what they leave open.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapecalc import words
from tapecalc.calc.quantity import calculator
from tapecalc.calc.response import OnePass
from tapecalc.measuring.delay_path import FEWEST, find_lag, lead_is_there, learn_path, remaining_phase
from tapecalc.measuring.delay_windows import Grid, MachinePath, Windows, fit_windows
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, ClockTolerance, Estimate
from tapecalc.measuring.recording import Recording, channel_health

Array = NDArray[np.float64]

MOST_KEPT = 2000  # values of a track that a file keeps


@dataclass(frozen=True, eq=False)
class DelayTrack:
    """The delay of a machine, on average and against time, in s; uncertainties are of 95 % intervals.

    That of the mean covers noise and the fit of the path's phase. What the interface's clock adds, and how
    far the mean of this recording may be from that of a long one, stand beside it; `total` has all three.
    Source: JCGM 100:2008 (GUM).
    """

    delay: Estimate  # the mean
    clock_plus_minus: float
    wander: float
    time: Array  # of playback
    track: Array  # the delay at those times
    track_plus_minus: Array
    polarity: int  # -1 if the machine inverts the signal
    swapped: bool  # whether the playback was found on the channel called dry
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
            "swapped": self.swapped,
            "match": float(self.match),
            "return_gain": self.return_gain.to_dict(),
            "windows": {"used": self.used, "with sound": self.windows},
            "track": {
                "time": [round(float(t), 6) for t in self.time[:MOST_KEPT]],
                "delay": [round(float(t), 9) for t in self.track[:MOST_KEPT]],
            },
            "sentences": list(self.sentences),
        }


SOONEST = 1e-3  # s; no two heads are so near that tape is faster


HOP = 0.05  # s from one window to the next
WINDOW = 0.0213  # s, rounded to a power of two of samples; short, since within long ones the delay changes
LONGEST = 3.0  # s, the longest delay that is looked for


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
    sentences: list[str] = []
    health = {name: channel_health(recording, name) for name in ("dry", "playback")}
    for channel in health.values():
        if channel.empty:
            raise CannotTell(f"the {channel.name} channel is empty")
        sentences += channel.sentences()
    rate, loudest = recording.sample_rate, health["dry"].loudest
    sizes = rate, 2 ** round(np.log2(WINDOW * rate)), max(1, round(HOP * rate))
    grid = Grid(*sizes)
    lag = find_lag(recording, grid, LONGEST, loudest)
    if lag.swapped:
        recording = recording.swapped()
        sentences.append("The channels are swapped: the one called dry comes later. They were exchanged.")
    if lag.polarity < 0:
        sentences.append("The machine turns the polarity over.")
    if lag.samples < SOONEST * rate:
        raise CannotTell(
            f"the playback is there {words.amount(lag.samples / rate, 'ms', '.1f')} after the dry sound, "
            "sooner than tape can bring it: one signal is on both channels, or the machine plays its source "
            "instead of the tape"
        )
    if one_pass is None:
        sentences.append(LEAD_LEFT)
    elif lead_is_there(recording, known := Grid(*sizes, one_pass), lag.samples, lag.polarity, loudest):
        sentences.append(LEAD_OUT)
        grid = known
    else:
        sentences.append(NO_LEAD)
    path = learn_path(recording, grid, lag.samples, lag.polarity, loudest)
    windows = fit_windows(recording, grid, lag.samples, path)
    used = _used_windows(windows, path, grid)
    mean, noise, wander, drift = _mean_and_drift(used, grid.hop / rate)
    # What a model of a window leaves out depends on the sound: windows of one note err alike.
    together = 1 + 2 * np.clip(windows.alike[1:] / max(windows.alike[0], 1e-300), 0, 1).sum()
    spread = np.sqrt(together * noise**2 + used.u_phase**2 + np.median(used.u_lead) ** 2)
    sentences += _remarks(windows, used, drift, one_clock=recording.one_clock)
    return DelayTrack(
        delay=Estimate(mean, float(COVERAGE_FACTOR * spread), "s"),
        clock_plus_minus=Estimate.half_width(0.0, clock_tolerance * mean),
        wander=wander,
        time=used.center + used.delay,
        track=used.delay,
        track_plus_minus=COVERAGE_FACTOR * used.sigma,
        polarity=lag.polarity,
        swapped=lag.swapped,
        drift=drift,
        low_cut=used.low_cut,
        match=float(np.median(windows.match)),
        return_gain=path.return_gain,
        used=len(used.delay),
        windows=len(windows.match),
        clipped=health["dry" if lag.swapped else "playback"].clipped / recording.count,
        sentences=tuple(sentences),
    )


# ---- which windows are used, and how sure each is ----


@dataclass(frozen=True, eq=False)
class _Used:
    """Windows that show a clear echo, the phase of all taken off. Times in s."""

    center: Array
    delay: Array
    sigma: Array
    low_cut: Estimate
    u_phase: float  # standard uncertainty from the phase of all windows
    u_lead: Array  # from a low cut that is not known, for every window


def _used_windows(windows: Windows, path: MachinePath, grid: Grid) -> _Used:
    """Choose the windows to use; refuse channels that do not belong together."""
    _must_belong_together(windows.match, windows.decoy)
    _refuse_few(len(windows.delay), grid)
    delay, sigma = _straight_or_curved(windows)
    phase = remaining_phase(windows.spectra, grid)
    u_cut = np.hypot(phase.u_low_cut, path.unknown_cut)
    # As far as the low cut is not known, its lead is taken for delay, most where the sound is deep.
    u_lead = u_cut * windows.lead
    sigma = np.sqrt(sigma**2 + (u_lead - np.median(u_lead)) ** 2 + windows.path_sigma**2)
    good = _plausible(delay, sigma)
    _refuse_few(int(np.count_nonzero(good)), grid)
    low_cut = Estimate(phase.low_cut, float(COVERAGE_FACTOR * np.hypot(u_cut, phase.lead_low_cut)), "Hz")
    u_phase = float(np.hypot(phase.u_delay, phase.lead_delay))
    return _Used(windows.center[good], delay[good] + phase.delay, sigma[good], low_cut, u_phase, u_lead)


def _must_belong_together(match: Array, decoy: Array) -> None:
    """Refuse channels whose windows find wrong partners as good as the right ones."""
    if len(match) < FEWEST:
        raise CannotTell("there is less than half a second of sound with its echo")
    true, wrong = np.median(match), np.median(decoy)
    if (1 - true**2) > 0.5 * (1 - wrong**2) and true - wrong < 0.1:
        if wrong > 0.9:
            raise CannotTell(
                "the material is the same everywhere (a steady tone?), so that any delay fits; record "
                "music, speech, clicks or noise"
            )
        raise CannotTell("the two channels have nothing to do with each other")


def _refuse_few(count: int, grid: Grid) -> None:
    if count < FEWEST:
        hop = words.amount(grid.hop / grid.sample_rate, "ms")
        raise CannotTell(f"only {count} windows of {hop} show a clear echo")


def _straight_or_curved(windows: Windows) -> tuple[Array, Array]:
    """The better of the two fits of each window, with what the fit itself costs in its uncertainty."""
    straight, curved = windows.sigma**2, windows.curved_sigma**2
    weight = 1 / (curved + np.median(windows.curved_sigma) ** 2) ** 2
    apart = (windows.curved_delay - windows.delay) ** 2 - (curved - straight)
    bend = max(float(weight @ apart / weight.sum()), 0.0)
    better = curved < straight + bend
    delay = np.where(better, windows.curved_delay, windows.delay)
    return delay, np.where(better, windows.curved_sigma, np.sqrt(straight + bend))


def _plausible(delay: Array, sigma: Array) -> NDArray[np.bool_]:
    """Windows that neither jump away from their neighbors nor are too vague to use."""
    padded = np.pad(delay, 2, mode="reflect")
    around = np.median([padded[:-4], padded[1:-3], padded[3:-1], padded[4:]], axis=0)
    away = np.abs(delay - around)
    usual = 1.4826 * np.median(away)  # the standard deviation of normal errors with this median
    return (away < 8 * usual + 1e-9) & (sigma < 10 * np.median(sigma) + 1e-9)


# ---- what all windows together tell ----

#: Student's t for 95 %: two neighboring frequencies under a bell hold 2.8 independent squares.
WANDER_FACTOR = 3.3


def _mean_and_drift(used: _Used, hop: float) -> tuple[float, float, float, Estimate]:
    """Mean delay under a bell over time, its noise, how far a longer recording's mean may be; and drift.

    Under a bell, wow that goes round a few times in the recording leaves nothing in mean and slope.
    What slower changes may leave is read from the slowest frequencies that can be told from them.
    """
    place = np.round((used.center - used.center[0]) / hop).astype(int)
    even = np.arange(place[-1] + 1)
    track = np.interp(even, place, used.delay)
    since = hop * (even - even.mean())
    bell = np.hanning(len(even) + 2)[1:-1]
    for_mean, for_slope = bell / bell.sum(), bell * since / (bell @ since**2)
    mean, slope = float(for_mean @ track), float(for_slope @ track)
    rest = track - mean - slope * since
    # Windows between two that were used are their means.
    owner = np.round(np.interp(even, place, np.arange(len(place)))).astype(int)
    noise, u_slope = (
        float(np.sqrt(np.bincount(owner, weights, len(place)) ** 2 @ used.sigma**2))
        for weights in (for_mean, for_slope)
    )
    turns = np.exp(-2j * np.pi * np.outer([2, 3], even / len(even)))
    slow = max(np.mean(np.abs(turns @ (for_mean * rest)) ** 2) - noise**2, 0.0)
    slow_slope = slow * (for_slope @ for_slope) / (for_mean @ for_mean)
    # Mean delay and spacing over mean speed differ by the square of the wobble.
    square = np.var(rest) / mean
    wander = float(np.hypot(WANDER_FACTOR * np.sqrt(slow), COVERAGE_FACTOR * square))
    spread = float(np.hypot(COVERAGE_FACTOR * u_slope, WANDER_FACTOR * np.sqrt(slow_slope)))
    return mean, noise, wander, Estimate(slope, spread, "s/s")


LIKE = 0.9  # match below which something is said of it
STEADY = 2e-5  # s/s; less drift than that is not worth a sentence
LEAD_OUT = "What equalizers as usual advance the treble by was taken out of the delay, with its doubt."
NO_LEAD = "Nothing advances the treble as the equalizers of a tape machine do, so nothing was taken out."
LEAD_LEFT = (
    "The equalizers of a tape machine advance the treble, so that its delay reads some hundredths of a "
    "millisecond too short and its low cut too high; with the machine's speed that is taken out."
)
SAME_SOUND = 0.9  # share of the playback's power, coherent with the dry channel, that leaves no other source


def _remarks(windows: Windows, used: _Used, drift: Estimate, *, one_clock: bool) -> list[str]:
    """What is to be said of the figures."""
    sentences = [
        "A lag of the electronics reads as delay: a second-order low pass at 7 kHz adds about 32 us, and no "
        "recording at one speed can tell it from head distance."
    ]
    if np.std(used.u_lead) > np.median(used.sigma) / 2:
        sentences.append(
            "In this sound (speech is of that kind) an advance of the bass by coupling capacitors can "
            "hardly be told from delay. The uncertainties are larger for it; record clicks, noise or plucked "
            "strings to know the delay better."
        )
    match = float(np.median(windows.match))
    if match < LIKE:
        sentences.append(_unlike(match, windows))
    if one_clock and abs(drift.value) > max(2 * drift.plus_minus, STEADY):
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


def _unlike(match: float, windows: Windows) -> str:
    """Say why the playback is unlike the dry channel: its tone has changed, or there is more in it."""
    dry, played, cross, _ = windows.spectra.total()
    coherent = float(np.sum(np.abs(cross) ** 2 / (dry + 1e-300)) / np.sum(played))
    alike = (
        f"Only {words.amount(match**2, 'percent')} of the playback's power is the dry channel as it went in"
    )
    if coherent > SAME_SOUND:
        return (
            f"{alike}, but {words.amount(coherent, 'percent')} come from it: the tone has changed, most "
            "likely because treble is lost at a dirty or worn head, and there may be hiss. The delay allows "
            "for that."
        )
    return (
        f"{alike}; the rest is hiss, treble lost at a dirty or worn head, feedback or other heads, and the "
        "figures are so much worse. Clean the head, and measure one head at a time with the return send down."
    )
