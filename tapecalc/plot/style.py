"""Sizes, grounds, colors and type for every figure, and the one way to save one.

A `Profile` says how large a figure is, how large its type and lines are, and on which ground it stands;
figures are made inside ``with context(profile)`` so that the reader's own matplotlib settings are neither
read nor changed. The values themselves are in ``tokens.toml``.
"""

import contextlib
import io
import re
import textwrap
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter
from numpy.typing import NDArray

from tapecalc.calc.quantity import known_name, positive, whole
from tapecalc.calc.units import from_si, to_si
from tapecalc.files import write_file
from tapecalc.words import frequency as _frequency

_TOKENS: dict[str, Any] = tomllib.loads(
    resources.files("tapecalc.plot").joinpath("tokens.toml").read_text(encoding="utf-8")
)
FORMATS = ("svg", "pdf", "png")
LINES = tuple((0, tuple(dashes)) if dashes else "-" for dashes in _TOKENS["lines"])
MARKERS = tuple(_TOKENS["markers"])
MM = from_si(to_si(1, "mm"), "in")  # matplotlib counts paper in inches


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What a figure stands on, and the colors that read well there; `seen_on` is what may lie below."""

    name: str
    face: str
    text: str
    frame: str
    grid: str
    fill: str
    colors: tuple[str, ...]
    ramp: tuple[str, str]
    seen_on: tuple[str, ...]


def _fixed(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


#: The grounds by name: light, dark, transparent.
GROUNDS = {
    name: Ground(name=name, **{key: _fixed(value) for key, value in ground.items()})
    for name, ground in _TOKENS["grounds"].items()
}


@dataclass(frozen=True, kw_only=True)
class Profile:
    """One size a figure is made in: paper, pixels, type, lines, ground.

    `titled` says whether a title belongs into the picture (a printed article has its caption instead).
    """

    name: str
    width_in: float
    height_in: float
    dpi: int
    text_pt: float
    title_pt: float
    line_pt: float
    safe: float = 0.01
    floor: float = 0.01
    titled: bool = True
    ground: Ground = GROUNDS["light"]

    @property
    def pixels(self) -> tuple[int, int]:
        """Width and height of a PNG, in pixels."""
        return round(self.width_in * self.dpi), round(self.height_in * self.dpi)

    @property
    def portrait(self) -> bool:
        """Whether the figure is higher than wide."""
        return self.height_in > self.width_in

    @property
    def narrow(self) -> bool:
        """Whether fewer than 40 characters of its type fit side by side."""
        return self.width_in * 72 / self.text_pt < 35

    @property
    def type_share(self) -> float:
        """Size of its type over the height of the figure, whatever the pixels."""
        return self.text_pt / 72 / self.height_in

    @property
    def inside(self) -> tuple[float, float, float, float]:
        """Left, bottom, width and height of what may hold text, as shares of the figure."""
        return self.safe, self.floor, 1 - 2 * self.safe, 1 - self.safe - self.floor

    def on(self, ground: str) -> "Profile":
        """Return the same profile on another of the `GROUNDS`."""
        near = known_name("ground", ground, GROUNDS)
        name = self.name.removesuffix("_" + self.ground.name)
        return replace(self, name=name if near == "light" else f"{name}_{near}", ground=GROUNDS[near])


def _sized(name: str, size: dict[str, Any]) -> Profile:
    """Return a profile of the tokens, its paper in inches."""
    inches = {
        f"{side}_in": size.pop(f"{side}_mm") * MM for side in ("width", "height") if f"{side}_mm" in size
    }
    return Profile(name=name, **inches, **size)


#: Every size on every ground; the light one has the plain name.
PROFILES = {
    profile.name: profile
    for name, size in _TOKENS["sizes"].items()
    for profile in map(_sized(name, size).on, GROUNDS)
}


def as_profile(profile: str | Profile) -> Profile:
    """Return a `Profile` for a key of `PROFILES`, or the profile itself.

    >>> as_profile("video_1080").pixels
    (1920, 1080)
    """
    return profile if isinstance(profile, Profile) else PROFILES[known_name("profile", profile, PROFILES)]


# ---- colors and lines ----


def luminance(color: str) -> float:
    """Return the relative luminance of a color, 0 for black and 1 for white.

    ``0.2126 R + 0.7152 G + 0.0722 B`` of the linear parts. Source: WCAG 2.2 (sRGB, IEC 61966-2-1).
    """
    shown = _parts(color) / 255
    linear = np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4)
    return round(float(linear @ (0.2126, 0.7152, 0.0722)), 12)


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two colors, ``(L1 + 0.05) / (L2 + 0.05)``, from 1 to 21.

    Text needs 4.5, lines need 3. Source: WCAG 2.2, success criteria 1.4.3 and 1.4.11.
    """
    dark, light = sorted((luminance(first), luminance(second)))
    return (light + 0.05) / (dark + 0.05)


