"""Figures of wow and flutter."""

from __future__ import annotations

import string

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from tapecalc.calc import flutter
from tapecalc.calc.parts import part_rates, part_repeat_deviations
from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.kit import Drawn, _and, _note, axis_label, draw, name_lines

__all__ = [
    "flutter_comb",
    "flutter_fingerprint",
]


def _fraction(share):
    """Write a share of a whole note as musicians do, 3/16."""
    from fractions import Fraction

    return str(Fraction(share).limit_denominator(96))


# ---------------------------------------------------------------- mechanics


def flutter_comb(*, delay, parts=(), speed=None, profile="notebook", symbols_only=False, axes=None):
    """Draw how much of a speed wobble a repeat shows, over the rate of the wobble.

    Parameters
    ----------
    delay : float
        Delay of one pass, s.
    parts : tuple of TurningPart, optional
        Turning parts to mark.
    speed : float, optional
        Tape speed, m/s; needed to mark parts.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"first"`` and ``"second"`` (repeats) and ``"parts"`` (dots).

    Raises
    ------
    ValueError
        If the delay is not greater than 0, or parts are given without a speed.

    Notes
    -----
    Source: `flutter.repeat_deviation`. Notebook: 05_flutter.

    Examples
    --------
    >>> drawn = flutter_comb(delay=0.25)
    >>> drawn.artists["first"].get_ydata().max().round(3)
    np.float64(2.0)
    """
    if parts and speed is None:
        raise ValueError("speed must be given to mark parts, got None")
    rates = part_rates(parts, speed) if parts else {}
    top = max([12.0, *(1.15 * rate for rate in rates.values())])
    rate = np.linspace(0, top, 1500)
    tiny = 1e-4  # the formula is linear for small wobbles; the chart shows the ratio
    with draw(profile, axes) as (profile, figure, axes):
        (second,) = axes.plot(
            rate,
            flutter.repeat_deviation(tiny, rate, delay, passes=2) / tiny,
            **(style.line_style(profile, 1) | {"linewidth": 0.6 * profile.line_pt}),
        )
        (first,) = axes.plot(
            rate, flutter.repeat_deviation(tiny, rate, delay) / tiny, **style.line_style(profile, 0)
        )
        places = np.array(list(rates.values()))
        heights = flutter.repeat_deviation(tiny, places, delay) / tiny if rates else places
        (dots,) = axes.plot(
            places,
            heights,
            "o",
            color=profile.ground.text,
            markersize=3.2 * profile.line_pt,
            zorder=4,
            clip_on=False,
        )
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "A repeat hears wobble in a comb",
            x=axis_label("rate of the wobble", "$f_m$", "Hz", symbols_only=symbols_only),
            y=axis_label("bend over wobble", "$e/m$", "", symbols_only=symbols_only),
        )
        axes.set(xlim=(0, top), ylim=(0, 2.1))
        names = ["$n$ = 1", "$n$ = 2", "$f_m$"] if symbols_only else ["repeat 1", "repeat 2", "parts"]
        handles = [first, second, dots][: 3 if rates else 2]
        if profile.narrow:
            name_lines(axes, profile, handles, names[: len(handles)])
        else:
            axes.legend(handles, names[: len(handles)], loc="upper left", bbox_to_anchor=(1.01, 1.0))
    said = (
        _and(
            f"{name} ({turns:.1f} Hz) times {height:.1f}"
            for (name, turns), height in zip(rates.items(), heights.tolist(), strict=True)
        )
        if rates
        else f"none at multiples of {1 / delay:.1f} Hz, doubled half way between"
    )
    return Drawn(
        figure,
        {"first": first, "second": second, "parts": dots},
        f"Pitch bend of a repeat over the wobble that causes it, delay {from_si(delay, 'ms'):.0f} ms: "
        f"{said}.",
        "Line chart of bend over wobble against the rate of the wobble in Hz; arches between 0 and "
        "2, twice as many "
        f"for the second repeat, zero at multiples of {1 / delay:.1f} Hz. {said[0].upper()}{said[1:]}.",
        ("pitch of a repeat is v(t) / v(t - T), from the motion",),
    )


