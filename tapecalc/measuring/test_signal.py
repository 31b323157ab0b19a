"""The test signal to record through a machine, and finding its parts again in a recording.

It opens with an announcing pattern: seven short noise bursts at distances that no music
has. Its place in the recording says where every other part is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapecalc.calc.quantity import whole
from tapecalc.calc.standards import FLUTTER_TONE
from tapecalc.measuring.estimate import CannotTell
from tapecalc.measuring.recording import Recording

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """One part of the test signal, in seconds from its beginning."""

    name: str
    start: float
    stop: float


#: The parts in order; between them there is room for the longest delay.
PARTS = (
    Part("announcement", 0.5, 2.0),
    Part("clicks", 5.0, 13.0),
    Part("noise", 13.0, 25.0),
    Part("sweep", 28.0, 38.0),
    Part("tone", 41.0, 63.0),
    Part("silence", 66.0, 74.0),
)
SIGNAL_LENGTH = 74.0  # s
SEED = 1952  # of the noise in it; any number, as long as it stays
LEVEL = 0.25  # peak of the loudest part, -12 dB of full scale
BAND = (40.0, 18000.0)  # Hz


def make_test_signal(sample_rate: int = 48000) -> Array:
    """Make the signal to record through a machine, one channel that peaks at a quarter of full scale.

    Sample rates are from 32000 to 192000 Hz. Source: AES6-2008 for the tone of 3150 Hz.

    >>> make_test_signal(48000).shape
    (3552000,)
    """
    rate = whole("sample_rate", sample_rate, 32000, 192000)
    out = np.zeros(round(SIGNAL_LENGTH * rate))
    parts = {part.name: part for part in PARTS}

    def put(name: str, samples: Array, offset: float = 0.0) -> None:
        begin = round((parts[name].start + offset) * rate)
        out[begin : begin + len(samples)] += samples

    put("announcement", _announcement(rate))
    rng = np.random.default_rng(SEED + 1)
    length = _length(parts["clicks"])
    click = _click(rate)
    place = 0.0
    while place < length - 0.1:
        put("clicks", click * rng.choice([-1, 1]) * rng.uniform(0.5, 1), place)
        place += rng.uniform(0.02, 0.06)  # unequal distances, so that no other delay fits
    put("noise", _noise(round(_length(parts["noise"]) * rate), rate, SEED + 2))
    put("sweep", _sweep(parts["sweep"], rate))
    t = np.arange(round(_length(parts["tone"]) * rate)) / rate
    put("tone", _faded(0.8 * LEVEL * np.sin(2 * np.pi * FLUTTER_TONE * t), rate))
    return out


HIGHEST_PEAK = 6.0  # of the pattern's correlation over its rms, from which the pattern is there
LEAST_LIKENESS = 0.3  # correlation of the pattern with the sound there
ECHO_ROOM = 2.0  # s after a part, for its echo
SETTLING = 1.0  # s at the beginning of what must be steady


def find_parts(recording: Recording) -> dict[str, Recording]:
    """Find every part of the test signal that a recording holds in full, by name.

    It is looked for in the dry channel, in the playback if there is no dry, with a matched filter.

    >>> from tapecalc.measuring import open_recording
    >>> parts = find_parts(open_recording(make_test_signal(32000), sample_rate=32000))
    >>> parts["tone"].duration
    21.0
    """
    rate = recording.sample_rate
    name = "playback" if recording.dry is None else "dry"
    pattern = _announcement(rate)
    # A minute is long enough to have waited before the signal began.
    samples = recording.read(name, 0, min(recording.count, 60 * rate))
    size = fft.next_fast_len(len(samples) + len(pattern), real=True)
    match = fft.irfft(fft.rfft(samples, size) * np.conj(fft.rfft(pattern, size)), size)[: len(samples)]
    match = np.abs(match)
    best = int(np.argmax(match))
    usual = np.sqrt(np.mean(match**2))
    energy = samples[best : best + len(pattern)]
    likeness = match[best] / (np.linalg.norm(energy) * np.linalg.norm(pattern) + 1e-300)
    if match[best] < HIGHEST_PEAK * usual or likeness < LEAST_LIKENESS:
        raise CannotTell("the announcing pattern of the test signal was not found in the recording")
    offset = best / rate - PARTS[0].start
    parts = {}
    for part in PARTS:
        start, stop = offset + part.start, offset + part.stop
        if start >= 0 and stop <= recording.duration + 0.05:
            # Room after the part for its echo, but not into the next one.
            head, tail = (SETTLING, 0.0) if part.name in ("tone", "silence") else (0.0, ECHO_ROOM)
            tail = max(min(tail, recording.duration - stop), 0.0)
            parts[part.name] = recording.part(start + head, stop + tail)
    return parts


def _length(part: Part) -> float:
    return part.stop - part.start


def _faded(samples: Array, rate: int) -> Array:
    """`samples` with 20 ms of fade at either end."""
    count = rate // 50
    ramp = np.sin(np.pi / 2 * (np.arange(count) + 0.5) / count) ** 2
    out = samples.copy()
    out[:count] *= ramp
    out[-count:] *= ramp[::-1]
    return out


def _noise(count: int, rate: int, seed: int) -> Array:
    """Noise in the band of the signal that is the same at every sample rate up to rounding of its length."""
    rng = np.random.default_rng(seed)
    frequency = fft.rfftfreq(count, 1 / rate)
    used = (frequency > BAND[0]) & (frequency < min(BAND[1], 0.45 * rate))
    spectrum = np.zeros(len(frequency), dtype=complex)
    # Pink above 200 Hz: tape has less room for treble.
    spectrum[used] = np.exp(2j * np.pi * rng.random(np.count_nonzero(used))) / np.sqrt(
        np.maximum(frequency[used], 200)
    )
    samples = fft.irfft(spectrum, count)
    return _faded(LEVEL * samples / np.max(np.abs(samples)), rate)


BURST = 0.03  # s
PATTERN = (0.0, 0.11, 0.34, 0.47, 0.86, 1.13, 1.31)  # s; all distances differ


def _announcement(rate: int) -> Array:
    """The announcing pattern."""
    length = round((PATTERN[-1] + BURST) * rate)
    out = np.zeros(length + 1)
    count = round(BURST * rate)
    for k, place in enumerate(PATTERN):
        begin = round(place * rate)
        rng = np.random.default_rng(SEED + 10 + k)
        t = np.arange(count) / rate
        burst = sum(np.sin(2 * np.pi * (f * t + rng.random())) for f in rng.uniform(400, 4000, 24))
        burst *= np.hanning(count)
        out[begin : begin + count] += LEVEL * burst / np.max(np.abs(burst))
    return out


def _click(rate: int) -> Array:
    """A click that fills the band of the signal."""
    t = (np.arange(round(0.004 * rate)) - round(0.002 * rate)) / rate
    width = 2.5e-5
    return LEVEL * (1 - (t / width) ** 2) * np.exp(-((t / width) ** 2) / 2)


def _sweep(part: Part, rate: int) -> Array:
    """A sweep through the band, as many seconds for each octave."""
    length = _length(part)
    t = np.arange(round(length * rate)) / rate
    low, high = BAND[0], min(BAND[1], 0.45 * rate)
    octaves = np.log(high / low)
    phase = 2 * np.pi * low * length / octaves * (np.exp(t / length * octaves) - 1)
    return _faded(LEVEL * np.sin(phase), rate)
