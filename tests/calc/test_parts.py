"""What turns, how often, and which part a wobble points to."""

import dataclasses

import numpy as np
import pytest

from tapecalc.calc.parts import TurningPart, fingerprint, part_rates, part_repeat_deviations

CAPSTAN = TurningPart(name="capstan", diameter=0.008, wobble=0.0006)
PINCH = TurningPart(name="pinch roller", diameter=0.038)
BELT = TurningPart(name="drive belt", belt_length=0.42, pulley_diameter=0.06, capstan_diameter=0.008)
REEL = TurningPart(name="supply reel", reel_radius=0.06)
PARTS = (CAPSTAN, PINCH, BELT, REEL)
SPEED = 0.1905


# ---- parts ----


def test_parts_turn_once_for_each_length_of_theirs():
    assert CAPSTAN.rate_at(SPEED) == pytest.approx(SPEED / (np.pi * 0.008))
    assert REEL.rate_at(SPEED) == pytest.approx(SPEED / (2 * np.pi * 0.06))
    np.testing.assert_allclose(PINCH.rate_at([SPEED, SPEED / 2]), [1.5957, 0.79787], rtol=1e-4)


def test_a_belt_runs_with_the_pulley_on_the_capstan_shaft():
    shaft = CAPSTAN.rate_at(SPEED)
    assert BELT.rate_at(SPEED) == pytest.approx(shaft * np.pi * 0.06 / 0.42)
    motor = TurningPart(name="motor pulley", diameter=0.01, pulley_diameter=0.06, capstan_diameter=0.008)
    assert motor.rate_at(SPEED) == pytest.approx(6 * shaft)


def test_tape_thickness_counts_on_the_tape_and_not_on_the_belt():
    thick = dataclasses.replace(CAPSTAN, tape_thickness=50e-6)
    assert thick.rate_at(SPEED) == pytest.approx(SPEED / (np.pi * 0.00805))
    thick = dataclasses.replace(BELT, tape_thickness=50e-6)
    assert thick.rate_at(SPEED) == pytest.approx(SPEED * 0.06 / 0.00805 / 0.42)


@pytest.mark.parametrize(("thick_mm", "more"), [(0.5, 0.5 / 60), (1.5, 0.025), (3, 0.05)])
def test_half_a_belt_adds_to_the_radius_of_its_pulleys(thick_mm, more):
    thick = dataclasses.replace(BELT, belt_thickness=thick_mm / 1000)
    assert thick.rate_at(SPEED) / BELT.rate_at(SPEED) - 1 == pytest.approx(more)


def test_a_belt_adds_to_both_of_its_pulleys():
    # 7.580 turns of the capstan; 60 and 1 mm over 12 and 1 mm make 4.6923 of the motor for each, not 5.
    motor = TurningPart(
        name="motor", diameter=0.012, pulley_diameter=0.06, capstan_diameter=0.008, belt_thickness=0.001
    )
    assert motor.rate_at(SPEED) == pytest.approx(7.5798 * 61 / 13, rel=1e-5)
    assert dataclasses.replace(CAPSTAN, belt_thickness=0.001).rate_at(SPEED) == CAPSTAN.rate_at(SPEED)


def test_a_pulsing_force_wobbles_the_slow_tape_fourfold_and_a_shape_alike():
    forced = dataclasses.replace(CAPSTAN, forced_at=SPEED)
    np.testing.assert_allclose(forced.wobble_at([SPEED, SPEED / 2, 2 * SPEED]), [0.0006, 0.0024, 0.00015])
    np.testing.assert_allclose(CAPSTAN.wobble_at([SPEED, SPEED / 2]), [0.0006, 0.0006])
    # The comb is the same at both speeds: a turn of tape over the spacing.
    bends = [part_repeat_deviations([forced], v, 0.0415 / v)["capstan"] for v in (SPEED, SPEED / 2)]
    assert bends[1] == pytest.approx(4 * bends[0])


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("Capstan", "capstan"),
        ("flywheel", "capstan"),
        ("pinch roller", "pinch roller"),
        ("take-up reel", "reel"),
        ("guide", "guide"),
        ("idler wheel", "idler"),
        ("motor pulley", "motor"),
        ("counter roller", "roller"),
    ],
)
def test_kind_is_found_from_the_name(name, kind):
    assert TurningPart(name=name, diameter=0.02).kind_of_part == kind


def test_kind_falls_back_on_the_shape_and_gives_way_to_what_was_said():
    assert dataclasses.replace(BELT, name="rubber").kind_of_part == "belt"
    assert dataclasses.replace(REEL, name="left").kind_of_part == "reel"
    assert dataclasses.replace(CAPSTAN, kind="idler").kind_of_part == "idler"


@pytest.mark.parametrize(
    ("sizes", "sentence"),
    [
        ({}, "exactly one of diameter, belt_length and reel_radius, got none"),
        ({"diameter": 0.01, "reel_radius": 0.06}, "exactly one of .* got diameter, reel_radius"),
        ({"belt_length": 0.4}, "both pulley_diameter and capstan_diameter, got neither"),
        ({"belt_length": 0.4, "pulley_diameter": 0.06}, "capstan_diameter, got pulley_diameter"),
        ({"diameter": 0.0}, "diameter of part 'x' must be greater than 0 m"),
        ({"diameter": 0.01, "wobble": -0.1}, "wobble must be 0 or more"),
        ({"diameter": 0.01, "tape_thickness": -1e-6}, "tape_thickness must be 0 m or more"),
        ({"diameter": 0.01, "kind": "gear"}, "kind must be one of capstan, .* got 'gear'"),
    ],
)
def test_a_part_that_cannot_be_gets_one_sentence(sizes, sentence):
    with pytest.raises(ValueError, match=sentence):
        TurningPart(name="x", **sizes)


