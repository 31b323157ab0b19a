"""Where playback heads should stand for a rhythm, within what a machine allows."""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapecalc.calc.heads import MINUTE, MOST_HEADS, RULER_SLACK, Heads
from tapecalc.calc.quantity import (
    Spacing,
    check_fields,
    non_negative,
    positive,
    scalar_or_array,
    single,
    whole,
)
from tapecalc.calc.tempo import NOTE_VALUES, NoteValue, delay_from_tempo
from tapecalc.words import amount

__all__ = [
    "HeadDesign",
    "InfeasibleLayout",
    "LayoutSweep",
    "MechanicalLimits",
    "RhythmMap",
    "all_layouts",
    "count_layouts",
    "design_heads",
    "errors_without_each_limit",
    "random_layouts",
    "rhythm_map",
    "sweep",
    "timing_errors",
    "worst_timing_error",
]

MOST_DESIGN_SPEEDS = 12  # that a design chooses from; a machine has fewer, a wish may not

Array = NDArray[np.float64]


# ---- how far a layout misses a rhythm ----


def timing_errors(positions: ArrayLike, rhythm_beats: ArrayLike, bpm: ArrayLike, speed: ArrayLike) -> Array:
    """Compute how late each head answers, ``d_k / v - b_k 60 / bpm``; heads on the last axis.

    `bpm` and `speed` are broadcast against the head `positions` in m without their last axis. The rhythm
    has one rising number for each head.

    >>> timing_errors([0.05, 0.1], [0.5, 1.0], 120, 0.2).round(6)
    array([0., 0.])
    """
    beats = _checked_rhythm(rhythm_beats)
    beat = np.asarray(MINUTE / positive("bpm", bpm))[..., None]
    delays = _checked_positions(positions, beats.size) / positive("speed", speed, "m/s")[..., None]
    return delays - beats * beat


def worst_timing_error(
    positions: ArrayLike, rhythm_beats: ArrayLike, tempos: ArrayLike, speeds: ArrayLike
) -> Any:
    """Compute the worst timing error of a layout over a range of tempos, each played at its best speed.

    At every tempo the speed with the smallest error is chosen; at that speed the worst head counts; over
    the range the worst tempo counts. Exact and without a grid: with beat period x and error e, a fast speed
    serves periods up to ``min_k (d_k/v + e)/b_k`` and the next slower one begins at
    ``max_k (d_k/v - e)/b_k``. The range is covered exactly when neighbors meet, so the smallest e is the
    largest of the crossings ``(b_k d_l/v_slow - b_l d_k/v_fast) / (b_k + b_l)`` and of the errors at the
    ends. `tempos` are the slowest and the fastest; the heads are on the last axis of `positions`, and the
    error in s has the shape that is left.

    >>> round(1e3 * worst_timing_error([0.1], [1.0], (100, 120), [0.18]), 3)  # ms
    55.556
    """
    wish = _Wish(_checked_rhythm(rhythm_beats), *_beat_periods(tempos), _checked_speeds(speeds))
    return scalar_or_array(_worst_error(_checked_positions(positions, wish.beats.size), wish))


class _Wish(NamedTuple):
    """A checked rhythm, the beat periods that it is played at, and the speeds for it, fastest first."""

    beats: Array
    shortest: float
    longest: float
    speeds: list[float]


def _worst_error(positions: Array, wish: _Wish) -> Array:
    """Return the worst timing error, by runs of neighboring speeds."""
    beats, shortest, longest, speeds = wish
    late = [np.max(positions / v - beats * shortest, axis=-1) for v in speeds]
    early = [np.max(beats * longest - positions / v, axis=-1) for v in speeds]
    crossings = [_crossing(positions, beats, fast, slow) for fast, slow in itertools.pairwise(speeds)]
    best = np.full(positions.shape[:-1], np.inf)
    for start in range(len(speeds)):
        so_far = late[start]
        for end in range(start, len(speeds)):
            best = np.minimum(best, np.maximum(so_far, early[end]))
            if end < len(crossings):
                so_far = np.maximum(so_far, crossings[end])
    return best


