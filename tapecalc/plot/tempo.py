"""The figure of tempo and delay."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from tapecalc.calc import tempo
from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.flutter import _fraction
from tapecalc.plot.kit import Drawn, _and, axis_label, draw, name_lines

__all__ = [
    "tempo_map",
]


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
    Source: T = beats 60 / bpm. Notebook: 04_tempo.

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
        style.style_axes(
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
