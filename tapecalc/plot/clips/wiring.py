"""Clips of wiring: a patch, cable by cable."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline

from tapecalc.calc.quantity import between
from tapecalc.calc.units import db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.plot import film
from tapecalc.plot.catalog import draw
from tapecalc.plot.clips.sounds import (
    LEAD,
    LONGEST,
    STEP,
    Part,
    clock_of,
    envelopes_of,
    events_of,
    from_the_back,
    leveled,
    notes_at,
    one_head,
    together,
    with_moving_send,
)
from tapecalc.plot.response import heard_repeats
from tapecalc.plot.style import DASHED, Profile
from tapecalc.plot.wiring import PATCHES, Ends, Patch
from tapecalc.sound.samples import Array
from tapecalc.words import amount, speed

PLUGGING, LONGEST_STEP = 0.4, 1.0  # share of the clip in which cables are plugged in, and s of one at most
SPEAK = 0.15  # s from the last cable to the first note that is heard
RAISED = (0.3, 0.6)  # shares of what is left between which the return send comes up
MOST_HEARD = 4  # repeats that are told
SWELL = 2.5  # how many times wider a wire gets that carries much
COARSE = 100.0  # points of a bend for a unit of the sheet


def way_of(path: Outline) -> Array:
    """Points along a wire, bends and all."""
    points = Outline(COARSE * np.asarray(path.vertices), path.codes).to_polygons(closed_only=False)[0]
    return np.asarray(points) / COARSE


def part_of(way: Array, share: float) -> Outline:
    """The beginning of a way, as long as a share of it."""
    far = np.concatenate([[0.0], np.hypot(*np.diff(way, axis=0).T).cumsum()])
    along = np.append(far[far < share * far[-1]], share * far[-1])
    return Outline(np.column_stack([np.interp(along, far, way[:, k]) for k in (0, 1)]))


def lit_wires(
    axes: Axes, artists: Mapping[Any, Any], patch: Patch, profile: Profile
) -> dict[Ends, PathPatch]:
    """A copy of each wire, not seen as yet, that can swell with what the wire carries."""
    lit = {}
    for ends in patch.wires:
        if ends in artists:
            look: Any = {
                "fill": False,
                "capstyle": "round",
                "joinstyle": "round",
                "visible": False,
                "zorder": 7,
            }
            lit[ends] = PathPatch(artists[ends].get_path(), edgecolor=profile.ground.role("echo"), **look)
            axes.add_patch(lit[ends])
    return lit


def swell(wire: PathPatch, at_rest: float, level: float) -> None:
    """Let a wire show a level from 0 to 1."""
    wire.set_visible(level > 0.01)
    if level > 0.01:
        wire.set(alpha=min(1.0, 1.5 * level), linewidth=at_rest * (1 + SWELL * level))


def patch_sends(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Plug in a mixer with sends, cable by cable, the speakers last; then the return send comes up."""
    patch, tape_speed = PATCHES["sends"], machine.speeds[0]
    alone = one_head(machine, tape_speed)
    delay = alone.loop.delays[0]
    between("seconds", seconds, 4 * delay, LONGEST, "s")
    send_db = heard_repeats(machine, alone.loop)[0]
    count = len(patch.cables)
    step = min(LONGEST_STEP, PLUGGING * seconds / count)
    starts = LEAD + step * np.arange(count)
    plugged = starts + min(film.EASE, 0.8 * step)
    raised = plugged[-1] + np.array(RAISED) * (seconds - plugged[-1])
    first, apart = plugged[-1] + SPEAK, max(3 * delay, 0.8)
    notes = np.arange(first, max(first + 0.01, seconds - 2 * film.EASE - delay), apart)
    before = first - apart * np.arange(1, (first - plugged[0]) // apart + 1)  # nobody hears them
    clock = clock_of(seconds)
    dry = notes_at(np.concatenate([before[::-1], notes]), seconds, decay=min(0.3, 1.2 * delay))
    send = db_to_amplitude(send_db) * film.eased((clock - raised[0]) / (raised[1] - raised[0]))
    wet = with_moving_send(dry, alone.settings, send)
    heard = film.eased((clock - plugged[-1]) / film.FADE)
    drawn = draw("patch_sends", machine, profile=profile, units=units)
    contact = dict(zip([cable[:2] for cable in patch.cables], plugged.tolist(), strict=True))
    contact |= dict.fromkeys(patch.back, float(raised[0]))
    axes = drawn.figure.axes[0]
    shown = together(
        _cables(axes, drawn.artists, patch, profile, (starts, plugged)),
        _turned(drawn.artists, patch, raised),
        _carried(axes, drawn.artists, patch, profile, contact, envelopes_of((dry, wet), seconds)),
    )
    events = [*_told(patch, starts.tolist()), *events_of(seconds, notes, [delay], ["one echo"], note="voice")]
    events += [(float(raised[0]), "the return send comes up: repeats")]
    if notes[-1] + delay > raised[0]:
        numbers = range(2, MOST_HEARD + 1)
        later = [(float(notes[-1] + n * delay), f"repeat {n}") for n in numbers]
        events += [event for event in later if raised[1] < event[0] < seconds]
    sound, level = leveled(heard * (dry + wet))
    suggestion = (
        " A suggestion: the return send lower than it is set, for the loop runs away."
        if send_db != machine.mixer.return_send_db
        else ""
    )
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back(shown.artists),
        update=shown.update,
        sound=sound,
        level=level,
        events=tuple(sorted(events)),
        poster=float(plugged[-1] + SPEAK + 0.02),
        title="The speakers come last, then the return send",
        caption=f"{alone.words}A mixer with sends in {count} cables, the speakers last. At "
        f"{speed(tape_speed, units)} one echo comes back after {amount(delay, 'ms')}; the return send, "
        f"raised at the end, makes it repeat.{suggestion}",
        alt=f"{drawn.alt} Cable after cable is drawn in, from the voice to the speakers; wires swell "
        "with what they carry. "
        "Nothing is heard until the speakers are plugged in, then the voice with one echo; when the knob of "
        "the return send turns up, repeats.",
        sources=drawn.sources,
    )


