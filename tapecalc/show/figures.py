"""Figures: each one a function of a machine's numbers, ready for print, page or video.

Every function takes keyword arguments only, asks the calculators for all numbers,
and returns a `Drawn`: figure, artists, caption, alt text and sources. `catalog`
lists them by name, with those of the other modules.

======  ======================  ========  =================================================
symbol  name in code            SI unit   typical value
======  ======================  ========  =================================================
d       ``spacings``            m         ``(0.0415,)``
--      ``spacing``             m         0.0415
v       ``speed``               m/s       0.1905
--      ``speeds``              m/s       ``(0.1905, 0.09525)``
f       ``frequency``           Hz        10 000
g       ``gap``                 m         4 um
k       ``gap_factor``          1         1.11
--      ``contact``             --        a `HeadContact`
--      ``one_pass``            --        a `OnePass`
n       ``repeats``             1         8
--      ``names``               --        ``("NAB 7.5 ips", "IEC1 7.5 ips")``
--      ``loop``                --        an `EchoLoop`
--      ``gains_db``            dB        ``(-3, -6, -10)``
T       ``delays``              s         ``(0.218, 0.436)``
--      ``delay``               s         0.218
--      ``bpm``                 beat/min  76
--      ``low``                 beat/min  60
--      ``high``                beat/min  180
--      ``notes``               --        note values by name
--      ``parts``               --        a tuple of `TurningPart`
L       ``length``              m         549
Ri      ``inner_radius``        m         0.03
h       ``tape_thickness``      m         35 um
--      ``stages``              --        a tuple of `Stage`
--      ``source_dbu``          dBu       -10
--      ``units``               --        ``"metric"`` or ``"inches"``
--      ``profile``             --        ``"notebook"``
--      ``symbols_only``        --        True for a figure without words
--      ``axes``                --        axes of the reader's own figure, or None
======  ======================  ========  =================================================
"""

from __future__ import annotations

import string

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter

from tapecalc import flutter, levels, response, standards, tempo, transport
from tapecalc import loop as loops
from tapecalc.show import style
from tapecalc.show.drawing import Drawn, axis_label, draw, length_text, name_lines, speed_text
from tapecalc.units import from_si

__all__ = [
    "Drawn",
    "decay_of_repeats",
    "delay_map",
    "equalization_standards",
    "flutter_comb",
    "flutter_fingerprint",
    "four_losses",
    "head_rhythm",
    "level_ladder",
    "nyquist_picture",
    "reel_time",
    "repeats_response",
    "runaway_frequency",
    "tempo_map",
    "wavelength_at_gap",
]

AUDIBLE = (20.0, 20e3)
_GRID = np.geomspace(*AUDIBLE, 400)
_HOUSE = "common practice, no source"


def _f_axis(axes, profile, symbols_only):
    style.frequency_axis(axes, profile, low=AUDIBLE[0], high=AUDIBLE[1])
    return axis_label("frequency", "$f$", "Hz", symbols_only=symbols_only)


#: Where a note stands beside its point: shift in type sizes, and which side of it is held.
_SIDES = {
    "right": ((0.7, 0), "left", "center"),
    "left": ((-0.8, 0), "right", "center"),
    "lower right": ((0.7, -0.9), "left", "center"),
    "upper right": ((0.6, 0.7), "left", "center"),
    "upper left": ((-0.7, 0.7), "right", "center"),
    "below": ((0, -0.8), "center", "top"),
    "above": ((0, 0.8), "center", "bottom"),
}


def _note(axes, profile, place, text, side):
    """Write a few words beside a point."""
    shift, ha, va = _SIDES[side]
    return axes.annotate(
        text,
        place,
        xytext=tuple(profile.text_pt * s for s in shift),
        textcoords="offset points",
        ha=ha,
        va=va,
        fontsize=profile.text_pt,
        linespacing=1.0,
        color=profile.ground.text,
        annotation_clip=False,
    )


def _minus(text):
    """Set a true minus sign before numbers."""
    return text.replace("-", "\N{MINUS SIGN}")


def _spelled(unit):
    """Spell out the one unit that reads as another word."""
    return "inches" if unit == "in" else unit


def _and(texts):
    """Join texts as in a sentence."""
    *most, last = list(texts) or [""]
    return f"{', '.join(most)} and {last}" if most else last


# ---------------------------------------------------------------- delay


