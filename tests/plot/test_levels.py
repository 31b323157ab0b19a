"""The figure of levels: it is the level diagram."""

import numpy as np
import pytest

from tapecalc.calc import levels
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw
from tapecalc.plot.levels import level_ladder

MACHINE = example_machine()


def test_level_ladder_is_the_level_diagram():
    artists = draw("level_ladder").artists
    diagram = levels.level_diagram(MACHINE.level_stages, MACHINE.levels.instrument_dbu)
    np.testing.assert_allclose(artists["signal"].get_ydata(), [node.dbu for node in diagram.nodes])
    low, high = artists["headroom"].get_ydata()
    assert high - low == pytest.approx(diagram.headroom_db)


def test_treble_has_its_limit_lower_by_what_is_recorded_more():
    drawn = draw("level_ladder")
    (stroke,) = drawn.artists["treble"]
    most = drawn.artists["most"].get_data().values[3]
    # By hand at 10 kHz, as aligned. At 7.5 ips 14.978 + 1.432 + 0.791 = 17.201 dB are lost; a boost of
    # 24 dB brings back 17.016 of them, the standard playback 10.362: 6.65 are put on tape. At 3.75 ips it is
    # 8.48, but there the tape bears 2.14 dB more above the reference.
    assert stroke.get_xydata() == pytest.approx(np.array([[3, most - 6.654]]), abs=2e-3)
    assert "distorts by 3 % at its limit, and 6.7 dB earlier at 10 kHz" in drawn.caption


def test_without_a_tape_or_a_boost_there_is_no_limit_of_treble():
    way = (levels.Stage("mixer", 10, 20, -90), levels.Stage("amplifier", 0, 13))
    drawn = level_ladder(stages=way, source_dbu=-10, lift_db=6)
    assert drawn.artists["treble"][0].get_xydata().size == 0 and "10 kHz" not in drawn.caption


@pytest.mark.parametrize("size", ["vertical", "article_single", "slide"])
def test_on_a_narrow_sheet_the_signal_goes_down_past_the_names_of_its_stages(size):
    drawn = draw("level_ladder", profile=size)
    levels_dbu, places = drawn.artists["signal"].get_data()
    assert list(levels_dbu) == list(draw("level_ladder").artists["signal"].get_ydata())
    first, last = drawn.figure.axes[0].transData.transform([(0, places[0]), (0, places[-1])])[:, 1]
    assert first > last
    texts = {text.get_text() for text in drawn.figure.axes[0].texts}
    assert {"mixer input", "tape \N{MINUS SIGN}4.0 dB", "return send", "signal", "limit", "noise"} <= texts


def test_what_is_beyond_the_limit_is_hatched_and_a_stage_past_it_is_called_so():
    way = (levels.Stage("mixer", 10, 20, -90), levels.Stage("tape", 0, 13, -52))
    drawn = level_ladder(stages=way, source_dbu=6)
    assert drawn.title == "The tape is past its limit" and drawn.artists["most"].get_hatch()
    assert {"3 dB", "above the limit of the tape"} <= {text.get_text() for text in drawn.figure.texts}
    assert level_ladder(stages=way, source_dbu=-10).title == "The tape has the least headroom"


@pytest.mark.parametrize(("size", "told"), [("notebook", True), ("vertical", False)])
def test_the_limit_of_treble_is_marked_where_it_can_be_named(size, told):
    drawn = draw("level_ladder", profile=size)
    assert drawn.artists["treble"][0].get_visible() == told == ("a stroke at the tape" in drawn.alt)
    assert ("10 kHz" in [text.get_text() for text in drawn.figure.axes[0].texts]) == told
