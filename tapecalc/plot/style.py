"""Type, colors, sizes and grounds for every figure, and the one way to save one.

A `Profile` says how large a figure is, how large its type and lines are, and on which ground it stands;
figures are made inside ``with context(profile)`` so that the reader's own matplotlib settings are neither
read nor changed. The values themselves are in ``tokens.toml``.
"""

import base64
import contextlib
import html
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
from fontTools import subset
from fontTools.ttLib import TTFont
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from tapecalc.calc.quantity import known_name, positive, whole
from tapecalc.calc.units import from_si, to_si
from tapecalc.files import write_file
from tapecalc.words import frequency as _frequency

_FOLDER = resources.files("tapecalc.plot")
TOKENS: dict[str, Any] = tomllib.loads(_FOLDER.joinpath("tokens.toml").read_text(encoding="utf-8"))
FORMATS = ("svg", "pdf", "png")
ROLES = ("dry", "echo", "tape", "context", "limit")
FAMILY, FACES = TOKENS["type"]["family"], TOKENS["type"]["files"]
TITLE, NOTE = TOKENS["type"]["title"], TOKENS["type"]["note"]  # their sizes over that of the text
STRUCTURE, GRID = TOKENS["line"]["structure"], TOKENS["line"]["grid"]  # their widths over that of data
DASHED, DASH_DOT = ((0, tuple(TOKENS["line"][name])) for name in ("dashes", "dash_dots"))
MM = from_si(to_si(1, "mm"), "in")  # matplotlib counts paper in inches
MOST_GRID = 5  # lines in one direction

CREATOR, LICENSE = "the tapecalc authors", "https://creativecommons.org/licenses/by/4.0/"
CREDIT = "tapecalc, CC BY 4.0"


def type_file(face: str) -> Path:
    """Where the file of one of the `FACES` is."""
    return Path(str(_FOLDER)) / "type" / f"{FAMILY.replace(' ', '')}-{face}.ttf"