def delay_map(
    *, spacings, speeds, delays=None, units="metric", profile="notebook", symbols_only=False, axes=None
):
    """Draw delay over head spacing, one line per speed, with this machine's heads as points.

    Parameters
    ----------
    spacings : tuple of float
        The machine's head spacings, m.
    speeds : tuple of float
        Its tape speeds, m/s.
    delays : tuple of tuple of float, optional
        For each speed the delays of the heads as measured, s; by default spacing over speed.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"lines"`` (one per speed) and ``"heads"`` (one per speed), in mm or in, and ms.

    Raises
    ------
    ValueError
        If a spacing or speed is not greater than 0.

    Notes
    -----
    Source: T = d / v. Notebook: 01_delay_from_head_spacing.

    Examples
    --------
    >>> delay_map(spacings=(0.0415,), speeds=(0.1905,)).caption
    'Delay over head spacing. At 19.05 cm/s, 41.5 mm give 218 ms.'
    """
    unit = {"metric": "mm", "inches": "in"}[style.nearest_name("units", units, ("metric", "inches"))]
    along = np.linspace(0.002, max(0.1, 1.15 * max(spacings)), 60)
    with draw(profile, axes) as (profile, figure, axes):
        lines, heads, said = [], [], []
        for k, speed in enumerate(speeds):
            look = style.line_style(profile, k, marker=True)
            milliseconds = from_si(transport.delay_from_spacing(along, speed), "ms")
            lines += axes.plot(from_si(along, unit), milliseconds, **(look | {"marker": "none"}))
            stated = np.atleast_1d(transport.delay_from_spacing(list(spacings), speed))
            found = stated if delays is None else np.array(delays[k])
            heads += axes.plot(
                from_si(list(spacings), unit), from_si(found, "ms"), **(look | {"linestyle": "none"})
            )
            pairs = zip(spacings, from_si(found, "ms").tolist(), strict=True)
            said.append(
                f"At {speed_text(speed, units)}, "
                + _and(f"{length_text(d, units)} give {t:.0f} ms" for d, t in pairs)
            )
        if len(said) * len(spacings) <= 2:
            steepest = heads[int(np.argmin(speeds))]
            for points in heads:
                side = "upper left" if points is steepest and len(heads) > 1 else "lower right"
                for x, y in points.get_xydata().tolist():
                    _note(axes, profile, (x, y), f"{y:.0f} ms", side)
        style.dress(
            axes,
            profile,
            title="" if symbols_only else "Head spacing and speed make the delay",
            x=axis_label("head spacing", "$d$", unit, symbols_only=symbols_only),
            y=axis_label("delay", "$T$", "ms", symbols_only=symbols_only),
        )
        axes.set(xlim=(0, from_si(along[-1], unit)), ylim=(0, None))
        name_lines(axes, profile, lines, [speed_text(speed, units) for speed in speeds])
    return Drawn(
        figure,
        {"lines": lines, "heads": heads},
        f"Delay over head spacing. {'. '.join(said)}.",
        f"Line chart of delay in ms over head spacing in {_spelled(unit)}, one straight line through zero "
        f"per speed; the points are this machine's heads. {'. '.join(said)}.",
        ("T = d / v, from the motion",),
    )


