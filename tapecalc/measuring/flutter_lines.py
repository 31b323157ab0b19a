"""What a deviation of speed is made of: steady wobbles, which stand out of its spectrum, and the rest."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy import fft, ndimage

from tapecalc.calc.flutter import repeat_deviation
from tapecalc.measuring.dsp import Array, Complex, power_spectrum
from tapecalc.measuring.tone import RATE

#: Hz; the range of flutter. Source: AES6-2008 = IEC 60386 (from memory)
LOWEST_RATE, HIGHEST_RATE = 0.2, 200.0
STANDS_OUT = 5.0  # times the amplitude of its surroundings that a line has


def comb(rate: Array | float, delay: float | None) -> Array:
    """Factor with which a tone recorded and played at once shows a wobble; 1 without a delay."""
    return np.asarray(np.ones_like(rate) if delay is None else repeat_deviation(1.0, rate, delay))


def centered(count: int) -> Array:
    """Times of so many deviations in s, counted from their middle."""
    return (np.arange(count) - count / 2) / RATE


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

        `noise` is the density of phase noise in the deviation at 1 Hz; it rises with the square of the rate.
        Source: the sine tapers of Riedel and Sidorenko, 1995 (from memory).
        """
        count = len(deviation)
        step = RATE / count
        power = np.zeros(int(HIGHEST_RATE / step) + 1)
        for turns in range(1, cls.tapers + 1):
            taper = np.sin(np.pi * turns * np.arange(1, count + 1) / (count + 1))
            power += power_spectrum(fft.rfft(deviation * taper)[: len(power)])
        scale = 4 / ((count + 1) * RATE * cls.tapers)
        return cls(step, power * scale, noise * (step * np.arange(len(power))) ** 2)

    @property
    def rate(self) -> Array:
        """Rates in Hz."""
        return self.step * np.arange(len(self.power))

    def near(self, rate: Array) -> Array:
        """Power density around each rate, from 3 to 10 values away, or closer by if there is more.

        What was taken for a steady wobble is missing right beside it, unless the wobble was not steady.
        """
        at, ring = np.round(rate / self.step).astype(int)[:, None], np.arange(3, 11)
        around, close = (
            self.power[np.minimum(np.abs(at + away), len(self.power) - 1)].mean(axis=1)
            for away in (np.concatenate([-ring, ring]), np.arange(-2, 3))
        )
        return np.maximum(around, close) + 1e-18

    def variance_of_sum(self, weights: Array, delay: float | None) -> float:
        """Variance of a weighted sum of deviations.

        What mean and slope took from the lowest rates is put back, as high as two to five turns have it.
        """
        shown, power = comb(self.rate, delay) ** 2, self.power.copy()
        power[:2] = shown[:2] * np.mean(power[2:6]) / max(float(np.mean(shown[2:6])), 1e-12)
        return float(power_spectrum(fft.rfft(weights))[: len(power)] @ power * self.step)


@dataclass(frozen=True, eq=False)
class SteadyWobbles:
    """Steady wobbles: rate in Hz, and complex depth (zero to peak) about the middle of the time.

    Two that beat more slowly than the time lasts look like one.
    """

    rate: Array
    value: Complex

    def deviation(self, time: Array) -> Array:
        """Add the wobbles up at times counted from the middle, s."""
        pairs = zip(self.value, self.rate, strict=True)
        return sum((np.real(c * np.exp(2j * np.pi * f * time)) for c, f in pairs), np.zeros(len(time)))

    def uncertainties(self, density: Array, seconds: float) -> tuple[Array, Array]:
        """Standard uncertainties of depths, and of rates in Hz, in unsteady wobble of a density.

        ``u(m)^2 = 1.94 S / T`` and ``u(f)^2 = 0.75 S / (m^2 T^3)`` under a bell; it would be S / T and
        ``3 S / (pi^2 m^2 T^3)`` with all of the time used evenly.
        """
        return np.sqrt(1.94 * density / seconds), np.sqrt(0.75 * density / seconds**3) / np.abs(self.value)


def spectrum_of(deviation: Array) -> Complex:
    """Spectrum of a deviation under a bell, about its middle in time; a wobble of depth m shows as m."""
    count = len(deviation)
    bell = np.hanning(count + 1)[:-1]
    value = fft.rfft(deviation * bell)[: int(HIGHEST_RATE * count / RATE) + 1] * 4 / count
    return value * (-1.0) ** np.arange(len(value))


def steady_wobbles(value: Complex, floor: Array, step: float) -> SteadyWobbles:
    """Fit all lines of a spectrum of bins `step` Hz apart, by least squares: depth and phase, then rate.

    A line stands out of its surroundings and is their highest, four bins on either side; 30 count at most.
    """
    power = power_spectrum(value)
    stands = (power == ndimage.maximum_filter1d(power, 9, mode="constant")) & (power > STANDS_OUT**2 * floor)
    stands &= step * np.arange(len(power)) >= LOWEST_RATE - step / 2
    tops = np.flatnonzero(stands[:-1])
    tops = tops[np.argsort(-power[tops], kind="stable")][:30]
    bins = np.unique(np.clip(tops[:, None] + np.arange(-2, 3), 1, len(value) - 1))
    seen, place, depth = value[bins], tops.astype(float), np.zeros(len(tops), complex)
    for _ in range(8 if len(tops) else 0):
        away, small = bins[:, None] - place, 1e-4
        lobes = _lobe(away)
        depth = np.linalg.lstsq(lobes, seen, rcond=None)[0]
        slope = depth * (_lobe(away - small) - _lobe(away + small)) / (2 * small)
        rest = seen - lobes @ depth
        rows = np.concatenate([slope.real, slope.imag]), np.concatenate([rest.real, rest.imag])
        place = np.abs(place + np.clip(np.linalg.lstsq(*rows, rcond=None)[0], -0.5, 0.5))
    return SteadyWobbles(step * place, depth)


def _lobe(x: Array) -> Array:
    """What the bell makes of a steady wobble `x` bins away."""
    return np.sinc(x) + 0.5 * (np.sinc(x - 1) + np.sinc(x + 1))


def surroundings(power: Array) -> Array:
    """Power of the surroundings of each bin: the median of a stretch, which lines leave as it is."""
    half = max(12, len(power) // 200)
    floor = ndimage.median_filter(power, 2 * half + 1, mode="mirror")[::5]
    floor = np.interp(np.arange(len(power)), np.arange(len(floor)) * 5, floor)
    return floor / np.log(2) + 1e-12  # a millionth of speed is nothing
