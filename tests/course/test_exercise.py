"""Exercises: right within the tolerance, a hint for a likely slip, never the answer itself."""

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from exercises import exercises

from tapecalc.course.exercise import MARKS, NOT_WHOLE, UNIT_SLIPS, Exercise, Guess, Reply, meet

DELAY = 217.848  # ms


EVERY = [pytest.param(exercise, id=name) for name, exercise in exercises().items()]


def check(answer, expected, unit, *slips, hint="", **options):
    """The reply to an answer."""
    return Exercise(expected, unit, **options).hints(hint, *slips).check(answer)


@pytest.mark.parametrize(
    "answer", [217.848, 218, np.float64(217), Fraction(436, 2), Decimal("217.8"), 215.7, 220.0]
)
def test_a_number_within_the_tolerance_is_right(answer):
    assert check(answer, DELAY, "ms").state == "right"


@pytest.mark.parametrize("answer", [215.6, 220.1, 0, -1, 1e300])
def test_a_number_outside_the_tolerance_is_not(answer):
    assert check(answer, DELAY, "ms").state == "not yet"


@pytest.mark.parametrize(("expected", "rounded"), [(0.1674, 0.17), (-11.43, -11), (2317, 2300), (16.67, 17)])
def test_a_number_rounded_to_two_digits_is_right_where_that_is_no_slip(expected, rounded):
    reply = check(rounded, expected, "mm", tolerance_percent=0.5)
    assert reply.state == "right" and reply.sentence.endswith(" mm is the exact number, rounded.")
    assert check(rounded, expected, "mm", (rounded, "No."), tolerance_percent=0.5).state == "not yet"
    assert check(1.05 * rounded, expected, "mm", tolerance_percent=0.5).state == "not yet"


def test_the_very_edge_of_the_tolerance_is_right():
    assert check(101, 100, "", tolerance_percent=1).state == "right"
    assert check(-99, -100, "", tolerance_percent=1).state == "right"


def test_nothing_put_in_yet_asks_for_a_number():
    reply = check(None, DELAY, "ms")
    assert reply.state == "open"
    assert reply.sentence == "Put your number in: replace None by a number in ms, then run this cell."
    elsewhere = Guess(218, "ms").check(None).sentence
    assert elsewhere.endswith("a number in ms in the cell where you guessed; run that cell, then this one.")
    assert "number, then" in check(None, 2, "").sentence


@pytest.mark.parametrize(
    "answer",
    [
        "",
        " ",
        "late",
        "1.2.3",
        b"218",
        True,
        np.True_,
        [218],
        np.array([1, 2]),
        2j,
        float("nan"),
        float("inf"),
    ]
    + [10**400, len, "1e999", "1/0", "nan"],
)
def test_what_is_no_number_is_met_with_a_sentence_not_an_error(answer):
    reply = check(answer, DELAY, "ms")
    assert reply == Reply("open", "Put in one number, such as 12.5 ms.")


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("0.218 s", "ms", 218),
        ("218", "ms", 218),
        ("217,9 ms", "ms", 217.9),
        ("218000 µs", "ms", 218),
        ("2.18e2", "ms", 218),
        ("1/6 mm", "mm", 1 / 6),
        ("\N{MINUS SIGN}3.1 dB", "dB", -3.1),
        ("- 3,1 DB", "dB", -3.1),
        ("3.75 in/s", "ips", 3.75),
        ("9.525 cm/s", "ips", 3.75),
        ("1 in", "mm", 25.4),
        ("2.3kHz", "Hz", 2300),
        ("1 234,5 Hz", "Hz", 1234.5),
        ("1\N{THIN SPACE}234.5\N{NARROW NO-BREAK SPACE}Hz", "Hz", 1234.5),
        ("1,234.5", "Hz", 1234.5),
        ("1.234,5", "Hz", 1234.5),
        ("1,234", "Hz", 1234),  # a comma between thousands
        ("1,234", "kHz", 1.234),  # or for the point
        ("248.8 MB/s", "MB a second", 248.8),
        ("0.5°", "arcmin", 30),
        ("½", "ms", None),
        ("218 mm", "ms", None),
        ("5 %", "", None),
    ],
)
def test_a_typed_number_is_understood_in_each_unit_that_measures_the_same(text, unit, number):
    reply = check(text, number or 1, unit, tolerance_percent=1e-4)
    assert reply.state == ("open" if number is None else "right")


def test_a_unit_of_something_else_is_named_as_such():
    assert check("218 mm", DELAY, "ms").sentence == "That unit does not fit: the answer is counted in ms."
    assert check("5 %", 3, "").sentence == "That unit does not fit: the answer is a plain number."


@pytest.mark.parametrize(
    ("guess", "said"),
    [
        (200, ": well guessed."),
        (50, ", 4.4 times as much. Divide."),
        (1, ", more than a hundred times as much. Divide."),
        (160, ", 36 % more. Divide."),
        (300, ", 27 % less. Divide."),
        (436, ": you guessed 2 times as much. That is the slow speed."),
        (4000, ": you guessed 18 times as much. Divide."),
        (0, ". Divide."),
        (-50, ". Divide."),
    ],
)
def test_a_guess_is_set_beside_the_truth_and_never_judged(guess, said):
    reply = (
        Guess(DELAY, "ms", tolerance_percent=25)
        .hints("Divide.", (436, "That is the slow speed."))
        .check(guess)
    )
    assert reply == Reply("guess", f"You guessed {guess} ms; it is 218 ms{said}")


