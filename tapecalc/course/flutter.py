"""How a wobble of the speed bends a repeat, and which part bends it."""

import math
from dataclasses import replace

import numpy as np
from matplotlib.figure import Figure

from tapecalc import words
from tapecalc.calc import standards, transport
from tapecalc.calc.flutter import (
    delay_swing,
    forced_wobble,
    null_rates,
    repeat_deviation,
    two_sigma,
    usual_shimmer_db,
    weighting_db,
)
from tapecalc.calc.parts import part_rates, part_repeat_deviations
from tapecalc.calc.units import db_to_amplitude, from_si, ratio_to_cents, to_si
from tapecalc.course.deck import DECK, FAST, SLOW, delay_slider, spacing_slider, speed_slider
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.course.panel import Answer, Artists, Panel, chart, empty_line, slider, strokes, switch
from tapecalc.plan import HELD_NOTE
from tapecalc.plot import style

LARGEST_WOBBLE = 0.5  # percent
FASTEST_HZ = 12.0
PAST = np.arange(-1.5, 0.3, 0.004)  # s around the present moment, back to the oldest recording
RATES = np.linspace(0, FASTEST_HZ, 601)
LOWEST_TURNS, HIGHEST_TURNS = 0.07, 40.0  # Hz, across the chart of parts
READING = np.arange(0, 20, 0.005)  # s of speed from which the meter's reading is taken


# ---- how a repeat bends ----


def wobble_panel() -> Panel:
    """Return the panel of one wobble: speed then and now, and the comb through which a repeat hears it.

    >>> print(wobble_panel().readout)
    A wobble of 0.3 % that comes 2.3 times a second bends repeat 1, 218 ms late, by up to 0.60 %
    (10.4 cents): 2.00 times the wobble.
    """
    most = LARGEST_WOBBLE
    return Panel(
        "one_wobble",
        _build_wobble,
        _update_wobble,
        slider("rate_hz", "the wobble comes", 2.3, low=0.2, high=FASTEST_HZ, step=0.05, unit="Hz"),
        delay_slider(450.0),
        slider("repeat", "repeat", 1, low=1, high=3, step=1, unit=""),
        slider("wobble_percent", "wobble, zero to peak", 0.3, low=0.05, high=most, step=0.05, unit="%"),
        question="Which rates leave every repeat steady, and which leave only the second one steady?",
        legend="Above, curve: speed of the tape; dots: when the sound you hear now passed the heads, the "
        "last one now; angle: carry the first dot over to now, and the upright leg is the bend. Below: "
        "thick, how far your repeat bends at any rate; dashed, repeat 1; dot: your wobble.",
        alt="Two charts. Above: deviation of the tape speed in percent over time in s, a sine with dots "
        "one delay apart. Below: bend of the repeat in percent over the rate of the wobble in Hz, a row of "
        "arches.",
    )


