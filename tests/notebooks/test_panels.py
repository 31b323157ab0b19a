"""Every control of every panel in every notebook, moved to its ends."""

import math

import notebook_rules as rules
import panel_rules
import pytest
from project import keeps
from made_up_lesson import code

from tapecalc.course.panel import Panel, choice, slider, switch
from tapecalc.plot import style

LESSONS = [notebook for notebook in rules.tracked_notebooks() if notebook.name != "00_index"]


@pytest.mark.slow
@pytest.mark.parametrize("notebook", LESSONS, ids=lambda notebook: notebook.name)
def test_every_control_of_every_panel_changes_numbers_and_picture_and_all_stays_finite(notebook):
    panels = panel_rules.panels_of(notebook)
    assert panels, "the notebook makes no panel"
    keeps([said for panel in panels for said in panel_rules.panel_violations(panel)])


def build(figure, profile):
    axes = style.dress(figure.subplots(), profile, x="spacing (mm)", y="delay (ms)")
    axes.set(xlim=(0, 100), ylim=(0, 600))
    return {"point": axes.plot([0], [0], "o")[0]}


def update(artists, spacing_mm, speed_ips):
    delay = spacing_mm / (0.0254 * speed_ips)
    artists["point"].set_data([spacing_mm], [delay])
    return f"{spacing_mm:g} mm give {delay:.0f} ms.", [("delay", f"{delay:.0f} ms")]


SPACING = slider("spacing_mm", "head spacing", 40, low=10, high=100, step=1, unit="mm")
SPEED = choice("speed_ips", "tape speed", {"fast": 7.5, "slow": 3.75}, 7.5)


def make(**changes):
    parts = {
        "name": "delay",
        "build": build,
        "update": update,
        "controls": (SPACING, SPEED),
        "question": "Which spacing gives 300 ms?",
        "legend": "Dot: this spacing at this speed.",
        "alt": "Chart of delay in ms over head spacing in mm, with one dot for the setting.",
    }
    return Panel(**(parts | changes))


def words_only(artists, spacing_mm, speed_ips):
    return f"{spacing_mm:g} mm at {speed_ips:g} ips."


def picture_only(artists, spacing_mm, speed_ips):
    update(artists, spacing_mm, speed_ips)
    return "40 mm give 210 ms."


def dead_speed(artists, spacing_mm, speed_ips):
    return update(artists, spacing_mm, 7.5)


def endless(artists, spacing_mm, speed_ips):
    artists["point"].set_data([spacing_mm], [math.inf if spacing_mm == 100 else spacing_mm / speed_ips])
    return f"{spacing_mm / speed_ips:.1f} ms."


def no_number(artists, spacing_mm, speed_ips):
    update(artists, spacing_mm, speed_ips)
    return f"{math.nan if spacing_mm == 100 else spacing_mm / speed_ips} ms."


def failing(artists, spacing_mm, speed_ips):
    if spacing_mm == 100:
        raise ZeroDivisionError("at the end")
    return update(artists, spacing_mm, speed_ips)


def with_switch(artists, spacing_mm, speed_ips, doubled):
    shown = max(spacing_mm, 60) if doubled else spacing_mm
    return update(artists, shown, speed_ips)


def test_a_good_panel_is_left_in_peace():
    assert panel_rules.panel_violations(make()) == []


def test_a_control_may_matter_only_where_another_one_stands_elsewhere():
    switched = slider("spacing_mm", "head spacing", 80, low=10, high=100, step=1, unit="mm")
    panel = make(controls=(switched, SPEED, switch("doubled", "at least 60 mm", False)), update=with_switch)
    assert panel_rules.panel_violations(panel) == []


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"update": words_only}, "spacing_mm changes nothing that is drawn"),
        ({"update": picture_only}, "speed_ips changes no number"),
        ({"update": dead_speed}, "speed_ips changes no number"),
        ({"update": endless}, "not finite"),
        ({"update": no_number}, "says 'nan ms."),
        ({"update": failing}, "raises ZeroDivisionError"),
        ({"question": "Move it."}, "asks not one question"),
        ({"legend": ""}, "has no legend"),
        ({"update": lambda artists, **values: "It moves"}, "no sentence with a number"),
        (
            {"controls": (SPEED, slider("spacing_mm", "d", 40, low=1, high=99, step=1, unit=""))},
            "shows no unit",
        ),
    ],
)
def test_a_spoiled_panel_is_found(changes, said):
    violations = panel_rules.panel_violations(make(**changes))
    assert any(said in text for text in violations), violations


def test_a_panel_with_one_control_and_one_that_does_not_reset_are_found(monkeypatch):
    one = make(controls=(SPACING,), update=lambda artists, spacing_mm: update(artists, spacing_mm, 7.5))
    assert any("1 controls" in text for text in panel_rules.panel_violations(one))
    stuck = make()
    monkeypatch.setattr(stuck, "reset", lambda: None)
    assert any("reset does not lead back" in text for text in panel_rules.panel_violations(stuck))


def test_panels_of_a_notebook_are_found_and_what_must_fail_may(made_up):
    cells = [
        "from tapecalc.course.panel import Panel, slider",
        "def build(figure, profile):\n    return {'line': figure.subplots().plot([0, 1])[0]}",
        "def update(artists, **values):\n    return 'Nothing.'",
        "knob = slider('x', 'x', 1, low=0, high=2, step=1, unit='')",
        "words = {'question': 'Why?', 'legend': '-', 'alt': 'A chart of a line that always stands still'}",
        "Panel(name='hidden', build=build, update=update, controls=(knob,), **words)",
    ]

    def replaced(notebook):
        notebook.cells = [code(source) for source in cells]
        notebook.cells.append(code("1 / 0", tags=["raises-exception"]))

    assert [panel.name for panel in panel_rules.panels_of(made_up(replaced))] == ["hidden"]

    def failing_cell(notebook):
        notebook.cells = [code("1 / 0")]

    with pytest.raises(ZeroDivisionError):
        panel_rules.panels_of(made_up(failing_cell))
