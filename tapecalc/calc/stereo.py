"""Two tracks whose echoes are sent back straight, crossed or both: a loop with a left and a right side.

What the tracks' heads play goes back through four sends, from either track to either track. With the response
R of one pass, the heads P, the sends G (a row for each track that is recorded) and a leak X from track to
track, once round is ``L(f) = R(f) G diag(P_left, P_right) X``, a matrix of two by two. A tone stays where an
eigenvalue of L is 1, that is where ``det(I - L) = 0``.
"""

import cmath
import math
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.heads import Heads, taps_gain
from tapecalc.calc.loop import HIGHEST_FREQUENCY, SignedGain
from tapecalc.calc.quantity import FrequencyOrZero, Is, T, calculator, check_fields, finite
from tapecalc.calc.response import NULL_DB, ComplexGain, OnePass, loudest
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude

Sends = tuple[
    tuple[float, float], tuple[float, float]
]  # to the left from left and right, to the right likewise
CrossedShare = Annotated[
    T, Is(least=0, most=1, words="share of a return that crosses over", usual=(0.0, 1.0))
]

#: Bands in which the loudest tone is looked for, cells of one turn of the longest delay, and steps of a cell.
_BANDS, _CELLS, _STEPS = 400, 24, 16
#: Poles tried, one further to the right than the last, and steps to find one.
_MOST_POLES, _MOST_STEPS = 50, 100
TOGETHER = 1e-6  # s, within which two echoes are one
MOST_FOLLOWED = 2000  # sounds on the tape, the loudest


@dataclass(frozen=True, kw_only=True)
class StereoLoop:
    """Two tracks of one tape, the heads of each, and the four sends that bring them back."""

    heads: tuple[Heads, Heads]  # of the left and of the right track
    sends: Sends
    one_pass: OnePass
    leak: SignedGain[float] = 0.0  # amplitude of each track in the playback of the other

    def __post_init__(self) -> None:
        if len(self.heads) != 2 or not all(isinstance(one, Heads) for one in self.heads):
            raise ValueError(f"heads must be two Heads, left and right, got {self.heads!r}")
        if not isinstance(self.one_pass, OnePass):
            raise ValueError(f"one_pass must be a OnePass, got {self.one_pass!r}")
        sends = finite("sends", self.sends)
        if sends.shape != (2, 2):
            raise ValueError(f"sends must be two rows of two amplitudes, got shape {sends.shape}")
        object.__setattr__(self, "heads", tuple(self.heads))
        object.__setattr__(self, "sends", tuple(tuple(row) for row in sends.tolist()))
        check_fields(self)

    @property
    def longest(self) -> float:
        """The longest delay in s."""
        return max(max(one.spacings) for one in self.heads) / self.one_pass.speed


@dataclass(frozen=True, kw_only=True)
class StereoStability:
    """How far a loop of two tracks is from running away, and what its first tone does on either side."""

    stable: bool  # whether every echo dies away, with these sends and with all of them lower
    margin_db: float  # how far all four sends may go up together until a tone stays
    frequency: float | None  # Hz, of the tone that comes first; None if none comes back in phase
    sides: tuple[complex, complex]  # that tone on the left and on the right; the louder one is 1
    bound_db: float  # the margin if everything were in phase at the loudest frequency, never above it


@calculator
def shared_sends(gain: SignedGain[float], crossed: CrossedShare[float]) -> Sends:
    """Send each track back to itself and, a share of it, to the other, all by one gain.

    The sum of the two sides comes back by `gain`, and their difference by ``gain (1 - 2 crossed)``: with half
    of it crossed the echo is mono from its second repeat on, with all of it the sides change places.

    >>> shared_sends(0.5, 1.0)
    ((0.0, 0.5), (0.5, 0.0))
    """
    own, other = gain * (1 - crossed), gain * crossed
    return (own, other), (other, own)


