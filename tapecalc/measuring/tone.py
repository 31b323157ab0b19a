"""A recorded tone, turned into frequency and amplitude against time.

The tone is shifted to 0 Hz and cut to a band of 450 Hz on either side, block by block; what is left turns as
fast as the tone's frequency deviates. The amplitude tells how noisy the recording is, since noise shakes
amplitude and phase alike, and where the tone drops out. A wider band shows scrape flutter.
"""

import numpy as np
from scipy import fft

from tapecalc.measuring.dsp import Array, Bools, Complex, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate
from tapecalc.measuring.recording import Recording

RATE = 1400  # values of frequency a second
STOP = 700.0  # Hz from the carrier, beyond which nothing passes
BLOCK, MARGIN = 10, 1  # s of a block, and on either side for the band filter to settle
LONGEST = 120  # s of a recording that are read


class ToneReader:
    """Reads frequency and amplitude of a tone against time, and what they tell; of a long one two minutes.

    `time` in s, `frequency` in Hz, and `amplitude` against its mean are of the longest stretch with the tone
    at half of its usual amplitude, with short dropouts bridged.
    """

    def __init__(self, recording: Recording, loudest: float) -> None:
        self.carrier = _find_carrier(recording, loudest)  # Hz
        begin = max(0.0, min(loudest - LONGEST / 2, recording.duration - LONGEST))
        recording = recording.part(begin, begin + LONGEST)
        rate = recording.sample_rate
        # Sidebands below 300 Hz or above half the sample rate are no longer there.
        self.wide = min(2800.0, self.carrier - 300, rate / 2 - self.carrier)
        self.usual = 0.0  # amplitude
        self.fast, self.windows, self.step = np.zeros((2, 1)), 0, 1.0  # see `_add_fast_wobble`
        blocks = []
        for first in range(0, recording.count, BLOCK * rate):
            samples = recording.read("playback", first - MARGIN * rate, (BLOCK + 2 * MARGIN) * rate)
            spectrum = fft.rfft(samples)
            blocks.append(_demodulated(spectrum, len(samples), self.carrier, STOP, RATE))
            self.usual = max(self.usual, float(np.median(blocks[-1][1])))
            if self.wide > STOP:
                self._add_fast_wobble(*_demodulated(spectrum, len(samples), self.carrier, self.wide, 5600))
        frequency, amplitude = np.concatenate(blocks, axis=1)[:, : int(recording.duration * RATE)]
        self._keep_steady(begin, frequency, amplitude)

    def _keep_steady(self, begin: float, frequency: Array, amplitude: Array) -> None:
        """Keep the longest stretch with the tone, and account of its level and its dropouts."""
        sounds = np.convolve(amplitude > 0.5 * self.usual, np.ones(RATE // 2) / (RATE // 2), "same") > 0.4
        first, last = max(_runs(sounds), key=lambda run: run[1] - run[0], default=(0, 0))
        inside = slice(first + RATE // 5, max(last - RATE // 5, 0))
        frequency, amplitude = frequency[inside], amplitude[inside]
        self.time = time = begin + (inside.start + np.arange(len(frequency))) / RATE
        if len(time) < RATE:  # less than a second tells nothing
            return
        level = np.convolve(amplitude, np.ones(5) / 5, "same") / self.usual  # without what rings in the band
        low = level < 0.5
        wider = np.convolve(low, np.ones(9), "same") > 0
        self.fallen = sum(b - a >= 0.005 * RATE for a, b in _runs(low))
        self.swing = np.inf  # mean square of the level's swing, nepers
        if np.mean(wider) < 0.2:
            frequency, amplitude = (np.interp(time, time[~wider], x[~wider]) for x in (frequency, amplitude))
            rate, density = _density(np.log(amplitude))
            self.swing = float(density[(rate > 0.5) & (rate < 200)].sum() * rate[1])
        if self.swing > 0.15**2:  # nepers, 1.3 dB
            raise CannotTell(
                "the tone swells and fades, as two together do; play one tone, with the return send down"
            )
        ends = np.median(amplitude[:RATE]) / np.median(amplitude[-RATE:])
        self.fall_db = 20 * float(np.log10(ends))  # from the first second to the last
        self.frequency, self.amplitude = frequency, amplitude / amplitude.mean()

    def _add_fast_wobble(self, frequency: Array, amplitude: Array) -> None:
        """Add up spectra of the frequency and, as noise would show there, of the amplitude, from 200 Hz on.

        In Hz^2 per Hz, of quarters of a second without a dropout. Noise that shakes the amplitude by `a` at
        the rate `f` shakes the frequency by ``f a``.
        """
        size = 1400
        bell = np.hanning(size)
        rate = fft.rfftfreq(size, 1 / 5600)
        flat = (rate >= 200) & (rate <= 9 / 14 * self.wide)
        rows = np.arange(0, len(frequency) - size + 1, size // 2)[:, None] + np.arange(size)
        rows = rows[amplitude[rows].min(axis=1) > 0.5 * self.usual]
        level = amplitude[rows] / amplitude[rows].mean(axis=1, keepdims=True) - 1
        swing = frequency[rows] - frequency[rows].mean(axis=1, keepdims=True)
        sums = [np.sum(power_spectrum(fft.rfft(x * bell))[:, flat], axis=0) for x in (swing, level)]
        self.fast = self.fast + np.stack([sums[0], sums[1] * rate[flat] ** 2]) * 2 / (5600 * (bell @ bell))
        self.windows, self.step = self.windows + len(rows), float(rate[1])

    def dropouts(self) -> Estimate:
        """Dropouts a minute, with what so few leave open: 95 % of a Poisson count, from above."""
        minutes = max(len(self.time) / RATE, 1.0) / 60
        return Estimate(self.fallen / minutes, 2 * (1 + np.sqrt(self.fallen + 0.75)) / minutes, "1/min")

    def scrape(self) -> tuple[Estimate | None, float]:
        """Rms of the wobble from 200 Hz on, a fraction of speed; without any, what would have been seen.

        Noise beside the tone, hum and whistles shake amplitude and phase alike; what shakes the phase more
        is wobble. It counts where 20 Hz of it stand out by 4 standard uncertainties.
        """
        if self.windows < 8:
            return None, np.inf
        by_phase, by_level = self.fast / self.windows
        width = round(20 / self.step)
        # Of windows that overlap by half each second one is independent, and of neighboring bins too.
        u_bin = (by_phase + by_level) / np.sqrt(self.windows / 1.06)
        excess, u_excess = (
            np.convolve(x, np.ones(width), "same") for x in (by_phase - by_level, u_bin / np.sqrt(width / 2))
        )
        unseen = float(np.sqrt(8 * np.max(u_excess) * self.step)) / self.carrier
        shows = np.convolve(excess > 4 * u_excess, np.ones(width), "same") > 0
        power = float(np.sum((by_phase - by_level)[shows])) * self.step
        if power <= (1e-5 * self.carrier) ** 2:
            return None, max(unseen, 1e-5)
        u_power = np.sqrt(2 * np.sum(u_bin[shows] ** 2)) * self.step
        spread = np.sqrt(power) - np.sqrt(max(power - COVERAGE_FACTOR * u_power, 0.0))
        return Estimate(float(np.sqrt(power)) / self.carrier, float(spread) / self.carrier + 1e-6), 0.0


def _runs(true: Bools) -> list[tuple[int, int]]:
    """Begin and end of each stretch that is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true, [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _density(series: Array) -> tuple[Array, Array]:
    """Rates in Hz and one-sided power density of a series of `RATE` values a second, under a bell."""
    bell = np.hanning(len(series))
    power = power_spectrum(fft.rfft((series - series.mean()) * bell)) * 2 / (RATE * (bell @ bell))
    return fft.rfftfreq(len(series), 1 / RATE), power


def _find_carrier(recording: Recording, loudest: float) -> float:
    """Find the mean frequency of the tone, or refuse with the reason why there is none."""
    rate = recording.sample_rate
    count = min(recording.count, 8 * rate)  # the loudest of the recording
    first = min(int(loudest * rate), recording.count - count)
    samples = recording.read("playback", first, count)
    power = power_spectrum(fft.rfft((samples - samples.mean()) * np.hanning(count)))
    frequency = fft.rfftfreq(count, 1 / rate)
    # Half of the power lies below the middle of the tone, however far it swings.
    center = frequency[np.searchsorted(np.cumsum(power), 0.5 * power.sum())]
    near = np.abs(frequency - center) < max(0.12 * center, 20)  # a tone may swing so far
    center = float(power[near] @ frequency[near] / power[near].sum())
    share = power[near].sum() / power.sum()
    if share < 0.7:
        raise CannotTell(
            f"there is no steady tone, or not one alone: {100 * share:.0f} % are near {center:.0f} Hz"
        )
    if not STOP < center < rate / 2 - STOP:
        raise CannotTell(
            f"the tone of {center:.0f} Hz is outside {STOP:.0f} to {rate / 2 - STOP:.0f} Hz; record 3150 Hz"
        )
    return center


def _demodulated(spectrum: Complex, size: int, carrier: float, stop: float, rate: int) -> tuple[Array, Array]:
    """Frequency in Hz and amplitude of a block of `size` samples, `rate` values a second, ends left out."""
    seconds = BLOCK + 2 * MARGIN
    lowest = round((carrier - stop) * seconds)
    bins = np.arange(lowest, lowest + round(2 * stop * seconds))
    away = np.abs(bins / seconds - carrier) / stop
    # In full up to 9/14 of the way.
    band = np.cos(np.pi / 2 * np.clip((away - 9 / 14) * 14 / 5, 0, 1)) ** 2
    inside = np.zeros(rate * seconds, complex)
    inside[: len(bins)] = spectrum[bins] * band * (2 / size)
    turning = np.zeros_like(inside)
    turning[: len(bins)] = inside[: len(bins)] * 2j * np.pi * bins / seconds
    value, change = (fft.ifft(part, norm="forward") for part in (inside, turning))
    value, change = (part[MARGIN * rate : (MARGIN + BLOCK) * rate] for part in (value, change))
    power = np.maximum(power_spectrum(value), 1e-30)
    return (change * np.conj(value)).imag / power / (2 * np.pi), np.sqrt(power)


def white_density(series: Array, power_of_rate: int) -> float:
    """Read the one-sided power density of noise that rises with a power of the rate: what it has at 1 Hz."""
    rate, power = _density(series)
    use = (rate > 100) & (rate < 280)  # above nearly all flutter
    return float(np.median(power[use] / rate[use] ** power_of_rate) / np.log(2))
