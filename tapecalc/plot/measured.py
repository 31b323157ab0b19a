"""Figures of a measurement, and the folder that a measurement is written into."""

from __future__ import annotations

import string

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from tapecalc.calc.flutter import null_rates
from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.kit import Drawn, axis_label, draw, name_lines

__all__ = [
    "delay_over_time",
    "flutter_spectrum",
    "measured_response",
]


RATES = (0.2, 200.0)  # Hz, the range of flutter. Source: AES6-2008 = IEC 60386 (from memory)
STEPS = 500  # along a long axis: more cannot be seen
MOST_NAMED = 6  # lines of a flutter spectrum that get a name,
SHALLOWEST = 0.03  # if they are at least so deep against the deepest
ROOM = 2.1  # ratio of neighboring rates below which names would touch
MOST_BLIND = 8  # rates that are marked as not to be seen
DEEPEST = 1000.0  # how far below the tallest line a flutter spectrum is drawn
LOWEST_DB = -40.0
CLOSE = 4.0  # difference of chi-square within which two explanations cannot be told apart
_SHORT = {"as aligned": "$L_0$", "separation": "$s$", "gap": "$g$", "azimuth": r"$\alpha$"}


def _key(axes, profile, handles, names):
    """Name what is drawn, at the right side or below the figure where it is narrow."""
    if profile.narrow:
        return name_lines(axes, profile, handles, names)
    return axes.legend(handles, names, loc="upper left", bbox_to_anchor=(1.01, 1.0))


def _note(axes, profile, place, text):
    """Write a few words above a point."""
    return axes.annotate(
        text,
        place,
        xytext=(0, 0.8 * profile.text_pt),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=profile.text_pt,
        linespacing=1.0,
        color=profile.ground.text,
        annotation_clip=False,
    )


# ---------------------------------------------------------------- delay


def delay_over_time(*, track, profile="notebook", symbols_only=False, axes=None):
    """Draw a measured delay against time, its mean, and how sure the mean is.

    Parameters
    ----------
    track : DelayTrack
        From `measure_delay`.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"track"`` and ``"mean"``, s and ms, and ``"band"``. Gaps without sound stay gaps.

    Notes
    -----
    Source: `measure_delay`. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import measure_delay, open_recording
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = open_recording(np.stack([noise, np.roll(noise, 9600)], axis=1), sample_rate=48000)
    >>> drawn = delay_over_time(track=measure_delay(both, clock_tolerance=0))
    >>> drawn.artists["mean"].get_ydata().round(3).tolist()
    [200.0, 200.0]
    """
    time, delay = _thinned(track.time, from_si(track.track, "ms"))
    total = track.total
    mean, spread = from_si(total.value, "ms"), from_si(total.uncertainty, "ms")
    with draw(profile, axes) as (profile, figure, axes):
        thin = {"linewidth": 0.6 * profile.line_pt, "marker": ".", "markersize": 1.5 * profile.line_pt}
        (line,) = axes.plot(time, delay, **(style.line_style(profile, 0) | thin))
        ends = [float(np.nanmin(time)), float(np.nanmax(time))]
        band = axes.fill_between(
            ends, mean - spread, mean + spread, color=profile.ground.colors[1], alpha=0.3, linewidth=0
        )
        (middle,) = axes.plot(ends, [mean, mean], **style.line_style(profile, 1))
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "The delay against time",
            x=axis_label("time", "$t$", "s", symbols_only=symbols_only),
            y=axis_label("delay", "$T$", "ms", symbols_only=symbols_only),
        )
        reach = 1.15 * max(float(np.nanmax(np.abs(delay - mean))), spread, 1e-3)
        margin = 0.02 * (ends[1] - ends[0]) + 0.05
        axes.set(xlim=(ends[0] - margin, ends[1] + margin), ylim=(mean - reach, mean + reach))
        axes.ticklabel_format(axis="y", useOffset=False)
        names = [f"{_pace(track):.0f} ms apart", "mean", "mean, 95 %"]
        _key(axes, profile, [line, middle, band], ["$T$", r"$\bar{T}$", "$U$"] if symbols_only else names)
    swing = from_si(float(np.std(track.track)), "us")
    single = from_si(float(np.median(track.track_uncertainty)), "us")
    said = f"mean {total.text('ms')}, swing {swing:.1f} \N{MICRO SIGN}s rms"
    return Drawn(
        figure,
        {"track": line, "mean": middle, "band": band},
        f"Measured delay against time: {said}.",
        f"Line chart of delay in ms over time in s, {len(track.time)} readings, each good to {single:.2g} "
        "\N{MICRO SIGN}s, about a level line for the mean with a band for its 95 % interval: "
        f"{said}.",
        ("least squares for a shift, window by window",),
    )


