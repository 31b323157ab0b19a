"""The engine: sound on its way round the machine, pass after pass, block by block.

What is recorded at one moment cannot be heard before the shortest delay is over. So everything between two
moments that far apart is computed at once:

1. each head reads the filtered tape where the delay says, between the samples (`_Reader`, six points and
   polynomials of degree 4, at twice the sample rate);
2. the bus adds the dry sound and what returns;
3. the record equalizer lifts the treble (`_Record`), and the tape limits what is then too loud, at twice the
   sample rate (`_Limiter`);
4. one Fourier transform does all that is linear behind that (`_Pass`): the rest of the response, the step to
   twice the rate, the correction of the reader's own small loss, and the spectrum of the tape's noise.

The bass time constant of the equalizers is left out before the limit: what record lifts there, playback
takes back, and music has little below 50 Hz.
"""

import dataclasses
import itertools
import math
import operator
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache, reduce
from typing import Annotated

import numpy as np
from scipy import fft, linalg

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
BUMPS_OVER_HALF = 2.4  # half a filter that holds the bumps, in lengths of the poles
MOST_OF_DELAY = 0.4  # that such a filter may take
NOISE_HALF = 1.5e-3  # half the length of the noise's filter, s
DELAY_OVER_HALF = 36  # a long delay affords a long filter, which rounds the bends of a response less
LIMITER_RISE = 16  # half the length of the limiter's interpolator, samples
KAISER_BETA = 12.3  # 120 dB of stop band
STEPS = (2, 2, 2, 1, 1)  # of sharpening the filter: large ones for what blurs most, then the rest settles
LIMITER_BETA = 8.0  # 80 dB: what it lets through is an overtone's image
TRANSITION = (120 - 8) / (2.285 * 2 * math.pi)  # Kaiser's rule: width in sample rates per tap
TRANSFORM_OVER_HALF = 64  # longest transform over half a filter; beyond that nothing is gained
MARGIN = 2  # samples between the newest sample on tape and the reader's last point
# Sizes of matrix products: larger ones wake a second BLAS thread, which costs time.
COLUMNS = 4096  # samples that are read at once
LARGEST_TRANSFORM = 32768  # for the delays of one block
FRAME, FRAMES = 32, 120  # samples in a frame of the limiter, and frames at once
LOUDEST = 1e6  # 120 dB above full scale: an echo that runs away and that no tape stops
BLOCKS_PER_HISTORY = 3  # blocks that fit on the tape's array before it is moved to the front

SendGain = Annotated[T, Is(words="amplitude of a send, below 0 where it is inverting", usual=(0.1, 0.9))]
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
    half: int  # half the length of the pass's filter, its latency
    rise: int  # latency of the limiter, 0 without one
    lift: int  # latency of the record equalizer, 0 without a limiter
    block: int  # computed at once, a multiple of `cell`
    size: int  # length of the Fourier transform


