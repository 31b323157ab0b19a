"""The test signal to record through a machine.

It opens with a tone to set the meter by. Then comes an announcing pattern: seven short noise bursts at
distances that no music has. Its place, or that of the noise, says where every part is.
"""

from typing import NamedTuple

import numpy as np
from scipy import fft

from tapecalc.calc.quantity import whole
from tapecalc.calc.standards import ALIGNMENT_LEVEL_DBFS, FLUTTER_TONE
from tapecalc.calc.units import db_to_amplitude
from tapecalc.sound.samples import Array


class Part(NamedTuple):
    """One part of the test signal, in seconds from its beginning."""

    name: str
    start: float
    stop: float


#: The parts in order; between them there is room for the echo.
PARTS = (
    Part("reference", 0.5, 4.0),
    Part("announcement", 4.5, 5.84),
    Part("noise", 8.0, 20.0),
    Part("sweeps", 22.0, 34.0),
    Part("tone", 36.0, 63.5),
    Part("silence", 66.0, 74.0),
)
SIGNAL_LENGTH = 74.0  # s
REFERENCE_TONE = 315.0  # Hz, for level and distortion; IEC 60094-3 (from memory)


class Sweep(NamedTuple):
    """One of the sweeps: as many seconds for each octave."""

    start: float  # s from the beginning of the part
    length: float  # s
    low: float  # Hz
    high: float  # Hz
    level_db: float  # against the reference tone

    def phase(self, t: Array) -> Array:
        """Phase at `t` seconds from its beginning, rad."""
        turns = np.log(self.high / self.low)
        return 2 * np.pi * self.low * self.length / turns * (np.exp(t / self.length * turns) - 1)

    def frequency(self, t: Array) -> Array:
        """Frequency at `t` seconds from its beginning, Hz."""
        return self.low * (self.high / self.low) ** (t / self.length)


#: Two through the whole range, 20 dB apart, and a ladder of levels around the reference tone.
SWEEPS = (
    Sweep(0.0, 3.0, 150.0, 14000.0, -20.0),
    Sweep(3.2, 3.0, 150.0, 14000.0, 0.0),
    *(Sweep(6.4 + 1.4 * k, 1.2, 200.0, 500.0, 2.5 * (k + 1)) for k in range(4)),
)


def make_test_signal(sample_rate: int = 48000) -> Array:
    """Make the signal to record through a machine, one channel.

    Its reference tone peaks at -18 dB of full scale, its loudest sweep 10 dB above, the treble of its noise
    above 4 kHz 20 dB below: so much less does slow tape hold. Sample rates are from 32000 to 192000 Hz.
    Source: AES6-2008 for the tone of 3150 Hz.

    >>> make_test_signal(48000).shape
    (3552000,)
    """
    rate = whole("sample_rate", sample_rate, 32000, 192000)
    out = np.zeros(round(SIGNAL_LENGTH * rate))
    at = {part.name: part for part in PARTS}

    def put(start: float, samples: Array) -> None:
        begin = round(start * rate)
        out[begin : begin + len(samples)] = db_to_amplitude(ALIGNMENT_LEVEL_DBFS) * samples

    for name, pitch in (("reference", REFERENCE_TONE), ("tone", FLUTTER_TONE)):
        t = np.arange(round((at[name].stop - at[name].start) * rate)) / rate
        put(at[name].start, _faded(np.sin(2 * np.pi * pitch * t), rate))
    put(at["announcement"].start, _announcement(rate))
    put(at["noise"].start, _noise(round((at["noise"].stop - at["noise"].start) * rate), rate))
    for sweep in SWEEPS:
        t = np.arange(round(sweep.length * rate)) / rate
        wave = db_to_amplitude(sweep.level_db) * np.sin(sweep.phase(t))
        put(at["sweeps"].start + sweep.start, _faded(wave, rate))
    return out


def _faded(samples: Array, rate: int) -> Array:
    """`samples` with 20 ms of fade at either end."""
    count = rate // 50
    ramp = np.sin(np.pi / 2 * (np.arange(count) + 0.5) / count) ** 2
    out = samples.copy()
    out[:count] *= ramp
    out[-count:] *= ramp[::-1]
    return out


def _noise(count: int, rate: int) -> Array:
    """Noise from 40 Hz to 18 kHz that is the same at every sample rate, 11 dB below a sine of peak 1."""
    rng = np.random.default_rng(1954)
    frequency = fft.rfftfreq(count, 1 / rate)
    used = (frequency > 40) & (frequency < min(18000, 0.45 * rate))
    spectrum = np.zeros(len(frequency), dtype=complex)
    # Pink from 200 Hz to 3 kHz and steeper above: tape has less room for treble.
    f = np.maximum(frequency[used], 200)
    size = 1 / np.sqrt(f * np.maximum(f / 3000, 1))
    spectrum[used] = size * np.exp(2j * np.pi * rng.random(len(f)))
    samples = fft.irfft(spectrum, count)
    return _faded(db_to_amplitude(-11) * samples / np.sqrt(2 * np.mean(samples**2)), rate)


def _announcement(rate: int) -> Array:
    """The announcing pattern, its peaks as those of the reference tone."""
    places, burst_length = (0.0, 0.11, 0.34, 0.47, 0.86, 1.13, 1.31), 0.03  # s; all distances differ
    count = round(burst_length * rate)
    out = np.zeros(round(places[-1] * rate) + count)
    t = np.arange(count) / rate
    for k, place in enumerate(places):
        rng = np.random.default_rng(1962 + k)
        burst = sum(np.sin(2 * np.pi * (f * t + rng.random())) for f in rng.uniform(400, 4000, 24))
        burst *= np.hanning(count)
        begin = round(place * rate)
        out[begin : begin + count] += burst / np.max(np.abs(burst))
    return out