def _pace(track):
    """Time from one reading to the next, in ms."""
    return from_si(float(np.median(np.diff(track.time))), "ms") if len(track.time) > 1 else 0.0


def _thinned(time, values):
    """At most some 2000 readings, averaged over neighbors; a break where there was no sound."""
    size = max(1, len(time) // (4 * STEPS))
    full = len(time) // size * size
    time, values = (np.asarray(part[:full]).reshape(-1, size).mean(axis=1) for part in (time, values))
    steps = np.diff(time)
    breaks = np.flatnonzero(steps > 4 * np.median(steps)) + 1 if len(steps) else []
    return np.insert(time, breaks, np.nan), np.insert(values, breaks, np.nan)


# ---------------------------------------------------------------- flutter


def flutter_spectrum(*, reading, verdicts=(), delay=None, profile="notebook", symbols_only=False, axes=None):
    """Draw a flutter spectrum as read, its lines, the machine's own wobble, and the turning parts.

    Parameters
    ----------
    reading : FlutterReading
        From `measure_flutter`.
    verdicts : sequence of Verdict, optional
        From `tapecalc.flutter.fingerprint`, to name lines after parts.
    delay : float, optional
        Delay of the head that played the tone, s: marks the rates that a tone recorded and played
        at once cannot show.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words; names of parts become letters.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"spectrum"``, ``"read"``, ``"own"`` and ``"blind"``: Hz and percent, zero to peak.

    Raises
    ------
    ValueError
        If the delay is not greater than 0.

    Notes
    -----
    Source: `measure_flutter`, `tapecalc.flutter.fingerprint`. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import measure_flutter, open_recording
    >>> t = np.arange(10 * 16000) / 16000
    >>> wobble = 0.001 * np.cos(2 * np.pi * 4 * t) / (2 * np.pi * 4)
    >>> tape = open_recording(0.5 * np.sin(2 * np.pi * 3150 * (t + wobble)), sample_rate=16000)
    >>> flutter_spectrum(reading=measure_flutter(tape, record_mode="test tape")).caption
    'Flutter spectrum: weighted 0.099742 % +/- 0.000011 %; a line at 4.00 Hz, 0.100 %.'
    """
    through = reading.record_mode == "simultaneous"
    lines = [line for line in reading.lines if line.depth.value >= SHALLOWEST * reading.lines[0].depth.value]
    lines = lines[:MOST_NAMED]
    names = _names(lines, verdicts)
    rates = np.array([line.rate.value for line in lines])
    read = np.array([from_si(line.depth.value, "percent") for line in lines])
    own_depth = np.array([_own_percent(line) if through else 0.0 for line in lines])
    told = own_depth > 0
    blind = null_rates(delay, RATES[1])[:MOST_BLIND] if delay is not None and through else np.array([])
    rate, depth = _outline(reading.rate, from_si(reading.depth, "percent"))
    tallest = max(float(depth.max()), 1e-6, *read.tolist())
    floor = tallest / DEEPEST
    with draw(profile, axes) as (profile, figure, axes):
        look = style.line_style(profile, 0) | {"linewidth": 0.7 * profile.line_pt}
        (spectrum,) = axes.plot(rate, np.maximum(depth, floor), **look)
        big = {"linestyle": "none", "markersize": 3 * profile.line_pt, "zorder": 4}
        (as_read,) = axes.plot(rates, read, **(style.line_style(profile, 0, marker=True) | big))
        look = style.line_style(profile, 1, marker=True) | big
        (own,) = axes.plot(rates[told], own_depth[told], **look)
        look = style.line_style(profile, 2, marker=True) | big
        (nulls,) = axes.plot(blind, np.full(len(blind), floor), **look, clip_on=False)
        axes.set(xscale="log", yscale="log", xlim=RATES, ylim=(floor, 8 * tallest))
        axes.xaxis.set_major_locator(FixedLocator([1, 10, 100] if profile.narrow else [0.2, 1, 5, 20, 100]))
        decades = 10.0 ** np.arange(-8, 3)
        axes.yaxis.set_major_locator(FixedLocator(decades[(decades >= floor) & (decades <= 8 * tallest)]))
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axis.set_minor_formatter(NullFormatter())
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "Which part shows in the flutter spectrum",
            x=axis_label("rate of the wobble", "$f_m$", "Hz", symbols_only=symbols_only),
            y=axis_label("deviation, zero to peak", "$m$", "%", symbols_only=symbols_only),
        )
        letters = symbols_only or profile.portrait or profile.narrow or _crowded(rates)
        for k, place in enumerate(zip(rates, np.maximum(read, own_depth), strict=True)):
            _note(axes, profile, place, string.ascii_uppercase[k] if letters else names[k].replace(" ", "\n"))
        handles, texts = [spectrum], ["$m(f_m)$" if symbols_only else "spectrum"]
        for handle, text, symbol, shown in (
            (as_read, "lines as read", "$m$", len(rates)),
            (own, "the machine's own", "$m_0$", np.any(told)),
            (nulls, "cannot be seen", "$k/T$", len(blind)),
        ):
            if shown:
                handles.append(handle)
                texts.append(symbol if symbols_only else text)
        _key(axes, profile, handles, texts)
    weighted = reading.weighted.text("percent")
    said = "; ".join(
        f"{f'{string.ascii_uppercase[k]} ' if letters else ''}{name} at {line.rate.value:.2f} Hz, "
        f"{from_si(line.depth.value, 'percent'):.3f} %{_own(line) if through else ''}"
        for k, (name, line) in enumerate(zip(names, lines, strict=True))
    )
    return Drawn(
        figure,
        {"spectrum": spectrum, "read": as_read, "own": own, "blind": nulls},
        f"Flutter spectrum: weighted {weighted}; {said or 'no line stands out'}.",
        "Line chart of deviation in percent, zero to peak, over the rate of the wobble in Hz, both "
        "logarithmic; a dot on each line that stands out, a square for the machine's own wobble: "
        f"{said or 'no line stands out'}.",
        ("AES6-2008, IEC 60386", "pitch of a repeat is v(t) / v(t - T), from the motion"),
    )


