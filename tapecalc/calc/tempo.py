"""Which songs a delay fits, by how much it misses, and what makes the fit exact.

Tempo stays in beats per minute, the unit that musicians and metronomes use; one beat is a quarter note.
"""

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, NamedTuple

import numpy as np

from tapecalc.calc import standards, transport
from tapecalc.calc.quantity import (
    Beats,
    Delay,
    Duration,
    DurationOrZero,
    Is,
    Repeats,
    Spacing,
    Speed,
    T,
    Tempo,
    ThicknessOrZero,
    calculator,
    check_fields,
    known_name,
)
from tapecalc.calc.units import UNITS, ratio_to_cents

MINUTE = UNITS["min"]

Intervals = Annotated[T, Is(least=1, words="how many equal intervals are heard", usual=(1.5, 6.0))]
TempoChange = Annotated[T, Is(least=0, words="change as a fraction", usual=(0.01, 0.1))]
Offset = Annotated[T, Is("s", words="time off the grid, positive if late", usual=(0.05, 2.0))]
ErrorPercent = Annotated[T, Is(words="error of a delay in percent, positive if too long", usual=(1.0, 5.0))]
Chance = Annotated[T, Is(least=0, most=1, words="chance, from 0 to 1", usual=(0.1, 0.9))]

#: An error of just one threshold is not heard, whatever rounding does to it.
_TIE = 1 + 1e-9
_ROUNDING = 1e-9


@dataclass(frozen=True)
class NoteValue:
    """A note value: its name and its length in beats, a quarter note being one beat."""

    name: str
    beats: Beats[float]

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise ValueError(f"name must be a word or more, got {self.name!r}")
        check_fields(self)

    @property
    def cross_rhythm(self) -> tuple[int, int]:
        """Repeats and beats after which an echo of this length meets the beat again.

        >>> note_value("dotted eighth").cross_rhythm
        (4, 3)
        """
        length = Fraction(self.beats).limit_denominator(96)  # splits a beat by 2, 3 and 32
        return length.denominator, length.numerator

    @property
    def plain(self) -> bool:
        """Whether it is as long as one of the notes that bands count in every day, `PLAIN_NOTES`."""
        return any(math.isclose(self.beats, note.beats) for note in PLAIN_NOTES)


_STRAIGHT = {"whole": 4, "half": 2, "quarter": 1, "eighth": 1 / 2, "sixteenth": 1 / 4, "thirty-second": 1 / 8}
_KINDS = {"{}": 1, "dotted {}": 3 / 2, "{} triplet": 2 / 3, "{} quintuplet": 4 / 5}

#: Whole to thirty-second, the longest first: each straight, dotted (3/2), as triplet (2/3: three in the
#: time of two) and as quintuplet (4/5: five in the time of four).
NOTE_VALUES = tuple(
    sorted(
        (
            NoteValue(kind.format(name), beats * factor)
            for (name, beats), (kind, factor) in itertools.product(_STRAIGHT.items(), _KINDS.items())
        ),
        key=lambda note: -note.beats,
    )
)


def note_value(name: str) -> NoteValue:
    """Look up a note value in `NOTE_VALUES` by its name."""
    notes = {note.name: note for note in NOTE_VALUES}
    return notes[known_name("note value", name, notes)]


#: Whole to sixteenth, dotted half to dotted sixteenth, quarter and eighth triplet; every other note is odd.
PLAIN_NOTES = tuple(
    note
    for note in NOTE_VALUES
    if note.name in ("whole", "half", "quarter", "eighth", "sixteenth", "quarter triplet", "eighth triplet")
    or note.name in ("dotted half", "dotted quarter", "dotted eighth", "dotted sixteenth")
)
#: By how many thresholds of hearing an odd note must fit better to be named instead of a plain one.
ODD_NOTE_PENALTY = 1.0


def checked_notes(notes: Iterable[NoteValue]) -> tuple[NoteValue, ...]:
    """Give the note values as a tuple, refusing an empty list and anything else."""
    notes = tuple(notes)
    if not notes:
        raise ValueError("notes must hold at least one note value, got none")
    for note in notes:
        if not isinstance(note, NoteValue):
            raise ValueError(f"a note must be a NoteValue, for example note_value('eighth'), got {note!r}")
    return notes


