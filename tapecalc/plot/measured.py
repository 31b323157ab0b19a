"""Figures of a measurement: the delay against time, the flutter spectrum, the response of one pass."""

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator
from numpy.typing import NDArray

from tapecalc.calc.flutter import null_rates
from tapecalc.calc.parts import Verdict
from tapecalc.calc.units import from_si
from tapecalc.measuring.delay import DelayTrack
from tapecalc.measuring.flutter import RECORD_MODES, FlutterLine, FlutterReading
from tapecalc.measuring.response import PassResponse, WhatIf
from tapecalc.plot.flutter import LONGEST, PITCH_OF_A_REPEAT, Names
from tapecalc.plot.kit import Canvas, Drawn, figure
from tapecalc.plot.style import DASHED, frequency_axis, frequency_text
from tapecalc.words import amount

RATES = (0.2, 200.0)  # Hz, the range of flutter. Source: AES6-2008 = IEC 60386 (from memory)
STEPS = 500  # along a long axis: more cannot be seen
MOST_NAMED = 6  # lines of a flutter spectrum that get a name,
SHALLOWEST = 0.03  # if they are at least so deep against the deepest
NAMELESS = ("a line", "not in the list")  # what lines without a part are called
MOST_BLIND = 8  # rates that are marked as not to be seen
DEEPEST = 1000.0  # how far below the tallest line a flutter spectrum is drawn
LOWEST_DB = -40.0
WELL_DB = 1.0  # rms that an explanation may leave unexplained
CLOSE = 4.0  # difference of chi-square within which two explanations cannot be told apart

Array = NDArray[np.floating[Any]]


# ---- delay ----


@figure()
def delay_over_time(canvas: Canvas, *, track: DelayTrack) -> Drawn:
    """Draw a measured delay against time, its mean, and how sure the mean is.

    Gaps without sound stay gaps.

    >>> from tapecalc.measuring import measure_delay, open_recording
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = open_recording(np.stack([noise, np.roll(noise, 9600)], axis=1), sample_rate=48000)
    >>> drawn = delay_over_time(track=measure_delay(both))
    >>> drawn.artists["mean"].get_ydata().round(3).tolist()
    [200.0, 200.0]
    """
    axes, profile = canvas.axes, canvas.profile
    time, delay = _thinned(track.time, from_si(track.track, "ms"))
    mean, spread = from_si(track.total.value, "ms"), from_si(track.total.plus_minus, "ms")
    swing, each = (from_si(x, "us") for x in (np.std(track.track), np.median(track.track_plus_minus)))
    pace = float(np.median(np.diff(track.time))) if len(track.time) > 1 else 0.0
    told, _, sure = track.total.text("ms").partition(" +/- ")
    canvas.head(
        f"The delay swings by {float(f'{swing:.2g}'):g} \N{MICRO SIGN}s rms"
        if swing > each
        else "The delay moves less than can be read",
        f"readings {amount(pace, 'ms')} apart" if pace else "one reading",
        answer=told if told.endswith("ms") else f"{told} ms",
        means=f"on average, +/- {sure}" if sure else "on average",
    )
    thin: dict[str, Any] = {"linewidth": 0.6 * profile.line_pt, "markersize": 1.5 * profile.line_pt}
    (line,) = axes.plot(time, delay, **canvas.line_look("echo", marker=".", **thin))
    ends = float(np.nanmin(time)), float(np.nanmax(time))
    band = axes.fill_between(ends, mean - spread, mean + spread, color=profile.ground.grid, linewidth=0)
    half = profile.line_pt / 2
    (middle,) = axes.plot(ends, [mean, mean], **canvas.line_look("frame", linewidth=half, zorder=3))
    canvas.style_axes(x=("time", "$t$", "s"), y=("delay", "$T$", "ms"))
    reach = 1.15 * max(float(np.nanmax(np.abs(delay - mean))), spread, 1e-3)
    margin = 0.02 * (ends[1] - ends[0]) + 0.05
    axes.set(xlim=(ends[0] - margin, ends[1] + margin), ylim=(mean - reach, mean + reach))
    axes.ticklabel_format(axis="y", useOffset=False)
    canvas.name_lines([middle], [r"$\bar{T}$" if canvas.symbols_only else "mean"])
    said = f"mean {track.total.text('ms')}, swing {swing:.1f} \N{MICRO SIGN}s rms"
    return Drawn(
        canvas.figure,
        {"track": line, "mean": middle, "band": band},
        f"Measured delay against time: {said}.",
        f"Line chart of delay in ms over time in s, {len(track.time)} readings, each good to {each:.2g} "
        f"\N{MICRO SIGN}s, about a level line for the mean with a band for its 95 % interval: {said}.",
        ("least squares for a shift, window by window",),
    )


