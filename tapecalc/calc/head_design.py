"""Where playback heads should stand for a rhythm, within what a machine allows."""

import itertools
import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapecalc.calc.heads import MINUTE, MOST_HEADS, RULER_SLACK, Heads
from tapecalc.calc.quantity import Spacing, check_fields, non_negative, positive, single
from tapecalc.calc.tempo import NOTE_VALUES, NoteValue
from tapecalc.words import amount

MOST_SPEEDS = 12  # that a design chooses from; a machine has fewer, a wish may not

Array = NDArray[np.float64]


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
    def step(self) -> float:
        """The ruler step, or a millimeter where there is no ruler."""
        return self.ruler_step or 1e-3

    @property
    def marks(self) -> tuple[float, float, float]:
        """First, pitch and longest in steps; on a ruler whole ones, rounded to the safe side."""
        first, pitch, longest = (length / self.step for length in (self.first, self.pitch, self.longest))
        if self.ruler_step is None:
            return first, pitch, longest
        pitch = max(1, math.ceil(pitch - RULER_SLACK))
        return math.ceil(first - RULER_SLACK), pitch, math.floor(longest + RULER_SLACK)

    def last_position(self, heads: int) -> float:
        """Return the nearest position in m at which the last of some heads can stand."""
        first, pitch, _ = self.marks
        return (first + (heads - 1) * pitch) * self.step


