"""What a solution prints is judged right: whoever reads it and types its number is not told "not yet"."""

import re

import notebook_rules
import pytest
from exercises import exercises

EVERY = exercises()
CHECKED = re.compile(r"\b(?:lesson|workbench)\.(\w+)\.check\(")
SOLUTION = re.compile(r"<summary>Solution</summary>(.*?)</details>", re.S)
NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:,\d{3})*(?:\.\d+)?")


def solutions():
    """Each exercise of a notebook that has a solution, by its name, with the text."""
    for notebook in notebook_rules.course():
        topic = notebook.name.rpartition("_")[2]
        for cell, after in zip(notebook.cells, notebook.cells[1:], strict=False):
            found, solution = CHECKED.search(cell.source), SOLUTION.search(after.source)
            if cell.cell_type == "code" and found and solution:
                yield f"{topic}.{found[1]}", solution[1]


SOLVED = dict(solutions())


def test_every_exercise_has_a_solution_and_every_guess_has_none():
    assert set(SOLVED) == {name for name, exercise in EVERY.items() if not exercise.is_guess}


@pytest.mark.parametrize("name", SOLVED)
def test_a_number_of_the_solution_is_right(name):
    states = {number: EVERY[name].check(number).state for number in NUMBER.findall(SOLVED[name])}
    assert "right" in states.values(), states