def _thinned(time: Array, values: Array) -> tuple[Array, Array]:
    """At most some 2000 readings, averaged over neighbors; a break where there was no sound."""
    size = max(1, len(time) // (4 * STEPS))
    full = len(time) // size * size
    time, values = (np.asarray(part[:full]).reshape(-1, size).mean(axis=1) for part in (time, values))
    steps = np.diff(time)
    usual = np.median(steps) if len(steps) else 0.0
    breaks = np.flatnonzero(steps > 4 * usual) + 1
    return np.insert(time, breaks, np.nan), np.insert(values, breaks, np.nan)


# ---- flutter ----


@figure()
def flutter_spectrum(
    canvas: Canvas, *, reading: FlutterReading, verdicts: Sequence[Verdict] = (), delay: float | None = None
) -> Drawn:
    """Draw a flutter spectrum as read, its lines, the machine's own wobble, and the turning parts.

    The `verdicts` of `parts.fingerprint` name lines after parts. The `delay` in s of the head that played the
    tone marks the rates that a tone recorded and played at once cannot show.

    >>> from tapecalc.measuring import measure_flutter, open_recording
    >>> t = np.arange(10 * 16000) / 16000
    >>> wobble = 0.001 * np.cos(2 * np.pi * 4 * t) / (2 * np.pi * 4)
    >>> tape = open_recording(0.5 * np.sin(2 * np.pi * 3150 * (t + wobble)), sample_rate=16000)
    >>> flutter_spectrum(reading=measure_flutter(tape, record_mode="test tape")).caption
    'Flutter spectrum: weighted 0.09974 % +/- 0.00025 %; a line at 4.00 Hz, 0.100 %.'
    """
    axes, profile, through = canvas.axes, canvas.profile, reading.record_mode == "simultaneous"
    lines = [line for line in reading.lines if line.depth.value >= SHALLOWEST * reading.lines[0].depth.value]
    lines = lines[:MOST_NAMED]
    rates = np.array([line.rate.value for line in lines])
    read = np.array([from_si(line.depth.value, "percent") for line in lines])
    depths = [line.element_depth if through else None for line in lines]
    own = np.array([from_si(depth.value, "percent") if depth is not None else 0.0 for depth in depths])
    blind = null_rates(delay, RATES[1])[:MOST_BLIND] if delay is not None and through else np.array([])
    rate, depth = _outline(reading.rate, from_si(reading.depth, "percent"))
    tallest = max(float(depth.max()), 1e-6, *read.tolist())
    floor = tallest / DEEPEST
    blamed = {verdict.frequency: verdict for verdict in verdicts}
    names = [_name(blamed.get(line.rate.value)) for line in lines]
    size, loudest = np.maximum(read, own), np.argmax(np.where(own > 0, own, read)) if lines else 0
    canvas.head(
        _finding(names[loudest], rates[loudest]) if lines else "No part stands out",
        f"a tone {RECORD_MODES[reading.record_mode]}",
        answer=amount(reading.weighted.value, "percent", ".2g"),
        means="wow and flutter, weighted",
    )
    thin = canvas.line_look("context", linewidth=0.6 * profile.line_pt)
    (spectrum,) = axes.plot(rate, np.maximum(depth, floor), **thin)
    dots = {"clip_on": False, "markersize": 3 * profile.line_pt}
    (as_read,) = axes.plot(rates, read, **canvas.dots(color=canvas.color("echo"), **dots))
    (by_machine,) = axes.plot(
        rates[own > 0], own[own > 0], **canvas.dots(color=canvas.color("tape"), marker="s", **dots)
    )
    marks = canvas.dots(4, color=canvas.color("limit"), marker="|", markeredgewidth=profile.line_pt / 2)
    (hidden,) = axes.plot(blind, np.full(len(blind), 1.3 * floor), **marks)
    _by_decades(axes, floor, tallest, narrow=profile.narrow)
    canvas.style_axes(x=("rate of the wobble", "$f_m$", "Hz"), y=("peak deviation", "$m$", "%"))
    words = Names(canvas)
    if blind.size:
        text = "$k/T$" if canvas.symbols_only else "cannot be seen"
        where, side = (RATES[1], "left") if profile.narrow else (blind[-1], "right")
        look: dict[str, Any] = {"va": "bottom"} if profile.narrow else {}
        canvas.note((where, 1.5 * floor), text, side, "limit", **look | canvas.plate())
    if through and (own > 0).any():
        short = ("$m$", "$m_0$") if canvas.symbols_only else ("as read", "its own")
        known = own > 0
        words.tell(rates[known], {"echo": read[known], "tape": own[known]}, short)
    if not canvas.symbols_only:
        words.put(rates, size, names)
    said = [f"{name} at {_line_words(line, own=through)}" for name, line in zip(names, lines, strict=True)]
    told = "; ".join(said) or "no line stands out"
    return Drawn(
        canvas.figure,
        {"spectrum": spectrum, "read": as_read, "own": by_machine, "blind": hidden},
        f"Flutter spectrum: weighted {reading.weighted.text('percent')}; {told}.",
        "Line chart of deviation in percent, zero to peak, over the rate of the wobble in Hz, both "
        f"logarithmic; a dot on each line that stands out, a square for the machine's own wobble: {told}.",
        ("AES6-2008, IEC 60386", PITCH_OF_A_REPEAT),
    )


def _name(verdict: Verdict | None) -> str:
    """What a line is called: its part with the bumps per turn, or a line."""
    if verdict is None or verdict.part is None:
        return NAMELESS[verdict is not None]
    return f"{verdict.harmonic} x {verdict.part.name}" if verdict.harmonic > 1 else verdict.part.name


def _line_words(line: FlutterLine, *, own: bool) -> str:
    """The rate and the depth of a line, and the machine's own share where it is asked for."""
    text = f"{amount(line.rate.value, 'hz', '.2f')}, {amount(line.depth.value, 'percent', '.3f')}"
    if not own:
        return text
    if line.element_depth is None:
        return f"{text} as read, its own cannot be told"
    return f"{text} as read, {amount(line.element_depth.value, 'percent', '.3f')} its own"


def _finding(name: str, rate: float) -> str:
    """Say which part wobbles most, or how often what does."""
    part = name.partition(" x ")[2] or name  # without the bumps per turn
    if name in NAMELESS or len(part) > LONGEST:
        return f"Something wobbles {rate:.2g} times a second"
    return f"The {part} wobbles most"


def _outline(rate: Array, depth: Array) -> tuple[Array, Array]:
    """The highest values along a logarithmic axis: no line is lost where bins lie dense."""
    inside = (rate >= RATES[0]) & (rate <= RATES[1])
    rate, depth = rate[inside], depth[inside]
    cell = np.floor(np.log(rate / RATES[0]) / np.log(RATES[1] / RATES[0]) * STEPS)
    starts = np.flatnonzero(np.diff(cell, prepend=-1.0)).tolist()
    highest = [a + int(np.argmax(depth[a:b])) for a, b in itertools.pairwise([*starts, len(depth)])]
    return rate[highest], depth[highest]


# ---- response ----


@figure()
def measured_response(canvas: Canvas, *, response: PassResponse, what_ifs: Sequence[WhatIf] = ()) -> Drawn:
    """Draw the measured response of one pass with its 95 % band, and what would explain it.

    Of the `what_ifs`, the best first, are drawn the best, all that cannot be told from it, and the machine as
    it was aligned: the artists ``"explanations"`` by name.

    >>> from tapecalc.measuring import Estimate
    >>> f = np.geomspace(50, 10000, 40)
    >>> flat = PassResponse(f, np.zeros(40), np.full(40, 0.1), np.ones(40), Estimate(0.0, 0.1, "dB"))
    >>> measured_response(response=flat).caption
    'Measured response of one pass: within 3 dB up to 10 kHz, where it ends; 50 Hz to 10 kHz told.'
    """
    axes, profile = canvas.axes, canvas.profile
    frequency, level = response.frequency, response.level_db
    low, high = level - response.plus_minus_db, level + response.plus_minus_db
    shown = [w for w in what_ifs if w.name == "as aligned" or w.chi2 - what_ifs[0].chi2 < CLOSE]
    edge, (first, last) = response.edge(), map(frequency_text, frequency[[0, -1]])
    canvas.head(
        _cause(shown)
        if what_ifs
        else "The treble falls off"
        if edge
        else "The treble lasts as far as measured",
        "one pass, measured, with its 95 % band",
        answer=last if edge is None else frequency_text(edge),
        means="and not yet 3 dB down" if edge is None else "is 3 dB down",
    )
    look: dict[str, Any] = {"color": profile.ground.echo, "alpha": 0.25, "linewidth": 0}
    band = axes.fill_between(frequency, low, high, **look)
    (points,) = axes.plot(frequency, level, **canvas.dots(1.8, color=canvas.color("echo"), zorder=2))
    explanations = {}
    for w in shown:
        look = (
            canvas.line_look("context", linestyle=DASHED)
            if w.name == "as aligned"
            else canvas.line_look("tape")
        )
        (explanations[w.name],) = axes.plot(frequency, w.level_db, **look)
    canvas.style_response(y=("level", "$L$", "dB"))
    tops = [float(np.max(w.level_db)) for w in shown]
    lowest = min(float(np.min(low)), *(float(np.min(w.level_db)) for w in shown), -6.0)
    axes.set_ylim(max(lowest, LOWEST_DB) - 2, max(float(np.max([*high, *tops])), 1.0) + 1)
    symbols = {"as aligned": "$L_0$", "separation": "$s$", "gap": "$g$", "azimuth": r"$\alpha$"}
    names = [
        ", ".join(symbols[name] for name in w.name.split(" and ")) if canvas.symbols_only else _short_words(w)
        for w in shown
    ]
    measured = "$L$" if canvas.symbols_only else "measured"
    canvas.name_lines([points, *explanations.values()], [measured, *names])
    frequency_axis(axes, profile, low=0.9 * frequency[0], high=1.1 * frequency[-1])
    fall = (
        f"within 3 dB up to {last}, where it ends" if edge is None else f"3 dB down at {frequency_text(edge)}"
    )
    said = f"{fall}; {first} to {last} told.{''.join(f' {w.in_words}' for w in shown)}"
    return Drawn(
        canvas.figure,
        {"level": points, "band": band, "explanations": explanations},
        f"Measured response of one pass: {said}",
        "Chart of level in dB over frequency in Hz, a dot every twelfth of an octave in a band of its 95 % "
        f"interval, coherence {np.min(response.coherence):.2f} or more, and a line for each explanation: "
        f"{said}",
        ("the H1 estimator, Bendat and Piersol (from memory)", "R. L. Wallace, 1951"),
    )


def _cause(shown: Sequence[WhatIf]) -> str:
    """Say what explains a response best; causes that cannot be told apart are only counted."""
    if shown[0].misfit_db > WELL_DB:
        return "No single cause explains it well"
    if shown[0].name == "as aligned":
        return "As aligned is the best explanation"
    alone = sum(w.name != "as aligned" for w in shown) == 1
    return f"{shown[0].name.capitalize()} explains it best" if alone else "More than one cause explains it"


def _short_words(what_if: WhatIf) -> str:
    """An explanation as a line is named."""
    told = [
        f"{from_si(part.value, 'arcmin'):.1f}'" if name == "azimuth" else amount(part.value, "um", ".2f")
        for name, part in what_if.parts.items()
    ]
    return "\n".join([what_if.name, *([", ".join(told)] if told else [])])


def _by_decades(axes: Axes, floor: float, tallest: float, *, narrow: bool) -> None:
    """Make both axes of a flutter spectrum logarithmic, with few marks in plain numbers."""
    axes.set(xscale="log", yscale="log", xlim=RATES, ylim=(floor, (60 if narrow else 15) * tallest))
    decades = 10.0 ** np.arange(-8, 3)
    axes.xaxis.set_major_locator(FixedLocator([1, 10, 100] if narrow else [0.2, 1, 5, 20, 100]))
    axes.yaxis.set_major_locator(FixedLocator([d for d in decades.tolist() if floor <= d <= 8 * tallest]))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set(major_formatter=lambda value, _: f"{value:g}", minor_formatter="")
