"""Every notebook that git tracks keeps the rules of `notebook_rules`."""

import notebook_rules as rules
import pytest
from project import keeps

NOTEBOOKS = rules.tracked_notebooks()
LESSONS = [notebook.name for notebook in NOTEBOOKS if notebook.is_lesson]
TRACKED = rules.tracked_files()

every_notebook = pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda notebook: notebook.name)


@every_notebook
def test_headings_stand_in_the_agreed_order(notebook):
    keeps(rules.heading_violations(notebook))


@every_notebook
def test_a_guess_is_asked_for_before_the_first_panel(notebook):
    keeps(rules.predict_violations(notebook))


@every_notebook
def test_something_breaks_on_purpose_and_stores_its_error(notebook):
    keeps(rules.break_it_violations(notebook))


@every_notebook
def test_two_roads_agree_within_a_tolerance(notebook):
    keeps(rules.two_roads_violations(notebook))


@every_notebook
def test_theory_is_the_same_expression(notebook):
    keeps(rules.one_expression_violations(notebook))


@every_notebook
def test_cells_are_thin_and_define_nothing_that_the_library_has(notebook):
    keeps(rules.thin_cell_violations(notebook))


def test_no_function_is_defined_in_two_notebooks():
    keeps(rules.shared_definition_violations(NOTEBOOKS))


@every_notebook
def test_links_lead_to_tracked_files_and_headings(notebook):
    keeps(rules.link_violations(notebook, TRACKED))


@every_notebook
def test_previous_and_next_stand_at_top_and_foot(notebook):
    keeps(rules.navigation_violations(notebook, LESSONS))


def test_titles_are_unique_and_numbers_are_the_reading_order():
    keeps(rules.title_violations(NOTEBOOKS))


@every_notebook
def test_numbers_in_prose_are_shown_or_given(notebook):
    keeps(rules.given_violations(notebook, rules.bench_deck()))


@every_notebook
def test_what_is_committed_is_what_ran(notebook):
    keeps(rules.stored_violations(notebook))


@every_notebook
def test_no_cell_escapes_the_comparison(notebook):
    keeps(rules.compared_violations(notebook))


@every_notebook
def test_files_that_a_cell_opens_are_tracked(notebook):
    keeps(rules.opened_violations(notebook, TRACKED))


@every_notebook
def test_every_picture_has_a_visible_description(notebook):
    keeps(rules.description_violations(notebook))


@every_notebook
def test_players_keep_levels_and_start_low_and_never_by_themselves(notebook):
    keeps(rules.player_violations(notebook, rules.peak))


@every_notebook
def test_formulas_stand_in_dollars(notebook):
    keeps(rules.formula_violations(notebook))
