"""A page judges answers as the library does, in the same words."""

import numpy as np
import pytest
import scripts
from exercises import exercises

from tapecalc.course.exercise import COMMON, UNIT_SLIPS, Exercise

NONSENSE = """; ;.;,;-;+;e3;12 13 14;1.2.3;1,2,3;--5;5 5;about 5;5 parsecs;ms;NaN;Infinity;0x10;1e999;1e400 ms
1/0;1/;1_000;٣;½;<script>;12e;-0;0;0 ms;1e-9;toString;5 toString;5 __proto__;1 2345;1,23,456"""
JUDGE = (
    "return given.answers.map(([exercise, text]) => judge(given.exercises[exercise], given.common, text));"
)


def judged(pairs):
    """What a page's script says to each pair of an exercise and a text."""
    named = {str(place): exercise.data for place, (exercise, _) in enumerate(pairs)}
    answers = [[str(place), text] for place, (_, text) in enumerate(pairs)]
    given = {"exercises": named, "answers": answers, "common": COMMON}
    return [(one["state"], one["sentence"]) for one in scripts.run("exercise", JUDGE, given)]


def replied(pairs):
    """What the library says."""
    replies = [exercise.check(text) for exercise, text in pairs]
    return [(reply.state, reply.sentence) for reply in replies]


def typed(exercise, rng):
    """Answers that people might type: right, rounded, slips, in other units, with marks as elsewhere."""
    number = exercise.expected
    wrong = [one for one, _ in exercise.slips if isinstance(one, float | int)]
    ends = [
        end for one, _ in exercise.slips if isinstance(one, tuple | list) for end in one if end is not None
    ]
    factors = [factor ** rng.choice([-1, 1]) for factor, _ in UNIT_SLIPS]
    edge = 1 + exercise.tolerance_percent / 100
    near = [
        number,
        -number,
        number * edge,
        number * edge * 1.000001,
        number / 1.7,
        number * 1.3,
        number * 250,
    ]
    texts = [repr(float(one)) for one in [*near, *wrong, *ends, *(number * f for f in factors)]]
    texts += [f"{number:.{digits}g}" for digits in (1, 2, 3, 4, 7)]
    texts += [f"{number:.3f}".replace(".", ","), f"{number:,.1f}", f"{number:,.0f}"]
    texts += [
        f"{number:,.2f}".replace(",", mark)
        for mark in "\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}\N{NO-BREAK SPACE} "
    ]
    texts += [
        f"{number:,.2f}".replace(",", "_").replace(".", ",").replace("_", "."),
        f"{-number}".replace("-", "−"),
    ]
    texts += [f" {number / size:.6g}\N{THIN SPACE}{name} " for name, size in exercise.units.items()]
    texts += [f"{number / size}{name.upper()}" for name, size in exercise.units.items()]
    return texts


@pytest.fixture(scope="module")
def pairs():
    """Every exercise with some of all that may be typed, and nonsense for all to meet."""
    rng = np.random.default_rng(11)
    found = []
    for exercise in exercises().values():
        texts = typed(exercise, rng)
        found += [(exercise, text) for text in rng.choice(texts, size=min(len(texts), 20), replace=False)]
    some = list(exercises().values())
    found += [(Exercise(1234, "Hz"), text) for text in ("1,234", "1.234", "1,235 Hz", "1,234 kHz")]
    ties = ("1000.125", "1000.375", "1000.0625")  # which go to the even digit
    found += [(Exercise(1000, "Hz"), text) for text in ties]
    rounded_is_slip = Exercise(0.1674, "mm", tolerance_percent=0.5).hints("", (0.17, "No."))
    found += [(rounded_is_slip, text) for text in ("0.17", "0.1674", "170 um")]
    return found + [
        (some[k % len(some)], text) for k, text in enumerate(NONSENSE.replace("\n", ";").split(";"))
    ]


def test_both_languages_judge_all_answers_alike(pairs):
    assert len(pairs) > 1000
    here, there = replied(pairs), judged(pairs)
    unlike = [
        (e.unit, e.expected, text, a, b) for (e, text), a, b in zip(pairs, here, there, strict=True) if a != b
    ]
    assert unlike == []


def test_the_answers_are_of_every_kind(pairs):
    states = [state for state, _ in replied(pairs)]
    assert all(states.count(state) > 30 for state in ("open", "right", "not yet", "guess"))
