"""Figures of losses and equalization."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, MultipleLocator
from numpy.typing import NDArray

from tapecalc.calc import contour, response, standards
from tapecalc.calc import loop as loops
from tapecalc.calc.units import to_si
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.kit import AUDIBLE, FREQUENCIES, Canvas, Drawn, figure, finely, minus, name_lines
from tapecalc.plot.style import frequency_text
from tapecalc.words import amount, listed

TREBLE = 10e3  # Hz, of what is told about treble
QUIET_DB = 0.3  # what is less than that is not seen
ROUND = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3)  # Hz, at which a chart of the treble may begin
EDGE_DB = 1.5  # width of a hatched edge
WAVES_SHOWN = (0.45, 13.0)  # on the poles of a head
DARKEST_DB = -30.0  # level below which repeats are not drawn
ROOM = 0.22  # share of a chart below that level, for names
MOST_REPEATS = 8  # that are followed one by one
NOTE, HARMONICS, WAVES = 880.0, 16e3, 2  # Hz of a bright note, Hz up to which it reaches, and how many waves


def audible(contact: response.HeadContact, speed: float) -> NDArray[np.float64]:
    """Divide the audible range so finely that no null of gap or azimuth is passed over.

    Where nulls come so closely that no picture can show them the steps stay at 0.5 Hz.
    """
    # Lengths of tape that the gap takes in, and that the track does because the gap is tilted.
    taken = contact.gap * contact.gap_factor, contact.track_width * abs(math.tan(contact.azimuth_angle))
    apart = [speed / length for length in taken if length > 0 and speed / length < AUDIBLE[1]]
    if not apart:
        return FREQUENCIES
    step = max(min(apart) / 40, 0.5)
    return np.union1d(FREQUENCIES, step * np.arange(np.ceil(AUDIBLE[0] / step), AUDIBLE[1] / step))


@figure(
    "what gap, contact, coating and tilt take away",
    lambda m: {"speed": m.speeds[0], "contact": m.one_pass(m.speeds[0]).today},
    units=True,
)
def four_losses(canvas: Canvas, *, speed: float, contact: response.HeadContact) -> Drawn:
    """Draw spacing, thickness, gap and azimuth loss over frequency, and their sum.

    >>> contact = response.HeadContact(gap=4e-6, separation=1e-6, coating_thickness=11e-6,
    ...                                track_width=2e-3, azimuth_angle=0.001)
    >>> sorted(four_losses(speed=0.1905, contact=contact).artists)
    ['azimuth', 'gap', 'spacing', 'sum', 'thickness']
    """
    f = audible(contact, speed)
    curves = {
        "thickness": response.thickness_loss_db(
            f, speed, contact.coating_thickness, surface_share=contact.surface_share
        ),
        "spacing": response.spacing_loss_db(f, speed, contact.separation),
        "gap": response.gap_loss_db(f, speed, contact.gap, gap_factor=contact.gap_factor),
        "azimuth": response.azimuth_loss_db(f, speed, contact.track_width, contact.azimuth_angle),
        "sum": response.contact_loss_db(f, speed, contact),
    }
    at_10k = {name: _at(TREBLE, f, curve) for name, curve in curves.items()}
    worst = min(list(curves)[:-1], key=at_10k.__getitem__)
    canvas.head(
        f"The {worst} takes the most treble" if at_10k[worst] < -0.1 else "Hardly any treble is lost",
        f"one playback at {canvas.speed(speed)}, before any equalizer",
        answer=minus(f"{at_10k['sum']:z.0f} dB"),
        means="all losses at 10 kHz",
    )
    half, lines = canvas.profile.line_pt / 2, {}
    for name, curve in curves.items():
        look = canvas.line_look("echo") if name == "sum" else canvas.line_look("tape", linewidth=half)
        (lines[name],) = canvas.axes.plot(f, curve, **look)
    canvas.style_response(y=("loss", "$A$", "dB"))
    low = _treble_from(f, curves["sum"])
    style.frequency_axis(canvas.axes, canvas.profile, low=low, high=AUDIBLE[1])
    lowest = float(np.clip(curves["sum"].min(), -30, -6))
    canvas.axes.set_ylim(1.07 * lowest, -0.05 * lowest)
    symbols = ("$c$", "$s$", "$g$", r"$\alpha$", r"$\Sigma$")
    canvas.name_lines(lines.values(), symbols if canvas.symbols_only else lines)
    said = minus(listed(f"{name} {loss:.1f} dB" for name, loss in at_10k.items()))
    return Drawn(
        canvas.figure,
        lines,
        f"Losses of one playback at {canvas.speed(speed)}; at 10 kHz: {said}.",
        f"Line chart of loss in dB over frequency from {frequency_text(low)} to 20 kHz; four thin curves and "
        "a thick one, their sum, that start at 0 dB and bend down towards high frequencies. At 10 kHz: "
        f"{said}.",
        (
            "spacing and thickness: R. L. Wallace, Bell System Technical Journal 30, 1951 (from memory)",
            "weak surface of the coating: O. Tjaden 1959, as told by J. McKnight 2017",
            "gap: J. Eargle, Electroacoustical Reference Data, 1994",
        ),
    )


def _at(frequency: float, f: NDArray[np.float64], curve: Any) -> float:
    """Read a curve at one frequency."""
    return float(np.interp(np.log(frequency), np.log(f), curve))


def _treble_from(f: NDArray[np.float64], *curves: Any) -> float:
    """Where a chart of the treble begins: at the last round frequency before anything happens."""
    first = f[np.argmax(np.max(np.abs(curves), axis=0) > QUIET_DB)]
    return max(low for low in ROUND if low <= first)


@figure(
    "how a machine undoes what the tape takes, and how far",
    lambda m: {"passes": [m.one_pass(speed) for speed in m.speeds]},
    units=True,
)
def machine_chain(canvas: Canvas, *, passes: Sequence[response.OnePass]) -> Drawn:
    """Draw equalizers and losses at the first speed, as aligned, and what comes out at each, without bumps.

    >>> from tapecalc.machine import example_machine
    >>> print(machine_chain(passes=[example_machine().one_pass(0.1905)]).caption)
    As aligned, at 19.05 cm/s and 10 kHz: record +6.7 dB, tape −17.2 dB and playback +10.4 dB. Inside the
    window for the home: at 19.05 cm/s all of it.
    """
    f, axes, profile = FREQUENCIES, canvas.axes, canvas.profile
    aligned = {canvas.speed(one.speed): replace(one, today=one.aligned, pole_shape="flat") for one in passes}
    speed, first = next(iter(aligned.items()))
    record, playback = _db(first.record_gain(f)), _db(first.playback_gain(f))
    tape, both = response.contact_loss_db(f, first.speed, first.aligned), record + playback
    edge = response.bandwidth(first)[1]
    canvas.head(
        "The equalizers give back what the tape takes"
        if first.level_db(TREBLE) > -3
        else "Equalizers give back only part of the treble"
        if _at(TREBLE, f, both) > QUIET_DB
        else "No equalizer gives back what the tape takes",
        f"equalizers and losses at {speed}, as aligned",
        answer=edge_text(edge),
        means=f"is the top at {speed}, 3 dB down",
    )
    _shade(canvas, f, tape, 0, "ribbon", alpha=0.5)
    _shade(canvas, f, 0, both)
    thin, lines = profile.line_pt / 2, {}
    (lines["record"],) = axes.plot(f, record, **canvas.line_look("context", linewidth=thin))
    (lines["both"],) = axes.plot(f, both, **canvas.line_look("context"))
    (lines["tape"],) = axes.plot(f, tape, **canvas.line_look("tape"))
    widths = canvas.weights([one.speed for one in aligned.values()])
    for (name, one), width in zip(aligned.items(), widths, strict=True):
        (lines[name],) = axes.plot(f, one.level_db(f), **canvas.line_look("echo", linewidth=width))
    window = _home_window(canvas)
    canvas.style_response(y=("level", "$L$", "dB"))
    axes.set_ylim(max(-30, 1.1 * min(tape.min(), -8)), max(1.1 * both.max(), 8))
    names = ("$R$", "$E$", "$A$") if canvas.symbols_only else ("record part", "equalizers", "tape")
    canvas.name_lines(lines.values(), (*names, *aligned))
    gains = {"record": record, "tape": tape, "playback": playback}
    parts = minus(listed(f"{name} {_at(TREBLE, f, gain):+.1f} dB" for name, gain in gains.items()))
    bands = {name: response.home_band(one) for name, one in aligned.items()}
    said = listed(
        f"at {name} {'all of it' if band == standards.HOME_BAND else _band(*band)}"
        for name, band in bands.items()
    )
    return Drawn(
        canvas.figure,
        lines | {"window": window},
        f"As aligned, at {speed} and 10 kHz: {parts}. Inside the window for the home: {said}.",
        "Line chart of level in dB over frequency from 20 Hz to 20 kHz. Above 0 dB the record equalizer, and "
        "both equalizers together, rise as the losses of tape and head fall below it; what comes out, one "
        "line a speed, the slower the thicker, is flat in the middle and bends down smoothly. A hatched "
        "edge: the limit for the home, 5 dB down from 250 Hz to 6.3 kHz, 7 dB from 40 Hz to 12.5 kHz.",
        ("equalizers: IEC 60094-1:1981", "window: DIN 45 500 sheet 4; that it has one upper edge is ours"),
    )


def _db(gain: Any) -> Any:
    return 20 * np.log10(np.abs(gain))


def edge_text(edge: float | None) -> str:
    """Write where a response ends, if that can be heard."""
    top = AUDIBLE[1]
    return f"over {frequency_text(top)}" if edge is None or edge > top else frequency_text(edge)


def _home_window(canvas: Canvas) -> Any:
    """Hatch the edge of the window in which a machine for the home must stay."""
    ends = np.repeat([standards.HOME_BAND[0], *standards.HOME_MIDDLE, standards.HOME_BAND[1]], 2)[1:-1]
    middle, outside = standards.HOME_WINDOWS_DB
    low = -np.array([outside, outside, middle, middle, outside, outside], dtype=float)
    thin = style.STRUCTURE * canvas.profile.line_pt
    canvas.axes.plot(ends, low, **canvas.line_look("limit", linewidth=thin, linestyle=style.DASH_DOT))
    if not canvas.symbols_only:
        name = "home limit" if canvas.profile.narrow else "limit for the home"
        canvas.note((ends[0], low.min()), name, "below", "limit", ha="left", **canvas.plate())
    return canvas.axes.fill_between(ends, low, low - EDGE_DB, **canvas.hatched())


def _shade(canvas: Canvas, x: Any, low: Any, high: Any, role: str = "fill", **look: Any) -> Any:
    """Fill what lies between two curves, quietly."""
    return canvas.axes.fill_between(x, low, high, facecolor=canvas.color(role), linewidth=0, zorder=0, **look)


@figure(
    "what a thinner coating and a narrower gap change",
    lambda m: {"speed": m.speeds[0], "contact": m.one_pass(m.speeds[0]).aligned},
    units=True,
)
def output_changes(canvas: Canvas, *, speed: float, contact: response.HeadContact) -> Drawn:
    """Draw what half the coating and half the gap do to the voltage of the head, before any equalizer.

    What a narrower gap costs depends on the core, which nobody knows: a band, from nothing to all of it.

    >>> from tapecalc.machine import example_machine
    >>> list(output_changes(speed=0.1905, contact=example_machine().one_pass(0.1905).today).artists)
    ['coating', 'gap', 'band']
    """
    f, axes = FREQUENCIES, canvas.axes
    coating, gap = max(contact.coating_thickness, 1e-7), max(contact.gap, 1e-7)
    thin = response.coating_output_db(f, speed, coating / 2, coating)
    treble = [
        response.gap_loss_db(f, speed, length, gap_factor=contact.gap_factor) for length in (gap / 2, gap)
    ]
    most, least = (treble[0] - treble[1] + response.gap_output_db(gap / 2, gap, share) for share in (0, 1))
    bass, tone = _at(100, f, thin), _at(TREBLE, f, thin)
    canvas.head(
        f"Half the coating costs bass, {'hardly' if tone > bass / 2 else 'and less'} treble",
        f"before any equalizer, at {canvas.speed(speed)}",
        answer=minus(f"{bass:.1f} dB"),
        means="at 100 Hz with half the coating",
        role="tape",
    )
    band = _shade(canvas, f, least, most)
    edge = canvas.line_look("context", linewidth=canvas.profile.line_pt / 2)
    edges = [axes.plot(f, curve, **edge)[0] for curve in (least, most)]
    (coat,) = axes.plot(f, thin, **canvas.line_look("tape"))
    canvas.style_response(y=("change", r"$\Delta L$", "dB"))
    axes.set_ylim(-7, float(np.clip(1.2 * most.max(), 1, 8)))
    canvas.name_lines([coat], ["$c$" if canvas.symbols_only else "half the\ncoating"])
    name = "$g$" if canvas.symbols_only else "half the gap"
    canvas.note((AUDIBLE[0], 0.75 * most[0] + 0.25 * least[0]), name, "right", "context")
    said = (
        f"half the coating gives {bass:.1f} dB at 100 Hz and {tone:.1f} dB at 10 kHz; half the gap from 0 to "
        f"{least[0]:.1f} dB in the bass, and {(most - most[0])[-1]:+.1f} dB more than that at 20 kHz"
    )
    return Drawn(
        canvas.figure,
        {"coating": coat, "gap": edges, "band": band},
        f"What the head gives at {canvas.speed(speed)}, before any equalizer: {minus(said)}.",
        "Line chart of the change of level in dB over frequency. Half the coating: 6 dB less in the bass, "
        "nothing more in the treble. Half the gap: a shaded band between two lines, for all kinds of cores, "
        "that rises towards the treble.",
        ("coating: flux of evenly magnetized layers", "gap: J. Eargle 1994; flux divided by gap and core"),
    )


#: A curve measured without equalizers at 7.5 ips: its peak, Hz, and the level of 5 kHz over 500 Hz, dB. At
#: 15 ips peak and level are the same at twice the frequencies.
#: Source: Elements of Tape Recorder Circuits, 1957, figure 601; how exactly it can be read: judgement.
MEASURED_SPEED, MEASURED_PEAK, MEASURED_TONES, MEASURED_DB = to_si(7.5, "ips"), 3e3, (500.0, 5e3), 8.0
READ_WITHIN, READ_WITHIN_DB = 0.25, 2.0
#: Coatings and gaps of those years, m; the distance is that of clean heads. Common practice, no source.
_OF_1957 = ((11e-6, 4e-6), (17e-6, 6.35e-6))


def measured_outputs(surface_share: float) -> list[tuple[NDArray[np.float64], float, float]]:
    """Predict the measured curve for both ends of what is likely: level, peak in Hz, 5 kHz over 500 Hz."""
    found, kind = [], {"separation": 0.5e-6, "track_width": 1e-3, "azimuth_angle": 0.0}
    for coating, gap in _OF_1957:
        head = response.HeadContact(gap=gap, coating_thickness=coating, surface_share=surface_share, **kind)
        # As much flux at every frequency, and a voltage that doubles with each octave.
        level = _db(FREQUENCIES) + response.contact_loss_db(FREQUENCIES, MEASURED_SPEED, head)
        low, high = np.interp(np.log(MEASURED_TONES), np.log(FREQUENCIES), level)
        found.append((level - low, float(FREQUENCIES[np.argmax(level)]), float(high - low)))
    return found


@figure("what the model of the tape says of a measured curve", lambda _: {}, units=True)
def measured_output(canvas: Canvas) -> Drawn:
    """Draw a curve measured without equalizers, and what the model of the coating makes of it.

    >>> list(measured_output().artists)
    ['model', 'middle', 'even', 'tones', 'peak']
    """
    axes, profile = canvas.axes, canvas.profile
    (bright, *first), (dull, *last) = measured_outputs(standards.DEFAULT_SURFACE_SHARE)
    even, even_peak, even_db = measured_outputs(1.0)[0]
    (high, high_db), (low, low_db) = first, last
    canvas.head(
        "A weak surface explains what was measured",
        f"a curve of 1957, without equalizers, at {canvas.speed(MEASURED_SPEED)}",
        answer=f"{low_db - MEASURED_DB:.1f} to {high_db - MEASURED_DB:.1f} dB",
        means="more at 5 kHz than was read",
        role="tape",
    )
    band = _shade(canvas, FREQUENCIES, dull, bright, "ribbon", alpha=0.5)
    (middle,) = axes.plot(FREQUENCIES, (dull + bright) / 2, **canvas.line_look("tape"))
    (line,) = axes.plot(FREQUENCIES, even, **canvas.line_look("context", linestyle=style.DASHED))
    bars = canvas.dots() | {"elinewidth": profile.line_pt, "capsize": 2 * profile.line_pt}
    tones = axes.errorbar(MEASURED_TONES, (0, MEASURED_DB), (0, READ_WITHIN_DB), **bars)
    peak = axes.errorbar([MEASURED_PEAK], [6], xerr=[READ_WITHIN * MEASURED_PEAK], **bars)
    canvas.style_response(y=("level", "$L$", "dB"))
    style.frequency_axis(axes, profile, low=200, high=AUDIBLE[1])
    axes.set_ylim(-8, 15)
    names = ("$m$ = 0.2", "$m$ = 1") if canvas.symbols_only else ("weak\nsurface", "even\ncoating")
    canvas.name_lines((middle, line), names)
    if not canvas.symbols_only:
        canvas.note((MEASURED_PEAK, 6), "peak" if profile.narrow else "measured peak", "below")
        canvas.note((MEASURED_TONES[0], 0), "measured", "lower right")
    said = (
        f"the peak was read at {frequency_text(MEASURED_PEAK)} and comes out at {frequency_text(low)} to "
        f"{frequency_text(high)}; 5 kHz was {MEASURED_DB:.0f} dB above 500 Hz and comes out at "
        f"{low_db:.1f} to {high_db:.1f} dB, {low_db - MEASURED_DB:.1f} to {high_db - MEASURED_DB:.1f} dB off"
    )
    return Drawn(
        canvas.figure,
        {"model": band, "middle": middle, "even": line, "tones": tones, "peak": peak},
        f"Playback without equalizers at {canvas.speed(MEASURED_SPEED)}, for coatings of 11 to "
        f"17 \N{MICRO SIGN}m and gaps of 4 to 6.35 \N{MICRO SIGN}m: {said}. An evenly magnetized coating is "
        f"{even_db - MEASURED_DB:.1f} dB off.",
        "Line chart of level in dB over frequency from 200 Hz to 20 kHz: a line in a shaded band, and a "
        "dashed one above it, rise with the frequency, peak and fall; dots with bars, what was measured. The "
        f"dashed line, an evenly magnetized coating, peaks at {frequency_text(even_peak)}.",
        ("Elements of Tape Recorder Circuits, 1957, figure 601", "R. L. Wallace 1951; O. Tjaden 1959"),
    )


@figure(
    "what the poles of the head do to the bass",
    lambda m: {"speed": m.speeds[0], "pole_length": m.pole_length},
    suits=lambda m: WAVES_SHOWN[0] * m.speeds[0] < 1e3 * m.pole_length,
    needs="poles that make waves in the bass",
    units=True,
)
def head_bumps(canvas: Canvas, *, speed: float, pole_length: float) -> Drawn:
    """Draw the response of the poles: from none to the most there can be, and the middle estimate.

    >>> print(head_bumps(speed=0.1905, pole_length=5e-3).caption)
    Poles of 5 mm at 19.05 cm/s: up near 28 Hz, likely by 1.5 dB, by 3.3 dB at most; down near 66 Hz, likely
    by 1.2 dB, by 3.5 dB at most.
    """
    axes = canvas.axes
    top = float(np.clip(WAVES_SHOWN[1] * speed / pole_length, 100, 2e3))
    low = max(AUDIBLE[0], WAVES_SHOWN[0] * speed / pole_length)
    f = np.geomspace(low, top, 1200)
    middle, most = (_db(contour.bump_gain(pole_length * f / speed, shape)) for shape in ("blocks", "plates"))
    long = amount(pole_length, "mm", ".2g") if canvas.units == "metric" else canvas.length(pole_length)
    peak = int(np.argmax(np.abs(most)))
    strong = abs(most[peak]) > 1
    canvas.head(
        "The head's poles make waves in the bass" if strong else "The head's poles hardly touch the bass",
        f"poles of {long} at {canvas.speed(speed)}",
        answer=minus(f"{most[peak]:+.1f} dB"),
        means=f"at most, near {frequency_text(f[peak])}",
        role="tape",
    )
    band = _shade(canvas, f, 0, most, "ribbon", alpha=0.5)
    (worst,) = axes.plot(f, most, **canvas.line_look("tape", linewidth=canvas.profile.line_pt / 2))
    (likely,) = axes.plot(f, middle, **canvas.line_look("tape"))
    canvas.style_response(y=("level", "$L$", "dB"))
    style.frequency_axis(axes, canvas.profile, low=low, high=top)
    axes.xaxis.set_major_locator(FixedLocator([tick for tick in ROUND if low <= tick <= top]))
    reach = (1.75 if canvas.profile.portrait else 1.5) * max(abs(most[peak]), 0.5)  # and the name below
    axes.set_ylim(-reach, reach)
    names = ("$L$", "max") if canvas.symbols_only else ("likely", "at most")
    inside = np.searchsorted(f, 1.6 * low)  # so that no name meets the axis
    crest, far = (inside + int(np.argmax(curve[inside:])) for curve in (middle, np.abs(most)))
    canvas.note((f[crest], middle[crest]), names[0], "below", "tape", **canvas.plate())
    side = "above" if most[far] > 0 else "below"
    canvas.note((f[far], most[far]), names[1], side, "tape", **canvas.plate())
    ratios = np.linspace(0.4, 2.2, 901)
    usual, largest = (_db(contour.bump_gain(ratios, shape)) for shape in ("blocks", "plates"))
    at = [(int(of(usual)), int(of(largest))) for of in (np.argmax, np.argmin)]
    said = [
        f"near {frequency_text((ratios[i] + ratios[k]) / 2 * speed / pole_length)}, likely by "
        f"{abs(usual[i]):.1f} dB, by {abs(largest[k]):.1f} dB at most"
        for i, k in at
    ]
    return Drawn(
        canvas.figure,
        {"likely": likely, "most": worst, "band": band},
        f"Poles of {long} at {canvas.speed(speed)}: up {said[0]}; down {said[1]}.",
        "Line chart of level in dB over frequency in the bass: a wavy line, up, down and up again, ever "
        "less, inside a shaded band from 0 dB to a line that waves twice as much.",
        ("reciprocity, Westmijze 1953 (from memory); both forms worked out here, no source",),
    )


@figure("why every repeat is darker", lambda m: {"one_pass": m.one_pass(m.speeds[0])}, units=True)
def repeats_response(canvas: Canvas, *, one_pass: response.OnePass, repeats: int = 8) -> Drawn:
    """Draw the response of the first and each later repeat, 1 to 12: every pass is darker.

    >>> from tapecalc.machine import example_machine
    >>> drawn = repeats_response(one_pass=example_machine().one_pass(0.1905), repeats=3)
    >>> len(drawn.artists["repeats"])
    3
    """
    axes, profile, speed = canvas.axes, canvas.profile, canvas.speed(one_pass.speed)
    even = replace(one_pass, pole_shape="flat")
    bands = [response.bandwidth(even, passes=n) for n in range(1, repeats + 1)]
    darker = bands[-1][1] is not None and bands[-1][1] < AUDIBLE[1]
    canvas.head(
        "Every repeat is darker than the last" if darker else "The repeats keep their treble",
        f"repeats 1 to {repeats} at {speed}" if repeats > 1 else f"repeat 1 at {speed}",
        answer=edge_text(bands[-1][1]),
        means=f"is the top of repeat {repeats}, 3 dB down",
    )
    f = audible(one_pass.today, one_pass.speed)
    outer, inner = (response.repeat_level_db(even, f, n) for n in (1, repeats))
    treble = f > 1e3
    _shade(canvas, f[treble], inner[treble], outer[treble], "echo", alpha=0.15)
    levels = [response.repeat_level_db(one_pass, f, n) for n in range(1, repeats + 1)]
    widths, lines = np.linspace(1.2, 0.5, repeats) * profile.line_pt, []
    for n, color in enumerate(style.sequence(profile, repeats)):
        look = canvas.line_look("echo", color=color, linewidth=widths[n], zorder=3 - 0.01 * n)
        lines += axes.plot(f, levels[n], **look)
    canvas.style_response(y=("level", "$L$", "dB"))
    axes.set_ylim(DARKEST_DB, float(np.clip(np.max(levels) + 1.5, 3, 20)))
    tops = [(edge, _at(edge, f, db)) for (_, edge), db in zip(bands, levels, strict=True) if edge]
    tops = [(edge, db) for edge, db in tops if edge < AUDIBLE[1] and db > DARKEST_DB]
    dots = canvas.dots(2.2, color=canvas.color("echo"))
    marks = axes.plot([edge for edge, _ in tops], [db for _, db in tops], **dots)
    number, ends = "$n$ = {}" if canvas.symbols_only else "repeat {}", []
    for n, side in {1: "right", repeats: "left"}.items():
        shown = np.flatnonzero(levels[n - 1] > DARKEST_DB + 8)
        if shown.size and shown[-1] < f.size - 1:
            end = f[shown[-1]], levels[n - 1][shown[-1]]
            canvas.note(end, number.format(n), side, color=lines[n - 1].get_color())
        else:
            ends.append(n)
    canvas.name_lines([lines[n - 1] for n in ends], map(number.format, ends))
    first, last = (_band(*band) for band in (bands[0], bands[-1]))
    but = ", but for the bumps of the head" if one_pass.pole_length and even != one_pass else ""
    return Drawn(
        canvas.figure,
        {"repeats": lines, "tops": marks},
        f"Response of repeats 1 to {repeats} at {speed}, from thick and strong to thin and pale. Within "
        f"3 dB{but}: repeat 1 from {first}, repeat {repeats} from {last}.",
        f"Line chart of level in dB over frequency, {repeats} nested curves, each thinner and narrower than "
        "the one before, with waves in the bass that grow from repeat to repeat; a dot where each ends in "
        f"the treble. Repeat 1 keeps {first}, repeat {repeats} {last} within 3 dB.",
        ("n passes are n times one pass in dB",),
    )


def heard_repeats(machine: Machine, loop: loops.EchoLoop) -> tuple[float, float, int]:
    """Say how a loop fades: its return send, dB, by how many dB each repeat is quieter, how many are heard.

    As the machine has it, at most `MOST_REPEATS`; where it runs away, the send in the middle of what gives
    the wanted repeats.
    """
    song, send_db = machine.song, machine.mixer.return_send_db
    flat = replace(loop, one_pass=replace(loop.one_pass, pole_shape="flat"))  # as the plan counts repeats
    gain_db = -loops.stability(flat, count_modes=False).bound_db
    if gain_db >= 0 or not loops.stability(loop, count_modes=False).stable:
        wanted_db = song.faded_db / (song.wanted_repeats - 0.5)
        send_db, gain_db = send_db + wanted_db - gain_db, wanted_db
    return send_db, -gain_db, int(min(loops.repeats_heard(gain_db, song.faded_db), MOST_REPEATS))


def _last_repeat(machine: Machine) -> dict[str, Any]:
    loop = machine.echo_loop(machine.speeds[0])
    return {"one_pass": loop.one_pass, "number": heard_repeats(machine, loop)[2]}


def bright_note(time: NDArray[np.float64], level_db: Any = None) -> NDArray[np.float64]:
    """Sound harmonics of `NOTE`, each as loud as ``1 / k``, the last of them less, over time in s.

    `level_db` is what a response does to them, of their frequencies; their phases stay.
    """
    numbers = np.arange(1, HARMONICS / NOTE)
    gains = np.sinc(NOTE * numbers / HARMONICS) / numbers  # so that the steep edge does not ripple
    if level_db is not None:
        gains = gains * 10 ** (level_db(NOTE * numbers) / 20)
    return np.sin(2 * np.pi * NOTE * time[..., None] * numbers) @ gains


@figure("what is left of a note in the last repeat", _last_repeat, units=True)
def one_repeat(canvas: Canvas, *, one_pass: response.OnePass, number: int = 5) -> Drawn:
    """Draw what the passes up to one repeat leave: of all frequencies, and of the wave of a bright note.

    The first repeat is thin. Levels count from what a flat pass gives; how loud the repeats are is no part.

    >>> from tapecalc.machine import example_machine
    >>> list(one_repeat(one_pass=example_machine().one_pass(0.1905)).artists)
    ['first', 'repeat', 'played', 'wave', 'name', 'name of wave', 'levels', 'waves', 'tops']
    """
    profile, speed, f = canvas.profile, canvas.speed(one_pass.speed), audible(one_pass.today, one_pass.speed)
    even = replace(one_pass, pole_shape="flat")
    tops = [response.bandwidth(even, passes=n)[1] for n in range(1, number + 1)]
    darker, dull = (tops[-1] is not None and tops[-1] < edge for edge in (AUDIBLE[1], TREBLE))
    canvas.head(
        f"Repeat {number} has {'kept' if not darker else 'lost' if dull else 'lost some of'} its treble",
        f"a note of {frequency_text(NOTE)}, {number} pass{'es' if number > 1 else ''} at {speed}",
        answer=edge_text(tops[-1]),
        means=f"is the top of repeat {number}, 3 dB down",
    )
    wave_axes = _axes_below(canvas)
    levels = [response.repeat_level_db(one_pass, f, n) for n in range(1, number + 1)]
    top = float(np.clip(np.max(levels) + 1.5, 3, 20))
    levels = [np.where(level < DARKEST_DB, np.nan, level) for level in levels]
    thin = canvas.line_look("context", linewidth=style.STRUCTURE * profile.line_pt)
    (first,) = canvas.axes.plot(f, levels[0], **thin)
    (line,) = canvas.axes.plot(f, levels[-1], **canvas.line_look("echo"))
    canvas.style_response(y=("level", "$L$", "dB"))
    canvas.axes.set_ylim(DARKEST_DB - ROOM * (top - DARKEST_DB), top)
    canvas.axes.yaxis.set_major_locator(MultipleLocator(20 if top > 6 or profile.portrait else 10))
    time = finely(0, WAVES / NOTE, 1 / NOTE)
    before = bright_note(time)
    waves = [
        bright_note(time, lambda at, n=n: response.repeat_level_db(one_pass, at, n))
        for n in range(1, number + 1)
    ]
    (played,) = wave_axes.plot(1e3 * time, before, **canvas.line_look("dry", linewidth=thin["linewidth"]))
    (wave,) = wave_axes.plot(1e3 * time, waves[-1], **canvas.line_look("echo"))
    style.style_axes(wave_axes, profile, x=canvas.label("time", "$t$", "ms"), grid=None)
    reach = 1.1 * float(np.abs([before, *waves]).max())
    wave_axes.set(xlim=(0, 1e3 * time[-1]), ylim=(-reach, reach), yticks=[])
    last = f"no. {number}" if profile.narrow else f"repeat {number}"
    of_first, of_last = ("$n$ = 1", f"$n$ = {number}") if canvas.symbols_only else ("first", last)
    pairs = [(first, of_first), (line, of_last)][number == 1 :]
    names = name_lines(canvas.axes, profile, *zip(*pairs, strict=True))
    short = "$n$ = 0" if canvas.symbols_only else "played"
    of_waves = name_lines(wave_axes, profile, [played, wave], [short, of_last])
    said = f"at {speed} repeat {number} keeps {_band(*response.bandwidth(even, passes=number))} within 3 dB"
    return Drawn(
        canvas.figure,
        {
            "first": first,
            "repeat": line,
            "played": played,
            "wave": wave,
            "name": names[-1],
            "name of wave": of_waves[-1],
        }
        | {"levels": levels, "waves": waves, "tops": tops},
        f"What is left of a bright note: {said}, repeat 1 {_band(*response.bandwidth(even))}.",
        "Two charts. Above, level in dB over frequency: a thin line, the first repeat, and a thick one "
        f"below it at both ends. Below, two waves of a note of {frequency_text(NOTE)} over time in ms: "
        f"as played, a steep saw, and as repeat {number}, rounder; {said}.",
        ("n passes are n times one pass in dB", "the note: harmonics k at 1 / k, no source"),
    )


def _band(low: float | None, high: float | None) -> str:
    """Say from where to where a band reaches; None where the response has not fallen."""
    start = "0 Hz" if low is None else frequency_text(low)
    return f"{start} to {'beyond hearing' if high is None else frequency_text(high)}"


def _axes_below(canvas: Canvas) -> Axes:
    """Divide the place of the axes, and return new ones in the lower part."""
    spec = canvas.axes.get_subplotspec()
    if spec is None:
        raise ValueError("axes must be those of a subplot, for there are two charts")
    rows = spec.subgridspec(2, 1, height_ratios=(3, 2))
    canvas.axes.set_subplotspec(rows[0])
    return canvas.figure.add_subplot(rows[1])
