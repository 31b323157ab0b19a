"""How often stated intervals cover the truth, and whether that is what 95 % intervals do.

A count tells little of an interval that is too wide: of 24 honest ones, all cover in 33 of 100 draws.
The typical error tells more. Half of the errors are below 0.34 of the interval if they are normal, and
below 0.52 if an even clock makes them; how many of n are below a bound is binomial. The median of 24 is
below 0.15 by chance in 4 of 1,000 draws, and in 94 of 100 if the interval is three times too wide.
"""

from collections import defaultdict

import numpy as np
from scipy import stats

LOW, HIGH = 0.90, 0.99
TIMID = 0.15


def counted(cases):
    """Error over stated interval, by what it is of."""
    errors = defaultdict(list)
    for what, estimate, truth in cases:
        errors[what].append(abs(estimate.value - truth) / estimate.uncertainty)
    return {what: np.array(found) for what, found in errors.items()}


def covered(errors):
    """Share of the intervals that cover."""
    return np.mean(errors <= 1)


def enough(errors):
    """Whether 90 % or more are covered as far as the cases tell (1 in 1,000)."""
    return np.count_nonzero(errors <= 1) >= stats.binom.ppf(1e-3, len(errors), LOW)


def honest(errors):
    """Whether coverage is from 90 to 99 % as far as the cases tell (1 in 1,000), and no interval is timid."""
    few = np.count_nonzero(errors <= 1) <= stats.binom.ppf(1 - 1e-3, len(errors), HIGH)
    return enough(errors) and few and np.median(errors) > TIMID
