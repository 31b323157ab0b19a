"""What the lesson on figures knows of type."""

import math

import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from tapecalc.course.figures import CAPITAL, letter_angle
from tapecalc.plot import style


def test_a_capital_is_as_high_as_the_font_says():
    box = TextPath((0, 0), "H", size=1000, prop=FontProperties(family=style.FAMILY)).get_extents()
    assert box.height / 1000 == pytest.approx(CAPITAL, abs=1e-3)


@pytest.mark.parametrize("values", [(0, 1, 1), (1, -1, 1), (1, 1, math.nan)])
def test_a_picture_without_size_is_refused(values):
    with pytest.raises(ValueError, match="must be"):
        letter_angle(*values)