def _parts(color: str) -> NDArray[np.int64]:
    """Red, green and blue of a color such as ``"#0072B2"``, 0 to 255."""
    return np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)])


def line_style(profile: str | Profile, index: int, *, marker: bool = False) -> dict[str, Any]:
    """Return the look of the line number `index`, from 0: color, line style and, if asked, marker."""
    profile = as_profile(profile)
    colors = profile.ground.colors
    return {
        "color": colors[index % len(colors)],
        "linestyle": LINES[index % len(LINES)],
        "linewidth": profile.line_pt,
        "marker": MARKERS[index % len(MARKERS)] if marker else "none",
        "markersize": 2.2 * profile.line_pt + 2,
    }


def sequence(profile: str | Profile, count: int) -> list[str]:
    """Return 1 to 32 colors from strong to faint, for steps of one thing; each has a contrast of 3:1."""
    strong, faint = map(_parts, as_profile(profile).ground.ramp)
    steps = np.linspace(0, 1, whole("count", count, 1, 32))[:, None]
    mixed = ((1 - step) * strong + step * faint for step in steps)
    return ["#" + "".join(f"{round(part):02X}" for part in color.tolist()) for color in mixed]


def on_ground(svg: bytes, ground: str) -> bytes:
    """Give a drawing made on the light ground the colors of another, as if it had been drawn there."""
    twins = _twins(known_name("ground", ground, GROUNDS))
    return re.sub(rb"#[0-9a-f]{6}\b", lambda found: twins.get(found[0], found[0]), svg)


@lru_cache
def _twins(ground: str) -> dict[bytes, bytes]:
    """What stands for each color of the light ground, those of its `sequence` included."""
    light, other = (PROFILES["page"].on(name) for name in ("light", ground))
    pairs = [
        pair
        for field in fields(Ground)
        for pair in zip(
            np.atleast_1d(getattr(light.ground, field.name)),
            np.atleast_1d(getattr(other.ground, field.name)),
            strict=False,
        )
    ]
    for count in range(1, 33):
        pairs += zip(sequence(light, count), sequence(other, count), strict=True)
    return {own.lower().encode(): twin.lower().encode() for own, twin in reversed(pairs)}


# ---- figures ----


@contextlib.contextmanager
def context(profile: str | Profile) -> Iterator[Profile]:
    """Make figures as a profile says, leaving matplotlib's settings as they were; yields the profile."""
    profile = as_profile(profile)
    text, frame, line = profile.ground.text, profile.ground.frame, profile.line_pt
    settings: Any = {
        "font.family": "DejaVu Sans",
        "font.size": profile.text_pt,
        "mathtext.fontset": "dejavusans",
        "text.color": text,
        "axes.facecolor": "none",
        "axes.edgecolor": frame,
        "axes.labelcolor": text,
        "axes.linewidth": line / 2,
        "axes.titlesize": profile.title_pt,
        "axes.titlecolor": text,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "grid.color": profile.ground.grid,
        "grid.linewidth": line / 3,
        "lines.linewidth": line,
        "patch.linewidth": line / 1.5,
        "legend.frameon": False,
        "legend.labelcolor": text,
        "legend.fontsize": profile.text_pt,
        "svg.hashsalt": "tapecalc",
        "svg.fonttype": "path",
        "pdf.fonttype": 42,
    }
    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # start from matplotlib's own settings, not the reader's
        matplotlib.rcParams.update(settings)
        yield profile


def new_figure(profile: str | Profile) -> Figure:
    """Return an empty figure of a profile; its layout keeps inside the safe area.

    No window manager knows it. Once all is drawn, `fix_layout` keeps things where they are.
    """
    profile = as_profile(profile)
    pad = profile.text_pt / 72 * 0.25
    figure = Figure(
        figsize=(profile.width_in, profile.height_in),
        dpi=profile.dpi,
        facecolor=profile.ground.face,
        layout=ConstrainedLayoutEngine(rect=profile.inside, h_pad=pad, w_pad=pad),
    )
    FigureCanvasAgg(figure)
    return figure


