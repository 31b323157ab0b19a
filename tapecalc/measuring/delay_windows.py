"""Short windows of the dry channel, each with its echo in the playback and the delay between them.

Every 50 ms a window is correlated with the playback. The path through all windows that correlates best, with
a price on every jump, keeps periodic material from slipping by a period. Then the delay of each window is
that at which the phase of its echo fits best. What the machine does to the tone, learned from the loudest
seconds, is applied to the window before, so that it is not taken for noise or delay.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from tapecalc.measuring.dsp import Array, Complex, cut_windows, group_matrix, phase_ramp, power_spectrum
from tapecalc.measuring.lag import HIGHPASS
from tapecalc.measuring.recording import Recording


class Grid:
    """Sizes by the sample rate: windows of 21 ms, short since within long ones the delay changes."""

    def __init__(self, sample_rate: int) -> None:
        self.rate = sample_rate
        self.length = 2 ** round(np.log2(0.0213 * sample_rate))
        self.hop = max(1, round(0.05 * sample_rate))
        self.frequency = fft.rfftfreq(self.length, 1 / sample_rate)
        self.omega = 2 * np.pi * fft.rfftfreq(self.length)  # rad per sample
        self.taper = np.hanning(self.length + 2)[1:-1]


class MachinePath(NamedTuple):
    """What the machine does to the sound on its way, as far as it is known, at each frequency of a window."""

    gain: Complex  # 0 where nothing is known; polarity is in it
    phase_variance: Array | float = 0.0  # rad^2


class Spectra(NamedTuple):
    """Spectra of windows and of their echoes, set back by their delays, added up over groups of windows."""

    dry: Array  # |X|^2
    played: Array  # |Y|^2
    cross: Complex  # Y X*
    number: Array  # of windows

    def total(self) -> Spectra:
        """Sum over the groups."""
        return Spectra(*(part.sum(axis=0) for part in self))

    def without_each(self) -> list[Spectra]:
        """Sum over all groups but one, for each that holds windows."""
        filled = np.flatnonzero(self.number)
        return [
            Spectra(*(all_ - part[g] for all_, part in zip(self.total(), self, strict=True))) for g in filled
        ]

    def at(self, bins: NDArray[Any]) -> Spectra:
        """Some of the frequencies."""
        return Spectra(self.dry[:, bins], self.played[:, bins], self.cross[:, bins], self.number)

    def coherence(self) -> Array:
        """Share of the echo's power that comes from the dry sound, at each frequency."""
        return np.clip(np.abs(self.cross) ** 2 / (self.dry * self.played + 1e-300), 0, 1 - 1e-6)


class Windows(NamedTuple):
    """The windows of which the echo was found, in order, and what they add up to. Times in s."""

    center: Array  # of the sound of each window in the dry channel
    delay: Array
    sigma: Array  # standard uncertainty of that
    spectra: Spectra

    def followed_by(self, later: Windows) -> Windows:
        """These windows and later ones."""
        center, delay, sigma = (np.concatenate(both) for both in zip(self[:3], later[:3], strict=True))
        sums: list[NDArray[Any]] = [a + b for a, b in zip(self.spectra, later.spectra, strict=True)]
        return Windows(center, delay, sigma, Spectra(*sums))


def read_highpassed(recording: Recording, name: str, first: int, count: int) -> Array:
    """Read a piece of a channel without rumble; the filter gets half a second to settle."""
    warm = recording.sample_rate // 2
    sos = signal.butter(2, HIGHPASS, "highpass", fs=recording.sample_rate, output="sos")
    out: Array = signal.sosfilt(sos, recording.read(name, first - warm, count + warm))[warm:]
    return out


