"""Two questions from earlier lessons at the opening of each later one, with other numbers than there.

What was learned stays when it is asked again, some time later and not as it was. Each question is made by
the same function as the exercise of its lesson. A notebook asks the first variant; a page goes through
`VARIANTS` of them, with another at each visit.
"""

from tapecalc.calc.quantity import known_name
from tapecalc.course import delay, flutter, heads, patching, repeats, tempo, wavelength
from tapecalc.course.exercise import Asked, Question

VARIANTS = 12

#: Lesson -> its two questions, each with the lesson it comes from: the one before, and one further back.
LOOK_BACK: dict[str, tuple[tuple[int, Question], tuple[int, Question]]] = {
    "wavelength": ((1, delay.inches_again), (1, delay.second_head_again)),
    "repeats": ((2, wavelength.length_again), (1, delay.inches_again)),
    "tempo": ((3, repeats.per_repeat_again), (2, wavelength.corner_again)),
    "flutter": ((4, tempo.dotted_again), (1, delay.second_head_again)),
    "heads": ((5, flutter.cents_again), (3, repeats.counted_again)),
    "patching": ((6, heads.notch_again), (4, tempo.triplet_again)),
    "measuring": ((7, patching.exposure_again), (5, flutter.cents_again)),
    "figures": ((6, heads.notch_again), (3, repeats.per_repeat_again)),
}


def look_back(lesson: str) -> tuple[Asked, Asked]:
    """Give the two questions with which a lesson opens.

    >>> look_back("tempo")[0].ask(None)
    From lesson 3: A loop has a gain of 0.45: by how many decibels is each repeat quieter?
    … Put your number in: replace None by a number in dB, then run this cell.
    """
    first, second = (variants[0] for variants in variants_for(lesson))
    return first, second


def variants_for(lesson: str) -> list[list[Asked]]:
    """Give all that a page may ask for each of the two, what the notebook asks first."""
    seed = list(LOOK_BACK).index(known_name("lesson", lesson, LOOK_BACK))
    return [
        [_from(number, asked) for asked in question.variants(seed=seed)[:VARIANTS]]
        for number, question in LOOK_BACK[lesson]
    ]


def _from(number: int, asked: Asked) -> Asked:
    """Say from which lesson a question is."""
    return Asked(f"From lesson {number}: {asked.question}", asked.exercise, asked.solution)
