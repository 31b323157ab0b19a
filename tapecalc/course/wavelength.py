"""Why short waves fade: gap, contact, standard equalization, and pass after pass."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapecalc import words
from tapecalc.calc import levels, response, standards, transport
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.deck import DECK, FAST, SEMITONE, SLOW, speed_slider
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.course.panel import Answer, Artists, Control, Panel, chart, choice, empty_line, shade, slider
from tapecalc.plot import style

FREQUENCY = np.geomspace(20.0, 20e3, 300)
FAINTEST_DB = -32.0  # of the gap loss that is drawn
ALONG = np.linspace(-24.0, 24.0, 600)  # the tape, to either side of the gap, um
PROBE = 10e3  # the frequency that the tables speak of, Hz
LOSSES = ("thickness", "spacing", "gap", "azimuth")
UM = "\N{MICRO SIGN}m"

_PASS = DECK.one_pass(FAST)
_CONTACT = _PASS.today
_SHARE = _CONTACT.surface_share
BUMPS = {"none": "flat", "likely": "blocks", "at most": "plates"}


def _um_slider(name: str, label: str, value: float, low: float, high: float, step: float = 0.1) -> Control:
    return slider(name, label, round(from_si(value, "um"), 3), low=low, high=high, step=step, unit=UM)


def _tilt_slider() -> Control:
    first = round(from_si(_CONTACT.azimuth_angle, "arcmin"), 3)
    return slider("tilt_arcmin", "azimuth error", first, low=0.0, high=20.0, step=0.5, unit="arcmin")


def _separation_slider(low: float) -> Control:
    return _um_slider("separation_um", "head-to-tape separation", _CONTACT.separation, low, 5.0)


def _level_axes(axes: Axes, profile: style.Profile, lowest: float, highest: float) -> Axes:
    """Dress axes of level over frequency."""
    style.frequency_axis(axes, profile, low=20.0, high=20e3)
    return chart(axes, profile, x="frequency (Hz)", y="level (dB)", ylim=(lowest, highest))


def _signed(value: float, digits: int) -> str:
    """Write a number with its sign, and no minus before a zero."""
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def _thick(axes: Axes, profile: style.Profile, **look: Any) -> Line2D:
    return empty_line(axes, profile, 0, linewidth=1.6 * profile.line_pt, **look)


def _dot(axes: Axes, profile: style.Profile) -> Line2D:
    return empty_line(axes, profile, 1, linestyle="none", marker="o", clip_on=False, zorder=4)


# ---- the pattern and the gap ----


def pattern_panel() -> Panel:
    """Return the panel of a tone on tape that passes the gap, and of the gap loss.

    Source: J. Eargle, Electroacoustical Reference Data, 1994.

    >>> print(pattern_panel().readout)
    10 kHz at 7.5 ips is 19.05 µm long, and the gap spans 23 % of that. Its average is +0.91 now, and never
    more than 0.91 of full: 0.8 dB lost.
    """
    return Panel(
        "pattern_and_gap",
        _build_pattern,
        _update_pattern,
        slider("frequency_khz", "tone", 10.0, low=2.5, high=20.0, step=SEMITONE, unit="kHz", log=True),
        speed_slider(),
        _um_slider("gap_um", "gap", _CONTACT.gap, 1.0, 10.0),
        slider("moved_percent", "tape moved by", 0.0, low=0.0, high=50.0, step=5.0, unit="% of wave"),
        question="At which gap is the average nothing at all, however far the tape moves?",
        legend="Above: the pattern on tape; shaded: the effective gap, 1.11 times the gap; thick bar: the "
        "average inside it, which is all that the head reads. Dots: how far up and down that bar can get. "
        "Below: what the gap leaves of each frequency; dot: your tone.",
        alt="Two charts. Above: a wave along the tape in µm behind a shaded gap, with a bar at the average "
        "inside it. Below: gap loss in dB over frequency, falling towards a null.",
    )


def _build_pattern(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frames; wave, gap, bar and curve move."""
    tape, loss = figure.subplots(2, 1)
    chart(tape, profile, x=f"along the tape ({UM})", y="pattern", grid=None, xlim=ALONG[[0, -1]])
    tape.set(ylim=(-1.15, 1.15), yticks=(-1, 0, 1))
    _level_axes(loss, profile, FAINTEST_DB, 2).set_xlim(1000, 20e3)
    return {
        "gap": shade(tape, profile, -1, 1, edgecolor=profile.ground.frame, linewidth=profile.line_pt / 2),
        "pattern": empty_line(tape, profile, 0),
        "average": empty_line(tape, profile, 1, linestyle="-", linewidth=2.5 * profile.line_pt, zorder=3),
        "reach": _dot(tape, profile),
        "loss": empty_line(loss, profile, 0),
        "tone": _dot(loss, profile),
    }


