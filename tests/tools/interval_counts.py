"""How often stated intervals cover the truth, and whether that is what 95 % intervals do.

A count tells little of an interval that is too wide: of 24 honest ones, all cover in 33 of 100 draws.
The typical error tells more. Half of the errors are below 0.34 of the interval if they are normal, and
below 0.52 if an even clock makes them; how many of n are below a bound is binomial. The median of 24 is
below 0.15 by chance in 4 of 1,000 draws, and in 94 of 100 if the interval is three times too wide.

Each week all recordings of a count are made. Each time the first of them are, and what is asked of them
is what so few can tell: chance alone would fail it once in 1,000.
"""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

LOW, HIGH = 0.90, 0.99
TIMID = 0.15
BELOW_TIMID = 0.24  # share of normal errors below that; of errors that an even clock makes, 0.14
RARE = 1e-3


def counted(cases):
    """Error over stated interval, by what it is of."""
    errors = defaultdict(list)
    for what, estimate, truth in cases:
        errors[what].append(abs(estimate.value - truth) / estimate.plus_minus)
    return {what: np.array(found) for what, found in errors.items()}


def enough(errors):
    """Whether 90 % or more are covered as far as the cases tell."""
    return np.count_nonzero(errors <= 1) >= stats.binom.ppf(RARE, len(errors), LOW)


def not_too_many(errors):
    """Whether 99 % or less are covered as far as the cases tell."""
    return np.count_nonzero(errors <= 1) <= stats.binom.ppf(1 - RARE, len(errors), HIGH)


@dataclass(frozen=True)
class Count:
    """A share of the recordings of a count, and what may be asked of it."""

    share: float

    def of(self, number):
        """How many recordings are made of so many."""
        return round(self.share * number)

    def covered(self, errors, most=1.0):
        """Whether from 90 % to `most` are covered: of all as they are, of a part as far as it tells."""
        if self.share == 1:
            return LOW <= np.mean(errors <= 1) <= most
        return enough(errors) and (most == 1 or not_too_many(errors))

    def honest(self, errors):
        """Whether coverage is from 90 to 99 % as far as the cases tell, and no interval is timid."""
        if self.share == 1:
            timid = np.median(errors) <= TIMID
        else:
            timid = np.sum(errors < TIMID) > stats.binom.ppf(1 - RARE, len(errors), BELOW_TIMID)
        return enough(errors) and not_too_many(errors) and not timid


def parts(share):
    """Mark a test that takes a `count`: a share of its recordings each time, all of them each week."""
    everything = pytest.param(Count(1), marks=pytest.mark.weekly, id="all")
    return pytest.mark.parametrize("count", [pytest.param(Count(share), id="part"), everything])
