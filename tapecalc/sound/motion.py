"""How the tape moves: its position over time, and the delay of each head that follows.

The position is the integral of the speed: an even run or one change of speed,
plus the wobble of the turning parts (which turn with the tape, so their phase
follows its position), plus random wobble. A head at the spacing ``d`` plays at
the time ``t`` what was recorded at ``t - T``, where ``p(t) - p(t - T) = d``.

All of it is slow, so position and delay are computed once per *cell* of some
1.3 ms and interpolated between by Lagrange's polynomial of degree 7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt, sosfreqz

from tapecalc.calc.quantity import between, finite, non_negative, positive, single, whole

__all__ = [
    "Motion",
    "SpeedChange",
    "delay_cells",
    "samples_per_cell",
    "speed_ratio",
]


STENCIL = 8  # grid points that one interpolated value is made of
SLOWEST_GRID = 700.0  # grid points a second, at the least
POINTS_PER_WOBBLE = 8  # grid points in one turn of the fastest part, at the least
RANDOM_BAND = (0.5, 50.0)  # Hz, where random wobble lies; common practice, no source
LARGEST_WOBBLE = 0.3  # sum of all depths: more is no tape machine
LARGEST_RANDOM = 0.05  # rms
CHUNK = 2048  # grid points computed at a time

#: Row k, column l: what grid point l gives to the k-th power of the place in the middle cell.
LAGRANGE = np.linalg.inv(np.vander(np.arange(STENCIL) - (STENCIL // 2 - 1), STENCIL, increasing=True))


@dataclass(frozen=True, kw_only=True)
class SpeedChange:
    """One change of speed during the take, along half a cosine.

    Attributes
    ----------
    ratio : float
        Speed afterwards over speed before, from 1/8 to 8.
    start : float
        When the change begins in s, 0 or more.
    seconds : float
        How long it takes in s, 0.02 or more: no motor jumps.

    Raises
    ------
    ValueError
        If a value is out of its range.
    """

    ratio: float
    start: float
    seconds: float

    def __post_init__(self):
        single("ratio", between("ratio", self.ratio, 1 / 8, 8))
        single("start", non_negative("start", self.start, "s"))
        single("seconds", between("seconds", self.seconds, 0.02, 1e6, "s"))

    def progress(self, time):
        """Return how far the change has come, from 0 to 1, at each `time` in s."""
        turn = np.clip((time - self.start) / self.seconds, 0, 1)
        return 0.5 - 0.5 * np.cos(np.pi * turn)

    def gained(self, time):
        """Return the integral of `progress`: seconds of full effect up to each `time`."""
        turn = np.clip((time - self.start) / self.seconds, 0, 1)
        ramp = 0.5 * self.seconds * (turn - np.sin(np.pi * turn) / np.pi)
        return ramp + np.maximum(time - self.start - self.seconds, 0)


@dataclass(frozen=True, kw_only=True)
class Motion:
    """What the speed of the tape does during a take.

    Attributes
    ----------
    speed : float
        Tape speed in m/s at the beginning, without wobble.
    wobbles : tuple of (float, float)
        Depth (fraction, zero to peak) and rate in Hz at `speed` of each turning part.
    phases : tuple of float, optional
        Phase of each wobble in rad at time 0. Left out, they are drawn with the seed.
    random_wobble : float
        Random speed wobble, rms, as a fraction.
    change : SpeedChange or None
        One change of speed during the take.
    seed : int
        Which phases and which random wobble.

    Raises
    ------
    ValueError
        If a value is out of its range, or phases and wobbles are not as many.
    """

    speed: float
    wobbles: tuple[tuple[float, float], ...] = ()
    phases: tuple[float, ...] | None = None
    random_wobble: float = 0.0
    change: SpeedChange | None = None
    seed: int = 0

    def __post_init__(self):
        single("speed", positive("speed", self.speed, "m/s"))
        single("random_wobble", between("random_wobble", self.random_wobble, 0, LARGEST_RANDOM))
        whole("seed", self.seed, 0, 2**63)
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
    def fastest(self):
        """A speed in m/s that the tape never exceeds."""
        ratio = 1.0 if self.change is None else max(1.0, self.change.ratio)
        return self.speed * ratio * self._extreme(1)

    @property
    def slowest(self):
        """A speed in m/s that the tape never falls below."""
        ratio = 1.0 if self.change is None else min(1.0, self.change.ratio)
        return self.speed * ratio * self._extreme(-1)

    def _extreme(self, sign):
        """Return the largest or smallest relative speed; random wobble stays within 6 rms."""
        return 1 + sign * (sum(depth for depth, _ in self.wobbles) + 6 * self.random_wobble)


def samples_per_cell(motion, sample_rate):
    """Return how many samples one cell of the delay grid holds, a power of two.

    Parameters
    ----------
    motion : Motion
        What the tape does.
    sample_rate : int
        Samples a second.

    Returns
    -------
    int
        Samples from one grid point to the next.

    Raises
    ------
    ValueError
        If a part turns too fast for the grid.

    Notes
    -----
    Source: error of Lagrange's interpolation. Notebook: none.

    Examples
    --------
    >>> samples_per_cell(Motion(speed=0.1905), 48000)
    64
    """
    ratio = 1.0 if motion.change is None else max(1.0, motion.change.ratio)
    fastest = max((rate for _, rate in motion.wobbles), default=0.0) * ratio
    between("wobbles", fastest, 0, sample_rate / (8 * POINTS_PER_WOBBLE), "Hz")
    return 2 ** int(math.log2(sample_rate / max(SLOWEST_GRID, POINTS_PER_WOBBLE * fastest)))


def speed_ratio(motion, time):
    """Compute speed over nominal speed, without random wobble: ``v(t) / v``.

    Parameters
    ----------
    motion : Motion
        What the tape does. Its phases must be given where it has wobbles.
    time : array_like
        Time in s.

    Returns
    -------
    numpy.ndarray
        The ratio, of the shape of `time`.

    Raises
    ------
    ValueError
        If a time is not a finite number.

    Notes
    -----
    Source: definition. Notebook: 05_flutter.

    Examples
    --------
    >>> steady = Motion(speed=0.1905, wobbles=((0.001, 4.0),), phases=(0.0,))
    >>> float(speed_ratio(steady, 1 / 16).round(6))
    1.001
    """
    t = finite("time", time)
    gained, even = _run(motion, t)
    phases = _phases(motion)
    wobble = sum(
        depth * np.sin(2 * np.pi * rate * (t + gained) + phase)
        for (depth, rate), phase in zip(motion.wobbles, phases, strict=True)
    )
    return even * (1 + wobble)


def _run(motion, time):
    """Return what a change of speed has gained up to `time` in s of tape, and the relative speed."""
    if motion.change is None:
        return np.zeros_like(time), np.ones_like(time)
    over = motion.change.ratio - 1
    return over * motion.change.gained(time), 1 + over * motion.change.progress(time)


def _phases(motion):
    """Return the phases of the wobbles: as given, else drawn with the seed."""
    if motion.phases is not None:
        return motion.phases
    return tuple(np.random.default_rng([motion.seed, 0]).uniform(0, 2 * np.pi, len(motion.wobbles)))


def _offsets(motion, step, first):
    """Yield chunks of ``u(t) = p(t)/v - t`` in s on the grid ``t = step (first + 0, 1, 2 ...)``.

    The random wobble is white noise through a band pass, summed up by trapezoids.
    """
    phases = _phases(motion)
    rng = np.random.default_rng([motion.seed, 1])
    band = butter(1, RANDOM_BAND, "bandpass", fs=1 / step, output="sos")
    gain = np.abs(sosfreqz(band, 4096)[1])
    scale = motion.random_wobble / math.sqrt(np.mean(gain**2))
    state = np.zeros((len(band), 2))
    random_offset, last_speed = 0.0, 0.0
    while True:
        time = step * np.arange(first, first + CHUNK)
        gained, even = _run(motion, time)
        offset = gained.copy()
        for (depth, rate), phase in zip(motion.wobbles, phases, strict=True):
            offset -= depth / (2 * np.pi * rate) * np.cos(2 * np.pi * rate * (time + gained) + phase)
        if motion.random_wobble:
            wobble, state = sosfilt(band, scale * rng.standard_normal(CHUNK), zi=state)
            wobble *= even
            path = random_offset + step / 2 * np.cumsum(wobble + np.concatenate([[last_speed], wobble[:-1]]))
            random_offset, last_speed = path[-1], wobble[-1]
            offset += path
        yield offset
        first += CHUNK


def delay_cells(motion, spacings, sample_rate):
    """Yield the delay of each head in s on the grid, chunk after chunk, without end.

    The first grid point stands ``STENCIL // 2 - 1`` cells before time 0, so that the
    interpolation has what it needs at the beginning.

    Parameters
    ----------
    motion : Motion
        What the tape does.
    spacings : sequence of float
        Spacing of each head in m.
    sample_rate : int
        Samples a second.

    Yields
    ------
    numpy.ndarray
        Delays in s, of shape (heads, grid points in this chunk).

    Raises
    ------
    ValueError
        If a part turns too fast for the grid, or a spacing is not greater than 0.

    Notes
    -----
    Source: conservation of tape, ``p(t) - p(t - T) = d``. Notebook: none.

    Examples
    --------
    >>> chunk = next(delay_cells(Motion(speed=0.2), [0.04, 0.08], 48000))
    >>> chunk[:, 0].round(9)
    array([0.2, 0.4])
    """
    step = samples_per_cell(motion, sample_rate) / sample_rate
    nominal = positive("spacings", np.atleast_1d(spacings), "m") / motion.speed
    ahead = STENCIL
    behind = math.ceil(nominal.max() * motion.speed / motion.slowest / step) + STENCIL
    lead = STENCIL // 2 - 1
    start = -(lead + behind)  # grid index of the first offset that is kept
    chunks = _offsets(motion, step, start)
    offset = next(chunks)
    while len(offset) < behind + ahead + 1:
        offset = np.concatenate([offset, next(chunks)])
    while True:
        here = np.arange(behind, len(offset) - ahead)
        yield np.stack([_solve(offset, here, delay, step) for delay in nominal])
        offset = np.concatenate([offset[here[-1] + 1 - behind :], next(chunks)])


def _solve(offset, here, nominal, step):
    """Solve ``T = D - u(t) + u(t - T)`` at the grid points `here` of one stretch of offsets.

    A linear inverse of the position tells the cell, two steps of Newton the place in it.
    """
    points = np.arange(len(offset))
    position = points * step + offset
    wanted = position[here] - nominal
    recorded = np.interp(wanted, position, points)
    before = np.floor(recorded).astype(np.intp)
    fraction = recorded - before
    curve = LAGRANGE @ _stencils(offset, before)
    slope = step + offset[before + 1] - offset[before]
    for _ in range(2):
        value = curve[-1]
        for coefficient in curve[-2::-1]:
            value = value * fraction + coefficient
        fraction = fraction - ((before + fraction) * step + value - wanted) / slope
    return (here - before - fraction) * step


def _stencils(values, before):
    """Return the stencil around each place, shape (STENCIL, places)."""
    first = before - (STENCIL // 2 - 1)
    return np.stack([values[first + k] for k in range(STENCIL)])


def expansion(cell):
    """Return the matrix (STENCIL, cell) that turns a stencil of grid points into a cell of samples."""
    return (np.vander(np.arange(cell) / cell, STENCIL, increasing=True) @ LAGRANGE).T