def head_rhythm(*, spacings, speed, bpm, units="metric", profile="notebook", symbols_only=False, axes=None):
    """Draw where each playback head strikes in the bar: a head layout read as a rhythm.

    Parameters
    ----------
    spacings : tuple of float
        Head spacings, m.
    speed : float
        Tape speed, m/s.
    bpm : float
        Tempo, quarter notes per minute.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"hits"`` (beats, head number) and ``"played"``, the note itself at 0.

    Raises
    ------
    ValueError
        If a spacing, the speed or the tempo is not greater than 0.

    Notes
    -----
    Source: beats = T bpm / 60. Notebook: 06_many_heads.

    Examples
    --------
    >>> drawn = head_rhythm(spacings=(0.075, 0.15), speed=0.1905, bpm=76)
    >>> drawn.artists["hits"].get_xdata().round(3)
    array([0.499, 0.997])
    """
    beats = np.atleast_1d(tempo.beats_from_delay(transport.delay_from_spacing(list(spacings), speed), bpm))
    last = np.ceil(4 * beats.max() + 0.5) / 4
    rows = np.arange(1, beats.size + 1)
    with draw(profile, axes) as (profile, figure, axes):
        hit, played = style.line_style(profile, 0, marker=True), style.line_style(profile, 1, marker=True)
        axes.hlines(rows, 0, beats, color=profile.ground.colors[0], linewidth=profile.line_pt / 2)
        (hits,) = axes.plot(beats, rows, **(hit | {"linestyle": "none", "markersize": 4 * profile.line_pt}))
        big = {"linestyle": "none", "markersize": 4 * profile.line_pt, "clip_on": False}
        (start,) = axes.plot([0], [0], **(played | big))
        style.dress(
            axes,
            profile,
            title="" if symbols_only else f"A head layout as a rhythm, {bpm:g} bpm",
            grid="x",
            x=axis_label(
                "time after the note, beats",
                r"$t$",
                "beat" if symbols_only else "",
                symbols_only=symbols_only,
            ),
        )
        axes.set(xlim=(0, last), ylim=(beats.size + 0.6, -0.6))
        axes.set_yticks([0, *rows.tolist()])
        heads = [
            f"P{k}" if symbols_only else f"head {k}, {length_text(d, units)}"
            for k, d in enumerate(spacings, 1)
        ]
        if profile.portrait and not symbols_only:
            heads = [f"head {k}" for k in rows.tolist()]
        axes.set_yticklabels(["R" if symbols_only else "note", *heads])
        axes.xaxis.set_major_locator(FixedLocator(np.arange(0, last + 0.1, 0.5 if last <= 4 else 1).tolist()))
        axes.xaxis.set_minor_locator(FixedLocator(np.arange(0, last + 0.1, 0.25).tolist()))
        axes.grid(True, which="minor", axis="x", color=profile.ground.grid, linewidth=profile.line_pt / 5)
    said = _and(
        f"{length_text(d, units)} at {b:.2f} beats" for d, b in zip(spacings, beats.tolist(), strict=True)
    )
    return Drawn(
        figure,
        {"hits": hits, "played": start},
        f"Heads as a rhythm, {speed_text(speed, units)} and {bpm:g} beats a minute: {said}.",
        f"Dot chart, time in beats after the note to the right, one row per playback head: {said}. "
        "Fine vertical lines are sixteenth notes.",
        ("beats = T bpm / 60, from the definition of the tempo",),
    )


# ---------------------------------------------------------------- wavelength and response


def wavelength_at_gap(
    *,
    frequency,
    speeds,
    gap,
    gap_factor=standards.DEFAULT_GAP_FACTOR,
    units="metric",
    profile="notebook",
    symbols_only=False,
    axes=None,
):
    """Draw the pattern that one tone leaves on tape at several speeds, passing the gap.

    Parameters
    ----------
    frequency : float
        The tone, Hz.
    speeds : tuple of float
        Tape speeds, m/s.
    gap : float
        Length of the playback gap, m.
    gap_factor : float, optional
        Effective over mechanical gap length.
    units : {"metric", "inches"}, optional
        Which units people are to read for the speed.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"patterns"`` (one per speed; um along the tape) and ``"gap"``.

    Raises
    ------
    ValueError
        If a value is not greater than 0.

    Notes
    -----
    Source: wavelength = v / f; `response.gap_loss_db`. Notebook: 02_wavelength_and_tape_speed.

    Examples
    --------
    >>> wavelength_at_gap(frequency=10000, speeds=(0.1905,), gap=4e-6).caption
    'A tone of 10 kHz on tape. At 19.05 cm/s: wavelength 19 µm, gap loss 0.8 dB.'
    """
    lengths = np.atleast_1d(response.wavelength(frequency, list(speeds)))
    losses = np.atleast_1d(response.gap_loss_db(frequency, list(speeds), gap, gap_factor=gap_factor))
    half = from_si(1.1 * lengths.max(), "um")
    along = np.linspace(-half, half, 1200)
    width = from_si(gap, "um") * gap_factor
    with draw(profile, axes) as (profile, figure, axes):
        window = axes.axvspan(
            -width / 2,
            width / 2,
            facecolor=profile.ground.fill,
            linewidth=profile.line_pt / 2,
            edgecolor=profile.ground.frame,
        )
        patterns = []
        for k, length in enumerate(from_si(lengths, "um").tolist()):
            wave = -1.5 * k + 0.55 * np.cos(2 * np.pi * along / length)
            patterns += axes.plot(along, wave, **style.line_style(profile, k))
        style.dress(
            axes,
            profile,
            title="" if symbols_only else f"{style.frequency_text(frequency)} on tape, and the gap",
            grid=None,
            x=axis_label("along the tape", "$x$", "µm", symbols_only=symbols_only),
        )
        axes.set(xlim=(-half, half), ylim=(-1.5 * (len(speeds) - 1) - 1.0, 1.0))
        axes.set_yticks(-1.5 * np.arange(len(speeds)))
        rows = [
            f"{speed_text(speed, units)}\n{from_si(length, 'um'):.2g} "
            f"\N{MICRO SIGN}m\n{_minus(f'{loss:.1f}')} dB"
            for speed, length, loss in zip(speeds, lengths.tolist(), losses.tolist(), strict=True)
        ]
        axes.set_yticklabels(rows, linespacing=1.25)
    said = [
        f"At {speed_text(speed, units)}: wavelength {from_si(length, 'um'):.2g} \N{MICRO SIGN}m, gap "
        f"loss {-loss:.1f} dB"
        for speed, length, loss in zip(speeds, lengths.tolist(), losses.tolist(), strict=True)
    ]
    return Drawn(
        figure,
        {"patterns": patterns, "gap": window},
        f"A tone of {style.frequency_text(frequency)} on tape. {'. '.join(said)}.",
        "Waves along the tape in µm, one row per speed, behind one shaded strip, the effective gap of "
        f"{width:.1f} µm: the slower the tape, the more of a wave the gap takes in. {'. '.join(said)}.",
        ("wavelength = v / f", "gap loss: J. Eargle, Electroacoustical Reference Data, 1994"),
    )


