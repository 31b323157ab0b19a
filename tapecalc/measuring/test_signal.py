"""The test signal to record through a machine, and finding its parts again in a recording.

It opens with a tone to set the meter by. Then comes an announcing pattern: seven short noise bursts at
distances that no music has. Its place, or that of the noise, says where every part is.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from tapecalc.calc.quantity import whole
from tapecalc.calc.standards import ALIGNMENT_LEVEL_DBFS, FLUTTER_TONE
from tapecalc.calc.units import db_to_amplitude
from tapecalc.measuring.estimate import CannotTell
from tapecalc.measuring.recording import Recording

Array = NDArray[np.float64]


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


# ---- finding it again ----


@dataclass(frozen=True)
class FoundSignal:
    """Where the test signal is in a recording."""

    offset: float  # s at the true rate, from the beginning of the recording; negative if the signal's is cut
    rate_ratio: float  # true sample rate over that which the file states
    parts: Mapping[str, Recording]  # what is there of each part, at the true rate
    missing: tuple[str, ...]  # parts that are not there in full


def find_signal(recording: Recording) -> FoundSignal:
    """Find the test signal wherever it is in a recording, of whole or broken off, and its parts.

    It is looked for in the dry channel, in the playback if there is no dry, with matched filters for the
    announcing pattern and for stretches of the noise. Of noise, tone and silence what is there counts, from
    2 s on.

    >>> from tapecalc.measuring import open_recording
    >>> found = find_signal(open_recording(make_test_signal(32000)[5 * 32000 :], sample_rate=32000))
    >>> round(found.offset, 3), found.missing
    (-5.0, ('reference', 'announcement'))
    """
    for ratio in (1.0, 160 / 147, 147 / 160):  # as stated, 48 kHz called 44.1 kHz, and the reverse
        true = replace(recording, sample_rate=round(ratio * recording.sample_rate))
        if not 32000 <= true.sample_rate <= 192000:
            continue
        sent = make_test_signal(true.sample_rate)
        found = [(offset, *_parts_there(true, offset, sent)) for offset in _offsets(true, sent)]
        if found:
            # Begun twice, that which goes on for longer counts.
            offset, parts, missing = max(found, key=lambda f: sum(p.duration for p in f[1].values()))
            return FoundSignal(offset, ratio, parts, missing)
    raise CannotTell("the announcing pattern of the test signal was not found in the recording")


def _offsets(recording: Recording, sent: Array) -> list[float]:
    """Seconds at which the signal may begin, from one channel in blocks, at about 6 kHz."""
    rate = recording.sample_rate
    name = "playback" if recording.dry is None else "dry"
    step = rate // 6000
    low = rate / step
    sent = signal.resample_poly(sent, 1, step)
    # The pattern, and stretches of noise short enough for a clock that is a little off.
    starts = [(4.5, 1.34), *((8.0 + 3 * k, 3.0) for k in range(4))]
    block, longest = 30 * rate, 3 * rate
    offsets: list[float] = []
    for begin in range(0, max(recording.count - rate, 1), block):
        heard = recording.read(name, begin, min(block + longest, recording.count))
        heard = signal.resample_poly(heard, 1, step)
        size = fft.next_fast_len(len(heard) + int(3 * low), real=True)
        spectrum = fft.rfft(heard, size)
        energy = np.concatenate([[0.0], np.cumsum(heard**2)])
        for start, length in starts:
            pattern = sent[round(start * low) : round((start + length) * low)]
            match = fft.irfft(spectrum * np.conj(fft.rfft(pattern, size)), size)[: len(heard)]
            ends = np.minimum(np.arange(len(heard)) + len(pattern), len(heard))
            around = energy[ends] - energy[: len(heard)]
            # Where there is next to nothing, nothing is like the pattern.
            around = np.maximum(around, 1e-4 * around.max()) + 1e-300
            likeness = np.abs(match) / np.sqrt(around * (pattern @ pattern))
            best = int(np.argmax(likeness))
            offset = begin / rate + best / low - start
            # From 0.4 on it is no chance; music reaches 0.3 against the pattern.
            if likeness[best] > 0.4 and all(abs(offset - o) > 0.01 for o in offsets):
                offsets.append(offset)
    return offsets


def _parts_there(
    recording: Recording, offset: float, sent: Array
) -> tuple[dict[str, Recording], tuple[str, ...]]:
    """What is there of each part of the signal that begins at `offset`, and what is not in full."""
    frame, frames = recording.sample_rate // 10, int(SIGNAL_LENGTH * 10)
    expected = np.std(sent[: frames * frame].reshape(frames, frame), axis=1)
    begin = round(offset * recording.sample_rate)
    at = begin + frame * np.arange(frames)
    there = (at >= -frame / 2) & (at + frame / 2 <= recording.count)
    if recording.dry is not None:
        level = np.std(recording.read("dry", begin, frames * frame).reshape(frames, frame), axis=1)
        sounds = expected > 0.1 * expected.max()
        heard = level[sounds & there] / expected[sounds & there]
        gain = float(np.median(heard[heard > 0.1 * heard.max(initial=0.0)])) if heard.any() else 1.0
        # Within 6 dB of what was sent; and next to nothing, where nothing was.
        near = np.abs(np.log2(np.maximum(level, 1e-12) / (gain * np.maximum(expected, 1e-12)))) < 1
        there &= np.where(expected > 1e-3 * expected.max(), near, level < 0.03 * gain * expected.max())
    parts: dict[str, Recording] = {}
    missing = []
    for part in PARTS:
        first, last = round(10 * part.start), round(10 * part.stop)
        inside = there[first:last]
        if whole_part := bool(inside.all()):
            start, stop = part.start, part.stop
        else:
            missing.append(part.name)
            cuts = np.flatnonzero(np.diff(np.concatenate([[0], inside, [0]])))
            runs = [(b - a, a) for a, b in zip(cuts[::2], cuts[1::2], strict=True)]
            length, k = max(runs, default=(0, 0))
            if length < 20 or part.name == "sweeps":
                continue
            start, stop = part.start + k / 10, part.start + (k + length) / 10
        # Room after the part for its echo, but not into the next one; what must be steady settles first.
        settle = part.name in ("tone", "silence") and start == part.start
        tail = 2.0 if part.name in ("noise", "sweeps") and whole_part else 0.0
        stop = min(offset + stop + tail, recording.duration)
        parts[part.name] = recording.part(offset + start + settle, stop)
    return parts, tuple(missing)
