"""A recorded tone, turned into frequency against time.

The tone is shifted to 0 Hz and cut to a band of 450 Hz on either side, block by block; what is left turns
as fast as the tone's frequency deviates. Its amplitude tells how noisy the recording is, since noise
shakes amplitude and phase alike.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.sparse.linalg import LinearOperator, cg

from tapecalc.measuring.dsp import power_spectrum
from tapecalc.measuring.estimate import CannotTell
from tapecalc.measuring.recording import Recording

Array = NDArray[np.floating[Any]]

RATE = 1400  # values of frequency a second
FLAT, STOP = 450.0, 700.0  # Hz from the carrier: passed in full, and no longer


#: A stretch of steady tone: time in s, frequency in Hz, and the power of the amplitude's noise per Hz,
#: against the amplitude.
TonePiece = tuple[Array, Array, float]

# ---- the carrier ----


def find_carrier(recording: Recording, loudest: float) -> float:
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
    if share < 0.5:
        raise CannotTell(
            f"there is no steady tone: what is near {center:.0f} Hz holds {100 * share:.0f} % of the power"
        )
    if not STOP < center < rate / 2 - STOP:
        raise CannotTell(
            f"the tone of {center:.0f} Hz is outside {STOP:.0f} to {rate / 2 - STOP:.0f} Hz; record one "
            "near 3150 Hz"
        )
    return center


# ---- frequency and amplitude against time ----

BLOCK, MARGIN = 10.0, 1.0  # s of a block, and on either side for the band filter to settle
HUM = 100.0  # Hz, below which a clipped tone may have offset and hum


def _demodulate(recording: Recording, carrier: float, unclipped: tuple[float, float]) -> Iterator[Array]:
    """Yield the tone block by block: rows of time in s, frequency in Hz and amplitude."""
    rate = recording.sample_rate
    seconds = BLOCK + 2 * MARGIN
    size = int(seconds * rate)
    lowest = round((carrier - STOP) * seconds)
    bins = np.arange(lowest, lowest + round(2 * STOP * seconds))
    away = np.abs(bins / seconds - carrier)
    band = np.cos(np.pi / 2 * np.clip((away - FLAT) / (STOP - FLAT), 0, 1)) ** 2
    derivative = 2j * np.pi * bins / seconds
    inner = slice(int(MARGIN * RATE), int((MARGIN + BLOCK) * RATE))
    for first in range(0, recording.count, int(BLOCK * rate)):
        samples = recording.read("playback", first - int(MARGIN * rate), size)
        spectrum = _spectrum(samples, unclipped, bins, int(HUM * seconds))[bins] * band * (2 / size)
        value = fft.ifft(spectrum, norm="forward")[inner]
        change = fft.ifft(spectrum * derivative, norm="forward")[inner]
        amplitude = np.abs(value)
        frequency = (change * np.conj(value)).imag / np.maximum(amplitude**2, 1e-30) / (2 * np.pi)
        time = first / rate + np.arange(len(value)) / RATE
        yield np.stack([time, frequency, amplitude])[:, time < recording.duration]


def _spectrum(
    samples: Array, unclipped: tuple[float, float], bins: NDArray[np.int_], hum: int
) -> NDArray[np.complex128]:
    """Spectrum of a block; of one with clipped peaks, that of the tone that explains all other samples.

    The overtones of clipped peaks fold back over half the sample rate to near the tone, and beat with it:
    13 and 15 times 3150 Hz do at 44.1 kHz. Least squares by conjugate gradients, of a tone in `bins` with
    offset and hum in the lowest bins.
    """
    kept = (samples > unclipped[0]) & (samples < unclipped[1])
    if np.all(kept):
        return fft.rfft(samples)
    used = np.zeros(len(samples) // 2 + 1, dtype=bool)
    used[bins], used[:hum] = True, True

    def seen(tone: Array) -> Array:
        """What is left of a tone by the samples kept, in the bins used."""
        return fft.irfft(fft.rfft(tone * kept) * used, len(samples))

    gram = LinearOperator((len(samples),) * 2, matvec=seen, dtype=float)
    return fft.rfft(cg(gram, seen(samples), rtol=1e-6, maxiter=30)[0])


# ---- the steady pieces ----

PIECE = 60.0  # s analyzed at a time in a recording of more than two pieces


def steady_pieces(
    recording: Recording, carrier: float, unclipped: tuple[float, float]
) -> Iterator[TonePiece]:
    """Yield the steady tone in pieces of two minutes at most."""
    longest = recording.duration if recording.duration <= 2 * PIECE else PIECE
    held: list[Array] = []
    usual = 0.0
    for block in _demodulate(recording, carrier, unclipped):
        usual = max(usual, float(np.median(block[2])))
        held.append(block)
        if sum(b.shape[1] for b in held) >= longest * RATE - 1:
            yield from _steady(np.concatenate(held, axis=1), usual)
            held = []
    if held:
        yield from _steady(np.concatenate(held, axis=1), usual)


def _steady(tone: Array, usual: float) -> Iterator[TonePiece]:
    """Yield the longest stretch with the tone at half of its usual amplitude, short dropouts bridged."""
    sounds = np.convolve(tone[2] > 0.5 * usual, np.ones(RATE // 2) / (RATE // 2), "same") > 0.4
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sounds, [0]])))
    begin, end = max(zip(edges[::2], edges[1::2], strict=True), key=lambda e: e[1] - e[0], default=(0, 0))
    if end - begin < (2 + 0.4) * RATE:
        return
    time, frequency, amplitude = tone[:, begin + RATE // 5 : end - RATE // 5]
    good = amplitude > 0.25 * usual
    frequency = np.interp(time, time[good], frequency[good])
    yield time, frequency, white_density(amplitude / amplitude.mean() - 1, 0)


def white_density(series: Array, power_of_rate: int) -> float:
    """Read the one-sided power density of noise that rises with a power of the rate: what it has at 1 Hz."""
    bell = np.hanning(len(series))
    power = power_spectrum(fft.rfft((series - series.mean()) * bell)) * 2 / (RATE * (bell @ bell))
    rate = fft.rfftfreq(len(series), 1 / RATE)
    use = (rate > 100) & (rate < 280)  # above nearly all flutter
    return float(np.median(power[use] / rate[use] ** power_of_rate) / np.log(2))
