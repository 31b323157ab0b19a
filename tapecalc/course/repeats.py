"""How repeats fade or pile up in the loop, and where it runs away."""

import math
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tapecalc.calc import loop as loops
from tapecalc.calc.heads import Heads
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, to_si
from tapecalc.course.deck import DECK, FAST, delay_slider
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.course.panel import Answer, Artists, Panel, chart, choice, empty_line, slider
from tapecalc.plot import style

LONGEST_MS = 250.0  # the longer the delay, the longer the search for the margin
SECONDS = 6.0  # of the fading repeats that are drawn
FAINTEST_DB, LOUDEST_DB = -80.0, 6.0
FREQUENCY = np.geomspace(20, 20e3, 240)
ONE_TURN = np.linspace(-0.5, 0.5, 161)  # round the arrow's tip once, in turns
FINE = math.log10(2) / 15  # a slider's step in decades; the low cut of the deck lies two octaves up
BUMPS = {"none": "flat", "likely": "blocks", "the largest there can be": "plates"}
LOWEST_DB = -24.0  # of the loop gain that is drawn
PHASES = np.sin((np.arange(256) + 0.5) * np.pi / 512)  # of the tone, over a quarter of its swing
QUIET_DB = -24.0  # a return send at which the loop is stable whatever the other controls do


# ---- how repeats fade or pile up ----


def fading_panel() -> Panel:
    """Return the panel of the repeats' level over time, with the hiss below and the full tape above.

    One dot for each repeat of a tone at which the loop is loudest. Tone and hiss share the tape: where the
    tone is limited, so is the hiss that rides on it.

    >>> fading_panel().readout
    'At a loop gain of 0.50 each repeat is 6.0 dB quieter: 10 are heard down to -60 dB, the last after 2.2 s.'
    """
    full_db = DECK.saturation_dbu(FAST) - DECK.levels.machine_reference_dbu
    hiss_db = DECK.levels.tape_noise_db - full_db
    return Panel(
        "fading_repeats",
        _build_fading,
        _update_fading,
        slider("loop_gain", "loop gain", 0.5, low=0.3, high=1.3, step=0.01, unit=""),
        delay_slider(LONGEST_MS),
        slider("start_db", "first sound", -full_db, low=-30.0, high=0.0, step=1.0, unit="dB"),
        slider("hiss_db", "hiss of one pass", hiss_db, low=-75.0, high=-40.0, step=1.0, unit="dB"),
        question="Which loop gain leaves a dozen repeats above the hiss?",
        legend="All levels, those of the sliders too, count from a full tape. Dots: the repeats, the first "
        "of them one delay after the sound. Dashed line: the hiss below them. Dash-dotted line: where the "
        "tape holds a loop that runs away (only above a loop gain of 1).",
        alt="Chart of level in dB, full tape is 0, over time in s. Dots for the repeats fall in a straight "
        "line below a loop gain of 1; above it they climb and bend into a level line. The hiss rises in "
        "steps.",
    )


