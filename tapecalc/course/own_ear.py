"""A blind test of one's own ear: eight times two short pulses, and a late stroke in one of them.

The lateness gets smaller by halves, each twice. A chance hit on both of one lateness happens once in four.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapecalc.calc.tempo import timing_threshold
from tapecalc.course.exercise import Reply
from tapecalc.plot.player import Listening, compare
from tapecalc.sound.samples import Array
from tapecalc.sound.signals import tone

LATE_MS = (40, 40, 20, 20, 10, 10, 5, 5)
#: Which of the two pulses has the late stroke, as a die fell.
WHICH = "21121221"
RATE = 16_000
#: Strokes of a pulse, which of them may be late counted from 0, s between them, and s between the two pulses.
STROKES, LATE_STROKE, INTERVAL, PAUSE = 5, 3, 0.240, 0.7


@dataclass(frozen=True)
class Trials:
    """Players of a few trials, without the picture that would tell."""

    listening: Listening

    def __repr__(self) -> str:
        return repr(self.listening)

    def _repr_html_(self) -> str:
        return self.listening.html


def listen(first: int, last: int) -> Trials:
    """Return players of the trials from one number to another, at most four.

    >>> listen(1, 2)
    trial 1: 3.1 s, -23.0 LUFS.
    trial 2: 3.1 s, -23.0 LUFS.
    Listen for: Which pulse has a late stroke, 1 or 2?
    """
    numbers = range(first, last + 1)
    clips = {f"trial {n}": trial(LATE_MS[n - 1] / 1000, in_second=WHICH[n - 1] == "2") for n in numbers}
    return Trials(compare(clips, RATE, listen_for="Which pulse has a late stroke, 1 or 2?", alike=True))


def trial(late: float, *, in_second: bool) -> Array:
    """Two pulses, one after the other; in one of them a stroke is late by so many seconds."""
    stroke = tone(1000, 0.02, sample_rate=RATE, level_db=-3)
    length = STROKES * INTERVAL
    sound = np.zeros(round((2 * length + PAUSE) * RATE))
    for pulse in (0, 1):
        for n in range(STROKES):
            time = pulse * (length + PAUSE) + n * INTERVAL
            time += late if n == LATE_STROKE and pulse == in_second else 0.0
            start = round(time * RATE)
            sound[start : start + len(stroke)] += stroke
    return sound


def result(answers: str | Sequence[int] | None) -> Reply:
    """Tell from which lateness on all answers are right, what is published, and what guessing alone does.

    >>> result("21121211")
    ↔ You heard 10 ms each time, and 5 ms not; published are 6 ms. Guessing gets so far 1 time in 64.
    """
    if answers is None:
        return Reply("open", 'Write 1 or 2 for each of the eight trials, as "12121212".')
    said = "".join(map(str, answers)).replace(" ", "")
    if len(said) != len(WHICH) or set(said) - set("12"):
        return Reply("not yet", f'Not yet. Eight times 1 or 2 are wanted, as "12121212"; yours are "{said}".')
    sizes = sorted(set(LATE_MS), reverse=True)
    missed = {late for late, right, mine in zip(LATE_MS, WHICH, said, strict=True) if right != mine}
    heard = sizes[: next((n for n, late in enumerate(sizes) if late in missed), len(sizes))]
    if not heard:
        return Reply("guess", f"Not even {sizes[0]} ms each time: take headphones, and try once more.")
    least = f"You heard {heard[-1]} ms each time"
    least += (
        f", and {sizes[len(heard)]} ms not" if len(heard) < len(sizes) else ", and nothing here is smaller"
    )
    published = f"published are {1000 * timing_threshold(INTERVAL):.0f} ms"
    return Reply("guess", f"{least}; {published}. Guessing gets so far 1 time in {4 ** len(heard)}.")