class InfeasibleLayout(ValueError):
    """No layout does what was asked for.

    `in_the_way` names what stands in the way: fields of `MechanicalLimits`, or ``"speeds"`` and
    ``"tempos"``.
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
        """Return how late each head answers in s, ``d_k / v - b_k 60 / bpm``; heads on the last axis."""
        return self.layout.delays(speed) - self.rhythm_beats * (MINUTE / positive("bpm", bpm))[..., None]


def design_heads(
    rhythm_beats: ArrayLike,
    tempos: ArrayLike,
    speeds: ArrayLike,
    limits: MechanicalLimits,
    *,
    allowed_error: float | None = None,
) -> HeadDesign:
    """Find the head positions whose worst timing error over a tempo range is the smallest possible.

    At every tempo the speed with the smallest error is chosen; at that speed the worst head counts; over
    the range the worst tempo counts. With beat period x and error e, a fast speed serves periods up to
    ``min_k (d_k/v + e)/b_k`` and the next slower one begins at ``max_k (d_k/v - e)/b_k``. The range is
    covered exactly when neighbors meet, so the smallest e is the largest of the crossings
    ``(b_k d_l/v_slow - b_l d_k/v_fast) / (b_k + b_l)`` and of the errors at the ends: linear in the
    positions, for every run of neighboring speeds that may serve the range. Error and positions are
    therefore the answer to one mixed-integer linear program per run, which branch and bound solves to the
    optimum, not to a good guess. Among layouts of one worst error the one nearest to the wanted
    proportions is taken.

    The rhythm is 1 to 8 different numbers of beats, `tempos` the slowest and the fastest, `speeds` 1 to 12
    in m/s. `InfeasibleLayout` is raised if the heads do not fit within the limits, or the smallest worst
    error is above `allowed_error` in s; its sentence names what stands in the way.

    Source: our own derivation; R. J. Dakin, A tree-search algorithm for mixed integer programming problems,
    Computer Journal 8, 1965 (from memory).

    >>> limits = MechanicalLimits(first=0.03, pitch=0.02, longest=0.4, ruler_step=0.001)
    >>> design_heads([0.5, 0.75, 1.0], (120, 120), [0.2], limits).layout.spacings
    (0.05, 0.075, 0.1)
    """
    wish = _Wish(_checked_rhythm(rhythm_beats), *_beat_periods(tempos), _checked_speeds(speeds))
    if allowed_error is not None:
        allowed_error = single("allowed_error", non_negative("allowed_error", allowed_error, "s"))
    _refuse_crowd(wish.beats.size, limits)
    positions = _best_positions(wish, limits)
    worst_error, worst_period = _worst(positions, wish)
    design = HeadDesign(
        layout=Heads(spacings=tuple(positions)),
        rhythm_beats=tuple(wish.beats.tolist()),
        tempos=(MINUTE / wish.longest, MINUTE / wish.shortest),
        speeds=tuple(wish.speeds),
        worst_error=worst_error,
        worst_bpm=MINUTE / worst_period,
    )
    if allowed_error is not None and worst_error > allowed_error + 1e-12:
        raise _timing_refusal(design, wish, limits, allowed_error)
    return design


class _Wish(NamedTuple):
    """A checked rhythm, the beat periods that it is played at, and the speeds for it, fastest first."""

    beats: Array
    shortest: float
    longest: float
    speeds: list[float]


def _worst(positions: Sequence[float], wish: _Wish) -> tuple[float, float]:
    """Return the worst timing error of a layout, and the beat period where it is.

    The error over the period is the smallest of V-shaped curves, so it peaks at an end of the range or
    where an early head of one speed meets a late one of another.
    """
    beats, shortest, longest, speeds = wish
    delays = np.array(positions) / np.array(speeds)[:, None]
    meetings = (delays[:, :, None, None] + delays) / (beats[:, None, None] + beats)
    periods = np.concatenate(([shortest, longest], meetings.ravel()))
    periods = periods[(periods >= shortest) & (periods <= longest)]
    errors = np.abs(delays - beats * periods[:, None, None]).max(axis=-1).min(axis=-1)
    worst = np.argmax(errors)
    return float(errors[worst]), float(periods[worst])


def _best_positions(wish: _Wish, limits: MechanicalLimits) -> list[float]:
    """Return the positions with the smallest worst timing error."""
    count = len(wish.speeds)
    runs = [wish._replace(speeds=wish.speeds[a:b]) for a, b in itertools.combinations(range(count + 1), 2)]
    bounds = [_lower_bound(run) for run in runs]
    least, best, winner = math.inf, None, None
    for index in np.argsort(bounds, kind="stable"):
        if bounds[index] >= least:
            break
        positions = _solve(runs[index], limits, least, tidy=False)
        if positions is not None and (error := _worst(positions, wish)[0]) < least:
            least, best, winner = error, positions, runs[index]
    assert best is not None and winner is not None, "the heads fit, so there is a layout"
    tidy = _solve(winner, limits, least * (1 + 1e-9) + 1e-10, tidy=True)
    return tidy if tidy is not None and _worst(tidy, wish)[0] <= least * (1 + 1e-9) + 1e-12 else best


def _lower_bound(wish: _Wish) -> float:
    """Return an error that no layout can beat with a run of speeds: that of its last head, free to move."""
    beats, shortest, longest, run = wish
    last, fast, slow = float(beats[-1]), run[0], run[-1]
    bound = last * (longest / fast - shortest / slow) / (1 / fast + 1 / slow)
    for v, slower in itertools.pairwise(run):
        slope = (1 / slower - 1 / v) / 2
        bound = max(bound, slope * last * longest / (slope + 1 / slow))
    return max(bound, 0.0)


def _solve(wish: _Wish, limits: MechanicalLimits, highest: float, *, tidy: bool) -> list[float] | None:
    """Return positions of the smallest error for one run of speeds; None if it is above `highest`.

    If `tidy`, those of any allowed error nearest to the proportions of the rhythm. The unknowns are one
    position per head in steps, the error in ms, a length per beat, and how far each head is from its share.
    """
    from scipy import optimize

    beats, shortest, longest, run = wish
    heads = beats.size
    first, pitch, last = limits.marks
    time = 1e3 * limits.step  # one step at 1 m/s takes so many milliseconds
    unit = np.eye(2 * heads + 2)
    place, error, scale, off = unit[:heads], unit[heads], unit[heads + 1], unit[heads + 2 :]
    rows = []  # each at most its end
    for k, b in enumerate(beats):
        rows.append((time / run[0] * place[k] - error, 1e3 * b * shortest))
        rows.append((-time / run[-1] * place[k] - error, -1e3 * b * longest))
        for m, other in enumerate(beats):
            for fast, slow in itertools.pairwise(run):
                crossing = b / slow * place[m] - other / fast * place[k]
                rows.append((time / (b + other) * crossing - error, 0.0))
        if k:
            rows.append((place[k - 1] - place[k], -pitch))
        if tidy:
            rows += [(place[k] - b * scale - off[k], 0.0), (b * scale - place[k] - off[k], 0.0)]
    matrix, ends = zip(*rows, strict=True)
    answer = optimize.milp(
        off.sum(axis=0) if tidy else error,
        integrality=(limits.ruler_step is not None) * place.sum(axis=0),
        bounds=optimize.Bounds(
            first * place.sum(axis=0), np.r_[[last] * heads, min(1e3 * highest, 1e9), [np.inf] * (heads + 1)]
        ),
        constraints=optimize.LinearConstraint(np.array(matrix), -np.inf, ends),
        options={"mip_rel_gap": 0.0},
    )
    if answer.x is None:
        return None
    steps = answer.x[:heads] if limits.ruler_step is None else np.rint(answer.x[:heads])
    return np.round(steps * limits.step, 12).tolist()


#: What each limit is called in a sentence.
_LIMIT_LABELS = {
    "first": "the first possible position",
    "pitch": "the pitch between heads",
    "longest": "the longest path",
    "ruler_step": "the ruler step",
}


def _refuse_crowd(heads: int, limits: MechanicalLimits) -> None:
    """Raise InfeasibleLayout if so many heads do not fit on the path at all."""
    last = limits.last_position(heads)
    if last <= limits.longest * (1 + RULER_SLACK):
        return
    lengths = (limits.first, limits.pitch, last, limits.longest)
    first, pitch, farthest, longest = (amount(length, "mm", ".4g") for length in lengths)
    raise InfeasibleLayout(
        f"{heads} heads do not fit: with the first at {first} and {pitch} between "
        f"heads the last stands at {farthest}, beyond the longest path of {longest}",
        ("first", "pitch", "longest") if heads > 1 else ("first", "longest"),
    )


def _timing_refusal(
    design: HeadDesign, wish: _Wish, limits: MechanicalLimits, allowed_error: float
) -> InfeasibleLayout:
    """Return the InfeasibleLayout that names the fewest limits without which the error is allowed."""

    def ms(error: float) -> str:
        return amount(round(error, 6), "ms", ".3g")

    for size in range(1, len(_LIMIT_LABELS) + 1):
        groups = itertools.combinations(_LIMIT_LABELS, size)
        free = {names: _worst(_best_positions(wish, _lift(limits, names, wish)), wish)[0] for names in groups}
        enough = [(names, error) for names, error in free.items() if error <= allowed_error]
        # several single limits may each be enough; of larger groups one is plenty
        enough = enough if size == 1 else enough[:1]
        if enough:
            in_the_way = tuple(name for names, _ in enough for name in names)
            reason = ", ".join(
                f"without {' and '.join(_LIMIT_LABELS[name] for name in names)} it would be {ms(error)}"
                for names, error in enough
            )
            break
    else:
        in_the_way = ("speeds", "tempos")
        (error,) = free.values()
        reason = f"even heads free to stand anywhere miss by {ms(error)}: "
        reason += "the speeds do not serve the tempo range"
    return InfeasibleLayout(
        f"no layout keeps every answer within {ms(allowed_error)}: the best misses by "
        f"{ms(design.worst_error)} at {design.worst_bpm:.4g} beats per minute; {reason}",
        in_the_way,
    )


def _lift(limits: MechanicalLimits, names: Collection[str], wish: _Wish) -> MechanicalLimits:
    """Return the limits with some of them moved to where they stop nothing."""
    near = 1e-6 if limits.ruler_step is None or "ruler_step" in names else limits.ruler_step
    far = 2 * float(wish.beats[-1]) * wish.longest * wish.speeds[0] + limits.last_position(MOST_HEADS)
    moved: dict[str, Any] = {
        "first": min(near, limits.first),
        "pitch": min(near, limits.pitch),
        "longest": max(far, limits.longest),
        "ruler_step": None,
    }
    return replace(limits, **{name: moved[name] for name in names})


@dataclass(frozen=True, kw_only=True)
class RhythmMap:
    """How near two heads can come to every pair of note values at one tempo."""

    notes: tuple[NoteValue, ...]  # the shortest first: rows and columns of the arrays
    errors: Array  # s, smallest worst error of each pair; on the diagonal for one head alone
    speeds: Array  # m/s, the speed that reaches it


def rhythm_map(
    limits: MechanicalLimits, speeds: ArrayLike, bpm: float, *, notes: Iterable[NoteValue] = NOTE_VALUES
) -> RhythmMap:
    """Map the rhythms of two heads that a machine can reach: every pair of note values.

    Exact: for each second position the best first one is found by a running minimum over all positions that
    leave the pitch between them.

    >>> table = rhythm_map(MechanicalLimits(first=0.03, pitch=0.02, longest=0.1), [0.2], 120)
    >>> names = [note.name for note in table.notes]
    >>> bool(table.errors[names.index("eighth"), names.index("quarter")] < 1e-12)
    True
    """
    if limits.ruler_step is None:
        raise ValueError("limits must have a ruler_step, got None: there is no end of layouts without one")
    _refuse_crowd(2, limits)
    nearest, pitch, farthest = map(int, limits.marks)
    marks = np.arange(nearest, farthest + 1) * limits.ruler_step
    rising = tuple(sorted(notes, key=lambda note: note.beats))
    fastest_first = np.array(_checked_speeds(speeds))
    wanted = np.array([note.beats for note in rising]) * MINUTE / single("bpm", positive("bpm", bpm))
    misses = np.abs(marks / fastest_first[:, None, None] - wanted[:, None])  # speed, note, mark
    nearer = np.minimum.accumulate(misses, axis=-1)[..., :-pitch]
    pairs = np.triu(np.maximum(nearer[:, :, None], misses[:, None, :, pitch:]).min(axis=-1), 1)
    errors = pairs + pairs.swapaxes(1, 2) + np.eye(len(rising)) * misses.min(axis=-1)[:, None]
    return RhythmMap(notes=rising, errors=errors.min(axis=0), speeds=fastest_first[errors.argmin(axis=0)])


def _checked_rhythm(rhythm_beats: ArrayLike) -> Array:
    """Check a rhythm, which may come in any order."""
    if np.size(rhythm_beats) == 0:
        raise ValueError(f"rhythm_beats must hold 1 to {MOST_HEADS} note values, got none")
    beats = np.sort(np.atleast_1d(positive("rhythm_beats", rhythm_beats, "beats")))
    if beats.ndim > 1 or beats.size > MOST_HEADS:
        raise ValueError(f"rhythm_beats must hold 1 to {MOST_HEADS} note values, got shape {beats.shape}")
    if np.any(np.diff(beats) == 0):
        raise ValueError(
            f"rhythm_beats must rise, each note value once, got {tuple(beats.tolist())}: "
            f"two heads cannot stand in one place"
        )
    return beats


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
    if speeds.size > MOST_SPEEDS:
        raise ValueError(f"speeds must be 1 to {MOST_SPEEDS} different speeds, got {speeds.size}")
    return speeds[::-1].tolist()
