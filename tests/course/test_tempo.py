"""The exercises about the tempo."""

import pytest

from tapecalc.course import tempo as lesson


@pytest.mark.parametrize(
    ("exercise", "right", "wrong"),
    [
        (lesson.dotted, ["500"], ["0.5", "667"]),
        (lesson.triplet, ["76", "76.2"], ["75", "114"]),
        (lesson.new_spacing, ["34", "34.0"], ["33", "35", "7.5"]),
        (lesson.first_heard, ["3"], ["2", "2.5", "1"]),  # 12 and 18 ms against 12.5
        (lesson.first_beside, ["4"], ["3", "6", "3.5"]),  # 18 and 24 ms against 20
        (lesson.drift, ["16.7", "17", "16.67"], ["16", "18", "0.17"]),
        (lesson.bar_line, ["16"], ["15", "4", "12"]),
    ],
)
def test_an_answer_is_right_as_people_round_it(exercise, right, wrong):
    assert {exercise.check(float(text)).state for text in right} == {"right"}
    assert {exercise.check(float(text)).state for text in wrong} == {"not yet"}


def test_the_panel_can_judge_by_ones_own_ear():
    panel = lesson.tempo_panel(12)
    name = "my own ear, 12 ms"
    assert panel.facts["judged_as"][name] == pytest.approx(0.012)
    panel.values = {"judged_as": name}
    assert panel.values["judged_as"] == name
    with pytest.raises(ValueError, match="judged_as"):
        lesson.tempo_panel().values = {"judged_as": name}
    with pytest.raises(ValueError, match="heard_from_ms"):
        lesson.tempo_panel(-1)
