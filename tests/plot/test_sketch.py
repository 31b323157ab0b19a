"""Lines, corners, bridges and arrowheads of drawings."""

import numpy as np
import pytest
from matplotlib.patches import Polygon

from tapecalc.plot import kit, sketch, style


def sheet(profile="notebook"):
    with style.context(profile) as page:
        return kit.Canvas(style.new_figure(page).add_subplot(), page).sketch()


def test_an_arrowhead_is_one_solid_triangle_dashes_or_not():
    for dashed in (False, True):
        drawing = sheet()
        line = drawing.line([(1, 1), (9, 1), (9, 5)], role="echo", arrows=1, dashed=dashed)
        (head,) = (p for p in drawing.axes.patches if isinstance(p, Polygon))
        assert (line.get_linestyle() == "-") != dashed and head.get_linestyle() in ("-", "solid")
        tip, *back = head.get_xy()[:3]
        assert tip == pytest.approx((9, 5))
        assert np.mean(back, axis=0) == pytest.approx(line.get_path().vertices[-1])


def test_corners_are_round_by_one_radius_or_less_where_there_is_no_room():
    way = [np.array(p, float) for p in ((0, 0), (4, 0), (4, 0.6))]
    points = sketch._rounded(way, 0.5).vertices.tolist()
    assert points == [[0, 0], [3.7, 0], [4, 0], [4, 0.3], [4, 0.6]]


def test_a_line_makes_a_bridge_where_it_crosses_another():
    under = [np.array([[2, -1], [2, 1]], float)]
    points = sketch._bridged([np.array([0.0, 0.0]), np.array([4.0, 0.0])], under)
    assert points[1][0] == pytest.approx(2 - sketch.LINE["bridge"]) and max(p[1] for p in points) > 0
    assert sketch._crossing(*map(np.array, ((0, 0), (4, 0), (2, -1), (2, 1)))) == pytest.approx(0.5)
    assert sketch._crossing(*map(np.array, ((0, 0), (4, 0), (5, -1), (5, 1)))) is None
    assert sketch._crossing(*map(np.array, ((0, 0), (4, 0), (0, 1), (4, 1)))) is None


def test_the_ribbon_is_as_thick_as_it_says_and_edged_in_brown():
    drawing = sheet()
    face = drawing.ribbon([(1, 1), (8, 1)], thickness=0.5)
    assert face.get_linewidth() == pytest.approx(0.5 * drawing.type_pt)
    edge = drawing.axes.patches[-2]
    assert edge.get_linewidth() > face.get_linewidth()


def test_words_of_one_row_stand_on_one_baseline_whatever_their_letters():
    drawing = sheet()
    rows = [drawing.words((k, 3), text) for k, text in enumerate(("half late", "a quarter", "same", "11 Hz"))]
    low = [text.get_window_extent().y0 for text in rows]
    assert low == pytest.approx([low[0]] * 4)
    two = [drawing.words((k, 6), text) for k, text in enumerate(("input\nsend", "mixer\ninput"))]
    assert two[0].get_window_extent().height == pytest.approx(two[1].get_window_extent().height)
