"""How the tape moves: its position over time, and the delay of each head that follows.

The position is the integral of the speed: an even run or one change of speed, plus the wobble of the
turning parts (which turn with the tape, so their phase follows its position), plus random wobble. A head at
the spacing ``d`` plays at the time ``t`` what was recorded at ``t - T``, where ``p(t) - p(t - T) = d``.

All of it is slow, so position and delay are computed once per *cell* of some 1.3 ms and interpolated between
by Lagrange's polynomial of degree 7.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from tapecalc.calc.quantity import (
    DurationOrZero,
    Is,
    Speed,
    T,
    between,
    check_fields,
    finite,
    non_negative,
    positive,
)
from tapecalc.sound.samples import Array, Seed

STENCIL = 8  # grid points that one interpolated value is made of
SLOWEST_GRID = 700.0  # grid points a second, at the least
POINTS_PER_WOBBLE = 8  # grid points in one turn of the fastest part, at the least
RANDOM_BAND = (0.5, 50.0)  # Hz, where random wobble lies; common practice, no source
LARGEST_WOBBLE = 0.3  # sum of all depths: more is no tape machine
LARGEST_RANDOM = 0.05  # rms
CHUNK = 2048  # grid points computed at a time

#: Row k, column l: what grid point l gives to the k-th power of the place in the middle cell.
LAGRANGE = np.linalg.inv(np.vander(np.arange(STENCIL) - (STENCIL // 2 - 1), STENCIL, increasing=True))

ChangeRatio = Annotated[
    T, Is(least=1 / 8, most=8, words="speed afterwards over speed before", usual=(0.5, 2))
]
ChangeTime = Annotated[T, Is("s", least=0.02, most=1e6, words="no motor jumps", usual=(0.1, 2.0))]
RandomDepth = Annotated[T, Is(least=0, most=LARGEST_RANDOM, words="random wobble, rms", usual=(0.0, 0.001))]


@dataclass(frozen=True, kw_only=True)
class SpeedChange:
    """One change of speed during the take, along half a cosine."""

    ratio: ChangeRatio[float]  # speed afterwards over speed before
    start: DurationOrZero[float]  # s, when the change begins
    seconds: ChangeTime[float]  # how long it takes

    def __post_init__(self) -> None:
        check_fields(self)

    def progress(self, time: Array) -> Array:
        """Return how far the change has come, from 0 to 1, at each `time` in s."""
        turn = np.clip((time - self.start) / self.seconds, 0, 1)
        return 0.5 - 0.5 * np.cos(np.pi * turn)

    def gained(self, time: Array) -> Array:
        """Return the integral of `progress`: seconds of full effect up to each `time`."""
        turn = np.clip((time - self.start) / self.seconds, 0, 1)
        ramp = 0.5 * self.seconds * (turn - np.sin(np.pi * turn) / np.pi)
        return ramp + np.maximum(time - self.start - self.seconds, 0)


@dataclass(frozen=True, kw_only=True)
class Motion:
    """What the speed of the tape does during a take.

    Each wobble is a pair of depth (fraction, zero to peak) and rate in Hz at `speed`; `phases` are theirs in
    rad at time 0, drawn with the seed where they are left out.
    """

    speed: Speed[float]  # m/s at the beginning, without wobble
    wobbles: tuple[tuple[float, float], ...] = ()
    phases: tuple[float, ...] | None = None
    random_wobble: RandomDepth[float] = 0.0
    change: SpeedChange | None = None
    seed: Seed[int] = 0  # which phases and which random wobble

    def __post_init__(self) -> None:
        check_fields(self)
        if self.wobbles:
            depths, rates = np.transpose(finite("wobbles", self.wobbles))
            non_negative("wobbles", depths)
            positive("wobbles", rates, "Hz")
            between("wobbles", depths.sum(), 0, LARGEST_WOBBLE)
        if self.phases is not None and len(self.phases) != len(self.wobbles):
            raise ValueError(
                f"phases must be as many as wobbles, got {len(self.phases)} for {len(self.wobbles)}"
            )

    @property
    def fastest(self) -> float:
        """A speed in m/s that the tape never exceeds."""
        return self.speed * max(self._ratios) * (1 + self._deepest)

    @property
    def slowest(self) -> float:
        """A speed in m/s that the tape never falls below."""
        return self.speed * min(self._ratios) * (1 - self._deepest)

    @property
    def _ratios(self) -> tuple[float, ...]:
        return (1.0,) if self.change is None else (1.0, self.change.ratio)

    @property
    def _deepest(self) -> float:
        return sum(depth for depth, _ in self.wobbles) + 6 * self.random_wobble  # which stays within 6 rms

    def _run(self, time: Array) -> tuple[Array, Array]:
        """Return what a change of speed has gained up to `time` in s of tape, and the relative speed."""
        if self.change is None:
            return np.zeros_like(time), np.ones_like(time)
        over = self.change.ratio - 1
        return over * self.change.gained(time), 1 + over * self.change.progress(time)

    def _wobbles(self) -> list[tuple[float, float, float]]:
        """Return depth, rate and phase of each wobble; phases as given, else drawn with the seed."""
        drawn = np.random.default_rng([self.seed, 0]).uniform(0, 2 * np.pi, len(self.wobbles))
        phases = drawn if self.phases is None else self.phases
        return [(*wobble, phase) for wobble, phase in zip(self.wobbles, phases, strict=True)]


def samples_per_cell(motion: Motion, sample_rate: int) -> int:
    """Return how many samples one cell of the delay grid holds, a power of two.

    >>> samples_per_cell(Motion(speed=0.1905), 48000)
    64
    """
    fastest = max((rate for _, rate in motion.wobbles), default=0.0) * max(motion._ratios)
    between("wobbles", fastest, 0, sample_rate / (8 * POINTS_PER_WOBBLE), "Hz")
    return 2 ** int(math.log2(sample_rate / max(SLOWEST_GRID, POINTS_PER_WOBBLE * fastest)))


def speed_ratio(motion: Motion, time: ArrayLike) -> Array:
    """Compute speed over nominal speed at times in s, without random wobble: ``v(t) / v``.

    >>> steady = Motion(speed=0.1905, wobbles=((0.001, 4.0),), phases=(0.0,))
    >>> float(speed_ratio(steady, 1 / 16).round(6))
    1.001
    """
    t = finite("time", time)
    gained, even = motion._run(t)
    wobble = sum(
        depth * np.sin(2 * np.pi * rate * (t + gained) + phase) for depth, rate, phase in motion._wobbles()
    )
    return even * (1 + wobble)


def _offsets(motion: Motion, step: float, first: int) -> Iterator[Array]:
    """Yield chunks of ``u(t) = p(t)/v - t`` in s on the grid ``t = step (first + 0, 1, 2 ...)``.

    The random wobble is white noise through a band pass, summed up by trapezoids.
    """
    wobbles = motion._wobbles()
    rng = np.random.default_rng([motion.seed, 1])
    share, poles = _band_pass(step)
    scale = motion.random_wobble * math.sqrt(share)
    last_noise, last_wobble, random_offset, last_speed = np.zeros(2), np.zeros(2), 0.0, 0.0
    while True:
        time = step * np.arange(first, first + CHUNK, dtype=np.float64)
        gained, even = motion._run(time)
        offset = gained.copy()
        for depth, rate, phase in wobbles:
            offset -= depth / (2 * np.pi * rate) * np.cos(2 * np.pi * rate * (time + gained) + phase)
        if motion.random_wobble:
            noise = np.concatenate([last_noise, scale * rng.standard_normal(CHUNK)])
            driven = noise[2:] - noise[:-2]
            driven[0] -= poles[1:] @ last_wobble[::-1]
            driven[1] -= poles[2] * last_wobble[1]
            # A recursion is a triangular system with a few diagonals.
            band_limited = linalg.solve_banded((2, 0), np.tile(poles[:, None], CHUNK), driven)
            last_noise, last_wobble = noise[-2:], band_limited[-2:]
            wobble = band_limited * even
            path = random_offset + step / 2 * np.cumsum(wobble + np.concatenate([[last_speed], wobble[:-1]]))
            random_offset, last_speed = path[-1], wobble[-1]
            offset += path
        yield offset
        first += CHUNK


def _band_pass(step: float) -> tuple[float, Array]:
    """Return the band pass ``b (1 - z^-2) / (1 + a1 z^-1 + a2 z^-2)`` as ``b`` and ``1, a1, a2``.

    First order by the bilinear transform; of the power of white noise it leaves the share ``b``.
    """
    low, high = np.tan(np.pi * step * np.asarray(RANDOM_BAND))
    wide, middle = high - low, 1 + low * high
    poles = np.array([middle + wide, 2 * (low * high - 1), middle - wide])
    return float(wide / poles[0]), poles / poles[0]


def delay_cells(motion: Motion, spacings: ArrayLike, sample_rate: int) -> Iterator[Array]:
    """Yield the delay of each head in s on the grid, (heads, grid points), chunk after chunk, without end.

    The first grid point lies ``STENCIL // 2 - 1`` cells before time 0, so that the interpolation has what it
    needs at the beginning. Conservation of tape: ``p(t) - p(t - T) = d``.

    >>> next(delay_cells(Motion(speed=0.2), [0.04, 0.08], 48000))[:, 0].round(9)
    array([0.2, 0.4])
    """
    step = samples_per_cell(motion, sample_rate) / sample_rate
    nominal = positive("spacings", np.atleast_1d(spacings), "m") / motion.speed
    behind = math.ceil(nominal.max() * motion.speed / motion.slowest / step) + STENCIL
    chunks = _offsets(motion, step, -(STENCIL // 2 - 1 + behind))  # from the first grid index that is kept
    offset = next(chunks)
    while len(offset) < behind + STENCIL + 1:
        offset = np.concatenate([offset, next(chunks)])
    while True:
        here = np.arange(behind, len(offset) - STENCIL)
        yield np.stack([_solve(offset, here, delay, step) for delay in nominal])
        offset = np.concatenate([offset[here[-1] + 1 - behind :], next(chunks)])


def _solve(offset: Array, here: NDArray[np.intp], nominal: float, step: float) -> Array:
    """Solve ``T = D - u(t) + u(t - T)`` at the grid points `here` of one stretch of offsets.

    A linear inverse of the position tells the cell, two steps of Newton the place in it.
    """
    points = np.arange(len(offset))
    position = points * step + offset
    wanted = position[here] - nominal
    recorded = np.interp(wanted, position, points)
    before = np.floor(recorded).astype(np.intp)
    fraction = recorded - before
    first = before - (STENCIL // 2 - 1)
    curve = LAGRANGE @ np.stack([offset[first + k] for k in range(STENCIL)])
    slope = step + offset[before + 1] - offset[before]
    for _ in range(2):
        value = reduce(lambda total, coefficient: total * fraction + coefficient, curve[::-1])
        fraction = fraction - ((before + fraction) * step + value - wanted) / slope
    return (here - before - fraction) * step


def expansion(cell: int) -> Array:
    """Return the matrix (STENCIL, cell) that turns a stencil of grid points into a cell of samples."""
    return (np.vander(np.arange(cell) / cell, STENCIL, increasing=True) @ LAGRANGE).T
