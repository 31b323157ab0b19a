"""The delay between what went in and what came out, on average and against time.

Short windows of the dry channel are looked for in the playback. Three steps:

1. One correlation of the loudest seconds gives the delay roughly, the polarity,
   and whether the channels are swapped.
2. Every 50 ms a window of 21 ms is correlated with the playback; the path through
   all windows that correlates best, with a price on every jump, keeps periodic
   material from slipping by a period.
3. Each window is fitted by least squares as ``y = a x(t + e) `` with a delay that
   may change within the window. What the path does to the tone (measured first, from
   the same recording) is applied to `x` before, so that it is not taken for noise.

What remains of the path's phase over all windows, ``-2 pi f e + arctan(fc / f)``, is
fitted at the end: the first term belongs to the delay, the second to coupling
capacitors that advance the bass.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import fft, signal

from tapecalc.calc.quantity import between, positive
from tapecalc.measuring.dsp import GROUPS, NEIGHBORS, cut_windows, group_matrix, phase_ramp, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, jackknife, student
from tapecalc.measuring.recording import channel_health

__all__ = [
    "DelayTrack",
    "measure_delay",
]


CHUNK = 10.0  # seconds worked on at a time
COARSE = 8.0  # seconds in the first rough correlation
LOW_EDGE = 700.0  # Hz; rumble and hum below say little about a delay
GUARD = 1 / 8  # of a window, on either side, for shifting without wrapping
JUMP_PRICE = 2e-3  # correlation that a jump of one sample (at 48 kHz) must win
FAINTEST = 1e-5  # power of a window against the loudest one, below which it is skipped
LOWEST_MATCH = 0.3  # correlation of a single window that is still used
CANDIDATES, CANDIDATE = 6, 0.2  # rough delays that are tried, and their height over the best
EITHER = 0.7  # height of the other polarity's peak, from which it is tried as well
MISLED, BELOW_NULLS = 0.6, 3000.0  # correlation of windows from which the treble is left out at first; Hz
TURNED = 0.05  # share of the playback's power, with its polarity turned over, that misleads a correlation
SOONEST = 1e-3  # s; no two heads are so near that tape is faster
ALIKE = 0.985  # a second correlation peak as high as this leaves the delay open
REPEATED = 0.8  # likeness of the dry sound to itself, so much later, of material that repeats itself
DECOY = 7  # windows further on: a partner that cannot be the right one
SMALL = 0.5  # rad, of a turn whose first order does
SPREAD = 0.2  # half windows, standard deviation in time of a sound that tells how its delay changes
BASS = 300.0  # Hz, below which a path is known by its low cut alone
LEAST_CUT, MOST_CUT = 0.1, 300.0  # Hz, of a path's low cut
AMISS = np.arange(-8, 8.1, 0.25)  # samples by which all windows may be off, where treble is turned over
FIT_TURNS, NEAR = 12, 0.6  # of the fit of a window at the most; samples from which another one is taken
PATH_TURNS = 3  # times the path is measured; each time the windows are aligned better
SAME_SOUND = 0.9  # share of the playback's power, coherent with the dry channel, that leaves no other source
BAND = 1100.0  # Hz, over which left-overs of the fit are summed
MOST_SAY = 0.9  # of one band in a fit, as far as that is allowed for
CHANCE = 7.0  # times 1 over the number of windows: coherence that chance alone rarely reaches
LEAST_RETURN = 0.02  # return gain below which the recording counts as free of feedback
NO_RETURN = Estimate(0.0, LEAST_RETURN)
FEWEST = 10  # windows, or bins, without which nothing is said
STEADY = 2e-5  # s/s, drift of the delay that is worth a sentence
OVERLAP = 2.0  # neighboring bins overlap through the taper, so that about half of them are independent
#: Student's t for 95 %: two neighboring bins under a bell hold 2.8 independent squares.
WANDER_FACTOR = 3.3


@dataclass(frozen=True, eq=False)
class DelayTrack:
    """The delay of a machine, on average and against time.

    Parameters
    ----------
    delay : Estimate
        Mean delay over the recording, s. Its uncertainty covers noise and the fit of the path's
        phase; that of the interface's clock and of the wobble are given beside it.
    clock_uncertainty : float
        What the interface's clock adds, s, about 95 %.
    wander : float
        How far the mean over this recording may be from the mean of a long one, s, about 95 %.
    time : numpy.ndarray
        Playback times, s.
    track : numpy.ndarray
        The delay at those times, s.
    track_uncertainty : numpy.ndarray
        Half width of its 95 % interval, s.
    polarity : int
        +1, or -1 if the machine turns the signal over.
    swapped : bool
        Whether the playback was found on the dry channel.
    drift : Estimate
        Steady change of the delay, s/s.
    low_cut : Estimate
        Corner of the bass phase lead that was found, Hz.
    match : float
        Median correlation of a window with its echo, 0 to 1.
    return_gain : Estimate
        Gain with which the playback goes round again, found in the recording; 0 if it is not clearly there.
    used, windows : int
        Windows used, of all windows that had sound.
    clipped : float
        Share of the playback's samples that are clipped.
    sentences : tuple of str
        What was noticed and what these figures cannot tell.

    Notes
    -----
    Made by `measure_delay`. Source: JCGM 100:2008 (GUM) for the uncertainties.
    Notebook: 08_measuring.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = np.stack([noise, np.roll(noise, 9600)], axis=1)
    >>> from tapecalc.measuring import open_recording
    >>> measure_delay(open_recording(both, sample_rate=48000)).polarity
    1
    """

    delay: Estimate
    clock_uncertainty: float
    wander: float
    time: np.ndarray
    track: np.ndarray
    track_uncertainty: np.ndarray
    polarity: int
    swapped: bool
    drift: Estimate
    low_cut: Estimate
    match: float
    return_gain: Estimate
    used: int
    windows: int
    clipped: float = 0.0
    sentences: tuple = ()

    @property
    def total(self):
        """The delay with noise, clock and wander in its uncertainty: what a plan should use.

        Returns
        -------
        Estimate
            In seconds.
        """
        sigma = np.hypot(self.delay.uncertainty, self.wander) / COVERAGE_FACTOR
        clock = self.clock_uncertainty / Estimate.half_width(0.0, 1.0)
        return Estimate(self.delay.value, Estimate.half_width(sigma, clock), "s")

    def to_dict(self):
        """Return the figures as a plain dict for a JSON file.

        Returns
        -------
        dict
            Everything but the track, of which the first 2,000 values are kept, and the clipped share.
        """
        return {
            "delay": self.delay.to_dict(),
            "clock_uncertainty": float(self.clock_uncertainty),
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
                "time": [round(float(t), 6) for t in self.time[:2000]],
                "delay": [round(float(t), 9) for t in self.track[:2000]],
            },
            "sentences": list(self.sentences),
        }


@dataclass
class _Grid:
    """The sizes that follow from the sample rate."""

    sample_rate: int
    length: int  # samples in a window
    step: int  # samples from one window to the next

    def __post_init__(self):
        self.guard = int(self.length * GUARD)
        self.half_search = self.length // 2
        self.taper = np.hanning(self.length + 2)[1:-1]
        self.root = np.sqrt(self.taper)
        self.bands = np.arange(0, self.length // 2 + 1, max(1, round(BAND * self.length / self.sample_rate)))
        self.tau = (np.arange(self.length) - (self.length - 1) / 2) / (self.length / 2)
        padded = self.length + 2 * self.guard
        ramp = np.sin(np.pi / 2 * (np.arange(self.guard) + 0.5) / self.guard) ** 2
        self.edges = np.concatenate([ramp, np.ones(self.length), ramp[::-1]])
        self.omega = 2 * np.pi * fft.rfftfreq(padded)  # rad per sample
        self.amiss = phase_ramp(2 * AMISS, padded)  # for spectra power_spectrum
        self.frequency = fft.rfftfreq(padded, 1 / self.sample_rate)
        self.bell = np.hanning(padded + 2)[1:-1]
        # The bell times how far from the middle, in half windows, and the slope of that.
        tau = (np.arange(padded) - (padded - 1) / 2) / (self.length / 2)
        self.leaning = self.bell * tau
        self.leaning_slope = self.bell / (self.length / 2) + tau * np.pi / (padded + 1) * np.sin(
            2 * np.pi * np.arange(1, padded + 1) / (padded + 1)
        )
        self.padded = padded


def measure_delay(recording, *, hop=0.05, window=0.0213, longest=3.0, clock_tolerance=1e-4):
    """Measure the delay of a machine from its input and output.

    Parameters
    ----------
    recording : Recording
        With a dry and a playback channel; any broadband material of 1 s or more.
    hop : float, optional
        Time between two windows, s.
    window : float, optional
        Length of a window, s; rounded to a power of two of samples. Short windows win: the
        delay changes within long ones.
    longest : float, optional
        The longest delay to look for, s.
    clock_tolerance : float, optional
        How far the interface's clock may be off, relative.

    Returns
    -------
    DelayTrack
        Mean, track, uncertainties, and sentences on what was noticed.

    Raises
    ------
    CannotTell
        If a channel is missing or empty, the channels have nothing to do with each other, or the
        material repeats itself so that other delays fit as well.
    ValueError
        If an option is out of range.

    Notes
    -----
    Source: least squares for a shift, for example S. M. Kay, Fundamentals of Statistical Signal
    Processing: Estimation Theory, 1993 (from memory). Notebook: 08_measuring.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = np.stack([noise, np.roll(noise, 9600)], axis=1)
    >>> from tapecalc.measuring import open_recording
    >>> round(measure_delay(open_recording(both, sample_rate=48000)).delay.value, 9)
    0.2
    """
    positive("hop", hop, "s")
    between("window", window, 0.002, 0.5, "s")
    between("longest", longest, 0.01, 60, "s")
    between("clock_tolerance", clock_tolerance, 0, 0.01)
    if recording.dry is None:
        raise CannotTell("a delay needs the dry signal beside the playback, and there is one channel only")
    sentences = []
    health = {name: channel_health(recording, name) for name in ("dry", "playback")}
    for channel in health.values():
        if channel.empty:
            raise CannotTell(f"the {channel.name} channel is empty")
        sentences += channel.sentences()
    lags, polarity, either = _rough_delays(recording, longest, health["dry"].loudest)
    swapped = lags[0] < 0
    if swapped:
        recording, lags = recording.swapped(), [-lag for lag in lags]
        sentences.append("The channels are swapped: the one called dry comes later. They were exchanged.")

    rate = recording.sample_rate
    grid = _Grid(rate, 2 ** round(np.log2(window * rate)), max(1, round(hop * rate)))
    lag, polarity = _best_lag(recording, grid, lags, polarity, health["dry"].loudest, either)
    if polarity < 0:
        sentences.append("The machine turns the polarity over.")
    if lag < SOONEST * rate:
        raise CannotTell(
            f"the playback is there {1e3 * lag / rate:.1f} ms after the dry sound, sooner than tape can "
            "bring it: one signal is on both channels, or the machine plays its source instead of the tape"
        )
    path, return_gain, left_lead, doubt = _path_gain(recording, grid, lag, polarity, health["dry"].loudest)
    state = _State(lag, return_gain, left_lead, doubt)
    for first in range(0, recording.count, int(CHUNK * rate)):
        _follow(recording, grid, first, polarity, path, state)
    clipped = health["dry" if swapped else "playback"].clipped / recording.count
    return _conclude(recording, grid, state, polarity, swapped, clipped, clock_tolerance, sentences)


def _prepared(recording, name, first, count, sample_rate):
    """A piece of a channel without rumble; the filter gets half a second to settle."""
    warm = sample_rate // 2
    sos = signal.butter(2, LOW_EDGE, "highpass", fs=sample_rate, output="sos")
    return signal.sosfilt(sos, recording.read(name, first - warm, count + warm))[warm:]


def _bus(recording, first, count, sample_rate, return_gain):
    """What went to the record head: the dry channel, and the playback that was fed back."""
    dry = _prepared(recording, "dry", first, count, sample_rate)
    if return_gain.value == 0:
        return dry
    return dry + return_gain.value * _prepared(recording, "playback", first, count, sample_rate)


def _rough_delays(recording, longest, loudest):
    """Lags in samples, likeliest first, negative if channels are swapped; polarity; whether that is open."""
    rate = recording.sample_rate
    count = min(int(COARSE * rate), recording.count)
    first = min(int(loudest * rate), recording.count - count)
    reach = int(min(longest, recording.duration) * rate)
    dry = _prepared(recording, "dry", first, count, rate)
    played = _prepared(recording, "playback", first - reach, count + 2 * reach, rate)
    size = fft.next_fast_len(count + len(played), real=True)
    product = fft.irfft(np.conj(fft.rfft(dry, size)) * fft.rfft(played, size), size)[: 2 * reach + 1]
    power = np.concatenate([[0], np.cumsum(played**2)])
    local = (power[count:] - power[:-count])[: len(product)]
    match = product / np.sqrt(np.maximum(local, 1e-3 * local.max()) * (dry @ dry) + 1e-300)
    best = int(np.argmax(np.abs(match)))
    height = abs(match[best])
    # Outside the main lobe (as far as the correlation stays up) nothing else may be as high.
    same_side = match * np.sign(match[best])
    lobe = rate // 1000
    rest = np.concatenate([same_side[: max(best - lobe, 0)], same_side[best + lobe + 1 :]])
    if rest.max(initial=0.0) > ALIKE * height:
        other = np.flatnonzero(same_side > ALIKE * height)
        apart = np.abs(other[np.abs(other - best) > lobe] - best)
        # A slow wobble over a long way makes two peaks of one; what repeats itself is like itself there.
        own = fft.irfft(power_spectrum(fft.rfft(dry, size)), size)[np.append(0, apart)]
        apart = apart[own[1:] > REPEATED * own[0] * (1 - apart / count)]
        if len(apart):
            period = apart.min() / rate
            raise CannotTell(
                f"the material repeats itself and a delay that differs by {1e3 * period:.1f} ms fits as "
                "well; record music, speech, clicks or noise instead of a steady tone"
            )
    # Beyond a null of a head the treble comes back turned over, and may be most of a sound.
    either = bool(np.max(-same_side) > EITHER * height)
    # Wow smears the peak of periodic material; a few others stay in the race.
    lags = [best - reach]
    while len(lags) < CANDIDATES and same_side.max() > CANDIDATE * height:
        place = int(np.argmax(same_side))
        if all(abs(place - reach - lag) > 5 * lobe for lag in lags) and (place - reach) * lags[0] > 0:
            lags.append(place - reach)
        same_side[max(place - 5 * lobe, 0) : place + 5 * lobe] = 0
    return lags, int(np.sign(match[best])), either


def _best_lag(recording, grid, lags, polarity, loudest, either):
    """The lag around which short windows find the best echo, and with which polarity."""
    first = int(loudest * grid.sample_rate)
    last = min(first + 4 * grid.sample_rate, recording.count)

    @cache
    def score(lag, polarity):
        state = _State(lag)
        _follow(recording, grid, first, polarity, None, state, last)
        return np.median(state.match[0]) if state.match else 0.0

    lag = lags[0] if len(lags) == 1 else max(lags, key=lambda lag: score(lag, polarity))
    if either:
        polarity = max((polarity, -polarity), key=lambda polarity: score(lag, polarity))
    return lag, polarity


@dataclass(frozen=True, eq=False)
class _Path:
    """What the path does to the tone: a low cut, and taps for all else.

    The taps are short, and in the bass, where a nasal sound has nearly all it has, too short for a cut.
    """

    low_cut: float
    taps: np.ndarray
    turned: bool  # whether much of the sound comes back with its polarity turned over

    @staticmethod
    def cut(low_cut, rate):
        """Coefficients of the filter that cuts."""
        return signal.butter(1, max(low_cut, LEAST_CUT), "highpass", fs=rate)

    def shapes(self, dry, rate):
        """The sound as it comes out."""
        return signal.oaconvolve(signal.lfilter(*self.cut(self.low_cut, rate), dry), self.taps, "same")


class _State:
    """What is carried from chunk to chunk, and what piles up on the way."""

    def __init__(self, lag, return_gain=NO_RETURN, left_lead=0.0, doubt=None):
        self.lag, self.return_gain, self.left_lead, self.doubt = lag, return_gain, left_lead, doubt
        self.center, self.straight, self.curved, self.match, self.decoy = [], [], [], [], []
        self.lead, self.cut, self.of_path = [], [], []
        self.groups = None
        self.alike = np.zeros(NEIGHBORS + 1)

    @property
    def sums(self):
        """Sums over all groups of windows, None without any."""
        return None if self.groups is None else [part.sum(axis=0) for part in self.groups]


def _follow(recording, grid, first, polarity, path, state, last=None, *, learning=False):
    """Measure every window that begins in the chunk at `first`; results go into `state`.

    While the path is `learning`, its low cut is taken out of the windows' delays.
    """
    rate, length, step = grid.sample_rate, grid.length, grid.step
    last = min(first + int(CHUNK * rate), recording.count) if last is None else last
    begins = np.arange(-(-first // step) * step, last - length + 1, step)
    begins = begins[begins + length + state.lag <= recording.count]
    if len(begins) == 0:
        return
    margin = grid.half_search + 2 * grid.padded
    span = int(begins[-1] - begins[0]) + length + 2 * margin
    drift_room = rate // 10
    dry = _bus(recording, int(begins[0]) - margin, span, rate, state.return_gain)
    played_first = int(begins[0]) + state.lag - margin - drift_room
    played = polarity * _prepared(recording, "playback", played_first, span + 2 * drift_room, rate)
    offsets = begins - begins[0] + margin

    template = dry if path is None else path.shapes(dry, rate)
    # Where much comes back turned over, the sound as it went in is most like the playback at a wrong time.
    x = cut_windows(template if path is not None and path.turned else dry, offsets, length)
    power = np.einsum("ij,ij->i", x, x)
    loud = power > FAINTEST * power.max()
    if not np.any(loud):
        return
    y = cut_windows(played, offsets + drift_room - grid.half_search, 2 * length)
    score, decoy = _scores(x, y, grid)
    lags = _best_path(score * loud[:, None], grid)
    rows = np.arange(len(begins))
    height = score[rows, lags]
    lags = lags - grid.half_search
    inside = np.abs(lags) < grid.half_search
    keep = loud & (height > LOWEST_MATCH) & inside
    if np.any(keep):
        straight, curved, change, lead, cut, of_path = _fit(
            template, played, offsets[keep], lags[keep], drift_room, grid, state.doubt, learning=learning
        )
        base = (state.lag + lags[keep]) / rate
        state.center.append((begins[keep] + (length - 1) / 2) / rate)
        state.straight.append((base + straight[0] / rate, straight[1] / rate))
        state.curved.append((base + curved[0] / rate, curved[1] / rate))
        state.lead.append(lead)
        state.cut.append(cut)
        state.of_path.append(of_path)
        # Windows took a lead in part for delay; what they cannot have taken tells how much that was.
        aligned = straight[0] + (rate * lead * _cut(cut)[0] if learning else 0.0)
        sums, alike = _spectra(dry, played, offsets[keep], lags[keep], drift_room, aligned, change, grid)
        state.alike = state.alike + alike
        state.groups = [a + b for a, b in zip(state.groups or [0.0] * len(sums), sums, strict=True)]
        state.lag += int(lags[keep][-1])
    state.match.append(height[loud])
    state.decoy.append(decoy[loud])


def _scores(x, y, grid):
    """Correlation of each window with the playback at every lag, and the best with a wrong partner."""
    length = grid.length
    spectrum_x = np.conj(fft.rfft(x, 2 * length, axis=1))
    spectrum_y = fft.rfft(y, axis=1)
    energy = np.cumsum(np.pad(y * y, ((0, 0), (1, 0))), axis=1)
    energy = energy[:, length:] - energy[:, :-length]
    scale_y = np.sqrt(np.maximum(energy, 1e-6 * energy.max(axis=1, keepdims=True)) + 1e-300)
    scale_x = np.sqrt(np.einsum("ij,ij->i", x, x) + 1e-300)[:, None]
    score = fft.irfft(spectrum_x * spectrum_y, axis=1)[:, : length + 1] / (scale_x * scale_y)
    turn = min(DECOY, max(1, len(x) // 2))
    wrong = fft.irfft(np.roll(spectrum_x, turn, 0) * spectrum_y, axis=1)[:, : length + 1]
    wrong /= np.roll(scale_x, turn, 0) * scale_y
    return score, wrong.max(axis=1)


def _best_path(score, grid):
    """The lag of each window on the path that correlates best, jumps charged by their length."""
    price = JUMP_PRICE * 48000 / grid.sample_rate
    count, width = score.shape
    ramp = price * np.arange(width)
    total = score[0].copy()
    history = [total]
    for row in score[1:]:
        up = np.maximum.accumulate(total + ramp) - ramp
        down = np.maximum.accumulate((total - ramp)[::-1])[::-1] + ramp
        total = np.maximum(up, down) + row
        history.append(total)
    path = np.empty(count, dtype=int)
    path[-1] = int(np.argmax(history[-1]))
    place = np.arange(width)
    for k in range(count - 2, -1, -1):
        path[k] = int(np.argmax(history[k] - price * np.abs(place - path[k + 1])))
    return path


def _fit(template, played, offsets, lags, room, grid, doubt, *, learning=False):
    """Fraction of a sample left over in each window and its standard uncertainty, in two ways.

    The first takes the delay as changing evenly within the window; the second lets it curve,
    which removes a bias at the price of more noise. Last comes what 1 Hz of low cut, not known of,
    takes off each window's delay, in s.
    """
    length, guard = grid.length, grid.guard
    spectrum = fft.rfft(cut_windows(template, offsets - guard, grid.padded) * grid.edges, axis=1)
    y = cut_windows(played, offsets + room + lags, length)
    shift = np.zeros(len(offsets))
    # The whole sample that correlates best may be a few off where the sound is deep.
    far, every = slice(None), np.arange(len(offsets))
    for _ in range(FIT_TURNS):
        _, columns = _moved(spectrum[far], shift[far], grid)
        fit = _least_squares(columns, y[far], grid)
        shift[far] += fit.step
        far = every[far][(np.abs(fit.step) > NEAR) & (fit.change != 0)]
        if len(far) == 0:
            break
    moved, columns = _moved(spectrum, shift, grid)
    straight = _least_squares(columns, y, grid)
    # A delay that bends by q tau^2 as well.
    curved = _least_squares(np.concatenate([columns, columns[:, -1:] * grid.tau], axis=1), y, grid)
    # A low cut adds the integral of the sound; a window takes part of that for delay.
    turn = np.concatenate([[0.0], 1j / grid.frequency[1:]])
    added = fft.irfft(moved * turn, grid.padded, axis=1)[:, guard : guard + length]
    lead = np.einsum("ki,ki->k", straight.influence, added) / grid.sample_rate
    cut = _of_cut(straight.gain[:, None] * added, columns, y, grid) if learning else None
    # A phase of the path that is not known moves the delay of a window by its share of the slope.
    power = power_spectrum(spectrum)
    doubt = np.zeros(len(grid.omega)) if doubt is None else doubt
    of_path = np.sqrt(power**2 @ (grid.omega**2 * doubt)) / (power @ grid.omega**2 + 1e-300)
    straight_or_curved = [(shift + fit.step, fit.sigma(grid)) for fit in (straight, curved)]
    return *straight_or_curved, straight.change, lead, cut, of_path / grid.sample_rate


def _moved(spectrum, shift, grid):
    """Spectra of windows moved by some samples, and the columns of their fit.

    ``y = a x(t - e - s tau) + c``; the columns belong to a, c, -a e, -a s.
    """
    inner = slice(grid.guard, grid.guard + grid.length)
    moved = spectrum * phase_ramp(-shift, grid.padded)
    value = fft.irfft(moved, grid.padded, axis=1)[:, inner]
    slope = fft.irfft(moved * (1j * grid.omega), grid.padded, axis=1)[:, inner]
    return moved, np.stack([value, np.ones_like(value), slope, slope * grid.tau], axis=1)


def _normal_equations(columns, taper):
    """The columns of each row under the taper, and their products; a trace of a ridge keeps them solvable."""
    weighted = columns * taper
    normal = weighted @ columns.transpose(0, 2, 1)
    ridge = 1e-12 * np.trace(normal, axis1=1, axis2=2)
    return weighted, normal + ridge[:, None, None] * np.eye(normal.shape[1])


def _of_cut(added, columns, y, grid):
    """What each window says of a low cut that the template lacks: two sums, whose ratio is the cut in Hz.

    What the cut adds has something in common with delay and gain of the window itself. That is taken off,
    so that the cut is told from what no delay can explain.
    """
    weighted, normal = _normal_equations(columns, grid.taper)
    both = np.stack([added, y], axis=2)
    common = np.linalg.solve(normal, weighted @ both)
    alone = both - columns.transpose(0, 2, 1) @ common
    return np.einsum("kti,t->ki", alone * alone[:, :, :1], grid.taper)


@dataclass(frozen=True, eq=False)
class _LeastSquares:
    """Each row's step of the shift in samples, gain, and change of delay; what tells how sure they are."""

    step: np.ndarray
    gain: np.ndarray
    change: np.ndarray
    influence: np.ndarray  # of each sample on the slope's coefficient
    residual: np.ndarray

    def sigma(self, grid):
        """Standard uncertainty of each step, in samples."""
        variance = (self.residual**2) @ grid.taper / grid.taper.sum()
        white = variance * np.einsum("ij,ij->i", self.influence, self.influence)
        # What another head adds to a partial goes on all through the window: what is left over in
        # one band of frequencies counts together.
        of_slope = fft.rfft(self.influence / grid.root, axis=1)
        left = fft.rfft(self.residual * grid.root, axis=1)
        share = np.add.reduceat(power_spectrum(of_slope), grid.bands, axis=1)
        share /= share.sum(axis=1, keepdims=True) + 1e-300
        product = of_slope.real * left.real + of_slope.imag * left.imag
        product = np.add.reduceat(product, grid.bands, axis=1) * 2 / grid.length
        # A band that has most of the say makes the fit follow it, and leaves little over (HC3).
        tied = np.sum((product / (1 - np.minimum(share, MOST_SAY))) ** 2, axis=1)
        usual = max(1.0, tied.mean() / (white.mean() + 1e-300))
        return np.sqrt(np.maximum(usual * white, tied)) / np.abs(self.gain)