def _crossing(positions: Array, beats: Array, fast: float, slow: float) -> Array:
    """Return the error at which the tempos served at two neighboring speeds just meet."""
    worst = np.full(positions.shape[:-1], -np.inf)
    for k in range(beats.size):
        for m in range(beats.size):
            miss = beats[k] * positions[..., m] / slow - beats[m] * positions[..., k] / fast
            worst = np.maximum(worst, miss / (beats[k] + beats[m]))
    return worst


def _worst_period(positions: Sequence[float], wish: _Wish) -> tuple[float, float]:
    """Return beat period and error where one layout is at its worst.

    The error over the period is the smallest of V-shaped curves, so it peaks at an end of the range or
    where an early head of one speed meets a late one of another.
    """
    beats, shortest, longest, speeds = wish
    delays = np.array([[d / v for d in positions] for v in speeds])
    meetings = (delays[:, :, None, None] + delays[None, None, :, :]) / (
        beats[None, :, None, None] + beats[None, None, None, :]
    )
    periods = np.concatenate(([shortest, longest], meetings.ravel()))
    periods = periods[(periods >= shortest) & (periods <= longest)]
    errors = np.abs(delays - beats * periods[:, None, None]).max(axis=-1).min(axis=-1)
    worst = int(np.argmax(errors))
    return float(periods[worst]), float(errors[worst])


# ---- inverse design ----


@dataclass(frozen=True, kw_only=True)
class MechanicalLimits:
    """Where heads can stand on a machine, all in m.

    >>> MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001).marks
    (30, 20, 400)
    """

    first: Spacing[float]  # nearest possible distance from the record head to a playback head
    pitch: Spacing[float]  # smallest distance from one playback head to the next
    longest: Spacing[float]  # farthest possible position
    ruler_step: Spacing[float] | None = 0.001  # positions are multiples of it; None for anywhere

    def __post_init__(self) -> None:
        check_fields(self)
        if self.first > self.longest:
            raise ValueError(f"longest must be {self.first:g} m (first) or more, got {self.longest:g}")
        if self.ruler_step is not None and self.marks[0] > self.marks[2]:
            raise ValueError(
                f"ruler_step must put a mark from {self.first:g} to {self.longest:g} m, "
                f"got {self.ruler_step:g}"
            )

    @property
    def marks(self) -> tuple[int, int, int]:
        """First, pitch and longest in whole ruler steps, rounded to the safe side."""
        step = self.step
        return (
            math.ceil(self.first / step - RULER_SLACK),
            max(1, math.ceil(self.pitch / step - RULER_SLACK)),
            math.floor(self.longest / step + RULER_SLACK),
        )

    @property
    def step(self) -> float:
        """The ruler step, insisted on."""
        if self.ruler_step is None:
            raise ValueError(
                "limits must have a ruler_step, got None: there is no end of layouts without one"
            )
        return self.ruler_step

    def last_position(self, heads: int) -> float:
        """Return the nearest position in m at which the last of some heads can stand."""
        if self.ruler_step is None:
            return self.first + (heads - 1) * self.pitch
        nearest, pitch, _ = self.marks
        return (nearest + (heads - 1) * pitch) * self.ruler_step

    def hold(self, heads: int) -> bool:
        """Return whether so many heads fit on the path at all."""
        return self.last_position(heads) <= self.longest * (1 + RULER_SLACK)


class InfeasibleLayout(ValueError):
    """No layout does what was asked for.

    `in_the_way` names what stands in the way: fields of `MechanicalLimits`, or ``"speeds"`` and
    ``"tempos"``.

    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.06)
    >>> try:
    ...     design_heads([0.25, 0.5, 0.75], (76, 76), [0.19], limits)
    ... except InfeasibleLayout as problem:
    ...     problem.in_the_way
    ('first', 'pitch', 'longest')
    """

    def __init__(self, message: str, in_the_way: Iterable[str]) -> None:
        super().__init__(message)
        self.in_the_way = tuple(in_the_way)