@calculator
def delay_from_tempo(bpm: Tempo, beats: Beats) -> Delay:
    """Compute how long a note lasts, ``T = 60 b/B``.

    The inverses are `tempo_from_delay` and `beats_from_delay`.

    >>> delay_from_tempo(120, 0.75)
    0.375
    """
    return beats * MINUTE / bpm


@calculator
def tempo_from_delay(delay: Delay, beats: Beats) -> Tempo:
    """Compute the tempo at which a note fills a delay, ``B = 60 b/T``; an inverse of `delay_from_tempo`."""
    return beats * MINUTE / delay


@calculator
def beats_from_delay(delay: Delay, bpm: Tempo) -> Beats:
    """Compute how many beats a delay lasts, ``b = T B/60``; an inverse of `delay_from_tempo`."""
    return delay * bpm / MINUTE


@calculator
def tempos_for_delay(
    delay: Delay[float],
    *,
    low: Tempo[float] = 60,
    high: Tempo[float] = 180,
    notes: Iterable[NoteValue] = NOTE_VALUES,
) -> tuple[tuple[NoteValue, float], ...]:
    """List every tempo in a range at which a delay is exactly one of the note values, the slowest first.

    The usual range of 60 to 180 is common practice, no source.

    >>> for note, bpm in tempos_for_delay(0.25, low=90, high=130):
    ...     print(note.name, round(bpm, 6))
    dotted sixteenth 90.0
    eighth quintuplet 96.0
    eighth 120.0
    """
    if low > high:
        raise ValueError(f"low must not be above high, got {low:g} and {high:g} beats per minute")
    slack = 1e-12  # a rounding error must not drop a tempo that stands on the end of the range
    tempos = ((note, tempo_from_delay(delay, note.beats)) for note in checked_notes(notes))
    inside = (pair for pair in tempos if low * (1 - slack) <= pair[1] <= high * (1 + slack))
    return tuple(sorted(inside, key=lambda pair: pair[1]))


@calculator
def timing_threshold(interval: Duration) -> Duration:
    """Compute the smallest shift of one event in an even pulse that ears notice, ``max(6 ms, 2.5 % of T)``.

    Tested on listeners from 0.1 to 1 s; the same two rules are used beyond. They meet at 0.24 s.

    Source: A. Friberg & J. Sundberg, Time discrimination in a monotonic, isochronous
    sequence, J. Acoust. Soc. Am. 98, 1995.
    """
    return np.maximum(standards.TIMING_FLOOR, standards.TIMING_FRACTION * interval)


#: What an echo may be to the ear, and the smallest shift that is noticed then, s. With the notes it answers
#: it makes one even pulse: None, `timing_threshold` says it. Or it is a line beside other players, and off
#: where it lags or leads them steadily, by its attacks: sharp (drums) or soft (bass, guitar, voice).
JUDGED_AS: dict[str, float | None] = {"pulse": None, **standards.ENSEMBLE_THRESHOLDS}


@calculator
def tempo_threshold(intervals: Intervals) -> TempoChange:
    """Look up the smallest change of tempo that ears notice, as a fraction.

    Straight lines join the published points; more intervals than published help no further.

    Source: Tempo sensitivity in auditory sequences: evidence for a multiple-look model, 1993.
    """
    known, fractions = np.transpose(standards.TEMPO_THRESHOLDS)
    return np.interp(intervals, known, fractions)


@dataclass(frozen=True)
class EchoZone:
    """A range of delays that ears take in one and the same way."""

    name: str  # what the trade calls such an echo
    shortest: float  # s
    longest: float  # s, infinite in the last zone
    effect: str  # what is heard


_CLICKS, _FUSION, _SLAP = standards.CLICK_FUSION_LIMIT, standards.FUSION_LIMIT, standards.SLAP_LIMIT
#: From the shortest delay to the longest. Sources of the limits: 5 ms, Rakerd, Hsu & Hartmann 1997;
#: 40 ms, Wallach, Newman & Rosenzweig 1949; 250 ms and the names, common practice, no source.
ECHO_ZONES = (
    EchoZone("coloration", 0.0, _CLICKS, "one sound with a changed tone"),
    EchoZone("doubling", _CLICKS, _FUSION, "one thicker sound, as if two played together"),
    EchoZone("slap", _FUSION, _SLAP, "one quick answer right behind the sound"),
    EchoZone("separate echo", _SLAP, math.inf, "an answer of its own, with room for a rhythm"),
)


