"""A set of songs on one machine: which delay each song likes best, and the one change that serves all.

A speed trim, a sleeve, or for one head a move of it, multiplies delays by one and the same factor. How far
a song is off, counted in thresholds of hearing, is a V over that factor for each delay and note; the song
takes the lowest V, and the set is as good as its worst song. So the search for the best factor is exact:
it looks at the corners of straight pieces.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.quantity import Delay, Duration, Is, T, Tempo, calculator, check_fields, whole
from tapecalc.calc.tempo import (
    PLAIN_NOTES,
    NoteValue,
    TempoFit,
    chance_heard,
    checked_notes,
    delay_from_tempo,
    fit,
    timing_threshold,
)
from tapecalc.calc.transport import UDelay

_Array = NDArray[np.float64]
_Lines = Callable[[_Array], _Array]  # factors -> a row for each line

Factor = Annotated[T, Is(above=0, words="factor on every delay", usual=(0.8, 1.25))]

#: Settings count as different from so much on, as a fraction.
CLEARLY_APART = 0.01
#: Two values that differ by less are the same but for rounding.
_ROUNDING = 1e-9
#: Two factors, likewise.
_NEAR = 1e-12


@dataclass(frozen=True, kw_only=True)
class Song:
    """One song of the set.

    `notes` are those of which it wants one; None for any of `tempo.PLAIN_NOTES`.
    """

    name: str
    bpm: Tempo[float]
    notes: tuple[NoteValue, ...] | None = None

    def __post_init__(self) -> None:
        check_fields(self)
        if self.notes is not None:
            object.__setattr__(self, "notes", checked_notes(self.notes))

    @property
    def wanted(self) -> tuple[NoteValue, ...]:
        """The notes among which it chooses."""
        return PLAIN_NOTES if self.notes is None else self.notes


@dataclass(frozen=True, kw_only=True)
class MachineDelay:
    """One delay that the machine has: at which of its speeds, from which of its heads, both from 0."""

    speed: int
    head: int
    delay: Delay[float]  # s
    u_delay: UDelay[float] = 0.0  # its standard uncertainty, s

    def __post_init__(self) -> None:
        check_fields(self)
        for name in ("speed", "head"):
            object.__setattr__(self, name, whole(name, getattr(self, name), 0, 99))


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What one song gets: the delay and the note that fit best."""

    song: Song
    delay: MachineDelay  # as it is, before any change
    fit: TempoFit  # after the change
    chance_heard: float  # that it is heard as off


@dataclass(frozen=True, kw_only=True)
class Setting:
    """The whole set with every delay multiplied by one factor."""

    factor: float
    choices: tuple[Choice, ...]  # for each song, in the order of the set

    @property
    def worst(self) -> Choice:
        """The song that is off the most, counted in thresholds."""
        # Of equals the first: at the best factor two are off alike, but for rounding errors.
        return max(self.choices, key=lambda choice: round(choice.fit.audibility, 9))

    @property
    def in_time(self) -> int:
        """How many are not heard as off."""
        return sum(not choice.fit.audible for choice in self.choices)

    @property
    def speed_change_percent(self) -> float:
        """What the tape speed must change by for it, ``100 (1/factor - 1)``."""
        return 100 * (1 / self.factor - 1)


@dataclass(frozen=True, kw_only=True)
class CommonChange:
    """One change for the whole set.

    `best` is off the least in its worst song, the nearest to 1 of equals. `runner_up` is the next best
    factor that no small change improves, more than a percent apart or with another number of songs in time;
    None if there is none. `most_in_time` has most songs in time, and of such the least miss of the worst of
    these: a song that fits nowhere can draw `best` away from all others.
    """

    before: Setting
    best: Setting
    runner_up: Setting | None
    most_in_time: Setting


class _Need(NamedTuple):
    """What must fit: one song, at the best of some delays; as a V for each delay and note."""

    song: Song
    delays: tuple[MachineDelay, ...]
    threshold: float | None  # from which it is heard as off, s; None for an even pulse
    exact: _Array  # the factors at which a delay is exactly a note, delay by delay
    slopes: _Array  # thresholds by which it misses, for each unit of factor

    def off(self, factors: _Array) -> _Array:
        """By how many thresholds each delay misses each note; a row for each of the pairs."""
        return self.slopes[:, None] * np.abs(factors - self.exact[:, None])

    def within(self, low: float, high: float) -> Self:
        """Leave out every V that is above another one all the way from low to high."""
        highest = self.off(np.array([low, high])).max(axis=1)
        lowest = self.slopes * np.abs(np.clip(self.exact, low, high) - self.exact)
        kept = lowest <= highest.min()
        return self._replace(exact=self.exact[kept], slopes=self.slopes[kept])