@dataclass(frozen=True, kw_only=True)
class HeadDesign:
    """The best layout for a wanted rhythm."""

    layout: Heads  # where to put the heads
    rhythm_beats: tuple[float, ...]  # the wanted rhythm, rising
    tempos: tuple[float, float]  # slowest and fastest, beats per minute
    speeds: tuple[float, ...]  # m/s, to choose from, the fastest first
    worst_error: float  # s over the range; no layout within the limits has a smaller one
    worst_bpm: float  # a tempo at which it happens

    def best_speed(self, bpm: float) -> float:
        """Return the speed in m/s that keeps the worst head nearest to the rhythm at `bpm`, a tempo."""
        return min(self.speeds, key=lambda speed: float(np.max(np.abs(self.errors(bpm, speed)))))

    def errors(self, bpm: ArrayLike, speed: ArrayLike) -> Array:
        """Return how late each head answers in s at `bpm` beats per minute and `speed` in m/s."""
        return timing_errors(self.layout.spacings, self.rhythm_beats, bpm, speed)


def design_heads(
    rhythm_beats: ArrayLike,
    tempos: ArrayLike,
    speeds: ArrayLike,
    limits: MechanicalLimits,
    *,
    allowed_error: float | None = None,
) -> HeadDesign:
    """Find the head positions whose worst timing error over a tempo range is the smallest possible.

    The error of a layout is that of `worst_timing_error`: largest of functions that are linear in the
    positions, for every run of neighboring speeds that may serve the range. Smallest error and positions
    (whole ruler steps, in order, with their pitch, between the first and the longest) are therefore the
    answer to one mixed-integer linear program per run of speeds, which branch and bound solves to the
    optimum, not to a good guess. Runs that cannot win (a bound for the last head alone says so) are passed
    over. Among layouts of one worst error the one nearest to the wanted proportions is taken.

    The rhythm is 1 to 8 different numbers of beats, `tempos` the slowest and the fastest, `speeds` 1 to 12
    in m/s. `InfeasibleLayout` is raised if the heads do not fit within the limits, or the smallest worst
    error is above `allowed_error` in s; its sentence names what stands in the way.

    Source: our own derivation; R. J. Dakin, A tree-search algorithm for mixed integer programming problems,
    Computer Journal 8, 1965 (from memory).

    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)
    >>> design_heads([0.5, 0.75, 1.0], (120, 120), [0.2], limits).layout.spacings
    (0.05, 0.075, 0.1)
    """
    wish = _checked_wish(rhythm_beats, tempos, speeds)
    if allowed_error is not None:
        allowed_error = single("allowed_error", non_negative("allowed_error", allowed_error, "s"))
    _refuse_crowd(wish.beats.size, limits)
    positions = _best_positions(wish, limits)
    worst_period, worst_error = _worst_period(positions, wish)
    worst_bpm = MINUTE / worst_period
    if allowed_error is not None and worst_error > allowed_error + 1e-12:
        raise _timing_refusal(wish, limits, allowed_error, worst_error, worst_bpm)
    return HeadDesign(
        layout=Heads(spacings=tuple(positions)),
        rhythm_beats=tuple(wish.beats.tolist()),
        tempos=(MINUTE / wish.longest, MINUTE / wish.shortest),
        speeds=tuple(wish.speeds),
        worst_error=worst_error,
        worst_bpm=worst_bpm,
    )