def four_losses(*, speed, contact, units="metric", profile="notebook", symbols_only=False, axes=None):
    """Draw spacing, thickness, gap and azimuth loss over frequency, and their sum.

    Parameters
    ----------
    speed : float
        Tape speed, m/s.
    contact : HeadContact
        Gap, separation, coating, track and tilt.
    units : {"metric", "inches"}, optional
        Which units people are to read for the speed.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"thickness"``, ``"spacing"``, ``"gap"``, ``"azimuth"`` and ``"sum"``.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: beside each loss in `tapecalc.response`. Notebook: 02_wavelength_and_tape_speed.

    Examples
    --------
    >>> contact = response.HeadContact(gap=4e-6, separation=1e-6, coating_thickness=11e-6,
    ...                                track_width=2e-3, azimuth_angle=0.001)
    >>> sorted(four_losses(speed=0.1905, contact=contact).artists)
    ['azimuth', 'gap', 'spacing', 'sum', 'thickness']
    """
    angle, factor = contact.azimuth_angle, contact.gap_factor
    curves = {
        "thickness": response.thickness_loss_db(_GRID, speed, contact.coating_thickness),
        "spacing": response.spacing_loss_db(_GRID, speed, contact.separation),
        "gap": response.gap_loss_db(_GRID, speed, contact.gap, gap_factor=factor),
        "azimuth": response.azimuth_loss_db(_GRID, speed, contact.track_width, angle),
        "sum": response.contact_loss_db(_GRID, speed, contact),
    }
    with draw(profile, axes) as (profile, figure, axes):
        order = (0, 1, 2, 3, 4)
        looks = [style.line_style(profile, k) for k in order]
        looks[-1] |= {"color": profile.ground.text, "linestyle": "-", "linewidth": 1.3 * profile.line_pt}
        lines = {
            name: axes.plot(_GRID, curve, **look)[0]
            for (name, curve), look in zip(curves.items(), looks, strict=True)
        }
        x = _f_axis(axes, profile, symbols_only)
        style.dress(
            axes,
            profile,
            title="" if symbols_only else f"What is lost at {speed_text(speed, units)}",
            x=x,
            y=axis_label("loss", "$A$", "dB", symbols_only=symbols_only),
        )
        axes.set_ylim(-30, 1.5)
        symbols = dict(zip(curves, ("$c$", "$s$", "$g$", r"$\alpha$", r"$\Sigma$"), strict=True))
        name_lines(axes, profile, lines.values(), [symbols[n] if symbols_only else n for n in lines])
    at = {name: f"{np.interp(np.log(10e3), np.log(_GRID), curve):.1f}" for name, curve in curves.items()}
    said = _minus(_and(f"{name} {value} dB" for name, value in at.items()))
    return Drawn(
        figure,
        lines,
        f"Losses of one playback at {speed_text(speed, units)}; at 10 kHz: {said}.",
        "Line chart of loss in dB over frequency from 20 Hz to 20 kHz; five curves that start at 0 "
        "dB and bend "
        f"down towards high frequencies. At 10 kHz: {said}.",
        (
            "spacing and thickness: R. L. Wallace, Bell System Technical Journal 30, 1951 (from memory)",
            "gap: J. Eargle, Electroacoustical Reference Data, 1994",
        ),
    )


