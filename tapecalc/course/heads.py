"""Many heads: a rhythm on the tape, close heads, and heads on the return."""

import math
from collections import defaultdict
from dataclasses import replace
from itertools import product

import numpy as np
from matplotlib.figure import Figure

from tapecalc import words
from tapecalc.calc import heads, response, standards, stereo, tempo, transport
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si, to_si
from tapecalc.course.deck import BPM, DECK, FAST, FASTEST_IPS, SLOW
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.course.panel import Answer, Artists, Control, Panel, chart, choice, empty_line, slider, strokes
from tapecalc.plot import style
from tapecalc.plot.heads import ruler_marks

#: Eighth, dotted eighth and quarter at 76 beats a minute and 7.5 in/s, to the millimeter.
RHYTHM_MM = (75, 113, 150)
Echoes = defaultdict[float, float]  # amplitudes by time
CLOSEST_MM, FARTHEST_MM = 18, 240  # the width of a head, and the last place on the drawn tape
ON_TAPE, ON_RULER = 0.5, 0.0  # heights of the tape and of the ruler below it
HIGHEST_HZ, FAINTEST_DB = 1000.0, -40.0
FREQUENCY = np.linspace(0, HIGHEST_HZ, 2001)
SECONDS = 6.0  # of echoes that are drawn
QUIET_DB, LOUD_DB = -36.0, 6.0  # levels that are drawn
HEARD_DB = -30.0  # echoes that are counted
SPAN_DB = 36.0  # of either side, from the middle to the first answer
#: Which of three heads go back to the machine.
RETURNS = {
    "all three": (True, True, True),
    "the first alone": (True, False, False),
    "the first and the last": (True, False, True),
    "the last alone": (False, False, True),
}


def _speed_choice(*more: float) -> Control:
    """The speeds of the switch, and more, to choose from."""
    known = {*(round(from_si(speed, "ips"), 6) for speed in DECK.speeds), *more}
    options = {f"{speed:g} ips": speed for speed in sorted(known, reverse=True)}
    return choice("speed_ips", "tape speed (ips)", options, round(from_si(FAST, "ips"), 6))


# ---- a rhythm on the tape ----


def rhythm_panel() -> Panel:
    """Return the panel of three heads on the tape above a ruler of sixteenths.

    The heads stay where they are put; speed and tempo stretch the ruler.

    >>> print(rhythm_panel().readout)
    At 7.5 ips and 76 beats a minute the heads at 75, 113 and 150 mm play eighth, dotted eighth and
    quarter; the worst is 2.1 ms off.
    """
    first, second, third = RHYTHM_MM[0], *np.diff(RHYTHM_MM).tolist()
    apart = CLOSEST_MM
    return Panel(
        "rhythm_on_tape",
        _build_rhythm,
        _update_rhythm,
        slider("first_mm", "first head", first, low=30, high=100, step=1, unit="mm"),
        slider("second_mm", "second head, further by", second, low=apart, high=70, step=1, unit="mm"),
        slider("third_mm", "third head, further by", third, low=apart, high=70, step=1, unit="mm"),
        _speed_choice(FASTEST_IPS),
        slider("bpm", "tempo", int(BPM), low=60, high=160, step=1, unit="beats per minute"),
        question="Which three places give eighth triplet, quarter triplet and quarter at 100 beats a minute?",
        legend="Squares: playback heads on the tape. Below, the ruler of this speed and tempo: long marks "
        "are beats, short ones eighths and sixteenths. Dots: where the nearest note values lie; a dot right "
        "below its head is in time.",
        alt="Tape path in mm from the record head with three playback heads, above a ruler whose marks are "
        "beats, eighths and sixteenths; dots on the ruler for the nearest note values.",
    )


