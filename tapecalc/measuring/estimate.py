"""A measured value with its uncertainty, and the refusal to give one.

Every figure that a measurement returns is an `Estimate`: the value, and the half
width of the interval that covers the truth 95 times in 100 (coverage factor 2).
Material from which a figure cannot be had raises `CannotTell` with the reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from tapecalc.calc.quantity import non_negative, positive

__all__ = [
    "COVERAGE_FACTOR",
    "CannotTell",
    "Estimate",
    "jackknife",
    "student",
]


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
    Notebook: 08_measuring.

    Examples
    --------
    >>> str(CannotTell("the playback channel is silent"))
    'cannot tell, because the playback channel is silent'
    """

    def __init__(self, reason):
        super().__init__(f"cannot tell, because {reason}")
        self.reason = reason


@lru_cache
def student(freedom):
    """Tell how many times the scatter of a few must be widened to hold 95 % like a known one.

    Parameters
    ----------
    freedom : float
        Degrees of freedom of the scatter, above 0.

    Returns
    -------
    float
        Student's t for 95 % over the coverage factor; 0.98 for very many, since 2 stands for 1.96.

    Raises
    ------
    ValueError
        If there is no freedom.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), G.3. Notebook: none.

    Examples
    --------
    >>> round(student(7), 3)
    1.182
    """
    return float(stats.t.ppf(0.975, float(positive("freedom", freedom))) / COVERAGE_FACTOR)


def jackknife(values):
    """Tell the standard uncertainty of a figure from what it is without each of some groups in turn.

    Parameters
    ----------
    values : array_like
        The figure without the first group, without the second, and so on; two or more, of about one weight.

    Returns
    -------
    float
        In the unit of the values, widened by `student` for the few that there are.

    Notes
    -----
    Source: the delete-one jackknife, for example B. Efron, The Jackknife, the Bootstrap and Other
    Resampling Plans, 1982 (from memory). Notebook: none.

    Examples
    --------
    >>> readings = np.array([1.0, 2.0, 3.0, 4.0])
    >>> without = (readings.sum() - readings) / 3  # of a mean it is the scatter over the root of the number
    >>> round(jackknife(without) / student(3), 4), round(float(np.std(readings, ddof=1)) / 2, 4)
    (0.6455, 0.6455)
    """
    freedom = len(values) - 1
    return float(student(freedom) * np.sqrt(freedom) * np.std(values))


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
    Source: JCGM 100:2008 (GUM). Notebook: 08_measuring.

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

    @staticmethod
    def half_width(sigma, reach):
        """Half of the interval that holds 95 % of a normal error and an even one added up.

        The solution x of ``P(|s N + a U| <= x) = P(|N| <= 2)``, with N normal and U even from -1 to 1.
        An interface's clock is of the second kind: within its tolerance nothing is known of it.
        Adding variances would state ``2 a / sqrt(3)`` for a clock alone, more than it can be off by.

        Parameters
        ----------
        sigma : float
            Standard deviation of the normal part.
        reach : float
            Half width of the even part, in the same unit.

        Returns
        -------
        float
            In the same unit.

        Raises
        ------
        ValueError
            If a part is negative.

        Notes
        -----
        Source: JCGM 101:2008, propagation of distributions. Notebook: 08_measuring.

        Examples
        --------
        >>> Estimate.half_width(0.5, 0.0)
        1.0
        >>> round(Estimate.half_width(0.0, 1.0), 4)  # 95.45 % of the range
        0.9545
        """
        sigma, reach = float(non_negative("sigma", sigma)), float(non_negative("reach", reach))
        inside = math.erf(COVERAGE_FACTOR / math.sqrt(2))
        # Within a thousandth of the other, a part does not show.
        if reach <= 1e-3 * sigma:
            return COVERAGE_FACTOR * sigma
        if sigma <= 1e-3 * reach:
            return inside * reach

        def held(x):
            """Integral of the normal distribution over the even one."""
            ends = ((x + reach) / sigma, (x - reach) / sigma)
            upper, lower = (
                z * math.erf(z / math.sqrt(2)) + math.sqrt(2 / math.pi) * math.exp(-z * z / 2) for z in ends
            )
            return sigma * (upper - lower) / (2 * reach)

        low, high = 0.0, COVERAGE_FACTOR * sigma + reach
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if held(middle) < inside else (low, middle)
        return (low + high) / 2
