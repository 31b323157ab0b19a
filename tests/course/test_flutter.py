"""The exercises about wow and flutter."""

import pytest

from tapecalc.course import flutter as lesson


@pytest.mark.parametrize(
    ("exercise", "right", "wrong"), [(lesson.forced, ["0.2", "0.20"], ["0.1", "0.05", "0.0125"])]
)
def test_an_answer_is_right_as_people_round_it(exercise, right, wrong):
    assert {exercise.check(float(text)).state for text in right} == {"right"}
    assert {exercise.check(float(text)).state for text in wrong} == {"not yet"}
