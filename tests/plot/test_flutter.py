"""Figures of wow and flutter: data as the library says."""

import itertools

import numpy as np
import pytest
from figure_texts import SIZES, shown_texts, text_problems

from tapecalc.calc import flutter
from tapecalc.calc.parts import TurningPart, part_rates, part_repeat_deviations
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw
from tapecalc.plot.flutter import flutter_comb, flutter_fingerprint

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]


def test_flutter_comb_is_what_flutter_says():
    delay = MACHINE.delays(SPEED)[0]
    artists = draw("flutter_comb").artists
    rate, ratio = artists["first"].get_data()
    np.testing.assert_allclose(1e-4 * ratio, flutter.repeat_deviation(1e-4, rate, delay), atol=1e-12)
    rates = part_rates(MACHINE.turning_parts, SPEED)
    np.testing.assert_allclose(artists["parts"].get_xdata(), list(rates.values()))
    with pytest.raises(ValueError, match="speed must be given"):
        flutter_comb(delay=0.2, parts=MACHINE.turning_parts)


def test_fingerprint_is_what_flutter_says():
    artists = draw("flutter_fingerprint").artists
    bends = part_repeat_deviations(MACHINE.turning_parts, SPEED, MACHINE.delays(SPEED)[0])
    np.testing.assert_allclose(artists["repeat"].get_ydata(), [100 * b for b in bends.values()])
    with pytest.raises(ValueError, match="at least one turning part"):
        flutter_fingerprint(parts=(), speed=SPEED, delay=0.2)


MANY = tuple(TurningPart(name=f"idler {k}", diameter=0.01 + 0.003 * k, wobble=1e-4 * k) for k in range(1, 12))


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ["flutter_comb", "flutter_fingerprint"])
def test_every_part_is_named_in_the_picture(name, size):
    drawn = draw(name, profile=size)
    texts = {text.get_text() for text in drawn.figure.axes[0].texts}
    assert {"capstan", "pinch roller", "drive belt", "supply reel", "repeat 1"} <= texts
    assert drawn.figure.axes[0].get_legend() is None


@pytest.mark.parametrize("size", SIZES)
def test_where_parts_are_crowded_some_go_without_a_name_and_none_lies_over_another(size):
    for figure in (flutter_comb, flutter_fingerprint):
        drawn = figure(parts=MANY, speed=SPEED, delay=0.2, profile=size)
        named = [t for t in drawn.figure.axes[0].texts if t.get_text().startswith("idler")]
        assert len(named) < len(MANY) or size != "vertical"
        assert text_problems(drawn.figure, size) == []


def test_the_finding_is_that_of_the_machine():
    assert draw("flutter_comb").title == "A repeat doubles some wobble and hides some"
    assert flutter_comb(delay=0.016).title == "A short delay hides slow wobble"
    assert draw("flutter_fingerprint").title == "The capstan bends the first repeat most"
    belt = [TurningPart(name="DC belt", diameter=0.008, wobble=1e-3)]
    named = flutter_fingerprint(parts=belt, speed=SPEED, delay=0.2).title
    assert named == "The DC belt bends the first repeat most"  # as its owner writes it
    still = [TurningPart(name="capstan", diameter=0.008)]
    assert flutter_fingerprint(parts=still, speed=SPEED, delay=0.2).title == "No part bends the pitch"


def test_the_number_of_a_short_delay_lies_in_the_picture():
    drawn = flutter_comb(delay=0.01575)
    # 2 sin(pi f T) = 1 at 1 / (6 T) = 10.6 Hz
    numbers = [text.get_text() for text in drawn.figure.texts if text.get_gid() == "number"]
    assert numbers == ["11 Hz"] and drawn.figure.axes[0].get_xlim()[1] > 10.6
    rate, bend = drawn.artists["first"].get_data()
    assert np.interp(1 / 6 / 0.01575, rate, bend) == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("size", SIZES)
def test_names_of_two_parts_do_not_read_as_one(size):
    for figure in ("flutter_comb", "flutter_fingerprint"):
        boxes = dict(shown_texts(draw(figure, profile=size).figure))
        names = sorted((boxes[part.name] for part in MACHINE.turning_parts), key=lambda box: box.x0)
        for one, other in itertools.combinations(names, 2):
            assert abs(one.y0 - other.y0) > 0.8 * one.height or other.x0 - one.x1 > 0.4 * one.height