for _face in FACES:
    font_manager.fontManager.addfont(type_file(_face))


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What a figure stands on, and the color of each role on it; `seen_on` is what may lie below."""

    name: str
    face: str
    text: str
    frame: str  # of axes, and of what is said quietly
    grid: str
    fill: str
    ribbon: str  # the face of the tape
    dry: str
    echo: str
    tape: str
    context: str
    limit: str
    ramp: tuple[str, str]
    seen_on: tuple[str, ...]

    def role(self, name: str) -> str:
        """Color of one of the `ROLES`, or of any other field."""
        return str(getattr(self, name))


def _fixed(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


#: The grounds by name: light, dark, transparent.
GROUNDS = {
    name: Ground(name=name, **{key: _fixed(value) for key, value in ground.items()})
    for name, ground in TOKENS["grounds"].items()
}


@dataclass(frozen=True, kw_only=True)
class Profile:
    """One size a figure is made in: paper, pixels, type, lines, ground.

    `layout` says where title and number stand; it is shown `shown_mm` wide and seen from `seen_mm` away.
    """

    name: str
    width_in: float
    height_in: float
    dpi: int
    text_pt: float
    line_pt: float
    layout: str = "strip"
    safe: float = 0.01
    floor: float = 0.01
    shown_mm: float = 200.0
    seen_mm: float = 600.0
    ground: Ground = GROUNDS["light"]

    @property
    def title_pt(self) -> float:
        """Size of titles, and of the one number that matters."""
        return TITLE * self.text_pt

    @property
    def note_pt(self) -> float:
        """Size of what is said quietly."""
        return NOTE * self.text_pt

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
        """Whether it is less than 35 times as wide as its type is high."""
        return self.width_in * 72 / self.text_pt < 35

    @property
    def slim(self) -> bool:
        """Whether a chart has less than the usual width: it is narrow, or the answer stands beside it."""
        return self.narrow or self.layout == "third"

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
    for name, size in TOKENS["sizes"].items()
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


def line_look(profile: str | Profile, role: str, **changes: Any) -> dict[str, Any]:
    """Return the look of a line of data in the color of a role."""
    profile = as_profile(profile)
    look = {"color": profile.ground.role(role), "linewidth": profile.line_pt, "linestyle": "-"}
    return look | {"solid_capstyle": "butt"} | changes


def sequence(profile: str | Profile, count: int) -> list[str]:
    """Return 1 to 32 colors from strong to pale, for repeats; each has a contrast of 3:1."""
    strong, faint = map(_parts, as_profile(profile).ground.ramp)
    steps = np.linspace(0, 1, whole("count", count, 1, 32))[:, None]
    mixed = ((1 - step) * strong + step * faint for step in steps)
    return ["#" + "".join(f"{round(part):02X}" for part in color.tolist()) for color in mixed]


def on_ground(svg: bytes, ground: str) -> bytes:
    """Give a drawing made on the light ground the colors of another, as if it had been drawn there."""
    twins = _twins(known_name("ground", ground, GROUNDS))
    twin = re.sub(rb"#[0-9a-f]{6}\b", lambda found: twins.get(found[0], found[0]), svg)
    return re.sub(rb"(fill|stroke): (#[0-9a-f]{6})([0-9a-f]{2})\b", _clear, twin)


def _clear(found: re.Match[bytes]) -> bytes:
    """How much a color lets through, as drawings tell it."""
    what, color, opaque = found.groups()
    return b"%s: %s; %s-opacity: %g" % (what, color, what, int(opaque, 16) / 255)


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
        "font.family": FAMILY,
        "font.size": profile.text_pt,
        "mathtext.fontset": "custom",
        "mathtext.rm": FAMILY,
        "mathtext.it": f"{FAMILY}:italic",
        "mathtext.bf": f"{FAMILY}:semibold",
        **{f"mathtext.{kind}": FAMILY for kind in ("cal", "sf", "tt", "bfit")},
        "mathtext.fallback": "stixsans",
        "text.color": text,
        "axes.facecolor": "none",
        "axes.edgecolor": frame,
        "axes.labelcolor": text,
        "axes.linewidth": STRUCTURE * line,
        "axes.titlesize": profile.title_pt,
        "axes.titlecolor": text,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.unicode_minus": True,
        "grid.color": profile.ground.grid,
        "grid.linewidth": GRID * line,
        "lines.linewidth": line,
        "patch.linewidth": STRUCTURE * line,
        "legend.frameon": False,
        "legend.labelcolor": text,
        "legend.fontsize": profile.text_pt,
        "svg.hashsalt": "tapecalc",
        "svg.fonttype": "none",
        "pdf.fonttype": 42,
    }
    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # start from matplotlib's own settings, not the reader's
        matplotlib.rcParams.update(settings)
        yield profile


def new_figure(profile: str | Profile, *, credit: bool = False) -> Figure:
    """Return an empty figure of a profile; its layout keeps inside the safe area, and above a credit line.

    No window manager knows it. Once all is drawn, `fix_layout` keeps things where they are.
    """
    profile = as_profile(profile)
    pad, (left, bottom, width, height) = profile.text_pt / 72 * 0.25, profile.inside
    line = 1.5 * profile.note_pt / 72 / profile.height_in if credit else 0.0
    figure = Figure(
        figsize=(profile.width_in, profile.height_in),
        dpi=profile.dpi,
        facecolor=profile.ground.face,
        layout=ConstrainedLayoutEngine(
            rect=(left, bottom + line, width, height - line), h_pad=pad, w_pad=pad
        ),
    )
    FigureCanvasAgg(figure)
    if credit:
        look: Any = {
            "fontsize": profile.note_pt,
            "color": profile.ground.frame,
            "ha": "right",
            "va": "bottom",
        }
        figure.text(left + width, bottom, CREDIT, gid="credit", **look)
    return figure


def fix_layout(figure: Figure) -> Figure:
    """Lay a figure out once and for all: an engine left on doubles the time of each draw (measured)."""
    figure.draw_without_rendering()
    # Not "none", which is an engine too: saving would draw twice, the first time for it alone.
    with matplotlib.rc_context({"figure.autolayout": False, "figure.constrained_layout.use": False}):
        figure.set_layout_engine(None)
    return figure


def style_axes(
    axes: Axes, profile: str | Profile, *, x: str = "", y: str = "", title: str = "", grid: str | None = "y"
) -> Axes:
    """Give axes their labels, title, few ticks and a grid in one direction (``"x"``, ``"y"`` or None)."""
    profile = as_profile(profile)
    ground, text_pt, thin = profile.ground, profile.text_pt, STRUCTURE * profile.line_pt
    axes.set_xlabel(x, fontsize=text_pt, color=ground.text)
    axes.set_ylabel(y, fontsize=text_pt, color=ground.text)
    if profile.layout != "number" and title:
        title = textwrap.fill(title, int(0.66 * 72 * profile.width_in / (0.58 * profile.title_pt)))
        look: dict[str, Any] = {"fontsize": profile.title_pt, "color": ground.text, "loc": "left"}
        axes.set_title(title, pad=0.7 * profile.title_pt, **look)
    words: dict[str, Any] = {"labelsize": text_pt, "labelcolor": ground.text, "labelfontfamily": FAMILY}
    axes.tick_params(which="both", pad=0.35 * text_pt, color=ground.frame, width=thin, **words)
    axes.tick_params(which="major", length=0.4 * text_pt)
    axes.tick_params(which="minor", length=0.2 * text_pt)
    for side, spine in axes.spines.items():
        spine.set(color=ground.frame, linewidth=thin, visible=side in ("left", "bottom"))
    for axis in (axes.xaxis, axes.yaxis):
        if axis.get_scale() == "linear" and not isinstance(axis.get_major_locator(), FixedLocator):
            most = 3 if profile.narrow and axis is axes.xaxis else MOST_GRID  # or numbers run together
            axis.set_major_locator(MaxNLocator(most, steps=(1, 2, 5, 10)))
    if grid:
        which: Any = grid
        axes.grid(True, which="major", axis=which, color=ground.grid, linewidth=GRID * profile.line_pt)
    axes.set_axisbelow(True)
    return axes


def frequency_axis(axes: Axes, profile: str | Profile, *, low: float, high: float) -> Axes:
    """Make the x axis logarithmic from `low` to `high` in Hz, with ticks in words: 100, 1k, 10k."""
    profile = as_profile(profile)
    steps = (1,) if profile.slim else (1, 2, 5)
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
    figure: Figure,
    stem: str | Path,
    formats: str | tuple[str, ...] = ("svg", "png"),
    *,
    title: str = "",
    alt: str = "",
) -> tuple[Path, ...]:
    """Write a figure to files that come out byte for byte the same each time, and name them.

    `stem` is the path without an ending; `title` and `alt`, a few words and a description, are stored in
    each file. All formats are drawn before the first is written, and each is moved to its place when whole.

    >>> save_figure(new_figure("notebook"), "/dev/null/figure")
    Traceback (most recent call last):
    OSError: cannot write to /dev/null: File exists
    """
    stem = Path(stem)
    formats = (formats,) if isinstance(formats, str) else tuple(formats)
    paths = tuple(stem.with_name(f"{stem.name}.{known_name('format', form, FORMATS)}") for form in formats)
    drawn = [figure_bytes(figure, form, title=title, alt=alt) for form in formats]
    for path, content in zip(paths, drawn, strict=True):
        write_file(path, content)
    return paths


def figure_bytes(
    figure: Figure, form: str, *, title: str = "", alt: str = "", with_type: bool = True
) -> bytes:
    """Render a figure in one of the `FORMATS`, the same bytes each time: without dates.

    SVG keeps its texts as text, `with_type` the letters they need too; a page that has the `type_css`
    once does without. PDF is tagged.
    """
    metadata: dict[str, dict[str, Any]] = {
        "svg": {"Date": None, "Creator": CREATOR, "Rights": LICENSE, "Language": "en"},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
        "png": {"Software": None, "Title": title or None, "Description": alt or None}
        | {"Author": CREATOR, "Copyright": LICENSE},
    }
    buffer = io.BytesIO()
    with context("notebook"):
        settings: Any = {"format": known_name("format", form, FORMATS), "metadata": metadata[form]}
        figure.savefig(buffer, dpi=figure.dpi, facecolor="auto", **settings)
    if form == "svg":
        return _with_words(buffer.getvalue().decode(), title, alt, with_type=with_type).encode()
    return _tagged(buffer, title, alt) if form == "pdf" else buffer.getvalue()


def _with_words(svg: str, title: str, alt: str, *, with_type: bool) -> str:
    """Put title, description and, if wanted, the letters that it uses into an SVG."""
    css = f"<style>{type_css(_letters(svg))}</style>" if with_type else ""
    words = f"<title>{html.escape(title)}</title><desc>{html.escape(alt)}</desc>" if title or alt else ""
    return re.sub(r"<svg [^>]*>", lambda found: f'{found[0][:-1]} role="img">{words}{css}', svg, count=1)


def _letters(svg: str) -> tuple[tuple[str, str], ...]:
    """Which letters of which face the texts of an SVG use."""
    found: dict[str, set[str]] = {}
    for look, text in re.findall(r'<(?:text|tspan)[^>]* style="([^"]*)"[^>]*>([^<]+)<', svg):
        face = "SemiBold" if "font-weight" in look else "Italic" if "font-style" in look else "Regular"
        found.setdefault(face, set()).update(html.unescape(text))
    return tuple((face, "".join(sorted(letters))) for face, letters in sorted(found.items()))


def type_css(letters: tuple[tuple[str, str], ...] = ()) -> str:
    """Write the CSS that brings the type along: some letters of some faces, or all of all."""
    return "".join(_face_css(face, wanted) for face, wanted in letters or [(face, "") for face in FACES])


@lru_cache(1000)  # figures have many in common
def _face_css(face: str, wanted: str) -> str:
    """The rule for some letters of a face, or for all."""
    options = subset.Options(flavor="woff", layout_features=["kern"], hinting=False)
    with TTFont(type_file(face), recalcTimestamp=False) as font, io.BytesIO() as buffer:
        if wanted:
            chosen = subset.Subsetter(options)
            chosen.populate(text=wanted)
            chosen.subset(font)
        font.flavor = options.flavor
        font.save(buffer)
        data = base64.b64encode(buffer.getvalue()).decode()
    weight, slope = FACES[face]
    return (
        f"@font-face{{font-family:'{FAMILY}';font-weight:{weight};font-style:{slope};"
        f"src:url(data:font/woff;base64,{data})}}"
    )


def _tagged(drawn: io.BytesIO, title: str, alt: str) -> bytes:
    """Make a PDF say that it is one figure, what it shows, in which language, and whose it is."""
    import pikepdf  # takes as long as the rest of this module

    name, buffer = pikepdf.Name, io.BytesIO()
    with pikepdf.open(drawn) as pdf:
        page, root = pdf.pages[0], pdf.Root
        page.contents_add(b"/Figure <</MCID 0>> BDC", prepend=True)
        page.contents_add(b"EMC")
        tree = pdf.make_indirect(pikepdf.Dictionary(Type=name.StructTreeRoot))
        element = pdf.make_indirect(
            pikepdf.Dictionary(Type=name.StructElem, S=name.Figure, P=tree, Pg=page.obj, K=0, Alt=alt)
        )
        tree.K, tree.ParentTreeNextKey = pikepdf.Array([element]), 1
        tree.ParentTree = pdf.make_indirect(
            pikepdf.Dictionary(Nums=pikepdf.Array([0, pikepdf.Array([element])]))
        )
        page.obj.StructParents, root.StructTreeRoot = 0, tree
        root.MarkInfo, root.Lang = pikepdf.Dictionary(Marked=True), pikepdf.String("en")
        root.ViewerPreferences = pikepdf.Dictionary(DisplayDocTitle=True)
        with pdf.open_metadata(set_pikepdf_as_editor=False, update_docinfo=True) as about:
            about["dc:title"], about["dc:description"] = title or "figure", alt
            about["dc:creator"], about["dc:rights"], about["dc:language"] = [CREATOR], LICENSE, {"en"}
        pdf.save(buffer, deterministic_id=True)
    return buffer.getvalue()
