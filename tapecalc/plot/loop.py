"""Figures of repeats and stability."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import MaxNLocator

from tapecalc.calc import loop as loops
from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.kit import _GRID, AUDIBLE, Drawn, _f_axis, _minus, _note, axis_label, draw, name_lines



# ---------------------------------------------------------------- repeats and the loop


def decay_of_repeats(
    *, delay, gains_db=(-3.0, -6.0, -10.0), repeats=10, profile="notebook", symbols_only=False, axes=None
):
    """Draw how repeats fade, in dB over time, for several loop gains.

    Parameters
    ----------
    delay : float
        Time from repeat to repeat, s.
    gains_db : tuple of float, optional
        Loop gains, dB, each below 0.
    repeats : int, optional
        How many repeats are drawn.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"decays"``: one line with markers per loop gain, s and dB.

    Raises
    ------
    ValueError
        If the delay is not greater than 0 or a gain is not below 0.

    Notes
    -----
    Source: repeat n is n times the loop gain in dB. Notebook: 03_repeats.

    Examples
    --------
    >>> decay_of_repeats(delay=0.218, gains_db=(-6,)).caption
    'Repeats every 218 ms. At −6 dB of loop gain 10 repeats to −60 dB, in 2.2 s.'
    """
    count = np.arange(repeats + 1)
    with draw(profile, axes) as (profile, figure, axes):
        decays = []
        for k, gain in enumerate(gains_db):
            decays += axes.plot(count * delay, count * gain, **style.line_style(profile, k, marker=True))
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else f"Repeats every {from_si(delay, 'ms'):.0f} ms",
            x=axis_label("time", "$t$", "s", symbols_only=symbols_only),
            y=axis_label("level", "$L$", "dB", symbols_only=symbols_only),
        )
        texts = [_minus(f"{gain:g} dB") for gain in gains_db]
        axes.set(xlim=(0, repeats * delay * (1.04 if profile.narrow else 1.2)), ylim=(-64, 2))
        if profile.narrow:
            name_lines(axes, profile, decays, texts)
        else:
            for line, text in zip(decays, texts, strict=True):
                end = line.get_xydata()[line.get_ydata() >= -60][-1]
                _note(axes, profile, end, text, "upper right")
    said = [
        f"at {gain:g} dB of loop gain {loops.repeats_until(gain, -60):.0f} repeats to -60 dB, in "
        f"{loops.decay_time(delay, gain):.1f} s"
        for gain in gains_db
    ]
    said = _minus("; ".join(said))
    return Drawn(
        figure,
        {"decays": decays},
        f"Repeats every {from_si(delay, 'ms'):.0f} ms. {said[0].upper()}{said[1:]}.",
        "Line chart of level in dB over time in s, a dot for every repeat; straight lines that fall "
        "from 0 dB: "
        f"{said}.",
        ("repeat n is n times the loop gain in dB",),
    )


def nyquist_picture(*, loop, profile="notebook", symbols_only=False, axes=None):
    """Draw the loop gain in the complex plane beside the point 1, where a loop holds its tone.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"gain"`` (the curve), ``"one"`` (the point 1) and ``"limit"`` (the unit circle).

    Notes
    -----
    Source: H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory).
    Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> drawn = nyquist_picture(loop=example_machine().echo_loop(0.1905))
    >>> drawn.artists["one"].get_xydata()
    array([[1., 0.]])
    """
    turns, found = 14, loops.stability(loop)
    frequency = np.linspace(0, turns / max(loop.delays), 120 * turns)
    gain = loops.loop_gain(loop, frequency)
    # the whole band would be a solid disk: beside the first turns, show the one that comes nearest to 1
    nearest = (found.frequency or 0.0) + np.linspace(-0.5, 0.5, 121) / max(loop.delays)
    turn = loops.loop_gain(loop, np.maximum(nearest, 0))
    reach = 1.15 * max(1.0, float(np.abs(gain).max()), float(np.abs(turn).max()))
    around = np.exp(2j * np.pi * np.linspace(0, 1, 200))
    with draw(profile, axes) as (profile, figure, axes):
        curve_look = style.line_style(profile, 0) | {"linewidth": 0.6 * profile.line_pt}
        (curve,) = axes.plot(gain.real, gain.imag, **curve_look)
        (closest,) = axes.plot(turn.real, turn.imag, **style.line_style(profile, 2))
        (limit,) = axes.plot(
            around.real,
            around.imag,
            color=profile.ground.frame,
            linestyle="--",
            linewidth=profile.line_pt / 2,
        )
        (one,) = axes.plot(
            [1.0],
            [0.0],
            color=profile.ground.colors[1],
            marker="X",
            linestyle="none",
            markersize=4 * profile.line_pt,
            zorder=4,
        )
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "Does the loop reach the point 1?",
            x=axis_label("in phase", r"Re $L$", "", symbols_only=symbols_only),
            y=axis_label("a quarter turn off", r"Im $L$", "", symbols_only=symbols_only),
        )
        axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(MaxNLocator(4 if profile.narrow else 6, steps=[1, 2, 5, 10]))
        lines = (curve, closest, one, limit)
        names = ("$L$", "$L(f_0)$", "1", r"$|L|$ = 1")
        if not symbols_only:
            at = style.frequency_text(max(found.frequency or 0.0, 1e-3))
            names = ("loop gain", f"turn at {at}", "the point 1", "size 1")
        if profile.narrow:
            name_lines(axes, profile, lines, names)
        else:
            axes.legend(lines, names, loc="center left", bbox_to_anchor=(1.05, 0.5))
    verdict = "stable" if found.stable else "running away"
    start = (
        "" if found.frequency is None else f", first at {style.frequency_text(max(found.frequency, 1e-3))}"
    )
    said = (
        f"the loop is {verdict}, with {found.margin_db:.1f} dB to go{start}"
        if found.stable
        else (f"the loop is {verdict}, {-found.margin_db:.1f} dB past the point{start}")
    )
    return Drawn(
        figure,
        {"gain": curve, "turn": closest, "one": one, "limit": limit},
        f"Loop gain from 0 to {style.frequency_text(frequency[-1])} in the complex plane, and the turn that "
        f"comes nearest to 1; {said}.",
        "Curve in the complex plane that winds around zero once per turn of phase, one more turn that comes "
        f"nearest to the point 1, the circle of size 1 and a cross at the point 1: {said}.",
        ("H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory)",),
    )


def runaway_frequency(*, loop, profile="notebook", symbols_only=False, axes=None):
    """Draw loop gain over frequency, the limit 0 dB, and the place where the loop would start.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"gain"``, ``"limit"``, ``"start"`` and ``"margin"``.

    Notes
    -----
    Source: `tapecalc.loop.stability`. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> drawn = runaway_frequency(loop=example_machine().echo_loop(0.1905))
    >>> drawn.artists["limit"].get_xydata()
    array([[   20.,     0.],
           [20000.,     0.]])
    """
    found = loops.stability(loop)
    level = loops.loop_gain_db(loop, _GRID)
    with draw(profile, axes) as (profile, figure, axes):
        (curve,) = axes.plot(_GRID, level, **style.line_style(profile, 0))
        (limit,) = axes.plot(AUDIBLE, [0, 0], **style.line_style(profile, 1))
        artists, lines, names = {"gain": curve, "limit": limit}, [curve, limit], ["loop gain", "limit"]
        if symbols_only:
            names = ["$|L|$", "1"]
        if found.frequency is not None and found.frequency >= AUDIBLE[0]:
            look = style.line_style(profile, 2, marker=True)
            top = [found.frequency, found.frequency], [-found.margin_db, 0]
            (artists["margin"],) = axes.plot(*top, **(look | {"marker": "none"}))
            place = (found.frequency, -found.margin_db)
            side = "below" if found.stable else "above"
            _note(axes, profile, place, style.frequency_text(found.frequency), side)
            middle = (found.frequency, -found.margin_db / 2)
            side = "left" if found.frequency > 2e3 else "right"
            _note(axes, profile, middle, _minus(f"{found.margin_db:.1f} dB"), side)
            (artists["start"],) = axes.plot(
                [found.frequency],
                [-found.margin_db],
                **(look | {"linestyle": "none", "markersize": 4 * profile.line_pt}),
                zorder=4,
            )
        x = _f_axis(axes, profile, symbols_only)
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "Where it would run away",
            x=x,
            y=axis_label("loop gain", "$|L|$", "dB", symbols_only=symbols_only),
        )
        axes.set_ylim(min(-30, level.max() - 24), max(6, level.max() + 8))
        name_lines(axes, profile, lines, names)
    start = "no frequency" if found.frequency is None else style.frequency_text(max(found.frequency, 1e-3))
    said = (
        f"margin {found.margin_db:.1f} dB, starting at {start}"
        if found.stable
        else (f"{-found.margin_db:.1f} dB past the limit, running away at {start}")
    )
    return Drawn(
        figure,
        artists,
        f"Loop gain over frequency; {said}.",
        "Line chart of loop gain in dB over frequency, a line at the limit of 0 dB and a dot where "
        f"it starts: {said}.",
        ("H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory)",),
    )