@calculator
def echo_zone(delay: Delay[float]) -> EchoZone:
    """Name what a delay is good for: the zone with ``shortest <= delay < longest``.

    Ears differ, and so do sounds: clicks part sooner than speech, speech sooner than strings. Between 50
    and 100 ms an echo parts from the sound (F. A. Everest, Master Handbook of Acoustics, p. 75).
    """
    return next(zone for zone in ECHO_ZONES if delay < zone.longest)


@dataclass(frozen=True, kw_only=True)
class TempoFit:
    """How well one delay fits one note value at one tempo."""

    note: NoteValue
    bpm: float
    delay: float  # the delay that there is, s
    wanted_delay: float  # the delay that would be exact, s
    error: float  # delay - wanted_delay, s: positive means that the echo comes late
    error_percent: float  # of the wanted delay: the change of speed that would make the fit exact
    error_cents: float  # 1200 log2(delay/wanted_delay)
    threshold: float  # the smallest shift that ears notice, s
    audible: bool  # whether it is heard as off: more than the threshold

    @property
    def audibility(self) -> float:
        """Size of the error counted in thresholds: above 1 it is heard, 0 is exact."""
        return abs(self.error) / self.threshold

    @property
    def rank(self) -> float:
        """What the best fit has least of: `audibility`, and `ODD_NOTE_PENALTY` more for an odd note."""
        return self.audibility + (0.0 if self.note.plain else ODD_NOTE_PENALTY)

    @property
    def repeats_in_time(self) -> int | None:
        """How many repeats pass before the piled-up error is heard; None if it never is.

        Repeat n is n errors off the grid, so this is the whole part of threshold over
        error. An error of the size of rounding counts as none.
        """
        if math.isclose(self.delay, self.wanted_delay, rel_tol=1e-12):
            return None
        return math.floor(self.threshold / abs(self.error) * _TIE)


@calculator
def fit(
    delay: Delay[float], bpm: Tempo[float], note: NoteValue, *, threshold: Duration[float] | None = None
) -> TempoFit:
    """Compare one delay with one note value at one tempo.

    It is heard as off beyond `threshold`, one of `JUDGED_AS` or the listener's own; None for an even pulse.

    >>> miss = fit(0.21785, 76, note_value("sixteenth"))
    >>> round(1e3 * miss.error, 2), round(miss.error_percent, 1), miss.audible  # ms, percent
    (20.48, 10.4, True)
    """
    (note,) = checked_notes([note])
    wanted_delay = delay_from_tempo(bpm, note.beats)
    error = delay - wanted_delay
    threshold = timing_threshold(wanted_delay) if threshold is None else threshold
    return TempoFit(
        note=note,
        bpm=bpm,
        delay=delay,
        wanted_delay=wanted_delay,
        error=error,
        error_percent=100 * error / wanted_delay,
        error_cents=ratio_to_cents(delay / wanted_delay),
        threshold=threshold,
        audible=abs(error) > threshold * _TIE,
    )


@calculator
def nearest_fits(
    delay: Delay[float],
    bpm: Tempo[float],
    *,
    notes: Iterable[NoteValue] = NOTE_VALUES,
    threshold: Duration[float] | None = None,
) -> tuple[TempoFit, ...]:
    """Rank note values by how well a delay fits them at a tempo, the best first.

    The error is counted in thresholds of hearing, so that long and short notes are judged by the same ear.
    An odd note comes before a plain one only where it misses by a whole threshold less; `threshold` as in
    `fit`.
    """
    fits = (fit(delay, bpm, note, threshold=threshold) for note in checked_notes(notes))
    return tuple(sorted(fits, key=lambda fit: round(fit.rank, 9)))  # but for rounding errors


@calculator
def chance_heard(
    error: Offset, u_delay: transport.UDelay, threshold: Duration, repeat: Repeats = 1
) -> Chance:
    """Compute how likely a repeat is heard as off, ``P(|n (e + u z)| > threshold)`` for a normal z.

    Repeat n is n errors off the grid, and n uncertainties unsure. A tie is not heard.

    >>> round(chance_heard(-0.0054, 0.0042, 0.006), 2)
    0.45
    """
    off, spread = repeat * error, math.sqrt(2) * repeat * u_delay
    sure = np.where(np.abs(off) > threshold * _TIE, 1.0, 0.0)
    per = np.where(spread == 0, 1.0, spread)
    unsure = (_erfc((threshold - off) / per) + _erfc((threshold + off) / per)) / 2
    return np.where(spread == 0, sure, unsure)