def _build_wobble(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frames; everything else moves."""
    speed, bend = figure.subplots(2, 1)
    ends = (-1.15 * LARGEST_WOBBLE, 1.15 * LARGEST_WOBBLE)
    chart(speed, profile, x="time, now = 0 (s)", y="speed (%)", xlim=PAST[[0, -1]], ylim=ends)
    chart(bend, profile, x="rate of the wobble (Hz)", y="bend (%)", xlim=(0, FASTEST_HZ))
    bend.set_ylim(0, 2.15 * LARGEST_WOBBLE)
    dots = {"color": profile.ground.text, "markersize": 2 * profile.line_pt + 2, "zorder": 4}
    return {
        "speed": empty_line(speed, profile, 0),
        "gap": speed.plot([], [], color=profile.ground.echo, linewidth=1.6 * profile.line_pt)[0],
        "passed": speed.plot([], [], "o", **dots)[0],
        "first": empty_line(bend, profile, 1, linewidth=0.6 * profile.line_pt),
        "bend": empty_line(bend, profile, 0, linewidth=1.4 * profile.line_pt),
        "here": bend.plot([], [], "o", **dots)[0],
    }


def _update_wobble(
    artists: Artists, rate_hz: float, delay_ms: float, repeat: int, wobble_percent: float
) -> Answer:
    """Let the wobble stand so that the repeat heard now bends the most, and say how far that is."""
    delay, wobble = to_si(delay_ms, "ms"), to_si(wobble_percent, "percent")
    bend = repeat_deviation(wobble, rate_hz, delay, passes=repeat)
    swing = delay_swing(wobble, rate_hz, delay, passes=repeat)
    half = rate_hz * repeat * delay / 2  # turns from now back to the middle between recording and now
    phase = 2 * math.pi * half + (math.pi if math.sin(2 * math.pi * half) < 0 else 0)
    passed = -delay * np.arange(repeat, -1, -1)
    for name, time in (("speed", PAST), ("passed", passed)):
        speed_percent = wobble_percent * np.sin(2 * math.pi * rate_hz * time + phase)
        artists[name].set_data(time, speed_percent)
    then, now = speed_percent[[0, -1]]
    artists["gap"].set_data([passed[0], 0, 0], [then, then, now])
    for name, passes in (("first", 1), ("bend", repeat)):
        comb = repeat_deviation(wobble, RATES, delay, passes=passes)
        artists[name].set_data(RATES, from_si(comb, "percent"))
    artists["here"].set_data([rate_hz], [from_si(bend, "percent")])
    return (
        f"A wobble of {wobble_percent:g} % that comes {rate_hz:g} times a second bends repeat {repeat}, "
        f"{repeat * delay_ms:.0f} ms late, by up to {words.amount(bend, 'percent', '.2f')} "
        f"({ratio_to_cents(1 + bend):.1f} cents): {bend / wobble:.2f} times the wobble.",
        {
            "speed now": f"{now:+.2f} %",
            "speed when it was recorded": f"{then:+.2f} %",
            "the repeat comes early or late by": words.amount(swing, "ms", ".2f"),
            f"held {HELD_NOTE:g} Hz, echo as loud, swings by": f"{usual_shimmer_db(HELD_NOTE, swing):.1f} dB",
            "every repeat is steady at multiples of": f"{1 / delay:.2f} Hz",
        },
    )


# ---- which part bends it ----


def parts_panel() -> Panel:
    """Return the panel of the bench deck's turning parts: how often, how deep, and what a meter reads.

    Source: rolling without slip; weighting of AES6-2008, IEC 60386.

    >>> print(parts_panel().readout)
    At 7.5 ips with heads 41.5 mm apart the capstan bends the first repeat most; a meter on the echo
    reads 0.17 % from the parts alone. The capstan turns 1.64 times in a delay.
    """
    shaft = round(from_si(DECK.capstan_diameter, "mm"), 3)
    return Panel(
        "turning_parts",
        _build_parts,
        _update_parts,
        spacing_slider(20.0, 120.0, 0.1),
        speed_slider(),
        slider("capstan_mm", "capstan diameter", shaft, low=6.0, high=12.0, step=0.1, unit="mm"),
        slider("reel_mm", "radius of tape on the reel", 60.0, low=30.0, high=130.0, step=1.0, unit="mm"),
        switch("forced", "capstan: a pulsing force, not out of round", False),
        question="At which head spacing does the echo stop hearing the capstan, whatever the speed?",
        legend="Above: dots, each part's wobble of the speed; squares, how far it bends the first repeat. "
        "Below: curve, how much a flutter meter listens at each rate; diamonds, at those of the parts.",
        alt="Two charts over turns per second in Hz. Above: deviation in percent, a dot and a square for "
        "each part, reel, roller, belt and capstan. Below: weighting in dB, highest at 4 Hz.",
    )


def _build_parts(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the weighting, which stands still; the parts move."""
    parts, meter = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    chart(parts, profile, y="deviation (%)", grid="y", ylim=(0, 0.56), yticks=(0, 0.1, 0.2, 0.3, 0.4))
    chart(meter, profile, x="turns per second (Hz)", y="weighting (dB)", ylim=(-55, 5), yticks=(-40, -20, 0))
    meter.set(xscale="log", xlim=(LOWEST_TURNS, HIGHEST_TURNS), xticks=(0.1, 0.2, 0.5, 1, 2, 5, 10, 20))
    meter.xaxis.set_major_formatter("{x:g}")
    meter.xaxis.set_minor_formatter("")
    parts.tick_params(labelbottom=False)
    rate = np.geomspace(LOWEST_TURNS, HIGHEST_TURNS, 300)
    meter.plot(rate, weighting_db(rate), **style.line_style(profile, 0))
    ground = profile.ground
    look = {"linestyle": "none", "markersize": 2 * profile.line_pt + 3}
    names = [part.kind_of_part.removeprefix("pinch ") for part in DECK.turning_parts]
    write = {"ha": "center", "va": "center", "fontsize": profile.text_pt, "color": ground.text}
    return {
        "stems": parts.plot([], [], color=ground.frame, linewidth=profile.line_pt / 2)[0],
        "wobble": parts.plot([], [], "o", color=ground.dry, **look)[0],
        "repeat": parts.plot([], [], "s", color=ground.echo, clip_on=False, **look)[0],
        "weight": meter.plot([], [], "D", color=ground.text, clip_on=False, **look)[0],
        "names": [parts.text(1, 0.49, name, **write) for name in names],  # above the largest bend
    }


def _update_parts(
    artists: Artists, spacing_mm: float, speed_ips: float, capstan_mm: float, reel_mm: float, *, forced: bool
) -> Answer:
    """Put every part in its place, and say which one bends the echo most."""
    shaft, reel, speed = to_si(capstan_mm, "mm"), to_si(reel_mm, "mm"), to_si(speed_ips, "ips")
    # The pulley of the belt sits on the capstan, too.
    wish = {
        "capstan": {"diameter": shaft, "forced_at": FAST if forced else None},
        "belt": {"capstan_diameter": shaft},
        "reel": {"reel_radius": reel},
    }
    parts = [replace(part, **wish.get(part.kind_of_part, {})) for part in DECK.turning_parts]
    delay = transport.delay_from_spacing(to_si(spacing_mm, "mm"), speed)
    rates = np.array(list(part_rates(parts, speed).values()))
    wobbles = from_si(np.array([part.wobble_at(speed) for part in parts]), "percent")
    bends = np.array(list(part_repeat_deviations(parts, speed, delay).values()))
    weights_db, bends_percent = weighting_db(rates), from_si(bends, "percent")
    artists["stems"].set_data(*strokes(rates, 0.0, np.maximum(wobbles, bends_percent)))
    for name, heights in (("wobble", wobbles), ("repeat", bends_percent), ("weight", weights_db)):
        artists[name].set_data(rates, heights)
    for text, rate in zip(artists["names"], rates, strict=True):
        text.set_x(rate)
    phases = (1 + math.sqrt(5)) / 2 * np.arange(len(rates))[:, None]  # apart: no common beginning
    waves = np.sin(2 * math.pi * (np.outer(rates, READING) + phases))
    reading = two_sigma(bends * db_to_amplitude(weights_db) @ waves)
    worst = parts[int(np.argmax(bends))]
    turns = rates[[part.kind_of_part for part in parts].index("capstan")] * delay
    return (
        f"At {words.speed(speed)} with heads {spacing_mm:g} mm apart the {worst.name} bends the first "
        f"repeat most; a meter on the echo reads {words.amount(reading, 'percent', '.2f')} from the parts "
        f"alone. The capstan turns {turns:.2f} times in a delay.",
        {
            f"{part.name}, {rate:.2f} Hz": f"{words.amount(bend, 'percent', '.3f')} in the repeat"
            for part, rate, bend in zip(parts, rates, bends, strict=True)
        },
    )


# ---- exercises ----

_CAPSTAN = DECK.turning_parts[0]

#: The prediction: at most how many times the wobble the tenth repeat can bend.
first_guess = Guess(2, "", tolerance_percent=5).hints(
    "Only two moments count in the end: when the sound was first recorded, and now.",
    (10, "You let each pass add its wobble. But what one pass adds, does the next one leave it alone?"),
    (20, "You let each pass add twice the wobble; passes also take away what others added."),
    (1, "One pass alone compares two moments: fast while it was recorded, slow while it plays."),
    (np.sqrt(10), "So would ten wobbles grow that know nothing of each other. These are of one machine."),
)


def _cents(percent: float) -> Exercise:
    """Ask for the pitch of a deviation of speed."""
    tenfold = "Mind the decimal point: a percent is a hundredth."
    return Exercise(ratio_to_cents(1 + percent / 100), "cents").hints(
        "The pitch moves by 1200 log2(1 + e) cents; e is the deviation as a share, not in percent.",
        (ratio_to_cents(1 + percent / 10), tenfold),
        (12 * percent, "An octave is a ratio of 2, not a change of 100 %: take 1200 log2 of the ratio."),
        (ratio_to_cents(1 + percent), tenfold),
    )


cents = _cents(0.15)
cents_again = Question(
    "A machine runs {percent:g} % too fast for a moment: how many cents sharp is a note from a test tape "
    "just then?",
    _cents,
    "1200 log2 of 1 + {percent:g}/100: {answer}.",
    {"percent": (0.08, 0.12, 0.2, 0.25, 0.3, 0.4, 0.6, 0.8)},
)

#: Bend of a first repeat.
_degrees = 0.2 * np.sin(np.radians(np.pi * 0.375))
_bend_percent = from_si(repeat_deviation(0.001, 1.5, 0.25), "percent")
bend = Exercise(_bend_percent, "%").hints(
    "2 m |sin(pi fm T)|, with fm T = 1.5 x 0.25 turns.",
    (_bend_percent / 2, "You forgot the two in front of the sine."),
    (_degrees, "Your calculator counted in degrees: pi times turns is an angle in radians."),
    (0.2 * np.sin(0.375), "The pi went missing inside the sine."),
    (0.2 * abs(np.sin(2 * np.pi * 0.375)), "That is the second repeat: two delays, not one."),
)

#: The slowest wobble that leaves the echo steady at the slow speed.
_steady_hz = float(null_rates(DECK.delays(SLOW)[0], 3.0)[0])
steady_rate = Exercise(_steady_hz, "Hz").hints(
    "Recording and playback must meet the same speed: one whole wobble per delay.",
    (2 * _steady_hz, "That is the rate at the fast speed: mind the delay."),
    (_steady_hz / 2, "There the wobble goes half round in a delay, and the bend is at its largest."),
    (DECK.delays(SLOW)[0], "That is the delay in seconds; how often does it fit into one?"),
)

#: Where to put the playback head so that the capstan is not heard.
_deaf_mm, _bare_mm = from_si(2 * _CAPSTAN.turn_length, "mm"), 2 * np.pi * from_si(_CAPSTAN.diameter, "mm")
deaf_spacing = Exercise(_deaf_mm, "mm", tolerance_percent=0.2).hints(
    "A whole number of turns of the capstan must pass between the heads.",
    (_bare_mm, "Almost: the tape bends about its middle, so add its thickness to the diameter."),
    (_deaf_mm / 2, "That is one turn, in front of where the head stands now: the next one is asked for."),
    (1.5 * _deaf_mm, "That is three turns; the next one beyond 41.5 mm is nearer."),
)

#: What a meter reads of a sine of 0.1 % at 20 Hz.
_twenty_percent = 0.1 * db_to_amplitude(weighting_db(20.0)) * np.sin(np.pi / 2 * standards.TWO_SIGMA_COVERAGE)
meter = Exercise(float(_twenty_percent), "%", tolerance_percent=1.5).hints(
    "Decibels to a factor first: 10 to the power of -5.9/20. The two-sigma factor is close to 1.",
    (0.0997, "That is the reading at 4 Hz, where the weighting is 0 dB."),
    (0.1 * 10 ** (-5.9 / 10), "A deviation is an amplitude: divide the decibels by 20."),
    (0.1 / db_to_amplitude(-5.9), "The weighting takes away at 20 Hz; you let it add."),
)

#: A wobble that a pulsing force makes, at half the speed.
_forced_percent = 0.05 * forced_wobble(1.0, SLOW / FAST)
forced = Exercise(_forced_percent, "%").hints(
    "A flywheel at half the speed gives way twice as far in the same time, and the push lasts twice as long.",
    (
        _forced_percent / 2,
        "That would do for a push that keeps its own beat, as mains does; this one turns along.",
    ),
    (0.05, "That holds for a part out of round; a force has less of a flywheel against it."),
    (0.05 / 4, "The other way round: a slow flywheel resists less."),
)

#: Whose diameter belongs to a peak at the slow speed.
_diameter_mm = from_si(SLOW / (np.pi * 0.8) - DECK.tape_thickness, "mm")
culprit = Exercise(_diameter_mm, "mm").hints(
    "In one turn the tape runs speed over rate; that is pi times the diameter, nearly.",
    (2 * _diameter_mm, "That would be the roller at the fast speed."),
    (_diameter_mm / 2, "Diameter or radius? A caliper measures the diameter."),
    (from_si(SLOW / 0.8, "mm"), "That is how much tape passes in one turn: divide by pi."),
)