def _least_squares(columns, y, grid):
    """Fit of each row by its columns, weighted with the taper."""
    weighted, normal = _normal_equations(columns, grid.taper)
    inverse = np.linalg.inv(normal)
    solution = inverse @ (weighted @ y[..., None])
    gain = np.where(np.abs(solution[:, 0, 0]) < 1e-12, 1e-12, solution[:, 0, 0])
    # A single click tells its delay, not how that changes: the sound must be spread over the window.
    spread = inverse[:, 3, 3] * normal[:, 2, 2] * SPREAD**2 < 1
    return _LeastSquares(
        step=np.clip(-solution[:, 2, 0] / gain, -1, 1),
        gain=gain,
        change=np.where(spread, -solution[:, 3, 0] / gain, 0.0),
        influence=(inverse[:, 2:3] @ weighted)[:, 0],
        residual=y - (solution.transpose(0, 2, 1) @ columns)[:, 0],
    )


def _spectra(dry, played, offsets, lags, room, shift, change, grid):
    """Aligned spectra summed over groups of windows: |X|^2, |Y|^2, Y X*, how many; and how alike they are."""
    guard = grid.guard
    x = cut_windows(dry, offsets - guard, grid.padded)
    leaning = fft.rfft(x * grid.leaning, axis=1) * (1j * grid.omega)
    leaning -= fft.rfft(x * grid.leaning_slope, axis=1)
    # The first order of what a changing delay does; where it is no longer small, in the treble, none.
    turn = np.outer(change, grid.omega) / SMALL
    x = fft.rfft(x * grid.bell, axis=1) - change[:, None] * leaning / (1 + turn**2 * turn**2)
    y = fft.rfft(cut_windows(played, offsets + room + lags - guard, grid.padded) * grid.bell, axis=1)
    y *= phase_ramp(shift, grid.padded)
    power = power_spectrum(x)
    which = group_matrix(offsets // grid.step)
    sums = [which @ power, which @ power_spectrum(y), which @ (y * np.conj(x)), which.sum(axis=1)]
    return sums, _alike(power)


def _alike(power):
    """How alike the tone of windows is that follow each other, from next to next to `NEIGHBORS` away, as sums.

    Of the windows' spectra that is left which is not in their mean; the first sum is that with itself.
    """
    shape = power / (power.sum(axis=1, keepdims=True) + 1e-300)
    shape -= shape.mean(axis=0)
    return np.array([np.vdot(shape[lag:], shape[: max(len(shape) - lag, 0)]) for lag in range(NEIGHBORS + 1)])


def _path_gain(recording, grid, lag, polarity, loudest):
    """What the path does to the tone, from the loudest seconds.

    With the return gain, and the low cut in Hz that may still be taken for delay.
    """
    rate = grid.sample_rate
    first = int(loudest * rate)
    last = min(first + int(COARSE * rate), recording.count)
    path, return_gain, left, low_cut = None, NO_RETURN, 0.0, 0.0
    again = False
    for turn in range(PATH_TURNS + 1):
        if turn == PATH_TURNS and not again:
            break
        state = _State(lag, return_gain)
        _follow(recording, grid, first, polarity, path, state, last, learning=True)
        if state.sums is None or state.sums[-1] < FEWEST:
            return None, NO_RETURN, 0.0, None
        if np.count_nonzero(_coherent(state.sums, grid)[1]) < FEWEST:
            return None, NO_RETURN, 0.0, None
        return_gain = _return_gain(recording, grid, state)
        if turn == 0:
            # It was recorded as well, and the first turn could not know of it: begin again.
            again = return_gain.value != 0
            if np.median(np.concatenate(state.match)) < MISLED:
                # Below the null of a gap nothing is turned over.
                taps = signal.firwin(grid.padded + 1, BELOW_NULLS, fs=rate)
                path, again = _Path(0.0, taps, turned=True), True
            if again:
                continue
        dry, played, cross, count = state.sums
        chance = CHANCE / count
        trusted = np.clip((np.abs(cross) ** 2 / (dry * played + 1e-300) - chance) / (1 - chance), 0, 1)
        missing, spread = _cut(np.concatenate(state.cut))
        left = float(np.hypot(missing, spread))
        low_cut = float(np.clip(low_cut + missing, 0.0, MOST_CUT))
        doubt = OVERLAP * (1 - trusted) / (2 * np.maximum(trusted, chance) * count)
        of_cut = np.abs(signal.freqz(*_Path.cut(low_cut, rate), grid.frequency, fs=rate)[1])
        gain = trusted * cross / (dry + 1e-300)
        # Bins in the bass hold more of their neighbors than of their own; there the cut is all there is.
        known = grid.frequency > BASS
        gain[known] /= of_cut[known]
        # Lead and delay are not the taps': with some of them there, no turn could tell what is missing.
        extra, _, seen = _phase_fit(state.sums, grid)
        gain *= np.exp(1j * (2 * np.pi * extra * grid.frequency - np.arctan2(seen.value, grid.frequency)))
        gain[~known] = np.mean(np.abs(gain[known & (grid.frequency < LOW_EDGE)]))
        taps = np.roll(fft.irfft(gain, grid.padded), grid.padded // 2)
        loud = power_spectrum(gain) * dry
        turned = loud[known & (gain.real < 0)].sum() > TURNED * loud[known].sum()
        path = _Path(low_cut, np.append(taps, 0.0) * np.hanning(grid.padded + 3)[1:-1], bool(turned))
    return path, return_gain, left, doubt


def _cut(sums):
    """Low cut that the template lacks, in Hz, and its standard uncertainty by how windows scatter."""
    square, product = sums.T
    cut = product.sum() / (square.sum() + 1e-300)
    # Windows of one sound err together.
    rest = np.add.reduceat(product - cut * square, np.arange(0, len(square), NEIGHBORS))
    factor = student(max(len(rest) - 1, 1))
    return float(cut), float(factor * np.sqrt(rest @ rest) / (square.sum() + 1e-300))


def _return_gain(recording, grid, state):
    """Gain with which the playback goes round again, 0 unless it is clearly there.

    The playback at ``t`` is regressed on the dry channel and on itself, both at ``t - T``.
    """
    rate = grid.sample_rate
    center, (delay, _) = state.center[0], state.straight[0]
    begins = np.round(center * rate - (grid.length - 1) / 2).astype(int)
    lags = np.round(delay * rate).astype(int)
    if lags.min() <= 0:
        return NO_RETURN  # what comes before its cause does not go round
    first, span = int(begins[0]), int(begins[-1] - begins[0]) + grid.length
    dry = _prepared(recording, "dry", first, span, rate)
    played = _prepared(recording, "playback", first, span + int(lags.max()) + 1, rate)
    x, p, y = (
        fft.rfft(cut_windows(samples, begins - first + shift, grid.length) * grid.taper, axis=1)
        for samples, shift in ((dry, 0), (played, 0), (played, lags))
    )
    y *= phase_ramp(delay * rate - lags, grid.length)
    which = group_matrix((begins - first) // grid.step)
    products = power_spectrum(x), power_spectrum(p), x * np.conj(p), y * np.conj(x), y * np.conj(p)
    parts = [which @ product for product in products]
    total, without = _left_out(parts, np.flatnonzero(which.sum(axis=1)))
    gain, without = _around(*total), [_around(*rest) for rest in without]
    spread = COVERAGE_FACTOR * jackknife(without) if len(without) > 1 else abs(gain)
    return Estimate(gain, spread) if abs(gain) > max(LEAST_RETURN, spread) else NO_RETURN


def _left_out(parts, used):
    """Sums over all groups of windows, and over all but one of the used groups, each in turn."""
    total = [part.sum(axis=0) for part in parts]
    return total, [[all_ - part[g] for all_, part in zip(total, parts, strict=True)] for g in used]


def _around(xx, pp, xp, xy, py):
    """Gain over that of the dry channel with which the playback comes back, from summed spectra."""
    determinant = xx * pp - np.abs(xp) ** 2
    use = determinant > 0.05 * xx * pp
    direct = (pp * xy - xp.conj() * py)[use] / determinant[use]
    around = (xx * py - xp * xy)[use] / determinant[use]
    weight = xx[use]
    power = np.sum(weight * np.abs(direct) ** 2)
    return float(np.sum(weight * (around * np.conj(direct)).real) / power) if power > 0 else 0.0


def _conclude(recording, grid, state, polarity, swapped, clipped, clock_tolerance, sentences):
    """Turn what has piled up into a `DelayTrack`, or say why not."""
    match = np.concatenate(state.match) if state.match else np.zeros(0)
    decoy = np.concatenate(state.decoy) if state.decoy else np.zeros(0)
    _must_belong_together(match, decoy)
    center = np.concatenate(state.center)
    delay, sigma = _straight_or_curved(
        *(np.concatenate(way, axis=1) for way in (state.straight, state.curved))
    )
    extra, extra_sigma, low_cut = _phase_of_all(state.groups, grid)
    low_cut = Estimate(
        low_cut.value, float(np.hypot(low_cut.uncertainty, COVERAGE_FACTOR * state.left_lead)), "Hz"
    )
    # As far as the low cut is not known, its lead is taken for delay, most where the sound is deep.
    lead = low_cut.uncertainty / COVERAGE_FACTOR * np.concatenate(state.lead)
    of_path = np.concatenate(state.of_path)
    sigma = np.sqrt(sigma**2 + (lead - np.median(lead)) ** 2 + of_path**2)
    good = _plausible(delay, sigma)
    if np.count_nonzero(good) < FEWEST:
        raise CannotTell(
            f"only {np.count_nonzero(good)} windows of {1e3 * grid.step / grid.sample_rate:.0f} ms show a "
            "clear echo"
        )
    center, delay, sigma = center[good], delay[good], sigma[good]
    delay = delay + extra
    mean, noise, wander, drift = _mean_and_drift(center, delay, sigma, grid.step / grid.sample_rate)
    # What a model of a window leaves out depends on the sound: windows of one note err alike.
    together = 1 + 2 * np.clip(state.alike[1:] / max(state.alike[0], 1e-300), 0, 1).sum()
    spread = float(COVERAGE_FACTOR * np.sqrt(together * noise**2 + extra_sigma**2 + np.median(lead) ** 2))
    sentences.append(
        "A lag of the electronics reads as delay: a second-order low pass at 7 kHz adds about 32 us, and no "
        "recording at one speed can tell it from head distance."
    )
    if np.std(lead) > np.median(sigma) / 2:
        sentences.append(
            "In this sound (speech is of that kind) an advance of the bass by coupling capacitors can "
            "hardly be told from delay. The uncertainties are larger for it; record clicks, noise or plucked "
            "strings to know the delay better."
        )
    typical = float(np.median(match))
    if typical < 0.9:
        sentences.append(_unlike(typical, state))
    if recording.one_clock and abs(drift.value) > max(2 * drift.uncertainty, STEADY):
        sentences.append(
            f"The delay drifts by {1e6 * drift.value:+.0f} us every second: the machine changes speed, or "
            "the two "
            "channels did not share one clock."
        )
    if not recording.one_clock:
        sentences.append(
            "Two files: the delay is counted from their beginnings, so it is right only if both were "
            "started by "
            f"the same clock; their clocks differ by {1e6 * drift.value:+.1f} parts per million, if the "
            "tape's speed is steady."
        )
    return DelayTrack(
        delay=Estimate(mean, spread, "s"),
        clock_uncertainty=Estimate.half_width(0.0, clock_tolerance * mean),
        wander=float(wander),
        time=center + delay,
        track=delay,
        track_uncertainty=COVERAGE_FACTOR * sigma,
        polarity=polarity,
        swapped=swapped,
        drift=drift,
        low_cut=low_cut,
        match=typical,
        return_gain=state.return_gain,
        used=len(delay),
        windows=len(match),
        clipped=clipped,
        sentences=tuple(sentences),
    )


def _unlike(typical, state):
    """Say why the playback is unlike the dry channel: its tone has changed, or there is more in it."""
    dry, played, cross, _ = state.sums
    told = float(np.sum(np.abs(cross) ** 2 / (dry + 1e-300)) / np.sum(played))
    alike = f"Only {100 * typical**2:.0f} % of the playback's power is the dry channel as it went in"
    if told > SAME_SOUND:
        return (
            f"{alike}, but {100 * told:.0f} % come from it: the tone has changed, most likely because treble "
            "is lost at a dirty or worn head, and there may be hiss. The delay allows for that."
        )
    return (
        f"{alike}; the rest is hiss, treble lost at a dirty or worn head, feedback or other heads, and the "
        "figures are so much worse. Clean the head, and measure one head at a time with the return send down."
    )


def _must_belong_together(match, decoy):
    """Refuse channels whose windows find wrong partners as good as the right ones."""
    if len(match) < FEWEST:
        raise CannotTell("there is less than half a second of sound with its echo")
    true, wrong = np.median(match), np.median(decoy)
    if (1 - true**2) > 0.5 * (1 - wrong**2) and true - wrong < 0.1:
        if wrong > 0.9:
            raise CannotTell(
                "the material is the same everywhere (a steady tone?), so that any delay fits; record "
                "music, speech, "
                "clicks or noise"
            )
        raise CannotTell("the two channels have nothing to do with each other")


def _straight_or_curved(straight, curved):
    """The better of the two fits of each window, with what the fit itself costs in its uncertainty."""
    extra = curved[1] ** 2 - straight[1] ** 2
    weight = 1 / (curved[1] ** 2 + np.median(curved[1]) ** 2) ** 2
    bend = max(float(weight @ ((curved[0] - straight[0]) ** 2 - extra) / weight.sum()), 0.0)
    better = curved[1] ** 2 < straight[1] ** 2 + bend
    delay = np.where(better, curved[0], straight[0])
    return delay, np.where(better, curved[1], np.sqrt(straight[1] ** 2 + bend))


def _plausible(delay, sigma):
    """Windows that neither jump away from their neighbors nor are too vague to use."""
    if len(delay) < 3:
        return np.ones(len(delay), dtype=bool)
    padded = np.pad(delay, 2, mode="reflect")
    around = np.median([padded[:-4], padded[1:-3], padded[3:-1], padded[4:]], axis=0)
    away = np.abs(delay - around)
    usual = 1.4826 * np.median(away)
    return (away < 8 * usual + 1e-9) & (sigma < 10 * np.median(sigma) + 1e-9)


def _phase_of_all(groups, grid):
    """As `_phase_fit`, with what parts of the recording differ by in the uncertainties (jackknife)."""
    total, without = _left_out(groups, np.flatnonzero(groups[-1]))
    extra, sigma, low_cut = _phase_fit(total, grid)
    if len(without) < GROUPS:
        return extra, sigma, low_cut
    without = [_phase_fit(rest, grid) for rest in without]
    of_cut = jackknife([w[2].value for w in without])
    spread = max(low_cut.uncertainty, COVERAGE_FACTOR * of_cut)
    return extra, max(sigma, jackknife([w[0] for w in without])), Estimate(low_cut.value, spread, "Hz")


def _coherent(sums, grid):
    """Coherence of each bin, and whether its phase tells anything."""
    dry, played, cross, _ = sums
    coherence = np.clip(np.abs(cross) ** 2 / (dry * played + 1e-300), 0, 1 - 1e-6)
    return coherence, (grid.frequency >= LOW_EDGE) & (coherence > 0.1) & (dry > 1e-7 * dry.max())


def _phase_fit(sums, grid):
    """Delay left over in the summed spectra, its standard uncertainty, and the low cut."""
    _, _, cross, count = sums
    coherence, use = _coherent(sums, grid)
    if np.count_nonzero(use) < FEWEST:
        raise CannotTell("dry channel and playback have too few frequencies in common")
    variance = (1 - coherence[use]) / (2 * coherence[use] * count)
    # Beyond a null of a head the sound comes back turned over, which is no delay: half turns do not count.
    frequency, turned = grid.frequency[use], cross[use] ** 2
    turned /= np.abs(turned) + 1e-300
    tries = grid.amiss[:, use]
    best = np.argmax(np.abs(tries @ (turned / variance)))
    phase = np.angle(turned * tries[best]) / 2
    low_cut = 0.0
    for _ in range(4):
        lead = np.arctan2(low_cut, frequency)
        design = np.stack([-2 * np.pi * frequency, frequency / (frequency**2 + low_cut**2)], axis=1)
        weight = 1 / variance
        normal = design.T @ (design * weight[:, None])
        solution = np.linalg.solve(normal, design.T @ (weight * (phase - lead)))
        low_cut += solution[1]
    rest = phase - lead - design @ solution
    covariance = OVERLAP * np.linalg.inv(normal)
    chi2 = float(rest**2 @ weight / max(len(rest) - 2, 1) / OVERLAP)
    covariance *= max(1.0, chi2)
    extra = solution[0] + AMISS[best] / grid.sample_rate
    sigma = np.sqrt(covariance[0, 0])
    corner = Estimate(float(low_cut), float(COVERAGE_FACTOR * np.sqrt(covariance[1, 1])), "Hz")
    return float(extra), float(sigma), corner


def _mean_and_drift(center, delay, sigma, hop):
    """Mean delay under a bell over time, its noise, how far a longer recording's mean may be; and drift.

    Under a bell, wow that goes round a few times in the recording leaves nothing in mean and slope.
    What slower changes may leave is read from the slowest frequencies that can be told from them.
    """
    place = np.round((center - center[0]) / hop).astype(int)
    even = np.arange(place[-1] + 1)
    track = np.interp(even, place, delay)
    since = hop * (even - even.mean())
    bell = np.hanning(len(even) + 2)[1:-1]
    for_mean, for_slope = bell / bell.sum(), bell * since / (bell @ since**2)
    mean, slope = float(for_mean @ track), float(for_slope @ track)
    rest = track - mean - slope * since
    # Windows between two that were used are their means.
    owner = np.round(np.interp(even, place, np.arange(len(place)))).astype(int)
    noise, of_slope = (
        np.sqrt(np.bincount(owner, weights, len(place)) ** 2 @ sigma**2) for weights in (for_mean, for_slope)
    )
    turns = np.exp(-2j * np.pi * np.outer([2, 3], even / len(even)))
    slow = max(np.mean(np.abs(turns @ (for_mean * rest)) ** 2) - noise**2, 0.0)
    slow_slope = slow * (for_slope @ for_slope) / (for_mean @ for_mean)
    # Mean delay and spacing over mean speed differ by the square of the wobble.
    square = np.var(rest) / mean
    wander = np.hypot(WANDER_FACTOR * np.sqrt(slow), COVERAGE_FACTOR * square)
    spread = np.hypot(COVERAGE_FACTOR * of_slope, WANDER_FACTOR * np.sqrt(slow_slope))
    return mean, float(noise), float(wander), Estimate(slope, float(spread), "s/s")
