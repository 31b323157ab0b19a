"""How often stated intervals cover the truth, and whether that is what 95 % intervals do.

How many of n honest intervals cover is binomial: fewer than are asked for here do by chance once in 1,000
counts. A count tells little of an interval that is too wide: of 24 honest ones, all cover in 29 of 100 draws.
The typical error tells more. Half of the errors are below 0.34 of the interval if they are normal, and
below 0.52 if an even clock makes them: if half are below 0.15, and not by chance, it is twice too wide.

Each time the first recordings of a count are made, each week all of them.
"""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

COVERED, MOST = 0.95, 0.99
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
    """Whether as many are covered as of 95 % intervals are."""
    return np.count_nonzero(errors <= 1) >= stats.binom.ppf(RARE, len(errors), COVERED)


def covered(errors):
    """Whether as many are covered as of 95 % intervals are, and no more than of 99 % intervals."""
    most = stats.binom.ppf(1 - RARE, len(errors), MOST)
    return enough(errors) and np.count_nonzero(errors <= 1) <= most


@dataclass(frozen=True)
class Count:
    """A share of the recordings of a count."""

    share: float

    def of(self, number):
        """How many recordings are made of so many."""
        return round(self.share * number)

    def honest(self, errors):
        """Whether the right share is covered, and errors do not crowd in the middle of too wide intervals."""
        crowd = stats.binom.ppf(1 - RARE, len(errors), BELOW_TIMID)
        if self.share == 1:
            crowd = max(len(errors) / 2, crowd)
        return covered(errors) and np.count_nonzero(errors < TIMID) <= crowd


def parts(share):
    """Mark a test that takes a `count`: a share of its recordings each time, all of them each week."""
    everything = pytest.param(Count(1), marks=pytest.mark.weekly, id="all")
    return pytest.mark.parametrize("count", [pytest.param(Count(share), id="part"), everything])
