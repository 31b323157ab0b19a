"""Finding the test signal and its parts in a recording."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, signal

from tapecalc.measuring.dsp import Array
from tapecalc.measuring.estimate import CannotTell
from tapecalc.measuring.recording import Recording
from tapecalc.sound.test_signal import PARTS, SIGNAL_LENGTH, make_test_signal


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
    2 s on; tone and silence without their first second.
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
