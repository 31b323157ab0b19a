"""Arrows of what comes back: as long as the loop gain, turned by its phase."""

import numpy as np
import pytest

from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.plot.arrows import _turned, loop_arrows

FLAT = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)


def flat_loop(gain, spacings=(0.05,)):
    one_pass = OnePass(speed=0.2, today=FLAT, aligned=FLAT, boost_db=0, low_cut=0)
    return EchoLoop(heads=Heads(spacings=spacings), return_gain=gain, one_pass=one_pass)


def ways(drawn):
    """From tip of the input to the end of what comes back, over the radius of the circle of length 1."""
    for arrow, circle in zip(drawn.artists["returns"], drawn.artists["limit"], strict=True):
        yield (arrow.get_path().vertices[-1] - arrow.get_path().vertices[0]) / circle.get_radius()


def test_of_a_flat_loop_the_arrow_is_half_as_long_and_turns_by_quarters():
    # Half the amplitude comes back: in step 20 log 1.5 = 3.52 dB; a quarter late 10 log 1.25 = 0.97 dB;
    # against the input 20 log 0.5 = -6.02 dB. Lines end where arrowheads begin, so they are shorter than 0.5.
    drawn = loop_arrows(loop=flat_loop(0.5))
    angles = [np.degrees(np.arctan2(y, x)) % 360 for x, y in ways(drawn)]
    assert angles == pytest.approx([0, 270, 180], abs=1e-6)
    lengths = [np.hypot(*way) for way in ways(drawn)]
    assert max(lengths) < 0.5 and lengths == pytest.approx([lengths[0]] * 3)
    for said in ("adds 3.5 dB", "adds 1.0 dB", "takes 6.0 dB"):
        assert said in drawn.caption
    number = next(text for text in drawn.figure.texts if text.get_gid() == "number")
    assert number.get_text() == "6.0 dB"  # of margin: 20 log 2


def test_a_runaway_leaves_its_circle_and_is_said():
    drawn = loop_arrows(loop=flat_loop(2.0))
    assert next(ways(drawn))[0] > 1
    assert "6.1 dB are past where the first fills it" in drawn.caption


def test_a_turn_is_said_in_quarters_where_it_is_one_and_in_degrees_else():
    assert _turned(0.5) == "in step"
    assert _turned(-0.5j) == "a quarter turn late"
    assert _turned(0.5j) == "three quarters late"
    assert _turned(0.5 * np.exp(-1j * np.radians(40))) == "40\N{DEGREE SIGN} late"


def test_a_loop_in_which_nothing_comes_back_is_refused():
    with pytest.raises(ValueError, match="loop must have a tone"):
        loop_arrows(
            loop=flat_loop(0.5).__class__(
                heads=Heads(spacings=(0.05,), feeds_return=(False,)),
                return_gain=0.5,
                one_pass=flat_loop(0.5).one_pass,
            )
        )
