"""Steady wobbles in the spectrum of a deviation: where they stand out, and their depth, phase and rate.

A tone that was recorded and played at once shows a wobble as it differs from itself one delay before:
with the factor ``2 |sin(pi f T)|`` of `comb`, which hides the rates ``k / T``.
"""

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from tapecalc.calc.flutter import repeat_deviation
from tapecalc.measuring.dsp import power_spectrum
from tapecalc.measuring.tone import RATE

Array = NDArray[np.floating[Any]]
Complex = NDArray[np.complex128]
Bins = NDArray[np.int_]

#: Hz; the range of flutter. Source: AES6-2008 = IEC 60386 (from memory)
LOWEST_RATE, HIGHEST_RATE = 0.2, 200.0
VISIBLE = 0.25  # factor of the comb below which a wobble is not to be corrected
STANDS_OUT = 5.0  # times the amplitude of its surroundings that a line has


def comb(rate: Array | float, delay: float | None) -> Array:
    """Compute the factor with which a recording shows a wobble; 1 without a delay."""
    return np.asarray(np.ones_like(rate) if delay is None else repeat_deviation(1.0, rate, delay))


# ---- what is not steady ----


@dataclass(frozen=True, eq=False)
class Density:
    """One-sided power density of a deviation against rate, and of the noise of the recording in it."""

    step: float  # Hz from value to value
    power: Array  # per Hz
    noise: Array  # per Hz
    tapers: ClassVar[int] = 4

    @classmethod
    def of(cls, deviation: Array, noise: float) -> "Density":
        """Average the spectra under four sines, which together use the whole time evenly.

        `noise` is that of the phase: its density in the deviation at 1 Hz, which rises with the square of
        the rate. Source: the sine tapers of Riedel and Sidorenko, 1995 (from memory).
        """
        count = len(deviation)
        turns = np.arange(1, cls.tapers + 1)[:, None]
        tapers = np.sqrt(2 / (count + 1)) * np.sin(np.pi * turns * np.arange(1, count + 1) / (count + 1))
        step = RATE / count
        kept = int(HIGHEST_RATE / step) + 1
        power = np.zeros(kept)
        for taper in tapers:
            power += power_spectrum(fft.rfft(deviation * taper)[:kept])
        return cls(step, power * 2 / (RATE * cls.tapers), noise * (step * np.arange(kept)) ** 2)

    @property
    def rate(self) -> Array:
        """Rates in Hz."""
        return self.step * np.arange(len(self.power))

    def near(self, rate: Array) -> Array:
        """Power density around each rate, from 3 to 10 values away, or closer by if there is more.

        What was taken for a steady wobble is missing right beside it, unless the wobble was not steady.
        """
        at = np.clip(np.round(rate / self.step).astype(int), 1, len(self.power) - 1)[:, None]
        ring = np.arange(3, 11)
        around = self.power[np.clip(np.abs(at + np.concatenate([-ring, ring])), 1, len(self.power) - 1)]
        close = self.power[np.clip(np.abs(at + np.arange(-2, 3)), 0, len(self.power) - 1)]
        return np.maximum(around.mean(axis=1), close.mean(axis=1)) + 1e-18

    def slow(self, delay: float | None) -> "Density":
        """Density with what mean and slope took from the lowest rates put back, as two to five turns have."""
        shown = comb(self.rate, delay) ** 2
        level = float(np.mean(self.power[2:6]) / max(float(np.mean(shown[2:6])), 1e-12))
        power = self.power.copy()
        power[:2] = level * shown[:2]
        return Density(self.step, power, self.noise)

    def variance_of_sum(self, weights: Array) -> float:
        """Variance of a weighted sum of deviations."""
        length = 2 * len(weights)
        gain = power_spectrum(fft.rfft(weights, length))
        rate = fft.rfftfreq(length, 1 / RATE)
        seen = rate <= HIGHEST_RATE
        return float(gain[seen] @ np.interp(rate[seen], self.rate, self.power) * RATE / length)


