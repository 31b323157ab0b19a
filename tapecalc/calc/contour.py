"""Head bumps: how the length of the poles colors the bass.

A playback head takes up flux with the whole face of its poles. Where a wave on the tape is about as long as
that face the two ends of it add to the gap or take from it: the response of long waves undulates. Two shapes
have closed forms, and both are real: a bump has a sign and no phase. Real poles are rounded and the tape
leaves them at an angle, so a real head lies between deep blocks and no bumps at all; thin plates are the
most there can be.
"""

from functools import cache
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.quantity import Is, T, calculator, known_name

PolesPerWave = Annotated[T, Is(least=0, words="length of the poles over the wavelength", usual=(0.1, 5.0))]
BumpGain = Annotated[T, Is(words="gain with a sign", usual=(0.7, 1.5))]

#: Shapes of poles: none at all, rectangular blocks without end, plates without thickness.
POLE_SHAPES = ("flat", "blocks", "plates")
#: Waves so much shorter than the poles see no more bumps: edges rounded by some tenths of a millimeter blur
#: them. Judgement, no source.
FADED = 16.0
#: Poles per wave at which a shape is worked out, finely where bumps are large.
_RATIOS = np.concatenate([np.arange(0, 6, 0.002), np.arange(6, FADED + 0.01, 0.02)])


@calculator
def bump_gain(poles_per_wave: PolesPerWave, shape: str = "blocks") -> BumpGain:
    """Compute what poles of a length make of a long wave; 1 for waves that are short against them.

    Plates: ``integral of J0 from 0 to pi L / lam``. Blocks: ``1 + 2 integral of h(x) cos(2 pi x / lam)``
    beyond the edge, ``h`` the stray field of a gap between two corners, by conformal mapping.

    Source: reciprocity (Westmijze 1953); both forms derived here, checked against quadrature and finite
    differences.

    >>> [round(bump_gain(0.7, shape), 2) for shape in ("plates", "blocks")]
    [1.46, 1.19]
    """
    if known_name("shape", shape, POLE_SHAPES) == "flat":
        return np.ones_like(poles_per_wave)
    return np.interp(poles_per_wave, _RATIOS, _table(shape), right=1.0)


@cache
def _table(shape: str) -> NDArray[np.float64]:
    """Work a shape out from long waves to short ones, faded to 1 over the last half."""
    gain = _plates(_RATIOS) if shape == "plates" else _blocks(_RATIOS)
    return 1 + (gain - 1) * np.clip(2 - 2 * _RATIOS / FADED, 0, 1)


def _plates(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    # The integral of J0 as a mean over half a turn, which the midpoint rule gets right to the last digit.
    sine = np.sin((np.arange(256) + 0.5) * np.pi / 512)
    return np.mean(np.sin(np.pi * ratio[:, np.newaxis] * sine) / sine, axis=1)


def _blocks(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Integrate the stray field along the two ways on which it dies off: up from the edge and down."""
    y = np.geomspace(1e-10, 1e3, 240)
    up, down = _field(_mapped(0.5 + 1j * y)), _field(_mapped(0.5 - 1j * y))
    turn = np.exp(1j * np.pi * ratio)
    share = y * np.log(y[1] / y[0]) * np.exp(-2 * np.pi * ratio[:, np.newaxis] * y)
    return 1 - np.real(1j * (turn * (share @ up) - turn.conj() * (share @ down)))


def _field(w: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return 1 / (2 * w * np.sqrt(w - 1) * np.sqrt(w + 1))


def _mapped(z: NDArray[np.complexfloating]) -> NDArray[np.complex128]:
    """Solve ``z = (w sqrt(1 - w^2) + arcsin w) / pi`` for points outside the block, by Newton's rule."""
    down = z.imag < 0
    edge = 1 + (np.abs(z.imag) * np.pi * 3 / 4 / np.sqrt(2)) ** (2 / 3)  # near the corner
    w = np.where(down, np.maximum(edge, np.sqrt(np.pi * np.abs(z.imag) + 1)), np.sqrt(1j * np.pi * z + 1.2))
    for _ in range(80):
        root = -1j * np.sqrt(w - 1) * np.sqrt(w + 1)
        w = w - ((w * root - 1j * np.log(1j * w + root)) / np.pi - z) / (2 * root / np.pi)
        w = np.where(w.imag < 0, w.conj(), w)
        w = np.where(down, np.maximum(w.real, 1 + 1e-15), w)
    return w