def errors_without_each_limit(
    rhythm_beats: ArrayLike, tempos: ArrayLike, speeds: ArrayLike, limits: MechanicalLimits
) -> dict[str, float]:
    """Compute the smallest worst error in s with one limit lifted at a time, and with all lifted.

    They come under the name of the limit, and under ``"all"``: what the speeds and the tempo range alone
    cost. A limit is missing if the heads do not fit even without it.

    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.09, ruler_step=0.001)
    >>> costs = errors_without_each_limit([0.5, 1.0], (120, 120), [0.2], limits)
    >>> round(1e3 * costs["pitch"], 3), round(1e3 * costs["longest"], 3)  # ms
    (50.0, 0.0)
    """
    wish = _checked_wish(rhythm_beats, tempos, speeds)
    loose = {name: _lift(limits, [name], wish) for name in _LIMIT_LABELS}
    loose["all"] = _lift(limits, _LIMIT_LABELS, wish)
    held = {name: within for name, within in loose.items() if within.hold(wish.beats.size)}
    return {name: _smallest_error(wish, within) for name, within in held.items()}


#: What each limit is called in a sentence.
_LIMIT_LABELS = {
    "first": "the first possible position",
    "pitch": "the pitch between heads",
    "longest": "the longest path",
    "ruler_step": "the ruler step",
}


def _smallest_error(wish: _Wish, limits: MechanicalLimits) -> float:
    """Return the worst timing error of the best layout."""
    return _worst_period(_best_positions(wish, limits), wish)[1]


def _lift(limits: MechanicalLimits, names: Iterable[str], wish: _Wish) -> MechanicalLimits:
    """Return the limits with some of them moved to where they stop nothing."""
    ruler_step = None if "ruler_step" in names else limits.ruler_step
    near = 1e-6 if ruler_step is None else ruler_step
    far = 2 * float(wish.beats[-1]) * wish.longest * wish.speeds[0] + limits.last_position(MOST_HEADS)
    moved: dict[str, Any] = {
        "first": min(near, limits.first),
        "pitch": min(near, limits.pitch),
        "longest": max(far, limits.longest),
        "ruler_step": None,
    }
    return replace(limits, **{name: moved[name] for name in names})


def _refuse_crowd(heads: int, limits: MechanicalLimits) -> None:
    """Raise InfeasibleLayout if so many heads do not fit on the path at all."""
    if limits.hold(heads):
        return
    first, pitch, last, longest = (
        amount(length, "mm", ".4g")
        for length in (limits.first, limits.pitch, limits.last_position(heads), limits.longest)
    )
    raise InfeasibleLayout(
        f"{heads} heads do not fit: with the first at {first} and {pitch} between "
        f"heads the last stands at {last}, beyond the longest path of {longest}",
        ("first", "pitch", "longest") if heads > 1 else ("first", "longest"),
    )


def _timing_refusal(
    wish: _Wish, limits: MechanicalLimits, allowed_error: float, worst_error: float, worst_bpm: float
) -> InfeasibleLayout:
    """Return the InfeasibleLayout that names the fewest limits without which the error is allowed."""

    def ms(error: float) -> str:
        return amount(round(error, 6), "ms", ".3g")

    for size in range(1, len(_LIMIT_LABELS) + 1):
        groups = tuple(itertools.combinations(_LIMIT_LABELS, size))
        free = [_smallest_error(wish, _lift(limits, lifted, wish)) for lifted in groups]
        enough = [pair for pair in zip(groups, free, strict=True) if pair[1] <= allowed_error]
        # several single limits may each be enough; of larger groups one is plenty
        enough = enough if size == 1 else enough[:1]
        if enough:
            in_the_way = tuple(name for lifted, _ in enough for name in lifted)
            reason = ", ".join(
                f"without {' and '.join(_LIMIT_LABELS[name] for name in lifted)} it would be {ms(error)}"
                for lifted, error in enough
            )
            break
    else:
        in_the_way = ("speeds", "tempos")
        reason = (
            f"even heads free to stand anywhere miss by {ms(free[-1])}: "
            "the speeds do not serve the tempo range"
        )
    return InfeasibleLayout(
        f"no layout keeps every answer within {ms(allowed_error)}: the best misses by {ms(worst_error)} "
        f"at {worst_bpm:.4g} beats per minute; {reason}",
        in_the_way,
    )


