"""The picture of the loop: its wires, its number."""

import pytest

from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw
from tapecalc.plot.diagram import loop_diagram


def number(drawn):
    return next(text.get_text() for text in drawn.figure.texts if text.get_gid() == "number")


def test_the_return_send_is_the_thickest_wire_and_none_is_dashed():
    wires = {ends: wire for ends, wire in loop_diagram().artists.items() if isinstance(ends, tuple)}
    assert max(wires, key=lambda ends: wires[ends].get_linewidth()) == ("return send", "send bus")
    assert all(wire.get_linestyle() in ("-", "solid") for wire in wires.values())


def test_the_number_is_the_margin_and_what_it_means_is_said():
    # 4.5366 dB by the largest bumps that the head of the example can have, so it is that or more.
    drawn = draw("loop_diagram", example_machine())
    assert number(drawn) == "4.5 dB" and "The loop is 4.5 dB or more from running away." in drawn.caption
    past = loop_diagram(margin_db=-2.04)
    assert number(past) == "2.1 dB" and past.title == "This return send makes it run away"
    assert number(loop_diagram(margin_db=0.04)) == "less than 0.1 dB"


def test_where_nothing_goes_back_there_is_no_number():
    drawn = loop_diagram(layout=Heads(spacings=(0.04,), feeds_return=(False,)), margin_db=3.0)
    assert drawn.title == "Nothing goes back, so nothing repeats"
    with pytest.raises(StopIteration):
        number(drawn)