def _update_pattern(
    artists: Artists, frequency_khz: float, speed_ips: float, gap_um: float, moved_percent: float
) -> Answer:
    """Write the tone on tape, move it on, and average it over the gap."""
    frequency, speed, gap = to_si(frequency_khz, "khz"), to_si(speed_ips, "ips"), to_si(gap_um, "um")
    length, moved = response.wavelength(frequency, speed), moved_percent / 100
    length_um, span_um = from_si(length, "um"), response.DEFAULT_GAP_FACTOR * gap_um
    # The sinc keeps its sign: beyond the first null the average has turned around.
    largest = float(np.sinc(span_um / length_um))
    average = largest * math.cos(2 * math.pi * moved)
    artists["pattern"].set_data(ALONG, np.cos(2 * np.pi * (ALONG / length_um - moved)))
    artists["gap"].set(x=-span_um / 2, width=span_um)
    artists["average"].set_data([-span_um / 2, span_um / 2], [average, average])
    artists["reach"].set_data([0, 0], [-largest, largest])
    artists["loss"].set_data(FREQUENCY, response.gap_loss_db(FREQUENCY, speed, gap))
    loss = response.gap_loss_db(frequency, speed, gap)
    artists["tone"].set_data([frequency], [max(loss, FAINTEST_DB)])
    long, null = words.amount(length, "um", ".4g"), response.gap_null_frequency(speed, gap)
    lost = f"{-loss:.1f} dB lost" if loss > -60 else "nothing is left"
    return (
        f"{frequency_khz:.3g} kHz at {words.speed(speed)} is {long} long, and the gap spans "
        f"{100 * span_um / length_um:.0f} % of that. Its average is {_signed(average, 2)} now, and never "
        f"more than {abs(largest):.2f} of full: {lost}.",
        {
            "wavelength": long,
            "effective gap": f"{span_um:.2f} {UM}",
            "average now": _signed(average, 2),
            "first null": words.amount(null, "khz", ".1f"),
        },
    )


# ---- four losses ----


def contact_panel() -> Panel:
    """Return the panel of gap, spacing, thickness and azimuth loss, each with its slider, and their sum.

    Source: R. L. Wallace 1951; O. Tjaden 1959; J. Eargle 1994; H. Voelz, lecture notes on recording.

    >>> print(contact_panel().readout)
    10 kHz at 7.5 ips loses 18.8 dB, most of it to the thickness (15.0 dB). Without an equalizer the sum
    is down 3 dB at 1.4 kHz.
    """
    return Panel(
        "four_losses",
        _build_contact,
        _update_contact,
        speed_slider(),
        _um_slider("gap_um", "gap", _CONTACT.gap, 0.0, 10.0),
        _separation_slider(0.0),
        _um_slider("coating_um", "coating thickness", _CONTACT.coating_thickness, 1.0, 20.0, 0.5),
        _tilt_slider(),
        question="Which of the four takes most at 10 kHz, and can you make another one overtake it?",
        legend="Each thin line is one loss, the thick line their sum; dot: the sum at 10 kHz. What a coating "
        "gives is told against the bench deck's, equally magnetized.",
        alt="Line chart of level in dB over frequency from 20 Hz to 20 kHz: four losses and their sum, all "
        "at 0 dB in the bass and falling towards the treble.",
    )