# ---- what is steady ----


@dataclass(frozen=True, eq=False)
class SteadyWobbles:
    """Steady wobbles: rate in Hz, and complex depth about the middle of the time."""

    rate: Array
    value: Complex

    def deviation(self, time: Array) -> Array:
        """Add the wobbles up at times counted from the middle, s."""
        pairs = zip(self.value, self.rate, strict=True)
        return sum((np.real(c * np.exp(2j * np.pi * f * time)) for c, f in pairs), np.zeros(len(time)))

    @property
    def depth(self) -> Array:
        """Depths zero to peak."""
        return np.abs(self.value)

    def uncertainties(self, density: Array, seconds: float) -> tuple[Array, Array]:
        """Standard uncertainties of depths, and of rates in Hz, in unsteady wobble of a density.

        ``u(m)^2 = 1.94 S / T`` and ``u(f)^2 = 0.75 S / (m^2 T^3)`` under a bell; it would be S / T and
        ``3 S / (pi^2 m^2 T^3)`` with all of the time used evenly.
        """
        return np.sqrt(1.94 * density / seconds), np.sqrt(0.75 * density / seconds**3) / self.depth


@dataclass(frozen=True, eq=False)
class DeviationSpectrum:
    """Spectrum of a deviation under a bell, about its middle in time; a wobble of depth m shows as m."""

    value: Complex  # up to the highest rate of flutter
    step: float  # Hz from bin to bin
    span: float  # s

    @classmethod
    def of(cls, deviation: Array) -> "DeviationSpectrum":
        """Transform a deviation."""
        count = len(deviation)
        bell = np.hanning(count + 2)[1:-1]
        kept = int(HIGHEST_RATE * count / RATE) + 1
        about_middle = np.exp(1j * np.pi * (count - 1) / count * np.arange(kept))
        value = fft.rfft(deviation * bell)[:kept] * about_middle * 2 / bell.sum()
        return cls(value, RATE / count, (count + 1) / RATE)

    def fit(self, tops: Bins) -> SteadyWobbles:
        """Fit all wobbles near the bins `tops` at once, by least squares: depth, phase and rate.

        What one leaks into the bins of another is in the equations.
        """
        if len(tops) == 0:
            return SteadyWobbles(np.zeros(0), np.zeros(0, complex))
        bins = np.unique(np.clip(tops[:, None] + np.arange(-2, 3), 1, len(self.value) - 1))
        seen = self.value[bins]
        rate = self.step * (tops + _peak_offset(np.abs(self.value), tops))
        value = np.zeros(len(tops), complex)
        for _ in range(5):
            change = np.linalg.lstsq(
                self._design(bins, rate, value), _parts(seen - self._model(bins, rate, value)), rcond=None
            )[0]
            real, imaginary, of_rate = np.split(change, 3)
            value = value + real + 1j * imaginary
            rate = np.abs(rate + np.clip(of_rate, -self.step / 2, self.step / 2))
        return SteadyWobbles(rate, value)

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


def find_lines(power: Array, floor: Array, step: float) -> Bins:
    """Find the bins of the lines that stand out of a spectrum, the strongest 30 at most.

    A line stands out of its surroundings, and is their highest, four bins on either side.
    """
    highest = power == ndimage.maximum_filter1d(power, 9, mode="constant")
    stands = highest & (power > STANDS_OUT**2 * floor)
    stands &= step * np.arange(len(power)) >= LOWEST_RATE - step / 2
    tops = np.flatnonzero(stands[:-1])
    return tops[np.argsort(-power[tops], kind="stable")][:30]


def surroundings(power: Array) -> Array:
    """Power of the surroundings of each bin: the median of a stretch, which lines leave as it is."""
    half = max(12, len(power) // 200)
    floor = ndimage.median_filter(power, 2 * half + 1, mode="mirror")[::5]
    floor = np.interp(np.arange(len(power)), np.arange(len(floor)) * 5, floor)
    return floor / np.log(2) + 1e-12  # a millionth of speed is nothing