def _build_rhythm(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the tape; heads and ruler move."""
    axes = chart(figure.subplots(), profile, x="distance from the record head (mm)", grid=None)
    axes.set(xlim=(0, FARTHEST_MM), ylim=(-0.45, 0.75))
    axes.set_yticks([ON_RULER, ON_TAPE], ["notes", "tape"])
    pt, ground = profile.line_pt, profile.ground
    axes.hlines([ON_RULER, ON_TAPE], 0, FARTHEST_MM, color=ground.frame, linewidth=pt / 2, zorder=3)
    of_heads, of_notes = ground.tape, ground.echo
    return {
        "ruler": axes.plot([], [], color=ground.text, linewidth=pt * 0.75)[0],
        "drops": axes.plot([], [], color=of_heads, linewidth=pt / 2)[0],
        "heads": axes.plot([], [], "s", color=of_heads, markersize=5 * pt, zorder=4)[0],
        "notes": axes.plot([], [], "o", color=of_notes, markersize=3 * pt, zorder=4)[0],
    }


def _update_rhythm(
    artists: Artists, first_mm: int, second_mm: int, third_mm: int, speed_ips: float, bpm: float
) -> Answer:
    """Lay the ruler of this speed and tempo below the heads."""
    places = np.cumsum([first_mm, second_mm, third_mm]).astype(float)
    speed = to_si(speed_ips, "ips")
    fits = [onset.fit for onset in heads.rhythm(heads.Heads(spacings=tuple(to_si(places, "mm"))), speed, bpm)]
    wanted = [min(from_si(fit.wanted_delay * speed, "mm"), FARTHEST_MM) for fit in fits]
    positions, heights = ruler_marks(speed, bpm, to_si(FARTHEST_MM, "mm"))
    artists["ruler"].set_data(*strokes(from_si(positions, "mm"), ON_RULER, ON_RULER - heights))
    artists["drops"].set_data(*strokes(places, ON_TAPE, ON_RULER))
    artists["heads"].set_data(places, [ON_TAPE] * 3)
    artists["notes"].set_data(wanted, [ON_RULER] * 3)
    worst = max(fits, key=lambda fit: abs(fit.error))
    rows = {
        f"head {k}, {place:.0f} mm, {fit.note.name}": f"{words.amount(fit.delay, 'ms')}, "
        f"{words.amount(fit.error, 'ms', '+.1f')} off"
        for k, (place, fit) in enumerate(zip(places, fits, strict=True), 1)
    }
    rows["ears notice in a steady beat"] = words.amount(tempo.timing_threshold(worst.delay), "ms")
    at, names = words.listed(f"{place:.0f}" for place in places), words.listed(fit.note.name for fit in fits)
    return (
        f"At {speed_ips:g} ips and {bpm:g} beats a minute the heads at {at} mm play {names}; "
        f"the worst is {words.amount(abs(worst.error), 'ms', '.1f')} off.",
        rows,
    )


# ---- close heads ----


def comb_panel() -> Panel:
    """Return the panel of two heads that answer nearly at once, and the comb that they make.

    >>> print(comb_panel().readout)
    1 mm at 7.5 ips are 5.2 ms: the ear hears one sound, with peaks of +6.0 dB and its first notch at
    95 Hz.
    """
    return Panel(
        "comb_of_close_heads",
        _build_comb,
        _update_comb,
        slider("apart_mm", "the two are apart by", 1.0, low=0.5, high=12.0, step=0.1, unit="mm"),
        _speed_choice(FASTEST_IPS),
        slider("second_db", "second against first", 0.0, low=-20.0, high=0.0, step=0.5, unit="dB"),
        question="How much quieter must the second head be until the notches are no deeper than 3 dB?",
        legend="Thick line: both heads together. Dashed line: the first head alone. Dots: the notches.",
        alt="Chart of level in dB over frequency from 0 to 1000 Hz, even steps. The line for two heads "
        "together goes up and down like a comb around the level line of one head alone.",
    )


def _build_comb(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame and the level of one head."""
    axes = chart(figure.subplots(), profile, x="frequency (Hz)", y="level against one head (dB)")
    axes.set(xlim=(0, HIGHEST_HZ), ylim=(FAINTEST_DB - 2, 12))
    axes.axhline(0, **(style.line_style(profile, 1) | {"linewidth": profile.line_pt / 2}))
    return {
        "comb": empty_line(axes, profile, 0),
        "notches": empty_line(axes, profile, 1, marked=True, linestyle="none", zorder=4),
    }


def _update_comb(artists: Artists, apart_mm: float, speed_ips: float, second_db: float) -> Answer:
    """Add the two heads up and say what the ear gets."""
    apart = to_si(apart_mm, "mm") / to_si(speed_ips, "ips")
    levels = 1.0, db_to_amplitude(second_db)
    peak_db, notch_db = heads.comb_extremes_db(*levels)
    notches = heads.notch_frequencies(0, apart, HIGHEST_HZ)
    comb = np.abs(heads.taps_gain(FREQUENCY, (0, apart), levels))
    artists["comb"].set_data(FREQUENCY, amplitude_to_db(np.maximum(comb, db_to_amplitude(FAINTEST_DB))))
    artists["notches"].set_data(notches, np.full(notches.size, max(notch_db, FAINTEST_DB)))
    fused = "the ear hears one sound" if apart < standards.FUSION_LIMIT else "the ear may hear two sounds"
    deep = f"{notch_db:.1f} dB" if notch_db > FAINTEST_DB else "silence"
    rows = {"peaks": f"{peak_db:+.1f} dB", "notches": deep, "from notch to notch": f"{1 / apart:.0f} Hz"}
    return (
        f"{apart_mm:g} mm at {speed_ips:g} ips are {words.amount(apart, 'ms', '.1f')}: {fused}, with peaks "
        f"of {peak_db:+.1f} dB and its first notch at {0.5 / apart:.0f} Hz.",
        rows | {"notches up to 1000 Hz": f"{notches.size}"},
    )


# ---- heads on the return ----


def return_panel() -> Panel:
    """Return the panel of echoes over time when chosen heads feed the return; tape without losses.

    >>> print(return_panel().readout)
    With all three on the return at -12 dB the loop is safe by 3.7 dB, and a click has 15 echoes above
    -30 dB.
    """
    return Panel(
        "heads_on_the_return",
        _build_return,
        _update_return,
        choice("feeds", "heads on the return", RETURNS, RETURNS["all three"]),
        slider("return_send_db", "return send", -12.0, low=-24.0, high=0.0, step=0.5, unit="dB"),
        slider("step_db", "each head below the last by", 3.0, low=0.0, high=9.0, step=0.5, unit="dB"),
        _speed_choice(),
        question="Which heads may return so that the figure of three comes back as a figure, not as a crowd?",
        legend="Each stroke: one echo of a click. Thick line with dots: first time round; thin line: all "
        "later rounds. Later echoes of one moment are added up, as if in phase. The loop gain is that at the "
        "largest bump of the heads.",
        alt="Chart of level in dB over time in s. Three strong strokes are the first answers of three heads; "
        "the thinner strokes after them are the echoes of the return, fading where the loop is safe.",
    )


def _build_return(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame; everything else moves."""
    axes = chart(figure.subplots(), profile, x="time after the click (s)", y="level (dB)")
    axes.set(xlim=(0, SECONDS), ylim=(QUIET_DB, LOUD_DB))
    return {
        "later": empty_line(axes, profile, 1, linewidth=profile.line_pt / 2, linestyle="-"),
        "first": empty_line(axes, profile, 0, marked=True, zorder=4, markevery=(1, 3)),
    }


def _update_return(
    artists: Artists, feeds: tuple[bool, ...], return_send_db: float, step_db: float, speed_ips: float
) -> Answer:
    """Follow a click on its ways round, and compare with the bound on the loop gain."""
    speed, gain = to_si(speed_ips, "ips"), db_to_amplitude(return_send_db)
    places, gains = tuple(to_si(np.array(RHYTHM_MM), "mm")), tuple(db_to_amplitude(-step_db * np.arange(3)))
    three = heads.Heads(spacings=places, gains=gains, feeds_return=feeds)
    worst = DECK.one_pass(speed, pole_shape="plates")  # with bumps as large as they can be, as in the plan
    peak = db_to_amplitude(response.loudest(worst)[1])
    margin_db = -amplitude_to_db(gain * peak * sum(three.return_gains))  # at least: all heads in phase
    first, later = _echoes(three, speed, gain)
    for line, echoes in (("first", first), ("later", later)):
        times = np.array(sorted(echoes))
        levels_db = np.array([amplitude_to_db(echoes[time]) for time in times.tolist()])
        # From below the floor, where the joints are out of sight, up to the top at most.
        artists[line].set_data(*strokes(times, QUIET_DB - 2, np.clip(levels_db, QUIET_DB, LOUD_DB)))
    heard = sum(amplitude_to_db(level) > HEARD_DB for level in [*first.values(), *later.values()])
    name = next(name for name, value in RETURNS.items() if value == feeds)
    state = "is safe by" if margin_db > 0 else "may run away, too loud by"
    return (
        f"With {name} on the return at {return_send_db:g} dB the loop {state} {abs(margin_db):.1f} dB, and a "
        f"click has {heard} echoes above {HEARD_DB:g} dB.",
        {"loop gain at most": f"{-margin_db:+.1f} dB", "echoes above -30 dB": f"{heard}"},
    )


def _echoes(three: heads.Heads, speed: float, gain: float) -> tuple[Echoes, Echoes]:
    """Times and amplitudes of a click's echoes: the first round, and all later ones until `SECONDS`."""
    ways = list(zip(three.delays(speed).tolist(), three.gains, three.feeds_return, strict=True))
    first, later, recorded = Echoes(float), Echoes(float), Echoes(float, {0.0: 1.0})
    while recorded:
        coming = Echoes(float)
        for (time, level), (delay, loud, feeds) in product(recorded.items(), ways):
            at, heard = round(time + delay, 6), level * loud
            if at <= SECONDS and amplitude_to_db(heard) > QUIET_DB:
                (first if time == 0 else later)[at] += heard
                if feeds:
                    coming[at] += gain * heard
        recorded = coming
    return first, later


# ---- two tracks ----


def crossed_panel() -> Panel:
    """Return the panel of two tracks whose returns cross; the left is up, the right down.

    >>> print(crossed_panel().readout)
    With 100 % crossed at -6 dB the echo changes sides each time: 2 answers on the right are heard, and
    the loop is safe by 4.5 dB.
    """
    return Panel(
        "crossed_returns",
        _build_crossed,
        _update_crossed,
        slider("crossed_percent", "crossing over", 100, low=0, high=100, step=5, unit="%"),
        slider("return_send_db", "all sends together", -6.0, low=-24.0, high=0.0, step=0.5, unit="dB"),
        choice("sent", "recorded on", {"the left": (1.0, 0.0), "both": (1.0, 1.0)}, (1.0, 0.0)),
        _speed_choice(),
        question="Which share makes the echo mono from its second answer on?",
        legend="Each stroke: one answer of a track to a click; left up, round ends, right down, square ends.",
        alt="Chart of level in dB over time in s, from a line in the middle: strokes up are answers on the "
        "left, strokes down answers on the right, shorter from time to time.",
    )


def _build_crossed(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame; everything else moves."""
    axes = chart(figure.subplots(), profile, x="time after the click (s)", y="right (dB)        left (dB)")
    axes.set(xlim=(0, SECONDS / 2), ylim=(-SPAN_DB - 3, SPAN_DB + 3))
    heights = np.arange(-SPAN_DB, SPAN_DB + 1, SPAN_DB / 2)
    axes.set_yticks(heights, [f"{abs(height) - SPAN_DB:.0f}" for height in heights])
    axes.axhline(0, color=profile.ground.frame, linewidth=1.2 * profile.line_pt, zorder=5)  # hides the joints
    return {
        "left": empty_line(axes, profile, 0, marker="o", linestyle="-", zorder=4, markevery=(1, 3)),
        "right": empty_line(axes, profile, 1, marker="s", linestyle="-", zorder=4, markevery=(1, 3)),
    }


def _update_crossed(
    artists: Artists,
    crossed_percent: float,
    return_send_db: float,
    sent: tuple[float, float],
    speed_ips: float,
) -> Answer:
    """Follow a click on both tracks, and compare the sum and the difference of the sides."""
    speed, share = to_si(speed_ips, "ips"), crossed_percent / 100
    sends, both = stereo.shared_sends(db_to_amplitude(return_send_db), share), (DECK.heads_at(speed),) * 2
    even, worst = (DECK.one_pass(speed, pole_shape=shape) for shape in ("flat", "plates"))
    made = stereo.StereoLoop(heads=both, sends=sends, one_pass=even)
    times, sides = stereo.stereo_echoes(made, sent, longest=SECONDS / 2, faintest_db=-SPAN_DB)
    for line, side, way in zip(artists.values(), sides.T, (1, -1), strict=True):
        loud = np.abs(side) > 10 ** (-SPAN_DB / 20)
        heights = np.minimum(20 * np.log10(np.abs(side[loud])), LOUD_DB / 2) + SPAN_DB
        line.set_data(*strokes(times[loud], 0.0, way * heights))
    at, _ = response.loudest(worst)
    margin_db = -amplitude_to_db(abs(stereo.side_gains(replace(made, one_pass=worst), at)[0]))
    heard = np.count_nonzero(np.abs(sides[:, 1]) >= db_to_amplitude(HEARD_DB))
    if share in (0, 0.5, 1):
        how = {0: "stays on its side", 0.5: "becomes mono", 1: "changes sides each time"}[share]
    else:
        how = "mostly stays on its side" if share < 0.5 else "mostly changes sides"
    if sent[0] == sent[1]:
        how = "is alike on both sides"
    back_db = (
        "not at all" if share == 0.5 else f"{return_send_db + amplitude_to_db(abs(1 - 2 * share)):+.1f} dB"
    )
    return (
        f"With {crossed_percent:g} % crossed at {return_send_db:g} dB the echo {how}: {heard} answers on the "
        f"right are heard, and the loop {'is safe by' if margin_db > 0 else 'may run away, too loud by'} "
        f"{abs(margin_db):.1f} dB.",
        {
            "the sum of both sides comes back at": f"{return_send_db:+.1f} dB",
            "their difference": back_db + (", inverted" if share > 0.5 else ""),
        },
    )


# ---- exercises ----


def _place_mm(beats: float, speed: float) -> float:
    """Where a head answers after some beats of the song, in mm."""
    return from_si(transport.spacing_from_delay(tempo.delay_from_tempo(BPM, beats), speed), "mm")


#: The prediction: where the quarter note lies on the fast tape; a guess may be a fifth off.
first_guess = Guess(_place_mm(1, FAST), "mm", tolerance_percent=20).hints(
    "A beat at 76 a minute is 60/76 of a second, and the tape runs 190.5 mm in a second.",
    (_place_mm(1, SLOW), "That is the place at the slow speed."),
    (_place_mm(0.25, FAST), "That is a sixteenth, the nearest to the head that is there already."),
    ((None, 0), "Playback heads stand behind the record head: the distance is above 0."),
)

#: The dotted eighth on the slow tape.
dotted_eighth = Exercise(_place_mm(0.75, SLOW), "mm").hints(
    "A dotted eighth is three quarters of a beat; then length is time times speed.",
    (_place_mm(0.75, FAST), "That is the place at the fast speed."),
    (_place_mm(0.5, SLOW), "That is a plain eighth; the dot makes it half as long again."),
    (from_si(SLOW, "mm") * 76 / 60 * 0.75, "Turn it round: a beat lasts 60/76 seconds, not 76/60."),
)

#: What rounding to whole millimeters costs at most on the slow tape.
_half_mm_ms = from_si(transport.delay_from_spacing(to_si(0.5, "mm"), SLOW), "ms")
ruler_step = Exercise(_half_mm_ms, "ms").hints(
    "How far off can the nearest mark be, and how long does the tape need for that?",
    (2 * _half_mm_ms, "The nearest mark is half a step away at most, not a whole one."),
    (_half_mm_ms / 2, "That is the answer for the fast speed."),
)


def _first_notch(apart_mm: float) -> Exercise:
    """Ask for the first notch of two heads on the fast tape."""
    apart = transport.delay_from_spacing(to_si(apart_mm, "mm"), FAST)
    notch_hz = float(heads.notch_frequencies(0, apart, 1000)[0])
    return Exercise(notch_hz, "Hz").hints(
        "They cancel when the time between them is half a period.",
        (2 * notch_hz, "There the two are a whole wave apart and add up; they cancel half a wave apart."),
        (notch_hz / 2, "That is the answer for the slow speed."),
    )


first_notch = _first_notch(3)
notch_again = Question(
    "A tape runs at 7.5 ips past two equal heads {apart_mm:g} mm apart: at how many Hz do they first cancel?",
    _first_notch,
    "The sound needs {apart_mm:g}/190.5 seconds from head to head; that is half a period: {answer}.",
    {"apart_mm": (1, 1.5, 2, 2.5, 4, 5, 8, 10)},
)

#: The return send for three heads at 0, -3 and -6 dB, 6 dB below the edge.
_levels_db = (0.0, -3.0, -6.0)
_sum, _power = (sum(db_to_amplitude(level_db) ** k for level_db in _levels_db) for k in (1, 2))
return_send = Exercise(-6 - amplitude_to_db(_sum), "dB").hints(
    "Turn the levels into amplitudes, add them, turn the sum back into decibels, and go 6 dB below.",
    (-6 - amplitude_to_db(3), "You took all three at full level."),
    (-6 - sum(_levels_db), "Decibels do not add up like that: turn them into amplitudes first."),
    (-6.0, "That is the send for one head alone."),
    (-6 - 10 * math.log10(_power), "Heads can be in phase: add amplitudes, not powers."),
    (amplitude_to_db(_sum) - 6, "The more the heads add up to, the lower the send must be."),
    (-amplitude_to_db(_sum), "That is the edge itself; stay 6 dB below it."),
)

#: The closed loop of two bars on the slow tape.
_loop_mm = from_si(transport.tape_used(2 * tempo.delay_from_tempo(BPM, 4), SLOW), "mm")
two_bars = Exercise(_loop_mm, "mm").hints(
    "Two bars are eight beats of 60/76 seconds; length is time times speed.",
    (2 * _loop_mm, "That is the loop for the fast speed."),
    (_loop_mm / 2, "That is one bar."),
    (_loop_mm / 4, "That is two beats; a bar here has four."),
)

#: How often the tape passes the heads in an evening.
_passes = 3 * heads.passes_per_hour(1.2, FAST)
evening = Exercise(_passes, "").hints(
    "How long is one round, and how many of them fit into three hours?",
    (_passes / 3, "That is one hour; the night has three."),
    (_passes / 2, "That is the slow speed."),
)

#: How far two unlike crossed sends may go up together.
ping_pong = Exercise(6.0, "dB").hints(
    "Follow a tone from left to right and back to the left: that is one way round, over two sends.",
    (12.0, "That is once round, but both sends go up, and each gives its part."),
    (4.0, "One side alone is no loop: what leaves the left comes back over the right."),
    (8.0, "One side alone is no loop: what leaves the right comes back over the left."),
    (-6.0, "They are 12 dB below the edge once round, so they may go up."),
)
