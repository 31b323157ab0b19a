"""Where exercises stand on a page is read from the notebook's code, which is not run."""

import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook
from programs import program

from tapecalc.course import delay

site_exercises = program("site_exercises")

IMPORT = "from tapecalc.course import delay as lesson\nguess_ms = None"
CODE = [{"kind": "code", "html": "the code"}]
REPLY = [{"kind": "html", "html": "Put your number in"}]
PRINTED = [{"kind": "output", "text": "1"}]


def made(*sources):
    """The exercises of a notebook of these cells, and the cells."""
    notebook = new_notebook(cells=[new_code_cell(source) for source in sources])
    return site_exercises.Exercises(notebook), notebook.cells


def around(exercises, cell, *parts):
    """What stands for a cell, as texts."""
    return [str(part.get("html", part.get("text"))) for part in exercises.around(cell, list(parts))]


def test_an_exercise_stands_in_place_of_code_and_reply():
    found, (_, cell) = made(IMPORT, "answer_ms = None\nlesson.mains.check(answer_ms)")
    (place,) = around(found, cell, *CODE, *REPLY)
    assert place.startswith('<div data-exercise="delay.mains"><p>Work it out')
    assert found.found == {"delay.mains": delay.mains}


def test_a_guess_is_asked_where_it_is_taken_and_meets_the_truth_where_it_is_checked():
    found, (first, cell) = made(IMPORT, "print(1)\nlesson.first_guess.check(guess_ms)")
    assert around(found, first, *CODE)[0] == "the code"
    assert around(found, first, *CODE)[1].startswith('<div data-guess="delay.first_guess">')
    shown = around(found, cell, *CODE, *PRINTED, *REPLY)
    assert shown[:2] == ["the code", "1"] and shown[2].startswith('<div data-truth="delay.first_guess">')
    assert found.keys(guesses=True) == ["delay.first_guess"] and found.keys(guesses=False) == []


def test_guesses_in_words_are_asked_in_the_list_and_met_where_they_are_told():
    found, _ = made(IMPORT.replace("None", "None  # your guess number 1, instead of None"))
    assert found.numbers == set()  # nothing checks it
    found, _ = made(f"{IMPORT}  # your guess number 1", "lesson.first_guess.check(guess_ms)")
    found.topic = "delay"
    (place,) = around(found, made("guess_ms = None")[1][0], *CODE)
    assert place.startswith('<div data-guess="delay.first_guess" data-number="1">')
    asked = found.with_guesses("## Predict\n1. a\n2. b", "<ol>\n<li>a</li>\n<li><p>b</p></li>\n</ol>")
    assert asked == (
        f'<ol>\n<li>a{place}</li>\n<li><p>b</p><div data-word="delay.guess-2"></div></li>\n</ol>'
    )
    assert around(found, made("guess_ms = None")[1][0], *CODE) == []  # it has its place
    told = found.with_guesses(
        "", "<p>So (guess number 2) it is.</p><p>Guess number 1.</p><p>Guess number 3.</p>"
    )
    assert told == (
        '<p>So (guess number 2) it is.</p><div data-word-told="delay.guess-2"></div>'
        "<p>Guess number 1.</p><p>Guess number 3.</p>"
    )
    first = found.with_guesses(
        "", "<p>We guess it.</p><p><strong>Guess first:</strong> up or down?</p><p>Go on.</p>"
    )
    assert first == (
        "<p>We guess it.</p><p><strong>Guess first:</strong> up or down?</p>"
        '<div data-word="delay.guess-first-1"></div><p>Go on.</p>'
    )
    assert found.keys(guesses=True) == ["delay.first_guess", "delay.guess-2", "delay.guess-first-1"]


MEET = 'meet((guess_ms, lesson.first_guess), (None, "No: <b> only" " then."), (None, "Yes."))'


def test_at_the_end_each_guess_meets_its_truth_with_a_place_for_the_readers_own():
    found, cells = made(f"{IMPORT}  # your guess number 1", "lesson.first_guess.check(guess_ms)", MEET)
    found.topic, found.worded = "delay", ["delay.guess-2"]
    (list_,) = around(found, cells[2], *CODE, *REPLY)
    assert list_ == (
        '<ol><li>It is 218 ms.<div data-truth="delay.first_guess"></div></li>'
        '<li>No: &lt;b&gt; only then.<div data-word-told="delay.guess-2"></div></li><li>Yes.</li></ol>'
    )
    assert found.told == ["It is 218 ms.", "No: <b> only then.", "Yes."]


def test_a_truth_that_no_cell_before_asked_for_is_refused():
    with pytest.raises(ValueError, match=r"no cell before asks for delay\.mains"):
        made(IMPORT, MEET.replace("first_guess", "mains"))


def test_a_cell_of_nothing_but_places_for_guesses_shows_no_code():
    two = "guess_ms = None  # your guess number 1\nguess_tune = None  # your guess number 2"
    found, (_, cell, _) = made(
        "from tapecalc.course import delay as lesson", two, "lesson.first_guess.check(guess_ms)"
    )
    (place,) = around(found, cell, *CODE)
    assert place.startswith('<div data-guess="delay.first_guess" data-number="1">')


def test_a_prediction_without_a_list_has_one_field():
    found, _ = made()
    found.topic = "workbench"
    shown = found.with_guesses("## Predict\nBefore or after?", "<p>Before or after?</p>")
    assert shown == '<p>Before or after?</p><div data-word="workbench.guess-1"></div>'
    assert "mountExercises" in found.script()


def test_questions_from_earlier_lessons_stand_in_words_with_their_solution():
    look_back = (
        'from tapecalc.course.look_back import look_back\nfirst, second = look_back("tempo")\nfirst.ask(None)'
    )
    found, (one, two) = made(look_back, "answer = None\nsecond.ask(answer)")
    for number, cell in enumerate((one, two)):
        (text,) = around(found, cell, *CODE, *REPLY)
        assert (
            text.startswith(f'<div data-look-back="{number}"><p>From lesson ') and "<summary>Solution" in text
        )
    assert len(found.variants) == 2 and found.lesson == "tempo"


@pytest.mark.parametrize(
    "source",
    [
        "lesson.check(1)",
        "lesson.no_such.check(1)",
        "lesson.delay_panel.check(1)",
        "other.mains.check(1)",
        "first.ask(1)",
        "%matplotlib inline",
        "raise SystemExit\nlesson.mains.check(1)\n1 + 1",
        "import os; os.abort()",
    ],
)
def test_other_cells_stay_as_they_are_and_none_is_run(source):
    found, (_, cell) = made(IMPORT, source)
    assert around(found, cell, *CODE, *PRINTED) == ["the code", "1"]


def test_text_and_notebooks_without_exercises_have_no_script():
    found, _ = made("1 + 1")
    assert found.script() is None
    assert found.around(new_markdown_cell("lesson.mains.check(1)"), PRINTED) == PRINTED


def test_no_text_of_an_exercise_ends_the_script():
    found, _ = made(IMPORT, "lesson.mains.check(1)")
    script = found.script()
    assert "delay.mains" in script and "</" not in script and "mountExercises(document, COURSE" in script