def _best_positions(wish: _Wish, limits: MechanicalLimits) -> list[float]:
    """Return the positions with the smallest worst timing error."""
    count = len(wish.speeds)
    runs = [wish.speeds[start:end] for start in range(count) for end in range(start + 1, count + 1)]
    bounds = [_lower_bound(wish._replace(speeds=run)) for run in runs]
    best_error, best, winner = math.inf, None, None
    for index in np.argsort(bounds, kind="stable"):
        if bounds[index] >= best_error:
            break
        program = _Program(wish._replace(speeds=runs[index]), limits)
        positions = program.solve(best_error)
        if positions is None:
            continue
        error = float(_worst_error(np.array(positions), wish))
        if error < best_error:
            best_error, best, winner = error, positions, program
    assert best is not None and winner is not None, "the heads fit, so there is a layout"
    tidy = winner.solve_tidily(best_error)
    if tidy is not None and _worst_error(np.array(tidy), wish) <= best_error * (1 + 1e-9) + 1e-12:
        return tidy
    return best


def _lower_bound(wish: _Wish) -> float:
    """Return an error that no layout can beat with a run of speeds: that of its last head, free to move."""
    beats, shortest, longest, run = wish
    last, fast, slow = float(beats[-1]), run[0], run[-1]
    bound = last * (longest / fast - shortest / slow) / (1 / fast + 1 / slow)
    for v, slower in itertools.pairwise(run):
        slope = (1 / slower - 1 / v) / 2
        bound = max(bound, slope * last * longest / (slope + 1 / slow))
    return max(bound, 0.0)


class _Program:
    """The linear program of one run of speeds, in milliseconds and ruler steps (or millimeters).

    The unknowns are one position per head and the error. Rows say ``row @ unknowns <= limit``.
    """

    def __init__(self, wish: _Wish, limits: MechanicalLimits) -> None:
        self.beats, shortest, longest, run = wish
        self.heads = self.beats.size
        self.whole_steps = limits.ruler_step is not None
        self.unit = limits.ruler_step or 1e-3
        free = (length / self.unit for length in (limits.first, limits.pitch, limits.longest))
        self.low, pitch, self.high = map(float, limits.marks if self.whole_steps else free)
        time = 1e3 * self.unit  # one unit of length at 1 m/s takes so many milliseconds
        rows, ends = [], []
        unit = np.eye(self.heads + 1)
        for k, b in enumerate(self.beats):
            rows += [time / run[0] * unit[k] - unit[-1], -time / run[-1] * unit[k] - unit[-1]]
            ends += [1e3 * b * shortest, -1e3 * b * longest]
            for m, other in enumerate(self.beats):
                share = time / (b + other)
                for fast, slow in itertools.pairwise(run):
                    rows.append(share * b / slow * unit[m] - share * other / fast * unit[k] - unit[-1])
                    ends.append(0.0)
            if k:
                rows.append(unit[k - 1] - unit[k])
                ends.append(-pitch)
        self.rows, self.ends = np.array(rows), np.array(ends)

    def solve(self, error_to_beat: float) -> list[float] | None:
        """Return positions of the smallest error, or None if it is not below `error_to_beat`."""
        highest = min(1e3 * error_to_beat, 1e9)
        return self._milp(np.eye(self.heads + 1)[-1], self.rows, self.ends, highest)

    def solve_tidily(self, error: float) -> list[float] | None:
        """Return, among positions of that error, those nearest to the proportions of the rhythm."""
        heads = self.heads
        rows = np.hstack((self.rows, np.zeros((len(self.rows), heads + 1))))
        eye = np.eye(heads)
        scale = self.beats[:, None]
        nothing = np.zeros((heads, 1))
        above = np.hstack((eye, nothing, -scale, -eye))
        below = np.hstack((-eye, nothing, scale, -eye))
        goal = np.concatenate((np.zeros(heads + 2), np.ones(heads)))
        ends = np.concatenate((self.ends, np.zeros(2 * heads)))
        highest = 1e3 * error * (1 + 1e-9) + 1e-7
        return self._milp(goal, np.vstack((rows, above, below)), ends, highest)

    def _milp(self, goal: Array, rows: Array, ends: Array, highest: float) -> list[float] | None:
        """Solve with the error at most `highest`; unknowns beyond it are 0 or more, without end."""
        from scipy import optimize

        extra = len(goal) - self.heads - 1
        answer = optimize.milp(
            goal,
            integrality=[int(self.whole_steps)] * self.heads + [0] * (1 + extra),
            bounds=optimize.Bounds(
                [self.low] * self.heads + [0.0] * (1 + extra),
                [self.high] * self.heads + [highest] + [np.inf] * extra,
            ),
            constraints=optimize.LinearConstraint(rows, -np.inf, ends),
            options={"mip_rel_gap": 0.0},
        )
        if answer.x is None:
            return None
        steps = np.rint(answer.x[: self.heads]) if self.whole_steps else answer.x[: self.heads]
        return np.round(steps * self.unit, 12).tolist()


