"""Every panel of the course, driven to the ends of its controls, and saved at every size."""

import importlib
import pkgutil
import re
from functools import partial

import pytest
from panel_checks import ends, said, strict, unsound

from tapecalc import course
from tapecalc.course.panel import SAVED_AS
from tapecalc.course.workbench import workbench_panel
from tapecalc.machine import example_machine

#: The most controls of a panel; the workbench does the whole job on one.
MOST_CONTROLS, MOST_ON_THE_WORKBENCH = 5, 7
UNIT_IN_NAME = r"_(mm|cm|m|um|ms|s|hz|khz|ips|cm_s|db|percent|cents|bpm|arcmin|degrees)$"


def panels():
    """A function for every panel, by module and name."""
    for module in pkgutil.iter_modules(course.__path__):
        found = importlib.import_module(f"{course.__name__}.{module.name}")
        for name, make in vars(found).items():
            if not name.endswith("_panel") or make.__module__ != found.__name__:
                continue
            make = partial(make, example_machine()) if make is workbench_panel else make
            yield pytest.param(make, id=f"{module.name}.{name}")


every_panel = pytest.mark.parametrize("make", list(panels()))


@every_panel
def test_it_asks_one_question_answers_with_numbers_and_names_units(make):
    panel = strict(make)
    assert panel.question.count("?") == 1 and panel.question.endswith("?")
    assert re.search(r"\d", panel.readout) and panel.readout.endswith(".")
    most = MOST_ON_THE_WORKBENCH if panel.name == "workbench" else MOST_CONTROLS
    assert len(panel.legend) > 10 and 2 <= len(panel.controls) <= most
    for name, control in panel.controls.items():
        assert control.options or not re.search(UNIT_IN_NAME, name) or "(" in control.label


def settings(panel, name):
    """Where others stand while one control moves: as at first, with another option of a list, at an end."""
    yield {}
    for other, control in panel.controls.items():
        if control.options and other != name:
            yield from ({other: value} for _, value in control.options if value != control.value)
    yield from ({other: ends(panel.controls[other])[0]} for other in panel.controls if other != name)


@every_panel
def test_each_control_changes_numbers_and_picture_and_nothing_goes_wrong_at_its_ends(make):
    panel = strict(make)
    first = panel.png
    for name, control in panel.controls.items():
        for others in settings(panel, name):
            words, pictures = set(), set()
            for value in ends(control):
                panel.reset()
                panel.set(**others, **{name: value})
                assert panel.values[name] == pytest.approx(value) and not unsound(panel)
                words.add(said(panel))
                pictures.add(panel.png)
            if len(words) > 1 and len(pictures) > 1:
                break
        else:
            pytest.fail(f"{name} changes no number or no picture")
    panel.reset()
    assert panel.png == first


@every_panel
@pytest.mark.slow
def test_it_is_saved_at_every_size(make, tmp_path):
    assert len(strict(make).save(tmp_path)) == 2 * len(SAVED_AS)
