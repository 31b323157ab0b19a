"""Estimates: how far, how likely, and in which words."""

import numpy as np
import pytest

from tapecalc.measuring import Estimate
from tapecalc.measuring.estimate import COVERAGE_FACTOR, combined, jackknife, student


def test_estimate_prints_the_digits_that_its_plus_minus_supports():
    assert Estimate(0.2178478, 0.0021, "s").text("ms") == "217.8 ms +/- 2.1 ms"
    assert Estimate(3.0, 0.0).text() == "3"
    assert Estimate(1.0, 0.1).covers(1.09) and not Estimate(1.0, 0.1).covers(1.11)


def test_a_jackknife_of_few_groups_holds_95_percent():
    rng = np.random.default_rng(1)
    for groups in (3, 8):
        drawn = rng.standard_normal((4000, groups))
        without = (drawn.sum(axis=1, keepdims=True) - drawn) / (groups - 1)
        spread = [COVERAGE_FACTOR * jackknife(each) for each in without]
        # 95 % of 4,000 draws scatter by 0.34 %.
        assert np.mean(np.abs(drawn.mean(axis=1)) <= spread) == pytest.approx(0.95, abs=0.014)
    assert student(3) > student(8) > student(1e6) == pytest.approx(1.96 / COVERAGE_FACTOR, abs=1e-3)


def test_takes_that_agree_are_no_surer_together_and_takes_that_scatter_are_less_sure():
    agree, scattered = combined([Estimate(1.00, 0.1), Estimate(1.06, 0.1), Estimate(0.97, 0.1)])
    assert (agree.value, agree.plus_minus, scattered) == (pytest.approx(1.01), pytest.approx(0.1), False)
    # Student's t for one degree of freedom is 12.706; two takes 0.4 apart leave 12.706 * 0.2 for their mean.
    apart, scattered = combined([Estimate(1.0, 0.01, "s"), Estimate(1.4, 0.01, "s")])
    assert scattered and apart.plus_minus == pytest.approx(2.5414, rel=1e-3) and apart.unit == "s"


def test_intervals_of_takes_that_scatter_hold_95_percent():
    rng = np.random.default_rng(4)
    drawn = rng.standard_normal((3000, 4))
    told = [combined([Estimate(float(x), 0.02) for x in takes])[0] for takes in drawn]
    # 95 % of 3,000 draws scatter by 0.4 %.
    assert np.mean([one.covers(0.0) for one in told]) == pytest.approx(0.95, abs=0.015)
