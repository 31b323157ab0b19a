"""The engine: sound on its way round the machine, pass after pass, block by block.

What is recorded at one moment cannot be heard before the shortest delay is over. So everything between two
moments that far apart is computed at once:

1. each head reads the filtered tape where the delay says, between the samples (`_Reader`, six points and
   polynomials of degree 4, at twice the sample rate);
2. the bus adds the dry sound and what returns;
3. the record equalizer lifts the treble (`_Record`), and the tape limits what is then too loud, at `OVER`
   times the sample rate (`_Limit`);
4. one Fourier transform does what is linear behind that (`_Pass`): the rest of the response, the step to
   twice the rate, the correction of the reader's own small loss, and the spectrum of the tape's noise;
5. head bumps, which are of long waves, are added on the tape a little later, at a low rate (`_Bumps`).

The bass time constant of the equalizers is left out before the limit: what record lifts there, playback
takes back, and music has little below 50 Hz.
"""

import dataclasses
import itertools
import math
import operator
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache, lru_cache, partial, reduce
from typing import Annotated, Any

import numpy as np
from scipy import fft, linalg

from tapecalc.calc.contour import FADED, bump_gain
from tapecalc.calc.heads import Heads
from tapecalc.calc.noise import NOISE_BAND
from tapecalc.calc.quantity import Gain, Is, T, check_fields
from tapecalc.calc.response import OnePass
from tapecalc.sound.motion import STENCIL, Motion, delay_cells, expansion, samples_per_cell
from tapecalc.sound.samples import Array, Seed
from tapecalc.words import amount

POINTS, DEGREE = 6, 4  # of the reader: points on tape, and degree of its polynomials
FILTER_HALF = (4e-3, 12e-3)  # half the length of a pass's impulse response at the least and the most, s
RECORD_HALF = 1.5e-3  # half the length of the record equalizer's impulse response, s
BUMPS_HALF = 20e-3, 0.9  # half a filter that holds the bumps, at least: s, and lengths of the poles
MOST_OF_DELAY = 0.4  # that such a filter may take
HOPS, GRID = 40, 0.1  # of its low rate in a length of the poles; steps in poles per wave for its design
MEASURED = 60e-3  # s, that a measured response of the bass takes in place of the poles
OVER = 5  # times the sample rate, where the tape limits: overtones of treble that fold are then weak ones
DELAY_OVER_HALF = 36  # a long delay affords a long filter, which rounds the bends of a response less
KAISER_BETA, RECORD_BETA = 12.3, 8.0  # 120 dB of stop band; 80 before the limit, for overtones' images
STEPS = (2, 2, 2, 1, 1)  # of sharpening the filter: large ones for what blurs most, then the rest settles
TRANSFORM_OVER_HALF = 64  # longest transform over half a filter; beyond that nothing is gained
MARGIN = 2  # samples between the newest sample on tape and the reader's last point
# Sizes of matrix products: larger ones wake a second BLAS thread, which costs time.
COLUMNS = 4096  # samples that are read at once
LARGEST_TRANSFORM = 32768  # for the delays of one block
HISS_AT_ONCE = 4  # blocks
LOUDEST = 1e6  # 120 dB above full scale: an echo that runs away and that no tape stops
BLOCKS_PER_HISTORY = 3  # blocks that fit on the tape's array before it is moved to the front

SendGain = Annotated[T, Is(words="amplitude of a send, below 0 where it is inverting", usual=(0.1, 0.9))]
Share = Callable[[int, int], Array]  # how far a change of speed has come, of a first sample and a count
Saturation = Annotated[T, Is(above=0, words="amplitude that the tape cannot exceed", usual=(0.1, 1.0))]


@dataclass(frozen=True, kw_only=True)
class EchoSettings:
    """All that the engine needs to know, in SI and amplitudes."""

    motion: Motion  # what the speed of the tape does
    heads: Heads
    return_gain: SendGain[float]
    input_gain: SendGain[float] = 1.0
    one_pass: OnePass | None = None  # None for a flat one
    later_pass: OnePass | None = None  # after a change of speed; None where the response stays
    hiss: Gain[float] = 0.0  # noise of one pass as it is played back, rms amplitude from 20 Hz to 20 kHz
    saturation: Saturation[float] | None = None  # S in S tanh(x / S); None for no limit
    seed: Seed[int] = 0  # which hiss

    def __post_init__(self) -> None:
        if not isinstance(self.heads, Heads):
            raise ValueError(f"heads must be a Heads, got {self.heads!r}")
        check_fields(self)