def _build_fading(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame; everything else moves."""
    axes = style.style_axes(figure.subplots(), profile, x="time (s)", y="level (dB, full tape is 0)")
    axes.set(xlim=(-0.08, SECONDS), ylim=(FAINTEST_DB, LOUDEST_DB))
    return {
        "held": empty_line(axes, profile, 3),
        "hiss": empty_line(axes, profile, 1, drawstyle="steps-post"),
        "repeats": empty_line(axes, profile, 0, marked=True, linestyle="none"),
    }


def _update_fading(
    artists: Artists, loop_gain: float, delay_ms: float, start_db: float, hiss_db: float
) -> Answer:
    """Send a tone round and round, and say what becomes of it."""
    gain, delay = round(loop_gain, 2), to_si(delay_ms, "ms")
    gain_db = amplitude_to_db(gain)
    count = np.arange(1, 1 + math.floor(SECONDS / delay))
    level_db, below_db = _played(gain, db_to_amplitude(start_db), count.size)
    below_db += hiss_db
    held_db = amplitude_to_db(loops.settling_level(gain_db, 1.0)) - gain_db if gain > 1 else None
    if held_db is not None:
        below_db = np.minimum(below_db, held_db)  # the tape holds the hiss as well
    above = level_db > below_db
    heard = int(np.argmin(above)) if not np.all(above) else len(above)
    artists["repeats"].set_data(count * delay, level_db)
    artists["hiss"].set_data(count * delay, below_db)
    artists["held"].set_data(*(([], []) if held_db is None else ([0, SECONDS], [held_db, held_db])))
    last = f"{heard} in {heard * delay:.1f} s" if heard < len(above) else f"all in these {SECONDS:g} s"
    rows = {"repeats above the hiss": last, "hiss has risen by": f"{below_db[-1] - hiss_db:.1f} dB"}
    if gain < 1:
        rows["a steady tone piles up by"] = f"{-amplitude_to_db(1 - gain):.1f} dB"
        story = (
            f"each repeat is {-gain_db:.1f} dB quieter: {loops.repeats_heard(gain_db, -60):.0f} are heard "
            f"down to -60 dB, the last after {delay * loops.repeats_heard(gain_db, -60):.1f} s."
        )
    elif held_db is None:
        rows["changes each second by"] = "0.0 dB"
        story = "each repeat is as loud as the last: the sound stays for ever, and the hiss climbs up to it."
    else:
        rows["grows each second by"] = f"{loops.growth_db_per_s(delay, gain_db):.1f} dB"
        story = f"each repeat is {gain_db:.1f} dB louder, until the tape holds it at {held_db:+.1f} dB; "
        story += "there it stays."
    return f"At a loop gain of {gain:.2f} {story}", rows


def _played(gain: float, start: float, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Play repeats of a tone through a tape that holds at most 1: their levels, and the hiss's, in dB.

    The hiss counts from that of one pass. Wherever the tone is in its swing, hiss comes back by the slope of
    the limit there, ``1 / cosh(x)^2``; what is drawn is the mean of its power.
    """
    levels, hisses, hiss = [], [], np.zeros(PHASES.size)
    on_bus, swing = start, start * PHASES
    for _ in range(count):
        hiss = 1 + hiss / np.cosh(swing) ** 4
        played = on_bus * loops.describing_function(on_bus, 1.0)
        levels.append(played)
        hisses.append(np.mean(hiss))
        on_bus, swing, hiss = gain * played, gain * np.tanh(swing), gain**2 * hiss
    return 20 * np.log10(levels), 10 * np.log10(hisses)


# ---- where it runs away ----


def runaway_panel() -> Panel:
    """Return the panel of the loop gain over frequency, and of the arrow that comes back.

    The second picture is one turn of the loop gain in the complex plane about the place where the
    loop starts to howl. Source: H. Nyquist, Regeneration Theory, Bell System Technical Journal 11,
    1932 (from memory).

    >>> runaway_panel().readout
    'With the return send at -6.0 dB there are 5.7 dB to go. It would start first at 179 Hz.'
    """
    send_db, dirt_um, cut_hz = DECK.mixer.return_send_db, DECK.heads.spacing_loss_um, DECK.heads.low_cut_hz
    return Panel(
        "where_it_runs_away",
        _build_runaway,
        _update_runaway,
        slider("return_send_db", "return send", send_db, low=-12.0, high=3.0, step=0.1, unit="dB"),
        delay_slider(LONGEST_MS),
        slider("separation_um", "dirt on the head", dirt_um, low=0.0, high=4.0, step=0.1, unit="µm"),
        slider("low_cut_hz", "low cut", cut_hz, low=10.0, high=320.0, step=FINE, unit="Hz", log=True),
        choice("bumps", "bumps of the head in the bass", BUMPS, "blocks"),
        question="Which controls move the place where it starts, and which only how near it is?",
        legend="Left, solid line: loop gain; dashed line: the edge; upright line with a diamond: the tone "
        "that starts first. Right: the tip of the arrow that comes back, over one turn about that tone; "
        "cross: the point 1; dashed: size 1. The loop runs away when the turn encloses the cross.",
        alt="Two charts. Left: loop gain in dB over frequency in Hz, waves in the bass, flat above, with the "
        "edge at 0 dB and a mark where the loop would start. Right: a nearly round curve in the complex "
        "plane, and the point 1 outside it while the loop is stable.",
    )


def _build_runaway(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the edge, the circle of size 1 and the point 1; curves and marks move."""
    level, plane = figure.subplots(2, 1) if profile.narrow else figure.subplots(1, 2, width_ratios=(5, 4))
    chart(level, profile, x="frequency (Hz)", y="loop gain (dB)")
    style.frequency_axis(level, profile, low=20, high=20e3).set_ylim(LOWEST_DB, 6)
    level.axhline(0, **style.line_style(profile, 1))
    chart(plane, profile, x="in phase", y="a quarter turn off", xticks=(-1, 0, 1), yticks=(-1, 0, 1))
    plane.set(xlim=(-1.75, 1.75), ylim=(-1.75, 1.75), aspect="equal")
    around = np.exp(2j * np.pi * np.linspace(0, 1, 200))
    pt, ground = profile.line_pt, profile.ground
    plane.plot(around.real, around.imag, "--", color=ground.frame, linewidth=pt / 2)
    plane.plot([1], [0], "X", color=ground.echo, markersize=3 * pt + 2, zorder=4)
    mark: dict[str, Any] = {"linestyle": "-", "marker": "D", "markevery": [1]}
    return {
        "gain": empty_line(level, profile, 0),
        "start": empty_line(level, profile, 2, **mark),
        "arrow": empty_line(plane, profile, 2, **mark),
        "turn": empty_line(plane, profile, 0),
    }


def _update_runaway(
    artists: Artists,
    return_send_db: float,
    delay_ms: float,
    separation_um: float,
    low_cut_hz: float,
    bumps: str,
) -> Answer:
    """Set the loop up, look for its margin once, and say where it starts."""
    delay = to_si(delay_ms, "ms")
    loop, edge_db, frequency, band = _edge(delay, to_si(separation_um, "um"), low_cut_hz, bumps)
    loop = replace(loop, return_gain=loop.return_gain * db_to_amplitude(return_send_db))
    margin_db = edge_db - return_send_db
    turn = loops.loop_gain(loop, np.maximum(frequency + ONE_TURN / delay, 0))
    artists["gain"].set_data(FREQUENCY, loops.loop_gain_db(loop, FREQUENCY))
    artists["start"].set_data([frequency, frequency], [LOWEST_DB, -margin_db])
    artists["turn"].set_data(turn.real, turn.imag)
    artists["arrow"].set_data([0, db_to_amplitude(-margin_db)], [0, 0])
    where, change_db = f"{frequency:.0f} Hz", loops.growth_db_per_s(delay, -margin_db)
    rows = {
        "edge of the return send": f"{edge_db:.1f} dB",
        "first tone to start": where,
        "tones within 1 dB of it": f"{band[0]:.0f} Hz to {band[1]:.0f} Hz",
        "tones in phase are apart by": f"{1 / delay:.1f} Hz",
        "the first tone changes each second by": f"{change_db:+.1f} dB",
    }
    send = f"With the return send at {return_send_db:.1f} dB"
    if margin_db > 0:
        return f"{send} there are {margin_db:.1f} dB to go. It would start first at {where}.", rows
    settles = (loops.settling_level, loops.crowd_settling_level)
    one_db, all_db = (amplitude_to_db(f(-margin_db, 1.0)) if margin_db < 0 else LOWEST_DB for f in settles)
    rows["the tape holds it, full tape is 0, at"] = f"{one_db:+.1f} dB to {all_db:+.1f} dB"
    return f"{send} the loop is {-margin_db:.1f} dB past the edge. It starts first at {where}.", rows


@lru_cache(maxsize=64)
def _edge(
    delay: float, dirt: float, low_cut: float, bumps: str
) -> tuple[loops.EchoLoop, float, float, tuple[float, float]]:
    """The loop with its return send at 0 dB, the send in dB at which it starts, where first, and its band.

    The send moves the margin dB by dB and the tone not at all, so that the search, which takes longer
    than all the rest and least for a loop that is surely stable, is done once while only the send moves.
    """
    deck = DECK.one_pass(FAST, pole_shape=bumps)
    worn = replace(deck, today=replace(deck.today, separation=dirt), low_cut=low_cut)
    loop = loops.EchoLoop(heads=Heads.from_delays(delay, deck.speed), return_gain=1.0, one_pass=worn)
    found = loops.stability(replace(loop, return_gain=db_to_amplitude(QUIET_DB)))
    assert found.frequency is not None and found.band is not None  # every setting has a loudest tone
    return loop, QUIET_DB + found.margin_db, found.frequency, found.band


# ---- exercises ----

#: The prediction: repeats at half the amplitude down to -60 dB; a guess may be a quarter off.
first_guess = Guess(loops.repeats_heard(amplitude_to_db(0.5), -60), "", tolerance_percent=25).hints(
    "Halve again and again: a half, a quarter, an eighth; when is a thousandth reached?",
    (500, "Halves do not take away the same amount each time: each takes half of what is left."),
    ((30, None), "Halving is quicker than that: two repeats leave a quarter, three an eighth."),
    (20, "Doubled: each repeat takes 6 dB away, not 3."),
)


def _per_repeat(gain: float) -> Exercise:
    """Ask what one repeat loses."""
    lost_db = -amplitude_to_db(gain)
    return Exercise(lost_db, "dB").hints(
        "Twenty times the logarithm of the loop gain, and leave the minus away.",
        (lost_db / 2, "An amplitude takes 20 log10; 10 log10 is for powers."),
        (100 * (1 - gain), "So many percent are taken away, but decibels count in logarithms."),
        (1 - gain, "That is the share that is lost; turn the gain itself into decibels."),
    )


per_repeat = _per_repeat(0.7)
per_repeat_again = Question(
    "A loop has a gain of {gain:g}: by how many decibels is each repeat quieter?",
    _per_repeat,
    "20 log10 of {gain:g}, without its minus: {answer}.",
    {"gain": (0.35, 0.4, 0.45, 0.55, 0.6, 0.65, 0.75, 0.85, 0.9)},
)


def _counted_margin(repeat: float, down_db: float) -> Exercise:
    """Ask for the margin from counting repeats, without ever going near the edge."""
    steps = repeat - 1
    return Exercise(-loops.gain_for_repeats_db(repeat, -down_db), "dB").hints(
        "How much does each repeat lose? The send may go up by just as much.",
        (down_db / repeat, "From the first repeat on, the steps are one fewer than the repeats."),
        (steps * down_db, "You multiplied; the steps share the decibels."),
        (steps / down_db, "Upside down: decibels divided by steps."),
        (60 / steps, "Mind how far down the repeat is: not sixty decibels."),
    )


counted_margin = _counted_margin(8, 30)
counted_again = Question(
    "Of a click, repeat number {repeat:g} stands {down_db:g} dB below the first: by how many decibels may "
    "the return send go up before the howl?",
    _counted_margin,
    "Repeat {repeat:g} is one step fewer behind the first; the steps share {down_db:g} dB: {answer} each. "
    "So much is left to the edge.",
    {"repeat": (4, 5, 6, 9, 11), "down_db": (20, 25, 35)},
)

#: Seconds after the first repeat until the poet may go on.
_eight_tenths_db = amplitude_to_db(0.8)
_fades = loops.decay_time(to_si(218, "ms"), _eight_tenths_db, -30)
pause = Exercise(_fades, "s").hints(
    "First the decibels of one repeat, then how many repeats, then the delay times that.",
    (2 * _fades, "That is twice too long: wait for 30 dB, not 60, and take 20 log10 of an amplitude."),
    (-30 / _eight_tenths_db, "That is the number of steps; how long does each take?"),
    (1 - 30 / _eight_tenths_db, "That is which repeat stands there; how long is it after the first?"),
)

#: The lowest tone of an inverting loop of 200 ms.
lowest_inverted = Exercise(0.5 / 0.2, "Hz").hints(
    "The delay must add half a turn, so that with the half turn of the return it makes a whole one.",
    (1 / 0.2, "That tone comes back a whole turn late, and the inverting return adds half a turn."),
    (0.2 * 0.5, "A frequency is turns divided by time."),
)

#: Hiss in the long run at a loop gain of 0.9.
_hiss = loops.noise_build_up_db(amplitude_to_db(0.9))
hiss = Exercise(_hiss, "dB", tolerance_percent=4).hints(
    "Powers add: one divided by one minus the square of the loop gain, in decibels.",
    (20, "So much a steady tone piles up, whose repeats are alike. Hiss adds as power: square the gain."),
    (10, "You took the loop gain itself; the power of a repeat goes with its square."),
    (2 * _hiss, "A power takes 10 log10; 20 log10 is for amplitudes."),
)

#: How long a howl takes from a quiet room to a dangerous one.
climb = Exercise(30 / loops.growth_db_per_s(to_si(300, "ms"), amplitude_to_db(1.1)), "s").hints(
    "Decibels in one round, divided by the length of a round, is decibels in a second.",
    (30 / amplitude_to_db(1.1), "That is the number of rounds; each takes three tenths of a second."),
    (30 * 0.3 / 1.1, "Turn the loop gain into decibels first: so much it gains in each round."),
    (30 * 0.3 / 10, "Ten percent more amplitude is not ten decibels."),
)

#: Where the tape holds a loop that is 2 dB past the edge, against a full tape.
_held = amplitude_to_db(loops.settling_level(2.0, 1.0))
held = Exercise(_held, "dB", tolerance_percent=3).hints(
    "Ask settling_level with a saturation of one, and turn the amplitude into decibels.",
    (_held - 2.0, "That is the level on the tape; we ask for the one before it, at the record head."),
    (2.0, "It goes up not by the excess, but until the tape has eaten the excess up."),
    (loops.settling_level(2.0, 1.0), "That is the amplitude against a full tape; turn it into decibels."),
)