def _told(patch: Patch, starts: Sequence[float]) -> list[tuple[float, str]]:
    """Say of each cable when it is plugged in, and where."""
    return [
        (start, f"cable {k} of {len(patch.cables)}: {cable[2]} to {cable[3]}; nothing is heard")
        for k, (start, cable) in enumerate(zip(starts, patch.cables, strict=True), 1)
    ]


def _cables(
    axes: Axes, artists: Mapping[Any, Any], patch: Patch, profile: Profile, times: Sequence[Any]
) -> Part:
    """Cables that are drawn in between two times each, and what stands for them before."""
    moved: list[Artist] = []
    rows = []
    for (start, end, *_), began, done in zip(patch.cables, *times, strict=True):
        wire, tip = artists[start, end], artists["tips"].get((start, end))
        path = wire.get_path()
        look: Any = {"fill": False, "linestyle": DASHED, "linewidth": 0.6 * wire.get_linewidth()}
        ghost = PathPatch(path, edgecolor=profile.ground.context, zorder=wire.get_zorder(), **look)
        axes.add_patch(ghost)
        rows.append((wire, tip, ghost, path, way_of(path), began, done))
        moved += [ghost, wire, *([tip] if tip else [])]

    def update(time: float) -> None:
        for wire, tip, ghost, path, way, began, done in rows:
            share = float(film.eased((time - began) / (done - began)))
            wire.set_visible(share > 0)
            wire.set_path(path if share >= 1 else part_of(way, share))
            ghost.set_visible(share < 1)
            if tip:
                tip.set_visible(share >= 1)

    return Part(moved, update)


def _turned(artists: Mapping[Any, Any], patch: Patch, raised: Array) -> Part:
    """The knob of the return send, that comes up between two times."""
    knobs = [(name, artists["pointers"][name]) for name, _ in sorted(patch.back)]
    rest = [knob.get_path() for _, knob in knobs]

    def update(time: float) -> None:
        share = float(film.eased((time - raised[0]) / (raised[1] - raised[0])))
        for (name, knob), path in zip(knobs, rest, strict=True):
            lies = artists["bench"].pointer(name, share * patch.parts[name].setting)
            knob.set_path(path if share >= 1 else Outline(lies))

    return Part([knob for _, knob in knobs], update)


def _carried(
    axes: Axes,
    artists: Mapping[Any, Any],
    patch: Patch,
    profile: Profile,
    contact: Mapping[Ends, float],
    envelopes: Sequence[Array] | Array,
) -> Part:
    """Wires that swell with the sound on them, as far as they are plugged in."""
    lit = lit_wires(axes, artists, patch, profile)
    voice = live_from(patch, contact, {"voice": 0.0})
    echo = live_from(patch, contact, {back: voice[there] for there, back in patch.machine})
    colors = [profile.ground.role(role) for role in ("dry", "echo")]
    clock = np.arange(len(envelopes[0])) * STEP

    def update(time: float) -> None:
        now = [float(np.interp(time, clock, envelope, right=0)) for envelope in envelopes]
        for ends, wire in lit.items():
            levels = [
                level if time >= max(live[ends[0]], contact.get(ends, 0.0)) else 0.0
                for level, live in zip(now, (voice, echo), strict=True)
            ]
            wire.set_edgecolor(colors[int(levels[1] > levels[0])])
            swell(wire, artists[ends].get_linewidth(), max(levels) if time < clock[-1] else 0.0)

    return Part([*lit.values()], update)


def live_from(patch: Patch, contact: Mapping[Ends, float], live: Mapping[str, float]) -> dict[str, float]:
    """When each part begins to carry what enters at some parts from a time on, s.

    `contact` says when those wires that wait are plugged in. The way over the tape counts as no wire.
    """
    found = dict.fromkeys(patch.parts, np.inf) | dict(live)
    for _ in patch.parts:
        for start, end in patch.wires:
            found[end] = min(found[end], max(found[start], contact.get((start, end), 0.0)))
    return found