def filter_half(settings: EchoSettings, sample_rate: int) -> int:
    """Return half the length of the pass's filter in samples, its latency."""
    shortest = min(settings.heads.spacings) / settings.motion.fastest
    half = float(np.clip(shortest / DELAY_OVER_HALF, *FILTER_HALF))
    for one_pass in (settings.one_pass, settings.later_pass):
        if one_pass is not None and one_pass.pole_length:
            bumps = BUMPS_OVER_HALF * one_pass.pole_length / one_pass.speed
            half = max(half, min(bumps, MOST_OF_DELAY * shortest))
    return round(half * sample_rate)


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
    half = filter_half(settings, sample_rate)
    limited = settings.saturation is not None
    rise, lift = (
        LIMITER_RISE * limited,
        round(RECORD_HALF * sample_rate) * (limited and settings.one_pass is not None),
    )
    room = int(shortest * sample_rate) - half - rise - lift - MARGIN
    if room < cell:
        least = (half + rise + lift + MARGIN + cell + 1) / sample_rate
        raise ValueError(
            f"spacings must give delays of {amount(least, 'ms', '.1f')} or more at this sample rate, "
            f"got {amount(shortest, 'ms', '.1f')}"
        )
    largest = min(TRANSFORM_OVER_HALF * half, LARGEST_TRANSFORM)
    lengths = [n for k in range(8, 16) for n in (2**k, 3 * 2 ** (k - 1)) if n <= largest]
    fits = {n: min(room, n - 2 * half - 1) // cell * cell for n in lengths}
    size = min((n for n in lengths if fits[n] > 0), key=lambda n: (n + 1500) / fits[n])
    return Layout(sample_rate, cell, half, rise, lift, fits[size], size)


# ---- reading between the samples ----


@cache
def reading_kernel() -> Array:
    """Return the reader's weights C[m, l]: point l enters the m-th power of the place by that much.

    Places s, from -1/2 to 1/2, count from the middle between the two inner points. Least squares against
    ``exp(j w s)`` over the lower 40 % of the band at twice the sample rate, the low end weighted most.
    `_kernel_gain` takes back what all places have in common.

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


def _kernel_gain(omega: Array) -> Array:
    """Return the reader's mean gain at angular frequencies in rad per half sample."""
    nodes, weights = np.polynomial.legendre.leggauss(8)
    points = [np.exp(1j * omega * (k - (POINTS - 1) / 2)) for k in range(POINTS)]
    power, match = np.zeros_like(omega), np.zeros_like(omega)
    for node, weight in zip(nodes / 2, weights, strict=True):
        taps = node ** np.arange(DEGREE + 1) @ reading_kernel()
        response = sum(tap * point for tap, point in zip(taps, points, strict=True))
        power += weight * np.abs(response) ** 2
        match += weight * (response * np.exp(-1j * omega * node)).real
    return power / match


class _Reader:
    """Reads a tape (channels, half samples) between its samples.

    As long as the delay stays between two whole numbers of half samples, the points lie in a row: they are
    copied run by run, then put together as polynomials in the place between the two inner points, by
    Horner's rule.
    """

    def __init__(self, tape: Array) -> None:
        # around[c, k, i] is the k-th point from place i; the other arrays are used over and over.
        self.around = np.lib.stride_tricks.sliding_window_view(tape, POINTS, axis=1).transpose(0, 2, 1)
        self.points = np.empty((len(tape), POINTS, COLUMNS))
        self.curve = np.empty((DEGREE + 1, COLUMNS))

    def __call__(self, end: int, delay: Array, gain: float) -> Array:
        """Return what a head plays: each sample as it was written `delay` half samples before `end`."""
        kernel = gain * reading_kernel()
        played = np.empty((len(self.points), len(delay)))
        for start in range(0, len(delay), COLUMNS):
            part = slice(start, start + COLUMNS)
            place = self._gather(end + 2 * start, delay[part])
            for points, value in zip(self.points[..., : len(place)], played[:, part], strict=True):
                self._polynomials(kernel, points, place, value)
        return played

    def _gather(self, end: int, delay: Array) -> Array:
        """Copy the points around each place, and return where between the two inner ones it lies."""
        behind = np.ceil(delay)
        last_of_run = (behind[1:] != behind[:-1]).nonzero()[0]
        start, first_point = 0, end - POINTS // 2 + 1
        for last in [*last_of_run.tolist(), len(delay) - 1]:
            stop, first = last + 1, first_point - int(behind[last])
            self.points[..., start:stop] = self.around[..., first + 2 * start : first + 2 * stop : 2]
            start = stop
        behind -= delay
        behind -= 0.5
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
    """The record equalizer, block by block: overlap-save at the sample rate."""

    def __init__(self, one_pass: OnePass, layout: Layout, channels: int) -> None:
        self.block, self.past = layout.block, 2 * layout.lift
        self.size = fft.next_fast_len(layout.block + self.past, real=True)
        self.spectrum = fft.rfft(record_taps(one_pass, layout.sample_rate, layout.lift), self.size)
        self.window = np.zeros((channels, self.size))

    def __call__(self, bus: Array) -> Array:
        """Return the lifted block, `lift` samples late."""
        end = self.past + self.block
        self.window[:, : self.past] = self.window[:, self.block : end]
        self.window[:, self.past : end] = bus
        return fft.irfft(fft.rfft(self.window) * self.spectrum, self.size)[:, self.past : end]


class _Pass:
    """What follows the limit in one pass: from what is recorded to samples at twice the rate.

    Overlap-save with one filter for everything but the low cut. The low cut is a recursion
    without end, ``y[n] = b x[n] + s[n-1]``, ``s[n] = a s[n-1] - b (1-a) x[n]``, which the transform bends to
    a circle. One sample in front of the window, chosen to leave the state that is due, sets that right for
    the rest.
    """

    def __init__(
        self, one_pass: OnePass | None, layout: Layout, channels: int, phases: int, hiss: float
    ) -> None:
        self.block, self.past, self.size = layout.block, 2 * layout.half, layout.size
        count = 2 * layout.size  # half samples
        spectrum = fft.rfft(pass_taps(one_pass, layout.sample_rate, layout.half, layout.lift), count)
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
        self.windows = np.zeros((phases, channels, layout.size))
        if hiss:
            taps = 2 * hiss * noise_taps(one_pass, layout.sample_rate)  # zeros between the samples
            response = fft.irfft(fft.rfft(taps, count), count)
            self.noise_spectra = fft.rfft([[response[q::2]] for q in (0, 1)])
            self.noise = np.zeros((channels, layout.size))

    def __call__(self, recorded: Array, noise: Array | None) -> Array:
        """Filter a block given as its samples and, after a limiter, those between them; add shaped noise.

        Both come back, shape (2, channels, block).
        """
        past, block = self.past, self.block
        self.windows[..., 1 : 1 + past] = self.windows[..., 1 + block : 1 + block + past]
        self.windows[..., 1 + past : 1 + past + block] = recorded
        if self.low_cut:
            self._set_state()
        passed = reduce(operator.iadd, map(operator.mul, self.spectra, fft.rfft(self.windows)))
        if noise is not None:
            self.noise[:, 1 : 1 + past] = self.noise[:, 1 + block : 1 + block + past]
            self.noise[:, 1 + past : 1 + past + block] = noise
            passed += self.noise_spectra * fft.rfft(self.noise)
        return fft.irfft(passed, self.size)[..., 1 + past : 1 + past + block]

    def _set_state(self) -> None:
        """Put the sample in front that leaves the low cut's state, and move the state on by a block."""
        first, rest = self.windows[:, :, 1 : 1 + self.block], self.windows[:, :, 1 + self.block :]
        left = self._left(first, self.weights[self.past :])
        left_by_rest = self._left(rest[..., : self.past], self.weights[self.block :])
        self.windows[0, :, 0] = self.front @ [self.state, left, left_by_rest]
        self.state = self.kept * self.state + left

    def _left(self, windows: Array, weights: Array) -> Array:
        """Return what samples leave in the state. Not a matrix product: that would wake BLAS's threads."""
        return self.phases @ np.einsum("pcn,n->pc", windows, weights)


def low_cut_coefficients(frequency: float, sample_rate: int) -> tuple[float, float]:
    """Return the coefficients a and b of the low cut at twice the sample rate, by the bilinear transform."""
    slope = math.tan(math.pi * frequency / (2 * sample_rate))
    return (1 - slope) / (1 + slope), 1 / (1 + slope)


def pass_taps(one_pass: OnePass | None, sample_rate: int, half: int, lift: int = 0) -> Array:
    """Design the filter at twice the rate: what the response needs behind the limit, and the reader's gain.

    `lift` is half the length of the record equalizer before the limit, 0 where there is none.
    """

    def wanted(frequency: Array) -> Array:
        gain = 1 / _kernel_gain(np.pi * frequency / sample_rate) + 0j
        if one_pass is not None:
            gain *= dataclasses.replace(one_pass, low_cut=0.0).gain(frequency)
            if lift:  # of whose spectrum the same frequencies are the first
                size = round(sample_rate / frequency[1])
                taps = np.pad(record_taps(one_pass, sample_rate, lift), (0, size - 2 * lift - 1))
                gain /= fft.rfft(np.roll(taps, -lift))[: len(frequency)]
        return gain

    return _taps(wanted, 2 * sample_rate, 2 * half, sample_rate / 2)


def record_taps(one_pass: OnePass, sample_rate: int, half: int) -> Array:
    """Design the record equalizer's filter, without its bass."""
    lift = dataclasses.replace(one_pass, tau_low=0.0)

    def wanted(frequency: Array) -> Array:
        gain: Array = lift.record_gain(frequency)
        return gain

    return _taps(wanted, sample_rate, half, sample_rate / 2)


def noise_taps(one_pass: OnePass | None, sample_rate: int) -> Array:
    """Design the filter that gives white noise the tape's spectrum, and rms 1 from 20 Hz to 20 kHz."""

    def wanted(frequency: Array) -> Array:
        read = _kernel_gain(np.pi * frequency / sample_rate)
        if one_pass is None:
            return 1 / read + 0j
        return 10 ** (one_pass.noise_density_db(np.maximum(frequency, NOISE_BAND[0])) / 20) / read + 0j

    taps = _taps(wanted, 2 * sample_rate, round(NOISE_HALF * 2 * sample_rate), sample_rate / 2)
    frequency = np.linspace(0, sample_rate, 1 + (1 << 14))
    power = np.abs(fft.rfft(taps, 1 << 15) * _kernel_gain(np.pi * frequency / sample_rate)) ** 2
    band = (frequency >= NOISE_BAND[0]) & (frequency <= NOISE_BAND[1])
    return taps / np.sqrt(2 * np.sum(power[band]) / len(power))


def _taps(wanted_at: Callable[[Array], Array], rate: int, half: int, highest: float) -> Array:
    """Design a filter of ``2 half + 1`` taps, `half` late, that passes a gain and nothing above a frequency.

    The wanted spectrum is set on a dense grid, taken to the time domain and cut off by Kaiser's window,
    which blurs it a little; what the blur took is added before the next round.
    """
    count = 2 * half + 1
    dense = fft.next_fast_len(8 * count, real=True) // 2 * 2
    frequency = np.arange(dense // 2 + 1) * (rate / dense)
    width = rate * TRANSITION / (count - 1)
    whole = highest >= rate / 2  # up to the end of the spectrum: there is nothing to keep out
    passed = frequency[frequency <= highest - (0 if whole else width / 2)]
    wanted = wanted_at(passed)
    flat = passed <= passed[-1] - width / 2
    sharpened = wanted.copy()
    for step in STEPS:
        spectrum = np.zeros(len(frequency), complex)
        spectrum[: len(passed)] = sharpened
        impulse = np.roll(fft.irfft(spectrum, dense), half)[:count] * np.kaiser(count, KAISER_BETA)
        centered = np.roll(np.pad(impulse, (0, dense - count)), -half)
        sharpened += np.where(flat, step * (wanted - fft.rfft(centered)[: len(passed)]), 0)
    return impulse


def limiter_taps() -> Array:
    """Return the interpolator that finds the values half way between the samples."""
    places = np.arange(2 * LIMITER_RISE) - (LIMITER_RISE - 0.5)
    taps = np.sinc(places) * np.kaiser(len(places), LIMITER_BETA)
    return taps / taps.sum()


class _Limiter:
    """Tape that is full: ``tanh(x)``, in units of what it cannot exceed, on the samples and between.

    Computing the curve at twice the rate keeps most of its overtones from folding back. The values between
    the samples are a matrix product, frame by frame.
    """

    def __init__(self, layout: Layout, channels: int) -> None:
        self.block, self.past = layout.block, 2 * layout.rise
        self.frame = min(layout.cell, FRAME)
        self.matrix = linalg.convolution_matrix(limiter_taps(), self.frame)
        self.window = np.zeros((channels, self.past + layout.block))
        # The newest sample that a value between takes part of is this block's own.
        windows = np.lib.stride_tricks.sliding_window_view(self.window[:, 1:], len(self.matrix), axis=1)
        self.frames = windows[:, :: self.frame]

    def __call__(self, bus: Array) -> Array:
        """Return the limited samples of this block, and those half a sample later."""
        self.window[:, : self.past] = self.window[:, self.block :]
        self.window[:, self.past :] = bus
        recorded = np.empty((2, *bus.shape))
        recorded[0] = self.window[:, self.past // 2 : self.past // 2 + self.block]
        between = recorded[1].reshape(len(bus), -1, self.frame)
        for start in range(0, between.shape[1], FRAMES):
            part = slice(start, start + FRAMES)
            for frames, out in zip(self.frames[:, part], between[:, part], strict=True):
                np.matmul(frames.copy(), self.matrix, out=out)
        # As calc.loop says, but in place: a checked copy of every block costs a tenth of the whole engine.
        return np.tanh(recorded, out=recorded)


# ---- the loop ----


def wet_blocks(dry_blocks: Iterable[Array], settings: EchoSettings, layout: Layout) -> Iterator[Array]:
    """Run dry sound through the echo and yield what the heads play, block by block.

    All blocks are of shape (channels, layout.block), the last dry one filled up with zeros.
    """
    rate, block = layout.sample_rate, layout.block
    full = settings.saturation or 1.0  # the tape holds the sound in units of what it cannot exceed
    longest = max(settings.heads.spacings) / settings.motion.slowest
    keep = math.ceil(2 * longest * rate) + 2 * POINTS  # half samples that heads may still read
    rng = np.random.default_rng([settings.seed, 2])
    delays = _block_delays(settings, layout)
    for number, dry in enumerate(dry_blocks):
        if number == 0:
            channels, end = len(dry), keep
            tape = np.zeros((channels, keep + BLOCKS_PER_HISTORY * 2 * block))
            read = _Reader(tape)
            passed = _passes(settings, layout, channels)
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
        # Of even odds; the filter makes it Gaussian. The same in all channels, so that mono equals each.
        noise = math.sqrt(12) * (rng.random(block) - 0.5) if settings.hiss else None
        if end + 2 * block > tape.shape[1]:
            tape[:, :keep] = tape[:, end - keep : end]
            end = keep
        tape[:, end : end + 2 * block : 2], tape[:, end + 1 : end + 2 * block : 2] = passed(
            bus, noise, number
        )
        end += 2 * block


def _played(read: _Reader, end: int, delays: Array, settings: EchoSettings) -> tuple[Array, Array]:
    """Return the sum of the heads that is heard, and the one that goes back; they may be one array."""
    gains, return_gains = settings.heads.gains, settings.heads.return_gains
    if return_gains == gains:
        both: Array = reduce(operator.iadd, map(read, itertools.repeat(end), delays, gains))
        return both, both
    played = [read(end, delay, 1.0) for delay in delays]
    heard: Array = reduce(operator.iadd, map(operator.mul, gains, played))
    return heard, reduce(operator.iadd, map(operator.mul, return_gains, played))


def _passes(
    settings: EchoSettings, layout: Layout, channels: int
) -> Callable[[Array, Array | None, int], Array]:
    """Return what sends a block of the bus, given with noise and its number, through the pass in force.

    While the speed changes, record equalizer and pass are faded over from the first to the second.
    """
    limited, hiss = settings.saturation is not None, settings.hiss / (settings.saturation or 1.0)
    # Without a limit nothing is recorded between the samples.
    limit = _Limiter(layout, channels) if limited else lambda bus: bus[None]

    def make(one_pass: OnePass | None) -> tuple[Callable[[Array], Array], _Pass]:
        lift = _Record(one_pass, layout, channels) if limited and one_pass is not None else None
        return lift or (lambda bus: bus), _Pass(one_pass, layout, channels, 1 + limited, hiss)

    record, through = make(settings.one_pass)
    change = settings.motion.change
    if change is None or settings.later_pass is None:
        return lambda bus, noise, _: through(limit(record(bus)), noise)
    later_record, later = make(settings.later_pass)

    def faded(bus: Array, noise: Array | None, number: int) -> Array:
        start = number * layout.block - layout.rise - layout.lift
        share = change.progress(np.arange(start, start + layout.block) / layout.sample_rate)
        recorded = limit((1 - share) * record(bus) + share * later_record(bus))
        first_noise, later_noise = (None, None) if noise is None else ((1 - share) * noise, share * noise)
        return through((1 - share) * recorded, first_noise) + later(share * recorded, later_noise)

    return faded


def _block_delays(settings: EchoSettings, layout: Layout) -> Iterator[Array]:
    """Yield the delays of all heads for each block, in half samples, filters' latency taken off."""
    matrix = expansion(layout.cell)
    cells = layout.block // layout.cell
    late = 2 * (layout.half + layout.rise + layout.lift)
    grid = np.empty((len(settings.heads.spacings), 0))
    for chunk in delay_cells(settings.motion, settings.heads.spacings, layout.sample_rate):
        grid = np.concatenate([grid, 2 * layout.sample_rate * chunk - late], axis=1)
        # Reading what is not yet written would be quiet when wrong by a little: insist.
        assert grid.min() > 2 * layout.block + POINTS // 2
        stencils = np.lib.stride_tricks.sliding_window_view(grid, STENCIL, axis=1)
        ready = stencils.shape[1] // cells * cells
        for first in range(0, ready, cells):
            delays = stencils[:, first : first + cells].copy() @ matrix  # BLAS wants no overlap
            yield delays.reshape(len(delays), -1)
        grid = grid[:, ready:]
