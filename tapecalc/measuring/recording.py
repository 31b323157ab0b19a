"""Recordings as the measurements read them: two channels, in blocks, never all at once.

A recording holds what went into the machine (`dry`) and what came out
(`playback`), from one stereo file, two mono files or arrays. Only the piece that
is asked for is read, so a file of an hour needs no more memory than one of a minute.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tapecalc.measuring.dsp import Array
from tapecalc.sound.files import StrPath, open_sound, sound_piece
from tapecalc.sound.samples import HIGHEST_SAMPLE, valid_rate


@dataclass(frozen=True)
class _Channel:
    """One channel of a file or of an array (frames, channels)."""

    source: str | Array
    channel: int

    def read(self, first: int, count: int) -> Array:
        """`count` samples from `first` on, fewer where the material ends."""
        if not isinstance(self.source, str):
            return self.source[first : first + count, self.channel]
        with open_sound(self.source) as file:
            piece = sound_piece(file, first, count) if first < file.frames else np.zeros((0, 2))
        return piece[:, self.channel]


@dataclass(frozen=True)
class Recording:
    """A dry and a playback channel on one time axis, or a playback channel alone.

    Make one with `open_recording`.
    """

    sample_rate: int
    count: int  # samples of each channel
    playback: _Channel  # what came from the machine
    dry: _Channel | None = None  # what went into it
    one_clock: bool = True  # whether one interface converted both (one stereo file)
    common_start: bool = True  # whether both channels begin at one moment, without which no delay is told
    first: int = 0  # sample of the files at which this recording begins

    @property
    def duration(self) -> float:
        """Length in seconds."""
        return self.count / self.sample_rate

    def read(self, name: str, first: int, count: int) -> Array:
        """Read `count` samples of channel `name` ("dry" or "playback") from `first` on, zeros outside."""
        out = np.zeros(count)
        begin, end = max(first, 0), min(first + count, self.count)
        if end > begin:
            piece = getattr(self, name).read(self.first + begin, end - begin)
            out[begin - first : begin - first + len(piece)] = piece
        return out

    def swapped(self) -> "Recording":
        """Exchange dry and playback."""
        if self.dry is None:
            raise ValueError("a recording of one channel cannot be swapped")
        return replace(self, dry=self.playback, playback=self.dry)

    def part(self, start: float, stop: float) -> "Recording":
        """Take the piece from `start` to `stop`, in seconds from the beginning of this recording."""
        begin = min(max(round(start * self.sample_rate), 0), self.count)
        end = min(max(round(stop * self.sample_rate), begin), self.count)
        return replace(self, first=self.first + begin, count=end - begin)


def open_recording(
    source: StrPath | ArrayLike,
    playback: StrPath | ArrayLike | None = None,
    *,
    sample_rate: int | None = None,
    common_start: bool = False,
) -> Recording:
    """Open one stereo file, two files, or arrays, as a recording; nothing is read yet.

    `source` is a path, or samples of shape (frames,) or (frames, channels). The first of two channels went
    into the machine; one alone, without `playback`, is the machine's output. Arrays need a `sample_rate` in
    Hz. `common_start` says that one clock started both files; arrays always were.
    """
    if playback is not None:
        left, rate, count, _ = _opened(source, sample_rate)
        right, other, count_right, _ = _opened(playback, sample_rate)
        if rate != other:
            raise ValueError(f"both files must have one sample rate, got {rate} Hz and {other} Hz")
        files = (isinstance(left, str), isinstance(right, str))
        both, alone = (_Channel(right, 0), _Channel(left, 0)), not any(files)
        return Recording(rate, max(count, count_right), *both, alone, alone or common_start)
    track, rate, count, channels = _opened(source, sample_rate)
    if channels == 1:
        return Recording(rate, count, _Channel(track, 0))
    return Recording(rate, count, _Channel(track, 1), _Channel(track, 0))


def _opened(source: StrPath | ArrayLike, sample_rate: int | None) -> tuple[str | Array, int, int, int]:
    """A path as text or an array (frames, channels), its sample rate, frames and channels."""
    if isinstance(source, (str, Path)):
        with open_sound(source) as file:
            if not len(sound_piece(file, file.frames - 1, 1)):
                raise ValueError(f"{Path(source).name}: ends before its head says")
            return str(source), file.samplerate, file.frames, file.channels
    samples = np.asarray(source, dtype=np.float64)
    samples = samples[:, None] if samples.ndim == 1 else samples
    if samples.ndim != 2 or samples.size == 0 or not np.all(np.abs(samples) <= HIGHEST_SAMPLE):
        raise ValueError("samples must be finite numbers of shape (frames,) or (frames, channels)")
    if sample_rate is None:
        raise ValueError("sample_rate must be given with an array of samples")
    return samples, valid_rate(sample_rate), samples.shape[0], samples.shape[1]


SILENCE = 1e-5  # an rms below -100 dB of full scale is an empty channel


@dataclass(frozen=True)
class ChannelHealth:
    """What is to be known about a channel before anything is measured from it; amplitudes of full scale."""

    name: str
    rms: float  # without the offset
    peak: float
    offset: float
    clipped: int  # samples that sit at a ceiling
    empty: bool  # whether there is nothing but an offset
    loudest: float  # s, where the loudest 8 s begin

    def sentences(self) -> tuple[str, ...]:
        """Say in words what is wrong with the channel."""
        if self.empty:
            return (f"The {self.name} channel is empty.",)
        said = []
        if self.clipped:
            said.append(f"The {self.name} channel is clipped at {self.clipped} samples: record it lower.")
        if abs(self.offset) > 0.01:  # less is not worth a sentence
            said.append(f"The {self.name} channel has an offset of {self.offset:+.3f}; it is ignored.")
        return tuple(said)


def channel_health(recording: Recording, name: str) -> ChannelHealth:
    """Look through a channel ("dry" or "playback") for emptiness, offset and clipped peaks."""
    second = recording.sample_rate
    shift = total = energy = 0.0
    upper: list[_Top] = []
    lower: list[_Top] = []
    variances: list[float] = []
    for first in range(0, recording.count, 10 * second):
        block = recording.read(name, first, min(10 * second, recording.count - first))
        shift = float(block[0]) if first == 0 else shift  # a large offset must not swallow a small sound
        total += float((block - shift).sum())
        energy += float((block - shift) @ (block - shift))
        seconds = [block[i : i + second] for i in range(0, len(block), second)]
        variances += [float(piece.var()) for piece in seconds]
        upper += [_top(piece) for piece in seconds]
        lower += [_top(-piece) for piece in seconds]
    mean = total / recording.count
    rms = float(np.sqrt(max(energy / recording.count - mean**2, 0.0)))
    run = np.convolve(variances, np.ones(min(8, len(variances))), "valid")
    return ChannelHealth(
        name=name,
        rms=rms,
        peak=max(abs(top.height) for top in upper + lower),
        offset=float(shift + mean),
        clipped=_clipped(upper) + _clipped(lower),
        empty=rms < SILENCE,
        loudest=float(np.argmax(run)),
    )


EDGE = 0.999  # of the highest sample, above which clipped peaks pile up


class _Top(NamedTuple):
    """The highest sample of a piece, and how many are in the bands at the top."""

    height: float
    at_edge: int
    below: int


def _top(piece: Array) -> _Top:
    high = float(piece.max())
    at_edge = np.flatnonzero(piece >= EDGE * high) if high > 0 else np.zeros(0, int)
    apart = np.diff(at_edge)
    if len(apart) and len(np.unique(apart)) <= 2 and np.mean(apart == 1) < 0.6:
        at_edge = at_edge[:0]  # a tone whose waves all meet the samples at the same places
    return _Top(high, len(at_edge), int(np.count_nonzero(piece >= 0.99 * high)) - len(at_edge))


def _clipped(tops: list[_Top]) -> int:
    """Clipped samples on one side.

    A sine, by ``arccos(x)/pi``, has half as many samples in the top thousandth as in the hundredth below it.
    What is so faint that a hundredth of it is a few steps of 16 bits piles up at these, and is not clipped.
    """
    ceiling = max(tops).height
    highest = [top for top in tops if top.height >= EDGE * ceiling]
    at_edge = sum(top.at_edge for top in highest)
    clips = ceiling > 0.02 and at_edge >= 10 and at_edge > sum(top.below for top in highest)
    return at_edge if clips else 0
