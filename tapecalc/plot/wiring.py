"""Patches: which socket goes where, for mixers with and without sends, and what each track does.

A patch is data (``patches.toml``), parts on a grid and wires between them; one function draws them all.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import resources
from typing import Any

import numpy as np

from tapecalc.calc.quantity import known_name, positive, single, whole
from tapecalc.calc.standards import TRACK_WIDTHS
from tapecalc.calc.units import to_si
from tapecalc.machine import Machine
from tapecalc.plot.bench import CABLE, EDGE, INSIDE, RETURN, Bench, Part
from tapecalc.plot.kit import COMMON_PRACTICE, FIGURES, Canvas, Drawn, Entry, figure
from tapecalc.plot.sketch import NARROW, Array, Sketch

#: Width of quarter-inch tape, m. Source: IEC 60094-5, Amendment 1 (6.30 mm).
TAPE_WIDTH = 6.30e-3
#: The narrowest track on such a tape, and where one counts as a half track and as a full track, m.
LEAST_TRACK, LEAST_HALF_TRACK, LEAST_FULL_TRACK = 0.9e-3, 1.5e-3, 3.1e-3

Place = tuple[float, float]  # column and row of the grid
Ends = tuple[str, str]  # the parts at the ends of a wire


@dataclass(frozen=True, kw_only=True)
class Patch:
    """One patch: parts on a grid, wires from part to part with their role and the corners on their way.

    The wires in `back` are the return send, those in `off` lead nowhere now; `machine` says which socket of
    the tape machine answers which.
    """

    title: str
    finding: str
    answer: Ends  # the number that matters, and what it means
    panels: tuple[tuple[str, tuple[float, ...]], ...]
    names: tuple[tuple[str, float, float], ...]
    ribbon: tuple[float, float, float]
    parts: dict[str, Part]
    wires: dict[Ends, tuple[str, tuple[Place, ...]]]
    back: frozenset[Ends]
    off: frozenset[Ends]
    machine: tuple[Ends, ...]
    labels: tuple[tuple[str, Place, str], ...]
    cables: tuple[tuple[str, str, str, str], ...]  # from part to part, and from socket to socket
    caption: str
    alt: str


def _patch(
    panels: Any, parts: Any, wires: Any, names: Any, machine: Any, labels: Any = (), **rest: Any
) -> Patch:
    return Patch(
        panels=tuple((name, tuple(corners)) for name, *corners in panels),
        names=tuple(map(tuple, names)),
        ribbon=tuple(rest.pop("ribbon")),
        answer=tuple(rest.pop("answer", ("", ""))),
        parts={name: Part(kind, (column, row), *more) for kind, name, column, row, *more in parts},
        wires={(start, end): (role, tuple(map(tuple, corners))) for start, end, role, *corners in wires},
        back=frozenset(map(tuple, rest.pop("back"))),
        off=frozenset(map(tuple, rest.pop("off", ()))),
        machine=tuple(map(tuple, machine)),
        labels=tuple((text, (column, row), role) for text, column, row, role in labels),
        cables=tuple(map(tuple, rest.pop("cables", ()))),
        **rest,
    )


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files("tapecalc.plot").joinpath(name).read_text(encoding="utf-8"))


def read_patches(name: str) -> dict[str, Patch]:
    """Read the patches of a file beside this one."""
    return {name: _patch(**patch) for name, patch in _read(name).items()}


WIDE_MACHINE = (
    17.4  # right edge of a tape machine, in steps of a patch, from which on words beside it are few
)
#: The patches by name.
PATCHES = read_patches("patches.toml")


@figure()
def patch_diagram(canvas: Canvas, name: str, *, steps: int | None = None) -> Drawn:
    """Draw one of the `PATCHES`; its artists are those of `draw_patch`.

    After some `steps` so many cables are plugged in, in the order that is safe; the return send, if there
    is one, is down until one step more. With symbols only, parts have numbers.
    """
    patch = PATCHES[known_name("patch", name, PATCHES)]
    count, caption = len(patch.cables), patch.caption
    if steps is not None:
        caption = _said_of_step(patch, whole("steps", steps, 0, count + bool(patch.back)))
    _head(canvas, patch)
    texts, sheet = numbers(patch) if canvas.symbols_only else {}, canvas.sketch()
    if sheet.width < NARROW and dict(patch.panels)["machine"][2] > WIDE_MACHINE:
        texts.setdefault("limiter,\nspeakers", "limiter")  # for which alone there is room beside it
    plugged = count + 1 if steps is None else steps
    shown = replace(patch, labels=()) if canvas.symbols_only else patch
    drawn = draw_patch(sheet, shown, texts, plugged=plugged, words=not canvas.symbols_only)
    return Drawn(canvas.figure, drawn, caption, patch.alt, (COMMON_PRACTICE,))


def _head(canvas: Canvas, of: "Patch | Back") -> None:
    """Write finding and number; what is counted is no unit, and left out where words are not wanted."""
    answer, means = of.answer
    number, _, unit = answer.partition(" ")
    counts = len(unit) > len("dB")
    answer = number if counts and canvas.symbols_only else answer
    canvas.head(of.finding, of.title, answer=answer, means=means)


def _said_of_step(patch: Patch, step: int) -> str:
    count = len(patch.cables)
    says = f"Step {step} of {count + bool(patch.back)}: "
    if step == 0:
        return "Before the first cable: all is off, faders and sends are down."
    if step > count:
        return f"{says}bring the return send up, slowly."
    *_, source, target = patch.cables[step - 1]
    return f"{says}a cable from {source} to {target}.{' The return send is down.' if patch.back else ''}"


def numbers(patch: Patch) -> dict[str, str]:
    """Number the parts that have words, in their order; a letter stays one."""
    letters = {name: part.label.rpartition("|")[2] for name, part in patch.parts.items()}
    worded = [
        name
        for name, part in patch.parts.items()
        if part.kind in ("box", "head") or (part.label and len(letters[name]) != 1)
    ]
    named = {name: str(k) for k, name in enumerate(worded, 1)}
    return named | {f"{name} label": named.get(name, letter) for name, letter in letters.items()}


def draw_patch(
    sheet: Sketch, patch: Patch, texts: Mapping[str, str], *, plugged: int, words: bool = True
) -> dict[Any, Any]:
    """Draw a patch with the first so many of its cables `plugged` in; return its wires by (from, to).

    The return send is up when there is nothing left to plug in. `texts` stand in the place of parts' words.
    Beside the wires stand the arrowheads at their ends, ``"tips"``, the ``"pointers"`` of knobs by name, the
    ``"labels"``, and the ``"bench"``, which knows all places.
    """
    cables, done = [cable[:2] for cable in patch.cables], plugged > len(patch.cables)
    loose = {*cables[plugged:], *patch.off}
    loose |= {
        (start, end) for start, end in patch.wires if _outer(patch, end) and _outer(patch, end) <= loose
    }
    parts = patch.parts
    if not done:
        down = {start for start, _ in patch.back}
        parts = {name: replace(part, setting=0.0) if name in down else part for name, part in parts.items()}
    bench = Bench(sheet, parts, dict(texts), patch.ribbon)
    laid: list[list[Array]] = []
    tips: dict[Ends, Any] = {}
    drawn: dict[Any, Any] = {"bench": bench, "tips": tips}
    for name, ends in patch.panels:
        bench.panel(name, ends)
    for name, column, columns in patch.names:
        bench.strip(name, column, columns, patch.panels[0][1][3], words=words)
    bench.draw_tape()
    for (start, end), (role, corners) in patch.wires.items():
        wire, way = (start, end), bench.way(start, end, corners)
        outer, back = wire in cables or bool(_outer(patch, end)), wire in patch.back
        off, before = wire in loose or (back and not done), len(sheet.axes.patches)
        drawn[wire] = sheet.line(
            way,
            role="context" if off else role,
            width=(RETURN if back else CABLE if outer else INSIDE) * (0.6 if off else 1),
            arrows=int(back or (outer and parts[end].kind != "dot") or parts[end].kind in ("box", "head")),
            dashed=wire in loose,
            over=laid,
        )
        tips.update(zip([wire], sheet.axes.patches[before:-1], strict=False))
        laid.append(way)
    pointers = {name: bench.draw(name, _role(patch, name)) for name in parts}
    drawn["pointers"] = {name: pointer for name, pointer in pointers.items() if pointer}
    drawn["labels"] = [
        bench.words(bench.at(place), bench.worded(text), role=role) for text, place, role in patch.labels
    ]
    return drawn


def _role(patch: Patch, name: str) -> str:
    """The role of a part: that of the wire that comes to it, or leaves it; of a sum, none."""
    if patch.parts[name].kind == "head" or any(name in pair for pair in patch.machine):
        return "tape"
    comes = [role for (_, end), (role, _) in patch.wires.items() if end == name]
    if patch.parts[name].kind == "dot" and len(comes) > 1:
        return "frame"
    return (comes + [role for (start, _), (role, _) in patch.wires.items() if start == name])[0]


def _outer(patch: Patch, name: str) -> set[Ends]:
    """The cables that begin at a split."""
    is_split = patch.parts[name].kind == "dot"
    return {cable[:2] for cable in patch.cables if is_split and cable[0] == name}


def _entry(name: str, patch: Patch) -> Entry:
    shows = f"a patch: {patch.title[0].lower()}{patch.title[1:]}"
    return Entry(patch_diagram, shows, lambda _: {"name": name})


FIGURES.update((f"patch_{name.replace(' ', '_')}", _entry(name, patch)) for name, patch in PATCHES.items())


@dataclass(frozen=True, kw_only=True)
class Back:
    """A back: groups of sockets by name, and the cables of the echo."""

    title: str
    finding: str
    answer: list[str]
    groups: list[list[str]]
    cables: list[Any]  # group, which socket, where to, whether inward, role, side and stair of the words
    caption: str
    alt: str


BACKS = {name: Back(**back) for name, back in _read("backs.toml").items()}


@figure("which sockets of the machine the echo uses", lambda _: {})
def machine_back(canvas: Canvas) -> Drawn:
    """Draw the back of a tape machine in general form; artists are the cables by group and socket."""
    return _back(canvas, BACKS["machine"])


@figure("which sockets of the mixer the echo uses", lambda _: {})
def mixer_back(canvas: Canvas) -> Drawn:
    """Draw the back of a mixer in general form; artists are the cables by group and socket."""
    return _back(canvas, BACKS["mixer"])


def _back(canvas: Canvas, back: Back) -> Drawn:
    _head(canvas, back)
    sheet, short = canvas.sketch(), canvas.symbols_only
    bench, big = Bench(sheet, {}), float(np.clip(sheet.width / 26, 1, 1.35))
    names = [str(k) if short else bench.worded(name) for k, (name, *_) in enumerate(back.groups, 1)]
    pitch, hole = 1.7 * big, 0.6 * big
    pairs = list(zip(back.groups, names, strict=True))
    wide = [max(pitch * (len(group) - 2) + 2 * hole, 0.56 * big * len(name)) for group, name in pairs]
    gap = (sheet.width - 2 * EDGE - sum(wide)) / (len(wide) + 1)
    body = 6.1 * big
    bottom = max(3.8 * big, (sheet.height - body) / 2 + big)
    role, middle = "tape" if back is BACKS["machine"] else "frame", bottom + body / 2
    panel = sheet.box((sheet.width / 2, middle), size=(sheet.width - 2 * EDGE, body), role=role)
    panel.set_zorder(0.5)
    used = {(group, which): color for group, which, _, _, color, *_ in back.cables}
    spots, left = {}, EDGE + gap
    for ((group, *sockets), name), across in zip(pairs, wide, strict=True):
        along = left + across / 2
        bench.words((along, bottom + body - 1.2 * big), name, size=big, role=role)
        for k, socket in enumerate(sockets):
            spot = np.array([along + pitch * (k - (len(sockets) - 1) / 2), bottom + 1.6 * big])
            color, width = used.get((group, k), "context"), CABLE if (group, k) in used else INSIDE
            sheet.disk(spot, hole, role=color, fill="face", width=width)
            sheet.disk(spot, 0.4 * hole, role=color, fill=color if width == CABLE else "face", width=width)
            bench.words(spot + (0, hole + 0.85 * big), socket, size=big)
            spots[group, k] = spot
        left += across + gap
    drawn = {}
    for k, (group, which, text, inward, color, side, stair) in enumerate(back.cables, len(names) + 1):
        spot = spots[group, which]
        end = np.array([spot[0], bottom - (3.0 - 1.6 * stair) * big])
        way = [end, spot - (0, hole)]
        drawn[group.partition("|")[0], which] = sheet.line(
            way if inward else way[::-1], role=color, width=CABLE, arrows=1
        )
        where = end + ((0.5, 0.2) if side == "right" else (-0.5, 0.2))
        ha = "left" if side == "right" else "right"
        bench.words(where, str(k) if short and text else text, ha=ha, role=color, size=big)
    return Drawn(canvas.figure, drawn, back.caption, back.alt, (COMMON_PRACTICE,))


def _tracks_of(machine: Machine) -> dict[str, Any]:
    """As many tracks as the standard that is nearest; on a loop none is played by turning reels over."""
    width = to_si(machine.heads.track_width_mm, "mm")
    tracks = 1 if width > LEAST_FULL_TRACK else 2 if width > LEAST_HALF_TRACK else 4
    turned = {1: (), 2: (2,), 4: (2, 4)}[tracks] if machine.loop_length is None else ()
    return {"width": width, "tracks": tracks, "turned": turned}


@figure(
    "which tracks the echo may use",
    _tracks_of,
    suits=lambda m: LEAST_TRACK <= to_si(m.heads.track_width_mm, "mm") <= TAPE_WIDTH,
    needs="a quarter-inch tape",
    units=True,
)
def tracks_on_tape(
    canvas: Canvas,
    *,
    width: float = TRACK_WIDTHS["quarter track"],
    tracks: int = 4,
    recorded: tuple[int, ...] = (1,),
    turned: tuple[int, ...] = (2, 4),
) -> Drawn:
    """Draw the tracks across a quarter-inch tape and what each of them does in the echo.

    Up to 4 tracks of a `width` in m lie side by side, counted from the upper edge, spread evenly: widths
    are to scale, gaps are no standard's. The echo is on those `recorded`; those `turned` are played when
    the reels are turned over. Which tracks belong together is common practice, no source.

    >>> tracks_on_tape().caption
    '4 tracks of 1.1 mm on a 6.3 mm tape. The echo is on track 1; free: 3; of the other side: 2, 4.'
    """
    width = single("width", positive("width", width, "m"))
    count = whole("tracks", tracks, 1, 4)
    if width * count > TAPE_WIDTH:
        raise ValueError(f"width must let {count} tracks fit on {TAPE_WIDTH:g} m, got {width:g} m each")
    for name, numbers in (("recorded", recorded), ("turned", turned)):
        for number in numbers:
            whole(name, number, 1, count)
    free = [n for n in range(1, count + 1) if n not in recorded and n not in turned]
    says = dict.fromkeys(free, "free: silent, or a second loop")
    says |= dict.fromkeys(turned, "other side: old sound, backward")
    says |= dict.fromkeys(recorded, "the echo")
    colors = {n: "echo" if n in recorded else "tape" if n in turned else "context" for n in says}
    on = f"track{'s' if len(recorded) > 1 else ''} {' and '.join(map(str, recorded))}"
    canvas.head(
        f"The echo takes {on} of {count}" if count > 1 else "The echo takes the whole tape",
        f"a tape {canvas.length(TAPE_WIDTH)} wide, seen from the front",
        answer=canvas.length(width),
        means="the width of a track",
    )
    strips = _strips(canvas.sketch(), width / TAPE_WIDTH, {} if canvas.symbols_only else says, colors)
    several = "s" if count > 1 else ""
    caption = f"{count} track{several} of {canvas.length(width)} on a {canvas.length(TAPE_WIDTH)} tape."
    caption += f" The echo is on {on}"
    caption += f"; free: {', '.join(map(str, free))}" if free else ""
    caption += f"; of the other side: {', '.join(map(str, turned))}" if turned else ""
    each = "; ".join(f"{n}, {words}" for n, words in sorted(says.items()))
    return Drawn(
        canvas.figure,
        {"tracks": strips},
        f"{caption}.",
        f"Sketch of a tape seen from the front, {count} strips one below the other from edge to edge with an "
        f"arrow each for the direction in which it is played: {each}.",
        ("standards.TRACK_WIDTHS", COMMON_PRACTICE),
    )


def _strips(sheet: Sketch, share: float, says: dict[int, str], colors: dict[int, str]) -> list[Any]:
    """Draw the tape as a band across the sheet, its tracks as strips with arrows and words.

    A strip takes a `share` of the tape's width; brown ones are played the other way.
    """
    bottom, high = 2.0, sheet.height - 4.0
    size = (sheet.width - 2 * EDGE - 0.9, high)
    sheet.bar((EDGE + size[0] / 2, bottom + high / 2), size, role="tape", fill="ribbon")
    tip = (sheet.width - EDGE, bottom + high / 2)
    sheet.arrowhead(tip, (1, 0), size=1.4, color=sheet.color("tape"), zorder=2)
    pitch = high * (1 - share) / max(len(colors) - 1, 1)
    strips = []
    for number, color in sorted(colors.items()):
        middle = bottom + high - share * high / 2 - (number - 1) * pitch
        middle = middle if len(colors) > 1 else bottom + high / 2
        spot = (EDGE + size[0] / 2, middle)
        strips.append(sheet.bar(spot, (size[0], share * high), role=color, fill="face"))
        ends = [(1.9, middle), (4.4, middle)]
        width = CABLE if color == "echo" else INSIDE
        ends = ends[::-1] if color == "tape" else ends
        sheet.line(ends, arrows=1, role=color, width=width, zorder=4)  # on the strip, not below it
        sheet.words((1.1, middle), str(number))
        if says:
            words = says[number].replace(": ", ":\n") if sheet.width < NARROW else says[number]
            sheet.words((5.2, middle), words, ha="left", role="text" if color == "context" else color)
    if says:
        sheet.words((EDGE, bottom + high + 1.0), "upper edge", ha="left")
        sheet.words((EDGE, 1.0), "lower edge", ha="left")
    return strips