# ---- sweeps over many layouts ----


def count_layouts(limits: MechanicalLimits, heads: int) -> int:
    """Count the layouts that a ruler allows, ``C(marks - (heads - 1)(pitch - 1), heads)``.

    Taking pitch - 1 marks out of every interval leaves plain combinations.

    >>> count_layouts(MechanicalLimits(first=0.01, pitch=0.002, longest=0.014), 2)
    6
    """
    heads = whole("heads", heads, 1, MOST_HEADS)
    nearest, pitch, farthest = limits.marks
    free = farthest - nearest + 1 - (heads - 1) * (pitch - 1)
    return math.comb(max(free, 0), heads)


def all_layouts(limits: MechanicalLimits, heads: int, *, most: int = 5_000_000) -> NDArray[np.floating]:
    """List every layout that a ruler allows, in m, one a row; refuse to make more than `most`.

    >>> all_layouts(MechanicalLimits(first=0.01, pitch=0.002, longest=0.013), 2)
    array([[0.01 , 0.012],
           [0.01 , 0.013],
           [0.011, 0.013]])
    """
    number = count_layouts(limits, heads)
    _refuse_crowd(heads, limits)
    most = whole("most", most, 1, 10**9)
    if number > most:
        raise ValueError(f"most must be {number} or more to list all layouts of {heads} heads, got {most}")
    nearest, pitch, farthest = limits.marks
    layouts = np.arange(nearest, farthest - (heads - 1) * pitch + 1)[:, None]
    for k in range(1, heads):
        start = layouts[:, -1] + pitch
        choices = farthest - (heads - 1 - k) * pitch - start + 1
        rows = np.repeat(np.arange(len(layouts)), choices)
        within = np.arange(rows.size) - np.repeat(np.cumsum(choices) - choices, choices)
        layouts = np.column_stack((layouts[rows], start[rows] + within))
    return layouts * limits.step


def random_layouts(limits: MechanicalLimits, heads: int, count: int, *, seed: int) -> NDArray[np.floating]:
    """Draw layouts on the ruler at random, in m, one a row; any is possible, and one may come twice.

    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)
    >>> random_layouts(limits, 3, 1000, seed=7).shape
    (1000, 3)
    """
    heads = whole("heads", heads, 1, MOST_HEADS)
    count = whole("count", count, 1, 10**8)
    nearest, pitch, farthest = limits.marks
    _refuse_crowd(heads, limits)
    room = farthest - nearest - (heads - 1) * pitch
    spare = np.sort(np.random.default_rng(seed).integers(0, room + 1, (count, heads)), axis=1)
    return (nearest + spare + pitch * np.arange(heads)) * limits.step


@dataclass(frozen=True, kw_only=True)
class LayoutSweep:
    """What many layouts do at one speed and tempo; heads on the last axis."""

    notes: tuple[NoteValue, ...]  # the shortest first
    delays: Array  # s
    note_index: NDArray[np.intp]  # which of `notes` each head comes nearest to
    errors: Array  # s, how late each head is against that note
    gain_bound: Array  # largest loop gain that the layout can have: all heads in phase

    @property
    def worst_error(self) -> Array:
        """The worst error of each layout in s."""
        return np.abs(self.errors).max(axis=-1)


