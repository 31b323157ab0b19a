"""Scaling of turning parts, and shares of a verdict."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc.parts import TurningPart, fingerprint


@given(st.floats(0.004, 0.2), st.floats(0.02, 1), st.floats(0.1, 10))
def test_moving_size_and_speed_together_changes_no_rate(diameter, speed, factor):
    here = TurningPart(name="x", diameter=diameter).rate_at(speed)
    there = TurningPart(name="x", diameter=factor * diameter).rate_at(factor * speed)
    assert there == pytest.approx(here, rel=1e-12)


@given(st.floats(0.3, 30), st.floats(1e-5, 1e-2))
def test_shares_of_a_verdict_never_exceed_the_whole(frequency, depth):
    parts = [TurningPart(name=str(size), diameter=size) for size in (0.008, 0.02, 0.038, 0.09)]
    verdict = fingerprint([(frequency, depth)], parts, 0.1905)[0]
    shares = [verdict.sure, *(share for _, _, share in verdict.rivals)]
    assert sum(shares) <= 1 + 1e-12
    assert shares == sorted(shares, reverse=True)
