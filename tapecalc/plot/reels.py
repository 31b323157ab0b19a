"""The figure of reels."""

import numpy as np

from tapecalc.calc import transport
from tapecalc.calc.quantity import known_name
from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.kit import Drawn, _and, _spelled, axis_label, draw, length_text, name_lines, speed_text


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
    Source: L = pi (Ro^2 - Ri^2) / h; run time L / v. Notebook: 02_wavelength.

    Examples
    --------
    >>> reel_time(length=549, inner_radius=0.03, tape_thickness=35e-6, speeds=(0.1905,)).caption
    'A tape of 549 m runs 48 minutes at 19.05 cm/s; the pack grows from 30 mm to 83.8 mm.'
    """
    unit = {"metric": "mm", "inches": "in"}[known_name("units", units, ("metric", "inches"))]
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
        style.style_axes(
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
