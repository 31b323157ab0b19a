"""Short windows of the dry channel, each with its echo in the playback and the delay between them.

Every hop a window is correlated with the playback. The path through all windows that correlates best, with a
price on every jump, keeps periodic material from slipping by a period. Then each window is fitted by least
squares as ``y = a x(t - e - s tau) + c``, with a delay that may change within the window. What the machine
does to the tone, as far as it is known, is applied to `x` before, so that it is not taken for noise.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from tapecalc.calc.response import OnePass
from tapecalc.measuring.dsp import NEIGHBORS, cut_windows, group_matrix, phase_ramp, power_spectrum
from tapecalc.measuring.estimate import Estimate, student
from tapecalc.measuring.recording import Recording

Array = NDArray[np.float64]
Integers = NDArray[np.int_]
Flags = NDArray[np.bool_]

HIGHPASS = 700.0  # Hz; rumble and hum below say little about a delay
LEAST_RETURN = 0.02  # return gain below which the recording counts as free of feedback
NO_RETURN = Estimate(0.0, LEAST_RETURN)


class Grid:
    """Sizes and tapers that follow from sample rate (Hz), window length and hop (samples).

    A padded window has a guard on either side, an eighth of it, for shifting without wrapping. `lead` is
    the phase of the machine's equalizers, as far as it is known.
    """

    def __init__(self, sample_rate: int, length: int, hop: int, one_pass: OnePass | None = None) -> None:
        self.sample_rate, self.length, self.hop = sample_rate, length, hop
        self.guard = length // 8
        self.padded = length + 2 * self.guard
        self.inner = slice(self.guard, self.guard + length)
        self.half_search = length // 2
        self.frequency = fft.rfftfreq(self.padded, 1 / sample_rate)
        self.omega = 2 * np.pi * fft.rfftfreq(self.padded)  # rad per sample
        self.lead = np.zeros(len(self.frequency))
        if one_pass is not None:
            self.lead = equalizers_lead(one_pass, self.frequency)
        # Of a window: its taper, and time from its middle in half windows.
        self.taper = np.hanning(length + 2)[1:-1]
        self.tau = (np.arange(length) - (length - 1) / 2) / (length / 2)
        # Of a padded window: ramps over the guards, a bell over all, and the bell times tau with its slope.
        ramp = np.sin(np.pi / 2 * (np.arange(self.guard) + 0.5) / self.guard) ** 2
        self.ramps = np.concatenate([ramp, np.ones(length), ramp[::-1]])
        self.bell = np.hanning(self.padded + 2)[1:-1]
        tau = (np.arange(self.padded) - (self.padded - 1) / 2) / (length / 2)
        self.bell_tau = self.bell * tau
        turn = 2 * np.pi / (self.padded + 1)
        slope = turn / 2 * np.sin(turn * np.arange(1, self.padded + 1))
        self.bell_tau_slope = self.bell / (length / 2) + tau * slope


# ---- what the machine does to the sound ----


def equalizers_lead(one_pass: OnePass, frequency: Array) -> Array:
    """Phase of both equalizers together, rad; they lift the treble, and so advance it."""
    both = one_pass.record_gain(frequency) * one_pass.playback_gain(frequency)
    return np.unwrap(np.angle(both))


LEAST_CUT = 0.1  # Hz, since a filter cannot be made for 0


def low_cut_filter(corner: float, rate: int) -> tuple[Array, Array]:
    """Coefficients of a first-order low cut at `corner` Hz."""
    return signal.butter(1, max(corner, LEAST_CUT), "highpass", fs=rate)


@dataclass(frozen=True, eq=False)
class MachinePath:
    """What the machine does to the sound on its way, as far as it is known.

    The taps are short: in the bass, where a nasal sound has nearly all it has, too short for a low cut,
    which stands beside them.
    """

    polarity: int = 1
    return_gain: Estimate = NO_RETURN  # with which the playback is fed back to the record head
    low_cut: float = 0.0  # Hz
    taps: Array | None = None  # of a filter for all else; None before it is known
    treble_inverted: bool = False  # whether much of the sound comes back with its polarity inverted
    unknown_cut: float = 0.0  # Hz of low cut whose phase lead may still be taken for delay
    phase_variance: Array | None = None  # of the path at each frequency of the grid, rad^2

    def applied(self, dry: Array, rate: int) -> Array:
        """The sound as it comes out, but for polarity and delay."""
        if self.taps is None:
            return dry
        return signal.oaconvolve(signal.lfilter(*low_cut_filter(self.low_cut, rate), dry), self.taps, "same")


def read_highpassed(recording: Recording, name: str, first: int, count: int) -> Array:
    """Read a piece of a channel without rumble; the filter gets half a second to settle."""
    warm = recording.sample_rate // 2
    sos = signal.butter(2, HIGHPASS, "highpass", fs=recording.sample_rate, output="sos")
    return signal.sosfilt(sos, recording.read(name, first - warm, count + warm))[warm:]


# ---- what the windows give ----


class Spectra(NamedTuple):
    """Spectra of windows and of their echoes, set back by their delays and added up.

    As `Windows` has them, each has a first axis for groups of windows.
    """

    dry: Array  # |X|^2
    played: Array  # |Y|^2
    cross: NDArray[np.complex128]  # Y X*
    number: Array  # of windows

    def total(self) -> Spectra:
        """Sum over the groups."""
        return Spectra(*(part.sum(axis=0) for part in self))


@dataclass(frozen=True, eq=False)
class Windows:
    """The windows of which the echo was found, in order, and what they add up to. Times in s."""

    center: Array  # of each window in the dry channel
    delay: Array  # if it changes evenly within the window
    sigma: Array  # standard uncertainty of that
    curved_delay: Array  # if it bends as well: less bias, more noise
    curved_sigma: Array
    lead: Array  # by which each Hz of low cut that is not known of shortens the delay
    path_sigma: Array  # standard uncertainty from the path's phase
    cut_sums: Array  # (windows, 2) see `missing_low_cut`; zeros unless asked for
    match: Array  # correlation of every window that has sound with its echo
    decoy: Array  # and the best with a wrong partner
    spectra: Spectra
    alike: Array  # how alike windows are to themselves and to their next neighbors, as sums

    @classmethod
    def none(cls, grid: Grid) -> Windows:
        """Nothing found."""
        row, zeros = np.zeros(0), group_matrix(np.zeros(0, dtype=int)) @ np.zeros((0, len(grid.omega)))
        spectra = Spectra(zeros, zeros, zeros.astype(complex), zeros[:, 0])
        cut_sums = np.zeros((0, 2))
        return cls(row, row, row, row, row, row, row, cut_sums, row, row, spectra, np.zeros(NEIGHBORS + 1))

    def followed_by(self, later: Windows) -> Windows:
        """These windows and later ones."""
        names = [field.name for field in fields(self) if field.name not in ("spectra", "alike")]
        rows = {name: np.concatenate([getattr(self, name), getattr(later, name)]) for name in names}
        sums: list[NDArray[Any]] = [a + b for a, b in zip(self.spectra, later.spectra, strict=True)]
        return Windows(**rows, spectra=Spectra(*sums), alike=self.alike + later.alike)


CHUNK = 10.0  # s of sound worked on at a time


def fit_windows(
    recording: Recording,
    grid: Grid,
    lag: int,
    path: MachinePath,
    *,
    first: int = 0,
    last: int | None = None,
    learning: bool = False,
) -> Windows:
    """Find and fit every window from sample `first` to `last`, with an echo about `lag` samples later.

    From chunk to chunk the lag follows the delay. While the path is `learning`, the low cut that it lacks
    is summed up, and what that took off the windows' delays is put back before spectra are added.
    """
    last = recording.count if last is None else last
    size = int(CHUNK * grid.sample_rate)
    windows = Windows.none(grid)
    for begin in range(first, last, size):
        chunk = _read_chunk(recording, grid, lag, path, begin, min(begin + size, last))
        aligned = None if chunk is None else _align(chunk, grid, path)
        if chunk is None or aligned is None:
            continue
        windows = windows.followed_by(_fit_chunk(chunk, aligned, grid, path, learning=learning))
        if aligned.found.any():
            lag += int(aligned.lags[aligned.found][-1])
    return windows


def match_of_windows(
    recording: Recording, grid: Grid, lag: int, path: MachinePath, first: int, last: int
) -> float:
    """Median correlation of windows with their echoes around a lag, 0 without any sound."""
    chunk = _read_chunk(recording, grid, lag, path, first, last)
    aligned = None if chunk is None else _align(chunk, grid, path)
    return 0.0 if aligned is None else float(np.median(aligned.match[aligned.loud]))


# ---- where each echo is ----

ROOM = 0.1  # s of playback read on either side beyond what windows look at


@dataclass(frozen=True, eq=False)
class _Chunk:
    """A piece of both channels, and the windows that begin in it."""

    begins: Integers  # of each window, in the recording
    offsets: Integers  # of each window, in `dry` and `template`
    echoes: Integers  # of each window's echo in `playback`, if it comes `lag` later
    lag: int
    dry: Array  # what went to the record head
    template: Array  # that as the path changes it
    playback: Array  # not inverted any more

    def only(self, which: Flags) -> _Chunk:
        """Some of the windows."""
        rows = {name: getattr(self, name)[which] for name in ("begins", "offsets", "echoes")}
        return replace(self, **rows)


def _read_chunk(
    recording: Recording, grid: Grid, lag: int, path: MachinePath, first: int, last: int
) -> _Chunk | None:
    """The windows that begin and end between two samples; None if there are none."""
    begins = np.arange(-(-first // grid.hop) * grid.hop, last - grid.length + 1, grid.hop)
    begins = begins[begins + grid.length + lag <= recording.count]
    if len(begins) == 0:
        return None
    margin = grid.half_search + 2 * grid.padded
    room = int(ROOM * grid.sample_rate)
    begin, span = int(begins[0]) - margin, int(begins[-1] - begins[0]) + grid.length + 2 * margin
    dry = read_highpassed(recording, "dry", begin, span)
    if path.return_gain.value != 0:
        dry = dry + path.return_gain.value * read_highpassed(recording, "playback", begin, span)
    playback = path.polarity * read_highpassed(recording, "playback", begin + lag - room, span + 2 * room)
    offsets = begins - begin
    template = path.applied(dry, grid.sample_rate)
    return _Chunk(begins, offsets, offsets + room, lag, dry, template, playback)


class _Aligned(NamedTuple):
    """For each window of a chunk: where its echo is."""

    lags: Integers  # samples beyond the chunk's lag
    match: Array  # correlation there
    decoy: Array  # the best correlation with a wrong partner
    loud: Flags  # whether it has sound
    found: Flags  # whether its echo was found


FAINTEST = 1e-5  # power of a window against the loudest one, below which it is skipped
LOWEST_MATCH = 0.3  # correlation of a window that is still used


def _align(chunk: _Chunk, grid: Grid, path: MachinePath) -> _Aligned | None:
    """Find the echo of every window; None if all is silent."""
    # The sound as it went in is most like the playback, unless treble comes back inverted.
    source = chunk.template if path.treble_inverted else chunk.dry
    x = cut_windows(source, chunk.offsets, grid.length)
    power = np.einsum("ij,ij->i", x, x)
    loud = power > FAINTEST * power.max()
    if not np.any(loud):
        return None
    y = cut_windows(chunk.playback, chunk.echoes - grid.half_search, 2 * grid.length)
    score, decoy = _correlations(x, y, grid)
    lags = _best_path(score * loud[:, None], grid)
    match = score[np.arange(len(x)), lags]
    lags = lags - grid.half_search
    found = loud & (match > LOWEST_MATCH) & (np.abs(lags) < grid.half_search)
    return _Aligned(lags, match, decoy, loud, found)


WRONG_PARTNER = 7  # windows further on is a partner that cannot be the right one


def _correlations(x: Array, y: Array, grid: Grid) -> tuple[Array, Array]:
    """Correlation of each window with the playback at every lag, and the best with a wrong partner."""
    length = grid.length
    spectrum_x = np.conj(fft.rfft(x, 2 * length, axis=1))
    spectrum_y = fft.rfft(y, axis=1)
    energy = np.cumsum(np.pad(y * y, ((0, 0), (1, 0))), axis=1)
    energy = energy[:, length:] - energy[:, :-length]
    scale_y = np.sqrt(np.maximum(energy, 1e-6 * energy.max(axis=1, keepdims=True)) + 1e-300)
    scale_x = np.sqrt(np.einsum("ij,ij->i", x, x) + 1e-300)[:, None]
    score = fft.irfft(spectrum_x * spectrum_y, axis=1)[:, : length + 1] / (scale_x * scale_y)
    turn = min(WRONG_PARTNER, max(1, len(x) // 2))
    wrong = fft.irfft(np.roll(spectrum_x, turn, 0) * spectrum_y, axis=1)[:, : length + 1]
    wrong /= np.roll(scale_x, turn, 0) * scale_y
    return score, wrong.max(axis=1)


JUMP_PRICE = 2e-3  # correlation that a jump of one sample (at 48 kHz) must win


def _best_path(score: Array, grid: Grid) -> Integers:
    """Place of each window on the path that correlates best, jumps charged by their length (Viterbi)."""
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


# ---- the delay of each window, to a fraction of a sample ----


def _fit_chunk(chunk: _Chunk, aligned: _Aligned, grid: Grid, path: MachinePath, *, learning: bool) -> Windows:
    """Fit the windows whose echo was found, with a delay that changes evenly and one that bends."""
    rate = grid.sample_rate
    match, decoy = aligned.match[aligned.loud], aligned.decoy[aligned.loud]
    if not np.any(aligned.found):
        return replace(Windows.none(grid), match=match, decoy=decoy)
    chunk, lags = chunk.only(aligned.found), aligned.lags[aligned.found]
    spectrum = fft.rfft(
        cut_windows(chunk.template, chunk.offsets - grid.guard, grid.padded) * grid.ramps, axis=1
    )
    y = cut_windows(chunk.playback, chunk.echoes + lags, grid.length)
    shift = _settled_shift(spectrum, y, grid)
    moved, columns = _shifted(spectrum, shift, grid)
    straight = _least_squares(columns, y, grid)
    curved = _least_squares(np.concatenate([columns, columns[:, -1:] * grid.tau], axis=1), y, grid)
    # A low cut adds the integral of the sound, part of which a window takes for delay.
    integral = np.concatenate([[0.0], 1j / grid.frequency[1:]])
    added = fft.irfft(moved * integral, grid.padded, axis=1)[:, grid.inner]
    lead = np.einsum("ki,ki->k", straight.influence, added) / rate
    cut_sums = np.zeros((len(lags), 2))
    put_back: float | Array = 0.0
    if learning:
        cut_sums = _cut_sums(straight.gain[:, None] * added, columns, y, grid)
        put_back = rate * lead * missing_low_cut(cut_sums)[0]
    spectra, alike = _added_spectra(chunk, lags, shift + straight.step + put_back, straight.change, grid)
    base = (chunk.lag + lags) / rate
    return Windows(
        center=(chunk.begins + (grid.length - 1) / 2) / rate,
        delay=base + (shift + straight.step) / rate,
        sigma=straight.sigma(grid) / rate,
        curved_delay=base + (shift + curved.step) / rate,
        curved_sigma=curved.sigma(grid) / rate,
        lead=lead,
        path_sigma=_path_sigma(power_spectrum(spectrum), grid, path) / rate,
        cut_sums=cut_sums,
        match=match,
        decoy=decoy,
        spectra=spectra,
        alike=alike,
    )


MOST_TURNS = 12
NEAR = 0.6  # samples; the last step of a fit that is not further off


def _settled_shift(spectrum: NDArray[np.complex128], y: Array, grid: Grid) -> Array:
    """Shift of each window in samples, near which its fit stays; the best correlation may be a few off."""
    shift = np.zeros(len(y))
    moving = np.arange(len(y))
    for _ in range(MOST_TURNS):
        _, columns = _shifted(spectrum[moving], shift[moving], grid)
        fit = _least_squares(columns, y[moving], grid)
        shift[moving] += fit.step
        # A single click settles at once.
        moving = moving[(np.abs(fit.step) > NEAR) & (fit.change != 0)]
        if len(moving) == 0:
            break
    return shift


def _shifted(
    spectrum: NDArray[np.complex128], shift: Array, grid: Grid
) -> tuple[NDArray[np.complex128], Array]:
    """Spectra of windows moved by some samples, and the columns of their fit, of a, c, -a e and -a s."""
    moved = spectrum * phase_ramp(-shift, grid.padded)
    value = fft.irfft(moved, grid.padded, axis=1)[:, grid.inner]
    slope = fft.irfft(moved * (1j * grid.omega), grid.padded, axis=1)[:, grid.inner]
    return moved, np.stack([value, np.ones_like(value), slope, slope * grid.tau], axis=1)


BAND = 1100.0  # Hz, over which the residuals of a fit are taken together
MOST_SHARE = 0.9  # of the influence of one band, as far as that is allowed for


@dataclass(frozen=True, eq=False)
class _LeastSquares:
    """The fit of each window."""

    step: Array  # by which the shift is off, in samples
    gain: Array
    change: Array  # of the delay over half a window, in samples
    influence: Array  # of each sample on the coefficient of the shift
    residual: Array

    def sigma(self, grid: Grid) -> Array:
        """Standard uncertainty of each step, in samples."""
        variance = (self.residual**2) @ grid.taper / grid.taper.sum()
        white = variance * np.einsum("ij,ij->i", self.influence, self.influence)
        # What another head adds to a partial goes on all through the window: residuals of one band of
        # frequencies count together.
        bands = np.arange(0, grid.length // 2 + 1, max(1, round(BAND * grid.length / grid.sample_rate)))
        root = np.sqrt(grid.taper)
        influence = fft.rfft(self.influence / root, axis=1)
        residual = fft.rfft(self.residual * root, axis=1)
        share = np.add.reduceat(power_spectrum(influence), bands, axis=1)
        share /= share.sum(axis=1, keepdims=True) + 1e-300
        product = influence.real * residual.real + influence.imag * residual.imag
        product = np.add.reduceat(product, bands, axis=1) * 2 / grid.length
        # A band that has most of the influence makes the fit follow it, and leaves little residual (HC3).
        banded = np.sum((product / (1 - np.minimum(share, MOST_SHARE))) ** 2, axis=1)
        usual = max(1.0, banded.mean() / (white.mean() + 1e-300))
        return np.sqrt(np.maximum(usual * white, banded)) / np.abs(self.gain)


#: Standard deviation in time, in half windows, of a sound that tells how its delay changes.
LEAST_SPREAD = 0.2


def _least_squares(columns: Array, y: Array, grid: Grid) -> _LeastSquares:
    """Fit of each row by its columns, weighted with the taper.

    Source: least squares for a shift, for example S. M. Kay, Fundamentals of Statistical Signal
    Processing: Estimation Theory, 1993 (from memory).
    """
    weighted, normal = _normal_equations(columns, grid.taper)
    inverse = np.linalg.inv(normal)
    solution = inverse @ (weighted @ y[..., None])
    gain = np.where(np.abs(solution[:, 0, 0]) < 1e-12, 1e-12, solution[:, 0, 0])
    # A single click tells its delay, not how that changes: the sound must be spread over the window.
    spread = inverse[:, 3, 3] * normal[:, 2, 2] * LEAST_SPREAD**2 < 1
    return _LeastSquares(
        step=np.clip(-solution[:, 2, 0] / gain, -1, 1),
        gain=gain,
        change=np.where(spread, -solution[:, 3, 0] / gain, 0.0),
        influence=(inverse[:, 2:3] @ weighted)[:, 0],
        residual=y - (solution.transpose(0, 2, 1) @ columns)[:, 0],
    )


def _normal_equations(columns: Array, taper: Array) -> tuple[Array, Array]:
    """The columns of each row under the taper, and their products, which a slight ridge keeps solvable."""
    weighted = columns * taper
    normal = weighted @ columns.transpose(0, 2, 1)
    ridge = 1e-12 * np.trace(normal, axis1=1, axis2=2)
    return weighted, normal + ridge[:, None, None] * np.eye(normal.shape[1])


def _cut_sums(added: Array, columns: Array, y: Array, grid: Grid) -> Array:
    """For each window two sums whose ratio is the low cut in Hz that the path lacks.

    What the cut adds has something in common with delay and gain of the window itself. That is taken off,
    so that the cut is told from what no delay can explain.
    """
    weighted, normal = _normal_equations(columns, grid.taper)
    both = np.stack([added, y], axis=2)
    common = np.linalg.solve(normal, weighted @ both)
    alone = both - columns.transpose(0, 2, 1) @ common
    return np.einsum("kti,t->ki", alone * alone[:, :, :1], grid.taper)


def missing_low_cut(cut_sums: Array) -> tuple[float, float]:
    """Low cut in Hz that the path lacks, and its standard uncertainty by how windows scatter."""
    square, product = cut_sums.T
    cut = product.sum() / (square.sum() + 1e-300)
    # Windows of one sound err together.
    rest = np.add.reduceat(product - cut * square, np.arange(0, len(square), NEIGHBORS))
    factor = student(max(len(rest) - 1, 1))
    return float(cut), float(factor * np.sqrt(rest @ rest) / (square.sum() + 1e-300))


def _path_sigma(power: Array, grid: Grid, path: MachinePath) -> Array:
    """Samples by which the path's uncertain phase may move each window: its part of the slope."""
    if path.phase_variance is None:
        return np.zeros(len(power))
    return np.sqrt(power**2 @ (grid.omega**2 * path.phase_variance)) / (power @ grid.omega**2 + 1e-300)


