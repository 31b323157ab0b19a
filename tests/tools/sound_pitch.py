"""Read the pitch of a sound."""

import numpy as np

__all__ = ["pitch"]


def pitch(samples, sample_rate, near):
    """Read the strongest frequency within half a tone of `near`, by a parabola over the windowed spectrum."""
    size = 1 << 18
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size))
    low, high = (round(near * ratio * size / sample_rate) for ratio in (0.97, 1.03))
    peak = low + np.argmax(spectrum[low:high])
    left, middle, right = np.log(spectrum[peak - 1 : peak + 2])
    return (peak + 0.5 * (left - right) / (left - 2 * middle + right)) * sample_rate / size