def _need(song: Song, delays: tuple[MachineDelay, ...], threshold: float | None) -> _Need:
    lasts = delay_from_tempo(song.bpm, np.array([note.beats for note in song.wanted]))
    own = np.array([one.delay for one in delays])[:, None]
    heard = timing_threshold(lasts) if threshold is None else np.full_like(lasts, threshold)
    return _Need(song, delays, threshold, (lasts / own).ravel(), (own / heard).ravel())


def _needs(
    songs: Sequence[Song], delays: Sequence[MachineDelay], threshold: float | None, *, every_delay: bool
) -> list[_Need]:
    """Say what must fit: each song once, or each song at every delay."""
    for name, given, kind in (("songs", songs, Song), ("delays", delays, MachineDelay)):
        if not given or not all(isinstance(one, kind) for one in given):
            raise ValueError(f"{name} must hold one {kind.__name__} or more, got {given!r}")
    groups = [(one,) for one in delays] if every_delay else [tuple(delays)]
    return [_need(song, group, threshold) for song in songs for group in groups]


@calculator
def best_choices(
    songs: Sequence[Song], delays: Sequence[MachineDelay], *, threshold: Duration[float] | None = None
) -> tuple[Choice, ...]:
    """Find for each song the delay and the note that fit best; of equals the first delay.

    `threshold` is that beyond which a miss is heard, as in `tempo.fit`.

    >>> fast, slow = (MachineDelay(speed=k, head=0, delay=t) for k, t in enumerate((0.25, 0.5)))
    >>> (choice,) = best_choices([Song(name="one", bpm=92)], [fast, slow])
    >>> choice.delay.delay, choice.fit.note.name
    (0.25, 'dotted sixteenth')
    """
    return _setting(_needs(songs, delays, threshold, every_delay=False), 1.0).choices


def _setting(needs: Sequence[_Need], factor: float) -> Setting:
    """Let each song choose, with every delay multiplied by a factor."""
    chosen = []
    for need in needs:
        first = int(np.argmin(np.round(need.off(np.array([factor]))[:, 0], 9)))  # but for rounding errors
        which, note = divmod(first, len(need.song.wanted))
        own = need.delays[which]
        kind = need.song.wanted[note]
        best = fit(factor * own.delay, need.song.bpm, kind, threshold=need.threshold)
        chosen.append((need.song, own, best))
    errors, u_delays, thresholds = np.array(
        [(best.error, factor * own.u_delay, best.threshold) for _, own, best in chosen]
    ).T
    chances = chance_heard(errors, u_delays, thresholds).tolist()
    choices = (
        Choice(song=song, delay=own, fit=best, chance_heard=chance)
        for (song, own, best), chance in zip(chosen, chances, strict=True)
    )
    return Setting(factor=factor, choices=tuple(choices))


@calculator
def common_change(
    songs: Sequence[Song],
    delays: Sequence[MachineDelay],
    *,
    low: Factor[float] = 0.8,
    high: Factor[float] = 1.25,
    every_delay: bool = False,
    threshold: Duration[float] | None = None,
) -> CommonChange:
    """Find the one factor on all delays that serves a set best: with it the worst song is off the least.

    Give the delays of one head for a move of that head, and `high` of 1 for a sleeve, which only shortens
    delays. With `every_delay` each song must fit at all delays instead of at the best of them: one change
    that mends all heads. A setting then has a choice for each song and delay. `threshold` is that beyond
    which a miss is heard, as in `tempo.fit`.

    >>> heads = [MachineDelay(speed=0, head=k, delay=0.225 * (k + 1)) for k in range(4)]
    >>> mended = common_change([Song(name="one", bpm=120)], heads, every_delay=True)
    >>> round(mended.best.factor, 9), mended.before.in_time, mended.best.in_time
    (1.111111111, 0, 4)
    """
    if low > high:
        raise ValueError(f"low must not be above high, got {low:g} and {high:g}")
    needs = _needs(songs, delays, threshold, every_delay=every_delay)
    factors, off = _corners_of_worst(needs, low, high)
    worst, in_time = off.max(axis=0), (off <= 1 + _ROUNDING).sum(axis=0)
    order = np.lexsort((np.abs(np.log(factors)), np.round(worst, 9)))  # best first
    beside = np.pad(worst, 1, constant_values=np.inf)
    valleys = [k for k in order if worst[k] <= beside[k] and worst[k] <= beside[k + 2]]
    best, *others = valleys
    apart = np.abs(factors / factors[best] - 1) > CLEARLY_APART
    runner_up = next((k for k in others if apart[k] or in_time[k] != in_time[best]), None)
    most = _most_in_time(factors, off) if in_time.max() else float(factors[best])
    at_best = _setting(needs, float(factors[best]))
    return CommonChange(
        before=_setting(needs, 1.0),
        best=at_best,
        runner_up=None if runner_up is None else _setting(needs, float(factors[runner_up])),
        most_in_time=at_best if most == at_best.factor else _setting(needs, most),
    )


