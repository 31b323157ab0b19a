"""Every notebook of the course keeps the rules of `notebook_rules`."""

import notebook_rules as rules
import pytest
from project import NOTEBOOKS, keeps

every_notebook = pytest.mark.parametrize("notebook", rules.course(), ids=lambda notebook: notebook.name)


@every_notebook
def test_a_lesson_begins_with_something_to_do_asks_for_a_guess_plays_and_sets_exercises(notebook):
    keeps(rules.order_violations(notebook))


@every_notebook
def test_its_module_its_test_and_what_it_links_to_are_there(notebook):
    keeps(rules.place_violations(notebook))


@every_notebook
def test_what_is_committed_is_what_ran(notebook):
    keeps(rules.stored_violations(notebook))


@every_notebook
def test_every_picture_has_a_visible_description(notebook):
    keeps(rules.description_violations(notebook))


@every_notebook
def test_players_are_as_loud_as_the_course_and_never_start_by_themselves(notebook):
    keeps(rules.player_violations(notebook))


@every_notebook
def test_a_lesson_takes_the_time_that_it_says(notebook):
    keeps(rules.time_violations(notebook))


@every_notebook
def test_numbers_in_prose_are_shown_or_given(notebook):
    keeps(rules.number_violations(notebook, rules.bench_deck()))


def test_the_ways_between_the_lessons_and_the_index_are_those_that_the_tool_writes(tmp_path):
    for notebook in rules.course():
        (tmp_path / notebook.path.name).write_bytes(notebook.path.read_bytes())
    rules.tool.navigate(tmp_path)
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (NOTEBOOKS / path.name).read_bytes(), (
            f"{path.name}: run tools/notebook.py nav"
        )