# ---- spectra of all windows ----

SMALL_TURN = 0.5  # rad, up to which the first order of a turn does


def _added_spectra(
    chunk: _Chunk, lags: Integers, shift: Array, change: Array, grid: Grid
) -> tuple[Spectra, Array]:
    """Spectra of the windows, aligned and added up by groups; and how alike neighbors are."""
    x = cut_windows(chunk.dry, chunk.offsets - grid.guard, grid.padded)
    leaning = fft.rfft(x * grid.bell_tau, axis=1) * (1j * grid.omega)
    leaning -= fft.rfft(x * grid.bell_tau_slope, axis=1)
    # The first order of what a changing delay does; where it is no longer small, in the treble, none.
    turn = np.outer(change, grid.omega) / SMALL_TURN
    x = fft.rfft(x * grid.bell, axis=1) - change[:, None] * leaning / (1 + turn**2 * turn**2)
    y = cut_windows(chunk.playback, chunk.echoes + lags - grid.guard, grid.padded)
    y = fft.rfft(y * grid.bell, axis=1)
    y *= phase_ramp(shift, grid.padded)
    power = power_spectrum(x)
    group = group_matrix(chunk.offsets // grid.hop)
    spectra = Spectra(group @ power, group @ power_spectrum(y), group @ (y * np.conj(x)), group.sum(axis=1))
    return spectra, _likeness(power)


def _likeness(power: Array) -> Array:
    """How alike the tone of windows is that are 0, 1 ... `NEIGHBORS` apart, as sums.

    Compared is what each has that the mean of all has not.
    """
    shape = power / (power.sum(axis=1, keepdims=True) + 1e-300)
    shape -= shape.mean(axis=0)
    return np.array([np.vdot(shape[k:], shape[: max(len(shape) - k, 0)]) for k in range(NEIGHBORS + 1)])
