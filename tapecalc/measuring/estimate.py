"""A measured value with its plus/minus, and the refusal to give one.

Every figure that a measurement returns is an `Estimate`: the value, and the half
width of the interval that covers the truth 95 times in 100 (coverage factor 2).
Material from which a figure cannot be had raises `CannotTell` with the reason.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from tapecalc import words
from tapecalc.calc.quantity import positive
from tapecalc.calc.units import COVERAGE_FACTOR, from_si

#: Standard uncertainty of an interface's clock: within 100 parts in a million nothing is known of it.
U_CLOCK = 1e-4 / math.sqrt(3)


class CannotTell(ValueError):
    """The material does not hold the figure that was asked for; the message says why."""

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

    The groups are two or more of about one weight; Student's factor for so few is in it.
    Source: B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans, 1982 (from memory).
    """
    freedom = len(values) - 1
    return float(student(freedom) * np.sqrt(freedom) * np.std(values))


@dataclass(frozen=True)
class Estimate:
    """A value with the half width of its 95 % interval, in SI or in the unit named.

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
        """Write value and plus/minus, in a trade `unit` or as they are; the unit is written as `label`."""
        if unit is None:
            return words.with_uncertainty(self.value, self.plus_minus, label or self.unit)
        value, spread = from_si(self.value, unit), from_si(self.plus_minus, unit)
        return words.with_uncertainty(value, spread, label or words.SIGNS.get(unit, unit))

    def to_dict(self) -> dict[str, Any]:
        """Return the estimate as a plain dict for a JSON file."""
        return asdict(self)


class Reading:
    """What one measurement tells: a data class of figures, mostly estimates, and sentences."""

    sentences: tuple[str, ...]
    unwritten: ClassVar[tuple[str, ...]] = ()  # fields that a file need not hold
    derived: ClassVar[tuple[str, ...]] = ()  # properties that it should

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file, of arrays the first 2,000 values."""
        told: dict[str, Any] = asdict(self)  # type: ignore[call-overload]
        told = {name: value for name, value in told.items() if name not in self.unwritten}
        for name, value in told.items():
            if isinstance(value, np.ndarray):
                told[name] = [float(f"{each:.9g}") for each in value[:2000].tolist()]
        for name in self.derived:
            value = getattr(self, name)
            told[name] = value.to_dict() if isinstance(value, Estimate) else value
        return told


def mean_of(values: ArrayLike, unit: str = "", *, independent: float = 1.0) -> Estimate:
    """Give the mean of two or more readings, with the interval by their scatter; `independent` of each count.

    >>> mean_of([1.0, 2.0, 3.0]).text()  # 4.3 times 1 over the root of 3
    '2.0 +/- 2.5'
    """
    each = np.asarray(values, dtype=float)
    spread = COVERAGE_FACTOR * student(each.size - 1) * np.std(each, ddof=1)
    return Estimate(float(np.mean(each)), float(spread / np.sqrt(independent * each.size)), unit)


def combined(estimates: Sequence[Estimate]) -> tuple[Estimate, bool]:
    """Make one estimate of the same figure from several takes, and tell whether they scatter too much.

    Where they agree (chi-square, 95 %) it is their mean, no surer than one of them: what they have in common
    does not average out. Where they do not, their scatter comes on top.
    """
    values, spreads = np.array([(each.value, each.plus_minus) for each in estimates]).T
    mean, spread = float(np.mean(values)), float(np.mean(spreads))
    u = np.maximum(spreads / COVERAGE_FACTOR, 1e-300)
    most = stats.chi2.ppf(0.95, len(values) - 1)
    scattered = len(values) > 1 and bool(np.sum(((values - mean) / u) ** 2) > most)
    if scattered:
        spread = math.hypot(spread, mean_of(values).plus_minus)
    return Estimate(mean, spread, estimates[0].unit), scattered
