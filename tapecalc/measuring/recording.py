"""Recordings as the measurements read them: two channels, in blocks, never all at once.

A recording holds what went into the machine (`dry`) and what came out
(`playback`), from one stereo file, two mono files or arrays. Only the piece that
is asked for is read, so a file of an hour needs no more memory than one of a minute.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tapecalc.calc.quantity import whole
from tapecalc.sound.files import open_sound, sound_piece
from tapecalc.sound.samples import HIGHEST_SAMPLE, valid_rate

__all__ = [
    "ChannelHealth",
    "Recording",
    "channel_health",
    "open_recording",
]


BLOCK = 10.0  # seconds read at a time
SILENCE = 1e-5  # an rms below -100 dB of full scale is an empty channel
EDGE, NEXT = 0.999, 0.99  # the bands at the very top in which clipped peaks pile up
FEWEST_CLIPPED = 10  # samples at the ceiling before it is called clipping


@dataclass(frozen=True)
class _Track:
    """One channel of one file or array."""

    source: object  # a path, or an array (frames, channels)
    channel: int

    def read(self, first, count):
        """`count` samples from `first` on, zeros where the material has ended or not begun."""
        out = np.zeros(count)
        skip = max(0, -first)
        if skip >= count:
            return out
        if isinstance(self.source, np.ndarray):
            piece = self.source[first + skip : first + count, self.channel]
        else:
            with open_sound(self.source) as file:
                if first + skip >= file.frames:
                    return out
                piece = sound_piece(file, first + skip, count - skip)[:, self.channel]
        out[skip : skip + len(piece)] = piece
        return out


@dataclass(frozen=True)
class Recording:
    """A dry and a playback channel on one time axis, or a playback channel alone.

    Parameters
    ----------
    sample_rate : int
        In Hz.
    count : int
        Samples per channel.
    playback : object
        The channel that came from the machine.
    dry : object or None
        The channel that went into the machine.
    one_clock : bool
        Whether both channels were converted by the same interface (one stereo file).
    first : int
        Where in the files this recording begins, in samples.

    Notes
    -----
    Make one with `open_recording`. Source: house rule. Notebook: 08_measuring.

    Examples
    --------
    >>> recording = open_recording(np.zeros((48000, 2)), sample_rate=48000)
    >>> recording.duration
    1.0
    """

    sample_rate: int
    count: int
    playback: object
    dry: object = None
    one_clock: bool = True
    first: int = 0

    @property
    def duration(self):
        """Length in seconds."""
        return self.count / self.sample_rate

    def read(self, name, first, count):
        """Read `count` samples of channel `name` ("dry" or "playback") from sample `first` on.

        Parameters
        ----------
        name : str
            ``"dry"`` or ``"playback"``.
        first : int
            Sample to begin with; zeros are returned outside the recording.
        count : int
            How many samples.

        Returns
        -------
        numpy.ndarray
            float64 of length `count`.
        """
        out = np.zeros(count)
        begin, end = max(first, 0), min(first + count, self.count)
        if end > begin:
            out[begin - first : end - first] = getattr(self, name).read(self.first + begin, end - begin)
        return out

    def swapped(self):
        """Return the same recording with dry and playback exchanged.

        Returns
        -------
        Recording
            A new recording.
        """
        return replace(self, dry=self.playback, playback=self.dry)

    def part(self, start, stop):
        """Return the piece from `start` to `stop`, in seconds.

        Parameters
        ----------
        start, stop : float
            In seconds from the beginning of this recording.

        Returns
        -------
        Recording
            A new recording that reads the same files.
        """
        begin = min(max(round(start * self.sample_rate), 0), self.count)
        end = min(max(round(stop * self.sample_rate), begin), self.count)
        return replace(self, first=self.first + begin, count=end - begin)


def open_recording(source, playback=None, *, sample_rate=None, dry_channel=0, start=0.0, stop=None):
    """Open one stereo file, two files, or arrays, as a recording.

    Parameters
    ----------
    source : path or array_like
        A file, or samples of shape (frames,) or (frames, channels). With one channel and no
        `playback` it is the machine's output alone.
    playback : path or array_like, optional
        A second file or array with the machine's output, if it is not in `source`.
    sample_rate : int, optional
        In Hz; needed for arrays, read from files.
    dry_channel : int, optional
        Which channel of a stereo source went into the machine, 0 or 1.
    start, stop : float, optional
        The piece to use, in seconds.

    Returns
    -------
    Recording
        Nothing is read yet but the length and the sample rate.

    Raises
    ------
    ValueError
        If a file cannot be read, an array comes without a sample rate or holds NaN, or two files
        do not have the same sample rate.

    Notes
    -----
    Source: house rule. Notebook: 08_measuring.

    Examples
    --------
    >>> open_recording(np.zeros((96000, 2)), sample_rate=48000, stop=1.5).duration
    1.5
    """
    whole("dry_channel", dry_channel, 0, 1)
    if playback is not None:
        left, rate, count, _ = _opened(source, sample_rate)
        right, other, count_right, _ = _opened(playback, sample_rate)
        if rate != other:
            raise ValueError(f"both files must have one sample rate, got {rate} Hz and {other} Hz")
        files = (isinstance(left, str), isinstance(right, str))
        recording = Recording(
            rate, max(count, count_right), _Track(right, 0), _Track(left, 0), not any(files)
        )
    else:
        track, rate, count, channels = _opened(source, sample_rate)
        if channels == 1:
            recording = Recording(rate, count, _Track(track, 0))
        else:
            recording = Recording(rate, count, _Track(track, 1 - dry_channel), _Track(track, dry_channel))
    stop = recording.duration if stop is None else stop
    return recording if start == 0 and stop >= recording.duration else recording.part(start, stop)


def _opened(source, sample_rate):
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


@dataclass(frozen=True)
class ChannelHealth:
    """What is to be known about a channel before anything is measured from it.

    Parameters
    ----------
    name : str
        ``"dry"`` or ``"playback"``.
    rms, peak, offset : float
        Amplitudes against full scale, the rms without the offset.
    clipped : int
        Samples that sit at a ceiling.
    whole : tuple of float
        Lower and upper bound between which no sample is clipped.
    empty : bool
        Whether there is nothing but an offset.
    loudest : float
        Where the loudest 8 s begin, in seconds.

    Notes
    -----
    Source: house rule. Notebook: 08_measuring.

    Examples
    --------
    >>> channel_health(open_recording(np.zeros((48000, 2)), sample_rate=48000), "dry").empty
    True
    """

    name: str
    rms: float
    peak: float
    offset: float
    clipped: int
    whole: tuple[float, float]
    empty: bool
    loudest: float

    def sentences(self):
        """Say in words what is wrong with the channel.

        Returns
        -------
        tuple of str
            Nothing if the channel is well.
        """
        if self.empty:
            return (f"The {self.name} channel is empty.",)
        said = []
        if self.clipped:
            said.append(f"The {self.name} channel is clipped at {self.clipped} samples: record it lower.")
        if abs(self.offset) > 0.01:
            said.append(
                f"The {self.name} channel has an offset of {self.offset:+.3f} of full scale; it is ignored."
            )
        return tuple(said)


def channel_health(recording, name):
    """Look through a channel for emptiness, offset and clipped peaks.

    Parameters
    ----------
    recording : Recording
        From `open_recording`.
    name : str
        ``"dry"`` or ``"playback"``.

    Returns
    -------
    ChannelHealth
        Read in one go, a second at a time.

    Notes
    -----
    Clipped peaks pile up in the top thousandth of the range, where a sine has half as many
    samples as in the hundredth below it. Source: amplitude distribution of a sine,
    ``arccos(x)/pi``. Notebook: 08_measuring.

    Examples
    --------
    >>> tone = np.sin(np.arange(48000) / 7)
    >>> channel_health(open_recording(tone, sample_rate=48000), "playback").clipped
    0
    >>> channel_health(open_recording(np.clip(tone, -0.8, 0.8), sample_rate=48000), "playback").clipped > 1000
    True
    """
    second = recording.sample_rate
    shift = total = energy = 0.0
    tops, seconds = [], []
    for first in range(0, recording.count, second * int(BLOCK)):
        block = recording.read(name, first, min(second * int(BLOCK), recording.count - first))
        shift = float(block[0]) if first == 0 else shift  # a large offset must not swallow a small sound
        total += (block - shift).sum()
        energy += (block - shift) @ (block - shift)
        whole_seconds = [block[i : i + second] for i in range(0, len(block), second)]
        seconds += [piece.var() for piece in whole_seconds]
        tops += [top for piece in whole_seconds for top in (_pile(piece, 1), _pile(piece, -1))]
    mean = total / recording.count
    offset = shift + mean
    rms = float(np.sqrt(max(energy / recording.count - mean**2, 0.0)))
    peak = max(abs(top[0]) for top in tops)
    clipped, bounds = 0, []
    for side in (tops[0::2], tops[1::2]):
        ceiling = max(side)[0]
        at = sum(top[1] for top in side if top[0] >= EDGE * ceiling)
        below = sum(top[2] for top in side if top[0] >= EDGE * ceiling)
        piled = at >= FEWEST_CLIPPED and at > below
        clipped += at if piled else 0
        bounds.append(EDGE * ceiling if piled else np.inf)
    run = np.convolve(seconds, np.ones(min(8, len(seconds))), "valid")
    upper, lower = bounds
    return ChannelHealth(
        name=name,
        rms=rms,
        peak=float(peak),
        offset=float(offset),
        clipped=int(clipped),
        whole=(-float(lower), float(upper)),
        empty=rms < SILENCE,
        loudest=float(np.argmax(run)),
    )


def _pile(piece, sign):
    """The highest value on one side, and how many samples are at it and just below it."""
    high = float((sign * piece).max())
    if high <= 0:
        return high, 0, 0
    near = sign * piece[sign * piece >= NEXT * high]
    at = int(np.count_nonzero(near >= EDGE * high))
    return high, at, len(near) - at
