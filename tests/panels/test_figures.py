"""The panel about the size of type says what the library reckons."""

import math

import numpy as np
import pytest
from mirrors import exported, in_page, mirrored, places
from panel_runs import assert_drawn, controls_of, drawn, drawn_settings, reckoned

from tapecalc import words
from tapecalc.calc.units import from_si
from tapecalc.course.figures import CAPITAL, FACTS, SIZES, letter_angle
from tapecalc.plot import style

PANEL = ("figures", "typePanel", FACTS)


def told(**setting):
    """Everything that the panel reckons at one setting; its rows by their names."""
    [found] = reckoned(*PANEL, [setting])
    return {**found, "table": dict(found["rows"])}


def type_words(size, text_pt, width_cm, distance_cm):
    """The sentence and the rows of type of one size."""
    profile = style.as_profile(SIZES[size])
    share = text_pt / 72 / profile.height_in
    height = width_cm / (profile.width_in / profile.height_in) / 100
    angle = from_si(letter_angle(share, height, distance_cm / 100), "arcmin")
    # Source: ISO 9241-303 (from memory): 16 arcmin at least, 20 with ease.
    verdict = "easy" if angle >= 20 else "readable" if angle >= 16 else "too small"
    sentence = (
        f"Type of {text_pt:g} pt is 1/{1 / share:.0f} of the picture. On {width_cm:.3g} cm of screen, "
        f"{distance_cm:.3g} cm away, a capital is {math.floor(angle)} arcmin high: {verdict}."
    )
    return sentence, {
        "type in pixels of the file": f"{text_pt / 72 * profile.dpi:.0f} of {profile.pixels[1]}",
        "type as it is shown": words.amount(height * share, "mm", ".1f"),
        "easy from": f"{math.ceil(text_pt * 20 / angle)} pt",
    }


def test_the_angle_is_the_librarys():
    assert exported("figures") == ["letterAngle", "typePanel"]
    assert mirrored("letterAngle", "figures") is letter_angle
    rows = [(CAPITAL, *row) for row in places([(1e-3, 0.5), (0.01, 5.0), (0.1, 20.0)], 1)]
    found = in_page("figures", ["letterAngle"], {"letterAngle": rows})["letterAngle"]
    np.testing.assert_allclose(found, [letter_angle(*row[1:]) for row in rows], rtol=1e-9)


def test_words_and_numbers_are_the_librarys():
    settings = drawn_settings(controls_of("figures", "typePanel", FACTS), 200, 1)
    for setting, found in zip(settings, reckoned(*PANEL, settings), strict=True):
        assert (found["sentence"], dict(found["rows"])) == type_words(**setting)


def test_the_angle_is_that_of_the_triangle():
    # Source: trigonometry by hand: 18 of 648 points, a picture 140 cm wide and 78.75 cm high.
    letter = 0.714 * 18 / 648 * 78.75
    found = told(text_pt=18, width_cm=140, distance_cm=200)
    # The panel's video is 9 inches high, 648 points.
    assert found["angle"] == pytest.approx(60 * 2 * math.degrees(math.atan(letter / 400)))


@pytest.mark.parametrize(("text_pt", "said"), [(8, "too small."), (20, "readable."), (21, "easy.")])
def test_the_question_is_answered_by_21_points(text_pt, said):
    assert told(text_pt=text_pt)["sentence"].endswith(said)
    # By hand: 26.4 arcmin at 26 points are 19.97 at 20: a little less than is easy.
    assert told()["table"]["easy from"] == "21 pt"


def test_from_the_named_size_on_type_is_easy():
    widths = [{"width_cm": cm, "distance_cm": away} for cm in range(5, 141) for away in (30, 40, 200, 400)]
    named = [int(dict(found["rows"])["easy from"].split()[0]) for found in reckoned(*PANEL, widths)]
    near = [(one, pt) for one, pt in zip(widths, named, strict=True) if 7 <= pt <= 48]
    assert len(near) > 200
    for off, easy in ((0, True), (-1, False)):
        found = reckoned(*PANEL, [{**one, "text_pt": pt + off} for one, pt in near])
        assert {one["sentence"].endswith("easy.") for one in found} == {easy}


def test_a_phone_held_upright_and_a_wall():
    # By hand: half as wide, twice as large: 40.06; ten times as wide, 13.3 times as far: 26.7.
    assert told(width_cm=7)["table"]["easy from"] == "41 pt"
    assert told(width_cm=140, distance_cm=400)["table"]["easy from"] == "27 pt"


def test_the_picture_has_the_shape_of_its_size_and_its_type_is_to_scale():
    for size, name in SIZES.items():
        [shapes] = drawn("figures", "typePanel", FACTS, [{"size": size, "text_pt": 48}], (800, 460))
        [paper] = [shape["given"] for shape in shapes if shape["given"].get("class") == "area fill"]
        profile = style.as_profile(name)
        assert paper["width"] / paper["height"] == pytest.approx(
            profile.width_in / profile.height_in, rel=2e-3
        )
        letters = [shape["given"]["d"] for shape in shapes if shape["given"].get("class") == "line text thin"]
        heights = [float(part.split(" ")[1]) for d in letters for part in d[1:].split("L")]
        capital = CAPITAL * 48 / 72 / profile.height_in * paper["height"]
        assert max(heights) - min(heights) == pytest.approx(capital, abs=0.25)


def test_every_picture_is_whole():
    assert_drawn("figures", "typePanel", FACTS)
