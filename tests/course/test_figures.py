"""The panel about the size of type, driven without a browser."""

import math

import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from panel_checks import panel_fixture

from tapecalc.course.figures import CAPITAL, SIZES, letter_angle, type_panel
from tapecalc.plot import style

panel = panel_fixture(type_panel)


def test_a_capital_is_as_high_as_the_font_says():
    box = TextPath((0, 0), "H", size=1000, prop=FontProperties(family=style.FAMILY)).get_extents()
    assert box.height / 1000 == pytest.approx(CAPITAL, abs=1e-3)


def test_the_angle_is_that_of_the_triangle(panel):
    panel.set(text_pt=18, width_cm=140, distance_cm=200)
    # Source: trigonometry by hand: 18 of 648 points, a picture 140 cm wide and 78.75 cm high.
    letter = 0.714 * 18 / 648 * 78.75
    expected = 60 * 2 * math.degrees(math.atan(letter / 400))
    assert panel.artists["here"].get_ydata()[0] == pytest.approx(expected)
    assert letter_angle(1e-3, 0.1, 10.0) == pytest.approx(CAPITAL * 1e-5)  # a small one: height over distance


@pytest.mark.parametrize(("text_pt", "said"), [(8, "too small."), (17, "readable."), (21, "easy.")])
def test_the_verdict_follows_the_angle(panel, text_pt, said):
    panel.set(text_pt=text_pt)
    assert panel.readout.endswith(said)


def test_from_the_named_size_on_type_is_easy(panel):
    panel.set(width_cm=60, distance_cm=200, text_pt=20)
    needed = int(panel.table["easy from"].split()[0])
    panel.set(text_pt=needed + 1)
    assert panel.readout.endswith("easy.")
    panel.set(text_pt=needed - 1)
    assert not panel.readout.endswith("easy.")


def test_the_picture_has_the_shape_of_its_size_and_the_color_of_its_ground(panel):
    for size in SIZES.values():
        panel.set(size=size, ground="light")
        paper = panel.artists["paper"].get_window_extent()
        profile = style.as_profile(size)
        assert paper.width / paper.height == pytest.approx(profile.width_in / profile.height_in)
        assert panel.artists["paper"].get_facecolor()[:3] == (1, 1, 1)
        words = panel.artists["words"].get_fontsize() * panel.figure.dpi / 72
        assert words / paper.height == pytest.approx(panel.values["text_pt"] / 72 / profile.height_in)


@pytest.mark.parametrize("values", [(0, 1, 1), (1, -1, 1), (1, 1, math.nan)])
def test_a_picture_without_size_is_refused(values):
    with pytest.raises(ValueError, match="must be"):
        letter_angle(*values)