_erfc = np.vectorize(math.erfc)  # a plan loads no scipy


class Change(NamedTuple):
    """What to set, and how far from it the exact one may lie: 95 of 100, two standard uncertainties."""

    value: float
    plus_minus: float


@dataclass(frozen=True, kw_only=True)
class ExactChanges:
    """Four ways to make a fit exact; any single one of them is enough."""

    spacing_change: Change  # how far to move the playback head, m; positive is away from the record head
    spacing: float  # after that move, m
    speed_change_percent: Change
    speed: float  # after that change, m/s
    sleeve_diameter: Change | None  # that gives this speed, m; None if impossible or the capstan not known
    sleeve_possible: bool  # a sleeve only adds: for a slower tape metal would have to come off
    bpm: Change  # the tempo to play at


@calculator
def exact_changes(
    fit: TempoFit,
    *,
    spacing: Spacing[float],
    speed: Speed[float],
    capstan_diameter: transport.Diameter[float] | None = None,
    tape_thickness: ThicknessOrZero[float] | None = None,
    u_delay: transport.UDelay[float] = 0.0,
    u_speed: transport.USpeed[float] = 0.0,
) -> ExactChanges:
    """Find the four changes of which each makes a fit exact.

    Move the head by ``(Tw - T) v``, run at ``v T/Tw``, fit the sleeve for that speed, or play at
    ``B Tw/T``. A steady speed other than the nominal one does not detune the echo, as the tape was
    recorded at that speed too. What `u_delay` and `u_speed` do is added up to first order: a delay is
    unsure because the speed is, so their shares do not cancel.

    >>> late = fit(0.5, 115, note_value("quarter"))
    >>> exact_changes(late, spacing=0.09525, speed=0.1905, u_delay=0.005).bpm
    Change(value=120.0, plus_minus=2.4)
    """
    if not math.isclose(spacing / speed, fit.delay, rel_tol=1e-6):
        raise ValueError(
            f"spacing / speed must be the delay of the fit, {fit.delay:g} s, got {spacing / speed:g} s"
        )
    if (capstan_diameter is None) != (tape_thickness is None):
        missing = "capstan_diameter" if capstan_diameter is None else "tape_thickness"
        raise ValueError(f"{missing} must be given too: a sleeve needs capstan diameter and tape thickness")
    ratio, per_wanted = fit.delay / fit.wanted_delay, 2 * u_delay / fit.wanted_delay
    faster, sleeve = fit.error_percent > -_ROUNDING, None
    if faster and capstan_diameter is not None and tape_thickness is not None:
        diameter = transport.sleeve_diameter(capstan_diameter, tape_thickness, ratio)
        sleeve = Change(diameter, (capstan_diameter + tape_thickness) * per_wanted)
    bpm = tempo_from_delay(fit.delay, fit.note.beats)
    return ExactChanges(
        spacing_change=Change(
            fit.wanted_delay * speed - spacing, 2 * (speed * u_delay + abs(fit.error) * u_speed)
        ),
        spacing=fit.wanted_delay * speed,
        speed_change_percent=Change(fit.error_percent, 100 * per_wanted),
        speed=speed * ratio,
        sleeve_diameter=sleeve,
        sleeve_possible=faster,
        bpm=Change(bpm, 2 * bpm * u_delay / fit.delay),
    )


@calculator
def grid_offset(delay: Delay, wanted_delay: Delay, repeats: Repeats) -> Offset:
    """Compute how far a repeat, counted from 1, stands off the grid, ``n (T - Tw)``."""
    return repeats * (delay - wanted_delay)


@calculator
def take_drift(duration: DurationOrZero, error_percent: ErrorPercent) -> Offset:
    """Compute how far repeats that play on by themselves drift off the grid, ``t e``.

    A loop at the edge of runaway, or a closed loop of tape, hands its error from repeat to repeat; an echo
    of newly played notes starts anew with each of them. The inverse is `duration_from_drift`.
    """
    return duration * error_percent / 100


@calculator
def duration_from_drift(drift: Offset, error_percent: ErrorPercent) -> Duration:
    """Compute when repeats have drifted off the grid by so much, ``drift/e``; the inverse of `take_drift`."""
    if np.any(error_percent == 0):
        raise ValueError("error_percent must not be 0, got 0: repeats without an error never drift")
    if np.any(drift * error_percent < 0):
        raise ValueError("drift and error_percent must have the same sign: late repeats only get later")
    return 100 * drift / error_percent