def fix_layout(figure: Figure) -> Figure:
    """Lay a figure out once and for all: an engine left on doubles the time of each draw (measured)."""
    figure.draw_without_rendering()
    # Not "none", which is an engine too: saving would draw twice, the first time for it alone.
    with matplotlib.rc_context({"figure.autolayout": False, "figure.constrained_layout.use": False}):
        figure.set_layout_engine(None)
    return figure


def style_axes(
    axes: Axes,
    profile: str | Profile,
    *,
    x: str = "",
    y: str = "",
    title: str = "",
    grid: str | None = "both",
) -> Axes:
    """Give axes their labels, title, ticks and grid (``"both"``, ``"x"``, ``"y"`` or None), all stated."""
    profile = as_profile(profile)
    ground, text_pt, thin = profile.ground, profile.text_pt, profile.line_pt / 2
    axes.set_xlabel(x, fontsize=text_pt, color=ground.text)
    axes.set_ylabel(y, fontsize=text_pt, color=ground.text)
    if profile.titled and title:
        title = textwrap.fill(title, int(0.66 * 72 * profile.width_in / (0.58 * profile.title_pt)))
        look: dict[str, Any] = {"fontsize": profile.title_pt, "color": ground.text, "loc": "left"}
        axes.set_title(title, pad=0.7 * profile.title_pt, **look)
    words: dict[str, Any] = {
        "labelsize": text_pt,
        "labelcolor": ground.text,
        "labelfontfamily": "DejaVu Sans",
    }
    axes.tick_params(which="both", pad=0.35 * text_pt, color=ground.frame, width=thin, **words)
    axes.tick_params(which="major", length=0.45 * text_pt)
    axes.tick_params(which="minor", length=0.25 * text_pt)
    for side, spine in axes.spines.items():
        spine.set(color=ground.frame, linewidth=thin, visible=side in ("left", "bottom"))
    if grid:
        which: Any = grid
        axes.grid(True, which="major", axis=which, color=ground.grid, linewidth=profile.line_pt / 3)
    axes.set_axisbelow(True)
    return axes


def frequency_axis(axes: Axes, profile: str | Profile, *, low: float, high: float) -> Axes:
    """Make the x axis logarithmic from `low` to `high` in Hz, with ticks in words: 100, 1k, 10k."""
    steps = (1,) if as_profile(profile).narrow else (1, 2, 5)
    decades = [step * 10.0**power for power in range(6) for step in steps]
    axes.set_xscale("log")
    axes.set_xlim(float(positive("low", low, "Hz")), float(positive("high", high, "Hz")))
    axes.xaxis.set_major_locator(FixedLocator([f for f in decades if low <= f <= high]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda f, _: f"{f / 1000:g}k" if f >= 1000 else f"{f:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    return axes


def frequency_text(value: float) -> str:
    """Write a frequency to two digits: the labels of figures hold no more."""
    return _frequency(value, digits=2)


# ---- files ----


def save_figure(
    figure: Figure, stem: str | Path, formats: str | tuple[str, ...] = ("svg", "png"), *, alt: str = ""
) -> tuple[Path, ...]:
    """Write a figure to files that come out byte for byte the same each time, and name them.

    `stem` is the path without an ending, `alt` one sentence that is stored in each file. All formats are
    drawn before the first is written, and each is moved to its place when it is whole.

    >>> save_figure(new_figure("notebook"), "/dev/null/figure")
    Traceback (most recent call last):
    OSError: cannot write to /dev/null: File exists
    """
    stem = Path(stem)
    formats = (formats,) if isinstance(formats, str) else tuple(formats)
    paths = tuple(stem.with_name(f"{stem.name}.{known_name('format', form, FORMATS)}") for form in formats)
    drawn = [figure_bytes(figure, form, alt=alt) for form in formats]
    for path, content in zip(paths, drawn, strict=True):
        write_file(path, content)
    return paths


def figure_bytes(figure: Figure, form: str, *, alt: str = "") -> bytes:
    """Render a figure in one of the `FORMATS`, the same bytes each time: without dates."""
    metadata = {
        "svg": {"Date": None, "Creator": None, "Title": alt},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None, "Title": alt},
        "png": {"Software": None, "Description": alt or None},
    }[known_name("format", form, FORMATS)]
    buffer = io.BytesIO()
    with context("notebook"):
        figure.savefig(buffer, format=form, dpi=figure.dpi, facecolor="auto", metadata=metadata)
    return buffer.getvalue()
