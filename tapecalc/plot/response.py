"""Figures of losses and equalization."""

from __future__ import annotations

import numpy as np

from tapecalc.calc import response, standards
from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.kit import (
    _GRID,
    Drawn,
    _and,
    _f_axis,
    _minus,
    _note,
    axis_label,
    draw,
    name_lines,
    speed_text,
)

__all__ = [
    "equalization_standards",
    "four_losses",
    "repeats_response",
    "wavelength_at_gap",
]


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
    Source: wavelength = v / f; `response.gap_loss_db`. Notebook: 02_wavelength.

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
        style.style_axes(
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
    Source: beside each loss in `tapecalc.response`. Notebook: 02_wavelength.

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
        style.style_axes(
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
    Source: n passes are n times one pass in dB. Notebook: 02_wavelength.

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
        style.style_axes(
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
    Notebook: 02_wavelength.

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
        style.style_axes(
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
