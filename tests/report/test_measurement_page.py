"""The page of a measurement: what stands on it, in which order, and that it needs nothing from elsewhere."""

from dataclasses import replace

import numpy as np
import pytest
from page_outline import ADDRESSES, Outline

from tapecalc.calc.parts import fingerprint
from tapecalc.machine import example_machine, with_changes
from tapecalc.measuring import Delay, Estimate, KnownSpeed, Measurement, WhatIf, solve_geometry
from tapecalc.measuring.session import Light, Note, Place
from tapecalc.report.measurement import Figure, changes, measurement_figures, read_figures
from tapecalc.report.measurement_page import measurement_page, steps

MACHINE = example_machine()
LOW_CUT = Estimate(30.0, 2.0, "Hz")
PART = MACHINE.turning_parts[0]


def measured(speed=1.0):
    """A measurement of one head at one speed, its treble dull, one of its parts accused."""
    v = speed * MACHINE.speeds[0]
    delay, known = Estimate(MACHINE.spacings[0] / v, 1e-5, "s"), Estimate(v, 1e-3 * v, "m/s")
    geometry = solve_geometry([Delay(delay), KnownSpeed(known)])
    fits = [WhatIf({"separation": Estimate(5e-6, 1e-7, "m")}, LOW_CUT, 0.4, 9.0, np.zeros(3))]
    verdicts = fingerprint([(float(PART.rate_at(v)), 1e-3)], MACHINE.turning_parts, v)
    return Measurement(
        lights=[
            Light("program", Place(0, 0), "good", ()),
            Light("tone", Place(0, 0), "useless", ("It <hums>.",)),
        ],
        what_ifs={Place(0, 0): fits},
        suspects={0: verdicts},
        geometry=geometry,
        notes=[Note("It <hums>.", Place(0, 0))],
    )


def test_the_page_is_whole_escaped_and_loads_nothing():
    page = measurement_page(measured(), [], machine=with_changes(MACHINE, {"name": "<b>deck</b>"}))
    outline = Outline(page)
    assert outline.title == "Measurement of <b>deck</b>" and not outline.open
    assert [level for level, _ in outline.headings][0] == 1 and "It <hums>." in outline.text
    assert not [
        v for _, found in outline.tags for k, v in found.items() if k in ADDRESSES and "data:" not in v
    ]
    policy = [found["content"] for tag, found in outline.tags if found.get("http-equiv")]
    assert policy and policy[0].startswith("default-src 'none'") and "script" not in policy[0]
    assert "<script" not in page


def test_what_to_do_stands_in_the_order_in_which_it_is_to_be_done():
    found = measured()
    titles = [step.title for step in steps(found, measurement_figures(found, MACHINE))]
    assert titles == ["Clean", "Demagnetize", "Look at belts and rollers, machine off and unplugged"]
    verdict = found.suspects[0][0]
    found.suspects[0] = [replace(verdict, part=replace(PART, name="DC belt"))]
    (belt,) = (one for one in steps(found, measurement_figures(found, MACHINE)) if "belts" in one.title)
    assert belt.how[0].startswith("DC belt (")  # as its owner writes it
    tilted = [WhatIf({"azimuth": Estimate(0.003, 1e-5, "rad")}, LOW_CUT, 0.4, 9.0, np.zeros(3))]
    found.what_ifs[Place(0, 0)] = tilted
    every = steps(found, measurement_figures(found, MACHINE))
    assert [step.title for step in every][3:] == ["Play a test tape", "Have it aligned by somebody trained"]
    assert "No screwdriver goes into a running machine" in every[-1].how[0]
    assert steps(Measurement(), []) == []


def test_what_is_off_is_marked_beside_what_the_file_says():
    slow = measurement_page(measured(0.95), [], machine=MACHINE)
    assert "Not as the machine file says: speed 1" in Outline(slow).text
    assert slow.count('<tr class="off">') >= 1
    right = measurement_page(measured(), [], machine=MACHINE)
    assert "2 of 2 figures are as the machine file says" in Outline(right).text


def test_changes_beyond_what_both_may_be_off_are_told_and_others_are_chance():
    before = {"delay": Figure("delay", 200.0, 0.3, "ms"), "speed": Figure("speed", 7.5, 0.1, "ips")}
    now = [Figure("delay", 201.0, 0.4, "ms"), Figure("speed", 7.55, 0.1, "ips"), Figure("new", 1.0, 0.1)]
    # Source: 0.3 and 0.4 add to 0.5.
    told = list(changes(now, before))
    assert [(one.name, one.change, one.real) for one in told] == [
        ("delay", "1.0 ms +/- 0.5 ms", True),
        ("speed", "no more than chance", False),
    ]
    assert not list(changes([Figure("speed", 19.0, 0.1, "cm/s")], before))


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"figures": []}', '{"figures": [{"name": 1}]}', "[" * 5000,
             '{"figures": [{"name": "a", "value": NaN, "plus_minus": 1, "unit": ""}]}',
             '{"figures": [{"name": "a", "value": "x", "plus_minus": 1, "unit": ""}]}'],
)  # fmt: skip
def test_a_file_that_holds_no_older_figures_is_refused_in_one_sentence(text, tmp_path):
    path = tmp_path / "measured.json"
    path.write_text(text)
    with pytest.raises(ValueError, match=r"not a measured.json of this tapecalc"):
        read_figures(path)
