"""Build your own echo: what a reader's functions of numpy arrays do, told against what they should do.

Four parts grow with the lessons: a delay, a tape that darkens, a loop that repeats and fills up, and a tempo.
Each check plays a short sound into the reader's function and speaks to the slip that most likely led to what
came out. None, or a function that returns None, is a function still to be written.
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from tapecalc.calc.units import amplitude_to_db
from tapecalc.course.exercise import Reply
from tapecalc.sound.samples import Array

RATE = 8000
OPEN = Reply("open", "Write the function in the cell above, run that cell, then this one.")
SECONDS, AT = 2.0, 0.25  # of the sound that goes in, and where its click is, s

#: The reader's functions: of a sound, its rate and what else the part names.
Delayed = Callable[[Array, int, float], Any]
Darker = Callable[[Array, int, float], Any]
Repeating = Callable[[Array, int, float, float, float], Any]
Timed = Callable[[float, float], Any]


def _click() -> Array:
    sound = np.zeros(round(SECONDS * RATE))
    sound[round(AT * RATE)] = 0.5
    return sound


def _came(sound: Array, returned: Any) -> Array | Reply:
    """What the function returned, if it is a sound as long as what went in."""
    if returned is None:
        return OPEN
    try:
        out = np.asarray(returned, dtype=float)
    except (TypeError, ValueError):
        return _not_yet("It must return an array of numbers.")
    if out.shape != sound.shape:
        want = f"It must return as many samples as went in, {len(sound)}"
        return _not_yet(f"{want}; yours are {out.size}. Cut off what runs out at the end.")
    if not np.all(np.isfinite(out)):
        return _not_yet("Some of your numbers are not finite.")
    return out


def _not_yet(hint: str) -> Reply:
    return Reply("not yet", f"Not yet. {hint}")


def check_delay(mine: Delayed | None, delay: float = 0.218) -> Reply:
    """Check part 1, ``mine(sound, rate, delay)``: what was recorded one delay ago, silence before.

    >>> check_delay(lambda sound, rate, delay: np.roll(sound, round(delay * rate)))
    → Not yet. The end comes round to the beginning; before the first answer there is silence.
    """
    sound = _click()
    sound[-1] = 0.25  # comes back first in what goes round
    out = OPEN if mine is None else _came(sound, mine(sound.copy(), RATE, delay))
    if isinstance(out, Reply):
        return out
    late = round(delay * RATE)
    wanted = np.concatenate([np.zeros(late), sound[:-late]])
    if np.allclose(out, wanted, atol=1e-6):
        return Reply("right", f"Right: the click comes {1000 * delay:.0f} ms later, after silence.")
    if np.allclose(out, np.roll(sound, late), atol=1e-6):
        return _not_yet("The end comes round to the beginning; before the first answer there is silence.")
    if np.allclose(out, wanted + sound, atol=1e-6):
        return _not_yet("That is tape and dry sound together; return the tape alone.")
    came = (int(np.argmax(np.abs(out))) - round(AT * RATE)) / RATE
    if not out.any() or abs(came) < 1e-3:
        return _not_yet("The click hardly moves: a delay in seconds is so many samples times the rate.")
    if abs(came - delay) <= 1.5 / RATE:
        return _not_yet("The click is at the right place, but not as it went in.")
    when = f"{1000 * abs(came):.0f} ms {'later' if came > 0 else 'sooner'}"
    return _not_yet(f"Your click comes {when}; it should come {1000 * delay:.0f} ms later.")


def check_darker(mine: Darker | None, corner: float = 1000.0) -> Reply:
    """Check part 2, ``mine(sound, rate, corner)``: the bass as it was, 3 dB less at the corner, then less.

    >>> check_darker(lambda sound, rate, corner: sound)
    → Not yet. At the corner, 1000 Hz, your sound changes by +0.0 dB; it should be -3.0 dB.
    """
    sound = _click()
    out = OPEN if mine is None else _came(sound, mine(sound.copy(), RATE, corner))
    if isinstance(out, Reply):
        return out
    gain = np.abs(np.fft.rfft(out)) / np.abs(np.fft.rfft(sound))
    bass, at_corner, above = (
        float(amplitude_to_db(max(gain[round(f * SECONDS)], 1e-6))) for f in (20, corner, 3 * corner)
    )
    if np.abs(out[: round(AT * RATE)]).max() > 1e-9:
        return _not_yet("It answers before the click: use samples that have been, never those to come.")
    if abs(bass) > 0.3:
        return _not_yet(f"The bass should stay as it is; yours changes by {bass:+.1f} dB.")
    if abs(at_corner + 3.0) > 0.7:
        at = f"At the corner, {corner:.0f} Hz, your sound changes by {at_corner:+.1f} dB"
        return _not_yet(f"{at}; it should be -3.0 dB.")
    if above > at_corner - 3:
        return _not_yet("Above the corner it should go on falling, by about 6 dB for each octave.")
    return Reply(
        "right", f"Right: {at_corner:.1f} dB at {corner:.0f} Hz, and {above:.0f} dB three times as high."
    )


def check_repeats(mine: Repeating | None, delay: float = 0.1, corner: float = 3000.0) -> Reply:
    """Check part 3, ``mine(sound, rate, delay, send, corner)``: a loop that fades below a send of 1.

    The tape carries amplitudes below 1 and bends towards that, as ``tanh`` does.

    >>> check_repeats(None)
    … Write the function in the cell above, run that cell, then this one.
    """
    sound = np.repeat(_click()[::8], 8) / 4  # longer than a sample: a low pass leaves more of it
    peaks = {}
    for send in (0.5, 1.4):
        out = OPEN if mine is None else _came(sound, mine(sound.copy(), RATE, delay, send, corner))
        if isinstance(out, Reply):
            return out
        starts = round((AT + delay / 2) * RATE) + np.arange(16) * round(delay * RATE)
        peaks[send] = np.array([np.abs(out[k : k + round(delay * RATE)]).max() for k in starts])
    first = peaks[0.5]
    if first[0] < 1e-3:
        return _not_yet(f"The first repeat should come after {1000 * delay:.0f} ms; there is nothing.")
    if first[1] < 0.05 * first[0]:
        return _not_yet("There is one answer only: what comes from the tape must go in again.")
    falls = float(amplitude_to_db(first[4] / first[3]))
    if not -9 < falls < -5:
        return _not_yet(f"At a send of one half each repeat falls by {-falls:.1f} dB; a good 6 it should be.")
    if peaks[1.4].max() > 1.05:
        return _not_yet("At a send of 1.4 it grows beyond 1: the tape is full before, as tanh is.")
    if peaks[1.4][-1] < 0.2:
        return _not_yet("At a send of 1.4 it should grow until the tape is full, and stay there.")
    return Reply("right", f"Right: it falls by {-falls:.1f} dB a repeat at one half, and fills up at 1.4.")


def check_timed(mine: Timed | None) -> Reply:
    """Check part 4, ``mine(bpm, beats)``: the delay in seconds of so many beats.

    >>> check_timed(lambda bpm, beats: beats * 60 / bpm)
    ✓ Right: every delay is on its beat.
    """
    for bpm, beats in ((76.0, 0.25), (120.0, 1.0), (90.0, 2 / 3)):
        said = None if mine is None else mine(bpm, beats)
        if said is None:
            return OPEN
        wanted = beats * 60 / bpm
        seconds = float(said) if isinstance(said, int | float | np.floating) else np.nan
        if abs(seconds - 1000 * wanted) < 1e-6:
            return _not_yet("Those are milliseconds; the function is to return seconds.")
        if not abs(seconds - wanted) < 1e-9:
            return _not_yet(f"{beats:.3g} beats at {bpm:.0f} a minute are {1000 * wanted:.0f} ms.")
    return Reply("right", "Right: every delay is on its beat.")
