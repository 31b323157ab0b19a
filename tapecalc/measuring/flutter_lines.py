"""Steady wobbles in the spectrum of a deviation: where they stand out, and their depth, phase and rate.

A tone that was recorded and played at once shows a wobble as it differs from itself one delay before:
with the factor ``2 |sin(pi f T)|`` of `comb`, which hides the rates ``k / T``.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from tapecalc.calc.flutter import repeat_deviation
from tapecalc.measuring.estimate import student
from tapecalc.measuring.tone import RATE

Array = NDArray[np.floating[Any]]
Complex = NDArray[np.complex128]
Bins = NDArray[np.int_]

#: Hz; the range of flutter. Source: AES6-2008 = IEC 60386 (from memory)
LOWEST_RATE, HIGHEST_RATE = 0.2, 200.0
VISIBLE = 0.25  # factor of the comb below which a wobble is not to be corrected


def comb(rate: Array | float, delay: float | None) -> Array:
    """Compute the factor with which a recording shows a wobble; 1 without a delay."""
    return np.asarray(np.ones_like(rate) if delay is None else repeat_deviation(1.0, rate, delay))


@dataclass(frozen=True, eq=False)
class SteadyWobbles:
    """Steady wobbles: rate in Hz, complex depth about the middle of the time, and their covariance."""

    rate: Array
    value: Complex
    covariance: Array  # of (real, imaginary, rate) for each

    def deviation(self, time: Array) -> Array:
        """Add the wobbles up at times counted from the middle, s."""
        pairs = zip(self.value, self.rate, strict=True)
        return sum((np.real(c * np.exp(2j * np.pi * f * time)) for c, f in pairs), np.zeros(len(time)))

    @property
    def depth(self) -> Array:
        """Depths zero to peak."""
        return np.abs(self.value)

    @property
    def u_depth(self) -> Array:
        """Standard uncertainty of the depths."""
        along = np.stack([self.value.real, self.value.imag], axis=1) / self.depth[:, None]
        return np.sqrt(np.einsum("ni,nij,nj->n", along, self.covariance[:, :2, :2], along))

    @property
    def u_rate(self) -> Array:
        """Standard uncertainty of the rates, Hz."""
        return np.sqrt(self.covariance[:, 2, 2])


FIT_TURNS = 5  # of the least squares for rates and depths


@dataclass(frozen=True, eq=False)
class DeviationSpectrum:
    """Spectrum of a deviation under a bell, about its middle in time; a wobble of depth m shows as m."""

    value: NDArray[np.complex64]  # up to the highest rate of flutter
    noise: Array  # power that white phase noise has in each bin
    shown: Array  # power with which the recording shows each rate
    step: float  # Hz from bin to bin
    span: float  # s

    @classmethod
    def of(cls, deviation: Array, density: float, delay: float | None) -> "DeviationSpectrum":
        """Transform a deviation that has phase noise of a density."""
        count = len(deviation)
        bell = np.hanning(count + 2)[1:-1]
        rate = fft.rfftfreq(count, 1 / RATE)
        rate = rate[rate <= HIGHEST_RATE]
        about_middle = np.exp(1j * np.pi * (count - 1) / count * np.arange(len(rate)))
        value = fft.rfft(deviation * bell)[: len(rate)] * about_middle * 2 / bell.sum()
        # Noise of density S has the power 2 S RATE (bell power) / (bell sum)^2 where a sine has m^2.
        noise = density * rate**2 * 2 * RATE * (bell @ bell) / bell.sum() ** 2
        shown = np.maximum(comb(rate, delay), VISIBLE) ** 2
        return cls(value.astype(np.complex64), noise, shown, RATE / count, (count + 1) / RATE)

    @property
    def power(self) -> Array:
        """Square of the depth that a wobble would have in each bin."""
        return np.abs(self.value) ** 2

    def fit(self, tops: Bins) -> SteadyWobbles:
        """Fit all wobbles near the bins `tops` at once, by least squares: depth, phase and rate.

        What one leaks into the bins of another is in the equations.
        """
        if len(tops) == 0:
            return SteadyWobbles(np.zeros(0), np.zeros(0, complex), np.zeros((0, 3, 3)))
        bins = np.unique(np.clip(tops[:, None] + np.arange(-2, 3), 1, len(self.value) - 1))
        seen = self.value[bins].astype(complex)
        rate = self.step * (tops + _peak_offset(np.abs(self.value), tops))
        value = np.zeros(len(tops), complex)
        for _ in range(FIT_TURNS):
            design = self._design(bins, rate, value)
            inverse = np.linalg.pinv(design)
            real, imaginary, of_rate = np.split(inverse @ _parts(seen - self._model(bins, rate, value)), 3)
            value = value + real + 1j * imaginary
            rate = rate + np.clip(of_rate, -self.step / 2, self.step / 2)
        return SteadyWobbles(rate, value, self._covariance(tops, bins, rate, value, design, inverse))

    def _offsets(self, bins: Bins, rate: Array) -> tuple[Array, Array]:
        """Bins from each rate, and from the same below 0 Hz, to each bin."""
        place = bins[:, None] * self.step
        return (place - rate) * self.span, (place + rate) * self.span

    def _model(self, bins: Bins, rate: Array, value: Complex) -> Complex:
        """What wobbles show in the bins; a sine has a lobe at its rate, and one below 0 Hz."""
        own, mirror = (_lobe(offset) for offset in self._offsets(bins, rate))
        return own @ value + mirror @ np.conj(value)

    def _design(self, bins: Bins, rate: Array, value: Complex) -> Array:
        """What real part, imaginary part and rate of each wobble change in the bins."""
        offsets, small = self._offsets(bins, rate), 1e-4
        own, mirror = (_lobe(x) for x in offsets)
        of_own, of_mirror = ((_lobe(x + small) - _lobe(x - small)) / (2 * small) for x in offsets)
        of_rate = self.span * (np.conj(value) * of_mirror - value * of_own)
        return _parts(np.concatenate([own + mirror, 1j * (own - mirror), of_rate], axis=1))

    def _covariance(
        self, tops: Bins, bins: Bins, rate: Array, value: Complex, design: Array, inverse: Array
    ) -> Array:
        """Covariance of real part, imaginary part and rate of each wobble, by what surrounds it."""
        unsteady, widening = self._unsteady_around(tops, bins, rate, value)
        # Neighboring bins overlap through the bell: by 2/3, and by 1/6 over two.
        apart = np.abs(bins[:, None] - bins)
        overlap = np.select([apart == 0, apart == 1, apart == 2], [1.0, 2 / 3, 1 / 6], 0.0)
        owner = np.argmin(np.abs(bins[:, None] - tops), axis=1)
        of_bin = np.sqrt(unsteady[owner] * self.shown[bins] + self.noise[bins] + 1e-18)
        scatter = 0.5 * np.kron(np.eye(2), overlap * np.outer(of_bin, of_bin))
        covariance = inverse @ scatter @ inverse.T
        # A wobble that is not steady leaves over four times in its bins what its surroundings explain.
        rest = self.value[bins] - self._model(bins, rate, value)
        left = np.eye(len(design)) - design @ inverse
        expected = np.einsum("ij,jk,ik->i", left, scatter, left)
        owner = np.tile(owner, 2)
        excess = np.bincount(owner, _parts(rest) ** 2) / np.bincount(owner, expected)
        stretch = np.where(excess > 4.0, excess, 1.0)
        place = np.arange(len(tops))[:, None] + len(tops) * np.arange(3)
        blocks = covariance[place[:, :, None], place[:, None, :]]
        return blocks * (stretch * widening)[:, None, None]

    def _unsteady_around(self, tops: Bins, bins: Bins, rate: Array, value: Complex) -> tuple[Array, Array]:
        """Power of unsteady wobble around each line, and how much its few bins widen a variance."""
        half = _half_width(len(self.value))
        free = np.setdiff1d(np.arange(1, len(self.value)), bins)
        unsteady, widening = np.empty(len(tops)), np.ones(len(tops))
        for n, top in enumerate(tops):
            around = free[np.abs(free - top) <= half]
            rest = np.abs(self.value[around] - self._model(around, rate, value)) ** 2
            unsteady[n] = self._unsteady(rest, around)
            if unsteady[n] * self.shown[top] > self.noise[top]:
                # The median of n bins, of which every second is one of its own, tells as n/2 squares do.
                widening[n] = student(max(len(rest) / 2, 1)) ** 2
        return unsteady, widening

    def _unsteady(self, rest: Array, bins: Bins) -> float:
        """Power of unsteady wobble, before the recording shows it, that explains the rest with the noise.

        It explains the median of the bins' powers, each against its own mean.
        """
        if len(rest) == 0:
            return 0.0
        power = np.median(rest / self.shown[bins])
        for _ in range(8):
            power *= np.median(rest / (power * self.shown[bins] + self.noise[bins] + 1e-30)) / np.log(2)
        return float(power)


def _parts(values: Complex) -> Array:
    """Real parts, and imaginary ones below them."""
    return np.concatenate([values.real, values.imag])


def _lobe(x: Array) -> Array:
    """What the bell makes of a steady wobble `x` bins away."""
    return np.sinc(x) + 0.5 * (np.sinc(x - 1) + np.sinc(x + 1))


def _peak_offset(size: Array, tops: Bins) -> Array:
    """How far, in bins, the top of a lobe is from the highest bin."""
    left, top, right = size[tops - 1], size[tops], size[tops + 1]
    shift = np.where(right > left, (2 * right - top) / (right + top), -(2 * left - top) / (left + top))
    return np.clip(shift, -1, 1)


# ---- which lines stand out ----

MOST_LINES = 30


def find_lines(power: Array, noise: Array, step: float) -> Bins:
    """Find the bins of the lines that stand out of a spectrum, the strongest first.

    A line has 5 times the amplitude of its surroundings, and is their highest, four bins on either side.
    """
    highest = power == ndimage.maximum_filter1d(power, 9, mode="constant")
    stands = highest & (power > 25 * _surroundings(power, noise))
    stands &= step * np.arange(len(power)) >= LOWEST_RATE
    tops = np.flatnonzero(stands[:-1])
    return tops[np.argsort(-power[tops], kind="stable")][:MOST_LINES]


def _half_width(count: int) -> int:
    """Bins on either side that are the surroundings of one."""
    return max(10, count // 200)


def _surroundings(power: Array, noise: Array) -> Array:
    """Power of the surroundings of each bin: the median of a stretch, which lines leave as it is."""
    floor = ndimage.median_filter(power, 2 * _half_width(len(power)) + 1, mode="mirror")[::5]
    floor = np.interp(np.arange(len(power)), np.arange(len(floor)) * 5, floor)
    return np.maximum(floor / np.log(2), noise) + 1e-18
