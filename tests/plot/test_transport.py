"""Figures of delay and the tape path: data as the library says, heads to scale."""

import itertools

import numpy as np
import pytest
from figure_proof import problems
from figure_texts import shown_texts, text_problems
from machines import MACHINES
from matplotlib.patches import Circle

from tapecalc.calc import transport
from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine, machine_from_text
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.plot.style import figure_bytes
from tapecalc.plot.tape import Deck, belt
from tapecalc.plot.transport import own_deck, tape_path

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


def test_bodies_have_the_scale_of_the_spacings():
    drawn = draw("tape_path", profile="notebook")
    assert "are to one scale" in drawn.caption
    scale = drawn.artists["heads"][0] / 0.0415
    radii = [patch.radius / scale for patch in drawn.figure.axes[0].patches if isinstance(patch, Circle)]
    # 8 and 38 mm; half of 549 m x 35 um on a hub of 30 mm: sqrt(900 + 549 000 x 0.035 / 2 pi) = 62.91 mm.
    for size in (0.004, 0.019, 0.0629130):
        assert min(abs(radius / size - 1) for radius in radii) < 1e-4
    # 41.5 mm of a head 13 mm wide; the far one at 1.19 m leaves no room for that.
    far = tape_path(layout=Heads(spacings=(1.19,)), speed=SPEED)
    assert "drawn larger" in far.caption


@pytest.mark.parametrize("spacing_mm", [0.1, 41.5, 2000])
@pytest.mark.parametrize("length_m", [3000, 5000])
@pytest.mark.parametrize("size", ["notebook", "vertical"])
def test_packs_that_have_no_room_are_drawn_smaller_and_heads_stay_on_the_sheet(size, length_m, spacing_mm):
    # 5000 m x 35 um on a hub of 30 mm, half wound: a radius of 170 mm, beside 41.5 mm from head to head.
    machine = machine_from_text(
        f"unusual = true\ntransport.speeds_cm_s = [9.53]\ntape.length_m = {length_m}.0\n"
        f"playback_heads = [{{ spacing_mm = {spacing_mm} }}]"
    )
    drawn = draw("tape_path", machine, profile=size)
    figure_bytes(drawn.figure, "png", alt=drawn.alt)
    sheet = drawn.figure.axes[0]
    (left, right), (low, high) = sheet.get_xlim(), sheet.get_ylim()
    for box in (drawn.artists["record"], *drawn.artists["playback"]):
        x, y = box.get_center()
        assert left < x < right and low < y < high
    packs = sorted((p for p in sheet.patches if isinstance(p, Circle)), key=lambda p: -p.radius)[:2]
    assert all(p.center[0] + p.radius > left and p.center[1] - p.radius < high for p in packs)
    if length_m == 5000:
        assert "packs are drawn smaller" in drawn.caption and "half wound" not in drawn.caption
    if spacing_mm > 1:  # so many digits are wider than a phone
        assert problems(drawn, size) == []


def test_the_tape_lies_on_the_coated_side_of_the_heads_and_touches_them():
    for size in ("notebook", "vertical"):
        drawn = draw("tape_path", profile=size)
        way, box = drawn.artists["way"], drawn.artists["record"]
        sheet = drawn.figure.axes[0]
        packs = sorted((p for p in sheet.patches if isinstance(p, Circle)), key=lambda p: -p.radius)[:2]
        across = 0 if size == "vertical" else 1  # heads and packs are on one side of the tape: wound inward
        assert box.get_center()[across] > way[0, 1 + across]
        assert all(pack.center[across] > way[0, 1 + across] for pack in packs)
        mm = np.interp(0.0415, way[:, 0], way[:, 1 + across])
        assert mm < np.interp(0.02, way[:, 0], way[:, 1 + across])  # pressed in where a head stands


