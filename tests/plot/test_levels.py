"""The figure of levels: it is the level diagram."""

import numpy as np
import pytest

from tapecalc.calc import levels
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw

MACHINE = example_machine()


def test_level_ladder_is_the_level_diagram():
    artists = draw("level_ladder").artists
    diagram = levels.level_diagram(MACHINE.level_stages, MACHINE.levels.instrument_dbu)
    np.testing.assert_allclose(artists["signal"].get_ydata(), [node.dbu for node in diagram.nodes])
    low, high = artists["headroom"].get_ydata()
    assert high - low == pytest.approx(diagram.headroom_db)
