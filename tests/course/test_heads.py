"""The exercises about many heads."""

import numpy as np
import pytest

from tapecalc.calc.stereo import StereoLoop, stereo_stability
from tapecalc.course.heads import ping_pong
from tapecalc.machine import example_machine

MACHINE = example_machine()


def test_the_margin_of_unlike_crossed_sends_is_half_of_once_round():
    sends = ((0.0, 10 ** (-8 / 20)), (10 ** (-4 / 20), 0.0))
    ideal = MACHINE.one_pass(MACHINE.speeds[0], pole_shape="flat")
    made = StereoLoop(heads=(MACHINE.heads_at(MACHINE.speeds[0]),) * 2, sends=sends, one_pass=ideal)
    loudest_db = ideal.level_db(np.geomspace(50, 5000, 5000)).max()
    assert stereo_stability(made).margin_db + loudest_db == pytest.approx(ping_pong.expected, abs=0.01)
