"""What sets the delay, how sure it is, and what a change of speed does to the echo."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from tapecalc import words
from tapecalc.calc import tempo, transport
from tapecalc.calc.units import COVERAGE_FACTOR, from_si, ratio_to_cents, to_si
from tapecalc.course.deck import DECK, FAST, SLOW, SLOWEST_IPS, spacing_slider, speed_slider
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.course.panel import Answer, Artists, Panel, chart, empty_line, shade, slider
from tapecalc.plot import style
from tapecalc.plot.kit import name_lines

STANDARD_IPS = (3.75, 7.5, 15.0)  # speeds drawn for comparison
START = 1.0  # when the speed begins to change, s
TIME = np.arange(0, 4.501, 0.01)  # long enough for the slowest change and the longest delay, s


def _delay_ms(spacing_mm: Any, speed_ips: float) -> Any:
    return from_si(transport.delay_from_spacing(to_si(spacing_mm, "mm"), to_si(speed_ips, "ips")), "ms")


LONGEST_MM, LONGEST_MS = 100.0, _delay_ms(100.0, SLOWEST_IPS)
HEIGHT_MS = (0, 1.05 * LONGEST_MS)
LARGEST_RULER_MM, LARGEST_SPEED_PERCENT = 2.0, 4.0  # of a plus/minus


# ---- how sure a delay is ----


def delay_panel() -> Panel:
    """Return the panel of delay and its plus/minus over head spacing and tape speed.

    What ruler and speed add are the legs of a right triangle, in which every side is a plus/minus, twice
    a standard uncertainty. Source: JCGM 100:2008, law of propagation.

    >>> delay_panel().readout
    '41.5 mm at 7.5 ips (19.05 cm/s): the echo comes after 218 ms +/- 7 ms, a slap.'
    """
    return Panel(
        "delay_and_uncertainty",
        _build_delay,
        _update_delay,
        spacing_slider(10.0, LONGEST_MM, 0.5),
        speed_slider(),
        slider("ruler_mm", "ruler +/-", 1.0, low=0.0, high=LARGEST_RULER_MM, step=0.1, unit="mm"),
        slider("speed_percent", "speed +/-", 2.0, low=0.0, high=LARGEST_SPEED_PERCENT, step=0.1, unit="%"),
        question="Which matters more for the delay: a millimeter, or two percent of speed?",
        legend="Left, thick line: delay at the speed you set; dot: your head; thin lines: standard speeds. "
        "Right, in a right triangle: what the ruler adds (flat), what the speed adds (upright), and both "
        "together (slanted), each as the +/- that holds in 95 of 100 cases.",
        alt="Two charts. Left: delay in ms over head spacing in mm, straight lines through zero, steeper for "
        "slower tape. Right: the plus/minus of the delay in ms as a right triangle of ruler and speed.",
    )


def _build_delay(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the lines of the standard speeds and the empty triangle."""
    if profile.narrow:
        delay, doubt = figure.subplots(2, 1, height_ratios=(3, 2))
    else:
        delay, doubt = figure.subplots(1, 2, width_ratios=(3, 2))
    chart(delay, profile, x="head spacing (mm)", y="delay (ms)", xlim=(0, LONGEST_MM), ylim=HEIGHT_MS)
    thin: dict[str, Any] = {"color": profile.ground.frame, "linewidth": profile.line_pt / 2}
    lines = [empty_line(delay, profile, k, **thin) for k in range(len(STANDARD_IPS))]
    for line, speed_ips in zip(lines, STANDARD_IPS, strict=True):
        line.set_data([0.1, LONGEST_MM], _delay_ms([0.1, LONGEST_MM], speed_ips))
    of_ruler = LARGEST_RULER_MM / LONGEST_MM * LONGEST_MS
    of_speed = LARGEST_SPEED_PERCENT / 100 * LONGEST_MS
    limits = [(-0.05 * longest, 1.1 * longest) for longest in (of_ruler, of_speed)]
    chart(
        doubt,
        profile,
        x="+/- from the ruler (ms)",
        y="+/- from the speed (ms)",
        xlim=limits[0],
        ylim=limits[1],
    )
    if not profile.narrow:
        name_lines(delay, profile, lines, [f"{speed_ips:g} ips" for speed_ips in STANDARD_IPS])
        doubt.set_aspect("equal")
    thick = 1.4 * profile.line_pt
    return {
        "guides": empty_line(delay, profile, 2, linewidth=profile.line_pt / 1.5),
        "line": empty_line(delay, profile, 0, linewidth=thick),
        "head": empty_line(delay, profile, 1, linestyle="none", marker="o", clip_on=False),
        "ruler": empty_line(doubt, profile, 1, linewidth=thick),
        "speed": empty_line(doubt, profile, 2, linewidth=thick),
        "together": empty_line(doubt, profile, 0, linewidth=thick),
    }


