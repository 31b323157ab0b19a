"""The block diagram of the loop: its arrows."""

from tapecalc.plot.diagram import loop_diagram


def test_loop_diagram_has_one_way_back():
    arrows = loop_diagram().artists
    dashed = [name for name, arrow in arrows.items() if arrow.get_linestyle() not in ("-", "solid")]
    assert dashed == ["return send"]
