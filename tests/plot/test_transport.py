"""Figures of delay and the tape path: data as the library says, heads to scale."""

import itertools

import numpy as np
import pytest
from figure_texts import text_problems

from tapecalc.calc import transport
from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw
from tapecalc.plot.transport import tape_path

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]


def test_delay_map_points_are_the_machines_delays():
    drawn = draw("delay_map")
    for points, speed in zip(drawn.artists["heads"], MACHINE.speeds, strict=True):
        np.testing.assert_allclose(points.get_ydata(), [1000 * t for t in MACHINE.delays(speed)])
    x, y = drawn.artists["lines"][0].get_data()
    np.testing.assert_allclose(y[1:], 1000 * transport.delay_from_spacing(x[1:] / 1000, SPEED))
    assert (x[0], y[0]) == (0, 0)


def test_inches_and_metric_show_the_same_numbers_in_their_own_units():
    metric, inches = (draw("delay_map", units=u) for u in ("metric", "inches"))
    np.testing.assert_allclose(
        metric.artists["heads"][0].get_xdata() / 25.4, inches.artists["heads"][0].get_xdata(), rtol=1e-12
    )
    assert "7.5 ips" in inches.caption and "19.05 cm/s" in metric.caption


def test_heads_of_the_tape_path_are_to_scale():
    heads = tape_path(layout=Heads(spacings=(0.02, 0.04, 0.08)), speed=SPEED).artists["heads"]
    assert np.diff(heads)[1] == pytest.approx(2 * np.diff(heads)[0])


def test_tape_path_of_many_heads_stays_readable():
    even, close = np.linspace(0.02, 0.16, 8), [0.022, 0.024, 0.026, 0.028, 0.03, 0.032, 0.06, 0.131]
    for spacings in (even, close):
        for size in ("notebook", "video_1080", "vertical"):
            layout = Heads(spacings=tuple(spacings))
            drawn = tape_path(layout=layout, speed=SPEED, profile=size, loop_length=3.0)
            assert text_problems(drawn.figure, size) == []
            boxes = [box.get_window_extent() for box in drawn.artists["playback"]]
            assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))