def _update_delay(
    artists: Artists, spacing_mm: float, speed_ips: float, ruler_mm: float, speed_percent: float
) -> Answer:
    """Move line, head and triangle, and say the delay."""
    spacing, speed = to_si(spacing_mm, "mm"), to_si(speed_ips, "ips")
    u_ruler = to_si(ruler_mm, "mm") / COVERAGE_FACTOR
    u_speed = speed * to_si(speed_percent, "percent") / COVERAGE_FACTOR
    delay = transport.delay_from_spacing(spacing, speed)
    sides = [
        COVERAGE_FACTOR * transport.delay_uncertainty(spacing, speed, *of)
        for of in ((u_ruler, 0.0), (0.0, u_speed), (u_ruler, u_speed))
    ]
    delay_ms, flat_ms, upright_ms, slanted_ms = (from_si(time, "ms") for time in (delay, *sides))
    artists["line"].set_data([0, LONGEST_MM], [0, LONGEST_MM * delay_ms / spacing_mm])
    artists["head"].set_data([spacing_mm], [delay_ms])
    artists["guides"].set_data([spacing_mm, spacing_mm, 0], [0, delay_ms, delay_ms])
    artists["ruler"].set_data([0, flat_ms], [0, 0])
    artists["speed"].set_data([flat_ms, flat_ms], [0, upright_ms])
    artists["together"].set_data([0, flat_ms], [0, upright_ms])
    after = f"{words.with_uncertainty(delay_ms, slanted_ms, 'ms')}, a {tempo.echo_zone(delay).name}"
    names = ("from the ruler alone", "from the speed alone", "both together")
    rows = {name: f"+/- {words.amount(side, 'ms', '.1f')}" for name, side in zip(names, sides, strict=True)}
    rows["same heads at half the speed"] = words.amount(2 * delay, "ms")
    return f"{spacing_mm:g} mm at {words.speed_twice(speed)}: the echo comes after {after}.", rows


# ---- while the speed changes ----


def speed_change_panel() -> Panel:
    """Return the panel of delay and pitch of the echo while the tape speed changes.

    >>> print(speed_change_panel().readout)
    From 7.5 to 3.75 ips in 0.5 s: the delay goes from 218 to 436 ms. The echo falls by up to 8.7
    semitones and is back in tune 436 ms after the speed has settled.
    """
    return Panel(
        "speed_change",
        _build_change,
        _update_change,
        spacing_slider(10.0, LONGEST_MM, 0.5),
        speed_slider("first_ips", "speed before"),
        speed_slider("last_ips", "speed after", SLOW),
        slider("change_s", "the change takes", 0.5, low=0.05, high=2.0, step=0.05, unit="s"),
        question="How long after the speed has settled is the echo back in tune?",
        legend="Above: the delay. Below: pitch of the echo against what was played. Shaded: while the speed "
        "changes; dashed upright line: from here on the echo is in tune again.",
        alt="Two charts over the same time in s. Above: delay in ms, going from one steady value to another. "
        "Below: pitch of the echo in semitones, which leaves zero only while the speed changes and for "
        "one new delay more.",
    )