def test_a_cassette_has_its_heads_opposite_to_two_packs_close_together():
    machine = machine_from_text(MACHINES["cassette"])
    assert own_deck(machine).cassette and not own_deck(MACHINE).cassette
    drawn = draw("tape_path", machine)
    assert drawn.artists["record"].get_center()[1] < drawn.artists["way"][0, 2]
    scale = drawn.artists["heads"][0] / 0.005
    circles = [p for p in drawn.figure.axes[0].patches if isinstance(p, Circle)]
    first, second = sorted(circles, key=lambda p: -p.radius)[:2]
    assert np.hypot(*np.subtract(first.center, second.center)) / scale == pytest.approx(0.0425)


def test_a_belt_around_two_equal_disks_has_two_straight_runs():
    first, second = belt([(0, 1, 1), (10, 1, 1)])
    assert first[-1] == pytest.approx([0, 0]) and second[0] == pytest.approx([10, 0])
    # From a disk of 3 to one of 1, 10 apart: it rises by asin(2 / 10) = 11.54 degrees.
    first, second = belt([(0, 0, 3), (10, 0, 1)])
    run = second[0] - first[-1]
    assert np.degrees(np.arctan2(run[1], run[0])) == pytest.approx(11.537, abs=1e-3)


def test_tape_path_of_many_heads_stays_readable():
    even, close = np.linspace(0.02, 0.16, 8), [0.022, 0.024, 0.026, 0.028, 0.03, 0.032, 0.06, 0.131]
    for spacings in (even, close):
        for size in ("notebook", "video_1080", "vertical"):
            layout = Heads(spacings=tuple(spacings))
            for deck in (Deck(), Deck(packs=None, loop_length=3.0)):
                drawn = tape_path(layout=layout, speed=SPEED, profile=size, deck=deck)
                assert text_problems(drawn.figure, size) == []
                boxes = [box.get_window_extent() for box in drawn.artists["playback"]]
                assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))


@pytest.mark.parametrize("name", ["tape_path", "delay_map", "deck_works", "reel_time", "reel_turns"])
@pytest.mark.parametrize("kind", [None, *MACHINES])
def test_titles_find_something_in_eight_words(name, kind):
    machine = machine_from_text(MACHINES[kind]) if kind else MACHINE
    if CATALOG[name].suits(machine):
        title = draw(name, machine).title
        assert 3 <= len(title.split()) <= 8 and len(title) <= 46


LONG = machine_from_text("[transport]\nspeeds_ips = [1.875]\n[[playback_heads]]\nspacing_mm = 1190\n")
FREE = machine_from_text("[transport]\nspeed_range_cm_s = [9, 24]\n[[playback_heads]]\nspacing_mm = 45\n")


def test_very_long_delays_are_charted_in_seconds():
    drawn = draw("delay_map", LONG)
    # 1.19 m / 47.625 mm/s
    assert drawn.artists["heads"][0].get_ydata()[0] == pytest.approx(24.987, abs=1e-3)
    assert drawn.figure.axes[0].get_ylabel() == "delay (s)" and "delay in s" in drawn.alt


def test_a_range_of_delays_has_room_down_a_narrow_sheet():
    drawn = draw("tape_path", FREE, profile="vertical")
    assert problems(drawn, "vertical") == []
    sheet, boxes = drawn.figure.axes[0].get_window_extent(), dict(shown_texts(drawn.figure))
    for name in ("erase", "record", "capstan", "playback\n188 to\n500 ms"):
        assert sheet.y0 < boxes[name].y0 and boxes[name].y1 < sheet.y1


def test_the_name_of_the_capstan_stands_clear_of_the_packs_of_a_cassette():
    drawn = draw("tape_path", machine_from_text(MACHINES["cassette"]), profile="vertical")
    name, to_sheet = dict(shown_texts(drawn.figure))["capstan"], drawn.figure.axes[0].transData
    circles = [p for p in drawn.figure.axes[0].patches if isinstance(p, Circle)]
    for pack in sorted(circles, key=lambda p: -p.radius)[:2]:
        middle, rim = to_sheet.transform([pack.center, np.add(pack.center, (pack.radius, 0))])
        nearest = np.clip(middle, name.min, name.max)
        assert np.hypot(*(nearest - middle)) > rim[0] - middle[0]
