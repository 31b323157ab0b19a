"""Takes that no measurement was tuned to: intervals cover, nothing false is told, and little is refused.

Each time a few are drawn from fixed seeds; each week 200, from seeds that nobody has seen.
"""

import math
import secrets
from collections import defaultdict
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from scipy import stats
from unseen_takes import KINDS, Drawn, drawn_take

from tapecalc.measuring import CannotTell, Take, measure, measure_repeats, open_recording
from tapecalc.measuring.session import Measurement

pytestmark = pytest.mark.slow

RARE = 1e-3  # chance of a failure if all is as it should be
COVERED = 0.95  # of the intervals, as they say
REFUSED = 0.05  # most of the takes from which a person could read the figure


class Reading(NamedTuple):
    """One figure of one take; `error` is in half widths of its interval, None where it was refused."""

    take: str
    what: str
    error: float | None
    could: bool  # whether a person could tell


def taken(drawn: Drawn) -> Measurement:
    """What the library reads from a take, handed in as a person would."""
    both = drawn.samples
    recording = open_recording(both, sample_rate=drawn.rate)
    if drawn.kind == "two files":
        recording = replace(recording, common_start=False, one_clock=False)
    kind, mode = ("tone", drawn.kind) if drawn.kind == "test tape" else (drawn.kind, "simultaneous")
    kind = "program" if kind == "two files" else kind
    return measure([Take(recording=recording, kind=kind, record_mode=mode)])


def figures(drawn: Drawn) -> dict[str, tuple[float, float]]:
    """The figures that were told: value and half width."""
    found = taken(drawn)
    told = {}
    for track in found.delays.values():
        told["delay"] = track.total.value, track.total.plus_minus
    for flutter in found.flutter.values():
        told["unweighted rms"] = flutter.unweighted_rms.value, flutter.unweighted_rms.plus_minus
    for noise in found.noise.values():
        told["noise"] = noise.level_db.value, noise.level_db.plus_minus
        told["hiss"] = noise.hiss_db.value, noise.hiss_db.plus_minus
    return told


def bound(drawn: Drawn) -> float | None:
    """The upper bound of the loop gain at its worst frequency, with the delay that the person knows."""
    recording = open_recording(drawn.samples, sample_rate=drawn.rate)
    try:
        return measure_repeats(recording, delay=drawn.delay).upper_db
    except CannotTell:
        return None


def readings(seeds: range | list[int]) -> list[Reading]:
    """All that is told of the takes of some seeds."""
    found = []
    for seed in seeds:
        drawn = drawn_take(seed)
        name = f"{seed}: {drawn.name}"
        if drawn.kind == "repeats":
            upper, truth = bound(drawn), drawn.truth["worst loop gain"]
            # A bound is right above the truth, and of use within 6 dB of it.
            error = None if upper is None else (4.0 if upper < truth - 0.5 else 2.0 if upper < truth else 0.5)
            found.append(Reading(name, "worst loop gain", error, could=True))
            continue
        told = figures(drawn)
        for what in ("delay", "unweighted rms", "noise", "hiss"):
            if what in drawn.truth or what in told:
                could = what in drawn.truth and what not in drawn.open
                if what not in told:
                    found.append(Reading(name, what, None, could=could))
                    continue
                value, half = told[what]
                error = abs(value - drawn.truth.get(what, math.nan)) / half
                found.append(Reading(name, what, error, could=could))
    return found


def judged(found: list[Reading]) -> list[str]:
    """What is wrong with readings, as sentences."""
    wrong = []
    by_figure: dict[str, list[Reading]] = defaultdict(list)
    for one in found:
        by_figure[one.what].append(one)
        if one.error is not None and not one.error <= 3:
            wrong.append(f"{one.take}: {one.what} is said surely and off by {one.error:.0f} half widths")
    for what, ones in by_figure.items():
        told = [one.error for one in ones if one.error is not None and not math.isnan(one.error)]
        inside = sum(error <= 1 for error in told)
        if inside < stats.binom.ppf(RARE, len(told), COVERED):
            wrong.append(f"{what}: {inside} of {len(told)} intervals cover")
        could = [one for one in ones if one.could]
        refused = [one.take for one in could if one.error is None]
        if len(refused) > stats.binom.ppf(1 - RARE, len(could), REFUSED):
            wrong.append(f"{what}: {len(refused)} of {len(could)} are refused: {'; '.join(refused)}")
    return wrong


def test_takes_that_nobody_tuned_to_are_read_right_or_refused():
    assert judged(readings(range(16, 16 + 2 * len(KINDS)))) == []


@pytest.mark.weekly
def test_two_hundred_takes_with_new_seeds():
    first = secrets.randbelow(1 << 30)
    wrong = judged(readings(range(first, first + 200)))
    assert wrong == [], f"first seed {first}"


def test_the_judge_notices_what_is_wrong():
    good = [Reading(str(k), "delay", 0.3, could=True) for k in range(40)]
    assert judged(good) == []
    sure = Reading("x", "delay", 5.0, could=False)
    assert "off by 5 half widths" in judged([*good, sure])[0]
    narrow = [one._replace(error=1.5) for one in good[:10]]
    assert "30 of 40 intervals cover" in judged([*narrow, *good[10:]])[0]
    shy = [one._replace(error=None) for one in good[:10]]
    assert "10 of 40 are refused" in judged([*shy, *good[10:]])[0]


def test_the_generator_means_what_it_says():
    """A machine without wobble answers after spacing over speed, to a sample."""
    from unseen_takes import Machine

    machine = Machine(0.0381, 0.1905, (), 0.0, 0.0, (90.0, 0.0), 1e9, -120.0)
    click = np.zeros(48000)
    click[4800] = 1.0
    assert np.argmax(machine.played(click, 48000)) == 4800 + 9600
