"""A measured value with its plus/minus, and the refusal to give one.

Every figure that a measurement returns is an `Estimate`: the value, and the half
width of the interval that covers the truth 95 times in 100 (coverage factor 2).
Material from which a figure cannot be had raises `CannotTell` with the reason.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from tapecalc import words
from tapecalc.calc.quantity import Is, T, calculator, positive
from tapecalc.calc.units import COVERAGE_FACTOR, from_si

ClockTolerance = Annotated[
    T, Is(least=0, most=0.01, words="how far the interface's clock may be off, relative", usual=(0.0, 1e-4))
]
ErrorPart = Annotated[T, Is(least=0, words="part of an error", usual=(0.0, 1.0))]


class CannotTell(ValueError):
    """The material does not hold the figure that was asked for; the message says why.

    >>> str(CannotTell("the playback channel is silent"))
    'cannot tell, because the playback channel is silent'
    """

    def __init__(self, reason: str) -> None:
        super().__init__(f"cannot tell, because {reason}")
        self.reason = reason


@lru_cache
def student(freedom: float) -> float:
    """Give the factor by which the scatter of a few is widened to hold 95 % as a known one does.

    Student's t for 95 % over the coverage factor; 0.98 for very many, since 2 stands for 1.96.
    Source: JCGM 100:2008 (GUM), G.3.
    """
    return float(stats.t.ppf(0.975, float(positive("freedom", freedom))) / COVERAGE_FACTOR)


def jackknife(values: Sequence[float]) -> float:
    """Give the standard uncertainty of a figure from what it is without each of some groups in turn.

    The groups are two or more of about one weight; `student` widens it for so few.
    Source: the delete-one jackknife, for example B. Efron, The Jackknife, the Bootstrap and Other
    Resampling Plans, 1982 (from memory).

    >>> readings = np.array([1.0, 2.0, 3.0, 4.0])
    >>> without = (readings.sum() - readings) / 3  # of a mean it is the scatter over the root of the number
    >>> round(jackknife(without) / student(3), 4), round(float(np.std(readings, ddof=1)) / 2, 4)
    (0.6455, 0.6455)
    """
    freedom = len(values) - 1
    return float(student(freedom) * np.sqrt(freedom) * np.std(values))


@dataclass(frozen=True)
class Estimate:
    """A value with the half width of its 95 % interval, in SI or in the unit named.

    Source: JCGM 100:2008 (GUM).

    >>> delay = Estimate(0.2000034, 0.0000021, "s")
    >>> delay.text("ms"), delay.covers(0.200002)
    ('200.0034 ms +/- 0.0021 ms', True)
    """

    value: float
    plus_minus: float
    unit: str = ""

    def covers(self, truth: float) -> bool:
        """Whether the interval holds `truth`, its ends included."""
        return bool(abs(self.value - truth) <= self.plus_minus)

    def text(self, unit: str | None = None, label: str | None = None) -> str:
        """Write value and plus/minus to the digits that the latter leaves, in a trade `unit` or as they are.

        The unit is written as `label`, or as people write it.
        """
        if unit is None:
            return words.with_uncertainty(self.value, self.plus_minus, label or self.unit)
        value, spread = from_si(self.value, unit), from_si(self.plus_minus, unit)
        return words.with_uncertainty(value, spread, label or words.SIGNS.get(unit, unit))

    def to_dict(self) -> dict[str, Any]:
        """Return the estimate as a plain dict for a JSON file."""
        return {"value": float(self.value), "plus_minus": float(self.plus_minus), "unit": self.unit}

    @staticmethod
    @calculator
    def half_width(sigma: ErrorPart[float], reach: ErrorPart[float]) -> float:
        """Give half of the interval that holds 95 % of a normal error and an even one added up.

        The solution x of ``P(|s N + a U| <= x) = P(|N| <= 2)``, with N normal and U even from -1 to 1.
        An interface's clock is of the second kind: within its tolerance nothing is known of it.
        Adding variances would state ``2 a / sqrt(3)`` for a clock alone, more than it can be off by.
        Source: JCGM 101:2008, propagation of distributions.

        >>> Estimate.half_width(0.5, 0.0)
        1.0
        >>> round(Estimate.half_width(0.0, 1.0), 4)  # 95.45 % of the range
        0.9545
        """
        inside = math.erf(COVERAGE_FACTOR / math.sqrt(2))
        # Within a thousandth of the other, a part does not show.
        if reach <= 1e-3 * sigma:
            return COVERAGE_FACTOR * sigma
        if sigma <= 1e-3 * reach:
            return inside * reach

        def excess(x: float) -> float:
            """Probability within x, the integral of the normal distribution over the even one, less ours."""
            ends = ((x + reach) / sigma, (x - reach) / sigma)
            upper, lower = (
                z * math.erf(z / math.sqrt(2)) + math.sqrt(2 / math.pi) * math.exp(-z * z / 2) for z in ends
            )
            return sigma * (upper - lower) / (2 * reach) - inside

        most = COVERAGE_FACTOR * sigma + reach
        return optimize.brentq(excess, 0.0, most, xtol=1e-15 * most)


def mean_of(
    values: Sequence[float] | NDArray[np.float64], unit: str = "", *, independent: float = 1.0
) -> Estimate:
    """Give the mean of two or more readings, with the interval by their scatter; `independent` of each count.

    >>> mean_of([1.0, 2.0, 3.0]).text()  # 4.3 times 1 over the root of 3
    '2.0 +/- 2.5'
    """
    count = len(values)
    spread = COVERAGE_FACTOR * student(count - 1) * np.std(values, ddof=1) / np.sqrt(independent * count)
    return Estimate(float(np.mean(values)), float(spread), unit)


def combined(estimates: Sequence[Estimate]) -> tuple[Estimate, bool]:
    """Make one estimate of the same figure from several takes, and tell whether they scatter too much.

    Where they agree (chi-square, 95 %) it is their mean, no surer than one of them: what they have in common
    does not average out. Where they do not, their scatter comes on top, with Student's factor.

    >>> told, scattered = combined([Estimate(1.0, 0.1), Estimate(1.1, 0.1)])
    >>> told.text(), scattered
    ('1.05 +/- 0.10', False)
    """
    values, spreads = np.array([(each.value, each.plus_minus) for each in estimates]).T
    mean, spread = float(np.mean(values)), float(np.mean(spreads))
    u = np.maximum(spreads / COVERAGE_FACTOR, 1e-300)
    most = stats.chi2.ppf(0.95, len(values) - 1)
    scattered = len(values) > 1 and bool(np.sum(((values - mean) / u) ** 2) > most)
    if scattered:
        spread = math.hypot(spread, mean_of(values).plus_minus)
    return Estimate(mean, spread, estimates[0].unit), scattered
