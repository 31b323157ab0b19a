"""Figures of a measurement: the delay against time, the flutter spectrum, the response of one pass."""

import itertools
import string
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.ticker import FixedLocator
from numpy.typing import NDArray

from tapecalc.calc.flutter import null_rates
from tapecalc.calc.parts import Verdict
from tapecalc.calc.units import from_si
from tapecalc.measuring.delay import DelayTrack
from tapecalc.measuring.flutter import FlutterLine, FlutterReading
from tapecalc.measuring.response import PassResponse, WhatIf
from tapecalc.plot.flutter import PITCH_OF_A_REPEAT
from tapecalc.plot.kit import Canvas, Drawn, figure
from tapecalc.plot.style import frequency_text
from tapecalc.words import amount

RATES = (0.2, 200.0)  # Hz, the range of flutter. Source: AES6-2008 = IEC 60386 (from memory)
STEPS = 500  # along a long axis: more cannot be seen
MOST_NAMED = 6  # lines of a flutter spectrum that get a name,
SHALLOWEST = 0.03  # if they are at least so deep against the deepest
ROOM = 2.1  # ratio of neighboring rates below which names would touch
MOST_BLIND = 8  # rates that are marked as not to be seen
DEEPEST = 1000.0  # how far below the tallest line a flutter spectrum is drawn
LOWEST_DB = -40.0
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
    >>> drawn = delay_over_time(track=measure_delay(both, clock_tolerance=0))
    >>> drawn.artists["mean"].get_ydata().round(3).tolist()
    [200.0, 200.0]
    """
    axes, profile = canvas.axes, canvas.profile
    time, delay = _thinned(track.time, from_si(track.track, "ms"))
    mean, spread = from_si(track.total.value, "ms"), from_si(track.total.plus_minus, "ms")
    thin: dict[str, Any] = {"linewidth": 0.6 * profile.line_pt, "markersize": 1.5 * profile.line_pt}
    (line,) = axes.plot(time, delay, **canvas.line_style(0, **thin) | {"marker": "."})
    ends = float(np.nanmin(time)), float(np.nanmax(time))
    look: dict[str, Any] = {"color": profile.ground.echo, "alpha": 0.3, "linewidth": 0}
    band = axes.fill_between(ends, mean - spread, mean + spread, **look)
    (middle,) = axes.plot(ends, [mean, mean], **canvas.line_style(1))
    canvas.style_axes("The delay against time", x=("time", "$t$", "s"), y=("delay", "$T$", "ms"))
    reach = 1.15 * max(float(np.nanmax(np.abs(delay - mean))), spread, 1e-3)
    margin = 0.02 * (ends[1] - ends[0]) + 0.05
    axes.set(xlim=(ends[0] - margin, ends[1] + margin), ylim=(mean - reach, mean + reach))
    axes.ticklabel_format(axis="y", useOffset=False)
    pace = float(np.median(np.diff(track.time))) if len(track.time) > 1 else 0.0
    names = [f"{amount(pace, 'ms')} apart", "mean", "mean, 95 %"]
    canvas.legend([line, middle, band], ["$T$", r"$\bar{T}$", "$U$"] if canvas.symbols_only else names)
    swing, each = (from_si(x, "us") for x in (np.std(track.track), np.median(track.track_plus_minus)))
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
    'Flutter spectrum: weighted 0.099742 % +/- 0.000011 %; a line at 4.00 Hz, 0.100 %.'
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
    thin = canvas.line_style(0, linewidth=0.7 * profile.line_pt)
    (spectrum,) = axes.plot(rate, np.maximum(depth, floor), **thin)
    marked = {
        "read": (rates, read, "lines as read", "$m$"),
        "own": (rates[own > 0], own[own > 0], "the machine's own", "$m_0$"),
        "blind": (blind, np.full(len(blind), floor), "cannot be seen", "$k/T$"),
    }
    artists: dict[str, Any] = {"spectrum": spectrum}
    names = ["$m(f_m)$" if canvas.symbols_only else "spectrum"]
    for k, (name, (x, y, words, symbol)) in enumerate(marked.items()):
        big: dict[str, Any] = {"linestyle": "none", "markersize": 3 * profile.line_pt, "zorder": 4}
        look = canvas.line_style(k, marker=True, clip_on=name != "blind", **big)
        (artists[name],) = axes.plot(x, y, **look)
        names += [symbol if canvas.symbols_only else words] if len(x) else []
    axes.set(xscale="log", yscale="log", xlim=RATES, ylim=(floor, 8 * tallest))
    decades = 10.0 ** np.arange(-8, 3)
    axes.xaxis.set_major_locator(FixedLocator([1, 10, 100] if profile.narrow else [0.2, 1, 5, 20, 100]))
    axes.yaxis.set_major_locator(FixedLocator(decades[(decades >= floor) & (decades <= 8 * tallest)]))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set(major_formatter=lambda value, _: f"{value:g}", minor_formatter="")
    canvas.style_axes(
        "Which part shows in the flutter spectrum",
        x=("rate of the wobble", "$f_m$", "Hz"),
        y=("deviation, zero to peak", "$m$", "%"),
    )
    canvas.legend([artist for artist in artists.values() if len(artist.get_xdata())], names)
    short = canvas.symbols_only or profile.portrait or profile.narrow or _crowded(rates)
    blamed = {verdict.frequency: verdict for verdict in verdicts}
    said = []
    for letter, line, x, y in zip(string.ascii_uppercase, lines, rates, np.maximum(read, own), strict=False):
        name = _name(blamed.get(line.rate.value))
        canvas.note((x, y), letter if short else name.replace(" ", "\n"), "above")
        said.append(f"{letter + ' ' if short else ''}{name} at {_line_words(line, own=through)}")
    told = "; ".join(said) or "no line stands out"
    return Drawn(
        canvas.figure,
        artists,
        f"Flutter spectrum: weighted {reading.weighted.text('percent')}; {told}.",
        "Line chart of deviation in percent, zero to peak, over the rate of the wobble in Hz, both "
        f"logarithmic; a dot on each line that stands out, a square for the machine's own wobble: {told}.",
        ("AES6-2008, IEC 60386", PITCH_OF_A_REPEAT),
    )


def _name(verdict: Verdict | None) -> str:
    """What a line is called: its part with the bumps per turn, or a line."""
    if verdict is None:
        return "a line"
    if verdict.part is None:
        return "not in the list"
    return f"{verdict.harmonic} x {verdict.part.name}" if verdict.harmonic > 1 else verdict.part.name


def _line_words(line: FlutterLine, *, own: bool) -> str:
    """The rate and the depth of a line, and the machine's own share where it is asked for."""
    text = f"{amount(line.rate.value, 'hz', '.2f')}, {amount(line.depth.value, 'percent', '.3f')}"
    if not own:
        return text
    if line.element_depth is None:
        return f"{text} as read, its own cannot be told"
    return f"{text} as read, {amount(line.element_depth.value, 'percent', '.3f')} its own"


