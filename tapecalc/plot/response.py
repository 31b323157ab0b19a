"""Figures of losses and equalization."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc import contour, response, standards
from tapecalc.calc.units import to_si
from tapecalc.plot import style
from tapecalc.plot.kit import AUDIBLE, FREQUENCIES, Canvas, Drawn, figure, minus
from tapecalc.plot.style import frequency_text
from tapecalc.words import amount, listed

BUMPS_UP_TO = 500.0  # Hz, of their figure


def audible(contact: response.HeadContact, speed: float) -> NDArray[np.float64]:
    """Divide the audible range so finely that no null of gap or azimuth is passed over.

    Where nulls come so closely that no picture can show them the steps stay at 0.5 Hz.
    """
    apart = [speed / length for length in _slits(contact) if length > 0 and speed / length < AUDIBLE[1]]
    if not apart:
        return FREQUENCIES
    step = max(min(apart) / 40, 0.5)
    return np.union1d(FREQUENCIES, step * np.arange(np.ceil(AUDIBLE[0] / step), AUDIBLE[1] / step))


def _slits(contact: response.HeadContact) -> tuple[float, float]:
    """Length of tape that the gap takes in, and that the track does because the gap is tilted."""
    return contact.gap * contact.gap_factor, contact.track_width * abs(math.tan(contact.azimuth_angle))


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
    at_10k = {name: np.interp(np.log(10e3), np.log(f), curve) for name, curve in curves.items()}
    worst = min(list(curves)[:-1], key=at_10k.__getitem__)
    canvas.head(
        f"The {worst} takes the most treble",
        f"one playback at {canvas.speed(speed)}, before any equalizer",
        answer=minus(f"{at_10k['sum']:.0f} dB"),
        means="all losses at 10 kHz",
    )
    lines = {}
    for name, curve in curves.items():
        look = (
            canvas.line_look("echo")
            if name == "sum"
            else canvas.line_look("tape", linewidth=canvas.profile.line_pt / 2)
        )
        (lines[name],) = canvas.axes.plot(f, curve, **look)
    canvas.style_response(y=("loss", "$A$", "dB"))
    canvas.axes.set_ylim(-30, 1.5)
    symbols = ("$c$", "$s$", "$g$", r"$\alpha$", r"$\Sigma$")
    canvas.name_lines(lines.values(), symbols if canvas.symbols_only else lines)
    said = minus(listed(f"{name} {loss:.1f} dB" for name, loss in at_10k.items()))
    return Drawn(
        canvas.figure,
        lines,
        f"Losses of one playback at {canvas.speed(speed)}; at 10 kHz: {said}.",
        "Line chart of loss in dB over frequency from 20 Hz to 20 kHz; five curves that start at 0 dB and "
        f"bend down towards high frequencies. At 10 kHz: {said}.",
        (
            "spacing and thickness: R. L. Wallace, Bell System Technical Journal 30, 1951 (from memory)",
            "weak surface of the coating: O. Tjaden 1959, as told by J. McKnight 2017",
            "gap: J. Eargle, Electroacoustical Reference Data, 1994",
        ),
    )


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
    aligned = {canvas.speed(one.speed): replace(one, today=one.aligned, pole_shape="flat") for one in passes}
    speed, first = next(iter(aligned.items()))
    curves = {
        "record": lambda f: _db(first.record_gain(f)),
        "tape": lambda f: response.contact_loss_db(f, first.speed, first.aligned),
        "playback": lambda f: _db(first.playback_gain(f)),
    } | {name: one.level_db for name, one in aligned.items()}
    thick, lines = {"color": canvas.profile.ground.text, "linewidth": 1.3 * canvas.profile.line_pt}, {}
    for k, (name, curve) in enumerate(curves.items()):
        look = canvas.line_style(max(k - 3, 0)) | thick if k > 2 else canvas.line_style(k)
        (lines[name],) = canvas.axes.plot(FREQUENCIES, curve(FREQUENCIES), **look)
    window = _home_window(canvas)
    canvas.style_response(f"What undoes the losses at {speed}", y=("level", "$L$", "dB"))
    canvas.axes.set_ylim(-30, 20)
    canvas.name_lines(lines.values(), ("$R$", "$A$", "$P$", *aligned) if canvas.symbols_only else lines)
    parts = minus(listed(f"{name} {curve(10e3):+.1f} dB" for name, curve in list(curves.items())[:3]))
    bands = {name: response.home_band(one) for name, one in aligned.items()}
    said = listed(
        f"at {name} {'all of it' if band == standards.HOME_BAND else _band(*band)}"
        for name, band in bands.items()
    )
    return Drawn(
        canvas.figure,
        lines | {"window": window},
        f"As aligned, at {speed} and 10 kHz: {parts}. Inside the window for the home: {said}.",
        "Line chart of level in dB over frequency from 20 Hz to 20 kHz. Record and playback equalizer rise "
        "as the losses of tape and head fall; what comes out is flat in the middle and bends down smoothly, "
        "before a shaded window of 5 dB from 250 Hz to 6.3 kHz and of 7 dB from 40 Hz to 12.5 kHz.",
        ("equalizers: IEC 60094-1:1981", "window: DIN 45 500 sheet 4; that it has one upper edge is ours"),
    )


def _db(gain: Any) -> Any:
    return 20 * np.log10(np.abs(gain))


def _home_window(canvas: Canvas) -> Any:
    """Shade the window in which a machine for the home must stay."""
    ends = np.repeat([standards.HOME_BAND[0], *standards.HOME_MIDDLE, standards.HOME_BAND[1]], 2)[1:-1]
    middle, outside = standards.HOME_WINDOWS_DB
    return _shade(canvas, ends, [-outside, -outside, -middle, -middle, -outside, -outside], 0)


def _shade(canvas: Canvas, x: Any, low: Any, high: Any) -> Any:
    """Fill what lies between two curves, quietly."""
    fill = canvas.profile.ground.fill
    return canvas.axes.fill_between(x, low, high, facecolor=fill, linewidth=0, zorder=0)


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
    band = _shade(canvas, f, least, most)
    (coat,) = axes.plot(f, thin, **canvas.line_style(0))
    edges = [axes.plot(f, edge, **canvas.line_style(1))[0] for edge in (least, most)]
    canvas.style_response("Half the coating, half the gap", y=("change", r"$\Delta L$", "dB"))
    axes.set_ylim(-8, 8)
    canvas.name_lines((coat, edges[1]), ("$c$", "$g$") if canvas.symbols_only else ("coating", "gap"))
    bass, tone = (np.interp(np.log(at), np.log(f), thin) for at in (100, 10e3))
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
    band = _shade(canvas, FREQUENCIES, dull, bright)
    (middle,) = axes.plot(FREQUENCIES, (dull + bright) / 2, **canvas.line_style(0))
    (line,) = axes.plot(FREQUENCIES, even, **canvas.line_style(1))
    bars = canvas.dots() | {"elinewidth": profile.line_pt, "capsize": 2 * profile.line_pt}
    tones = axes.errorbar(MEASURED_TONES, (0, MEASURED_DB), (0, READ_WITHIN_DB), **bars)
    peak = axes.errorbar([MEASURED_PEAK], [-8], xerr=[READ_WITHIN * MEASURED_PEAK], **bars)
    canvas.style_response("Measured in 1957, without equalizers", y=("level", "$L$", "dB"))
    axes.set_ylim(-10, 16)
    names = ("$m$ = 0.2", "$m$ = 1") if canvas.symbols_only else ("weak surface", "even coating")
    canvas.name_lines((middle, line), names)
    if not canvas.symbols_only:
        canvas.note((MEASURED_PEAK, -8), "measured peak", "above")
        canvas.note((MEASURED_TONES[1], MEASURED_DB - READ_WITHIN_DB), "measured", "below")
    (high, high_db), (low, low_db) = first, last
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
        "Line chart of level in dB over frequency from 20 Hz to 20 kHz: a line in a shaded band, and one "
        "above it, rise with the frequency, peak and fall; dots with bars, what was measured. The upper "
        f"line, an evenly magnetized coating, peaks at {frequency_text(even_peak)}.",
        ("Elements of Tape Recorder Circuits, 1957, figure 601", "R. L. Wallace 1951; O. Tjaden 1959"),
    )


@figure(
    "what the poles of the head do to the bass",
    lambda m: {"speed": m.speeds[0], "pole_length": m.pole_length},
    suits=lambda m: m.pole_length,
    needs="poles of some length",
    units=True,
)
def head_bumps(canvas: Canvas, *, speed: float, pole_length: float) -> Drawn:
    """Draw the response of the poles: from none to the most there can be, and the middle estimate.

    >>> print(head_bumps(speed=0.1905, pole_length=5e-3).caption)
    Poles of 5 mm at 19.05 cm/s: up near 28 Hz, likely by 1.5 dB, by 3.3 dB at most; down near 66 Hz, likely
    by 1.2 dB, by 3.5 dB at most.
    """
    axes = canvas.axes
    f = np.geomspace(AUDIBLE[0], BUMPS_UP_TO, 1200)
    middle, most = (_db(contour.bump_gain(pole_length * f / speed, shape)) for shape in ("blocks", "plates"))
    band = _shade(canvas, f, 0, most)
    (worst,) = axes.plot(f, most, **canvas.line_style(1))
    (likely,) = axes.plot(f, middle, **canvas.line_style(0))
    long = amount(pole_length, "mm", ".2g") if canvas.units == "metric" else canvas.length(pole_length)
    canvas.style_response(f"What poles of {long} do to the bass", y=("level", "$L$", "dB"))
    style.frequency_axis(axes, canvas.profile, low=AUDIBLE[0], high=BUMPS_UP_TO)
    axes.set_ylim(-5, 5)
    names = ("$L$", "max") if canvas.symbols_only else ("likely", "at most")
    canvas.name_lines((likely, worst), names)
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
    lines, f = [], audible(one_pass.today, one_pass.speed)
    for n, color in enumerate(style.sequence(profile, repeats), 1):
        level = response.repeat_level_db(one_pass, f, n)
        lines += axes.plot(f, level, color=color, linewidth=profile.line_pt)
    canvas.style_response(f"Every repeat is darker, {speed}", y=("level", "$L$", "dB"))
    axes.set_ylim(-36, 3)
    number = "{}" if profile.portrait else "$n$ = {}" if canvas.symbols_only else "repeat {}"
    for n, floor, side in ((repeats, -26, "left"), (1, -36, "right")):
        points = np.array(lines[n - 1].get_xydata())
        inside = points[points[:, 1] > floor]
        if inside.size:
            canvas.note(inside[-1], number.format(n), side)
    even = replace(one_pass, pole_shape="flat")
    first, last = (_band(*response.bandwidth(even, passes=passes)) for passes in (1, repeats))
    but = ", but for the bumps of the head" if one_pass.pole_length and even != one_pass else ""
    return Drawn(
        canvas.figure,
        {"repeats": lines},
        f"Response of repeats 1 to {repeats} at {speed}, dark to light. Within 3 dB{but}: repeat 1 from "
        f"{first}, repeat {repeats} from {last}.",
        f"Line chart of level in dB over frequency, {repeats} nested curves, each narrower than the one "
        f"before, with waves in the bass that grow from repeat to repeat. Repeat 1 keeps {first}, repeat "
        f"{repeats} {last} within 3 dB.",
        ("n passes are n times one pass in dB",),
    )


def _band(low: float | None, high: float | None) -> str:
    """Say from where to where a band reaches; None where the response has not fallen."""
    start = "0 Hz" if low is None else frequency_text(low)
    return f"{start} to {'beyond hearing' if high is None else frequency_text(high)}"
