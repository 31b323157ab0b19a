"""A measured value with its uncertainty, and the refusal to give one.

Every figure that a measurement returns is an `Estimate`: the value, and the half
width of the interval that covers the truth 95 times in 100 (coverage factor 2).
Material from which a figure cannot be had raises `CannotTell` with the reason.

======  =================  =========  ==========================
symbol  name in code       SI unit    typical value
======  =================  =========  ==========================
x       ``value``          any        0.2 s
U       ``uncertainty``    as value   1e-6 s
--      ``unit``           --         ``"s"``
--      ``reason``         --         ``"the channel is empty"``
--      ``truth``          as value   0.2 s
--      ``scale``          1          1e3, to print ms
--      ``label``          --         ``"ms"``
======  =================  =========  ==========================
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["COVERAGE_FACTOR", "CannotTell", "Estimate"]

#: Expanded uncertainty over standard uncertainty, for about 95 % coverage.
#: Source: JCGM 100:2008 (GUM), 6.3.3.
COVERAGE_FACTOR = 2.0


class CannotTell(ValueError):
    """The material does not hold the figure that was asked for; the message says why.

    Parameters
    ----------
    reason : str
        What is wrong with the material, in one sentence part.

    Notes
    -----
    Source: house rule that wrong material gets a reason and never a number.
    Notebook: 08_measure_a_machine.

    Examples
    --------
    >>> str(CannotTell("the playback channel is silent"))
    'cannot tell, because the playback channel is silent'
    """

    def __init__(self, reason):
        super().__init__(f"cannot tell, because {reason}")
        self.reason = reason


@dataclass(frozen=True)
class Estimate:
    """A value with the half width of its 95 % interval.

    Parameters
    ----------
    value : float
        The best value, in SI (or in the unit named).
    uncertainty : float
        Half width of the interval that covers the truth in about 95 of 100 cases, in the same unit.
    unit : str, optional
        The unit, for tables and files.

    Notes
    -----
    Source: JCGM 100:2008 (GUM). Notebook: 08_measure_a_machine.

    Examples
    --------
    >>> delay = Estimate(0.2000034, 0.0000021, "s")
    >>> delay.text(1e3, "ms")
    '200.0034 ms +/- 0.0021 ms'
    >>> delay.covers(0.200002)
    True
    """

    value: float
    uncertainty: float
    unit: str = ""

    def covers(self, truth):
        """Whether `truth` lies within the stated uncertainty.

        Parameters
        ----------
        truth : float
            A value in the same unit.

        Returns
        -------
        bool
            True inside the interval, its ends included.
        """
        return bool(abs(self.value - truth) <= self.uncertainty)

    def text(self, scale=1.0, label=None):
        """Print the value to the digits that its uncertainty supports.

        Parameters
        ----------
        scale : float, optional
            What to multiply with, for example 1e3 to print seconds as milliseconds.
        label : str, optional
            The unit to print; by default the unit of the estimate.

        Returns
        -------
        str
            Value and uncertainty, two digits of the uncertainty.
        """
        label = self.unit if label is None else label
        value, spread = self.value * scale, self.uncertainty * scale
        digits = 3 if spread <= 0 else max(0, 1 - math.floor(math.log10(spread)))
        return f"{value:.{digits}f} {label} +/- {spread:.{digits}f} {label}".replace("  ", " ").rstrip()

    def to_dict(self):
        """Return the estimate as a plain dict for a JSON file.

        Returns
        -------
        dict
            Keys `value`, `uncertainty` (95 %) and `unit`.
        """
        return {"value": float(self.value), "uncertainty": float(self.uncertainty), "unit": self.unit}
