"""Questions from earlier lessons: two for each later one, with new numbers, made as the exercise was."""

import pytest
from exercises import exercises

from tapecalc.course.exercise import Exercise, Question
from tapecalc.course.look_back import LOOK_BACK, VARIANTS, look_back, variants_for

LESSONS = ["delay", "wavelength", "repeats", "tempo", "flutter", "heads", "patching", "measuring", "figures"]
ALL = [
    pytest.param(one, id=f"{name}-{one.question}")
    for name in LOOK_BACK
    for v in variants_for(name)
    for one in v
]
NUMBERS = {(exercise.expected, exercise.unit) for exercise in exercises().values()}


def test_each_lesson_but_the_first_asks_two_questions_from_earlier_ones():
    assert list(LOOK_BACK) == LESSONS[1:]
    for place, asked in enumerate(LOOK_BACK.values(), 2):
        (first, one), (second, other) = asked
        assert one is not other
        assert second <= first < place
        assert place == 2 or second < place - 1  # one of them from further back


def test_every_earlier_lesson_with_something_to_reckon_is_asked_for():
    assert {number for asked in LOOK_BACK.values() for number, _ in asked} == set(range(1, 8))


@pytest.mark.parametrize("asked", ALL)
def test_a_variant_is_sound_and_not_the_number_of_its_lesson(asked):
    exercise = asked.exercise
    assert (exercise.expected, exercise.unit) not in NUMBERS
    assert exercise.check(repr(exercise.expected)).state == "right"
    assert f"{exercise.data['truth']}" in asked.solution
    assert "{" not in asked.question + asked.solution and asked.question.endswith("?")
    for wrong, words in exercise.slips:
        if isinstance(wrong, float | int):
            assert exercise.check(wrong).sentence == f"Not yet. {words}"


@pytest.mark.parametrize("name", LOOK_BACK)
def test_a_page_has_several_variants_the_first_is_the_notebooks(name):
    for asked, variants in zip(look_back(name), variants_for(name), strict=True):
        questions = [one.question for one in variants]
        assert questions[0] == asked.question
        assert 5 <= len(set(questions)) == len(questions) <= VARIANTS
        assert len({one.exercise.expected for one in variants}) > len(variants) / 2


@pytest.mark.parametrize(
    ("name", "place", "question", "answer"),
    [
        # 1.25 in at 15 ips are 1.25/15 s = 83.3 ms; 4 kHz at 7.5 ips: 190.5/4 um; 60/72 * 0.75 s = 625 ms
        ("wavelength", 0, "Heads 1.25 inches apart, and a tape at 15 ips", 83.33),
        ("repeats", 0, "A tone of 4000 Hz at 7.5 ips", 47.6),
        ("flutter", 0, "A song goes at 72 bpm", 625),
        # 20 log10 0.45; 1200 log2 1.003; 190.5/8 Hz; (100 - 85)/3 = 5 halvings of 480 min
        ("tempo", 0, "A loop has a gain of 0.45", 6.936),
        ("heads", 0, "A machine runs 0.3 % too fast", 5.186),
        ("patching", 0, "past two equal heads 4 mm apart", 23.81),
        ("measuring", 0, "it is 100 dB(A)", 15),
    ],
)
def test_the_truth_is_what_a_hand_works_out(name, place, question, answer):
    (asked,) = (one for one in variants_for(name)[place] if question in one.question)
    assert asked.exercise.expected == pytest.approx(answer, rel=1e-3)


def test_a_reply_shows_question_words_and_the_folded_solution():
    question = Question("Twice <{n:g}>?", lambda n: Exercise(2 * n, "ms"), "It is {answer}.", {"n": [3]})
    replied = question.variants(seed=0)[0].ask(6)
    assert repr(replied) == "Twice <3>?\n✓ Right: 6 ms is within 1 % of the exact number."
    page = replied._repr_html_()
    assert page.startswith("<p>Twice &lt;3&gt;?</p>") and "Right: 6 ms" in page
    assert page.endswith("<details><summary>Solution</summary><p>It is 6 ms.</p></details>")


def test_a_lesson_without_earlier_ones_is_refused():
    with pytest.raises(ValueError, match="lesson .delay. is not known"):
        look_back("delay")
