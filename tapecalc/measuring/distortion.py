"""Distortion and saturation from the sweeps of the test signal.

The frequency that goes in is known at every moment, and so are its harmonics. The playback is turned back by
the phase of a harmonic and only what lies within a narrow band is kept: flutter moves a line by parts of a
percent, which the band holds, and hiss and echoes lie outside. What the band holds of hiss is read beside it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import fft

from tapecalc import words
from tapecalc.calc.quantity import Delay, calculator
from tapecalc.measuring.dsp import Array, Bools, cut_windows, power_spectrum
from tapecalc.measuring.estimate import CannotTell, Estimate, Reading, mean_of
from tapecalc.measuring.recording import Recording, channel_health
from tapecalc.sound.test_signal import REFERENCE_TONE, SWEEPS, Sweep

MOL_SHARE = 0.03  # third harmonic at the maximum output level; IEC 60094-3 (from memory)
#: Of each window of a sweep: frequency, power of the first harmonic, of its hiss, of the third less hiss.
_Turned = tuple[Array, Array, Array, Array]


@dataclass(frozen=True)
class DistortionReading(Reading):
    """Third harmonic against level, and what a loud treble loses against a soft one."""

    levels_db: tuple[float, ...]  # of the playback, over its reference tone
    third: tuple[Estimate, ...]  # amplitude of the third harmonic over that of the tone around 315 Hz
    mol_db: Estimate | None  # level over the reference tone with 3 % of it; None where it is not reached
    treble_db: tuple[tuple[float, Estimate], ...]  # Hz, and what 20 dB more going in lack coming out
    sentences: tuple[str, ...]


@calculator
def measure_distortion(parts: Mapping[str, Recording], *, delay: Delay[float]) -> DistortionReading:
    """Measure the third harmonic against level, and treble against level, from parts of the test signal.

    `parts` are those of `find_signal`, with the sweeps; `delay` is known to some milliseconds, in s.
    """
    if "sweeps" not in parts or parts["sweeps"].dry is None:
        raise CannotTell("distortion needs the sweeps of the test signal in full, dry and played back")
    recording = parts["sweeps"]
    if any(channel_health(recording, name).clipped for name in ("dry", "playback")):
        raise CannotTell("the sweeps are clipped, which distorts more than a tape; record them lower")
    played = [_turned_back(recording, sweep, delay) for sweep in SWEEPS]
    # Around the reference tone, where every sweep but the softest passes.
    near = [np.abs(np.log2(f / REFERENCE_TONE)) < 0.4 for f, _, _, _ in played]
    fundamental = np.array([np.mean(p[1][n]) for p, n in zip(played, near, strict=True)])
    if any(f < 10 * np.mean(p[2][n]) for f, p, n in zip(fundamental, played, near, strict=True)):
        raise CannotTell("the sweeps are not in the playback, or the delay is another")
    levels_db = 10 * np.log10(fundamental[1:] / fundamental[1])
    third = [_share(p, n) for p, n in zip(played[1:], near[1:], strict=True)]
    mol_db, sentences = _maximum_level(levels_db, third)
    treble_db = _treble(recording, played)
    if worst := [(f, change) for f, change in treble_db if change.value + change.plus_minus < -1]:
        f, change = worst[-1]
        sentences.append(
            f"The tape saturates in the treble: at {words.amount(f, 'hz')} the reference level comes back "
            f"{-change.value:.1f} dB weaker than 20 dB below it. Take the response from soft sounds."
        )
    return DistortionReading(tuple(levels_db.tolist()), tuple(third), mol_db, treble_db, tuple(sentences))


def _turned_back(recording: Recording, sweep: Sweep, delay: float, name: str = "playback") -> _Turned:
    """Turn a channel back by the phase of a sweep and of its harmonics, window by window."""
    rate = recording.sample_rate
    count, size = round(sweep.length * rate), rate // 10
    samples = recording.read(name, round((sweep.start + delay) * rate), count)
    t = np.arange(count) / rate
    starts = np.arange(size // 4, count - size, size // 2)
    bell = np.hanning(size + 1)[:-1]
    frequency = sweep.frequency((starts + size / 2) / rate)
    away = np.abs(fft.fftfreq(size, 1 / rate))
    # Wide enough for flutter, and for a delay that is a little off.
    band = away < np.maximum(25.0, 0.015 * frequency)[:, None]

    def power(harmonic: float) -> Array:
        turned = samples * np.exp(-1j * harmonic * sweep.phase(t))
        windows = cut_windows(turned.real, starts, size) + 1j * cut_windows(turned.imag, starts, size)
        return np.sum(power_spectrum(fft.fft(bell * windows, axis=1)) * band, axis=1)

    hiss = power(1.5)
    third = power(3) - (power(2.5) + power(3.5)) / 2
    return frequency, power(1) - hiss, hiss, third


def _share(turned: _Turned, near: Bools) -> Estimate:
    """Amplitude of the third harmonic over that of the first, from windows that overlap by half."""
    square = mean_of(turned[3][near] / turned[1][near], independent=1 / 2)
    # Where it does not stand out, it may be anything up to what would have.
    most, least = (np.sqrt(max(square.value + way * square.plus_minus, 0.0)) for way in (1, -1))
    return Estimate(float(most + least) / 2, float(max(most - least, 0.02 * most)) / 2)


def _maximum_level(levels_db: Array, third: list[Estimate]) -> tuple[Estimate | None, list[str]]:
    """Level over the reference tone with 3 % of third harmonic, and what is to be said of it."""
    over = [k for k, share in enumerate(third) if share.value > MOL_SHARE]
    if not over:
        return None, [
            f"The third harmonic stays below 3 % up to {levels_db[-1]:.0f} dB over the reference tone, the "
            "loudest of the test signal."
        ]
    k = max(over[0], 1)
    size_db = 20 * np.log10([third[k - 1].value / MOL_SHARE, third[k].value / MOL_SHARE])
    # It goes with the square of the level, and more steeply where the tape is full.
    slope = max(float(np.diff(size_db)[0] / max(levels_db[k] - levels_db[k - 1], 0.1)), 1.0)
    value = float(levels_db[k] - size_db[1] / slope)
    doubt_db = 20 * np.log10(1 + third[k].plus_minus / third[k].value) / slope
    # From one stretch of tape to the next, and for a line that is straight between levels.
    mol_db = Estimate(value, float(np.hypot(doubt_db, 0.3)), "dB")
    text = f"The third harmonic reaches 3 % at {mol_db.text()} over the reference tone."
    return mol_db, [text + (" Record softer than that." if value < 0 else "")]


def _treble(recording: Recording, played: list[_Turned]) -> tuple[tuple[float, Estimate], ...]:
    """What the louder of the sweeps through the whole range lacks against the softer, by half octaves."""
    soft, loud = played[:2]
    dry = [_turned_back(recording, sweep, 0.0, "dry")[1] for sweep in SWEEPS[:2]]
    clear = (soft[1] > 3 * soft[2]) & (loud[1] > 3 * loud[2])
    change_db = np.full(len(clear), np.nan)
    change_db[clear] = 10 * np.log10((loud[1] / dry[1])[clear] / (soft[1] / dry[0])[clear])
    found = []
    low = np.nanmean(change_db[np.abs(np.log2(soft[0] / REFERENCE_TONE)) < 0.4])
    for middle in 1000 * 2 ** np.arange(0.5, 4, 0.5):
        here = change_db[np.abs(np.log2(soft[0] / middle)) < 0.25] - low
        here = here[np.isfinite(here)]
        if len(here) >= 3:
            mean = mean_of(here, "dB")
            found.append((float(middle), Estimate(mean.value, float(np.hypot(mean.plus_minus, 0.1)), "dB")))
    return tuple(found)