def flutter_fingerprint(*, parts, speed, delay, profile="notebook", symbols_only=False, axes=None):
    """Draw each turning part's wobble at its rate, on tape and in the first repeat.

    Parameters
    ----------
    parts : tuple of TurningPart
        The turning parts, with their wobble.
    speed : float
        Tape speed, m/s.
    delay : float
        Delay of one pass, s.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words; names of parts become letters.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"wobble"`` and ``"repeat"``: Hz and percent, zero to peak.

    Raises
    ------
    ValueError
        If there is no part or a value is out of its range.

    Notes
    -----
    Source: `flutter.part_rates`, `flutter.part_repeat_deviations`. Notebook: 05_flutter.

    Examples
    --------
    >>> part = TurningPart(name="pinch roller", diameter=0.038, wobble=0.0003)
    >>> drawn = flutter_fingerprint(parts=(part,), speed=0.1905, delay=0.218)
    >>> drawn.artists["wobble"].get_xdata().round(2)
    array([1.6])
    """
    if not parts:
        raise ValueError("parts must hold at least one turning part, got none")
    rates = np.array(list(part_rates(parts, speed).values()))
    wobbles = from_si([part.wobble for part in parts], "percent")
    bends = from_si(list(part_repeat_deviations(parts, speed, delay).values()), "percent")
    tallest = np.maximum(wobbles, bends)
    with draw(profile, axes) as (profile, figure, axes):
        axes.vlines(rates, 0, tallest, color=profile.ground.frame, linewidth=profile.line_pt / 2)
        big = {"linestyle": "none", "markersize": 3.4 * profile.line_pt}
        (wobble,) = axes.plot(rates, wobbles, **(style.line_style(profile, 0, marker=True) | big))
        (repeat,) = axes.plot(rates, bends, **(style.line_style(profile, 1, marker=True) | big))
        low, high = 0.6 * rates.min(), 1.9 * rates.max()
        axes.set_xscale("log")
        axes.set(xlim=(low, high), ylim=(0, 1.45 * tallest.max()))
        marks = [m for m in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if low <= m <= high]
        axes.xaxis.set_major_locator(FixedLocator(marks))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.xaxis.set_minor_formatter(NullFormatter())
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "Which part turns how often",
            grid="y",
            x=axis_label("turns per second", "$f_m$", "Hz", symbols_only=symbols_only),
            y=axis_label("deviation, zero to peak", "$m$", "%", symbols_only=symbols_only),
        )
        crowded = len(parts) > 6 or max(len(part.name) for part in parts) > 16
        short, letters = symbols_only or profile.portrait or crowded, string.ascii_uppercase
        for k, place in enumerate(zip(rates, tallest, strict=True)):
            name = letters[k] if short else parts[k].name.replace(" ", "\n")
            _note(axes, profile, place, name, "above")
        names = ["$m$", "$e$"] if symbols_only else ["on tape", "in repeat 1"]
        if profile.narrow:
            name_lines(axes, profile, [wobble, repeat], names)
        else:
            axes.legend([wobble, repeat], names, loc="upper left", bbox_to_anchor=(1.01, 1.0))
    names = [f"{letters[k]} {part.name}" if short else part.name for k, part in enumerate(parts)]
    said = _and(
        f"{name} {rate:.2f} Hz, {bend:.2g} %"
        for name, rate, bend in zip(names, rates.tolist(), bends.tolist(), strict=True)
    )
    return Drawn(
        figure,
        {"wobble": wobble, "repeat": repeat},
        f"Turning parts and their wobble; bend of the first repeat: {said}.",
        "Dot chart of deviation in percent over turns per second, two dots per part, on tape and in "
        "the first "
        f"repeat: {said}.",
        ("rolling without slip", "pitch of a repeat is v(t) / v(t - T), from the motion"),
    )