def fit_windows(
    recording: Recording, grid: Grid, lag: int, path: MachinePath, first: int = 0, last: int | None = None
) -> Windows | None:
    """Find and fit every window from sample `first` to `last`, with an echo about `lag` samples later.

    Ten seconds are worked on at a time; from one to the next the lag follows the delay. None without sound.
    """
    last = recording.count if last is None else last
    windows = None
    for begin in range(first, last, 10 * grid.rate):
        end = min(begin + 10 * grid.rate, last, recording.count - lag)
        begins = np.arange(-(-begin // grid.hop) * grid.hop, end - grid.length + 1, grid.hop)
        found = _fit_chunk(recording, grid, lag, path, begins) if len(begins) else None
        if found is not None:
            windows = found if windows is None else windows.followed_by(found)
            lag = round(windows.delay[-1] * grid.rate) if len(windows.delay) else lag
    return windows


def _fit_chunk(
    recording: Recording, grid: Grid, lag: int, path: MachinePath, begins: NDArray[np.int_]
) -> Windows | None:
    """Fit the windows that begin at some samples; None if all is silent."""
    rate, length = grid.rate, grid.length
    first, span = int(begins[0]), int(begins[-1] - begins[0]) + length
    room = length // 2 + rate // 10
    dry = read_highpassed(recording, "dry", first, span)
    playback = read_highpassed(recording, "playback", first + lag - room, span + 2 * room)
    x = fft.rfft(cut_windows(dry, begins - first, length) * grid.taper, axis=1)
    power = power_spectrum(x).sum(axis=1)
    loud = power > 1e-5 * power.max()
    if not loud.any() or power.max() == 0:
        return None
    template = x * path.gain
    echoes = begins - first + room
    shifts = _aligned(template, cut_windows(playback, echoes - length // 2, 2 * length), loud, grid)
    y = fft.rfft(cut_windows(playback, echoes + shifts, length) * grid.taper, axis=1)
    product = y * np.conj(template)
    weight = power_spectrum(template)
    scale = np.sqrt(weight.sum(axis=1) * power_spectrum(y).sum(axis=1)) + 1e-300
    step, turned = np.zeros(len(begins)), product
    for _ in range(3):
        off = (turned.imag @ grid.omega) / (turned.real @ grid.omega**2 + 1e-300)
        step = np.clip(step - off, -2, 2)
        ramp = phase_ramp(step, length)
        turned = product * ramp
    match = turned.real.sum(axis=1) / scale
    # Where the phase fits no better than by chance there is no echo.
    found = loud & (match > 0.3) & (np.abs(shifts) < length // 2) & (np.abs(step) < 2)
    x, template, turned, weight = x[found], template[found], turned[found], weight[found]
    y = y[found] * ramp[found]
    sigma = _sigma(y, template, turned, weight, grid)
    # By how much the path's uncertain phase may move each window: its part of the slope.
    moved = weight**2 @ (grid.omega**2 * path.phase_variance) / (weight @ grid.omega**2 + 1e-300) ** 2
    sigma = np.sqrt(sigma**2 + moved)
    group = group_matrix(begins[found] // grid.hop)
    spectra = Spectra(
        group @ power_spectrum(x), group @ power_spectrum(y), group @ (y * np.conj(x)), group.sum(axis=1)
    )
    # A delay is that of the time at which the window has its sound, which is seldom its middle.
    slope = fft.irfft(1j * grid.omega * template, length, axis=1) ** 2
    middle = slope @ np.arange(length) / (slope.sum(axis=1) + 1e-300)
    delay = (lag + shifts[found] + step[found]) / rate
    return Windows((begins[found] + middle) / rate, delay, sigma / rate, spectra)


def _aligned(template: Complex, playback: Array, loud: NDArray[np.bool_], grid: Grid) -> NDArray[np.int_]:
    """Samples by which each window's echo is beyond the lag, on the path that correlates best (Viterbi)."""
    length = grid.length
    sound = fft.irfft(template, length, axis=1)
    sums = np.cumsum(np.pad(playback * playback, ((0, 0), (1, 0))), axis=1)
    energy = sums[:, length:] - sums[:, :-length]
    cross = fft.rfft(sound, 2 * length, axis=1).conj() * fft.rfft(playback, axis=1)
    score = fft.irfft(cross, axis=1)[:, : length + 1]
    score /= np.sqrt(np.maximum(energy, 1e-3 * energy.max(axis=1, keepdims=True)) + 1e-300)
    score *= (loud / np.sqrt(np.sum(sound**2, axis=1) + 1e-300))[:, None]
    # A jump of one sample at 48 kHz must win so much correlation.
    price = 2e-3 * 48000 / grid.rate
    ramp = price * np.arange(length + 1)
    total = score[0]
    history = [total]
    for row in score[1:]:
        up = np.maximum.accumulate(total + ramp) - ramp
        down = np.maximum.accumulate((total - ramp)[::-1])[::-1] + ramp
        total = np.maximum(up, down) + row
        history.append(total)
    best = np.empty(len(score), dtype=int)
    best[-1] = int(np.argmax(history[-1]))
    place = np.arange(length + 1)
    for k in range(len(score) - 2, -1, -1):
        best[k] = int(np.argmax(history[k] - price * np.abs(place - best[k + 1])))
    return best - length // 2


def _sigma(y: Complex, template: Complex, turned: Complex, power: Array, grid: Grid) -> Array:
    """Standard uncertainty of each step, in samples: how its parts from bands of frequencies differ.

    What another head adds to a partial goes on all through the window, so that neighboring frequencies
    count together.
    """
    gain = turned.real.sum(axis=1, keepdims=True) / (power.sum(axis=1, keepdims=True) + 1e-300)
    told = np.maximum(gain[:, 0] * (power @ grid.omega**2), 1e-300)
    residual = power_spectrum(y - gain * template)
    # Under the taper neighbors are alike: two halves of their sum tell as much as one of twice the power.
    white = np.sqrt((power * residual) @ grid.omega**2) / told
    bands = np.arange(0, len(grid.omega), max(1, round(1100 * grid.length / grid.rate)))
    part = np.add.reduceat(turned.imag * grid.omega, bands, axis=1)
    share = np.add.reduceat(power * grid.omega**2, bands, axis=1)
    share /= share.sum(axis=1, keepdims=True) + 1e-300
    # A band that has most of the weight makes the fit follow it, and leaves little of its own.
    banded = np.sqrt(np.sum((part / (1 - np.minimum(share, 0.9))) ** 2, axis=1)) / told
    usual = max(1.0, float(np.mean(banded**2) / (np.mean(white**2) + 1e-300))) if len(white) else 1.0
    return np.sqrt(np.maximum(usual * white**2, banded**2))


def learn_path(recording: Recording, grid: Grid, lag: int, polarity: int, loudest: float) -> MachinePath:
    """Learn what the path does to the sound from the loudest 8 s, which begin at `loudest` s."""
    first = int(loudest * grid.rate)
    last = min(first + 8 * grid.rate, recording.count)
    # Beyond a null of a head the treble comes back inverted: at first it is left out. A low cut as usual is
    # put in, since windows of a deep sound take its lead for delay.
    cut = 1j * grid.frequency / (30 + 1j * grid.frequency)
    path = MachinePath(polarity * cut * (grid.frequency < 4000))
    for _turn in range(3):
        windows = fit_windows(recording, grid, lag, path, first, last)
        if windows is None or len(windows.delay) < 10:
            return path
        spectra = windows.spectra.total()
        # Coherence that chance alone rarely reaches.
        chance = 7.0 / spectra.number
        trusted = np.clip((spectra.coherence() - chance) / (1 - chance), 0, 1)
        path = MachinePath(
            gain=trusted * spectra.cross / (spectra.dry + 1e-300),
            phase_variance=(1 - trusted) / (np.maximum(trusted, chance) * spectra.number),
        )
    return path