def test_a_symbolic_number_counts_as_a_number():
    sympy = pytest.importorskip("sympy")
    assert check(sympy.Rational(218), DELAY, "ms").state == "right"
    assert check(sympy.Symbol("T"), DELAY, "ms").state == "open"


def test_a_named_slip_gets_its_own_hint_before_the_general_ones():
    slips = ((2 * DELAY, "There and back."), ((None, 0), "Time runs forward."))
    assert check(435, DELAY, "ms", *slips).sentence == "Not yet. There and back."
    assert check(-3, DELAY, "ms", *slips).sentence == "Not yet. Time runs forward."
    assert "factor of 1000" in check(0.218, DELAY, "ms", *slips).sentence


@pytest.mark.parametrize(("factor", "words"), UNIT_SLIPS)
def test_each_unit_slip_is_recognized_both_ways(factor, words):
    assert check(DELAY * factor, DELAY, "ms").sentence == f"Not yet. {words}"
    assert check(DELAY / factor, DELAY, "ms").sentence == f"Not yet. {words}"


def test_half_of_a_decibel_value_points_at_power_and_amplitude():
    assert "a power takes 10 log10" in check(-3.01, -6.02, "dB").sentence
    assert "a power takes 10 log10" in check(-6.02, -3.01, "dBu").sentence


def test_slips_are_numbers_ranges_with_their_ends_or_what_is_not_whole():
    slips = ((None, 3), "Low."), ((90, None), "High."), ((20, 30), "Between."), (NOT_WHOLE, "Count.")
    replies = [check(number, 50, "", *slips).sentence for number in (3, 90, 20, 30, 19.5, 19)]
    said = ["Low.", "High.", "Between.", "Between.", "Count.", "Your number is too small."]
    assert replies == [f"Not yet. {words}" for words in said]


def test_a_wrong_sign_is_named():
    assert check(6.0, -6.02, "dB").sentence == "Not yet. The size is right, the sign is not."


def test_any_other_number_gets_the_hint_and_a_direction():
    assert check(300, DELAY, "ms", hint="Try.").sentence == "Not yet. Try. Your number is too large."
    assert check(170, DELAY, "ms").sentence == "Not yet. Your number is too small."


@pytest.mark.parametrize("answer", [None, "218", 0, 1, 170, 300, 435.7, 0.2178, -217.8, 2178])
def test_no_reply_gives_the_answer_away(answer):
    assert "217" not in repr(check(answer, DELAY, "ms")).replace(str(answer), "")


def test_reply_reads_as_text_and_as_html():
    assert repr(Reply("right", "Right: 1 < 2.")) == "✓ Right: 1 < 2."
    page = Reply("not yet", "1 < 2")._repr_html_()
    assert "1 &lt; 2" in page and "role='status'" in page
    assert len({Reply(state, "x")._repr_html_() for state in MARKS}) == 4


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"expected": 0}, "expected must not be 0"),
        ({"expected": float("nan")}, "expected must be a finite number"),
        ({"expected": [1, 2]}, "expected must be one number"),
        ({"expected": 1, "tolerance_percent": 0}, "tolerance_percent must be from"),
        ({"expected": 1, "tolerance_percent": 60}, "tolerance_percent must be from"),
    ],
)
def test_a_badly_set_exercise_is_refused(arguments, sentence):
    with pytest.raises(ValueError, match=sentence):
        Exercise(unit="ms", **arguments)


@pytest.mark.parametrize("exercise", EVERY)
def test_exercise_of_a_notebook_holds_together(exercise):
    right, wrong = ("guess", "guess") if isinstance(exercise, Guess) else ("right", "not yet")
    assert exercise.check(None).state == "open"
    assert exercise.check(exercise.expected).state == right
    assert exercise.check(exercise.expected * (1 + 2.5 * exercise.tolerance_percent / 100)).state == wrong
    for slip, words in exercise.slips:
        assert words.endswith((".", "?")) and f"{exercise.expected:.3g}" not in words
        if isinstance(slip, float | int):
            assert exercise.check(slip).sentence.endswith(words)  # neither right nor an earlier slip


def test_a_whole_number_that_must_be_met_is_not_praised_for_a_millionth_of_a_percent():
    assert str(check(3, 3, "", tolerance_percent=1e-6)) == "✓ Right: 3, exactly."
    assert check(110, 109, "frames", tolerance_percent=1e-6).state == "not yet"


def test_guesses_meet_the_truth_in_their_order_and_what_was_left_open_shows_it_alone():
    first = Guess(DELAY, "ms", tolerance_percent=25)
    met = meet((None, first), ("few.", "By a few."), (None, "No."))
    assert met.sentences == ("It is 218 ms.", "By a few. You said: few.", "No.")
    assert repr(met) == "1. It is 218 ms.\n2. By a few. You said: few.\n3. No."
    assert meet((218, first)).sentences == ("You guessed 218 ms; it is 218 ms: well guessed.",)
    assert meet(("<i>", "No."))._repr_html_() == "<ol><li>No. You said: &lt;i&gt;.</li></ol>"
