"""The exercises about wavelength and passes."""

import pytest

from tapecalc.course import wavelength as lesson


@pytest.mark.parametrize(
    ("exercise", "answer", "slips"),
    [
        # By hand: 14.978 + 1.432 + 0.791 dB are lost, 10.362 dB lifted at playback.
        (lesson.lift, 6.84, {17.2: "both equalizers together", 27.56: "You added the two"}),
        # By hand: 95.25 mm/s by 4 mm / 0.716 are 17.05 Hz.
        (
            lesson.bump,
            17.05,
            {34.1: "the fast speed", 23.81: "as long as the poles", 33.26: "divided by 0.72"},
        ),
        # By hand: 190.5 mm/s by a thousandth of 1.11 x 6.35 mm are 27.03 kHz.
        (lesson.null, 27.03, {30.0: "1.11 times"}),
    ],
)
def test_answers_are_right_and_likely_slips_are_told(exercise, answer, slips):
    assert exercise.check(answer).state == "right"
    for slip, hint in slips.items():
        assert exercise.check(slip).state == "not yet" and hint in exercise.check(slip).sentence