def test_two_parts_of_one_name_are_refused():
    with pytest.raises(ValueError, match="names of their own, got 'capstan' twice"):
        part_rates([CAPSTAN, CAPSTAN], SPEED)


def test_a_part_at_a_null_of_the_delay_does_not_bend_the_pitch():
    bend = part_repeat_deviations([CAPSTAN], SPEED, 1 / CAPSTAN.rate_at(SPEED))
    assert bend["capstan"] == pytest.approx(0, abs=1e-15)


# ---- the fingerprint ----


def test_every_part_is_found_from_its_own_rate():
    rates = part_rates(PARTS, SPEED)
    peaks = [(rate * 1.004, 0.001 / (i + 1)) for i, rate in enumerate(rates.values())]
    verdicts = fingerprint(peaks, PARTS, SPEED, resolution=0.05)
    assert [verdict.part.name for verdict in verdicts] == [part.name for part in PARTS]
    assert all(verdict.sure > 0.8 and verdict.harmonic == 1 for verdict in verdicts)
    assert [verdict.depth for verdict in verdicts] == sorted((d for _, d in peaks), reverse=True)


def test_a_worn_belt_and_a_bad_pinch_roller_are_told_apart():
    belt, pinch = BELT.rate_at(SPEED), PINCH.rate_at(SPEED)
    assert fingerprint([(belt, 0.001)], PARTS, SPEED)[0].part is BELT
    verdict = fingerprint([(pinch, 0.001)], PARTS, SPEED)[0]
    assert verdict.part is PINCH
    assert "rubber" in verdict.advice


def test_a_harmonic_is_surer_when_its_fundamental_is_there():
    rate = PINCH.rate_at(SPEED)
    alone = fingerprint([(2 * rate, 0.001)], [PINCH], SPEED)[0]
    together = fingerprint([(2 * rate, 0.001), (rate, 0.0005)], [PINCH], SPEED)[0]
    assert (alone.harmonic, together.harmonic) == (2, 2)
    assert together.sure > alone.sure
    assert together.expected == pytest.approx(2 * rate)
    assert together.advice.startswith("Twice a turn")


def test_a_high_harmonic_has_a_sentence_too():
    rate = PINCH.rate_at(SPEED)
    verdicts = fingerprint([(5 * rate, 0.001), (rate, 0.0005)], [PINCH], SPEED, harmonics=6)
    assert verdicts[0].advice.startswith("5 times a turn")


def test_two_parts_that_turn_alike_share_the_certainty():
    twin = dataclasses.replace(PINCH, name="guide roller")
    verdict = fingerprint([(PINCH.rate_at(SPEED), 0.001)], [PINCH, twin], SPEED)[0]
    assert verdict.sure == pytest.approx(1 / 2.05)
    assert verdict.rivals == (("guide roller", 1, pytest.approx(1 / 2.05)),)


def test_a_peak_that_fits_nothing_is_said_to_fit_nothing():
    verdict = fingerprint([(50.0, 0.001)], PARTS, SPEED)[0]
    assert (verdict.part, verdict.harmonic, verdict.expected) == (None, 0, None)
    assert verdict.sure > 0.99
    assert "mains" in verdict.advice


def test_near_the_edge_the_unlisted_part_is_named_as_a_rival():
    peak = PINCH.rate_at(SPEED) + 2 * np.hypot(0.1, 0.02 * PINCH.rate_at(SPEED))
    verdict = fingerprint([(peak, 0.001)], [PINCH], SPEED, harmonics=1)[0]
    assert verdict.part is PINCH
    assert verdict.rivals == (("a part not in the list", 0, pytest.approx(1 - verdict.sure)),)


def test_a_part_that_was_measured_roughly_may_miss_the_peak_by_more():
    peak = (1.1 * CAPSTAN.rate_at(SPEED), 0.001)
    assert fingerprint([peak], [CAPSTAN], SPEED, tolerance=0.1)[0].part is CAPSTAN
    assert fingerprint([peak], [CAPSTAN], SPEED, tolerance=0.02)[0].part is None
    assert fingerprint([peak], [CAPSTAN], SPEED, tolerance=0.02, resolution=1)[0].part is CAPSTAN


def test_no_peaks_give_no_verdicts():
    assert fingerprint([], PARTS, SPEED) == ()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"peaks": [3.0]}, "peaks must be pairs of frequency and depth"),
        ({"peaks": [(0.0, 0.1)]}, "peak frequency must be greater than 0 Hz"),
        ({"peaks": [(1.0, -0.1)]}, "peak depth must be 0 or more"),
        ({"parts": ()}, "parts must hold one turning part or more, got none"),
        ({"resolution": 0}, "resolution must be greater than 0 Hz"),
        ({"tolerance": 2}, "tolerance must be from 0 to 0.5"),
        ({"harmonics": 0}, "harmonics must be a whole number from 1 to 20"),
        ({"speed": 0}, "speed must be greater than 0 m/s"),
    ],
)
def test_bad_fingerprints_get_one_sentence(change, sentence):
    arguments = {"peaks": [(1.6, 0.001)], "parts": PARTS, "speed": SPEED, **change}
    with pytest.raises(ValueError, match=sentence):
        fingerprint(**arguments)
