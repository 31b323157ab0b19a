"""Figures of many heads: the tape as a ruler for rhythm, the comb of close heads, the map of rhythms."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.ticker import FixedLocator

from tapecalc.calc import head_design, heads, tempo, transport
from tapecalc.calc.quantity import known_name
from tapecalc.calc.units import amplitude_to_db, from_si
from tapecalc.plot import style
from tapecalc.plot.kit import Drawn, _and, axis_label, draw, length_text, speed_text

__all__ = [
    "RHYTHM_NOTES",
    "comb_of_heads",
    "head_rhythm",
    "reachable_rhythms",
    "ruler_marks",
    "tape_as_ruler",
]


#: The note values of the map, from short to long.
RHYTHM_NOTES = (
    "sixteenth", "eighth triplet", "eighth", "quarter triplet", "dotted eighth", "quarter",
    "half triplet", "dotted quarter", "half",
)  # fmt: skip
FAINTEST_DB = -40.0  # the comb is drawn down to here
MOST_NUMBERS = 8  # beats that are numbered on one ruler
SIXTEENTHS = 4  # in a beat
#: Height of a mark by how many sixteenths it stands from a beat.
MARK_HEIGHTS = (0.30, 0.12, 0.20, 0.12)


def ruler_marks(speed, bpm, farthest):
    """Find where the sixteenths of a tempo lie along the tape, ``d = k v 60 / (4 bpm)``.

    Parameters
    ----------
    speed : float
        Tape speed, m/s.
    bpm : float
        Tempo, quarter notes per minute.
    farthest : float
        Where the ruler ends, m from the record head.

    Returns
    -------
    positions : numpy.ndarray
        Positions of the marks in m, from 0 up to `farthest`; every fourth is a beat.
    heights : numpy.ndarray
        How long to draw each mark: beats the longest, sixteenths the shortest.

    Raises
    ------
    ValueError
        If the speed or the tempo is not greater than 0.

    See Also
    --------
    tape_as_ruler : draws them

    Notes
    -----
    Source: d = T v, and one beat of 60 / bpm seconds. Notebook: 06_heads.

    Examples
    --------
    >>> ruler_marks(0.2, 120, 0.06)
    (array([0.   , 0.025, 0.05 ]), array([0.3 , 0.12, 0.2 ]))
    """
    step = transport.spacing_from_delay(tempo.delay_from_tempo(bpm, 1 / SIXTEENTHS), speed)
    count = np.arange(int(np.floor(farthest / step * (1 + 1e-9))) + 1)
    return count * step, np.array(MARK_HEIGHTS)[count % SIXTEENTHS]


def tape_as_ruler(*, layout, speeds, bpm, units="metric", profile="notebook", symbols_only=False, axes=None):
    """Draw the heads on the tape path, and below it one ruler of note values for each speed.

    Parameters
    ----------
    layout : Heads
        The playback heads.
    speeds : tuple of float
        Tape speeds, m/s, one ruler each.
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
        Artists ``"heads"`` on the tape, ``"marks"`` and ``"hits"`` one for each speed.

    Raises
    ------
    ValueError
        If a speed or the tempo is not greater than 0.

    See Also
    --------
    tapecalc.show.figures.head_rhythm : the same over time

    Notes
    -----
    Source: d = T v. Notebook: 06_heads.

    Examples
    --------
    >>> layout = heads.Heads(positions=(0.05, 0.1))
    >>> tape_as_ruler(layout=layout, speeds=(0.2,), bpm=120).caption
    'Heads at 50 mm and 100 mm, 120 beats a minute. At 20 cm/s: eighth +0.0 ms, quarter +0.0 ms.'
    """
    unit = {"metric": "mm", "inches": "in"}[known_name("units", units, ("metric", "inches"))]
    places = from_si(np.array(layout.spacings), unit)
    farthest = 1.08 * max(layout.spacings)
    onsets = [heads.rhythm(layout, speed, bpm) for speed in speeds]
    with draw(profile, axes) as (profile, figure, axes):
        rows = np.arange(1, len(speeds) + 1)
        axes.hlines([0, *rows], 0, from_si(farthest, unit), color=profile.ground.frame,
                    linewidth=profile.line_pt / 2)  # fmt: skip
        axes.vlines(places, 0, rows[-1], color=profile.ground.colors[0], linewidth=profile.line_pt / 3)
        squares = []
        for place, feeds in zip(places.tolist(), layout.feeds_return, strict=True):
            face = profile.ground.colors[0] if feeds else _paper(profile)
            squares += axes.plot([place], [0], **_mark(profile, 0, "s", face))
        axes.plot([0], [0], **_mark(profile, 1, "s", profile.ground.colors[1]))
        marks, hits = [], []
        for row, speed, answers in zip(rows.tolist(), speeds, onsets, strict=True):
            positions, heights = ruler_marks(speed, bpm, farthest)
            at = from_si(positions, unit)
            lines = [[(x, row), (x, row - h)] for x, h in zip(at.tolist(), heights.tolist(), strict=True)]
            thin = {"colors": profile.ground.text, "linewidths": profile.line_pt * 0.75}
            marks.append(axes.add_collection(LineCollection(lines, **thin)))
            hits += axes.plot(places, np.full(places.size, row), **_mark(profile, 0, "o", None))
            _number_beats(axes, profile, at[::SIXTEENTHS], row)
            if not profile.narrow:
                for x, onset in zip(places.tolist(), answers, strict=True):
                    _beside(axes, profile, x, row, _fraction(onset.fit.note))
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else f"The tape is a ruler, {bpm:g} bpm",
            x=axis_label(
                "distance" if profile.narrow else "distance from the record head",
                "$d$",
                unit,
                symbols_only=symbols_only,
            ),
            grid=None,
        )
        axes.set(xlim=(-0.02 * from_si(farthest, unit), from_si(farthest, unit)), ylim=(rows[-1] + 0.5, -0.6))
        axes.set_yticks([0, *rows.tolist()])
        axes.set_yticklabels(["R, P" if symbols_only else "tape", *(speed_text(v, units) for v in speeds)])
    said = ". ".join(
        f"At {speed_text(speed, units)}: "
        + ", ".join(f"{o.fit.note.name} {_signed_ms(o.fit.error)}" for o in answers)
        for speed, answers in zip(speeds, onsets, strict=True)
    )
    where = " and ".join(length_text(d, units) for d in layout.spacings)
    return Drawn(
        figure,
        {"heads": squares, "marks": marks, "hits": hits},
        f"Heads at {where}, {bpm:g} beats a minute. {said}.",
        f"Upper line: the tape with its record head at 0 and {len(places)} playback heads as squares, filled "
        "where a head feeds the return. Below, one ruler for each speed: the longest marks are beats, the "
        f"shortest sixteenths; dots are the heads, with the nearest note value. {said}.",
        ("d = T v, from the motion",),
    )


def comb_of_heads(*, delays, levels, highest=1000.0, profile="notebook", symbols_only=False, axes=None):
    """Draw the level of summed heads over frequency: the comb that close heads make.

    Parameters
    ----------
    delays : tuple of float
        Delay of each head, s.
    levels : tuple of float
        Amplitude of each head, one for each delay, at least one above 0.
    highest : float, optional
        Where the frequency axis ends, Hz. It is even, as the comb is.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"comb"`` (Hz, dB against the loudest head alone, drawn down to -40 dB) and
        ``"alone"``, the level of that head.

    Raises
    ------
    ValueError
        If a value is out of its range or the lengths differ.

    See Also
    --------
    tapecalc.heads.notch_frequencies : where two heads cancel

    Notes
    -----
    Source: superposition. Notebook: 06_heads.

    Examples
    --------
    >>> comb_of_heads(delays=(0.1, 0.105), levels=(1, 1)).caption
    'Two heads 5.0 ms apart: peaks of +6.0 dB, notches from 100 Hz on, 200 Hz apart.'
    """
    delays, levels = np.atleast_1d(delays), np.atleast_1d(levels)
    frequency = np.linspace(0, highest, 4001)
    sums = np.abs(heads.taps_gain(frequency, delays, levels)) / np.max(levels)
    comb_db = amplitude_to_db(np.maximum(sums, 10 ** (FAINTEST_DB / 20)))
    top_db = amplitude_to_db(np.sum(levels) / np.max(levels))
    said = f"{len(delays)} heads: peaks of at most {top_db:+.1f} dB"
    if len(delays) == 2:
        notches = heads.notch_frequencies(*delays.tolist(), highest)
        apart = abs(float(delays[1] - delays[0]))
        said = (
            f"Two heads {from_si(apart, 'ms'):.1f} ms apart: peaks of {top_db:+.1f} dB, "
            f"notches from {0.5 / apart:.0f} Hz on, {1 / apart:.0f} Hz apart"
        )
        said += "" if notches.size else ", beyond this picture"
    with draw(profile, axes) as (profile, figure, axes):
        (comb,) = axes.plot(frequency, comb_db, **style.line_style(profile, 0))
        look = style.line_style(profile, 1) | {"linewidth": profile.line_pt / 2}
        alone = axes.axhline(0, **look)
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "Close heads make a comb",
            x=axis_label("frequency", "$f$", "Hz", symbols_only=symbols_only),
            y=axis_label("level against one head", "$|H|$", "dB", symbols_only=symbols_only),
        )
        axes.set(xlim=(0, highest), ylim=(FAINTEST_DB, np.ceil(top_db / 6 + 0.2) * 6))
    return Drawn(
        figure,
        {"comb": comb, "alone": alone},
        f"{said}.",
        f"Line chart of level in dB over frequency from 0 to {highest:g} Hz, even steps. The line goes up "
        f"and down like a comb; the dashed line is the loudest head alone. {said}.",
        ("superposition",),
    )


def reachable_rhythms(
    *,
    limits,
    speeds,
    bpm,
    notes=RHYTHM_NOTES,
    allowed_error=0.006,
    units="metric",
    profile="notebook",
    symbols_only=False,
    axes=None,
):
    """Draw the map of rhythms that two heads of a machine can reach.

    Parameters
    ----------
    limits : MechanicalLimits
        Where heads can stand; needs a ruler step.
    speeds : tuple of float
        The machine's speeds, m/s, at most five.
    bpm : float
        Tempo, quarter notes per minute.
    notes : tuple of str, optional
        Names of note values.
    allowed_error : float, optional
        How far off an answer may be, s.
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
        Artists ``"reached"``, one set of points for each speed, and ``"missed"``; a point counts
        the notes from short to long, the second head to the right, the first upwards.

    Raises
    ------
    InfeasibleLayout
        If two heads do not fit.
    ValueError
        If a note value is not known or a number is out of range.

    See Also
    --------
    tapecalc.heads.rhythm_map : the numbers

    Notes
    -----
    Source: as `tapecalc.heads.rhythm_map`. Notebook: 06_heads.

    Examples
    --------
    >>> limits = head_design.MechanicalLimits(first=0.03, pitch=0.02, longest=0.1)
    >>> reachable_rhythms(limits=limits, speeds=(0.2,), bpm=120, notes=("eighth", "quarter", "half")).caption
    'Two heads at 120 beats a minute: 3 of 6 rhythms come within 6 ms. 20 cm/s serves 3.'
    """
    speeds = sorted(speeds, reverse=True)
    table = head_design.rhythm_map(limits, speeds, bpm, notes=[tempo.note_value(name) for name in notes])
    names = [_fraction(note) for note in table.notes]
    good = table.errors <= allowed_error
    first, second = np.triu_indices(len(names))
    good, at_speed = good[first, second], table.speeds[first, second]
    with draw(profile, axes) as (profile, figure, axes):
        reached, size = [], min(4 * profile.line_pt, 0.9 * profile.text_pt)
        for k, speed in enumerate(speeds):
            which = good & (at_speed == speed)
            look = style.line_style(profile, k, marker=True) | {"linestyle": "none", "markersize": size}
            reached += axes.plot(second[which], first[which], label=speed_text(speed, units), **look)
        (missed,) = axes.plot(
            second[~good],
            first[~good],
            "x",
            color=profile.ground.frame,
            markersize=0.6 * size,
            markeredgewidth=profile.line_pt / 2,
            label="-" if symbols_only else "out of reach",
        )
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else f"Rhythms within reach, {bpm:g} bpm",
            x=axis_label("second head, note value", "$b_2$", "", symbols_only=symbols_only),
            y=axis_label("first head, note value", "$b_1$", "", symbols_only=symbols_only),
        )
        span = (-0.6, len(names) - 0.4)
        axes.set(xlim=span, ylim=span)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_ticks(range(len(names)), names)
        axes.tick_params(axis="x", labelrotation=90 if profile.portrait else 0)
        axes.legend(loc="upper left", borderaxespad=0.2, handletextpad=0.2, labelspacing=0.3)
    served = ", ".join(
        f"{speed_text(speed, units)} serves {np.count_nonzero(good & (at_speed == speed))}"
        for speed in speeds
    )
    said = (
        f"Two heads at {bpm:g} beats a minute: {np.count_nonzero(good)} of {good.size} rhythms come within "
        f"{from_si(allowed_error, 'ms'):g} ms. {served}."
    )
    return Drawn(
        figure,
        {"reached": reached, "missed": missed},
        said,
        "Chart of pairs of note values as fractions of a whole note, the second head's to the right, the "
        "first head's upwards; one head alone on the diagonal. A mark for the speed that comes nearest, a "
        "cross where none comes near enough.",
        ("d = T v, from the motion", "note values: usual music notation"),
    )


# ---------------------------------------------------------------- small parts


def _mark(profile, index, shape, face):
    """Look of a marker without a line; `face` None fills it."""
    color = profile.ground.colors[index]
    return {
        "color": color,
        "marker": shape,
        "linestyle": "none",
        "markersize": 4 * profile.line_pt if shape == "s" else 3 * profile.line_pt,
        "markerfacecolor": color if face is None else face,
        "markeredgewidth": profile.line_pt / 2,
        "clip_on": False,
        "zorder": 4,
    }


def _paper(profile):
    """What shows through a hollow marker."""
    return "none" if profile.ground.face == "none" else profile.ground.face


def _number_beats(axes, profile, places, row):
    """Write the number of each beat to the lower left of its mark, not more than fit."""
    every = 1 + (len(places) - 1) // MOST_NUMBERS
    for beat in range(every, len(places), every):
        axes.annotate(
            f"{beat}",
            (places[beat], row),
            xytext=(-0.35 * profile.text_pt, -0.35 * profile.text_pt - profile.line_pt),
            textcoords="offset points",
            ha="right",
            va="top",
            fontsize=profile.text_pt,
            color=profile.ground.text,
        )


def _beside(axes, profile, x, row, text):
    """Write a note value to the upper right of its dot."""
    axes.annotate(
        text,
        (x, row),
        xytext=(0.35 * profile.text_pt, 0.9 * profile.text_pt),
        textcoords="offset points",
        ha="left",
        va="bottom",
        fontsize=profile.text_pt,
        color=profile.ground.text,
        annotation_clip=False,
    )


def _fraction(note):
    """Write a note value as a share of a whole note, 3/16."""
    return str(Fraction(note.beats / 4).limit_denominator(96))


def _signed_ms(error):
    """Write how late an answer comes."""
    return f"{from_si(error, 'ms'):+.1f} ms".replace("-", "\N{MINUS SIGN}")


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
    Source: beats = T bpm / 60. Notebook: 06_heads.

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
        style.style_axes(
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
