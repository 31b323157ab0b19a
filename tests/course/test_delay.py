"""The exercises about the delay."""

import pytest

from tapecalc.course import delay as lesson


@pytest.mark.parametrize(
    ("exercise", "answer"),
    [
        (lesson.two_inches, 267),
        (lesson.second_head, 28.6),
        (lesson.ruler, 0.2),  # a fifth of a millimeter
        (lesson.ruler, 0.19),
        (lesson.sleeve_wall, 0.17),
        (lesson.sleeve_wall, 1 / 6),
        (lesson.mains, 300),
        (lesson.stopwatch, 46.9),
        (lesson.stopwatch, 47),
    ],
)
def test_an_answer_as_the_solution_rounds_it_is_right(exercise, answer):
    assert exercise.check(answer).state == "right"


def test_whoever_has_not_guessed_is_told_which_cell_takes_the_number():
    assert "in the cell where you guessed" in lesson.first_guess.check(None).sentence