def _build_change(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frames; everything else moves."""
    both = delay, pitch = figure.subplots(2, 1, sharex=True)
    chart(delay, profile, y="delay (ms)", xlim=(0, TIME[-1]), ylim=HEIGHT_MS)
    yticks = (-24, -12, 0, 12, 24)
    chart(pitch, profile, x="time (s)", y="pitch (semitones)", ylim=(-25, 25), yticks=yticks)
    look = style.line_style(profile, 1) | {"linewidth": profile.line_pt / 1.5}
    return {
        "changing": [shade(axes, profile, START, START + 1) for axes in both],
        "in tune": [axes.axvline(START, **look) for axes in both],
        "delay": empty_line(delay, profile, 0),
        "pitch": empty_line(pitch, profile, 0),
    }


def _update_change(
    artists: Artists, spacing_mm: float, first_ips: float, last_ips: float, change_s: float
) -> Answer:
    """Run the tape through the change and say what it did to the echo."""
    spacing, (first, last) = to_si(spacing_mm, "mm"), to_si([first_ips, last_ips], "ips").tolist()
    speeds = np.interp(TIME, (START, START + change_s), (first, last))
    delay = transport.delay_at(TIME, speeds, spacing)
    recorded = np.interp(TIME - delay, TIME, speeds)
    semitones = ratio_to_cents(transport.pitch_ratio(speeds, recorded)) / 100
    old_delay, new_delay = (transport.delay_from_spacing(spacing, speed) for speed in (first, last))
    for span in artists["changing"]:
        span.set_width(change_s)
    for mark in artists["in tune"]:
        mark.set_xdata([START + change_s + new_delay] * 2)
    artists["delay"].set_data(TIME, from_si(delay, "ms"))
    artists["pitch"].set_data(TIME, semitones)
    before, after = words.amount(old_delay, "ms"), words.amount(new_delay, "ms")
    farthest = max(semitones.max(), -semitones.min())
    if farthest < 0.005:
        return f"The speed stays at {words.speed(first)}: the echo stays {before} behind, and in tune."
    rows = {"delay before": before, "delay after": after, "farthest out of tune": f"{farthest:.1f} semitones"}
    return (
        f"From {first_ips:.4g} to {words.speed(last)} in {change_s:g} s: the delay goes from "
        f"{before.removesuffix(' ms')} to {after}. The echo {'falls' if last < first else 'rises'} by up to "
        f"{farthest:.1f} semitones and is back in tune {after} after the speed has settled.",
        rows | {"out of tune for": f"{change_s + new_delay:.2f} s"},
    )


# ---- exercises ----

#: The prediction: the bench deck's delay at its fast speed; a guess may be a quarter off.
_deck_ms = from_si(DECK.delays(FAST)[0], "ms")
first_guess = Guess(_deck_ms, "ms", tolerance_percent=25).hints(
    "At this speed the tape covers 190.5 mm in each second: which part of a second do 41.5 mm take?",
    (2 * _deck_ms, "That is the echo at the slow speed."),
    (_deck_ms / 1000, "That would be the delay in seconds; the question asks for milliseconds."),
    ((None, 40), "So short a gap would melt into the sound: the tape needs longer than that."),
)


def _in_inches(spacing_in: float, speed_ips: float) -> Exercise:
    """Ask for the delay of a spacing in inches."""
    delay = transport.delay_from_spacing(to_si(spacing_in, "in"), to_si(speed_ips, "ips"))
    mixed = from_si(spacing_in / from_si(to_si(speed_ips, "ips"), "cm_s"), "ms")
    return Exercise(from_si(delay, "ms"), "ms").hints(
        "Both numbers are in inches already, so nothing needs converting before you divide.",
        (from_si(1 / delay, "ms"), "You divided the speed by the spacing; time is length divided by speed."),
        (spacing_in * speed_ips, "You multiplied; time is length divided by speed."),
        (mixed, "Inches and centimeters are mixed: take inches with ips, or SI for both."),
    )


two_inches = _in_inches(2, 7.5)
inches_again = Question(
    "Heads {spacing_in:g} inches apart, and a tape at {speed_ips:g} ips: what is the delay, in milliseconds?",
    _in_inches,
    "Spacing over speed, and the inches cancel: {spacing_in:g}/{speed_ips:g} seconds, {answer}.",
    {"spacing_in": (0.75, 1.25, 1.5, 1.75, 2.5), "speed_ips": (3.75, 7.5, 15)},
)


def _second_head(delay_ms: float) -> Exercise:
    """Ask where a second head must stand at the fast speed."""
    place_mm = from_si(transport.spacing_from_delay(to_si(delay_ms, "ms"), FAST), "mm")
    return Exercise(place_mm, "mm").hints(
        "Length is speed times time, both in SI: meters per second and seconds.",
        (place_mm / 2, "That is the place for the slow speed."),
        (
            from_si(FAST, "mm") / to_si(delay_ms, "ms"),
            "You divided; the length that runs by is speed times time.",
        ),
        (delay_ms * 7.5, "You multiplied milliseconds by inches per second: turn both to SI first."),
    )


second_head = _second_head(150)
second_head_again = Question(
    "A tape runs at 7.5 ips. How many millimeters behind the record head must a head stand to answer after "
    "{delay_ms:g} ms?",
    _second_head,
    "Speed times time: 190.5 millimeters a second, and {delay_ms:g} thousandths of a second, make {answer}.",
    {"delay_ms": (90, 120, 180, 210, 260, 300, 340, 380, 420, 480)},
)

#: How well a ruler must do for one millisecond; a fifth of a millimeter will do.
_ruler_mm = from_si(transport.spacing_from_delay(to_si(1, "ms"), FAST), "mm")
ruler = Exercise(_ruler_mm, "mm", tolerance_percent=6).hints(
    "How far does the tape travel in one millisecond?",
    (_ruler_mm / 2, "That is the answer for the slow speed."),
    (1 / _ruler_mm, "That is how many milliseconds one millimeter makes; we ask the other way round."),
)

#: The wall of a sleeve that makes the delay four percent shorter; two digits will do.
_thin, _tape = DECK.capstan_diameter, DECK.tape_thickness
_wall_mm, _thinner_mm = (
    from_si((transport.sleeve_diameter(_thin, _tape, ratio) - _thin) / 2, "mm") for ratio in (1 / 0.96, 1.04)
)
sleeve_wall = Exercise(_wall_mm, "mm", tolerance_percent=2).hints(
    "The speed must grow by 1/0.96; the sleeve adds its wall on both sides of the capstan.",
    (2 * _wall_mm, "The diameter grows by two walls, one on each side."),
    (_thinner_mm, "Four percent less delay is a little more than four percent more speed: divide by 0.96."),
    ((None, 0), "A shorter delay needs a faster tape, so the capstan must get thicker."),
)

#: A motor made for 60 Hz on 50 Hz.
mains = Exercise(250 / transport.mains_speed_ratio(50, 60), "ms").hints(
    "Find the ratio of the two speeds first. The delay goes the opposite way.",
    (250 * transport.mains_speed_ratio(50, 60), "A slower motor makes a later echo, not an earlier one."),
    (250, "A motor locked to the mains slows down with it."),
)

#: Spacing from a stopwatch and a recorded click.
_true_mm, _told_mm = (1000 * speed * 0.24 for speed in (5 / 25.6, FAST))
stopwatch = Exercise(_true_mm, "mm").hints(
    "First the speed, from the marked length and the stopwatch; then the length that passes in 240 ms.",
    (_told_mm, "You trusted the number on the speed switch; the stopwatch knows better."),
    (from_si(5 * 25.6, "m") * 240, "Speed is length divided by time: 5 m by 25.6 s."),
)