@calculator
def side_gains(stereo: StereoLoop, frequency: FrequencyOrZero) -> tuple[ComplexGain, ComplexGain]:
    """Compute the two eigenvalues of L(f), the louder first: what comes back as it was, but for a factor.

    ``(l_11 + l_22) / 2 +- sqrt((l_11 - l_22)^2 / 4 + l_12 l_21)``
    """
    half, apart = _halves(_matrix(stereo, frequency))
    first, other = half + apart, half - apart
    louder = np.abs(first) >= np.abs(other)
    return np.where(louder, first, other), np.where(louder, other, first)


def stereo_stability(stereo: StereoLoop) -> StereoStability:
    """Work out the margin of two tracks: the largest eigenvalue among all tones in phase sets it.

    The bound is the largest eigenvalue that all heads, sends and the leak could have in phase. Of equal tones
    the lowest is named.

    Source: A. MacFarlane and I. Postlethwaite, The generalized Nyquist criterion, 1977 (from memory).
    """
    bound = max(_bound(stereo) * db_to_amplitude(loudest(stereo.one_pass)[1]), db_to_amplitude(NULL_DB))
    gain, frequency = _first_in_phase(stereo)
    margin_db = -amplitude_to_db(max(gain, db_to_amplitude(NULL_DB)))
    return StereoStability(
        stable=margin_db > 0,
        margin_db=margin_db,
        frequency=frequency,
        sides=(0j, 0j) if frequency is None else _sides(_matrix(stereo, np.array(frequency)), gain),
        bound_db=-amplitude_to_db(bound),
    )


def stereo_growth_db_per_s(stereo: StereoLoop) -> float:
    """Compute how fast the level of two tracks changes in the end; it grows above 0 dB and dies below.

    The rate at which the loudest tone in phase, damped by it, just stays: ``det(I - L(s)) = 0``, with R as it
    is at the frequency of the pole.
    """
    rate, is_pole = 0.0, False
    for _ in range(_MOST_POLES):
        # What grows faster, damped by the rate so far, comes back in phase and louder than it left.
        gain, frequency = _first_in_phase(_damped(stereo, rate))
        if frequency is None:
            raise ValueError("stereo must have a tone that comes back in phase, got one without")
        found = _pole_near(stereo, rate, frequency, gain)
        if is_pole and (gain < 1 + 1e-9 or found <= rate):
            break
        rate, is_pole = found, True
    return 20 * math.log10(math.e) * rate


