"""Where playback heads should stand for a rhythm, within what a machine allows."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from tapecalc.calc.heads import MINUTE, MOST_HEADS, RULER_SLACK, Heads
from tapecalc.calc.quantity import non_negative, positive, scalar_or_array, single, whole
from tapecalc.calc.tempo import NOTE_VALUES, delay_from_tempo

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


# ---- how far a layout misses a rhythm ----


def timing_errors(positions, rhythm_beats, bpm, speed):
    """Compute how late each head answers, ``d_k / v - b_k 60 / bpm``.

    Parameters
    ----------
    positions : array_like
        Head positions in m, greater than 0, heads on the last axis.
    rhythm_beats : sequence of float
        When each head should answer in beats, rising, one for each head.
    bpm : array_like
        Tempo in beats per minute, greater than 0; broadcast against `positions` without its last axis.
    speed : array_like
        Tape speed in m/s, greater than 0; broadcast against `positions` without its last axis.

    Returns
    -------
    numpy.ndarray
        Errors in s, positive when late; heads on the last axis, before it the axes
        of all inputs, broadcast.

    Raises
    ------
    ValueError
        If a value is out of its range or the lengths differ.

    See Also
    --------
    worst_timing_error : the worst over a range of tempos

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> timing_errors([0.05, 0.1], [0.5, 1.0], 120, 0.2).round(6)
    array([0., 0.])
    """
    beats = _checked_rhythm(rhythm_beats)
    positions = _checked_positions(positions, beats.size)
    beat = np.asarray(MINUTE / positive("bpm", bpm))[..., None]
    return positions / positive("speed", speed, "m/s")[..., None] - beats * beat


def worst_timing_error(positions, rhythm_beats, tempos, speeds):
    """Compute the worst timing error of a layout over a range of tempos, each played at its best speed.

    At every tempo the speed with the smallest error is chosen; at that speed the
    worst head counts; over the range the worst tempo counts. Exact and without a
    grid: with beat period x and error e, a fast speed serves periods up to
    ``min_k (d_k/v + e)/b_k`` and the next slower one begins at
    ``max_k (d_k/v - e)/b_k``. The range is covered exactly when neighbors meet, so
    the smallest e is the largest of the crossings
    ``(b_k d_l/v_slow - b_l d_k/v_fast) / (b_k + b_l)`` and of the errors at the ends.

    Parameters
    ----------
    positions : array_like
        Head positions in m, greater than 0, heads on the last axis.
    rhythm_beats : sequence of float
        When each head should answer in beats, rising, one for each head.
    tempos : (float, float)
        Slowest and fastest tempo in beats per minute.
    speeds : sequence of float
        The tape speeds that can be chosen in m/s, 1 to 12.

    Returns
    -------
    float or numpy.ndarray
        Error in s, 0 or more; of the shape of `positions` without the last axis.

    Raises
    ------
    ValueError
        If a value is out of its range, the lengths differ, or the tempos are reversed.

    See Also
    --------
    design_heads : finds the layout with the smallest one

    Notes
    -----
    Source: our own derivation. Notebook: 06_heads.

    Examples
    --------
    >>> round(1e3 * worst_timing_error([0.1], [1.0], (100, 120), [0.18]), 3)  # ms
    55.556
    """
    beats = _checked_rhythm(rhythm_beats)
    positions = _checked_positions(positions, beats.size)
    shortest, longest = _beat_periods(tempos)
    speeds = _checked_speeds(speeds)
    late = [np.max(positions / v - beats * shortest, axis=-1) for v in speeds]
    early = [np.max(beats * longest - positions / v, axis=-1) for v in speeds]
    crossings = [
        _crossing(positions, beats, fast, slow) for fast, slow in zip(speeds, speeds[1:], strict=False)
    ]
    best = np.full(positions.shape[:-1], np.inf)
    for start in range(len(speeds)):
        so_far = late[start]
        for end in range(start, len(speeds)):
            best = np.minimum(best, np.maximum(so_far, early[end]))
            if end < len(crossings):
                so_far = np.maximum(so_far, crossings[end])
    return scalar_or_array(best)


def _crossing(positions, beats, fast, slow):
    """Return the error at which the tempos served at two neighboring speeds just meet."""
    worst = np.full(positions.shape[:-1], -np.inf)
    for k in range(beats.size):
        for m in range(beats.size):
            height = beats[k] * positions[..., m] / slow - beats[m] * positions[..., k] / fast
            worst = np.maximum(worst, height / (beats[k] + beats[m]))
    return worst


def _worst_period(positions, beats, shortest, longest, speeds):
    """Return beat period and error where one layout is at its worst.

    The error over the period is the smallest of V-shaped curves, so it peaks at
    an end of the range or where an early head of one speed meets a late one of another.
    """
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


MOST_SPEEDS = 12


@dataclass(frozen=True, kw_only=True)
class MechanicalLimits:
    """Where heads can stand on a machine.

    Parameters
    ----------
    first : float
        Nearest possible distance from the record head to a playback head in m, greater than 0.
    pitch : float
        Smallest distance from one playback head to the next in m, greater than 0.
    longest : float
        Farthest possible position in m, not below `first`.
    ruler_step : float or None, optional
        Positions are whole multiples of this in m, greater than 0; None if heads can
        stand anywhere.

    Raises
    ------
    ValueError
        If a value is out of its range, or no ruler mark lies between `first` and `longest`.

    See Also
    --------
    design_heads : works under these limits

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)
    >>> limits.marks
    (30, 20, 400)
    """

    first: float
    pitch: float
    longest: float
    ruler_step: float | None = 0.001

    def __post_init__(self):
        for name in ("first", "pitch", "longest"):
            value = single(name, positive(name, getattr(self, name), "m"))
            object.__setattr__(self, name, value)
        if self.first > self.longest:
            raise ValueError(f"longest must be {self.first:g} m (first) or more, got {self.longest:g}")
        if self.ruler_step is None:
            return
        ruler_step = single("ruler_step", positive("ruler_step", self.ruler_step, "m"))
        object.__setattr__(self, "ruler_step", ruler_step)
        nearest, _, farthest = self.marks
        if nearest > farthest:
            raise ValueError(
                f"ruler_step must put a mark from {self.first:g} to {self.longest:g} m, got {ruler_step:g}"
            )

    @property
    def marks(self):
        """First, pitch and longest in whole ruler steps, rounded to the safe side."""
        return (
            math.ceil(self.first / self.ruler_step - RULER_SLACK),
            max(1, math.ceil(self.pitch / self.ruler_step - RULER_SLACK)),
            math.floor(self.longest / self.ruler_step + RULER_SLACK),
        )

    def last_position(self, heads):
        """Return the nearest position in m at which the last of some heads can stand."""
        if self.ruler_step is None:
            return self.first + (heads - 1) * self.pitch
        nearest, pitch, _ = self.marks
        return (nearest + (heads - 1) * pitch) * self.ruler_step


class InfeasibleLayout(ValueError):
    """No layout does what was asked for.

    Parameters
    ----------
    message : str
        One sentence that says why.
    in_the_way : tuple of str
        What stands in the way: names of `MechanicalLimits`, or ``"speeds"`` and ``"tempos"``.

    See Also
    --------
    design_heads : raises it

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.06)
    >>> try:
    ...     design_heads([0.25, 0.5, 0.75], (76, 76), [0.19], limits)
    ... except InfeasibleLayout as problem:
    ...     problem.in_the_way
    ('first', 'pitch', 'longest')
    """

    def __init__(self, message, in_the_way):
        super().__init__(message)
        self.in_the_way = tuple(in_the_way)


@dataclass(frozen=True, kw_only=True)
class HeadDesign:
    """The best layout for a wanted rhythm.

    Parameters
    ----------
    layout : Heads
        Where to put the heads.
    rhythm_beats : tuple of float
        The wanted rhythm in beats, rising.
    tempos : tuple of float
        Slowest and fastest tempo in beats per minute.
    speeds : tuple of float
        The speeds to choose from in m/s, the fastest first.
    worst_error : float
        The worst timing error over the range in s; no layout within the limits has a smaller one.
    worst_bpm : float
        A tempo at which it happens in beats per minute.

    See Also
    --------
    design_heads : makes it

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)
    >>> design_heads([0.5], (120, 120), [0.2], limits).best_speed(120)
    0.2
    """

    layout: Heads
    rhythm_beats: tuple[float, ...]
    tempos: tuple[float, float]
    speeds: tuple[float, ...]
    worst_error: float
    worst_bpm: float

    def best_speed(self, bpm):
        """Return the speed in m/s that keeps the worst head nearest to the rhythm at `bpm`, a tempo."""
        return min(self.speeds, key=lambda speed: np.max(np.abs(self.errors(bpm, speed))))

    def errors(self, bpm, speed):
        """Return how late each head answers in s at `bpm` beats per minute and `speed` in m/s."""
        return timing_errors(self.layout.spacings, self.rhythm_beats, bpm, speed)


def design_heads(rhythm_beats, tempos, speeds, limits, *, allowed_error=None):
    """Find the head positions whose worst timing error over a tempo range is the smallest possible.

    The error of a layout is that of `worst_timing_error`: largest of functions
    that are linear in the positions, for every run of neighboring speeds that may
    serve the range. Smallest error and positions (whole ruler steps, in order, with
    their pitch, between the first and the longest) are therefore the answer to one
    mixed-integer linear program per run of speeds, which branch and bound solves to
    the optimum, not to a good guess. Runs that cannot win (a bound for the last head
    alone says so) are passed over. Among layouts of one worst error the one nearest to
    the wanted proportions is taken.

    Parameters
    ----------
    rhythm_beats : sequence of float
        When the heads should answer in beats, 1 to 8 different numbers greater than 0.
    tempos : (float, float)
        Slowest and fastest tempo in beats per minute; may be the same.
    speeds : sequence of float
        The tape speeds that can be chosen for each tempo in m/s, 1 to 12.
    limits : MechanicalLimits
        Where heads can stand.
    allowed_error : float, optional
        The largest error to accept in s; any unless given.

    Returns
    -------
    HeadDesign
        The best layout and its worst error.

    Raises
    ------
    InfeasibleLayout
        If the heads do not fit within the limits, or the smallest worst error is above
        `allowed_error`; the sentence names what stands in the way.
    ValueError
        If a value is out of its range, the rhythm is empty or the tempos are reversed.

    See Also
    --------
    rhythm : the way back, from positions to a rhythm
    errors_without_each_limit : what every limit costs

    Notes
    -----
    Source: our own derivation; R. J. Dakin, A tree-search algorithm for mixed integer
    programming problems, Computer Journal 8, 1965 (from memory). Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)
    >>> best = design_heads([0.5, 0.75, 1.0], (120, 120), [0.2], limits)
    >>> best.layout.spacings
    (0.05, 0.075, 0.1)
    >>> round(1e3 * best.worst_error, 6)  # ms
    0.0
    """
    beats = _checked_rhythm(np.sort(np.atleast_1d(rhythm_beats)))
    shortest, longest = _beat_periods(tempos)
    speeds = _checked_speeds(speeds)
    if allowed_error is not None:
        allowed_error = single("allowed_error", non_negative("allowed_error", allowed_error, "s"))
    _refuse_crowd(beats.size, limits)
    positions = _best_positions(beats, shortest, longest, speeds, limits)
    worst_period, worst_error = _worst_period(positions, beats, shortest, longest, speeds)
    worst_bpm = MINUTE / worst_period
    if allowed_error is not None and worst_error > allowed_error + 1e-12:
        periods = shortest, longest
        raise _timing_refusal(beats, periods, speeds, limits, allowed_error, worst_error, worst_bpm)
    return HeadDesign(
        layout=Heads(spacings=tuple(positions)),
        rhythm_beats=tuple(beats.tolist()),
        tempos=(MINUTE / longest, MINUTE / shortest),
        speeds=tuple(speeds),
        worst_error=worst_error,
        worst_bpm=worst_bpm,
    )


def errors_without_each_limit(rhythm_beats, tempos, speeds, limits):
    """Compute the smallest worst error with one limit lifted at a time, and with all lifted.

    Parameters
    ----------
    rhythm_beats : sequence of float
        When the heads should answer in beats, 1 to 8 different numbers greater than 0.
    tempos : (float, float)
        Slowest and fastest tempo in beats per minute.
    speeds : sequence of float
        The tape speeds that can be chosen for each tempo in m/s, 1 to 12.
    limits : MechanicalLimits
        Where heads can stand.

    Returns
    -------
    dict of str to float
        Error in s under ``"first"``, ``"pitch"``, ``"longest"``, ``"ruler_step"`` for that
        limit lifted, and under ``"all"`` with none left: what the speeds and the tempo range
        alone cost. A limit is missing if the heads do not fit even without it.

    Raises
    ------
    ValueError
        If a value is out of its range, the rhythm is empty or the tempos are reversed.

    See Also
    --------
    design_heads : the best layout under all limits

    Notes
    -----
    Source: as `design_heads`. Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.09, ruler_step=0.001)
    >>> costs = errors_without_each_limit([0.5, 1.0], (120, 120), [0.2], limits)
    >>> round(1e3 * costs["pitch"], 3), round(1e3 * costs["longest"], 3)  # ms
    (50.0, 0.0)
    """
    beats = _checked_rhythm(np.sort(np.atleast_1d(rhythm_beats)))
    shortest, longest = _beat_periods(tempos)
    speeds = _checked_speeds(speeds)
    lifts = {**{(name,): name for name in _LIMIT_LABELS}, tuple(_LIMIT_LABELS): "all"}
    costs = {}
    for lifted, name in lifts.items():
        loose = _lift(limits, lifted, beats, longest, speeds)
        if loose.last_position(beats.size) <= loose.longest * (1 + RULER_SLACK):
            costs[name] = _smallest_error(beats, shortest, longest, speeds, loose)
    return costs


#: What each limit is called in a sentence.
_LIMIT_LABELS = {
    "first": "the first possible position",
    "pitch": "the pitch between heads",
    "longest": "the longest path",
    "ruler_step": "the ruler step",
}


def _smallest_error(beats, shortest, longest, speeds, limits):
    """Return the worst timing error of the best layout."""
    positions = _best_positions(beats, shortest, longest, speeds, limits)
    return _worst_period(positions, beats, shortest, longest, speeds)[1]


def _lift(limits, names, beats, longest, speeds):
    """Return the limits with some of them moved to where they stop nothing."""
    ruler_step = None if "ruler_step" in names else limits.ruler_step
    near = 1e-6 if ruler_step is None else ruler_step
    far = 2 * float(beats[-1]) * longest * speeds[0] + limits.last_position(MOST_HEADS)
    moved = {
        "first": min(near, limits.first),
        "pitch": min(near, limits.pitch),
        "longest": max(far, limits.longest),
        "ruler_step": None,
    }
    return replace(limits, **{name: moved[name] for name in names})


def _refuse_crowd(heads, limits):
    """Raise InfeasibleLayout if so many heads do not fit on the path at all."""
    last = limits.last_position(heads)
    if last <= limits.longest * (1 + RULER_SLACK):
        return
    raise InfeasibleLayout(
        f"{heads} heads do not fit: with the first at {_mm(limits.first)} and {_mm(limits.pitch)} between "
        f"heads the last stands at {_mm(last)}, beyond the longest path of {_mm(limits.longest)}",
        ("first", "pitch", "longest") if heads > 1 else ("first", "longest"),
    )


def _timing_refusal(beats, periods, speeds, limits, allowed_error, worst_error, worst_bpm):
    """Return the InfeasibleLayout that names the fewest limits without which the error is allowed."""
    free = math.inf
    in_the_way, reasons = ("speeds", "tempos"), []
    for size in range(1, len(_LIMIT_LABELS) + 1):
        for lifted in itertools.combinations(_LIMIT_LABELS, size):
            free = _smallest_error(beats, *periods, speeds, _lift(limits, lifted, beats, periods[1], speeds))
            if free <= allowed_error:
                named = " and ".join(_LIMIT_LABELS[name] for name in lifted)
                reasons.append((lifted, f"without {named} it would be {_ms(free)}"))
        if reasons:
            # several single limits may each be enough; of larger sets one is plenty
            reasons = reasons if size == 1 else reasons[:1]
            in_the_way = tuple(name for lifted, _ in reasons for name in lifted)
            reason = ", ".join(text for _, text in reasons)
            break
    else:
        reason = (
            f"even heads free to stand anywhere miss by {_ms(free)}: the speeds do not serve the tempo range"
        )
    return InfeasibleLayout(
        f"no layout keeps every answer within {_ms(allowed_error)}: the best misses by {_ms(worst_error)} "
        f"at {worst_bpm:.4g} beats per minute; {reason}",
        in_the_way,
    )


def _best_positions(beats, shortest, longest, speeds, limits):
    """Return the positions with the smallest worst timing error."""
    runs = [speeds[start : end + 1] for start in range(len(speeds)) for end in range(start, len(speeds))]
    bounds = [_lower_bound(beats[-1], shortest, longest, run) for run in runs]
    best_error, best = math.inf, None
    for index in np.argsort(bounds, kind="stable"):
        if bounds[index] >= best_error:
            break
        program = _Program(beats, shortest, longest, runs[index], limits)
        positions = program.solve(best_error)
        if positions is None:
            continue
        error = worst_timing_error(positions, beats, (MINUTE / longest, MINUTE / shortest), speeds)
        if error < best_error:
            best_error, best, winner = error, positions, program
    tidy = winner.solve_tidily(best_error)
    if tidy is not None:
        error = worst_timing_error(tidy, beats, (MINUTE / longest, MINUTE / shortest), speeds)
        if error <= best_error * (1 + 1e-9) + 1e-12:
            return tidy
    return best


def _lower_bound(beats, shortest, longest, run):
    """Return an error that no layout can beat with a run of speeds: that of one head, free to move."""
    fast, slow = run[0], run[-1]
    bound = beats * (longest / fast - shortest / slow) / (1 / fast + 1 / slow)
    for v, slower in zip(run, run[1:], strict=False):
        slope = (1 / slower - 1 / v) / 2
        bound = max(bound, slope * beats * longest / (slope + 1 / slow))
    return max(bound, 0.0)


class _Program:
    """The linear program of one run of speeds, in milliseconds and ruler steps (or millimeters).

    The unknowns are one position per head and the error. Rows say ``row @ unknowns <= limit``.
    """

    def __init__(self, beats, shortest, longest, run, limits):
        self.beats = beats
        self.heads = beats.size
        self.whole_steps = limits.ruler_step is not None
        self.unit = limits.ruler_step if self.whole_steps else 1e-3
        if self.whole_steps:
            first, pitch, last = limits.marks
        else:
            first, pitch, last = (value / self.unit for value in (limits.first, limits.pitch, limits.longest))
        self.low, self.high = first, last
        time = 1e3 * self.unit  # one unit of length at 1 m/s takes so many milliseconds
        rows, ends = [], []

        def row(coefficients, error, end):
            line = np.zeros(self.heads + 1)
            for head, coefficient in coefficients:
                line[head] += coefficient
            line[-1] = error
            rows.append(line)
            ends.append(end)

        for k, b in enumerate(beats):
            row([(k, time / run[0])], -1, 1e3 * b * shortest)
            row([(k, -time / run[-1])], -1, -1e3 * b * longest)
            for m, other in enumerate(beats):
                for fast, slow in zip(run, run[1:], strict=False):
                    share = time / (b + other)
                    row([(m, share * b / slow), (k, -share * other / fast)], -1, 0)
            if k:
                row([(k - 1, 1), (k, -1)], 0, -pitch)
        self.rows, self.ends = np.array(rows), np.array(ends)

    def solve(self, error_to_beat):
        """Return positions of the smallest error, or None if it is not below `error_to_beat`."""
        highest = min(1e3 * error_to_beat, 1e9)
        return self._milp(np.eye(self.heads + 1)[-1], self.rows, self.ends, [], highest)

    def solve_tidily(self, error):
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
        return self._milp(goal, np.vstack((rows, above, below)), ends, [np.inf] * (heads + 1), highest)

    def _milp(self, goal, rows, ends, extra_bounds, highest):
        from scipy import optimize

        extra = len(extra_bounds)
        lowest = [self.low] * self.heads + [0.0] * (1 + extra)
        bounds = optimize.Bounds(lowest, [self.high] * self.heads + [highest, *extra_bounds])
        integrality = [int(self.whole_steps)] * self.heads + [0] * (1 + extra)
        answer = optimize.milp(
            goal,
            integrality=integrality,
            bounds=bounds,
            constraints=optimize.LinearConstraint(rows, -np.inf, ends),
            options={"mip_rel_gap": 0.0},
        )
        if answer.x is None:
            return None
        steps = np.rint(answer.x[: self.heads]) if self.whole_steps else answer.x[: self.heads]
        return np.round(steps * self.unit, 12).tolist()


# ---- sweeps over many layouts ----


def count_layouts(limits, heads):
    """Count the layouts that a ruler allows, ``C(marks - (heads - 1)(pitch - 1), heads)``.

    Parameters
    ----------
    limits : MechanicalLimits
        Where heads can stand; needs a ruler step.
    heads : int
        How many heads, 1 to 8.

    Returns
    -------
    int
        Number of layouts; 0 if the heads do not fit.

    Raises
    ------
    ValueError
        If a value is out of its range, or there is no ruler step.

    See Also
    --------
    all_layouts : the layouts themselves

    Notes
    -----
    Source: taking pitch - 1 marks out of every interval leaves plain combinations.
    Notebook: 06_heads.

    Examples
    --------
    >>> count_layouts(MechanicalLimits(first=0.01, pitch=0.002, longest=0.014), 2)
    6
    """
    heads = whole("heads", heads, 1, MOST_HEADS)
    nearest, pitch, farthest = _ruler(limits)
    free = farthest - nearest + 1 - (heads - 1) * (pitch - 1)
    return math.comb(max(free, 0), heads)


def all_layouts(limits, heads, *, most=5_000_000):
    """List every layout that a ruler allows.

    Parameters
    ----------
    limits : MechanicalLimits
        Where heads can stand; needs a ruler step.
    heads : int
        How many heads, 1 to 8.
    most : int, optional
        Refuse to make more layouts than this.

    Returns
    -------
    numpy.ndarray
        Positions in m, one row per layout, heads on the last axis.

    Raises
    ------
    ValueError
        If there are none, more than `most`, or a value is out of its range.

    See Also
    --------
    count_layouts : how many there are
    random_layouts : some of them

    Notes
    -----
    Source: enumeration. Notebook: 06_heads.

    Examples
    --------
    >>> all_layouts(MechanicalLimits(first=0.01, pitch=0.002, longest=0.013), 2)
    array([[0.01 , 0.012],
           [0.01 , 0.013],
           [0.011, 0.013]])
    """
    _refuse_crowd(heads, limits)
    number = count_layouts(limits, heads)
    most = whole("most", most, 1, 10**9)
    if number > most:
        raise ValueError(f"most must be {number} or more to list all layouts of {heads} heads, got {most}")
    nearest, pitch, farthest = _ruler(limits)
    layouts = np.arange(nearest, farthest - (heads - 1) * pitch + 1)[:, None]
    for k in range(1, heads):
        start = layouts[:, -1] + pitch
        choices = farthest - (heads - 1 - k) * pitch - start + 1
        rows = np.repeat(np.arange(len(layouts)), choices)
        within = np.arange(rows.size) - np.repeat(np.cumsum(choices) - choices, choices)
        layouts = np.column_stack((layouts[rows], start[rows] + within))
    return layouts * limits.ruler_step


def random_layouts(limits, heads, count, *, seed):
    """Draw layouts on the ruler at random, any of them possible.

    Parameters
    ----------
    limits : MechanicalLimits
        Where heads can stand; needs a ruler step.
    heads : int
        How many heads, 1 to 8.
    count : int
        How many layouts to draw; one may come twice.
    seed : int
        Seed of the generator: the same seed draws the same layouts.

    Returns
    -------
    numpy.ndarray
        Positions in m, one row per layout, heads on the last axis.

    Raises
    ------
    ValueError
        If the heads do not fit or a value is out of its range.

    See Also
    --------
    all_layouts : every one of them

    Notes
    -----
    Source: sorted random marks, spread by the pitch. Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)
    >>> random_layouts(limits, 3, 1000, seed=7).shape
    (1000, 3)
    """
    heads = whole("heads", heads, 1, MOST_HEADS)
    count = whole("count", count, 1, 10**8)
    nearest, pitch, farthest = _ruler(limits)
    _refuse_crowd(heads, limits)
    room = farthest - nearest - (heads - 1) * pitch
    spare = np.sort(np.random.default_rng(seed).integers(0, room + 1, (count, heads)), axis=1)
    return (nearest + spare + pitch * np.arange(heads)) * limits.ruler_step


@dataclass(frozen=True, kw_only=True)
class LayoutSweep:
    """What many layouts do at one speed and tempo; heads on the last axis.

    Parameters
    ----------
    notes : tuple of NoteValue
        The note values, the shortest first.
    delays : numpy.ndarray
        Delays in s.
    note_index : numpy.ndarray
        Which of `notes` each head comes nearest to.
    errors : numpy.ndarray
        How late each head is against that note in s.
    gain_bound : numpy.ndarray
        Largest loop gain that the layout can have, as an amplitude: all heads in phase.

    See Also
    --------
    sweep : makes it

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> sweep([[0.05, 0.1]], 0.2, 120).note_index.shape
    (1, 2)
    """

    notes: tuple
    delays: np.ndarray
    note_index: np.ndarray
    errors: np.ndarray
    gain_bound: np.ndarray

    @property
    def worst_error(self):
        """The worst error of each layout in s."""
        return np.abs(self.errors).max(axis=-1)


def sweep(positions, speed, bpm, *, notes=NOTE_VALUES, levels=1.0, return_gain=1.0, peak_gain=1.0):
    """Compute delays, nearest note values and the bound on the loop gain for many layouts at once.

    The bound ``g max|R| sum of a_k`` needs no frequency grid. With delays of 80 ms and
    more it is nearly reached, because the comb lines up somewhere near the loudest
    frequency; a coarse grid reads the peak several decibels too low.

    Parameters
    ----------
    positions : array_like
        Head positions in m, greater than 0, heads on the last axis.
    speed : array_like
        Tape speed in m/s, greater than 0; broadcast against `positions` without its last axis.
    bpm : array_like
        Tempo in beats per minute, greater than 0; broadcast against `positions` without its last axis.
    notes : sequence of NoteValue, optional
        The note values that count.
    levels : array_like, optional
        Amplitudes of the heads on the last axis, 0 or more, broadcast against `positions`; 0
        for a head that does not feed the return.
    return_gain : array_like, optional
        Amplitude of the return send, 0 or more; broadcast against `positions` without its last axis.
    peak_gain : array_like, optional
        Largest amplitude of one pass, 0 or more; broadcast against `positions` without its last axis.

    Returns
    -------
    LayoutSweep
        Arrays over all layouts.

    Raises
    ------
    ValueError
        If a value is out of its range, or there are no notes.

    See Also
    --------
    worst_timing_error : the error against one rhythm
    rhythm_map : which rhythms can be had at all

    Notes
    -----
    Source: triangle inequality. Notebook: 06_heads.

    Examples
    --------
    >>> found = sweep([[0.05, 0.1], [0.05, 0.075]], 0.2, 120, return_gain=0.4)
    >>> [[found.notes[k].name for k in row] for row in found.note_index]
    [['eighth', 'quarter'], ['eighth', 'dotted eighth']]
    >>> found.gain_bound
    array([0.8, 0.8])
    """
    positions = np.atleast_1d(positive("positions", positions, "m"))
    beat = np.asarray(MINUTE / positive("bpm", bpm))[..., None]
    levels = non_negative("levels", levels)
    gain = non_negative("return_gain", return_gain) * non_negative("peak_gain", peak_gain)
    notes = _rising_notes(notes)
    lengths = np.array([note.beats for note in notes])
    delays = positions / positive("speed", speed, "m/s")[..., None]
    beats = delays / beat
    note_index = np.searchsorted((lengths[1:] + lengths[:-1]) / 2, beats)
    sums = np.broadcast_to(levels, positions.shape).sum(axis=-1)
    return LayoutSweep(
        notes=notes,
        delays=delays,
        note_index=note_index,
        errors=(beats - lengths[note_index]) * beat,
        gain_bound=gain * sums,
    )


@dataclass(frozen=True, kw_only=True)
class RhythmMap:
    """How near two heads can come to every pair of note values at one tempo.

    Parameters
    ----------
    notes : tuple of NoteValue
        The note values, the shortest first; rows and columns of the arrays.
    errors : numpy.ndarray
        Smallest worst error in s for each pair; on the diagonal for one head alone.
    speeds : numpy.ndarray
        The speed in m/s that reaches it.
    positions : numpy.ndarray
        The two positions in m on a last axis of 2, the nearer first; twice the same on
        the diagonal.

    See Also
    --------
    rhythm_map : makes it

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4)
    >>> table = rhythm_map(limits, [0.2], 120)
    >>> table.errors.shape == (len(table.notes), len(table.notes))
    True
    """

    notes: tuple
    errors: np.ndarray
    speeds: np.ndarray
    positions: np.ndarray

    def reachable(self, allowed_error):
        """Return which pairs stay within `allowed_error` in s, as an array of truth values."""
        return self.errors <= single("allowed_error", non_negative("allowed_error", allowed_error, "s"))


def rhythm_map(limits, speeds, bpm, *, notes=NOTE_VALUES):
    """Map the rhythms of two heads that a machine can reach: every pair of note values.

    Exact: for each second position the best first one is found by a running
    minimum over all positions that leave the pitch between them.

    Parameters
    ----------
    limits : MechanicalLimits
        Where heads can stand; needs a ruler step.
    speeds : sequence of float
        The tape speeds that can be chosen in m/s, 1 to 12.
    bpm : float
        Tempo in beats per minute, greater than 0.
    notes : sequence of NoteValue, optional
        The note values that count.

    Returns
    -------
    RhythmMap
        Errors, speeds and positions for each pair.

    Raises
    ------
    InfeasibleLayout
        If two heads do not fit.
    ValueError
        If a value is out of its range, or there is no ruler step.

    See Also
    --------
    design_heads : the best layout for one rhythm

    Notes
    -----
    Source: our own derivation. Notebook: 06_heads.

    Examples
    --------
    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.1)
    >>> table = rhythm_map(limits, [0.2], 120)
    >>> names = [note.name for note in table.notes]
    >>> eighth, quarter = names.index("eighth"), names.index("quarter")
    >>> bool(table.errors[eighth, quarter] < 1e-12), table.positions[eighth, quarter]
    (True, array([0.05, 0.1 ]))
    """
    nearest, pitch, farthest = _ruler(limits)
    _refuse_crowd(2, limits)
    wanted = delay_from_tempo(
        single("bpm", positive("bpm", bpm)), np.array([note.beats for note in _rising_notes(notes)])
    )
    count = wanted.size
    marks = np.arange(nearest, farthest + 1) * limits.ruler_step
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
    return RhythmMap(notes=_rising_notes(notes), errors=errors, speeds=best_speeds, positions=best_positions)


# ---- checks ----


def _checked_rhythm(rhythm_beats):
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


def _checked_positions(positions, heads):
    """Check positions with the heads on the last axis."""
    positions = np.atleast_1d(positive("positions", positions, "m"))
    if positions.shape[-1] != heads:
        raise ValueError(f"positions must have {heads} heads on the last axis, got shape {positions.shape}")
    return positions


def _beat_periods(tempos):
    """Return the shortest and the longest beat of a tempo range."""
    tempos = positive("tempos", tempos, "beats per minute")
    if tempos.shape != (2,):
        raise ValueError(f"tempos must be the slowest and the fastest tempo, got shape {tempos.shape}")
    slowest, fastest = tempos.tolist()
    if slowest > fastest:
        raise ValueError(f"tempos must go from the slowest to the fastest, got ({slowest:g}, {fastest:g})")
    return MINUTE / fastest, MINUTE / slowest


def _checked_speeds(speeds):
    """Return the speeds as floats, each once, the fastest first."""
    speeds = np.unique(positive("speeds", speeds, "m/s"))
    if speeds.size > MOST_SPEEDS:
        raise ValueError(f"speeds must be 1 to {MOST_SPEEDS} different speeds, got {speeds.size}")
    return speeds[::-1].tolist()


def _rising_notes(notes):
    """Return note values from short to long."""
    if not len(notes):
        raise ValueError("notes must hold one note value or more, got none")
    return tuple(sorted(notes, key=lambda note: note.beats))


def _ruler(limits):
    """Return the limits in ruler steps."""
    if limits.ruler_step is None:
        raise ValueError("limits must have a ruler_step, got None: there is no end of layouts without one")
    return limits.marks


def _mm(value):
    return f"{1e3 * value:.4g} mm"


def _ms(value):
    return f"{round(1e3 * value, 3):.3g} ms"
