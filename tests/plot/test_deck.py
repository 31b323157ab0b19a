"""The works of the deck: which part is marked, and how often each turns."""

import numpy as np
import pytest
from figure_texts import shown_texts, text_problems
from matplotlib.colors import to_hex

from tapecalc.calc.parts import TurningPart
from tapecalc.machine import example_machine, machine_from_text
from tapecalc.plot.catalog import draw
from tapecalc.plot.deck import deck_works

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]
ECHO, FACE = "#da3b07", "#ffffff"


def faces(drawn):
    return {
        name: to_hex(artist.get_facecolor()) for name, artist in drawn.artists.items() if name != "marked"
    }


def test_parts_turn_as_often_as_their_size_says():
    written = {text for text, _ in shown_texts(draw("deck_works").figure)}
    # 190.5 mm/s: pi x 8.035 mm, pi x 38.035 mm; the belt of 420 mm runs (60 + 1) / 8.035 times as fast as the
    # tape; a pack of 60 mm turns 190.5 / (2 pi 60) times.
    assert {
        "capstan\n7.55/s",
        "pinch roller\n1.59/s",
        "drive belt\n3.44/s",
        "supply reel\n0.505/s",
    } <= written
    assert {"motor", "take-up reel", "guide roller"} <= written  # the file does not name them


def test_the_part_that_wobbles_most_is_marked_or_the_one_that_turns_at_a_rate():
    assert [name for name, face in faces(draw("deck_works")).items() if face == ECHO] == ["supply reel"]
    asked = deck_works(parts=MACHINE.turning_parts, speed=SPEED, rate_hz=1.6)
    assert [name for name, face in faces(asked).items() if face == ECHO] == ["pinch roller"]
    assert asked.title == "The pinch roller turns 1.59 times a second"
    belt = deck_works(parts=MACHINE.turning_parts, speed=SPEED, rate_hz=3.4)
    assert to_hex(belt.artists["marked"].get_edgecolor()) == ECHO
    still = deck_works(parts=[TurningPart(name="capstan", diameter=0.008)], speed=SPEED)
    assert faces(still)["capstan"] == ECHO


def test_a_part_of_another_kind_takes_the_place_of_the_guide():
    long = TurningPart(name="a roller of a very long name", diameter=0.003, wobble=0.02)
    for size in ("notebook", "vertical", "article_single"):
        drawn = deck_works(parts=[long], speed=SPEED, profile=size)
        assert text_problems(drawn.figure, size) == []
        assert faces(drawn)["guide roller"] == ECHO and long.name in drawn.caption


def test_without_parts_nothing_has_a_number_and_the_caution_stays():
    drawn = deck_works(speed=SPEED, reels=False)
    assert not any("/s" in text for text, _ in shown_texts(drawn.figure) if "cm/s" not in text)
    assert "unplug" in drawn.caption and "reel" not in drawn.caption + drawn.alt


@pytest.mark.parametrize("rate", [0, -1.0, float("nan")])
def test_a_rate_must_be_above_0(rate):
    with pytest.raises(ValueError, match="rate_hz"):
        deck_works(parts=MACHINE.turning_parts, speed=SPEED, rate_hz=rate)


def test_without_a_known_part_the_number_is_the_speed_or_its_range():
    text = "[transport]\nspeed_range_cm_s = [9, 24]\n[[playback_heads]]\nspacing_mm = 45\n"
    written = {text for text, _ in shown_texts(draw("deck_works", machine_from_text(text)).figure)}
    assert {"9 to 24 cm/s", "in general form, tape at 9 to 24 cm/s"} <= written


@pytest.mark.parametrize("size", ["slide", "video_1080", "notebook"])
def test_the_belt_runs_clear_of_the_guide_roller_and_its_name(size):
    drawn = draw("deck_works", profile=size)
    axes, name = drawn.figure.axes[0], dict(shown_texts(drawn.figure))["guide roller"]
    way = drawn.artists["belt"].get_path().interpolated(50).vertices
    guide = drawn.artists["guide roller"]
    assert np.hypot(*(way - guide.center).T).min() > 1.2 * guide.radius
    assert not any(name.padded(0.1 * name.height).contains(*at) for at in axes.transData.transform(way))
