"""How colors look to people without one kind of cone, and how far apart two colors look."""

from __future__ import annotations

import numpy as np

from tapecalc.calc.quantity import known_name

#: What is left of linear red, green and blue, severity 1.0.
#: Source: Machado, Oliveira, Fernandes, IEEE TVCG 15(6), 2009, table 1.
_BLINDNESS = {
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
}


def simulate(color, kind):
    """Return a color as a person without one kind of cone would see it."""
    seen = np.clip(np.asarray(_BLINDNESS[known_name("kind", kind, _BLINDNESS)]) @ _linear(color), 0, 1)
    shown = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(255 * c):02x}" for c in shown.tolist())


def color_distance(first, second):
    """Distance in CIE L*a*b* (ISO/CIE 11664-4, 1976, D65): about 2 is just noticed, lines get 15."""
    return float(np.linalg.norm(_lab(first) - _lab(second)))


def _linear(color):
    """Linear red, green and blue, from 0 to 1."""
    shown = np.array([int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4)


def _lab(color):
    """CIE L*, a*, b* of a color, white D65."""
    to_xyz = (
        (0.4124564, 0.3575761, 0.1804375),
        (0.2126729, 0.7151522, 0.0721750),
        (0.0193339, 0.1191920, 0.9503041),
    )
    share = np.asarray(to_xyz) @ _linear(color) / np.sum(to_xyz, axis=1)
    small = (6 / 29) ** 3
    x, y, z = np.where(share > small, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])
