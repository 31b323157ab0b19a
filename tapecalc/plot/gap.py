"""Figures at the gap: a wave in the coating is written, read, tilted, lifted, and read from some depth."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Patch, PathPatch, Polygon, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D
from numpy.typing import ArrayLike

from tapecalc.calc import response
from tapecalc.calc.units import db_to_amplitude, from_si, to_si
from tapecalc.machine import Machine
from tapecalc.plot.kit import Canvas, Drawn, figure, finely, minus, spread
from tapecalc.plot.sketch import Array, Look, Place, Sketch
from tapecalc.plot.style import DASHED, GRID, STRUCTURE, frequency_text
from tapecalc.words import amount, listed

MIDDLE, TREBLE = 1e3, 10e3  # Hz
TONES = (100.0, MIDDLE, TREBLE)
HEAD_WIDTH = to_si(12, "mm")  # along the tape; common practice, no source
RECORD_GAP = to_si(12, "um")  # no machine file states it; common practice, no source
#: What is drawn where the machine states none.
GRAIN, EXAMPLE_TILT = to_si(5, "um"), to_si(5, "arcmin")
LEAST_LINES, LINES_APART = 4, 0.45  # of a field: from each half of a wave, and in type sizes


# ---- states: what a still draws once, and a clip at each step ----


def wave(along: ArrayLike, wavelength: float, shift: ArrayLike = 0.0) -> Array:
    """Compute the magnetization along a tape that has moved by `shift`, m; 1 at the most."""
    return np.cos(2 * np.pi * (np.asarray(along) - np.asarray(shift)) / wavelength)


def mean_wave(width: float, wavelength: float, shift: ArrayLike = 0.0) -> Array:
    """Average the wave over the width of a gap: what it reads of a tape that has moved by `shift`."""
    steps = (np.arange(2000) + 0.5) / 2000 - 0.5
    return wave(width * steps, wavelength, np.asarray(shift)[..., None]).mean(axis=-1)


def _halves(low: float, high: float, wavelength: float, start: float) -> Array:
    """Middles of the halves of a wave that are magnetized one way, the first of them at `start`."""
    first, last = (round((end - start) / wavelength) for end in (low, high))
    return start + wavelength * np.arange(first, last + 1, dtype=float)


def stripes(low: float, high: float, depth: float, wavelength: float, shift: float = 0.0) -> Outline:
    """Outline the halves of a wave that are magnetized to the right, between two places on the tape."""
    sides = _halves(low, high, wavelength, shift)[:, None] + wavelength / 4 * np.array([-1, 1])
    left, right = np.clip(sides, low, high).T
    across = np.stack([left, left, right, right, left], axis=1)[left < right]
    up = np.broadcast_to([0, depth, depth, 0, 0], across.shape)
    return _outlines(np.stack([across, up], axis=2))


def _outlines(shapes: Array) -> Outline:
    """Put closed shapes of equally many corners, the first of them twice, into one outline."""
    codes = np.full(shapes.shape[:2], Outline.LINETO, np.uint8)
    codes[:, :1], codes[:, -1:] = Outline.MOVETO, Outline.CLOSEPOLY
    return Outline(shapes.reshape(-1, 2), codes.ravel())


def field_lines(
    low: float, high: float, wavelength: float, count: int, depth: float, shift: float = 0.0
) -> tuple[list[Array], list[Array]]:
    """Trace the field below a coating, 0 and less: lines that reach a depth, and those that close before it.

    ``e^(-2 pi y / lam) |cos(2 pi x / lam)|`` stays the same along a line, here 1/2, 3/2 ... of 1 / `count`:
    the share of all lines that reaches a depth is what is left of the amplitude there.
    """
    reaching, closing, k = [], [], 2 * np.pi / wavelength
    y = np.linspace(0, depth, 17)
    for share in (np.arange(count) + 0.5) / count:
        half = np.arccos(share) / k
        arch = half * np.sin(np.linspace(-np.pi / 2, np.pi / 2, 33))
        reaches = np.log(share) + k * depth <= 0
        strand = np.arccos(share * np.exp(k * y)) / k if reaches else y
        for middle in _halves(low, high, wavelength / 2, shift):
            if middle + half <= low or middle - half >= high:
                continue
            if not reaches:
                height = np.log(np.maximum(np.cos(k * arch) / share, 1)) / k
                closing.append(np.column_stack([middle + arch, -height]))
                continue
            ways = (np.column_stack([middle + side * strand, -y]) for side in (-1, 1))
            reaching += [way for way in ways if low <= way[0, 0] <= high]
    return reaching, closing


def depth_shares(frequency: float, speed: float, coating: float, surface_share: float) -> tuple[Array, Array]:
    """Compute which share of what a head reads comes from no deeper than each depth, m."""
    depth = np.geomspace(1e-5, 1, 4000) * coating
    deepest = surface_share + (1 - surface_share) * depth / coating  # magnetization at that depth
    left_db = response.thickness_loss_db(frequency, speed, depth, surface_share=surface_share / deepest)
    flux = depth * (surface_share + deepest) / 2 * db_to_amplitude(left_db)
    return depth, flux / flux[-1]


# ---- a window onto the tape ----


@dataclass(frozen=True)
class View:
    """A window of the sheet: lengths in m along the tape and, mostly, away from the head.

    `box` is its left, bottom, width and height, `origin` where 0, 0 lies, both in type sizes; `scale` is how
    many of these one takes along and up.
    """

    sheet: Sketch
    box: tuple[float, float, float, float]
    origin: Place
    scale: tuple[float, float]

    def at(self, along: float, up: float = 0.0) -> Array:
        """Turn a place at the tape into one on the sheet."""
        return np.array([self.origin[0] + self.scale[0] * along, self.origin[1] + self.scale[1] * up])

    @property
    def ends(self) -> tuple[float, float, float, float]:
        """Left, right, bottom and top of what it shows."""
        left, bottom, width, height = self.box
        (x, y), (along, up) = self.origin, self.scale
        return (left - x) / along, (left + width - x) / along, (bottom - y) / up, (bottom + height - y) / up

    def put(self, artist: Any) -> Any:
        """Show an artist whose places are in m, as far as the window reaches."""
        axes = self.sheet.axes
        artist.set_transform(Affine2D().scale(*self.scale).translate(*self.origin) + axes.transData)
        axes.add_artist(artist)
        left, bottom, width, height = self.box
        artist.set_clip_path(Rectangle((left, bottom), width, height, transform=axes.transData))
        return artist

    def body(self, left: float, right: float, bottom: float, top: float, **body: Any) -> Patch:
        """Draw a rectangle."""
        look: Look = {"zorder": 2} | self.sheet.body(**body)
        return self.put(Rectangle((left, bottom), right - left, top - bottom, **look))

    def curve(self, x: ArrayLike, y: ArrayLike, role: str, width: float = 1.0, **look: Any) -> Line2D:
        """Draw a line of data."""
        plain: Look = {"color": self.sheet.color(role), "linewidth": self.sheet.data(width), "zorder": 4}
        return self.put(Line2D(np.asarray(x), np.asarray(y), solid_capstyle="butt", **plain | look))

    def poles(self, gap: float) -> list[Patch]:
        """Draw the head below the tape: two pole pieces and the gap between them."""
        left, right, bottom, _ = self.ends
        pairs = ((2 * left, -gap / 2), (gap / 2, 2 * right))
        return [self.body(*pair, 2 * bottom, 0, role="tape") for pair in pairs]

    def tape(self, bottom: float, coating: float, film: float = 0.0) -> list[Patch]:
        """Draw the coating, and the film above it."""
        left, right, *_ = self.ends
        ends, far = (left - (right - left), right + (right - left)), bottom + coating
        above = [self.body(*ends, far, far + film, role="tape", fill="fill")] if film else []
        return [*above, self.body(*ends, bottom, far, role="tape", fill="ribbon")]

    def magnet_paths(
        self,
        wavelength: float,
        depth: float,
        *,
        bottom: float = 0.0,
        shift: float = 0.0,
        low: float = -np.inf,
        high: float = np.inf,
    ) -> dict[str, Outline]:
        """Outline the wave in the coating from `low` to `high`: stripes, and arrows where there is room."""
        left, right, _, top = self.ends
        low, right, depth = max(low, left), min(high, right), min(depth, top - bottom)
        paths = {"stripes": stripes(low, right, depth, wavelength, shift)}
        for name, ahead in (("right", 1), ("left", -1)):
            shape = self._arrow(ahead, wavelength / 2 * self.scale[0], depth * self.scale[1])
            reach = np.ptp(shape[:, 0]) / 2 if shape.size else np.inf
            middles = _halves(low, right, wavelength, shift + (1 - ahead) * wavelength / 4)
            inside = middles[(middles - reach >= low) & (middles + reach <= right)]
            places = np.column_stack([inside, np.full(inside.shape, depth / 2)])
            paths[name] = _outlines(shape + places[:, None])
        up = Affine2D().translate(0, bottom)
        return {name: path.transformed(up) for name, path in paths.items()} if bottom else paths

    def _arrow(self, ahead: int, room: float, thick: float) -> Array:
        """Outline an arrow for a stripe so long and thick, in type sizes; none where it is small."""
        if room < 0.9 or thick < 0.4:
            return np.empty((0, 2))
        half, wide = min(0.31 * room, 2.5), min(0.3, 0.35 * thick)
        neck, thin = half - min(half, 2.2 * wide), 0.28 * wide
        x = [-half, neck, neck, half, neck, neck, -half, -half]
        y = [thin, thin, wide, 0, -wide, -thin, -thin, thin]
        return np.column_stack([ahead * np.array(x), y]) / self.scale

    def magnets(self, wavelength: float, depth: float, **state: float) -> dict[str, PathPatch]:
        """Draw what `magnet_paths` outlines; a clip sets the paths of another shift."""
        drawn = {}
        for name, path in self.magnet_paths(wavelength, depth, **state).items():
            color = self.sheet.color("ribbon" if name == "right" else "tape")
            drawn[name] = self.put(PathPatch(path, color=color, linewidth=0, zorder=2.5))
        return drawn

    def between(
        self, first: float, last: float, up: float, text: str, role: str = "text", *, above: bool = False
    ) -> None:
        """Write a length above two places, or to the right where it does not fit and may stand there."""
        ends = np.array([self.at(first, up), self.at(last, up)])
        wide = bool(np.ptp(ends[:, 0]) > 2.2)
        for end, way in zip(ends, (-1, 1), strict=True):
            way_there = list(ends) if wide else [end + [1.3 * way, 0], end]
            self.sheet.line(way_there, arrows=1 + wide, role=role, zorder=5)
        if above or np.ptp(ends[:, 0]) > 0.56 * len(text) + 1:
            left, _, width, _ = self.box
            half = 0.28 * max(map(len, text.split("\n"))) + 0.2
            middle = float(np.clip(ends[:, 0].mean(), left + half, left + width - half))
            self.sheet.words((middle, ends[0, 1] + 0.3), text, va="bottom", role=role)
        else:
            self.sheet.words(ends[1] + [0.5 if wide else 1.7, 0], text, ha="left", role=role)

    def scale_bar(self, place: Place, most: float) -> float:
        """Draw a bar of 1, 2 or 5 of some unit, `most` type sizes long, that says its length."""
        longest = most / self.scale[0]
        power = 10.0 ** np.floor(np.log10(longest))
        length = float(max(step * power for step in (1, 2, 5) if step * power <= longest))
        x, y = place
        end = x + length * self.scale[0]
        for points in ([(x, y), (end, y)], [(x, y - 0.2), (x, y + 0.2)], [(end, y - 0.2), (end, y + 0.2)]):
            self.sheet.line(points, role="frame", zorder=5)
        self.sheet.words((end + 0.4, y), short(length), ha="left", role="frame")
        return length


def short(length: float) -> str:
    """Write a length of the size of a wave, to two digits.

    >>> short(190.5e-6), short(4.44e-6), short(1.905e-3)
    ('190 µm', '4.4 µm', '1.9 mm')
    """
    rounded = float(f"{length:.2g}")
    return amount(rounded, "mm" if rounded >= to_si(1, "mm") else "um", "g")


def in_db(level_db: float) -> str:
    """Write a level or a loss, with two decimals where it is small.

    >>> in_db(-0.791), in_db(-3.38), in_db(-300)
    ('−0.79 dB', '−3.4 dB', '< −100 dB')
    """
    if abs(level_db) > 100:
        return minus("< -100 dB" if level_db < 0 else "> 100 dB")
    return minus(f"{level_db:z.{2 if abs(level_db) < 1 else 1}f} dB")


def _today(machine: Machine) -> dict[str, Any]:
    speed = machine.speeds[0]
    return {"speed": speed, "contact": machine.one_pass(speed).today}


# ---- the figures ----

_WAVELENGTH = "wavelength = v / f"
_GAP_SOURCE = "gap loss: J. Eargle, Electroacoustical Reference Data, 1994"
_SPACING_SOURCE = "spacing: R. L. Wallace, Bell System Technical Journal 30, 1951 (from memory)"


def _slower(speeds: Sequence[float]) -> str:
    """Say how the slowest speed compares with the fastest."""
    ratio = max(speeds) / min(speeds)
    named = {2: "half speed", 4: "quarter speed"}
    return next((name for whole, name in named.items() if abs(ratio / whole - 1) < 0.01), "the slowest speed")


@figure(
    "why slow tape loses treble",
    lambda m: {
        "frequency": TREBLE,
        "speeds": sorted(m.speeds, reverse=True),
        "gap": to_si(m.heads.gap_um, "um"),
        "gap_factor": m.heads.gap_factor,
    },
    units=True,
)
def wavelength_at_gap(
    canvas: Canvas, *, frequency: float, speeds: Sequence[float], gap: float, gap_factor: float
) -> Drawn:
    """Draw the wave that one tone leaves on tape at several speeds, and what the gap reads of it.

    >>> wavelength_at_gap(frequency=10000, speeds=(0.1905,), gap=4e-6, gap_factor=1.15).caption
    'A tone of 10 kHz on tape, over a gap of 4 µm. At 19.05 cm/s: wavelength 19 µm, gap loss 0.8 dB.'
    """
    tone, width = frequency_text(frequency), gap * gap_factor
    lengths = response.wavelength(frequency, np.array(speeds)).tolist()
    losses = response.gap_loss_db(frequency, np.array(speeds), gap, gap_factor=gap_factor).tolist()
    fast, slow = (losses[int(of(speeds))] for of in (np.argmax, np.argmin))
    how, cost = _slower(speeds), slow - fast
    title = f"{'Half speed' if how.startswith('half') else 'Slow tape'} squeezes the wave into the gap"
    answer, means = in_db(abs(cost)), f"{'more' if cost > 0 else 'less'} of {tone} at {how}"
    if len(set(speeds)) == 1:
        title = "The gap reads a mean"
        answer, means = in_db(slow), f"of {tone}, by the gap"
    title = title if gap else "A gap without length takes no treble"
    each = ", one ribbon for each speed" if len(speeds) > 1 else ""
    canvas.head(title, f"{tone}{each}", answer=answer, means=means)
    sheet, below = canvas.sketch(), 2.2
    row, window = (sheet.height - below) / len(speeds), max(2.2 * max(lengths), 1.6 * width)
    weights = [width / canvas.profile.line_pt for width in canvas.weights(speeds)]
    parts_of = ("patterns", "magnets", "means", "shades", "gap", "views", "lengths", "losses")
    drawn: dict[str, list[Any]] = {name: [] for name in parts_of}
    for k, (speed, length, loss) in enumerate(zip(map(canvas.speed, speeds), lengths, losses, strict=True)):
        top = sheet.height - k * row
        for name, x, text, ha, role in (
            ("lengths", 0.2, f"{speed}, {short(length)}", "left", "tape"),
            ("losses", sheet.width - 0.2, in_db(loss), "right", "echo"),
        ):
            drawn[name].append(sheet.words((x, top - 1.05), text, ha=ha, va="baseline", role=role))
        parts = _over_gap(sheet, (top - row + 0.4, row - 1.8), window, length, (gap, width), weights[k])
        for name, part in parts.items():
            drawn[name].append(part)
    under = View(sheet, (0, 0, sheet.width, below), (sheet.width / 2, 0.85), (sheet.width / window, 1))
    under.between(-gap / 2, gap / 2, 0, short(gap) if canvas.symbols_only else f"gap {short(gap)}")
    said = ". ".join(
        f"At {canvas.speed(speed)}: wavelength {short(length)}, gap loss {-loss:z.1f} dB"
        for speed, length, loss in zip(speeds, lengths, losses, strict=True)
    )
    return Drawn(
        canvas.figure,
        drawn,
        f"A tone of {tone} on tape, over a gap of {short(gap)}. {said}.",
        "Ribbons of tape from the side, one for each speed, with stripes and arrows for the wave in them, on "
        f"two pole pieces with a gap between. Above each, the wave, and over the {short(width)} that the gap "
        "acts as, a bar at the mean that it reads: the slower the tape, the more of a wave the gap takes in. "
        f"{said}.",
        (_WAVELENGTH, _GAP_SOURCE),
    )


def _over_gap(
    sheet: Sketch,
    rows: tuple[float, float],
    window: float,
    length: float,
    gaps: tuple[float, float],
    weight: float,
) -> dict[str, Any]:
    """Draw head, tape and wave from a height on, and what the gap, and its width in effect, read of it."""
    (floor, room), (gap, width), along = rows, gaps, sheet.width / window
    head, thick = 0.2 * room, 0.24 * room
    middle, box = sheet.width / 2, (0, floor, sheet.width, head + thick + 0.05)
    tape = View(sheet, box, (middle, floor + head), (along, 1))
    poles = tape.poles(gap)
    tape.tape(0, thick)
    magnets = tape.magnets(length, thick)
    height = floor + head + thick + 0.28 * room
    flux = View(sheet, (0, floor, sheet.width, 2 * room), (middle, height), (along, 0.23 * room))
    x, read = finely(-window / 2, window / 2, length), float(mean_wave(width, length))
    flux.curve([-window, window], [0, 0], "frame", GRID)
    pattern = flux.curve(x, wave(x, length), "tape", weight)
    mean = flux.curve([-width / 2, width / 2], [read, read], "echo", 1.4, zorder=5)
    shade: Look = {"role": "echo", "fill": "echo", "width": 0, "alpha": 0.25}
    under = flux.body(-width / 2, width / 2, min(read, 0), max(read, 0), **shade)
    waves = {"patterns": pattern, "magnets": magnets, "means": mean, "shades": under}
    return waves | {"gap": poles, "views": tape}


@figure(
    "how a wave is written and read, from the deck to the micrometer",
    lambda m: _today(m) | {"spacing": m.spacings[0], "thickness": m.tape_thickness},
    units=True,
)
def at_the_gap(
    canvas: Canvas, *, speed: float, contact: response.HeadContact, spacing: float, thickness: float
) -> Drawn:
    """Draw the deck, the record gap that writes a wave, and the playback gap that reads one.

    >>> from tapecalc.machine import example_machine
    >>> contact = example_machine().one_pass(0.1905).today
    >>> sorted(at_the_gap(speed=0.1905, contact=contact, spacing=0.0415, thickness=35e-6).artists)
    ['field', 'heads', 'mean', 'read', 'reading', 'writing', 'written']
    """
    one, gap = short(speed / MIDDLE), contact.gap * contact.gap_factor
    canvas.head(
        "Written leaving one gap, read across another",
        f"{canvas.speed(speed)}, coating {short(contact.coating_thickness)}",
        answer=one,
        means=f"one wave of {frequency_text(MIDDLE)}",
        role="tape",
    )
    sheet = canvas.sketch()
    apart, deck = 0.8, 0.3 * sheet.height
    size = (sheet.width - apart) / 2, sheet.height - deck - 1.4
    boxes = [(left, 0.0, *size) for left in (0.0, size[0] + apart)]
    heads = _deck(canvas, sheet, deck, spacing, boxes)
    written = _writing(canvas, sheet, boxes[0], speed / MIDDLE, contact, thickness)
    read = _reading(canvas, sheet, boxes[1], speed / TREBLE, contact, thickness)
    said = (
        f"the playback gap of {short(contact.gap)} reads the mean over {short(gap)}; a wave is {one} long at "
        f"{frequency_text(MIDDLE)}, {short(speed / TREBLE)} at {frequency_text(TREBLE)}"
    )
    return Drawn(
        canvas.figure,
        {"heads": heads} | written | read,
        f"From the deck to the micrometer, at {canvas.speed(speed)}: heads {canvas.length(spacing)} apart; "
        f"the field of the record gap, drawn {short(RECORD_GAP)} long, writes where the tape leaves it; "
        f"{said}.",
        "Three drawings, each to its own scale: record and playback head on the tape; the tape on the record "
        "gap, blank before it, with stripes and arrows from the edge on where it leaves the gap; the tape on "
        f"the playback gap, where a band through the coating marks what is averaged. In numbers: {said}.",
        (_WAVELENGTH, "field between thin poles: ellipses around the edges of the gap", _GAP_SOURCE),
    )


def _deck(canvas: Canvas, sheet: Sketch, high: float, spacing: float, boxes: Sequence[Any]) -> list[Patch]:
    """Draw both heads on the tape, and where the other two drawings lie."""
    tall, words = canvas.profile.portrait, not canvas.symbols_only
    first, last = (0.36, 0.64) if tall else (0.25, 0.75)
    places = np.array([first, last]) * sheet.width
    scale = max((last - first) * sheet.width / spacing, (0.14 if tall else 0.25) / to_si(1, "mm"))
    named = max(2 * places[0] - 9.6, 1.0)  # leaves room for their names
    wide = min(HEAD_WIDTH * scale, 0.8 * spacing * scale, named)
    line, low = sheet.height - 1.9, sheet.height - high
    bodies: list[Patch] = []
    for place, name, way in zip(places, ("record", "playback"), (-1, 1), strict=True):
        bodies.append(sheet.box((place, (low + line) / 2), size=(wide, line - low), role="tape"))
        sheet.line([(place, line), (place, (line + low) / 2)], role="tape", zorder=2.5)
        side, beside = place + way * (wide / 2 + 0.5), "right" if way < 0 else "left"
        look: Look = {"ha": beside, "role": "tape"} | canvas.plate()
        sheet.words((side, line - 1.0), name if words else name[0].upper(), **look)
    sheet.line([(0, line + 0.1), (sheet.width, line + 0.1)], role="tape", width=1, arrows=1, zorder=3)
    sheet.line([(x, line + 0.6) for x in places], arrows=2)
    sheet.words((places.mean(), line + 0.75), canvas.length(spacing), va="bottom")
    if scale * spacing > 1.01 * np.ptp(places):  # too far apart to be shown to scale
        sheet.bar((places.mean(), line + 0.1), (0.4, 0.5), role="face", fill="face", zorder=3.5)
        for x in places.mean() + np.array([-0.2, 0.2]):
            sheet.line([(x - 0.12, line - 0.3), (x + 0.12, line + 0.5)], zorder=4)
    bar = View(sheet, (0, 0, 1, 1), (0, 0), (scale, scale))
    bar.scale_bar((0.2, line + 1.2), (0.3 if tall else 0.48) * places[0])
    for place, (left, bottom, across, up) in zip(places, boxes, strict=True):
        for x in (left, left + across):
            sheet.line([(place, line), (x, bottom + up)], width=GRID, zorder=1)
    return bodies


def _zoom(sheet: Sketch, box: Any, window: float, gap_at: float) -> View:
    """Open a framed window onto the tape, its gap at a share of the width."""
    left, bottom, width, height = box
    middle, scale = (left + width / 2, bottom + height / 2), width / window
    for look in ({"fill": "face", "zorder": 1.2}, {"facecolor": "none", "zorder": 4.5}):
        sheet.bar(middle, (width, height), width=GRID, **look)
    tall = sheet.profile.portrait
    origin = left + gap_at * width, bottom + (0.38 if tall else 0.4) * height
    view = View(sheet, box, origin, (scale, scale))
    if not tall:
        most = 0.18 * width
        view.scale_bar((left + (0.4 if gap_at == 0.5 else width - most - 3.8), bottom + 0.9), most)
    return view


def _writing(
    canvas: Canvas, sheet: Sketch, box: Any, length: float, contact: response.HeadContact, thickness: float
) -> dict[str, Any]:
    """Draw the record gap, its field, and the wave that the tape takes along."""
    edge, coating = RECORD_GAP / 2, contact.coating_thickness
    view = _zoom(sheet, box, max(1.5 * length + 2 * RECORD_GAP, 4 * coating), 0.2)
    view.poles(RECORD_GAP)
    view.tape(0, coating, thickness - coating)
    written = view.magnets(length, coating, shift=edge + length / 4, low=edge)
    turns = np.linspace(0, np.pi, 61)
    field = [
        view.curve(edge * np.cosh(v) * np.cos(turns), edge * np.sinh(v) * np.sin(turns), "dry", 0.4)
        for v in np.arange(0.4, 1.7, 0.3)
    ]
    view.curve([edge, edge], [0, coating], "dry", 1.2)
    if not canvas.symbols_only:
        place = view.at(edge) + [0.4, -0.4]
        sheet.words(place, "written as\nit leaves", ha="left", va="top", role="dry")
    _one_wave(canvas, view, edge, length, MIDDLE, (coating, thickness))
    return {"written": written, "field": field, "writing": view}


def _reading(
    canvas: Canvas, sheet: Sketch, box: Any, length: float, contact: response.HeadContact, thickness: float
) -> dict[str, Any]:
    """Draw the playback gap, the wave over it, and what of it is averaged."""
    width, coating, lifted = contact.gap * contact.gap_factor, contact.coating_thickness, contact.separation
    view = _zoom(sheet, box, max(2.2 * length, 4 * (lifted + coating), 5 * width), 0.5)
    view.poles(contact.gap)
    view.tape(lifted, coating, thickness - coating)
    read = view.magnets(length, coating, bottom=lifted)
    look: Look = {"role": "echo", "fill": "echo", "alpha": 0.4, "zorder": 3}
    mean = view.body(-width / 2, width / 2, 0, lifted + coating, **look)
    gap, said = f"gap {short(contact.gap)}", "reads\nthe mean"
    if canvas.profile.portrait:
        gap, said = gap.replace(" ", "\n", 1), "mean\nread"
    if canvas.symbols_only:
        gap, said = short(contact.gap), ""
    for text, way, ha, role in ((gap, -1, "right", "text"), (said, 1, "left", "echo")):
        place = view.at(way * width / 2) + [0.4 * way, -0.4]
        sheet.words(place, text, ha=ha, va="top", role=role)
    _one_wave(canvas, view, 0, length, TREBLE, (lifted + coating, lifted + thickness))
    return {"read": read, "mean": mean, "reading": view}


def _one_wave(
    canvas: Canvas, view: View, start: float, length: float, tone: float, tops: tuple[float, float]
) -> None:
    """Say how long a wave is: on the film where there is room, else above the tape."""
    text = f"{frequency_text(tone)}: {short(length)}"
    text, need = (text.replace(": ", "\n"), 3.6) if canvas.profile.portrait else (text, 2.3)
    coated, film = (view.at(0, up)[1] for up in tops)
    ceiling = view.box[1] + view.box[3] + 0.45  # no letter is as tall as its line
    place = coated if min(film, ceiling) - coated > need else film
    if place + need <= ceiling:
        up = (place + 0.5 - view.origin[1]) / view.scale[1]
        view.between(start, start + length, up, text, "tape", above=True)


def _words(canvas: Canvas, text: str) -> str:
    return "" if canvas.symbols_only else text


@figure("how a tilted gap blurs the treble", _today, units=True)
def tilted_gap(canvas: Canvas, *, speed: float, contact: response.HeadContact) -> Drawn:
    """Draw the gap across its track, tilted, with what its ends and all of it read.

    >>> from tapecalc.machine import example_machine
    >>> print(tilted_gap(speed=0.1905, contact=example_machine().one_pass(0.1905).today).caption)
    The gap is tilted by 3 arc minutes at 19.05 cm/s, drawn larger: 1.7 µm of tape between the edges of the
    track of 2 mm, −0.12 dB of 10 kHz, a wave of 19 µm.
    """
    angle, length, tone = contact.azimuth_angle or EXAMPLE_TILT, speed / TREBLE, frequency_text(TREBLE)
    would = "" if contact.azimuth_angle else "would "
    slant = contact.track_width * float(np.tan(angle))
    loss = response.azimuth_loss_db(TREBLE, speed, contact.track_width, angle)
    tilt = f"{from_si(abs(angle), 'arcmin'):.3g} arc minute"
    tilt += "" if tilt.startswith("1 ") else "s"
    first, second = ("upper", "lower") if slant > 0 else ("lower", "upper")
    verb = "would read" if would else "reads"
    canvas.head(
        f"The {first} edge {verb} first",
        f"{'as if tilted ' if would else ''}{tilt}, {canvas.speed(speed)}",
        answer=in_db(loss),
        means=f"of {tone}, by the tilt",
    )
    sheet = canvas.sketch()
    tall = canvas.profile.portrait
    across = sheet.width if tall else (0.62 if sheet.width > 30 else 0.58) * sheet.width
    high = 0.6 * sheet.height if tall else sheet.height
    track = _track(canvas, sheet, (0.0, sheet.height - high, across, high), slant, length, contact)
    side = (
        (0.0, 0.0, across, sheet.height - high) if tall else (across + 1, 0.0, sheet.width - across - 1, high)
    )
    curves = _edges(canvas, sheet, side, slant, length)
    said = (
        f"{short(abs(slant))} of tape between the edges of the track of "
        f"{canvas.length(contact.track_width)}, {in_db(loss)} of {tone}, a wave of {short(length)}"
    )
    stated = "No tilt is stated; with" if would else "The gap is tilted by"
    return Drawn(
        canvas.figure,
        track | curves,
        f"{stated} {tilt} at {canvas.speed(speed)}, drawn larger: {said}.",
        "A track seen from above with the stripes of a wave across it, stretched along the tape, and a "
        f"tilted gap over it. Beside it what its {first} edge, its {second} edge and all of it read, the "
        f"{first} one first, the mean smaller: {said}.",
        ("azimuth: H. Voelz, lecture notes on recording", _WAVELENGTH),
    )


def _track(
    canvas: Canvas, sheet: Sketch, box: Any, slant: float, length: float, contact: response.HeadContact
) -> dict[str, Any]:
    """Draw the track, which moves to the right, and the gap over it."""
    (left, bottom, wide, high), text = box, canvas.length(contact.track_width)
    beside = 1.6 + 0.56 * len(text)
    track, width = contact.track_width, contact.gap * contact.gap_factor
    window = max(2.2 * length, 1.4 * abs(slant) + 3 * width)
    wide, rise = wide - beside, (high - 5.8) / track
    frame = left + beside, bottom + 2.0, wide, high - 2.0
    view = View(sheet, frame, (frame[0] + wide / 2, bottom + 2.8), (wide / window, rise))
    view.tape(-0.8 / rise, track + 1.6 / rise)
    pattern = stripes(*view.ends[:2], track, length)
    pattern = view.put(PathPatch(pattern, color=sheet.color("tape"), linewidth=0, zorder=2.5))
    ends = np.array([[-slant / 2, track], [slant / 2, 0]])
    side = np.array([width / 2, 0])
    look: Look = sheet.body("text", "face") | {"zorder": 3}
    gap = view.put(Polygon([ends[0] - side, ends[0] + side, ends[1] + side, ends[1] - side], **look))
    view.curve([0, 0], [-0.8 / rise, track + 0.8 / rise], "text", STRUCTURE, linestyle=DASHED)
    dots = [
        view.curve([x], [y], "echo", marker="o", markersize=2.6 * canvas.profile.line_pt)
        for x, y in ends.tolist()
    ]
    view.between(-abs(slant) / 2, abs(slant) / 2, track + 1.6 / rise, short(abs(slant)))
    x = left + beside - 0.5
    sheet.line([(x, view.at(0, y)[1]) for y in (0, track)], arrows=2, role="tape")
    sheet.words((x - 0.4, view.at(0, track / 2)[1]), text, ha="right", role="tape")
    view.scale_bar((frame[0] + 0.1, bottom + 0.9), 0.25 * wide)
    end = frame[0] + wide - 0.2
    sheet.line([(end - 4, bottom + 0.9), (end, bottom + 0.9)], role="tape", width=1, arrows=1)
    return {"stripes": pattern, "gap": gap, "ends": dots}


def _edges(canvas: Canvas, sheet: Sketch, box: Any, slant: float, length: float) -> dict[str, Any]:
    """Draw what both ends of the gap read while the tape moves, and the mean of all of it."""
    left, bottom, wide, high = box
    tall, words = canvas.profile.portrait, not canvas.symbols_only
    window, beside = 1.25 * length, 3.8 if words else 0.5
    wide -= beside
    lift = 0.36 * high if tall else min(0.3 * high, 5.0)
    view = View(
        sheet, (left, bottom, wide, high), (left + 0.1 * wide, bottom + high / 2), (wide / window, lift)
    )
    x = finely(*view.ends[:2], length)
    view.curve(x[[0, -1]], [0, 0], "frame", GRID)
    upper, lower = (
        view.curve(x, wave(place, length, x), "tape", width)
        for place, width in ((-slant / 2, 0.9), (slant / 2, 0.45))
    )
    mean = view.curve(x, mean_wave(slant, length, x), "echo", zorder=5)
    ends = [view.at(x[-1], np.asarray(curve.get_ydata())[-1]) for curve in (upper, mean, lower)]
    ups = spread([y for _, y in ends], 1.6, bottom + 0.9, bottom + high - 0.9)
    named = zip(ups, ("upper", "all", "lower"), ("tape", "echo", "tape"), strict=True)
    for up, name, role in named:
        sheet.words((left + wide + 0.4, up), _words(canvas, name), ha="left", role=role)
    return {"upper": upper, "lower": lower, "mean": mean}


@figure("what a little dirt takes away", _today, units=True)
def lifted_tape(canvas: Canvas, *, speed: float, contact: response.HeadContact) -> Drawn:
    """Draw how far the field of three tones reaches below a lifted tape, and which of it meets the head.

    >>> contact = response.HeadContact(gap=4e-6, separation=0, coating_thickness=11e-6, track_width=2e-3,
    ...                                azimuth_angle=0)
    >>> print(lifted_tape(speed=0.1905, contact=contact).caption)
    Head and coating touch. 5 µm between head and coating would take 0.14 dB at 100 Hz, 1.4 dB at 1 kHz and
    14.3 dB at 10 kHz at 19.05 cm/s; a wave between them takes 54.6 dB.
    """
    apart, stated = contact.separation or GRAIN, contact.separation > 0
    losses = response.spacing_loss_db(np.array(TONES), speed, apart).tolist()
    names = [frequency_text(tone) for tone in TONES]
    canvas.head(
        f"Lifted tape {'loses' if stated else 'would lose'} its short waves first",
        f"{canvas.speed(speed)}, {'' if stated else 'as if '}{short(apart)} apart",
        answer=in_db(losses[-1]),
        means=f"of {names[-1]}, {short(apart)} off the head",
    )
    sheet, between = canvas.sketch(), 0.5
    high = (sheet.height - 2 * between) / len(TONES)
    parts_of = "tapes magnets reaching closing grains views said losses apart"
    drawn: dict[str, list[Any]] = {name: [] for name in parts_of.split()}
    for k, (tone, name, loss) in enumerate(zip(TONES, names, losses, strict=True)):
        box = (0.0, sheet.height - (k + 1) * high - k * between, sheet.width, high)
        view = _lifted_view(sheet, box, speed / TREBLE, apart)
        drawn["views"].append(view)
        for part, artist in _lifted(view, speed / tone, apart, contact.coating_thickness).items():
            drawn[part].append(artist)
        said, role = ("turns back", "frame") if drawn["closing"][k].get_segments() else ("arrives", "echo")
        low, along = box[1] + 0.55, sheet.width
        sheet.words((0.5, low), name, ha="left", va="baseline", role="tape")
        drawn["said"].append(sheet.words((along / 2, low), _words(canvas, said), va="baseline", role=role))
        lost = sheet.words((along - 0.5, low), in_db(loss), ha="right", va="baseline", role="echo")
        drawn["losses"].append(lost)
        if k == 0 and apart * view.scale[1] > 1.5:
            plate = {"facecolor": sheet.color("face"), "edgecolor": "none", "pad": 1}
            place = view.at(view.ends[0], -apart / 2) + [1.6 + apart * view.scale[0], 0]
            drawn["apart"].append(sheet.words(place, short(apart), ha="left", bbox=plate))
    said = listed(f"{in_db(-loss)} at {name}" for loss, name in zip(losses, names, strict=True))
    return Drawn(
        canvas.figure,
        drawn,
        f"{'' if stated else 'Head and coating touch. '}{short(apart)} between head and coating "
        f"{'takes' if stated else 'would take'} {said} at {canvas.speed(speed)}; a wave between them takes "
        "54.6 dB.",
        "Three drawings to one scale of a tape lifted from the head by a grain, one for each tone, with the "
        "lines of its field. Those of long waves go on down to the head; of short waves, many turn back "
        f"before it. What is left of the level is the share of lines that arrive. Lost: {said}.",
        (_SPACING_SOURCE, "field lines of a sine wave of magnetization, as without a head"),
    )


def _lifted_view(sheet: Sketch, box: Any, shortest: float, apart: float) -> View:
    """Open a window with room for a strip of tape, the distance, and a strip of the head."""
    left, bottom, wide, high = box
    scale = min(max(1.25 * wide / shortest, 1.4 / apart), (high - 3.2) / apart)
    return View(sheet, box, (left + wide / 2, bottom + 1.7 + apart * scale), (scale, scale))


def _lifted(view: View, length: float, apart: float, coating: float) -> dict[str, Any]:
    """Draw one tone: tape above, head below, its field in between."""
    low, right, floor, top = view.ends
    view.body(2 * low, 2 * right, 2 * floor, -apart, role="tape")
    parts: dict[str, Any] = {"tapes": view.tape(0, coating, max(top - coating, 0))}
    parts["magnets"] = view.magnets(length, coating, shift=length / 4)
    count = max(LEAST_LINES, round(length * view.scale[0] / 2 / np.pi / LINES_APART))
    traced = field_lines(low, right, length, count, apart, length / 4)
    for name, role, ways in zip(("reaching", "closing"), ("echo", "context"), traced, strict=True):
        look: Look = {"color": view.sheet.color(role), "linewidth": view.sheet.data(STRUCTURE), "zorder": 3}
        parts[name] = view.put(LineCollection(ways, **look))
    grain = Ellipse((low + apart / 2 + 1 / view.scale[0], -apart / 2), apart, apart, zorder=4)
    grain.set(color=view.sheet.color("limit"), linewidth=0)
    return parts | {"grains": view.put(grain)}


@figure("how deep in the coating each tone is read", _today, units=True)
def coating_depth(canvas: Canvas, *, speed: float, contact: response.HeadContact) -> Drawn:
    """Draw how much each depth of the coating adds, for three tones, and above which depth half of it lies.

    >>> contact = response.HeadContact(gap=4e-6, separation=0, coating_thickness=11e-6, track_width=2e-3,
    ...                                azimuth_angle=0, surface_share=1)
    >>> print(coating_depth(speed=0.1905, contact=contact).caption)
    Half of what the head reads at 19.05 cm/s comes from the first 5.5 µm at 100 Hz, 5 µm at 1 kHz and 2 µm
    at 10 kHz, of 11 µm magnetized evenly.
    """
    coating, share = contact.coating_thickness, contact.surface_share
    layers = [depth_shares(tone, speed, coating, share) for tone in TONES]
    halves = [float(np.interp(0.5, part, depth)) for depth, part in layers]
    canvas.head(
        "Treble is read from less depth than bass",
        f"{canvas.speed(speed)}, coating {short(coating)}",
        answer=short(halves[-1]),
        means=f"of coating give half of {frequency_text(TREBLE)}",
        role="tape",
    )
    sheet, tall = canvas.sketch(), canvas.profile.portrait
    below, above, beside = 1.8, 1.6, 4.0 if tall else 5.0
    rise, wide = (sheet.height - below - above) / coating, (sheet.width - beside) / len(TONES)
    frame = (beside, 0.0, sheet.width - beside, sheet.height)
    coat = View(sheet, frame, (beside, below), (1.0, rise))
    coat.body(0, sheet.width, -coating, 0, role="tape", zorder=1)
    coat.tape(0, coating, coating)
    x, top = beside - 0.6, below + rise * coating
    sheet.line([(x, below), (x, top)], arrows=2, role="tape")
    middle = (top + below) / 2
    sheet.words((x - 0.4, middle), short(coating), ha="right", role="tape")
    for up, name in (
        (top + above / 2, "film"),
        (middle + 1.6, "" if tall else "coating"),
        (below / 2, "head"),
    ):
        sheet.words((x - 0.4, up), _words(canvas, name), ha="right", role="tape")
    drawn: dict[str, list[Any]] = {"shares": [], "first_half": []}
    for k, (tone, (depth, part), half) in enumerate(zip(TONES, layers, halves, strict=True)):
        left = beside + (k + 0.1) * wide
        column = View(sheet, frame, (left, below), (0.75 * wide, rise))
        for name, shape in _halved(column, depth, part, half).items():
            drawn[name].append(shape)
        sheet.words((left + 0.3, below + rise * half + 0.2), short(half), ha="left", va="bottom")
        sheet.words((left, below / 2), frequency_text(tone), ha="left", role="tape")
    said = listed(
        f"{short(half)} at {frequency_text(tone)}" for tone, half in zip(TONES, halves, strict=True)
    )
    even = (
        "evenly" if share == 1 else f"at the surface {amount(share, 'percent')} as strongly as in the depth"
    )
    return Drawn(
        canvas.figure,
        drawn,
        f"Half of what the head reads at {canvas.speed(speed)} comes from the first {said}, of "
        f"{short(coating)} magnetized {even}.",
        "The coating from the side between head and film, with one shape for each tone that is as wide as "
        f"what each depth adds; the part below its line is half of it. Half comes from the first {said}.",
        (
            "thickness: R. L. Wallace, Bell System Technical Journal 30, 1951 (from memory)",
            "weak surface of the coating: O. Tjaden 1959, as told by J. McKnight 2017",
        ),
    )


def _halved(column: View, depth: Array, part: Array, half: float) -> dict[str, Patch]:
    """Draw a shape as wide as what each depth adds, and darker the first half of it."""
    density, drawn = np.gradient(part, depth), {}
    density /= density.max()
    for name, upto, alpha in (("shares", depth[-1], 0.4), ("first_half", half, 1.0)):
        at = np.append(depth[depth < upto], upto)
        across = np.interp(at, depth, density)
        outline = [(0, 0), (across[0], 0), *zip(across, at, strict=True), (0, upto)]
        look: Look = {"color": column.sheet.color("tape"), "alpha": alpha, "linewidth": 0, "zorder": 3}
        drawn[name] = column.put(Polygon(outline, **look))
    column.curve([0, 1.0], [half, half], "text", STRUCTURE, zorder=5)
    return drawn