def _band_text(low, high):
    """Say from where to where a band reaches; None where the response has not fallen."""
    start = "0 Hz" if low is None else style.frequency_text(low)
    return f"{start} to {'beyond hearing' if high is None else style.frequency_text(high)}"


def repeats_response(
    *, one_pass, repeats=8, units="metric", profile="notebook", symbols_only=False, axes=None
):
    """Draw the response of the first and each later repeat: every pass is darker.

    Parameters
    ----------
    one_pass : OnePass
        What one trip over the tape does.
    repeats : int, optional
        How many repeats, 1 to 12.
    units : {"metric", "inches"}, optional
        Which units people are to read for the speed.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"repeats"``: one line per repeat.

    Raises
    ------
    ValueError
        If `repeats` is out of its range.

    Notes
    -----
    Source: n passes are n times one pass in dB. Notebook: 02_wavelength_and_tape_speed.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> drawn = repeats_response(one_pass=example_machine().one_pass(0.1905), repeats=3)
    >>> len(drawn.artists["repeats"])
    3
    """
    colors = style.sequence(profile, repeats)
    with draw(profile, axes) as (profile, figure, axes):
        lines = []
        for n, color in enumerate(colors, 1):
            level = response.repeat_level_db(one_pass, _GRID, n)
            lines += axes.plot(_GRID, level, color=color, linewidth=profile.line_pt)
        x = _f_axis(axes, profile, symbols_only)
        style.dress(
            axes,
            profile,
            title="" if symbols_only else f"Every repeat is darker, {speed_text(one_pass.speed, units)}",
            x=x,
            y=axis_label("level", "$L$", "dB", symbols_only=symbols_only),
        )
        axes.set_ylim(-36, 3)
        number = "{}" if profile.portrait else "$n$ = {}" if symbols_only else "repeat {}"
        for line, n, floor, side in ((lines[-1], repeats, -26, "left"), (lines[0], 1, -36, "right")):
            inside = line.get_xydata()[line.get_ydata() > floor]
            if inside.size:
                _note(axes, profile, inside[-1], number.format(n), side)
    first, last = response.bandwidth(one_pass), response.bandwidth(one_pass, passes=repeats)
    bands = [_band_text(*band) for band in (first, last)]
    return Drawn(
        figure,
        {"repeats": lines},
        f"Response of repeats 1 to {repeats} at {speed_text(one_pass.speed, units)}, dark to light. "
        "Down 3 dB: "
        f"repeat 1 from {bands[0]}, repeat {repeats} from {bands[1]}.",
        f"Line chart of level in dB over frequency, {repeats} nested curves, each narrower than the "
        "one before. "
        f"Repeat 1 keeps {bands[0]}, repeat {repeats} {bands[1]} within 3 dB.",
        ("n passes are n times one pass in dB",),
    )


