"""The lesson on levels: gains of patches, and exercises."""

import math

import pytest

from tapecalc.course import patching as lesson
from tapecalc.course.patching import patch_gains


def test_gains_of_the_three_patches():
    assert patch_gains("sends", fader=0.8, return_send=0.3, pan=0.9) == (0.8, 0.3)
    assert patch_gains("one bus", fader=0.8, return_send=0.3) == (0.8, 0.8)
    heard, back = patch_gains("pan", fader=1.0, pan=0.5)
    assert heard == pytest.approx(math.sqrt(0.5)) and back == pytest.approx(math.sqrt(0.5))
    for pan in (0, 0.2, 0.7, 1):
        heard, back = patch_gains("pan", fader=0.6, pan=pan)
        assert heard**2 + back**2 == pytest.approx(0.36)  # the power stays the same


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"patch": "bus", "fader": 1}, "patch 'bus' is not known"),
        ({"patch": "pan", "fader": -1}, "fader must be"),
        ({"patch": "sends", "fader": 1, "return_send": -0.1}, "return_send must be"),
        ({"patch": "pan", "fader": 1, "pan": 1.1}, "pan must be"),
    ],
)
def test_gains_that_cannot_be_are_refused(arguments, said):
    with pytest.raises(ValueError, match=said):
        patch_gains(**arguments)


def test_the_flux_of_a_data_sheet_in_decibels():
    # By hand: 20 log10(465/250) = 5.390 dB; with 10 log10 2.695, above 320 nWb/m 3.246.
    assert lesson.mol.check(5.39).state == "right"
    assert "20 log10" in lesson.mol.check(2.695).sentence and "320" in lesson.mol.check(3.246).sentence
