"""No keyword is swallowed, and options are given by keyword."""

import library_rules as rules
import pytest
from library_rules import made_module

public = [
    pytest.param(one, id=one.where)
    for subject in rules.library()
    for one in (*rules.callables(subject), *rules.data_classes(subject))
]
#: Callables whose keywords depend on the object, and refuse an unknown one themselves.
BY_OBJECT = {"show.panels.Panel.set": "its keywords are the names of the panel's own controls"}


@pytest.mark.parametrize("one", public)
def test_keywords_are_closed_and_options_keyword_only(one):
    if one.where not in BY_OBJECT:
        rules.keeps(rules.keyword_violations(one))


@pytest.mark.parametrize("one", public)
def test_an_unknown_keyword_raises_type_error(one):
    if one.where not in BY_OBJECT:
        rules.keeps(rules.unknown_keyword_violations(one))


def test_a_panel_refuses_a_control_that_it_does_not_have():
    from tapecalc.course.panel import Panel, switch

    panel = Panel(
        name="nothing",
        build=lambda figure, profile: {"line": figure.subplots().plot([0, 1])[0]},
        update=lambda artists, **values: "Nothing moves.",
        controls=(switch("shown", "shown", True),),
        question="Does anything move?",
        legend="Line: it stands still.",
        alt="Chart of a straight line that stands still whatever is set.",
    )
    with pytest.raises(ValueError, match="no_such_control"):
        panel.set(no_such_control=1)


def models():
    from pydantic import BaseModel

    from tapecalc import machine

    own = (value for value in vars(machine).values() if isinstance(value, type))
    return [v for v in own if issubclass(v, BaseModel) and v.__module__ == machine.__name__]


@pytest.mark.parametrize("model", models())
def test_sections_of_the_machine_file_are_closed_frozen_strict_and_explained(model):
    config = model.model_config
    assert (config["extra"], config["frozen"], config["strict"]) == ("forbid", True, True)
    values = {n: f for n, f in model.model_fields.items() if f.annotation in (int, float, bool, str)}
    assert [name for name, field in values.items() if not field.description] == []


@pytest.mark.parametrize(
    ("signature", "rule"),
    [
        ("(spacing, **options)", rules.keyword_violations),
        ("(spacing, speed=1, tape=2)", rules.keyword_violations),
        ("(spacing, exact=False)", rules.keyword_violations),
        ("(spacing=1, **options)", rules.unknown_keyword_violations),
    ],
)
def test_an_open_signature_is_found(signature, rule, tmp_path):
    source = f'"""A module."""\n\n__all__ = ["later"]\n\n\ndef later{signature}:\n    """Wait."""\n'
    (one,) = rules.callables(made_module(tmp_path, source))
    assert rule(one) != []


@pytest.mark.parametrize("signature", ["(spacing)", "(spacing, speed=1)", "(spacing, *, exact=False)"])
def test_a_closed_signature_is_left_in_peace(signature, tmp_path):
    source = f'"""A module."""\n\n__all__ = ["later"]\n\n\ndef later{signature}:\n    """Wait."""\n'
    (one,) = rules.callables(made_module(tmp_path, source))
    rules.keeps(rules.keyword_violations(one) + rules.unknown_keyword_violations(one))