def _crowded(rates: Array) -> bool:
    """Whether names above the lines would touch each other."""
    apart = np.sort(rates)
    return bool(np.any(apart[1:] < ROOM * apart[:-1]))


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
    look: dict[str, Any] = {"color": profile.ground.dry, "alpha": 0.3, "linewidth": 0}
    band = axes.fill_between(frequency, low, high, **look)
    dots = canvas.line_style(0, linestyle="none", markersize=1.8 * profile.line_pt)
    (points,) = axes.plot(frequency, level, **dots | {"marker": "o"})
    explanations = {
        w.name: axes.plot(frequency, w.level_db, **canvas.line_style(k))[0] for k, w in enumerate(shown, 1)
    }
    canvas.style_response("One pass, measured, and what would explain it", y=("level", "$L$", "dB"))
    lowest = min(float(np.min(low)), *(float(np.min(w.level_db)) for w in shown), -6.0)
    axes.set_ylim(max(lowest, LOWEST_DB) - 2, max(float(np.max(high)), 1.0) + 1)
    symbols = {"as aligned": "$L_0$", "separation": "$s$", "gap": "$g$", "azimuth": r"$\alpha$"}
    names = ["$L$" if canvas.symbols_only else "measured"]
    names += [symbols[w.name] if canvas.symbols_only else _short_words(w) for w in shown]
    canvas.legend([points, *explanations.values()], names)
    edge, (first, last) = response.edge(), map(frequency_text, frequency[[0, -1]])
    fall = (
        f"within 3 dB up to {last}, where it ends" if edge is None else f"3 dB down at {frequency_text(edge)}"
    )
    said = f"{fall}; {first} to {last} told.{''.join(f' {w.in_words()}' for w in shown)}"
    return Drawn(
        canvas.figure,
        {"level": points, "band": band, "explanations": explanations},
        f"Measured response of one pass: {said}",
        "Chart of level in dB over frequency in Hz, a dot every twelfth of an octave in a band of its 95 % "
        f"interval, coherence {np.min(response.coherence):.2f} or more, and a line for each explanation: "
        f"{said}",
        ("the H1 estimator, Bendat and Piersol (from memory)", "R. L. Wallace, 1951"),
    )


def _short_words(what_if: WhatIf) -> str:
    """An explanation in the key of a figure."""
    if what_if.value is None:
        return what_if.name
    if what_if.name == "azimuth":
        return f"azimuth {from_si(what_if.value.value, 'arcmin'):.1f}'"
    return f"{what_if.name} {amount(what_if.value.value, 'um', '.2f')}"