def stereo_echoes(
    stereo: StereoLoop, sent: tuple[float, float], *, longest: float = 3.0, faintest_db: float = -40.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """List what is heard after one short sound: rising times in s, and amplitudes on the left and right.

    `sent` are the amplitudes with which it is recorded on the two tracks. Each way round counts at the gain
    of the loudest frequency; what falls together adds up, and what is fainter than `faintest_db` is left out.

    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.2, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> head = Heads(spacings=(0.05,))
    >>> crossed = StereoLoop(heads=(head, head), sends=shared_sends(0.5, 1), one_pass=one_pass)
    >>> times, sides = stereo_echoes(crossed, (1.0, 0.0), longest=0.8)
    >>> times.tolist(), sides.tolist()
    ([0.25, 0.5, 0.75], [[1.0, 0.0], [0.0, 0.5], [0.25, 0.0]])
    """
    faintest, speed = db_to_amplitude(faintest_db) * (1 - 1e-9), stereo.one_pass.speed
    passed = db_to_amplitude(loudest(stereo.one_pass)[1]) * _leaks(stereo)
    times, levels = np.zeros(1), np.array([sent], float)  # what is on the tape, round by round
    heard: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    while times.size:
        rounds = []
        for track, heads in enumerate(stereo.heads):
            arrives = np.add.outer(times, heads.delays(speed))
            played = np.multiply.outer(levels @ passed[track], heads.gains)
            loud = (arrives <= longest) & (np.abs(played) >= faintest)
            sides = np.zeros((np.count_nonzero(loud), 2))
            sides[:, track] = played[loud]
            heard.append((arrives[loud], sides))
            fed = np.broadcast_to(heads.feeds_return, loud.shape)[loud]
            rounds.append((arrives[loud][fed], sides[fed] @ np.transpose(stereo.sends)))
        times, levels = _added_up(rounds)
        kept = np.argsort(-np.abs(levels).max(axis=1), kind="stable")[:MOST_FOLLOWED]
        times, levels = times[kept], levels[kept]
    times, levels = _added_up(heard)
    loud = np.abs(levels).max(axis=1, initial=0) >= faintest
    return times[loud], levels[loud]


def _added_up(
    rounds: list[tuple[NDArray[np.float64], NDArray[np.float64]]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sort echoes by time and add up those that fall together."""
    times, levels = (np.concatenate(parts) for parts in zip(*rounds, strict=True))
    ticks, place = np.unique(np.round(times / TOGETHER), return_inverse=True)
    total = np.zeros((ticks.size, 2))
    np.add.at(total, place, levels)
    return ticks * TOGETHER, total


# ---- the matrix, its eigenvalues, and the search for tones in phase ----


def _leaks(stereo: StereoLoop) -> NDArray[np.float64]:
    return np.array([[1, stereo.leak], [stereo.leak, 1]])


def _matrix(stereo: StereoLoop, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Compute L at frequencies of any shape; row and column are the last two axes."""
    speed = stereo.one_pass.speed
    taps = [taps_gain(frequency, one.delays(speed), one.return_gains) for one in stereo.heads]
    played: NDArray[np.complex128] = stereo.one_pass.gain(frequency) * np.array(taps)
    return np.array(stereo.sends) @ (np.moveaxis(played, 0, -1)[..., None] * _leaks(stereo))


def _halves(matrix: NDArray[Any]) -> tuple[Any, Any]:
    """Compute the middle of the two eigenvalues, and how far either lies from it."""
    first, other = matrix[..., 0, 0], matrix[..., 1, 1]
    return (first + other) / 2, np.sqrt((first - other) ** 2 / 4 + matrix[..., 0, 1] * matrix[..., 1, 0])


def _both(stereo: StereoLoop, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Compute both eigenvalues, in no order, on an axis before those of the frequencies."""
    middle, apart = _halves(_matrix(stereo, frequency))
    return np.stack([middle + apart, middle - apart])


def _first_in_phase(stereo: StereoLoop) -> tuple[float, float | None]:
    """Find the largest eigenvalue that is real and positive, and its frequency; 0 and None if none is."""
    fine = np.linspace(0, HIGHEST_FREQUENCY, 32 * _BANDS + 1)
    passed = _bound(stereo) * 10 ** (stereo.one_pass.level_db(fine) / 20)
    most = np.maximum(passed[:-1], passed[1:]).reshape(_BANDS, 32).max(axis=1)
    best: tuple[float, float | None] = (0.0, None)
    for band in np.argsort(-most.round(9), kind="stable"):  # the loudest first, until no other can be louder
        if most[band] > best[0] * 1.0001:
            best = _louder(stereo, fine[32 * band], fine[32 * band + 32], best)
    return best


def _louder(
    stereo: StereoLoop, low: float, high: float, best: tuple[float, float | None]
) -> tuple[float, float | None]:
    """Return the largest eigenvalue of a band that is real and positive, or the best so far."""
    knots = np.linspace(low, high, 2 + math.ceil((high - low) * _CELLS * stereo.longest))
    if low == 0:  # just above 0 Hz even the slightest low cut turns the phase within one cell
        knots = np.insert(knots, 1, knots[1] * np.geomspace(1e-9, 0.1, 10))
    gains = _both(stereo, knots)
    ends = np.stack([gains[..., :-1], gains[..., 1:]])
    size = np.abs(ends).max(axis=0)
    near = (
        (np.abs(ends.imag).min(axis=0) <= 0.4 * size) & (ends.real.max(axis=0) > 0) & (size > 0.95 * best[0])
    )
    cells = np.flatnonzero(near.any(axis=0))
    if not cells.size:
        return best
    f = knots[cells, None] + np.diff(knots)[cells, None] * np.linspace(0, 1, _STEPS + 1)
    gains = _both(stereo, f)
    ends = np.stack([gains[..., :-1], gains[..., 1:]])
    crossing = (np.prod(np.sign(ends.imag), axis=0) <= 0) & (ends.real.sum(axis=0) > 0)
    # Between two steps a straight line is right to some 1e-5.
    across = np.abs(ends.imag).sum(axis=0)
    share = np.abs(ends[0].imag) / np.where(across > 0, across, 1)
    size = np.where(crossing, (1 - share) * ends[0].real + share * ends[1].real, 0.0)
    which = np.nonzero(size > max(best[0] * 1.00002, size.max() * 0.9999))
    if not which[0].size:
        return best
    left, right, near_to = f[which[1:]], f[which[1], which[2] + 1], size[which]
    side = np.sign(gains[which].imag)
    for _ in range(50):
        middle = (left + right) / 2
        first, other = side_gains(stereo, middle)
        here = np.where(np.abs(first - near_to) <= np.abs(other - near_to), first, other)
        beyond = np.sign(here.imag) * side <= 0
        left, right = np.where(beyond, left, middle), np.where(beyond, middle, right)
    # Where a square root changes its sign the two eigenvalues change places, and none of them is real.
    loud = float(here.real[np.abs(here.imag) < 1e-6 * np.abs(here)].max(initial=0))
    if loud <= best[0] * (1 + 1e-9):
        return best
    return loud, float(left[here.real > loud * (1 - 1e-9)].min())


def _bound(stereo: StereoLoop) -> float:
    """Compute the largest eigenvalue without the response, all heads, sends and the leak in phase."""
    heads = np.array([np.sum(np.abs(one.return_gains)) for one in stereo.heads])
    middle, apart = _halves(np.abs(stereo.sends) @ (heads[:, None] * np.abs(_leaks(stereo))))
    return float(middle + apart)


def _damped(stereo: StereoLoop, rate: float) -> StereoLoop:
    """Return the loop for tones that grow by a rate in 1/s, as if they stayed: heads answer from before."""
    left, right = (
        replace(one, gains=tuple(np.array(one.gains) * np.exp(-rate * one.delays(stereo.one_pass.speed))))
        for one in stereo.heads
    )
    return replace(stereo, heads=(left, right))


def _pole_near(stereo: StereoLoop, rate: float, frequency: float, gain: float) -> float:
    """Solve ``l = 1`` by Newton's rule for the logarithm of an eigenvalue, at first `gain`; give the rate."""

    def miss(rate: float, frequency: float, near_to: complex) -> complex:
        both = (cmath.log(gain) for gain in side_gains(_damped(stereo, rate), abs(frequency)) if gain)
        return min(both, key=lambda off: abs(off - near_to), default=complex(math.inf))

    off, step = miss(rate, frequency, cmath.log(gain)), 1e-6 / stereo.longest
    for _ in range(_MOST_STEPS):
        by_rate = (miss(rate + step, frequency, off) - off) / step
        by_frequency = (miss(rate, frequency + step, off) - off) / step
        area = (by_rate.conjugate() * by_frequency).imag
        if not area or abs(off) < 1e-13:
            break
        change = (by_frequency.conjugate() * off).imag / area, (off.conjugate() * by_rate).imag / area
        for part in 0.5 ** np.arange(9):  # a step that leads farther away is halved
            there = rate + part * change[0], frequency + part * change[1]
            found = miss(*there, (1 - part) * off)
            if abs(found) < abs(off):
                break
        else:
            break
        (rate, frequency), off = there, found
    return rate


def _sides(matrix: NDArray[np.complex128], gain: float) -> tuple[complex, complex]:
    """Find what the tone of an eigenvalue does on either side; the louder one is 1."""
    # Either row of (L - l) v = 0 will do; the larger is the more exact.
    rows = (matrix[0, 1], gain - matrix[0, 0]), (gain - matrix[1, 1], matrix[1, 0])
    left, right = max(rows, key=lambda row: np.hypot(*np.abs(row)))
    louder = left if abs(left) >= abs(right) else right
    return (1 + 0j, 0j) if not louder else (complex(left / louder), complex(right / louder))