def _names(lines, verdicts):
    """What each line is called: its part with the bumps per turn, or a line."""
    blamed = {v.frequency: v for v in verdicts}
    names = []
    for line in lines:
        verdict = blamed.get(line.rate.value)
        if verdict is None:
            names.append("a line")
        elif verdict.part is None:
            names.append("not in the list")
        else:
            bumps = f"{verdict.harmonic} x " if verdict.harmonic > 1 else ""
            names.append(bumps + verdict.part.name)
    return names


def _own_percent(line):
    """The machine's own share of a line in percent, 0 where it cannot be told."""
    return 0.0 if line.element_depth is None else from_si(line.element_depth.value, "percent")


def _own(line):
    """The machine's own share of a line, in words."""
    if line.element_depth is None:
        return " as read, its own cannot be told"
    return f" as read, {_own_percent(line):.3f} % its own"


def _crowded(rates):
    """Whether names above the lines would touch each other."""
    apart = np.sort(rates)
    return bool(np.any(apart[1:] < ROOM * apart[:-1]))


def _outline(rate, depth):
    """The highest values along a logarithmic axis: no line is lost where bins lie dense."""
    inside = (rate >= RATES[0]) & (rate <= RATES[1])
    rate, depth = rate[inside], depth[inside]
    cell = np.floor(np.log(rate / RATES[0]) / np.log(RATES[1] / RATES[0]) * STEPS)
    starts = np.flatnonzero(np.diff(cell, prepend=-1.0))
    highest = np.maximum.reduceat(depth, starts)
    ends = np.append(starts[1:], len(depth))
    places = [a + int(np.argmax(depth[a:b])) for a, b in zip(starts, ends, strict=True)]
    return rate[places], highest


