"""The noise of the tape: how loud it is at a speed, and how it is spread over frequency.

Each particle of the coating is a small magnet of its own. What they give together is as strong for a wave as
the head sees deep into the coating, and is lifted by the playback equalizer like all else.
"""

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.quantity import Decibels, Frequency, Is, Level, Speed, T, Thickness, calculator, known_name

TauHigh = Annotated[T, Is("s", least=0, words="treble time constant, 0 for none", usual=(5e-5, 1.2e-4))]
TauLow = Annotated[T, Is("s", least=0, words="bass time constant, 0 for none", usual=(0.0, 3.18e-3))]
Apart = Annotated[T, Is("m", least=0, words="distance from head to coating", usual=(0.2e-6, 2e-6))]

#: How noise is summed up over frequency.
WEIGHTINGS = ("unweighted", "A")
#: The band in which noise is told, Hz.
NOISE_BAND = (20.0, 20e3)


@calculator
def a_weighting_db(frequency: Frequency) -> Decibels:
    """Compute the A-weighting, the ear's own for faint sounds, 0 dB at 1 kHz.

    Source: IEC 61672-1, annex E: poles at 20.6, 107.7, 737.9 and 12194 Hz.

    >>> [round(a_weighting_db(f), 1) + 0.0 for f in (100, 1000, 10000)]
    [-19.1, 0.0, -2.5]
    """
    f2 = frequency**2
    poles = (f2 + 20.598997**2) * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2)) * (f2 + 12194.217**2)
    return 20 * np.log10(12194.217**2 * f2**2 / poles) + 2.0


@calculator
def noise_density_db(
    frequency: Frequency,
    speed: Speed,
    coating_thickness: Thickness,
    separation: Apart,
    tau_high: TauHigh = 0.0,
    tau_low: TauLow = 0.0,
) -> Level:
    """Compute the power of tape noise in one hertz behind the playback equalizer, up to a constant.

    ``(1 - e^(-2 k d)) e^(-2 k a) / (k v)`` times ``(1 + (w t_high)^2) / (1 + 1 / (w t_low)^2)``, with
    ``k = 2 pi f / v``. At long waves it is as 1 / v: half the speed, 3 dB more.

    Source: J. C. Mallinson, IEEE Trans. Magn. 5, 1969 (from memory).
    """
    k, w = 2 * np.pi * frequency / speed, 2 * np.pi * frequency
    flux = -np.expm1(-2 * k * coating_thickness) / (k * speed)
    bass = np.where(tau_low > 0, (w * tau_low) ** 2 / (1 + (w * tau_low) ** 2), 1.0)
    # The distance as decibels: as a factor it may be too small for a number.
    return 10 * np.log10(flux * (1 + (w * tau_high) ** 2) * bass) - 20 * np.log10(np.e) * k * separation


@calculator
def noise_level_db(
    speed: Speed[float],
    coating_thickness: Thickness[float],
    separation: Apart[float],
    tau_high: TauHigh[float] = 0.0,
    tau_low: TauLow[float] = 0.0,
    *,
    weighting: str = "unweighted",
) -> float:
    """Sum `noise_density_db` up from 20 Hz to 20 kHz, up to the same constant: for comparing speeds."""
    known_name("weighting", weighting, WEIGHTINGS)
    frequency = np.linspace(*NOISE_BAND, 8001)
    level_db: NDArray[np.float64] = noise_density_db(
        frequency, speed, coating_thickness, separation, tau_high, tau_low
    )
    if weighting == "A":
        level_db = level_db + a_weighting_db(frequency)
    return float(10 * np.log10(np.trapezoid(10 ** (level_db / 10), frequency)))