def sweep(
    positions: ArrayLike,
    speed: ArrayLike,
    bpm: ArrayLike,
    *,
    notes: Iterable[NoteValue] = NOTE_VALUES,
    levels: ArrayLike = 1.0,
    return_gain: ArrayLike = 1.0,
    peak_gain: ArrayLike = 1.0,
) -> LayoutSweep:
    """Compute delays, nearest note values and the bound on the loop gain for many layouts at once.

    The bound ``g max|R| sum of a_k`` needs no frequency grid. With delays of 80 ms and more it is nearly
    reached, because the comb lines up somewhere near the loudest frequency; a coarse grid reads the peak
    several decibels too low.

    The heads are on the last axis of the `positions` in m; their amplitudes `levels`, 0 for a head that does
    not feed the return, are broadcast against it, everything else against the axes before it. `peak_gain`
    is the largest amplitude of one pass.

    >>> found = sweep([[0.05, 0.1], [0.05, 0.075]], 0.2, 120, return_gain=0.4)
    >>> [[found.notes[k].name for k in row] for row in found.note_index]
    [['eighth', 'quarter'], ['eighth', 'dotted eighth']]
    >>> found.gain_bound
    array([0.8, 0.8])
    """
    positions = np.atleast_1d(positive("positions", positions, "m"))
    beat = np.asarray(MINUTE / positive("bpm", bpm))[..., None]
    gains = non_negative("levels", levels)
    loop_gain = non_negative("return_gain", return_gain) * non_negative("peak_gain", peak_gain)
    rising = _rising_notes(notes)
    lengths = np.array([note.beats for note in rising])
    delays = positions / positive("speed", speed, "m/s")[..., None]
    beats = delays / beat
    note_index = np.searchsorted((lengths[1:] + lengths[:-1]) / 2, beats)
    return LayoutSweep(
        notes=rising,
        delays=delays,
        note_index=note_index,
        errors=(beats - lengths[note_index]) * beat,
        gain_bound=loop_gain * np.broadcast_to(gains, positions.shape).sum(axis=-1),
    )


@dataclass(frozen=True, kw_only=True)
class RhythmMap:
    """How near two heads can come to every pair of note values at one tempo."""

    notes: tuple[NoteValue, ...]  # the shortest first: rows and columns of the arrays
    errors: Array  # s, smallest worst error of each pair; on the diagonal for one head alone
    speeds: Array  # m/s, the speed that reaches it
    positions: Array  # m, the nearer first, on a last axis; twice the same on the diagonal

    def reachable(self, allowed_error: float) -> NDArray[np.bool_]:
        """Return which pairs stay within `allowed_error` in s."""
        return self.errors <= single("allowed_error", non_negative("allowed_error", allowed_error, "s"))