def _build_contact(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame, the mark at 10 kHz, and a key where no curve goes."""
    axes = _level_axes(figure.subplots(), profile, -40, 2)
    axes.axvline(PROBE, color=profile.ground.frame, linewidth=profile.line_pt / 3)
    lines = {name: empty_line(axes, profile, k) for k, name in enumerate(LOSSES)}
    lines["sum"] = _thick(axes, profile, color=profile.ground.text, linestyle="-")
    axes.legend(lines.values(), lines, loc="lower left")
    return lines | {"probe": _dot(axes, profile)}


def _update_contact(
    artists: Artists,
    speed_ips: float,
    gap_um: float,
    separation_um: float,
    coating_um: float,
    tilt_arcmin: float,
) -> Answer:
    """Compute the four losses and say which is the largest."""
    speed, tilt, width = to_si(speed_ips, "ips"), to_si(tilt_arcmin, "arcmin"), _CONTACT.track_width
    gap, away, coating = (to_si(um, "um") for um in (gap_um, separation_um, coating_um))
    today = {"gap": gap, "separation": away, "coating_thickness": coating, "azimuth_angle": tilt}
    contact = replace(_CONTACT, **today)
    losses: dict[str, Callable[[Any], Any]] = {
        "thickness": lambda f: response.thickness_loss_db(f, speed, coating, surface_share=_SHARE),
        "spacing": lambda f: response.spacing_loss_db(f, speed, away),
        "gap": lambda f: response.gap_loss_db(f, speed, gap),
        "azimuth": lambda f: response.azimuth_loss_db(f, speed, width, tilt),
        "sum": lambda f: response.contact_loss_db(f, speed, contact),
    }
    for name, loss_db in losses.items():
        artists[name].set_data(FREQUENCY, loss_db(FREQUENCY))
    at = {name: loss_db(PROBE) for name, loss_db in losses.items()}
    artists["probe"].set_data([PROBE], [max(at["sum"], -40)])
    worst = min(LOSSES, key=lambda name: at[name])
    bare = response.OnePass(speed=speed, today=contact, aligned=contact, boost_db=0, low_cut=0)
    _, high = response.bandwidth(bare, drop_db=3)
    assert high is not None  # any coating loses that much somewhere
    outputs = response.coating_output_db([100.0, PROBE], speed, coating, _CONTACT.coating_thickness)
    return (
        f"10 kHz at {words.speed(speed)} loses {-at['sum']:.1f} dB, most of it to the {worst} "
        f"({-at[worst]:.1f} dB). Without an equalizer the sum is down 3 dB at {words.frequency(high, 2)}.",
        {f"{name} at 10 kHz": f"{level:.1f} dB" for name, level in at.items()}
        | {
            f"this coating gives, at {of}": f"{_signed(level, 1)} dB"
            for of, level in zip(("100 Hz", "10 kHz"), outputs, strict=True)
        },
    )


# ---- standards ----


def equalization_panel() -> Panel:
    """Return the panel of a tape recorded to one standard and played to another.

    Source: IEC 60094-1:1981, clause 15, and beside each entry of `EQUALIZATIONS`.

    >>> print(equalization_panel().readout)
    Recorded to NAB 7.5 ips, played to IEC1 7.5 ips: 50 Hz comes out +3.0 dB, 10 kHz +2.7 dB. The tape
    itself holds 10 kHz at -10.4 dB.
    """
    names = {name: name for name in standards.EQUALIZATIONS}
    return Panel(
        "equalization",
        _build_equalization,
        _update_equalization,
        choice("recorded", "recorded to", names, "NAB 7.5 ips"),
        choice("played", "played to", names, "IEC1 7.5 ips"),
        question="Which pairs of standards give back what went in?",
        legend="Flux: what the recorder puts on tape. Correction: what the playback amplifier adds. "
        "Result, thick: both together, what comes out.",
        alt="Line chart of level in dB over frequency from 20 Hz to 20 kHz: flux on tape falling, correction "
        "rising, and their sum, flat only where both follow one standard.",
    )


def _build_equalization(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame and a key where no curve goes."""
    axes = _level_axes(figure.subplots(), profile, -32, 32)
    lines = {name: empty_line(axes, profile, k) for k, name in enumerate(("flux", "correction"), 1)}
    lines["result"] = _thick(axes, profile)
    axes.legend(lines.values(), lines, loc="lower left")
    return lines


def _update_equalization(artists: Artists, recorded: str, played: str) -> Answer:
    """Add flux and correction, and say what is left over."""
    at = np.array([50.0, PROBE, *FREQUENCY])
    on_tape, corrected = standards.equalization(recorded), standards.equalization(played)
    flux = response.equalization_db(at, on_tape.tau_high, on_tape.tau_low)
    correction = -response.equalization_db(at, corrected.tau_high, corrected.tau_low)
    for name, level in (("flux", flux), ("correction", correction), ("result", flux + correction)):
        artists[name].set_data(FREQUENCY, level[2:])
    bass, treble = (_signed(level, 1) for level in (flux + correction)[:2])
    holds = f"The tape itself holds 10 kHz at {flux[1]:.1f} dB."
    rows = {
        "flux on tape at 10 kHz": f"{flux[1]:+.1f} dB",
        "correction at 10 kHz": f"{correction[1]:+.1f} dB",
    }
    rows["result at 10 kHz"] = f"{treble} dB"
    if recorded == played:
        return f"Recorded and played to {recorded}: every frequency comes out as it went in. {holds}", rows
    result = f"50 Hz comes out {bass} dB, 10 kHz {treble} dB."
    return f"Recorded to {recorded}, played to {played}: {result} {holds}", rows


# ---- pass after pass ----


def passes_panel() -> Panel:
    """Return the panel of one pass and many, with what the speed costs.

    >>> passes_panel().readout
    'At 7.5 ips one pass keeps 39 Hz to 14 kHz within 3 dB, pass 8 keeps 120 Hz to 3.2 kHz.'
    """
    return Panel(
        "passes",
        _build_passes,
        _update_passes,
        speed_slider(),
        slider("passes", "passes", 8, low=1, high=12, step=1, unit=""),
        _separation_slider(round(from_si(_PASS.aligned.separation, "um"), 3)),
        slider("boost_db", "most treble boost", _PASS.boost_db, low=0.0, high=36.0, step=1.0, unit="dB"),
        choice("bumps", "head bumps", BUMPS, "flat"),
        question="Which slider brings most treble back to the last pass?",
        legend="Dashed: one pass. Thick: all passes together. Shaded: the band that is left within 3 dB "
        "after the last of them, but for head bumps.",
        alt="Line chart of level in dB over frequency from 20 Hz to 20 kHz: one pass and several passes, "
        "the latter narrower at both ends, with the band that is left shaded.",
    )


def _build_passes(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame; band and curves move."""
    axes = _level_axes(figure.subplots(), profile, -40, 14)
    return {
        "band": shade(axes, profile, 100, 1000),
        "one": empty_line(axes, profile, 1),
        "all": _thick(axes, profile),
    }


def _update_passes(
    artists: Artists, speed_ips: float, passes: int, separation_um: float, boost_db: float, bumps: str
) -> Answer:
    """Wear the heads, turn the passes up, and say what is left and what it costs."""
    speed = to_si(speed_ips, "ips")
    deck = DECK.one_pass(speed, pole_shape="flat")
    worn = replace(deck.today, separation=to_si(separation_um, "um"))
    even = replace(deck, today=worn, boost_db=boost_db)
    one_pass = replace(even, pole_shape=bumps)
    for name, count in (("one", 1), ("all", passes)):
        artists[name].set_data(FREQUENCY, response.repeat_level_db(one_pass, FREQUENCY, count))
    bands = [response.bandwidth(even, drop_db=3, passes=count) for count in (1, passes)]
    low, high = bands[-1]
    assert low is not None and high is not None  # the low cut and the coating see to it
    artists["band"].set(x=low, width=high - low)
    of_one, of_last = (" to ".join(words.frequency(edge or 0, 2) for edge in band) for band in bands)
    keeps = f"At {words.speed(speed)} one pass keeps {of_one} within 3 dB"
    bump_db = passes * np.max(one_pass.level_db(FREQUENCY) - even.level_db(FREQUENCY))
    return (
        f"{keeps}." if passes == 1 else f"{keeps}, pass {passes} keeps {of_last}.",
        {
            f"10 kHz after {passes}": f"{response.repeat_level_db(one_pass, PROBE, passes):.1f} dB",
            f"the highest bump after {passes}": f"{_signed(bump_db, 1)} dB",
            f"hiss after {passes}, each adding the same": f"{levels.sum_power_db(np.zeros(passes)):+.1f} dB",
            "delay of one pass": words.amount(transport.delay_from_spacing(DECK.spacings[0], speed), "ms"),
            "the reel lasts": words.amount(transport.run_time(DECK.tape.length_m, speed), "min"),
        },
    )


# ---- exercises ----

#: The prediction: 10 kHz at the fast speed; a guess may be a quarter off.
_ten_um = from_si(response.wavelength(10e3, FAST), "um")
first_guess = Guess(_ten_um, UM, tolerance_percent=25).hints(
    "In one second 190.5 mm of tape pass, and ten thousand waves must fit into them.",
    (_ten_um / 2, "That is its length at the slow speed."),
    ((1000, None), "Longer than a millimeter? Ten thousand of them must fit into 190.5 mm of tape."),
)


def _length(frequency_hz: float, speed_ips: float) -> Exercise:
    """Ask how long one wave of a tone is on the tape."""
    speed = to_si(speed_ips, "ips")
    wave = response.wavelength(frequency_hz, speed)
    return Exercise(from_si(wave, "um"), UM).hints(
        "Speed in meters per second first, then divide by the frequency.",
        (frequency_hz / speed, "You divided frequency by speed, which counts the waves on a meter of tape."),
        (
            from_si(wave, "mil"),
            "In thousandths of an inch that is right; there are 25.4 micrometers in each.",
        ),
    )


length = _length(1e3, 15)
length_again = Question(
    "A tone of {frequency_hz:g} Hz at {speed_ips:g} ips: how long is one wave on the tape, in micrometers?",
    _length,
    "Speed over frequency: {speed_ips:g} times 25.4 millimeters a second by {frequency_hz:g}: {answer}.",
    {"frequency_hz": (600, 2000, 4000, 6000, 8000), "speed_ips": (3.75, 7.5, 15)},
)

#: The first null of a gap of a quarter mil at the fast speed.
_null_khz = from_si(response.gap_null_frequency(FAST, to_si(6.35, "um")), "khz")
null = Exercise(_null_khz, "kHz").hints(
    "The gap cancels the tone whose wavelength is the effective gap, 1.11 times the gap.",
    (1.11 * _null_khz, "You took the measured gap; the head acts as if it were 1.11 times as long."),
    (1.11**2 * _null_khz, "The factor makes the gap longer, so the null comes earlier: divide by it."),
    (_null_khz / 2, "There the gap holds half a wave; the tone that it cancels fits in once."),
)

#: What fluff under the head costs.
_coat_db = response.thickness_loss_db(15e3, FAST, to_si(2.5, "um"), surface_share=_SHARE)
fluff = Exercise(response.spacing_loss_db(15e3, FAST, to_si(2.5, "um")), "dB").hints(
    "54.6 dB are lost for each wavelength of distance: which part of a wavelength is the fluff?",
    (response.spacing_loss_db(15e3, SLOW, to_si(2.5, "um")), "That is the loss at the slow speed."),
    (_coat_db, "That is the loss by a coating of that thickness; the whole head is away from the tape here."),
)

#: The tilt that cancels 10 kHz on a full track.
_tilt = response.azimuth_null_angle(10e3, FAST, to_si(6.25, "mm"))
tilt = Exercise(from_si(_tilt, "arcmin"), "arcmin").hints(
    "One edge must lag behind the other by a whole wavelength, over the width of the track.",
    (from_si(_tilt, "deg"), "That is the angle in degrees; a degree has 60 minutes of arc."),
    (_tilt, "That is the angle in radians."),
    ((31, 35), "That is for the bench deck's narrow track; this one is full width."),
)


def _corner(tau_us: float) -> Exercise:
    """Ask for the corner of a time constant."""
    tau = to_si(tau_us, "us")
    return Exercise(response.transition_frequency(tau), "Hz").hints(
        "Frequency is one over 2 pi times the time constant, in seconds.",
        (1 / tau, "One over the time constant counts radians a second; a turn is 2 pi of them."),
        (response.transition_frequency(to_si(50, "us")), "That is the corner of 50 microseconds."),
    )


corner = _corner(70)
corner_again = Question(
    "An equalizer has a time constant of {tau_us:g} µs: at which frequency, in Hz, has its curve bent away "
    "by 3 dB?",
    _corner,
    "One over 2 pi times the time constant, {tau_us:g} millionths of a second: {answer}.",
    {"tau_us": (17.5, 25, 35, 90, 100, 120, 140, 200)},
)

#: What the record equalizer must lift at the fast speed, on the day of alignment.
_LOST_DB, _PLAYED_DB = (
    response.contact_loss_db(PROBE, FAST, _PASS.aligned),
    -response.equalization_db(PROBE, _PASS.tau_high, _PASS.tau_low),
)
lift = Exercise(-_LOST_DB - _PLAYED_DB, "dB", tolerance_percent=3).hints(
    "What is lost must come back; the playback equalizer brings a part of it.",
    (-_LOST_DB, "That is what both equalizers together must lift; the playback equalizer does its part."),
    (
        _PLAYED_DB - _LOST_DB,
        "You added the two: the playback equalizer lifts as well, so less is left to do.",
    ),
)

#: The lowest bump of poles of 4 mm at the slow speed.
bump = Exercise(0.716 * SLOW / to_si(4, "mm"), "Hz", tolerance_percent=1).hints(
    "Which wave is 4 mm / 0.72 long, and which tone is so long at the slow speed?",
    (
        0.716 * FAST / to_si(4, "mm"),
        "That is the bump at the fast speed; the slow one has it an octave lower.",
    ),
    (SLOW / to_si(4, "mm"), "There one wave is as long as the poles; the bump is where 0.72 of one is."),
    (
        SLOW / 0.716 / to_si(4, "mm"),
        "You divided by 0.72: the wave is longer than the poles, the tone lower.",
    ),
)

#: The hiss of eight passes over that of one.
hiss = Exercise(levels.sum_power_db([0.0] * 8), "dB").hints(
    "Eight is one doubled three times, and each doubling of the power is 3 dB.",
    (8 * 3.0103, "You added 3 dB for each pass; hiss gains 3 dB only when the passes double."),
    (7 * 3.0103, "You added 3 dB for each further pass; hiss gains 3 dB only when the passes double."),
    (8, "Hiss powers add, eight equal ones make eight times the power; now say that in decibels."),
)
