"""Stated uncertainties cover the truth neither too seldom nor nearly always.

Each test counts over a seeded grid of recordings: speeds, wobbles, noise, sample rates, an
interface clock that is off by up to 100 ppm, offsets, 16-bit rounding.
"""

from collections import defaultdict

import measure_grid as grid
import numpy as np
import pytest

LOW, HIGH = 0.90, 0.99


def counted(cases):
    """Whether each stated interval covers the truth, by what it is of."""
    hits = defaultdict(list)
    for what, estimate, truth in cases:
        hits[what].append(estimate.covers(truth))
    return hits


def share(hits, *names):
    """Part of the intervals that cover, over the quantities named."""
    return np.mean(np.concatenate([hits[name] for name in names]))


def test_spacing_and_speeds_are_covered_as_stated():
    hits = counted(grid.geometries(300, seed=1))
    for name in ("spacing", "speed", "speed ratio"):
        assert LOW <= share(hits, name) <= HIGH


def test_noise_levels_are_covered_as_stated():
    assert LOW <= share(counted(grid.noises(40, seed=1)), "noise") <= HIGH


@pytest.mark.slow
def test_flutter_readings_are_covered_as_stated():
    hits = counted(grid.flutter(40, seed=1))
    assert LOW <= share(hits, "weighted", "weighted rms", "unweighted", "unweighted rms") <= HIGH
    # Lines and mean speed are better than stated, never worse.
    assert share(hits, "line depth", "line rate", "mean speed") >= LOW


@pytest.mark.slow
def test_delays_and_tracks_are_covered_as_stated():
    hits = counted(grid.delays(10, seed=1))
    assert LOW <= share(hits, "track") <= HIGH
    assert share(hits, "delay", "low cut") >= LOW


@pytest.mark.slow
def test_responses_are_covered_as_stated():
    hits = counted(grid.responses(6, seed=1))
    assert LOW <= share(hits, "level") <= HIGH
    assert share(hits, "separation") >= 5 / 6


@pytest.mark.slow
def test_loop_gains_are_covered_as_stated():
    assert share(counted(grid.repeats(8, seed=3)), "loop gain") >= 7 / 8