@dataclass(frozen=True)
class Layout:
    """How the work is cut up, in samples; follows from the settings and the sample rate."""

    sample_rate: int
    cell: int  # from one point of the delay grid to the next
    treble: int  # half the length of the pass's filter without bumps
    hop: int  # samples in one of the low rate of the bumps, a part of `cell`
    reach: int  # half the length of their filter at that rate, 0 without bumps
    lift: int  # latency of record equalizer and limit, 0 without a limit
    block: int  # computed at once, a multiple of `cell`
    size: int  # length of the Fourier transform

    @property
    def bumps(self) -> int:
        """How late the bumps are added."""
        return (self.reach + 3) * self.hop if self.reach else 0

    @property
    def late(self) -> int:
        """How late a sample comes to the tape; the bumps are added behind that."""
        return self.treble + self.lift


class TooNear(ValueError):
    """A head plays before a pass is whole."""


def echo_layout(settings: EchoSettings, sample_rate: int) -> Layout:
    """Cut the work into blocks that end before the shortest delay is over.

    ``B <= T_min fs - latency - margin``, with the shortest delay under flutter; the transform has the length
    that is cheapest per sample.

    >>> settings = EchoSettings(motion=Motion(speed=0.5), heads=Heads(spacings=(0.0415,)), return_gain=0.5)
    >>> echo_layout(settings, 48000).block
    3648
    """
    cell = samples_per_cell(settings.motion, sample_rate)
    shortest = min(settings.heads.spacings) / settings.motion.fastest
    treble = round(float(np.clip(shortest / DELAY_OVER_HALF, *FILTER_HALF)) * sample_rate)
    poles = max(_poles(settings.one_pass), _poles(settings.later_pass))
    lift = (round(RECORD_HALF * sample_rate) + POINTS // 2) * (settings.saturation is not None)
    wished = max(BUMPS_HALF[0], BUMPS_HALF[1] * poles) if poles else 0.0
    bumps = round(min(wished, MOST_OF_DELAY * shortest) * sample_rate)
    hop = 2 ** int(math.log2(max(min(cell, min(poles, MEASURED / 2) * sample_rate / HOPS, bumps / 4), 1)))
    reach = max(bumps // hop - 3, 0)
    latency = treble + lift + (bumps if reach else 0)
    room = int(shortest * sample_rate) - latency - MARGIN
    if room < cell:
        least = (latency + MARGIN + cell + 1) / sample_rate
        raise TooNear(
            f"spacings must give delays of {amount(least, 'ms', '.2f')} or more at this sample rate, "
            f"got {amount(shortest, 'ms', '.2f')}"
        )
    largest = min(TRANSFORM_OVER_HALF * treble, LARGEST_TRANSFORM)
    lengths = [n for k in range(8, 16) for n in (2**k, 3 * 2 ** (k - 1)) if n <= largest]
    fits = {n: min(room, n - 2 * treble - 1) // cell * cell for n in lengths}
    size = min((n for n in lengths if fits[n] > 0), key=lambda n: (n + 1500) / fits[n])
    return Layout(sample_rate, cell, treble, hop, reach, lift, fits[size], size)


def _poles(one_pass: OnePass | None) -> float:
    """Return the time that the poles take to pass, s, or what a measured response takes; 0 without either.

    Poles that take so long that no bump is left at 20 Hz are as good as none.
    """
    if one_pass is None:
        return 0.0
    bumps = one_pass.pole_length / one_pass.speed * (one_pass.pole_shape != "flat")
    bumps *= bumps < FADED / NOISE_BAND[0]
    return max(bumps, MEASURED if one_pass.trim else 0.0)


# ---- reading between the samples ----


@cache
def reading_kernel() -> Array:
    """Return the reader's weights C[m, l]: point l enters the m-th power of the place by that much.

    Places s, from -1/2 to 1/2, count from the middle between the two inner points. Least squares against
    ``exp(j w s)`` over the lower 40 % of the band at twice the sample rate, the low end weighted most.
    `kernel_gain` takes back what all places have in common.

    Where a delay crosses a whole number of half samples the next point comes in and the last one goes out.
    There the old and the new weights are held equal: free, they differ by 1e-5 of the sound, a click at each
    crossing, and rounding decides which of the two a steady delay gets.
    """
    omega = np.linspace(0, 0.4 * np.pi, 49)[1:, None, None, None]
    nodes, weights = np.polynomial.legendre.leggauss(8)
    place = nodes[:, None, None] / 2
    importance = np.sqrt(weights)[:, None, None] * np.minimum(1, (0.17 * np.pi / omega) ** 4)
    boost = np.sinc(omega / (2 * np.pi)) ** -POINTS
    points = np.arange(POINTS) - (POINTS - 1) / 2
    columns = importance * boost * place ** np.arange(DEGREE + 1)[:, None] * np.exp(1j * omega * points)
    wanted = (importance * np.exp(1j * omega * place)).ravel()
    columns = columns.reshape(len(wanted), -1)
    ends = 0.5 ** np.arange(DEGREE + 1), (-0.5) ** np.arange(DEGREE + 1)
    upper, lower = (np.kron(end, np.eye(POINTS)) for end in ends)
    meeting = linalg.null_space(np.pad(upper, ((0, 1), (0, 0))) - np.pad(lower, ((1, 0), (0, 0))))
    columns = columns @ meeting
    equations, goal = np.vstack([columns.real, columns.imag]), np.concatenate([wanted.real, wanted.imag])
    return (meeting @ np.linalg.lstsq(equations, goal)[0]).reshape(DEGREE + 1, POINTS)


@lru_cache(maxsize=64)
def _scaled_kernel(gain: float) -> Array:
    return gain * reading_kernel()


def kernel_gain(omega: Array) -> Array:
    """Return the reader's mean gain at angular frequencies in rad per half sample, up to pi."""
    return np.interp(omega, *_kernel_gains())


@cache
def _kernel_gains() -> tuple[Array, Array]:
    """Work the reader's mean gain out at many frequencies."""
    omega = np.linspace(0, np.pi, 4097)
    nodes, weights = np.polynomial.legendre.leggauss(8)
    points = np.exp(1j * np.outer(np.arange(POINTS) - (POINTS - 1) / 2, omega))
    response = (nodes[:, np.newaxis] / 2) ** np.arange(DEGREE + 1) @ reading_kernel() @ points
    match = response * np.exp(-0.5j * np.outer(nodes, omega))
    return omega, weights @ np.abs(response) ** 2 / (weights @ match.real)


class _Reader:
    """Reads a tape (2, channels, samples), its samples and those between, at any place.

    As long as the delay stays between two whole numbers of half samples, the points lie in two rows: they
    are copied run by run, then put together as polynomials in the place between the two inner points, by
    Horner's rule.
    """

    def __init__(self, tape: Array) -> None:
        # around[0][c, k, p, i] is point 2k + p from sample i on; around[1] from the place behind that sample.
        between, channel, sample = tape.strides
        shape = (tape.shape[1], POINTS // 2, 2, tape.shape[2] - POINTS // 2)
        as_strided = np.lib.stride_tricks.as_strided
        self.around = (
            as_strided(tape, shape, (channel, sample, between, sample)),
            as_strided(tape[1], shape, (channel, sample, sample - between, sample)),
        )
        self.points = np.empty((tape.shape[1], POINTS, COLUMNS))  # like the next, used over and over
        self.curve = np.empty((DEGREE + 1, COLUMNS))

    def __call__(self, end: int, delay: Array, gain: float) -> Array:
        """Return what a head plays: each sample as it was ``delay - 1/2`` half samples before its own.

        The half leads from the middle between the two inner points to the later one.
        """
        kernel = _scaled_kernel(gain)
        played = np.empty((len(self.points), len(delay)))
        for start in range(0, len(delay), COLUMNS):
            part = slice(start, start + COLUMNS)
            place = self._gather(end + start, delay[part])
            for points, value in zip(self.points[..., : len(place)], played[:, part], strict=True):
                self._polynomials(kernel, points, place, value)
        return played

    def _gather(self, end: int, delay: Array) -> Array:
        """Copy the points around each place, and return where between the two inner ones it lies."""
        behind = np.rint(delay)
        last_of_run = (behind[1:] != behind[:-1]).nonzero()[0]
        pairs = self.points.reshape(len(self.points), POINTS // 2, 2, COLUMNS)
        start, first_point = 0, 2 * end - POINTS // 2 + 1
        for last in [*last_of_run.tolist(), len(delay) - 1]:
            stop, (first, odd) = last + 1, divmod(first_point - int(behind[last]), 2)
            pairs[..., start:stop] = self.around[odd][..., first + start : first + stop]
            start = stop
        behind -= delay
        return behind

    def _polynomials(self, kernel: Array, points: Array, place: Array, value: Array) -> None:
        """Put the points of each place together, into `value`."""
        lowest, *higher = np.matmul(kernel, points, out=self.curve[:, : len(value)])
        np.multiply(higher.pop(), place, out=value)
        while higher:
            value += higher.pop()
            value *= place
        value += lowest


# ---- one pass ----


class _Record:
    """The record equalizer, block by block: overlap-save, from the sample rate to twice as much."""

    def __init__(self, one_pass: OnePass | None, layout: Layout, channels: int) -> None:
        half = layout.lift - POINTS // 2
        self.block, self.first, self.past = layout.block, 2 * half, 2 * half + POINTS
        self.size = fft.next_fast_len(layout.block + self.past, real=True)
        taps = np.pad(record_taps(one_pass, layout.sample_rate, half), (0, 1))
        self.spectra = fft.rfft(taps.reshape(-1, 1, 2).T, self.size)
        self.window = np.zeros((channels, self.size))

    def __call__(self, bus: Array) -> Array:
        """Return the lifted samples, and those between: with the last ones before, which the limit needs."""
        end = self.past + self.block
        self.window[:, : self.past] = self.window[:, self.block : end]
        self.window[:, self.past : end] = bus
        return fft.irfft(fft.rfft(self.window) * self.spectra, self.size)[..., self.first : end]


class _Limit:
    """Tape that is full, ``tanh(x)``, as calc.loop says: from samples and those between to the same.

    The curve is computed at `OVER` places in each sample, read from the points around. Their overtones are
    kept from folding by the same weights on the way back.
    """

    def __init__(self, layout: Layout, channels: int) -> None:
        pairs, places = POINTS // 2 + 1, layout.block + POINTS // 2
        self.lifted = np.zeros((2, channels, layout.block + POINTS))
        # around[c, k, p, i] is the sample i + k, or the place behind it.
        around = np.lib.stride_tricks.sliding_window_view(self.lifted, places, axis=2)
        self.around = around.transpose(1, 2, 0, 3)
        self.points = np.empty((channels, 2 * pairs, places))
        self.held = np.empty((channels, OVER, places))
        self.weights = places_kernel()
        self.back = 2 / OVER * self.weights.T
        channel, row, place = self.points.strides
        # What all places give to one sample stands a place further to the left in each pair of rows.
        self.shares = np.lib.stride_tricks.as_strided(
            self.points[..., pairs - 1 :],
            (pairs, 2, channels, layout.block),
            (2 * row - place, row, channel, place),
        )

    def __call__(self, lifted: Array) -> Array:
        """Return (2, channels, block) of (2, channels, block + POINTS)."""
        self.lifted[:] = lifted
        self.points.reshape(self.around.shape)[:] = self.around
        for start in range(0, self.held.shape[-1], COLUMNS):
            points, held = (each[..., start : start + COLUMNS] for each in (self.points, self.held))
            np.matmul(self.weights, points, out=held)
            np.matmul(self.back, np.tanh(held, out=held), out=points)
        return reduce(operator.iadd, self.shares[1:], self.shares[0].copy())


@cache
def places_kernel() -> Array:
    """Return the reader's weights for `OVER` places in a sample, of the sample and the points around."""
    weights = np.zeros((OVER, POINTS + 2))
    for row, place in zip(weights, (2 * np.arange(OVER) + 1) / OVER, strict=True):
        first = int(place)
        row[first : first + POINTS] = (place - first - 0.5) ** np.arange(DEGREE + 1) @ reading_kernel()
    return weights


class _Pass:
    """What follows the limit in one pass: from what is recorded to samples at twice the rate.

    Overlap-save with one filter for everything but the low cut. The low cut is a recursion
    without end, ``y[n] = b x[n] + s[n-1]``, ``s[n] = a s[n-1] - b (1-a) x[n]``, which the transform bends to
    a circle. One sample in front of the window, chosen to leave the state that is due, sets that right for
    the rest.
    """

    def __init__(
        self, one_pass: OnePass | None, layout: Layout, channels: int, phases: int, hiss: Iterator[Array]
    ) -> None:
        self.block, self.past, self.size = layout.block, 2 * layout.treble, layout.size
        count = 2 * layout.size  # half samples
        spectrum = fft.rfft(pass_taps(one_pass, layout), count)
        spectrum *= 2 / phases  # zeros between the samples halve their level
        low_cut = 0.0 if one_pass is None else one_pass.low_cut
        self.low_cut = low_cut > 0
        if self.low_cut:
            a, b = low_cut_coefficients(low_cut, layout.sample_rate)
            z = np.exp(-2j * np.pi * np.arange(layout.size + 1) / count)
            spectrum = spectrum * b * (1 - z) / (1 - a * z)
            self.state = np.zeros(channels)
            # What a sample leaves in the state, the newest last; one between counts for more by 1/a.
            exponents = np.arange(2 * (self.past + self.block) - 1.0, 0, -2)
            self.weights = -b * (1 - a) * a**exponents
            self.phases = a ** -np.arange(float(phases))
            self.kept = a ** (2 * self.block)
            unused = count - 2 * (1 + self.past + self.block)
            self.front = np.array([1 - a**count, -(a ** (unused + 2 + 2 * self.past)), -(a ** (unused + 2))])
            self.front /= -b * (1 - a) * a
        # What each phase of the input (samples, places between) gives to each of the output.
        response = fft.irfft(spectrum, count)
        self.spectra = [fft.rfft([[np.roll(response, p)[q::2]] for q in (0, 1)]) for p in range(phases)]
        self.hiss = hiss
        self.recorded = np.zeros((phases, channels, layout.size))

    def __call__(self, recorded: Array) -> Array:
        """Filter a block given as its samples and, after a limiter, those between them; add hiss.

        Both come back, shape (2, channels, block).
        """
        past, block = self.past, self.block
        self.recorded[..., 1 : 1 + past] = self.recorded[..., 1 + block : 1 + block + past]
        self.recorded[..., 1 + past : 1 + past + block] = recorded
        if self.low_cut:
            self._set_state()
        spectra = map(operator.mul, self.spectra, fft.rfft(self.recorded))
        passed = reduce(operator.iadd, itertools.chain(spectra, itertools.islice(self.hiss, 1)))
        return fft.irfft(passed, self.size)[..., 1 + past : 1 + past + block]

    def _set_state(self) -> None:
        """Put the sample in front that leaves the low cut's state, and move the state on by a block."""
        first, rest = self.recorded[:, :, 1 : 1 + self.block], self.recorded[:, :, 1 + self.block :]
        left = self._left(first, self.weights[self.past :])
        left_by_rest = self._left(rest[..., : self.past], self.weights[self.block :])
        self.recorded[0, :, 0] = self.front @ [self.state, left, left_by_rest]
        self.state = self.kept * self.state + left

    def _left(self, windows: Array, weights: Array) -> Array:
        """Return what samples leave in the state; many not by BLAS, whose threads would wake."""
        few = windows[0].size < COLUMNS
        return self.phases @ (windows @ weights if few else np.einsum("pcn,n->pc", windows, weights))


def low_cut_coefficients(frequency: float, sample_rate: float) -> tuple[float, float]:
    """Return the coefficients a and b of the low cut at twice the sample rate, by the bilinear transform."""
    slope = math.tan(math.pi * frequency / (2 * sample_rate))
    return (1 - slope) / (1 + slope), 1 / (1 + slope)


def _hiss(
    settings: EchoSettings, one_pass: OnePass | None, layout: Layout, share: Share | None
) -> Iterator[Array]:
    """Yield the spectrum of the noise that a pass adds to each block, faded by `share`.

    Of even odds; the filter makes it Gaussian. The same in all channels, so that mono equals each. The
    playback equalizer's bass, ``x - z`` with a low pass ``z += (1 - a) (x - z)``, is bent to a circle like
    the low cut, and like it set right by a sample in front. Several blocks at once take less time.
    """
    past, block, kept = 2 * layout.treble, layout.block, _bass_kept(one_pass, layout.sample_rate)
    taps = 2 * math.sqrt(12) * settings.hiss / (settings.saturation or 1.0) * noise_taps(one_pass, layout)
    response = np.pad(taps, (0, 2 * layout.size - len(taps)))
    spectrum = fft.rfft([[response[q::2]] for q in (0, 1)])
    turn = np.exp(-2j * np.pi * np.arange(layout.size // 2 + 1) / layout.size)
    spectrum *= kept * (1 - turn) / (1 - kept * turn) if kept else 1
    # What a sample leaves in the state by the end of the block, and by that of the window.
    weights = (1 - kept) * kept ** np.arange(past + block - 1.0, -1, -1)
    weights = np.stack([np.append(weights[past:], np.zeros(past)), weights])
    turned = kept ** (layout.size - 1 - past - block)
    rng = np.random.default_rng([settings.seed, 2])
    noise = np.zeros(past + HISS_AT_ONCE * block)
    inside = np.lib.stride_tricks.sliding_window_view(noise, past + block)[::block]
    windows = np.zeros((HISS_AT_ONCE, layout.size))
    state = 0.0
    for first in itertools.count(-layout.lift, HISS_AT_ONCE * block):
        noise[:past] = noise[-past:]
        rng.random(out=noise[past:])
        noise[past:] -= 0.5
        if share:
            noise[past:] *= share(first, HISS_AT_ONCE * block)
        windows[:, 1 : 1 + past + block] = inside
        if kept:
            left = np.einsum("kn,wn->kw", inside, weights)  # not by BLAS, whose threads would wake
            for window, (by_block, by_window) in zip(windows, left, strict=True):
                end = turned * (kept ** (past + block) * state + by_window)
                window[0] = (state - kept * end) / (1 - kept)
                state = kept**block * state + by_block
        yield from (spectrum * each for each in fft.rfft(windows))


def _bass_kept(one_pass: OnePass | None, sample_rate: int) -> float:
    """Return what the low pass of the noise's bass keeps from sample to sample, 0 where no bass is cut."""
    return math.exp(-1 / (one_pass.tau_low * sample_rate)) if one_pass and one_pass.tau_low else 0.0


class _Bumps:
    """Head bumps, added on the tape to what was written a little earlier.

    At a low rate: cubic splines lead down to it and up again.
    """

    def __init__(self, settings: EchoSettings, layout: Layout, channels: int) -> None:
        self.layout, self.hop = layout, layout.hop
        self.weights = bump_weights(settings.one_pass, layout)
        self.change = settings.motion.change if settings.later_pass else None
        self.later_weights = bump_weights(settings.later_pass, layout)
        self.steps = layout.block // layout.hop
        self.low = np.zeros((channels, 2 * layout.reach + self.steps))
        self.parts = np.empty((channels, self.steps + 3, 4))
        channel, step, part = self.parts.strides
        # A spline reaches over four steps: its parts stand one below the other.
        shape, strides = (4, channels, self.steps), (step + part, channel, step)
        self.of_step = np.lib.stride_tricks.as_strided(self.parts, shape, strides)
        self.filtered = np.zeros((channels, 3 + self.steps))
        self.around = np.lib.stride_tricks.sliding_window_view(self.filtered, 4, axis=1)
        self.down = spline(np.arange(4 * self.hop) / self.hop - 2).reshape(4, self.hop).T.copy()
        places = np.arange(2 * self.hop).reshape(-1, 1, 1, 2).T / (2 * self.hop)
        self.up = spline(places + np.arange(1, -3, -1)[:, np.newaxis])

    def __call__(self, tape: Array, end: int, number: int) -> None:
        """Add what the newest block on the tape, given its end and its number, makes known."""
        hop, block, steps = self.hop, self.layout.block, self.steps
        newest = tape[0, :, end - block - 3 * hop : end]
        np.matmul(newest.reshape(-1, steps + 3, hop), self.down, out=self.parts)
        self.low[:, :-steps] = self.low[:, steps:]
        np.sum(self.of_step, axis=0, out=self.low[:, -steps:])
        self.filtered[:, :3] = self.filtered[:, -3:]
        for row, low in zip(self.filtered, self.low, strict=True):
            row[3:] = np.convolve(low, self.weights, "valid")
        if self.change is not None:
            samples = hop * (np.arange(steps) + number * steps - 1 - self.layout.reach) - self.layout.late
            share = self.change.progress(samples / self.layout.sample_rate)
            for row, low in zip(self.filtered, self.low, strict=True):
                row[3:] += share * (np.convolve(low, self.later_weights, "valid") - row[3:])
        end -= self.layout.bumps
        tape[..., end - block : end] += (self.around.copy() @ self.up).reshape(*tape.shape[:2], block)


def spline(away: Array) -> Array:
    """Compute a cubic spline, of distances in steps."""
    near, far = np.maximum(1 - np.abs(away), 0), np.maximum(2 - np.abs(away), 0)
    return (far**3 - 4 * near**3) / 6


@lru_cache(maxsize=16)  # a panel asks for the same ones at each move
def pass_taps(one_pass: OnePass | None, layout: Layout) -> Array:
    """Design the filter at twice the rate: what is behind the limit but for bumps, and the reader's gain."""
    rate = layout.sample_rate
    return filter_taps(lambda f: _behind_limit(one_pass, layout, f), 2 * rate, 2 * layout.treble, rate / 2)


def _behind_limit(one_pass: OnePass | None, layout: Layout, frequency: Array) -> Any:
    """Compute what the pass has to do behind the limit, but for bumps."""
    gain: Any = 1 / kernel_gain(np.pi * frequency / layout.sample_rate)
    if one_pass is not None:
        gain = gain * dataclasses.replace(one_pass, low_cut=0.0, pole_shape="flat").gain(frequency)
    return gain / _before_limit(one_pass, layout, frequency) if layout.lift else gain + 0j


@lru_cache(maxsize=16)
def bump_weights(one_pass: OnePass | None, layout: Layout) -> Array:
    """Design the filter that gives long waves at a low rate what they miss behind the pass: above all bumps.

    Least squares from 20 Hz up. It is short because what is slower, and would make it long, is not asked.
    """
    if one_pass is None or not _poles(one_pass):
        return np.zeros(2 * layout.reach + 1)
    rate, poles, taps = layout.sample_rate, _poles(one_pass), pass_taps(one_pass, layout)
    size = fft.next_fast_len(max(2 * len(taps), round(2 * rate * poles / GRID)), real=True)
    frequency = np.arange(size // 2 + 1) * (2 * rate / size)
    asked = (frequency >= NOISE_BAND[0]) & (frequency <= rate / (2 * layout.hop))
    there = fft.rfft(taps, size) * np.exp(2j * np.pi * frequency * layout.treble / rate)
    missing = _behind_limit(one_pass, layout, frequency)[asked] / there[asked]
    if one_pass.pole_length:
        missing *= bump_gain(one_pass.pole_length * frequency[asked] / one_pass.speed, one_pass.pole_shape)
    smooth = layout.hop * np.sinc(frequency[asked] * layout.hop / rate) ** 8
    steps = np.arange(2 * layout.reach + 1) * 2 * layout.hop % size

    def sums(values: Array) -> Any:
        """Sum values of the frequencies, each turned by whole steps of the low rate."""
        spread = np.zeros(size)
        spread[: len(asked)][asked] = values
        return fft.fft(spread)[steps]

    # Their products with one another, which least squares needs, are such sums as well.
    row, product = np.arange(layout.reach + 1), sums(smooth**2).real
    near, far = product[np.abs(row[:, np.newaxis] - row)], product[row[:, np.newaxis] + row]
    damped = (0.005 * layout.hop) ** 2 * np.eye(len(row))
    even = np.linalg.solve((near + far) / 2 + damped, sums(smooth * (missing.real - 1)).real[row])
    odd = np.linalg.solve((near - far) / 2 + damped, sums(smooth * missing.imag).imag[row])
    return np.concatenate([(even - odd)[:0:-1] / 2, even[:1], (even + odd)[1:] / 2])


def _before_limit(one_pass: OnePass | None, layout: Layout, frequency: Array) -> Any:
    """Compute what record equalizer and limit do to a weak tone, at frequencies from 0 in even steps."""
    half = layout.lift - POINTS // 2
    taps = record_taps(one_pass, layout.sample_rate, half) / 2
    size = round(2 * layout.sample_rate / frequency[1])
    centered = np.roll(np.pad(taps, (0, size - len(taps))), -2 * half)
    lifted = fft.rfft(centered)[: len(frequency)]
    # Where the band ends next to nothing is left to be set right.
    wanted = np.abs(_lift(one_pass, frequency, layout.sample_rate))
    lifted *= np.maximum(1, 0.5 * wanted / np.maximum(np.abs(lifted), 1e-9))
    return lifted * _places_gain(frequency, layout.sample_rate) ** 2


@lru_cache(maxsize=16)
def record_taps(one_pass: OnePass | None, sample_rate: int, half: int) -> Array:
    """Design the record equalizer's filter, at twice the rate, without its bass."""
    wanted = partial(_lift, one_pass, sample_rate=sample_rate)
    return 2 * filter_taps(wanted, 2 * sample_rate, 2 * half, sample_rate / 2, RECORD_BETA)


def _lift(one_pass: OnePass | None, frequency: Array, sample_rate: int) -> Any:
    """Compute what the record equalizer does to the treble, and what sets right the places' own loss."""
    record = 1 + 0j if one_pass is None else dataclasses.replace(one_pass, tau_low=0.0).record_gain(frequency)
    return record / _places_gain(frequency, sample_rate)


def _places_gain(frequency: Array, sample_rate: int) -> Array:
    """Compute the mean gain from the samples to the places of the limit, and of the way back."""
    turns = np.exp(1j * np.pi * np.outer(np.arange(POINTS + 2), frequency / sample_rate))
    return np.sqrt(np.mean(np.abs(places_kernel() @ turns) ** 2, axis=0))


@lru_cache(maxsize=16)
def noise_taps(one_pass: OnePass | None, layout: Layout) -> Array:
    """Design the filter that gives noise cut in the bass the tape's spectrum: rms 1 from 20 Hz to 20 kHz.

    The bumps come to it as to all that is on the tape.
    """
    rate = layout.sample_rate
    treble = one_pass and dataclasses.replace(one_pass, tau_low=0.0, pole_length=0.0)

    def wanted(frequency: Array) -> Any:
        read = kernel_gain(np.pi * frequency / rate)
        if treble is None:
            return 1 / read + 0j
        return 10 ** (treble.noise_density_db(np.maximum(frequency, NOISE_BAND[0])) / 20) / read + 0j

    taps = filter_taps(wanted, 2 * rate, 2 * layout.treble, rate / 2)
    frequency = np.linspace(0, rate, 1 + (1 << 14))
    heard = np.abs(fft.rfft(taps, 1 << 15) * kernel_gain(np.pi * frequency / rate)) ** 2
    if kept := _bass_kept(one_pass, rate):
        turn = np.exp(-2j * np.pi * frequency / rate)
        heard *= np.abs(kept * (1 - turn) / (1 - kept * turn)) ** 2
    band = (frequency >= NOISE_BAND[0]) & (frequency <= NOISE_BAND[1])
    return taps / np.sqrt(2 * np.sum(heard[band]) / len(heard))


def filter_taps(
    wanted_at: Callable[[Array], Array], rate: int, half: int, highest: float, beta: float = KAISER_BETA
) -> Array:
    """Design a filter of ``2 half + 1`` taps, `half` late, that passes a gain and nothing above a frequency.

    The wanted spectrum is set on a dense grid, taken to the time domain and cut off by Kaiser's window,
    which blurs it a little; what the blur took is added before the next round.
    """
    count = 2 * half + 1
    dense = fft.next_fast_len(8 * count, real=True) // 2 * 2
    frequency = np.arange(dense // 2 + 1) * (rate / dense)
    width = rate * (9.07 * beta + 0.7) / (2.285 * 2 * math.pi) / (count - 1)  # Kaiser's rule
    whole = highest >= rate / 2  # up to the end of the spectrum: there is nothing to keep out
    passed = frequency[frequency <= highest - (0 if whole else width / 2)]
    wanted = wanted_at(passed)
    flat = passed <= passed[-1] - width / 2
    sharpened = wanted.copy()
    for step in STEPS:
        spectrum = np.zeros(len(frequency), complex)
        spectrum[: len(passed)] = sharpened
        impulse = np.roll(fft.irfft(spectrum, dense), half)[:count] * np.kaiser(count, beta)
        centered = np.roll(np.pad(impulse, (0, dense - count)), -half)
        sharpened += np.where(flat, step * (wanted - fft.rfft(centered)[: len(passed)]), 0)
    return impulse


# ---- the loop ----


def wet_blocks(dry_blocks: Iterable[Array], settings: EchoSettings, layout: Layout) -> Iterator[Array]:
    """Run dry sound through the echo and yield what the heads play, block by block.

    All blocks are of shape (channels, layout.block), the last dry one filled up with zeros.
    """
    rate, block = layout.sample_rate, layout.block
    full = settings.saturation or 1.0  # the tape holds the sound in units of what it cannot exceed
    longest = max(settings.heads.spacings) / settings.motion.slowest
    keep = math.ceil(longest * rate) + POINTS  # samples that heads may still read
    delays = _block_delays(settings, layout)
    for number, dry in enumerate(dry_blocks):
        if number == 0:
            channels, end = len(dry), keep
            tape = np.zeros((2, channels, keep + BLOCKS_PER_HISTORY * block))
            read = _Reader(tape)
            passed = _passes(settings, layout, channels)
            bumps = _Bumps(settings, layout, channels) if layout.reach else None
        heard, returned = _played(read, end, next(delays), settings)
        bus = settings.return_gain * returned
        heard *= full
        if heard.max() > LOUDEST:
            raise ValueError(
                f"return_gain must leave a loop without saturation stable, got {settings.return_gain:g}: "
                "the echo went beyond 120 dB above full scale"
            )
        yield heard
        bus += settings.input_gain / full * dry
        if end + block > tape.shape[2]:
            tape[..., :keep] = tape[..., end - keep : end]
            end = keep
        tape[..., end : end + block] = passed(bus, number)
        end += block
        if bumps:
            bumps(tape, end, number)


def _played(read: _Reader, end: int, delays: Array, settings: EchoSettings) -> tuple[Array, Array]:
    """Return the sum of the heads that is heard, and the one that goes back; they may be one array."""
    gains, return_gains = settings.heads.gains, settings.heads.return_gains
    if return_gains == gains:
        both: Array = reduce(operator.iadd, map(read, itertools.repeat(end), delays, gains))
        return both, both
    played = [read(end, delay, 1.0) for delay in delays]
    heard: Array = reduce(operator.iadd, map(operator.mul, gains, played))
    return heard, reduce(operator.iadd, map(operator.mul, return_gains, played))


def _passes(settings: EchoSettings, layout: Layout, channels: int) -> Callable[[Array, int], Array]:
    """Return what sends a block of the bus, given with its number, through the pass in force.

    While the speed changes, record equalizer and pass are faded over from the first to the second.
    """
    limited = settings.saturation is not None

    def make(one_pass: OnePass | None, share: Share | None) -> tuple[Callable[[Array], Array], _Pass]:
        # Without a limit nothing is recorded between the samples.
        record = _Record(one_pass, layout, channels) if limited else lambda bus: bus[None]
        hiss = _hiss(settings, one_pass, layout, share) if settings.hiss else iter(())
        return record, _Pass(one_pass, layout, channels, 1 + limited, hiss)

    limit = _Limit(layout, channels) if limited else lambda lifted: lifted
    change = settings.motion.change
    if change is None or settings.later_pass is None:
        record, through = make(settings.one_pass, None)
        return lambda bus, _: through(limit(record(bus)))

    def begun(first: int, count: int) -> Array:
        return change.progress(np.arange(first, first + count) / layout.sample_rate)

    record, through = make(settings.one_pass, lambda first, count: 1 - begun(first, count))
    later_record, later = make(settings.later_pass, begun)

    def faded(bus: Array, number: int) -> Array:
        more = POINTS // 2 * limited  # which the limit needs
        share = begun(number * layout.block - layout.lift - more, layout.block + 2 * more)
        recorded = limit((1 - share) * record(bus) + share * later_record(bus))
        share = share[more : more + layout.block]
        return through((1 - share) * recorded) + later(share * recorded)

    return faded


def _block_delays(settings: EchoSettings, layout: Layout) -> Iterator[Array]:
    """Yield the delays of all heads for each block as `_Reader` counts, filters' latency taken off."""
    matrix = expansion(layout.cell)
    cells = layout.block // layout.cell
    late = 2 * layout.late - 0.5
    grid = np.empty((len(settings.heads.spacings), 0))
    for chunk in delay_cells(settings.motion, settings.heads.spacings, layout.sample_rate):
        grid = np.concatenate([grid, 2 * layout.sample_rate * chunk - late], axis=1)
        # Reading what is not yet written would be quiet when wrong by a little: insist.
        assert grid.min() > 2 * (layout.block + layout.bumps) + POINTS // 2
        stencils = np.lib.stride_tricks.sliding_window_view(grid, STENCIL, axis=1)
        ready = stencils.shape[1] // cells * cells
        for first in range(0, ready, cells):
            delays = stencils[:, first : first + cells].copy() @ matrix  # BLAS wants no overlap
            yield delays.reshape(len(delays), -1)
        grid = grid[:, ready:]