# ---------------------------------------------------------------- response


def measured_response(*, response, what_ifs=(), profile="notebook", symbols_only=False, axes=None):
    """Draw the measured response of one pass with its 95 % band, and what would explain it.

    Parameters
    ----------
    response : PassResponse
        From `measure_response`.
    what_ifs : sequence of WhatIf, optional
        From `fit_what_ifs`, the best first. Drawn are the best, all that cannot be told from it,
        and the machine as it was aligned.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"level"``, ``"band"`` and ``"explanations"`` (a dict by name): Hz and dB.

    Notes
    -----
    Source: `measure_response`, `fit_what_ifs`. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import Estimate, PassResponse
    >>> f = np.geomspace(50, 10000, 40)
    >>> flat = PassResponse(f, np.zeros(40), np.full(40, 0.1), np.ones(40), Estimate(0.0, 0.1, "dB"))
    >>> measured_response(response=flat).caption
    'Measured response of one pass: within 3 dB up to 10 kHz, where it ends; 50 Hz to 10 kHz told.'
    """
    frequency, level = response.frequency, response.level_db
    shown = [w for w in what_ifs if w.name == "as aligned" or w.chi2 - what_ifs[0].chi2 < CLOSE]
    with draw(profile, axes) as (profile, figure, axes):
        low, high = level - response.uncertainty_db, level + response.uncertainty_db
        band = axes.fill_between(frequency, low, high, color=profile.ground.colors[0], alpha=0.3, linewidth=0)
        look = {"linestyle": "none", "marker": "o", "markersize": 1.8 * profile.line_pt}
        (points,) = axes.plot(frequency, level, **(style.line_style(profile, 0) | look))
        explanations = {
            w.name: axes.plot(frequency, w.level_db, **style.line_style(profile, k))[0]
            for k, w in enumerate(shown, 1)
        }
        style.frequency_axis(axes, profile, low=20, high=20e3)
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "One pass, measured, and what would explain it",
            x=axis_label("frequency", "$f$", "Hz", symbols_only=symbols_only),
            y=axis_label("level", "$L$", "dB", symbols_only=symbols_only),
        )
        lowest = min(float(np.min(low)), *(float(np.min(w.level_db)) for w in shown), -6.0)
        axes.set_ylim(max(lowest, LOWEST_DB) - 2, max(float(np.max(high)), 1.0) + 1)
        names = ["measured", *map(_short_words, shown)]
        if symbols_only:
            names = ["$L$", *(_SHORT[w.name] for w in shown)]
        _key(axes, profile, [points, *explanations.values()], names)
    edge = response.edge()
    ends = f"{style.frequency_text(frequency[0])} to {style.frequency_text(frequency[-1])} told"
    fall = (
        f"within 3 dB up to {style.frequency_text(frequency[-1])}, where it ends"
        if edge is None
        else f"3 dB down at {style.frequency_text(edge)}"
    )
    fitted = "".join(f" {w.in_words()}" for w in shown)
    return Drawn(
        figure,
        {"level": points, "band": band, "explanations": explanations},
        f"Measured response of one pass: {fall}; {ends}.{fitted}",
        "Chart of level in dB over frequency in Hz, a dot every twelfth of an octave in a band of its 95 % "
        f"interval, coherence {np.min(response.coherence):.2f} or more, and a line for each explanation: "
        f"{fall}; {ends}.{fitted}",
        ("the H1 estimator, Bendat and Piersol (from memory)", "R. L. Wallace, 1951"),
    )


def _short_words(what_if):
    """An explanation in the key of a figure."""
    value = what_if.value
    if value is None:
        return what_if.name
    if what_if.name == "azimuth":
        return f"azimuth {from_si(value.value, 'arcmin'):.1f}'"
    return f"{what_if.name} {from_si(value.value, 'um'):.2f} \N{MICRO SIGN}m"