def equalization_standards(
    *,
    names=("IEC1 15 ips", "NAB 7.5 ips", "IEC1 7.5 ips", "NAB 3.75 ips"),
    profile="notebook",
    symbols_only=False,
    axes=None,
):
    """Draw the flux on tape that recording standards ask for.

    Parameters
    ----------
    names : tuple of str, optional
        Up to five names from `standards.EQUALIZATIONS`.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words; the names of standards stay.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists by the names of the standards.

    Raises
    ------
    ValueError
        If a name is not known.

    Notes
    -----
    Source: IEC 60094-1; beside each entry of `standards.EQUALIZATIONS`.
    Notebook: 02_wavelength_and_tape_speed.

    Examples
    --------
    >>> sorted(equalization_standards(names=("NAB 7.5 ips",)).artists)
    ['NAB 7.5 ips']
    """
    chosen = [standards.equalization(name) for name in names]
    with draw(profile, axes) as (profile, figure, axes):
        lines = {}
        for k, entry in enumerate(chosen):
            level = response.equalization_db(_GRID, entry.tau_high, entry.tau_low)
            (lines[entry.name],) = axes.plot(_GRID, level, **style.line_style(profile, k))
        x = _f_axis(axes, profile, symbols_only)
        style.dress(
            axes,
            profile,
            title="" if symbols_only else "What the standards put on tape",
            x=x,
            y=axis_label("flux level", r"$\Phi$", "dB", symbols_only=symbols_only),
        )
        name_lines(axes, profile, lines.values(), list(lines))
    said = _and(
        f"{entry.name} {style.frequency_text(response.transition_frequency(entry.tau_high))}"
        for entry in chosen
    )
    return Drawn(
        figure,
        lines,
        f"Recorded flux by standard. The treble falls by 3 dB at: {said}.",
        "Line chart of flux level on tape in dB over frequency; flat in the middle, falling towards "
        "the treble, "
        f"and rising in the bass where the standard says so. Treble corner: {said}.",
        tuple(dict.fromkeys(entry.source for entry in chosen)),
    )


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
    Source: repeat n is n times the loop gain in dB. Notebook: 03_repeats_and_loop_stability.

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
        style.dress(
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
    Notebook: 03_repeats_and_loop_stability.

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
        style.dress(
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
    Source: `tapecalc.loop.stability`. Notebook: 03_repeats_and_loop_stability.

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
        style.dress(
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


# ---------------------------------------------------------------- tempo

#: The note values that a song is most likely to want, the longest first.
SONG_NOTES = ("quarter", "dotted eighth", "eighth", "eighth triplet", "sixteenth")


def tempo_map(
    *,
    delays,
    low=60.0,
    high=180.0,
    notes=SONG_NOTES,
    bpm=None,
    profile="notebook",
    symbols_only=False,
    axes=None,
):
    """Draw delay over tempo, a curve per note value, with the machine's delays across.

    Parameters
    ----------
    delays : tuple of float
        The machine's delays, s.
    low, high : float, optional
        Ends of the tempo axis, quarter notes per minute.
    notes : tuple of str, optional
        Up to five names of note values.
    bpm : float, optional
        The tempo of a song, marked if given.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"notes"`` (curves), ``"delays"`` (level lines), ``"fits"`` (dots: tempos that fit).

    Raises
    ------
    ValueError
        If a note value is not known or a number is out of range.

    Notes
    -----
    Source: T = beats 60 / bpm. Notebook: 04_matching_the_tempo.

    Examples
    --------
    >>> drawn = tempo_map(delays=(0.25,), notes=("eighth",))
    >>> drawn.artists["fits"].get_xydata()
    array([[120., 250.]])
    """
    values = [tempo.note_value(name) for name in notes]
    tempos = np.linspace(low, high, 200)
    fits = [
        (note.name, beat, delay)
        for delay in delays
        for note, beat in tempo.tempos_for_delay(delay, low=low, high=high, notes=tuple(values))
    ]
    with draw(profile, axes) as (profile, figure, axes):
        curves = []
        for k, note in enumerate(values):
            curve = from_si(tempo.delay_from_tempo(tempos, note.beats), "ms")
            curves += axes.plot(tempos, curve, **style.line_style(profile, k))
        levels_drawn = [
            axes.axhline(
                from_si(delay, "ms"), color=profile.ground.text, linestyle="-", linewidth=profile.line_pt / 2
            )
            for delay in delays
        ]
        (dots,) = axes.plot(
            [beat for _, beat, _ in fits],
            [from_si(delay, "ms") for *_, delay in fits],
            "o",
            color=profile.ground.text,
            markersize=3 * profile.line_pt,
            zorder=4,
        )
        artists = {"notes": curves, "delays": levels_drawn, "fits": dots}
        if bpm is not None:
            artists["song"] = axes.axvline(
                bpm, color=profile.ground.frame, linestyle="--", linewidth=profile.line_pt / 2
            )
        style.dress(
            axes,
            profile,
            title="" if symbols_only else "Which tempos this machine likes",
            x=axis_label("tempo (beats per minute)", "bpm", "", symbols_only=symbols_only),
            y=axis_label("delay", "$T$", "ms", symbols_only=symbols_only),
        )
        top = 1.1 * from_si(max(*delays, tempo.delay_from_tempo(90.0, 1.0)), "ms")
        axes.set(xlim=(low, high), ylim=(0, top))
        own = [from_si(delay, "ms") for delay in delays]
        room = top / (10 if profile.portrait else 14)
        round_ones = [t for t in MaxNLocator(8).tick_values(0, top) if t < top]
        axes.set_yticks([*(t for t in round_ones if min(abs(t - d) for d in own) > room), *own])
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.0f}"))
        names = [_fraction(note.beats / 4) if symbols_only else note.name for note in values]
        name_lines(axes, profile, curves, names)
    said = "; ".join(
        f"{from_si(delay, 'ms'):.0f} ms fits "
        + (_and(f"{name} at {beat:.1f}" for name, beat, d in fits if d == delay) or "none")
        for delay in delays
    )
    return Drawn(
        figure,
        artists,
        f"Delay and tempo, in beats per minute: {said}.",
        "Line chart of delay in ms over tempo, a falling curve per note value, level lines for the machine's "
        f"delays, dots where they meet: {said}.",
        ("T = beats 60 / bpm, from the definition of the tempo",),
    )


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
    Source: `flutter.repeat_deviation`. Notebook: 05_wow_and_flutter.

    Examples
    --------
    >>> drawn = flutter_comb(delay=0.25)
    >>> drawn.artists["first"].get_ydata().max().round(3)
    np.float64(2.0)
    """
    if parts and speed is None:
        raise ValueError("speed must be given to mark parts, got None")
    rates = flutter.part_rates(parts, speed) if parts else {}
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
        style.dress(
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
    Source: `flutter.part_rates`, `flutter.part_repeat_deviations`. Notebook: 05_wow_and_flutter.

    Examples
    --------
    >>> part = flutter.TurningPart(name="pinch roller", diameter=0.038, wobble=0.0003)
    >>> drawn = flutter_fingerprint(parts=(part,), speed=0.1905, delay=0.218)
    >>> drawn.artists["wobble"].get_xdata().round(2)
    array([1.6])
    """
    if not parts:
        raise ValueError("parts must hold at least one turning part, got none")
    rates = np.array(list(flutter.part_rates(parts, speed).values()))
    wobbles = from_si([part.wobble for part in parts], "percent")
    bends = from_si(list(flutter.part_repeat_deviations(parts, speed, delay).values()), "percent")
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
        style.dress(
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


def reel_time(
    *,
    length,
    inner_radius,
    tape_thickness,
    speeds,
    units="metric",
    profile="notebook",
    symbols_only=False,
    axes=None,
):
    """Draw how the pack on the take-up reel grows with time, one line per speed.

    Parameters
    ----------
    length : float
        Length of the tape, m.
    inner_radius : float
        Radius of the hub, m.
    tape_thickness : float
        Total thickness, m.
    speeds : tuple of float
        Tape speeds, m/s.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"packs"``: one line per speed, minutes and mm or in.

    Raises
    ------
    ValueError
        If a value is not greater than 0.

    Notes
    -----
    Source: L = pi (Ro^2 - Ri^2) / h; run time L / v. Notebook: 02_wavelength_and_tape_speed.

    Examples
    --------
    >>> reel_time(length=549, inner_radius=0.03, tape_thickness=35e-6, speeds=(0.1905,)).caption
    'A tape of 549 m runs 48 minutes at 19.05 cm/s; the pack grows from 30 mm to 83.8 mm.'
    """
    unit = {"metric": "mm", "inches": "in"}[style.nearest_name("units", units, ("metric", "inches"))]
    wound = np.linspace(length / 400, length, 200)
    radius = from_si(transport.pack_radius(wound, inner_radius, tape_thickness), unit)
    with draw(profile, axes) as (profile, figure, axes):
        packs = []
        for k, speed in enumerate(speeds):
            minutes = from_si(transport.run_time(wound, speed), "min")
            packs += axes.plot(minutes, radius, **style.line_style(profile, k))
        ends = [line.get_xdata()[-1] for line in packs]
        (marks,) = axes.plot(
            ends,
            [radius[-1]] * len(ends),
            "o",
            color=profile.ground.text,
            markersize=3 * profile.line_pt,
            zorder=4,
        )
        style.dress(
            axes,
            profile,
            title="" if symbols_only else "How long a reel runs",
            x=axis_label("time", "$t$", "min", symbols_only=symbols_only),
            y=axis_label("radius of the pack", "$R$", unit, symbols_only=symbols_only),
        )
        axes.set(xlim=(0, 1.06 * max(ends)), ylim=(0, 1.2 * radius[-1]))
        names = [speed_text(speed, units) for speed in speeds]
        if profile.narrow:
            name_lines(axes, profile, packs, names)
        else:
            axes.legend(packs, names, loc="lower right")
    said = _and(
        f"{end:.0f} minutes at {speed_text(speed, units)}" for end, speed in zip(ends, speeds, strict=True)
    )
    tape = f"{length:.0f} m" if units == "metric" else f"{from_si(length, 'ft'):.0f} ft"
    outer = transport.pack_radius(length, inner_radius, tape_thickness)
    grows = f"{length_text(inner_radius, units)} to {length_text(outer, units)}"
    return Drawn(
        figure,
        {"packs": packs, "ends": marks},
        f"A tape of {tape} runs {said}; the pack grows from {grows}.",
        f"Line chart of the radius of the take-up pack in {_spelled(unit)} over time in minutes, one curve "
        f"per speed: {said}, from {grows}.",
        ("L = pi (Ro^2 - Ri^2) / h",),
    )


# ---------------------------------------------------------------- levels


def level_ladder(*, stages, source_dbu, profile="notebook", symbols_only=False, axes=None):
    """Draw the level diagram: signal, clipping and noise at each stage.

    Parameters
    ----------
    stages : tuple of Stage
        The way of the signal.
    source_dbu : float
        Level that comes in, dBu.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words; stages become numbers.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"signal"``, ``"most"`` and ``"noise"``, dBu.

    Raises
    ------
    ValueError
        If there is no stage, or a level is not finite.

    Notes
    -----
    Source: gains add in dB. Notebook: 07_patching_and_levels.

    Examples
    --------
    >>> way = (levels.Stage("mixer", 10, 20, -90), levels.Stage("tape", 0, 13, -52))
    >>> level_ladder(stages=way, source_dbu=-10).caption
    'Levels along the way. Least headroom: tape, 13 dB; 52 dB above the noise at the end.'
    """
    diagram = levels.level_diagram(stages, source_dbu)
    nodes, places = diagram.nodes, np.arange(len(diagram.nodes))
    with draw(profile, axes) as (profile, figure, axes):
        looks = [style.line_style(profile, k, marker=True) for k in range(3)]
        (most,) = axes.plot(places, [stage.max_dbu for stage in stages], **looks[1])
        (signal,) = axes.plot(places, [node.dbu for node in nodes], **looks[0])
        heard = [k for k, node in enumerate(nodes) if node.noise_dbu is not None]
        (noise,) = axes.plot(heard, [nodes[k].noise_dbu for k in heard], **looks[2])
        first = nodes.index(diagram.first_to_clip)
        (room,) = axes.plot(
            [first, first],
            [nodes[first].dbu, nodes[first].dbu + nodes[first].headroom_db],
            color=profile.ground.text,
            linewidth=profile.line_pt / 2,
        )
        headroom = f"{_minus(f'{nodes[first].headroom_db:.0f}')} dB"
        middle = (first, nodes[first].dbu + nodes[first].headroom_db / 2)
        _note(axes, profile, middle, headroom, "right")
        short = symbols_only or profile.narrow
        style.dress(
            axes,
            profile,
            title="" if symbols_only else "Levels along the way",
            grid="y",
            y=axis_label("level", "$L$", "dBu", symbols_only=symbols_only),
        )
        axes.set(xlim=(-0.3, len(nodes) - 0.7))
        axes.set_xticks(places)
        axes.set_xticklabels(
            [str(k + 1) if short else node.name.replace(" ", "\n") for k, node in enumerate(nodes)]
        )
        words = ("clips", "signal", "noise")
        drawn = [most, signal, noise][: 3 if heard else 2]
        name_lines(
            axes, profile, drawn, ["max", "$L$", "$N$"][: len(drawn)] if symbols_only else words[: len(drawn)]
        )
    snr = "" if diagram.snr_db is None else f"; {diagram.snr_db:.0f} dB above the noise at the end"
    worst = diagram.first_to_clip
    said = f"Least headroom: {worst.name}, {worst.headroom_db:.0f} dB{snr}"
    order = ", ".join(f"{k} {node.name}" for k, node in enumerate(nodes, 1))
    return Drawn(
        figure,
        {"signal": signal, "most": most, "noise": noise, "headroom": room},
        f"Levels along the way. {said}.",
        f"Line chart of level in dBu at each stage ({order}): signal, the level at which the stage "
        "clips, and noise. "
        f"{said}.",
        ("gains add in dB, powers of uncorrelated noises add",),
    )
