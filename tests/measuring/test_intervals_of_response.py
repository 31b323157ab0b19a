"""Stated uncertainties of responses, and of what explains them, cover the truth as often as stated.

The recordings are those of a seeded grid: speeds, wobbles, noise, sample rates, offsets, rounding.
"""

import functools

import deck_generator as generator
import measure_grid as grid
import numpy as np
import pytest
from interval_counts import counted, enough, parts

pytestmark = pytest.mark.slow

CASES = {
    "separation": {},
    "gap": {"part": "gap"},
    "azimuth": {"part": "azimuth"},
    "plucked": {"material": generator.plucked},
    "clipped": {"clip": True},
}


@functools.cache
def errors_of(case, number):
    errors = counted(grid.responses(number, seed=7211, **CASES[case]))
    errors["explanation"] = errors[CASES[case].get("part", "separation")]
    return errors


@parts(1 / 8)
@pytest.mark.parametrize("case", CASES)
def test_responses_are_covered_as_stated_whatever_the_cause(case, count):
    errors = errors_of(case, count.of(16))
    assert count.honest(errors["level"])
    assert enough(errors["explanation"])
    # What it is must be among what cannot be told apart.
    assert np.all(errors["verdict"] <= 1)


@parts(1 / 8)
def test_explanations_are_covered_as_stated(count):
    errors = np.concatenate([errors_of(case, count.of(16))["explanation"] for case in CASES])
    assert count.honest(errors)


@parts(1 / 3)
def test_no_loop_is_louder_than_its_upper_bound(count):
    assert enough(counted(grid.repeats(count.of(12), seed=7212, real=True))["upper bound"])
