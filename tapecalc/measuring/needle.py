"""The needle of a flutter meter: a quasi-peak reading, which short bursts do not reach in full.

The standards prescribe what the needle does with bursts, not how. Here it does that by four steps that a
circuit of the time would have taken:

1. What the deviation goes down to is held, and let go with ``HOLD``.
2. What the deviation rises above that is the peak-to-peak swing ``s``.
3. The needle ``y`` rises to it by ``dy/dt = s (1 - y/s)^BEND / ATTACK``: evenly at first, so that 10 ms read
   little, and to the end within 100 ms.
4. It falls by ``dy/dt = -y / DECAY``. Between 100 ms bursts a second apart that is 0.9 s, in which it shall
   fall to 40 %: ``DECAY = 0.9 s / ln(1/0.4)``.

``ATTACK`` and ``BEND`` are what remains, and were chosen so that bursts of every length in the standards come
out as far within their tolerances as they do together. The scale is set so that a steady sine of 4 Hz reads
its zero-to-peak value. Of the deviation and its mirror image the lesser reading counts: it does not matter to
which side a burst goes.
"""

from functools import lru_cache
from math import exp, log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapecalc.calc.quantity import finite, positive, single

#: How far two meters that both comply may differ, relative: 6 of 90 %.
#: Source: AES6-1982 (r2003), 60 ms pulses; the tolerance from memory.
NEEDLE_TOLERANCE = 6 / 90

DECAY = 0.9 / log(1 / 0.4)  # s. Source: AES6-1982 (r2003): between 100 ms pulses it falls to 40 %
ATTACK, BEND = 0.0713, 0.3  # s, and a power; derived from the bursts, see above
HOLD = 10.0  # s; long, so that slow flutter reads as much as fast
SCALE_RATE, SCALE_SECONDS = 4.0, 6.0  # Hz, where the weighting is 0 dB, and s until the needle stands


def needle(deviation: ArrayLike, sample_rate: float) -> NDArray[np.float64]:
    """Follow the needle that one row of deviation moves, `sample_rate` values (200 or more) a second.

    It points at the zero-to-peak value of a steady sine; sines of 0.5 Hz and more read within 6 %. The
    standards speak of steady flutter and of bursts to one side: a burst to both sides reads up to three times
    as much, and after it the needle stays at half for some seconds. Source: AES6-1982 (r2003); IEC 60386:1972
    (from memory).

    >>> t = np.arange(8000) / 1000
    >>> round(float(needle(0.001 * np.sin(2 * np.pi * 4 * t), 1000)[-1000:].max()), 6)
    0.001
    """
    deviation = finite("deviation", deviation)
    rate = single("sample_rate", positive("sample_rate", sample_rate, "Hz"))
    if rate < 200:
        raise ValueError(f"sample_rate must be 200 Hz or more, got {rate:g}")
    if deviation.ndim != 1 or len(deviation) == 0:
        raise ValueError(f"deviation must be one row of samples, got an array of shape {deviation.shape}")
    return _lesser(deviation, rate) / _scale(rate)


def quasi_peak(deviation: ArrayLike, sample_rate: float) -> float:
    """Read a flutter meter: the highest that its `needle` goes.

    >>> bursts = [*[0.0] * 940, *[1.0] * 60] * 10  # 60 ms, once a second
    >>> round(quasi_peak(bursts, 1000) / 0.5, 2)  # against a sine that swings as far in all
    0.92
    """
    return float(needle(deviation, sample_rate).max())


@lru_cache(maxsize=8)
def _scale(rate: float) -> float:
    """What the circuit gives for a sine of 4 Hz and zero-to-peak value 1."""
    t = np.arange(int(SCALE_SECONDS * rate)) / rate
    risen = _lesser(np.sin(2 * np.pi * SCALE_RATE * t), rate)
    return float(risen[-int(rate) :].max())


def _lesser(deviation: NDArray[np.float64], rate: float) -> NDArray[np.float64]:
    """The circuit's answer to the deviation or to its mirror image, whichever rises less high."""
    return min((_circuit(side, rate) for side in (deviation, -deviation)), key=np.max)


def _circuit(deviation: NDArray[np.float64], rate: float) -> NDArray[np.float64]:
    """Hold what it goes down to, and follow what it rises above that."""
    fall, release, rise = exp(-1 / (DECAY * rate)), 1 - exp(-1 / (HOLD * rate)), 1 / (ATTACK * rate)
    held = y = 0.0
    out = []
    for value in deviation.tolist():
        held = value if value < held else held + release * (value - held)
        swing = value - held
        y *= fall
        if swing > y:
            y = min(swing, y + rise * swing * (1 - y / swing) ** BEND)
        out.append(y)
    return np.array(out)
