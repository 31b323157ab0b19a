"""The figure of levels along the chain."""

from __future__ import annotations

import numpy as np

from tapecalc.calc import levels
from tapecalc.plot import style
from tapecalc.plot.kit import Drawn, _minus, _note, axis_label, draw, name_lines

__all__ = [
    "level_ladder",
]


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
    Source: gains add in dB. Notebook: 07_patching.

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
        style.style_axes(
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