def rhythm_map(
    limits: MechanicalLimits, speeds: ArrayLike, bpm: float, *, notes: Iterable[NoteValue] = NOTE_VALUES
) -> RhythmMap:
    """Map the rhythms of two heads that a machine can reach: every pair of note values.

    Exact: for each second position the best first one is found by a running minimum over all positions that
    leave the pitch between them.

    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.1)
    >>> table = rhythm_map(limits, [0.2], 120)
    >>> names = [note.name for note in table.notes]
    >>> eighth, quarter = names.index("eighth"), names.index("quarter")
    >>> bool(table.errors[eighth, quarter] < 1e-12), table.positions[eighth, quarter]
    (True, array([0.05, 0.1 ]))
    """
    nearest, pitch, farthest = limits.marks
    _refuse_crowd(2, limits)
    rising = _rising_notes(notes)
    wanted = delay_from_tempo(single("bpm", positive("bpm", bpm)), np.array([note.beats for note in rising]))
    count = wanted.size
    marks = np.arange(nearest, farthest + 1) * limits.step
    errors = np.full((count, count), np.inf)
    best_speeds = np.zeros((count, count))
    best_positions = np.zeros((count, count, 2))
    for speed in _checked_speeds(speeds):
        misses = np.abs(marks / speed - wanted[:, None])  # note, mark
        nearer = np.minimum.accumulate(misses, axis=1)
        holders = np.maximum.accumulate(np.where(misses == nearer, np.arange(marks.size), 0), axis=1)
        for i in range(count):
            for j in range(i, count):
                if i == j:
                    far = near = int(np.argmin(misses[i]))
                    error = misses[i, near]
                else:
                    pair = np.maximum(nearer[i, :-pitch], misses[j, pitch:])
                    at = int(np.argmin(pair))
                    error, near, far = pair[at], holders[i, at], at + pitch
                if error < errors[i, j]:
                    for place in ((i, j), (j, i)):
                        errors[place], best_speeds[place] = error, speed
                        best_positions[place] = marks[near], marks[far]
    return RhythmMap(notes=rising, errors=errors, speeds=best_speeds, positions=best_positions)


# ---- checks ----


def _checked_wish(rhythm_beats: ArrayLike, tempos: ArrayLike, speeds: ArrayLike) -> _Wish:
    """Check what is asked of a design; the rhythm may come in any order."""
    beats = _checked_rhythm(np.sort(np.atleast_1d(rhythm_beats)))
    return _Wish(beats, *_beat_periods(tempos), _checked_speeds(speeds))


def _checked_rhythm(rhythm_beats: ArrayLike) -> Array:
    """Check a rhythm: rising beats, one for each head."""
    if np.size(rhythm_beats) == 0:
        raise ValueError(f"rhythm_beats must hold 1 to {MOST_HEADS} note values, got none")
    beats = np.atleast_1d(positive("rhythm_beats", rhythm_beats, "beats"))
    if beats.ndim > 1 or beats.size > MOST_HEADS:
        raise ValueError(f"rhythm_beats must hold 1 to {MOST_HEADS} note values, got shape {beats.shape}")
    if np.any(np.diff(beats) <= 0):
        raise ValueError(
            f"rhythm_beats must rise, each note value once, got {tuple(beats.tolist())}: "
            f"two heads cannot stand in one place"
        )
    return beats


def _checked_positions(positions: ArrayLike, heads: int) -> Array:
    """Check positions with the heads on the last axis."""
    positions = np.atleast_1d(positive("positions", positions, "m"))
    if positions.shape[-1] != heads:
        raise ValueError(f"positions must have {heads} heads on the last axis, got shape {positions.shape}")
    return positions


def _beat_periods(tempos: ArrayLike) -> tuple[float, float]:
    """Return the shortest and the longest beat of a tempo range."""
    tempos = positive("tempos", tempos, "beats per minute")
    if tempos.shape != (2,):
        raise ValueError(f"tempos must be the slowest and the fastest tempo, got shape {tempos.shape}")
    slowest, fastest = tempos.tolist()
    if slowest > fastest:
        raise ValueError(f"tempos must go from the slowest to the fastest, got ({slowest:g}, {fastest:g})")
    return MINUTE / fastest, MINUTE / slowest


def _checked_speeds(speeds: ArrayLike) -> list[float]:
    """Return the speeds as floats, each once, the fastest first."""
    speeds = np.unique(positive("speeds", speeds, "m/s"))
    if speeds.size > MOST_DESIGN_SPEEDS:
        raise ValueError(f"speeds must be 1 to {MOST_DESIGN_SPEEDS} different speeds, got {speeds.size}")
    return speeds[::-1].tolist()


def _rising_notes(notes: Iterable[NoteValue]) -> tuple[NoteValue, ...]:
    """Return note values from short to long."""
    rising = tuple(sorted(notes, key=lambda note: note.beats))
    if not rising:
        raise ValueError("notes must hold one note value or more, got none")
    return rising