def _most_in_time(factors: _Array, off: _Array) -> float:
    """Find where most songs are in time, and the worst of these is off the least; of equals the nearest to 1.

    Between two points a song is in time all the way if it is at both, and is off there by no less than at
    one of them: so most gaps need no look.
    """
    in_time = off <= 1 + _ROUNDING
    count = in_time.sum(axis=0)
    worst = np.where(in_time, off, 0.0).max(axis=0)
    found = [_ranked(factors[k], worst[k]) for k in np.flatnonzero(count == count.max())]
    both = in_time[:, :-1] & in_time[:, 1:]
    least = np.where(both, np.minimum(off[:, :-1], off[:, 1:]), 0.0).max(axis=0)
    gaps = np.flatnonzero(both.sum(axis=0) == count.max())
    for gap in gaps[np.argsort(least[gaps])]:
        if least[gap] >= min(found)[0]:
            break
        ends, rows = factors[gap : gap + 2], off[both[:, gap], gap : gap + 2]
        inside, minus = _lowest(partial(_downward, ends, rows), ends)
        found += [_ranked(*pair) for pair in zip(inside, -minus.min(axis=0), strict=True)]
    return min(found)[2]


def _downward(ends: _Array, rows: _Array, factors: _Array) -> _Array:
    """Straight lines between two factors, turned upside down."""
    return -np.array([np.interp(factors, ends, row) for row in rows])


def _ranked(factor: float, off: float) -> tuple[float, float, float]:
    """What the better of two factors is less in: the miss but for rounding, the change, itself."""
    return round(off, 9), abs(math.log(factor)), float(factor)


def _corners_of_worst(needs: Sequence[_Need], low: float, high: float) -> tuple[_Array, _Array]:
    """Find the factors between which the worst song, and whether each is in time, go straight.

    With them a row for each need: by how many thresholds it is off there.
    """
    tables = []
    for need in needs:
        possible = need.within(low, high)
        corners, off = _lowest(possible.off, _inside(possible.exact, low, high))
        tables.append((corners, off.min(axis=0)))
    known = [corners for corners, _ in tables] + [_crossings(corners, off - 1) for corners, off in tables]

    def minus_off(factors: _Array) -> _Array:
        return -np.array([np.interp(factors, corners, off) for corners, off in tables])

    factors, minus = _lowest(minus_off, _inside(np.concatenate(known), low, high))
    return factors, -minus


def _inside(points: _Array, low: float, high: float) -> _Array:
    """Points from low to high, both of these with them, rising and each once."""
    points = np.sort(points[(low < points) & (points < high)])
    points = np.concatenate([[low], points, [high]])
    return points[np.diff(points, prepend=-1.0) > _NEAR]


def _crossings(factors: _Array, values: _Array) -> _Array:
    """Where straight pieces go through 0."""
    before, after = values[:-1], values[1:]
    through = before * after < 0
    share = before[through] / (before - after)[through]
    return factors[:-1][through] + share * np.diff(factors)[through]


def _lowest(lines: _Lines, points: _Array) -> tuple[_Array, _Array]:
    """Add the corners of the lowest line to points between which every line is straight.

    Where one line is lowest on the left of a gap and another on its right, they cross there: a corner,
    unless a third line is lower, which the next round finds.
    """
    values = lines(points)
    while True:
        lowest = values.argmin(axis=0)
        gap = np.arange(points.size - 1)
        here, there = lowest[:-1], lowest[1:]
        before = values[there, gap] - values[here, gap]
        after = values[here, gap + 1] - values[there, gap + 1]
        share = np.divide(before, before + after, out=np.zeros_like(before), where=here != there)
        new = points[:-1] + share * np.diff(points)
        new = new[(new - points[:-1] > _NEAR) & (points[1:] - new > _NEAR)]
        if not new.size:
            return points, values
        points, values = np.concatenate([points, new]), np.hstack([values, lines(new)])
        order = np.argsort(points)
        points, values = points[order], values[:, order]
