"""Clips of the tape's way."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from tapecalc.calc.tempo import delay_from_tempo
from tapecalc.machine import Machine
from tapecalc.plot import film
from tapecalc.plot.catalog import draw
from tapecalc.plot.clips.sounds import (
    LEAD,
    RATE,
    STEP,
    Part,
    envelope_of,
    even,
    events_of,
    from_the_back,
    give_way,
    leveled,
    notes_at,
    outline,
    show,
    stopped_at,
    together,
    whole_notes,
    with_phrase,
)
from tapecalc.plot.heads import song_tempo
from tapecalc.plot.kit import Drawn
from tapecalc.plot.style import STRUCTURE, Profile
from tapecalc.plot.tape import RIBBON
from tapecalc.sound.render import render, without_stages
from tapecalc.sound.samples import Array
from tapecalc.words import amount, length, listed, speed

FASTEST = 12.0  # turns a second: what turns faster is seen as a blur, and frames would show it standing
POINTS = 1200  # of the outline of what is recorded
SPOKE = (0.35, 0.85)  # shares of a radius between which what turns has a mark

# ---- the tape's way ----


def tape_path(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show sound on its way: written at the record head, carried along, and heard again."""
    settings, bpm = even(machine, machine.speeds[0]), song_tempo(machine)
    tape_speed, spacings = settings.motion.speed, machine.spacings
    delays = np.array(machine.delays(tape_speed))
    notes = whole_notes(LEAD + delay_from_tempo(bpm, 2) * np.arange(2), delays.max(), seconds)
    dry = notes_at(notes, seconds)
    events = events_of(seconds, notes, delays, ["echo"] * len(delays))
    phrase_at, until = LEAD + delay_from_tempo(bpm, 4), seconds - 2 * film.EASE - delays.max()
    if phrase_at < until - 0.2:
        dry = stopped_at(with_phrase(dry, phrase_at, bpm), until)  # its end is heard, and leaves the tape
        events += events_of(seconds, np.array([phrase_at]), delays, ["its echo"] * len(delays), note="phrase")
    take = render(dry, RATE, without_stages(settings, ["feedback"]), seconds=seconds)
    drawn = draw("tape_path", machine, profile=profile, units=units)
    axes, written = drawn.figure.axes[0], envelope_of(dry, seconds)
    shown = together(
        _riding(axes, drawn, machine, written, profile),
        _lit_heads(axes, drawn, machine, written, profile),
        _turning(axes, drawn, tape_speed, seconds, profile),
    )
    sound, level = leveled(take.mix)
    took = listed(f"{amount(t, 'ms')} over {length(d, units)}" for d, t in zip(spacings, delays, strict=True))
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back(shown.artists),
        update=shown.update,
        sound=sound,
        level=level,
        events=tuple(sorted(events)),
        poster=float(notes[0] + 0.6 * delays[0]),  # written, not yet heard
        title="The tape carries sound from head to head",
        caption=f"Sound on its way. At {speed(tape_speed, units)} the tape takes {took}: "
        "so much later it is heard again.",
        alt=f"{drawn.alt} Each note lights up the record head, rides along on the coated side of the "
        "tape, and "
        "lights up each playback head when it is heard again. Reels, capstan and pinch roller turn as "
        "fast as the tape runs over them.",
        sources=drawn.sources,
    )


def _riding(axes: Axes, drawn: Drawn, machine: Machine, written: Array, profile: Profile) -> Part:
    """What is recorded, riding on the coated side of the ribbon; it gives way to that of the still."""
    still, way = drawn.artists["sound"], drawn.artists["way"]
    along = np.linspace(0, drawn.artists["ridden"], POINTS)
    line = np.column_stack([np.interp(along, way[:, 0], way[:, k]) for k in (1, 2)])
    going = np.gradient(line, axis=0)
    coated = np.column_stack([-going[:, 1], going[:, 0]]) / np.hypot(*going.T)[:, None]
    coated *= 0.9 * RIBBON * drawn.artists["side"]
    face, tape_speed = line + coated / 2, machine.speeds[0]
    delays = (0.0, *machine.delays(tape_speed))
    beyond = delays[-1] + max(0.0, along[-1] - machine.spacings[-1]) / tape_speed
    ages = np.interp(along, [0, *machine.spacings, max(along[-1], machine.spacings[-1])], [*delays, beyond])
    pattern = outline(axes, profile.ground.echo, zorder=still.get_zorder())
    pattern.set_xy(np.concatenate([face - coated, face[::-1]]))  # where it can be
    seconds = len(written) * STEP

    def update(time: float) -> None:
        left = float(film.remaining(time, seconds))
        level = _level(written, time - ages)
        pattern.set_xy(np.concatenate([face - level[:, None] * coated, face[::-1]]))
        give_way(still, pattern, left)

    return Part([still, pattern], update)


def _level(written: Array, time: Any) -> Any:
    """An envelope at times in s, nothing before and after it."""
    return np.interp(time, np.arange(len(written)) * STEP, written, left=0, right=0)


def _lit_heads(axes: Axes, drawn: Drawn, machine: Machine, written: Array, profile: Profile) -> Part:
    """Heads that light up when they write, in the color of the dry sound, and when they play."""
    heads = (drawn.artists["record"], *drawn.artists["playback"])
    colors = [profile.ground.dry, *[profile.ground.echo] * (len(heads) - 1)]
    boxes = [
        Rectangle(head.get_xy(), head.get_width(), head.get_height(), facecolor=color, linewidth=0, zorder=6)
        for head, color in zip(heads, colors, strict=True)
    ]
    for box in boxes:
        axes.add_patch(box)
    delays = (0.0, *machine.delays(machine.speeds[0]))
    gains = (1.0, *(min(1.0, abs(gain)) for gain in machine.heads_at(machine.speeds[0]).gains))
    seconds = len(written) * STEP

    def update(time: float) -> None:
        for box, delay, gain in zip(boxes, delays, gains, strict=True):
            shine = gain * float(_level(written, time - delay) * film.remaining(time, seconds))
            show(box, shine)

    return Part([*boxes], update)


def _turning(axes: Axes, drawn: Drawn, tape_speed: float, seconds: float, profile: Profile) -> Part:
    """Marks on all that turns, at ``v / r``; nothing that is too fast to be seen turning has one."""
    seen = [one for one in drawn.artists["turning"] if tape_speed / one.runs_on < 2 * np.pi * FASTEST]
    look: Any = {"color": profile.ground.text, "linewidth": 2 * STRUCTURE * profile.line_pt, "zorder": 6}
    marks = [axes.plot([], [], solid_capstyle="round", **look)[0] for _ in seen]

    def update(time: float) -> None:
        for mark, one in zip(marks, seen, strict=True):
            angle = np.pi / 2 + one.sense * tape_speed / one.runs_on * time
            ends = np.outer(np.array(SPOKE) * one.radius, [np.cos(angle), np.sin(angle)]) + one.middle
            mark.set_data(*ends.T)
            mark.set_visible(time < seconds)

    return Part([*marks], update)
