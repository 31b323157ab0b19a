"""Which songs a delay fits, by how much it misses, and what makes the fit exact.

Tempo stays in beats per minute, the unit that musicians and metronomes use; one
beat is a quarter note. Everything else is SI.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from tapecalc.calc import standards
from tapecalc.calc.quantity import finite, non_negative, positive, scalar_or_array, single
from tapecalc.calc.transport import sleeve_diameter as diameter_for_speed_ratio
from tapecalc.calc.units import UNITS, ratio_to_cents

__all__ = [
    "ECHO_ZONES",
    "NOTE_VALUES",
    "EchoZone",
    "ExactChanges",
    "LabeledFit",
    "NoteValue",
    "TempoFit",
    "beats_from_delay",
    "best_plan_fits",
    "delay_from_tempo",
    "duration_from_drift",
    "echo_zone",
    "exact_changes",
    "fit",
    "grid_offset",
    "nearest_fits",
    "note_value",
    "take_drift",
    "tempo_from_delay",
    "tempo_threshold",
    "tempos_for_delay",
    "timing_threshold",
]


MINUTE = UNITS["min"]
FINEST_BEAT_FRACTION = 96  # splits a beat by 2, 3 and 32, finer than any note value here


@dataclass(frozen=True)
class NoteValue:
    """A note value: its name and its length in beats, a quarter note being one beat.

    Parameters
    ----------
    name : str
        What a musician calls it, for example ``"dotted eighth"``.
    beats : float
        Its length in beats, greater than 0.

    Raises
    ------
    ValueError
        If the name is empty or the length is not one number greater than 0.

    Notes
    -----
    Source: usual music notation. Notebook: 04_tempo.

    Examples
    --------
    >>> NoteValue("dotted eighth", 0.75).cross_rhythm
    (4, 3)
    """

    name: str
    beats: float

    def __post_init__(self):
        if not isinstance(self.name, str) or not self.name.strip():
            raise ValueError(f"name must be a word or more, got {self.name!r}")
        object.__setattr__(self, "beats", single("beats", positive("beats", self.beats)))

    @property
    def cross_rhythm(self):
        """Repeats and beats after which an echo of this length meets the beat again.

        A dotted eighth gives (4, 3): four repeats against three beats.
        """
        length = Fraction(self.beats).limit_denominator(FINEST_BEAT_FRACTION)
        return length.denominator, length.numerator


def _every_note_value():
    """List straight, dotted, triplet and quintuplet notes, the longest first."""
    straight = ("whole", 4), ("half", 2), ("quarter", 1), ("eighth", 1 / 2), ("sixteenth", 1 / 4)
    kinds = ("{}", 1), ("dotted {}", 3 / 2), ("{} triplet", 2 / 3), ("{} quintuplet", 4 / 5)
    notes = (
        NoteValue(pattern.format(name), beats * factor)
        for name, beats in (*straight, ("thirty-second", 1 / 8))
        for pattern, factor in kinds
    )
    return tuple(sorted(notes, key=lambda note: -note.beats))


#: Whole to thirty-second, each straight, dotted (3/2), as triplet (2/3: three in the time of two)
#: and as quintuplet (4/5: five in the time of four). Source: usual music notation.
NOTE_VALUES = _every_note_value()


def note_value(name):
    """Look up a note value by its name.

    Parameters
    ----------
    name : str
        One of the names in `NOTE_VALUES`, for example ``"eighth triplet"``.

    Returns
    -------
    NoteValue
        The note of that name.

    Raises
    ------
    ValueError
        If there is no note of that name; the nearest one is suggested.

    Notes
    -----
    Source: usual music notation. Notebook: 04_tempo.

    Examples
    --------
    >>> note_value("dotted eighth").beats
    0.75
    """
    known = {note.name: note for note in NOTE_VALUES}
    if name in known:
        return known[name]
    near = difflib.get_close_matches(str(name), known, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}"
    raise ValueError(f"note value {name!r} is not known; {hint}")


def delay_from_tempo(bpm, beats):
    """Compute how long a note lasts, ``T = 60 b/B``.

    Parameters
    ----------
    bpm : array_like
        Tempo in beats per minute, greater than 0.
    beats : array_like
        Length of the note in beats, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Duration in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    tempo_from_delay : the inverse in the tempo
    beats_from_delay : the inverse in the note

    Notes
    -----
    Source: definition of beats per minute. Notebook: 04_tempo.

    Examples
    --------
    >>> delay_from_tempo(120, 0.75)
    0.375
    """
    return scalar_or_array(positive("beats", beats) * MINUTE / positive("bpm", bpm))


def tempo_from_delay(delay, beats):
    """Compute the tempo at which a note lasts as long as a delay, ``B = 60 b/T``.

    Parameters
    ----------
    delay : array_like
        Delay in s, greater than 0.
    beats : array_like
        Length of the note in beats, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Tempo in beats per minute, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    delay_from_tempo : the inverse

    Notes
    -----
    Source: definition of beats per minute. Notebook: 04_tempo.

    Examples
    --------
    >>> tempo_from_delay(0.5, 0.75)
    90.0
    """
    return scalar_or_array(positive("beats", beats) * MINUTE / positive("delay", delay, "s"))


def beats_from_delay(delay, bpm):
    """Compute how many beats a delay lasts, ``b = T B/60``.

    Parameters
    ----------
    delay : array_like
        Delay in s, greater than 0.
    bpm : array_like
        Tempo in beats per minute, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Length in beats, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    delay_from_tempo : the inverse

    Notes
    -----
    Source: definition of beats per minute. Notebook: 04_tempo.

    Examples
    --------
    >>> beats_from_delay(0.375, 120)
    0.75
    """
    return scalar_or_array(positive("delay", delay, "s") * positive("bpm", bpm) / MINUTE)


def timing_threshold(interval):
    """Compute the smallest shift of one event that ears notice, ``max(6 ms, 2.5 % of T)``.

    Parameters
    ----------
    interval : array_like
        Time from one event to the next in s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Just noticeable shift in s, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    Notes
    -----
    Tested on listeners from 0.1 to 1 s; the same two rules are used beyond. They
    meet at 0.24 s.

    Source: A. Friberg & J. Sundberg, Time discrimination in a monotonic, isochronous
    sequence, J. Acoust. Soc. Am. 98, 1995. Notebook: 04_tempo.

    Examples
    --------
    >>> timing_threshold([0.1, 0.5])
    array([0.006 , 0.0125])
    """
    interval = positive("interval", interval, "s")
    return scalar_or_array(np.maximum(standards.TIMING_FLOOR, standards.TIMING_FRACTION * interval))


def tempo_threshold(intervals):
    """Look up the smallest change of tempo that ears notice, as a fraction.

    Straight lines join the published points; more intervals than published help no
    further.

    Parameters
    ----------
    intervals : array_like
        How many equal intervals are heard before and after, 1 or more.

    Returns
    -------
    float or numpy.ndarray
        Just noticeable change of tempo as a fraction (0.03 is 3 %), of the shape of
        the input.

    Raises
    ------
    ValueError
        If a value is not finite or less than 1.

    Notes
    -----
    Source: Tempo sensitivity in auditory sequences: evidence for a multiple-look model,
    1993. Notebook: 04_tempo.

    Examples
    --------
    >>> tempo_threshold(2)
    0.04
    """
    intervals = finite("intervals", intervals)
    if np.any(intervals < 1):
        raise ValueError(f"intervals must be 1 or more, got {intervals.min():g}")
    known, fractions = zip(*standards.TEMPO_THRESHOLDS, strict=True)
    return scalar_or_array(np.interp(intervals, known, fractions))


@dataclass(frozen=True)
class EchoZone:
    """A range of delays that ears take in one and the same way.

    Parameters
    ----------
    name : str
        What the trade calls such an echo.
    shortest, longest : float
        The range in s; the longest of the last zone is infinite.
    effect : str
        What is heard.

    Notes
    -----
    Source: beside `ECHO_ZONES`. Notebook: 01_delay.

    Examples
    --------
    >>> echo_zone(0.020).effect
    'one thicker sound, as if two played together'
    """

    name: str
    shortest: float
    longest: float
    effect: str


#: From the shortest delay to the longest. Sources of the limits: 5 ms, Rakerd, Hsu & Hartmann 1997;
#: 40 ms, Wallach, Newman & Rosenzweig 1949; 250 ms and the names, common practice, no source.
ECHO_ZONES = (
    EchoZone("coloration", 0.0, standards.CLICK_FUSION_LIMIT, "one sound with a changed tone"),
    EchoZone(
        "doubling",
        standards.CLICK_FUSION_LIMIT,
        standards.FUSION_LIMIT,
        "one thicker sound, as if two played together",
    ),
    EchoZone("slap", standards.FUSION_LIMIT, standards.SLAP_LIMIT, "one quick answer right behind the sound"),
    EchoZone("separate echo", standards.SLAP_LIMIT, math.inf, "an answer of its own, with room for a rhythm"),
)


def echo_zone(delay):
    """Name what a delay is good for: coloration, doubling, slap or separate echo.

    Parameters
    ----------
    delay : float
        One delay in s, greater than 0.

    Returns
    -------
    EchoZone
        The zone with ``shortest <= delay < longest``.

    Raises
    ------
    ValueError
        If the delay is not one finite number greater than 0.

    Notes
    -----
    Ears differ, and so do sounds: clicks part sooner than speech, speech sooner than
    strings. Between 50 and 100 ms an echo parts from the sound.

    Source: beside `ECHO_ZONES`; F. A. Everest, Master Handbook of Acoustics, p. 75, for
    50 to 100 ms. Notebook: 01_delay.

    Examples
    --------
    >>> echo_zone(0.218).name
    'slap'
    """
    delay = single("delay", positive("delay", delay, "s"))
    return next(zone for zone in ECHO_ZONES if delay < zone.longest)


@dataclass(frozen=True, kw_only=True)
class TempoFit:
    """How well one delay fits one note value at one tempo.

    Parameters
    ----------
    note : NoteValue
        The note value.
    bpm : float
        Tempo in beats per minute.
    delay : float
        The delay that there is, s.
    wanted_delay : float
        The delay that would be exact, s.
    error : float
        ``delay - wanted_delay`` in s; positive means that the echo comes late.
    error_percent : float
        The error in percent of the wanted delay, which is also the change of speed that
        would make the fit exact.
    error_cents : float
        The same as a ratio in cents, ``1200 log2(delay/wanted_delay)``.
    threshold : float
        The smallest shift that ears notice at this interval, s.
    audible : bool
        Whether the error is larger than the threshold.

    Notes
    -----
    Source: threshold as `timing_threshold`. Notebook: 04_tempo.

    Examples
    --------
    >>> fit(0.380, 120, note_value("dotted eighth")).audible
    False
    """

    note: NoteValue
    bpm: float
    delay: float
    wanted_delay: float
    error: float
    error_percent: float
    error_cents: float
    threshold: float
    audible: bool

    @property
    def audibility(self):
        """Size of the error counted in thresholds: above 1 it is heard, 0 is exact."""
        return abs(self.error) / self.threshold

    @property
    def repeats_in_time(self):
        """How many repeats pass before the piled-up error is heard; None if it never is.

        Repeat n is n errors off the grid, so this is the whole part of threshold over
        error. An error of the size of rounding counts as none.
        """
        if math.isclose(self.delay, self.wanted_delay, rel_tol=1e-12):
            return None
        return math.floor(self.threshold / abs(self.error))


def fit(delay, bpm, note):
    """Compare one delay with one note value at one tempo.

    Parameters
    ----------
    delay : float
        Delay in s, greater than 0.
    bpm : float
        Tempo in beats per minute, greater than 0.
    note : NoteValue
        The note value, from `note_value` or your own.

    Returns
    -------
    TempoFit
        The error in s, percent and cents, and whether it is heard.

    Raises
    ------
    ValueError
        If a value is not one finite number greater than 0, or `note` is no NoteValue.

    See Also
    --------
    nearest_fits : all note values at once

    Notes
    -----
    Source: threshold as `timing_threshold`. Notebook: 04_tempo.

    Examples
    --------
    >>> miss = fit(0.21785, 76, note_value("sixteenth"))
    >>> round(1e3 * miss.error, 2), round(miss.error_percent, 1), miss.audible  # ms, percent
    (20.48, 10.4, True)
    """
    (note,) = _checked_notes([note])
    delay = single("delay", positive("delay", delay, "s"))
    bpm = single("bpm", positive("bpm", bpm))
    wanted_delay = delay_from_tempo(bpm, note.beats)
    error = delay - wanted_delay
    threshold = timing_threshold(wanted_delay)
    return TempoFit(
        note=note,
        bpm=bpm,
        delay=delay,
        wanted_delay=wanted_delay,
        error=error,
        error_percent=100 * error / wanted_delay,
        error_cents=ratio_to_cents(delay / wanted_delay),
        threshold=threshold,
        audible=abs(error) > threshold,
    )


def nearest_fits(delay, bpm, *, notes=NOTE_VALUES):
    """Rank note values by how well a delay fits them at a tempo, the best first.

    The error is counted in thresholds of hearing, so that long and short notes are
    judged by the same ear.

    Parameters
    ----------
    delay : float
        Delay in s, greater than 0.
    bpm : float
        Tempo in beats per minute, greater than 0.
    notes : sequence of NoteValue, optional
        The note values that count; all of `NOTE_VALUES` unless given.

    Returns
    -------
    tuple of TempoFit
        One for each note value, the least audible error first.

    Raises
    ------
    ValueError
        If a value is not one finite number greater than 0, or `notes` is empty or holds
        something else.

    See Also
    --------
    tempos_for_delay : the tempos that fit exactly
    best_plan_fits : the same over several delays

    Notes
    -----
    Source: threshold as `timing_threshold`. Notebook: 04_tempo.

    Examples
    --------
    >>> [fit.note.name for fit in nearest_fits(0.44, 76)][:2]
    ['eighth', 'quarter triplet']
    """
    fits = (fit(delay, bpm, note) for note in _checked_notes(notes))
    return tuple(sorted(fits, key=_rank))


def tempos_for_delay(delay, *, low=60, high=180, notes=NOTE_VALUES):
    """List every tempo in a range at which a delay is exactly one of the note values.

    Parameters
    ----------
    delay : float
        Delay in s, greater than 0.
    low, high : float, optional
        The slowest and the fastest tempo in beats per minute, both included.
    notes : sequence of NoteValue, optional
        The note values that count; all of `NOTE_VALUES` unless given.

    Returns
    -------
    tuple of (NoteValue, float)
        Note value and tempo in beats per minute, the slowest tempo first; empty if
        there is none.

    Raises
    ------
    ValueError
        If a value is not one finite number greater than 0, the range is reversed, or
        `notes` is empty or holds something else.

    See Also
    --------
    nearest_fits : for one tempo, the nearest note values

    Notes
    -----
    Source: definition of beats per minute; the usual range of 60 to 180 is common
    practice, no source. Notebook: 04_tempo.

    Examples
    --------
    >>> for note, bpm in tempos_for_delay(0.25, low=90, high=130):
    ...     print(note.name, round(bpm, 6))
    dotted sixteenth 90.0
    eighth quintuplet 96.0
    eighth 120.0
    """
    delay = single("delay", positive("delay", delay, "s"))
    low = single("low", positive("low", low))
    high = single("high", positive("high", high))
    if low > high:
        raise ValueError(f"low must not be above high, got {low:g} and {high:g} beats per minute")
    # A rounding error must not drop a tempo that stands on the end of the range.
    slack = 1e-12
    tempos = ((note, tempo_from_delay(delay, note.beats)) for note in _checked_notes(notes))
    inside = (pair for pair in tempos if low * (1 - slack) <= pair[1] <= high * (1 + slack))
    return tuple(sorted(inside, key=lambda pair: pair[1]))


@dataclass(frozen=True, kw_only=True)
class LabeledFit:
    """A fit, and which of several delays it is about.

    Parameters
    ----------
    label : object
        What names the delay, for example a (speed, head) pair.
    fit : TempoFit
        The fit of that delay.

    Notes
    -----
    Source: threshold as `timing_threshold`. Notebook: 04_tempo.

    Examples
    --------
    >>> best_plan_fits({"slow": 0.44, "fast": 0.23}, 136)[0].label
    'slow'
    """

    label: object
    fit: TempoFit


def best_plan_fits(delays, bpm, *, notes=NOTE_VALUES):
    """Rank every pair of a delay and a note value at one tempo, the best first.

    Parameters
    ----------
    delays : dict
        Delay in s, greater than 0, by a label of your own, for example by
        (speed, head).
    bpm : float
        Tempo in beats per minute, greater than 0.
    notes : sequence of NoteValue, optional
        The note values that count; all of `NOTE_VALUES` unless given.

    Returns
    -------
    tuple of LabeledFit
        One for each delay and note value, the least audible error first.

    Raises
    ------
    ValueError
        If there is no delay, a value is not one finite number greater than 0, or `notes`
        is empty or holds something else.

    See Also
    --------
    nearest_fits : the same for one delay

    Notes
    -----
    Source: threshold as `timing_threshold`. Notebook: 04_tempo.

    Examples
    --------
    >>> best = best_plan_fits({"7.5 ips": 0.218, "3.75 ips": 0.436}, 69)[0]
    >>> best.label, best.fit.note.name
    ('7.5 ips', 'sixteenth')
    """
    if not delays:
        raise ValueError("delays must hold at least one delay, got none")
    notes = _checked_notes(notes)
    fits = (
        LabeledFit(label=label, fit=one)
        for label, delay in delays.items()
        for one in nearest_fits(delay, bpm, notes=notes)
    )
    return tuple(sorted(fits, key=lambda labeled: _rank(labeled.fit)))


@dataclass(frozen=True, kw_only=True)
class ExactChanges:
    """Four ways to make a fit exact; any single one of them is enough.

    Parameters
    ----------
    spacing_change : float
        How far to move the playback head, m; positive is away from the record head.
    spacing : float
        The head spacing after that move, m.
    speed_change_percent : float
        How much to change the speed, percent.
    speed : float
        The speed after that change, m/s.
    sleeve_diameter : float or None
        Outer diameter of a capstan sleeve that gives this speed, m; smaller than the
        capstan means that metal must come off instead. None if the capstan is not known.
    bpm : float
        The tempo to play at, beats per minute.

    Notes
    -----
    Source: the delay, spacing / speed. Notebook: 04_tempo.

    Examples
    --------
    >>> late = fit(0.5, 115, note_value("quarter"))
    >>> exact_changes(late, spacing=0.09525, speed=0.1905).bpm
    120.0
    """

    spacing_change: float
    spacing: float
    speed_change_percent: float
    speed: float
    sleeve_diameter: float | None
    bpm: float


def exact_changes(fit, *, spacing, speed, capstan_diameter=None, tape_thickness=None):
    """Find the four changes of which each makes a fit exact.

    Move the head to ``spacing Tw/T``, run at ``speed T/Tw``, fit the sleeve for that
    speed, or play at ``B Tw/T``.

    Parameters
    ----------
    fit : TempoFit
        The fit to be made exact.
    spacing : float
        Present head spacing in m, greater than 0.
    speed : float
        Present tape speed in m/s, greater than 0.
    capstan_diameter : float, optional
        Present capstan diameter in m, greater than 0.
    tape_thickness : float, optional
        Total tape thickness in m, 0 or more; needed with `capstan_diameter`.

    Returns
    -------
    ExactChanges
        The four changes.

    Raises
    ------
    ValueError
        If a value is not one finite number in its range, if only one of capstan diameter
        and tape thickness is given, if `spacing` / `speed` is not the delay of the fit, or
        if no sleeve is small enough.

    Notes
    -----
    A steady speed other than the nominal one does not detune the echo, as the tape was
    recorded at that speed too.

    Source: the delay, spacing / speed; `transport.sleeve_diameter`.
    Notebook: 04_tempo.

    Examples
    --------
    >>> late = fit(0.0415 / 0.1905, 76, note_value("sixteenth"))
    >>> changes = exact_changes(late, spacing=0.0415, speed=0.1905, capstan_diameter=0.008,
    ...                         tape_thickness=35e-6)
    >>> round(1e3 * changes.spacing_change, 2), round(changes.speed_change_percent, 2)  # mm, %
    (-3.9, 10.38)
    >>> round(1e3 * changes.sleeve_diameter, 2), round(changes.bpm, 2)  # mm, beats per minute
    (8.83, 68.86)
    """
    spacing = single("spacing", positive("spacing", spacing, "m"))
    speed = single("speed", positive("speed", speed, "m/s"))
    if not math.isclose(spacing / speed, fit.delay, rel_tol=1e-6):
        raise ValueError(
            f"spacing / speed must be the delay of the fit, {fit.delay:g} s, got {spacing / speed:g} s"
        )
    if (capstan_diameter is None) != (tape_thickness is None):
        missing = "capstan_diameter" if capstan_diameter is None else "tape_thickness"
        raise ValueError(f"{missing} must be given too: a sleeve needs capstan diameter and tape thickness")
    speed_ratio = fit.delay / fit.wanted_delay
    sleeve = None
    if capstan_diameter is not None:
        capstan_diameter = single("capstan_diameter", positive("capstan_diameter", capstan_diameter, "m"))
        tape_thickness = single("tape_thickness", non_negative("tape_thickness", tape_thickness, "m"))
        sleeve = diameter_for_speed_ratio(capstan_diameter, tape_thickness, speed_ratio)
    return ExactChanges(
        spacing_change=fit.wanted_delay * speed - spacing,
        spacing=fit.wanted_delay * speed,
        speed_change_percent=fit.error_percent,
        speed=speed * speed_ratio,
        sleeve_diameter=sleeve,
        bpm=tempo_from_delay(fit.delay, fit.note.beats),
    )


def grid_offset(delay, wanted_delay, repeats):
    """Compute how far a repeat stands off the grid, ``n (T - Tw)``.

    Parameters
    ----------
    delay : array_like
        The delay that there is, s, greater than 0.
    wanted_delay : array_like
        The delay that would be exact, s, greater than 0.
    repeats : array_like
        Which repeat, counted from 1 (0 is the sound itself).

    Returns
    -------
    float or numpy.ndarray
        Offset in s, positive if late, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    take_drift : the same over a length of time

    Notes
    -----
    Source: the error of one pass adds at each pass. Notebook: 04_tempo.

    Examples
    --------
    >>> round(1e3 * grid_offset(0.505, 0.500, 4), 6)  # ms
    20.0
    """
    delay = positive("delay", delay, "s")
    wanted_delay = positive("wanted_delay", wanted_delay, "s")
    return scalar_or_array(non_negative("repeats", repeats) * (delay - wanted_delay))


def take_drift(duration, error_percent):
    """Compute how far repeats that play on by themselves drift off the grid, ``t e``.

    A loop at the edge of runaway, or a closed loop of tape, hands its error from repeat
    to repeat; an echo of newly played notes starts anew with each of them and does not
    drift.

    Parameters
    ----------
    duration : array_like
        How long the take lasts, s, 0 or more.
    error_percent : array_like
        Error of the delay in percent, positive if it is too long.

    Returns
    -------
    float or numpy.ndarray
        Drift in s at the end of the take, positive if late, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    duration_from_drift : the inverse
    grid_offset : the same over a number of repeats

    Notes
    -----
    Source: `grid_offset` with as many repeats as there are wanted delays in the take.
    Notebook: 04_tempo.

    Examples
    --------
    >>> take_drift(180, 0.2)
    0.36
    """
    duration = non_negative("duration", duration, "s")
    return scalar_or_array(duration * finite("error_percent", error_percent) / 100)


def duration_from_drift(drift, error_percent):
    """Compute after what time repeats have drifted off the grid by so much, ``t = drift/e``.

    Parameters
    ----------
    drift : array_like
        Drift in s, of the sign of the error, positive if late.
    error_percent : array_like
        Error of the delay in percent, positive if it is too long, not 0.

    Returns
    -------
    float or numpy.ndarray
        Time in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, the error is 0 (it never drifts), or drift and error
        have opposite signs.

    See Also
    --------
    take_drift : the inverse

    Notes
    -----
    Source: as `take_drift`. Notebook: 04_tempo.

    Examples
    --------
    >>> round(duration_from_drift(0.0125, 0.2), 6)
    6.25
    """
    drift = finite("drift", drift)
    error_percent = finite("error_percent", error_percent)
    if np.any(error_percent == 0):
        raise ValueError("error_percent must not be 0, got 0: repeats without an error never drift")
    if np.any(drift * error_percent < 0):
        raise ValueError("drift and error_percent must have the same sign: late repeats only get later")
    return scalar_or_array(100 * drift / error_percent)


def _rank(fit):
    """Sort key: rounding errors must not decide between equally good fits."""
    return round(fit.audibility, 9)


def _checked_notes(notes):
    """Return the note values as a tuple, refusing an empty list and anything else."""
    notes = tuple(notes)
    if not notes:
        raise ValueError("notes must hold at least one note value, got none")
    for note in notes:
        if not isinstance(note, NoteValue):
            raise ValueError(f"a note must be a NoteValue, for example note_value('eighth'), got {note!r}")
    return notes
