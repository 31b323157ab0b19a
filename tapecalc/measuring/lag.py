"""Roughly where the echo is, over the whole take, and whether another lag fits as well.

The channels are correlated over all of the take, between 700 Hz and some 5 kHz and up to 10 s either way. Wow
smears those peaks, so that the highest are compared by short pieces of sound, each of which may be a little
early or late. A sound that is like itself some time later fits at two lags: then both are told, and nobody
chooses.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import fft, ndimage, signal

from tapecalc import words
from tapecalc.measuring.dsp import Array, cut_windows, power_spectrum
from tapecalc.measuring.estimate import CannotTell
from tapecalc.measuring.recording import Recording

HIGHPASS = 700.0  # Hz; rumble and hum below say little about a delay
LONGEST = 10.0  # s of lag, either way
REACH = 0.01  # s by which wow may move the echo of a piece
ALIKE = 0.93  # of the highest likeness, above which another lag fits as well


@dataclass(frozen=True)
class Lag:
    """About where the echo is: good to a millisecond or so."""

    seconds: float  # negative where the playback leads: the channels are swapped
    polarity: int  # -1 if the machine inverts the signal
    rivals: tuple[float, ...] = ()  # other lags in s that fit as well, nearest first


def find_lag(recording: Recording) -> Lag:
    """Find the lag of the playback, up to 10 s either way, and its rivals.

    Refused are channels that have nothing to do with each other, sounds that are the same everywhere, and a
    playback that is there sooner than tape can bring it.
    """
    if recording.dry is None:
        raise CannotTell("there is one channel only, and a lag needs the dry signal beside the playback")
    blocks = _Blocks(recording)
    fits = [blocks.fit(lag) for lag in blocks.highest()]
    # Where the dry sound is like itself some time later, the echo is tried so much sooner and later too.
    first = max(fits, key=lambda fit: fit.likeness)
    others = [first.lag + way * apart for apart in blocks.like_itself() for way in (-1, 1)]
    fits += [blocks.fit(lag) for lag in others if 0 <= lag <= 2 * blocks.reach]
    best = max(fits, key=lambda fit: fit.likeness)
    good = [fit.seconds for fit in fits if fit.likeness > ALIKE * best.likeness]
    far = [lag for lag in good if abs(lag - best.seconds) > REACH]
    rivals: list[float] = []
    for lag in sorted([*best.near, *far], key=lambda lag: abs(lag - best.seconds)):
        rivals += [lag] if all(abs(lag - other) > 1e-3 for other in rivals) else []
    # What chance makes of it is seen at lags that nothing speaks for.
    chance = np.random.default_rng(0).integers(blocks.reach // 2, blocks.reach * 3 // 2, 11)
    usual = float(np.median([blocks.fit(int(lag)).likeness for lag in chance]))
    if usual > ALIKE * best.likeness > 0.5:
        raise CannotTell(
            "the sound repeats itself and is the same everywhere (a steady tone?), so that any delay fits; "
            "record music, speech, clicks or noise"
        )
    if best.likeness < 2 * usual and not (rivals and best.likeness > 0.6):
        raise CannotTell("the two channels have nothing to do with each other")
    # No two heads are so near that tape is faster than a millisecond.
    if abs(best.seconds) < 1e-3 and not rivals:
        raise CannotTell(
            "the playback is there at once, before tape can bring it: one signal is on both channels, or the "
            "machine plays its source (switch it from source to tape), or direct monitoring is on"
        )
    return Lag(seconds=best.seconds, polarity=best.polarity, rivals=tuple(rivals))


def refuse_doubtful(lag: Lag) -> None:
    """Refuse a lag that others fit as well, and one at which the channels are exchanged."""
    if lag.rivals:
        lags = sorted((lag.seconds, *lag.rivals))
        some = words.listed(f"{1e3 * one:.0f}" for one in ([late for late in lags if late > 0] or lags)[:4])
        raise CannotTell(
            f"the sound repeats itself: {some} ms fit alike, and maybe others; play something that does not, "
            "such as speech, noise or music of many notes, one head at a time"
        )
    if lag.seconds < 0:
        early = words.amount(-lag.seconds, "ms")
        raise CannotTell(f"the playback comes {early} before the dry sound: the channels are swapped")


class _Fit(NamedTuple):
    """How well short pieces of sound find their echoes about a lag."""

    lag: int  # as it was tried
    seconds: float
    likeness: float  # mean correlation
    polarity: int
    near: tuple[float, ...]  # lags within reach at which all fit nearly as well


class _Blocks:
    """Pieces of both channels, at most 8 that lie evenly over the take, with some 10,000 samples a second.

    Lags count from `-reach`, in these samples.
    """

    def __init__(self, recording: Recording) -> None:
        step = max(1, recording.sample_rate // 10000)
        self.step, self.rate, self.total = step, recording.sample_rate / step, recording.count
        count = int(min(20.0, recording.duration) * self.rate)
        self.reach = int(min(LONGEST, recording.duration) * self.rate)
        self.search = round(REACH * self.rate)
        number = min(8, int(np.ceil(recording.count / (count * step))))
        self.firsts = np.linspace(0, recording.count - count * step, number).astype(int).tolist()
        room = self.reach + 2 * self.search  # of playback on either side
        self.dry = [_middle_band(recording, "dry", first, count, step) for first in self.firsts]
        self.played = [
            _middle_band(recording, "playback", first - room * step, count + 2 * room, step)
            for first in self.firsts
        ]
        self.length = 2 ** round(np.log2(0.043 * self.rate))
        # The loudest pieces, of a length that wow hardly changes: 128 in all, but of the loudest quarter.
        starts = np.arange(0, count - self.length + 1, self.length // 2)
        self.starts = []
        for dry in self.dry:
            energy = np.sum(cut_windows(dry, starts, self.length) ** 2, axis=1)
            order = np.argsort(-energy)[: max(32, min(len(starts) // 4, 128 // number))]
            self.starts.append(np.sort(starts[order[energy[order] > 1e-3 * energy.max(initial=0.0)]]))

    def highest(self) -> list[int]:
        """Lags of the highest peaks of the correlation over all blocks."""
        count, width = len(self.dry[0]), 2 * self.reach + 1
        size = fft.next_fast_len(count + width, real=True)
        edge = 2 * self.search
        cross, energy = np.zeros(size // 2 + 1, dtype=complex), np.zeros(width)
        for dry, played in zip(self.dry, self.played, strict=True):
            heard = played[edge : edge + count + width - 1]
            cross += np.conj(fft.rfft(dry, size)) * fft.rfft(heard, size)
            sums = np.concatenate([[0], np.cumsum(heard**2)])
            energy += sums[count:] - sums[:-count]
        power = fft.irfft(cross, size)[:width] ** 2 / (np.maximum(energy, 0.1 * energy.max()) + 1e-300)
        return [k for k in self.peaks(power) if power[k] > 0.02 * power.max()][:16]

    def like_itself(self) -> list[int]:
        """Times after which the dry sound is most like itself."""
        count = len(self.dry[0])
        size = fft.next_fast_len(2 * count, real=True)
        own = fft.irfft(sum(power_spectrum(fft.rfft(dry, size)) for dry in self.dry), size)[: count // 2]
        own /= np.arange(count, count - len(own), -1)
        return [k for k in self.peaks(own) if self.search < k < self.reach][:4]

    def peaks(self, values: Array) -> list[int]:
        """Places of the peaks, the highest first."""
        tops = np.flatnonzero(ndimage.maximum_filter1d(values, 2 * self.search + 1) == values)
        order: list[int] = tops[np.argsort(-values[tops])].tolist()
        return order

    def fit(self, lag: int) -> _Fit:
        """Let each piece find its echo about a lag."""
        size, width = 2 * self.length, 4 * self.search + 1
        rows = [np.zeros((0, width))]
        for first, dry, played, starts in zip(self.firsts, self.dry, self.played, self.starts, strict=True):
            # What is heard after the take's end or came before it tells nothing.
            there = first + (starts + lag - self.reach) * self.step
            starts = starts[(there > 0) & (there + self.length * self.step < self.total)]
            if len(starts) == 0:
                continue
            x = cut_windows(dry, starts, self.length)
            y = cut_windows(played, starts + lag, self.length + width - 1)
            sums = np.cumsum(np.pad(y * y, ((0, 0), (1, 0))), axis=1)
            energy = sums[:, self.length :] - sums[:, : -self.length]
            cross = fft.irfft(np.conj(fft.rfft(x, size)) * fft.rfft(y, size), axis=1)[:, :width]
            scale = np.maximum(energy, 1e-2 * energy.max(axis=1, keepdims=True))
            rows.append(cross / np.sqrt(scale * np.sum(x * x, axis=1, keepdims=True) + 1e-300))
        match = np.concatenate(rows)
        if len(match) < max(8, sum(map(len, self.starts)) // 4):
            return _Fit(lag, (lag - self.reach) / self.rate, 0.0, 1, ())
        inside = slice(self.search, -self.search)
        upright, inverted = match[:, inside].max(axis=1).mean(), (-match)[:, inside].max(axis=1).mean()
        polarity = 1 if upright >= inverted else -1
        match = polarity * match
        best = match[:, inside].argmax(axis=1)
        heights = match[np.arange(len(match)), best + self.search]
        # All pieces, each set back by where its echo is: is there another peak?
        away = np.arange(-self.search, self.search + 1)
        likeness = match[np.arange(len(match))[:, None], best[:, None] + self.search + away].mean(axis=0)
        tops = np.flatnonzero(
            (ndimage.maximum_filter1d(likeness, 3) == likeness) & (likeness > ALIKE * likeness[self.search])
        )
        middle = float(np.average(np.sort(best), weights=np.hanning(len(best) + 2)[1:-1]))
        seconds = (lag - self.reach - self.search + middle) / self.rate
        near = tuple(seconds + float(d) / self.rate for d in away[tops] if d != 0)
        return _Fit(lag, seconds, float(heights.mean()), polarity, near)


def _middle_band(recording: Recording, name: str, first: int, count: int, step: int) -> Array:
    """A piece from 700 Hz to some 5 kHz, every `step`th sample; zeros outside the recording."""
    room = 40
    piece = recording.read(name, first - room * step, (count + 2 * room) * step)
    piece = signal.resample_poly(piece, 1, step)
    sos = signal.butter(2, HIGHPASS * step, "highpass", fs=recording.sample_rate, output="sos")
    out: Array = signal.sosfilt(sos, piece - piece.mean())[room:-room]
    return out
