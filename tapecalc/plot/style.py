"""Sizes, grounds, colors and type for every figure, and the one way to save one.

A `Profile` says how large a figure is, how large its type and lines are, and on
which ground it stands; figures are made inside ``with context(profile)`` so that
the reader's own matplotlib settings are neither read nor changed.
"""

from __future__ import annotations

import contextlib
import difflib
import io
import textwrap
from dataclasses import dataclass, replace
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from tapecalc.calc.quantity import positive, whole
from tapecalc.calc.units import from_si, to_si
from tapecalc.files import write_file

__all__ = [
    "FORMATS",
    "GROUNDS",
    "PROFILES",
    "Ground",
    "Profile",
    "as_profile",
    "color_distance",
    "context",
    "contrast",
    "dress",
    "figure_bytes",
    "frequency_axis",
    "frequency_text",
    "line_style",
    "luminance",
    "nearest_name",
    "new_figure",
    "save_figure",
    "sequence",
    "settle",
    "simulate",
]


MM = from_si(to_si(1, "mm"), "in")  # matplotlib counts paper in inches
FORMATS = ("svg", "pdf", "png")


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What a figure stands on, and the colors that read well there.

    The line colors are those of the Okabe-Ito set that keep a contrast of 3:1 on
    the ground; a transparent figure must keep it on white and on black.
    """

    name: str
    face: str
    text: str
    frame: str
    grid: str
    fill: str
    colors: tuple[str, ...]
    ramp: tuple[str, str]
    seen_on: tuple[str, ...]


#: The three grounds. Source of the colors: Okabe and Ito, "Color universal design" (2002).
GROUNDS = {
    "light": Ground(
        name="light",
        face="#FFFFFF",
        text="#1A1A1A",
        frame="#595959",
        grid="#DDDDDD",
        fill="#E9EEF3",
        colors=("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000"),
        ramp=("#0B2A4A", "#3F95CF"),
        seen_on=("#FFFFFF",),
    ),
    "dark": Ground(
        name="dark",
        face="#12161C",
        text="#F2F2F2",
        frame="#B0B6BE",
        grid="#343B45",
        fill="#222A34",
        colors=("#56B4E9", "#E69F00", "#009E73", "#CC79A7", "#FFFFFF"),
        ramp=("#E4F3FC", "#2F84BA"),
        seen_on=("#12161C",),
    ),
    "transparent": Ground(
        name="transparent",
        face="none",
        text="#767676",
        frame="#767676",
        grid="#76767655",
        fill="#76767633",
        colors=("#0072B2", "#D55E00", "#009E73", "#CC79A7"),
        ramp=("#1769A5", "#3F95CF"),
        seen_on=("#FFFFFF", "#000000"),
    ),
}

LINES = ("-", (0, (5, 1.6)), (0, (1.2, 1.2)), (0, (6, 1.5, 1.2, 1.5)), (0, (3, 1.2, 1, 1.2, 1, 1.2)))
MARKERS = ("o", "s", "^", "D", "v")


@dataclass(frozen=True, kw_only=True)
class Profile:
    """One size a figure is made in: paper, pixels, type, lines, ground.

    ``safe`` is the share of each edge that stays free of text, ``floor`` the share
    kept free at the bottom; ``titled`` says whether a title belongs into the
    picture (a printed article has its caption instead).
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
    def pixels(self):
        """Width and height of a PNG, in pixels."""
        return round(self.width_in * self.dpi), round(self.height_in * self.dpi)

    @property
    def portrait(self):
        """Whether the figure is higher than wide."""
        return self.height_in > self.width_in

    @property
    def narrow(self):
        """Whether fewer than 40 characters of its type fit side by side."""
        return self.width_in * 72 / self.text_pt < 35

    @property
    def type_share(self):
        """Size of its type over the height of the figure, whatever the pixels."""
        return self.text_pt / 72 / self.height_in

    def on(self, ground):
        """Return the same profile on another of the `GROUNDS`."""
        near = nearest_name("ground", ground, GROUNDS)
        name = self.name.removesuffix("_" + self.ground.name)
        return replace(self, name=name if near == "light" else f"{name}_{near}", ground=GROUNDS[near])


def nearest_name(kind, name, known):
    """Return `name` if it is one of `known`, else refuse it, naming the nearest.

    Parameters
    ----------
    kind : str
        What is being looked up, for the error.
    name : str
        The name that a person typed.
    known : iterable of str
        The names there are.

    Returns
    -------
    str
        The same name.

    Raises
    ------
    ValueError
        If the name is not known.

    Notes
    -----
    Source: house rule. Notebook: 09_figures.

    Examples
    --------
    >>> nearest_name("ground", "drak", GROUNDS)
    Traceback (most recent call last):
    ...
    ValueError: ground 'drak' is not known; did you mean 'dark'?
    """
    if isinstance(name, str) and name in known:
        return name
    near = difflib.get_close_matches(str(name), list(known), n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}"
    raise ValueError(f"{kind} {name!r} is not known; {hint}")


_SIZES = (
    Profile(
        name="article_single",
        width_in=89 * MM,
        height_in=66 * MM,
        dpi=300,
        text_pt=8,
        title_pt=9,
        line_pt=1.4,
        titled=False,
    ),
    Profile(
        name="article_double",
        width_in=183 * MM,
        height_in=100 * MM,
        dpi=300,
        text_pt=9,
        title_pt=10,
        line_pt=1.6,
        titled=False,
    ),
    Profile(
        name="slide",
        width_in=40 / 3,
        height_in=7.5,
        dpi=144,
        text_pt=21,
        title_pt=27,
        line_pt=3.2,
        safe=0.05,
        floor=0.05,
    ),
    Profile(
        name="video_1080",
        width_in=16,
        height_in=9,
        dpi=120,
        text_pt=26,
        title_pt=34,
        line_pt=4,
        safe=0.05,
        floor=0.05,
    ),
    Profile(
        name="video_2160",
        width_in=16,
        height_in=9,
        dpi=240,
        text_pt=26,
        title_pt=34,
        line_pt=4,
        safe=0.05,
        floor=0.05,
    ),
    Profile(
        name="vertical",
        width_in=9,
        height_in=16,
        dpi=120,
        text_pt=32.5,
        title_pt=36,
        line_pt=5,
        safe=0.05,
        floor=0.2,
    ),
    Profile(name="notebook", width_in=8, height_in=4.2, dpi=150, text_pt=11, title_pt=13, line_pt=2),
    Profile(name="page", width_in=170 * MM, height_in=84 * MM, dpi=200, text_pt=9, title_pt=10, line_pt=1.6),
)

#: Every size on every ground; the light one has the plain name.
PROFILES = {p.name: p for size in _SIZES for p in (size.on(ground) for ground in GROUNDS)}


def as_profile(profile):
    """Return a `Profile` for a name, or the profile itself.

    Parameters
    ----------
    profile : str or Profile
        A key of `PROFILES`, or a profile of the reader's own.

    Returns
    -------
    Profile
        The profile.

    Raises
    ------
    ValueError
        If the name is not known; the error names the nearest.

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> as_profile("video_1080").pixels
    (1920, 1080)
    """
    return profile if isinstance(profile, Profile) else PROFILES[nearest_name("profile", profile, PROFILES)]


# ---------------------------------------------------------------- colors


def luminance(color):
    """Return the relative luminance of a color, 0 for black and 1 for white.

    Parameters
    ----------
    color : str
        A color such as ``"#0072B2"``.

    Returns
    -------
    float
        ``0.2126 R + 0.7152 G + 0.0722 B`` of the linear components.

    Notes
    -----
    Source: WCAG 2.2, definition of relative luminance (sRGB, IEC 61966-2-1).
    Notebook: 09_figures.

    Examples
    --------
    >>> luminance("#FFFFFF")
    1.0
    """
    return float(round(_linear(color) @ (0.2126, 0.7152, 0.0722), 12))


def contrast(first, second):
    """Return the contrast ratio of two colors, ``(L1 + 0.05) / (L2 + 0.05)``.

    Parameters
    ----------
    first, second : str
        Two colors; their order does not matter.

    Returns
    -------
    float
        From 1 (none) to 21 (black on white). Text needs 4.5, lines need 3.

    Notes
    -----
    Source: WCAG 2.2, success criteria 1.4.3 and 1.4.11. Notebook: 09_figures.

    Examples
    --------
    >>> round(contrast("#0072B2", "#FFFFFF"), 2)
    5.19
    """
    dark, light = sorted((luminance(first), luminance(second)))
    return (light + 0.05) / (dark + 0.05)


#: What is left of linear red, green and blue, severity 1.0.
#: Source: Machado, Oliveira, Fernandes, IEEE TVCG 15(6), 2009, table 1.
_BLINDNESS = {
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
}


def simulate(color, kind):
    """Return a color as a person without one kind of cone would see it.

    Parameters
    ----------
    color : str
        A color such as ``"#D55E00"``.
    kind : str
        ``"deuteranopia"`` (no green cones) or ``"protanopia"`` (no red cones).

    Returns
    -------
    str
        The simulated color, ``"#rrggbb"``.

    Raises
    ------
    ValueError
        If the kind is not known.

    Notes
    -----
    Source: Machado, Oliveira, Fernandes, IEEE TVCG 15(6), 2009. Notebook: 09_figures.

    Examples
    --------
    >>> simulate("#FFFFFF", "deuteranopia")
    '#ffffff'
    """
    seen = np.clip(np.asarray(_BLINDNESS[nearest_name("kind", kind, _BLINDNESS)]) @ _linear(color), 0, 1)
    shown = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(255 * c):02x}" for c in shown.tolist())


def color_distance(first, second):
    """Return how different two colors look, as a distance in CIE L*a*b*.

    Parameters
    ----------
    first, second : str
        Two colors; their order does not matter.

    Returns
    -------
    float
        About 2 is just noticed side by side; we ask for 15 between two lines.

    Notes
    -----
    Source: ISO/CIE 11664-4 (1976 color difference, D65). Notebook: 09_figures.

    Examples
    --------
    >>> round(color_distance("#000000", "#FFFFFF"), 1)
    100.0
    """
    return float(np.linalg.norm(_lab(first) - _lab(second)))


def _linear(color):
    """Linear red, green and blue, from 0 to 1."""
    shown = np.array([int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4)


def _lab(color):
    """CIE L*, a*, b* of a color, white D65."""
    to_xyz = (
        (0.4124564, 0.3575761, 0.1804375),
        (0.2126729, 0.7151522, 0.0721750),
        (0.0193339, 0.1191920, 0.9503041),
    )
    share = np.asarray(to_xyz) @ _linear(color) / np.sum(to_xyz, axis=1)
    small = (6 / 29) ** 3
    x, y, z = np.where(share > small, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def line_style(profile, index, *, marker=False):
    """Return the look of the line number `index`: color and line style together.

    Parameters
    ----------
    profile : str or Profile
        The profile of the figure.
    index : int
        0 for the first line, 1 for the second, and so on.
    marker : bool, optional
        Whether to add a marker of its own.

    Returns
    -------
    dict
        Arguments for ``axes.plot``: color, linestyle, linewidth, marker.

    Notes
    -----
    Source: Okabe and Ito 2002 for the colors. Notebook: 09_figures.

    Examples
    --------
    >>> line_style("notebook", 0)["color"]
    '#0072B2'
    """
    profile = as_profile(profile)
    colors = profile.ground.colors
    return {
        "color": colors[index % len(colors)],
        "linestyle": LINES[index % len(LINES)],
        "linewidth": profile.line_pt,
        "marker": MARKERS[index % len(MARKERS)] if marker else "none",
        "markersize": 2.2 * profile.line_pt + 2,
    }


def sequence(profile, count):
    """Return colors from strong to faint, for steps of one thing (repeats, speeds).

    Parameters
    ----------
    profile : str or Profile
        The profile of the figure.
    count : int
        How many steps, 1 to 32.

    Returns
    -------
    list of str
        Colors whose luminance runs one way; each keeps a contrast of 3:1.

    Raises
    ------
    ValueError
        If the count is not a whole number from 1 to 32.

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> len(sequence("notebook", 8))
    8
    """
    strong, faint = as_profile(profile).ground.ramp
    steps = np.linspace(0, 1, whole("count", count, 1, 32))
    ends = [np.array([int(c[i : i + 2], 16) for i in (1, 3, 5)]) for c in (strong, faint)]
    mixed = [(1 - step) * ends[0] + step * ends[1] for step in steps]
    return ["#" + "".join(f"{round(part):02X}" for part in color.tolist()) for color in mixed]


# ---------------------------------------------------------------- figures


@contextlib.contextmanager
def context(profile):
    """Make figures as a profile says, leaving matplotlib's settings as they were.

    Parameters
    ----------
    profile : str or Profile
        The profile of the figures made inside the ``with`` block.

    Yields
    ------
    Profile
        The profile.

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> with context("video_1080") as profile:
    ...     figure = new_figure(profile)
    """
    profile = as_profile(profile)
    ground = profile.ground
    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # start from matplotlib's own settings, not the reader's
        matplotlib.rcParams.update(
            {
                "font.family": "DejaVu Sans",
                "font.size": profile.text_pt,
                "mathtext.fontset": "dejavusans",
                "text.color": ground.text,
                "axes.facecolor": "none",
                "axes.edgecolor": ground.frame,
                "axes.labelcolor": ground.text,
                "axes.linewidth": profile.line_pt / 2,
                "axes.titlesize": profile.title_pt,
                "axes.titlecolor": ground.text,
                "axes.spines.top": False,
                "axes.spines.right": False,
                "grid.color": ground.grid,
                "grid.linewidth": profile.line_pt / 3,
                "lines.linewidth": profile.line_pt,
                "patch.linewidth": profile.line_pt / 1.5,
                "legend.frameon": False,
                "legend.labelcolor": ground.text,
                "legend.fontsize": profile.text_pt,
                "svg.hashsalt": "tapecalc",
                "svg.fonttype": "path",
                "pdf.fonttype": 42,
            }
        )
        yield profile


def new_figure(profile):
    """Return an empty figure of the size and ground that a profile names.

    Parameters
    ----------
    profile : str or Profile
        The profile of the figure.

    Returns
    -------
    matplotlib.figure.Figure
        A figure that no window manager knows; its layout keeps inside the safe area.

    See Also
    --------
    settle : to fix the layout once all is drawn

    Notes
    -----
    Source: EBU R 95 for the safe area of video. Notebook: 09_figures.

    Examples
    --------
    >>> new_figure("article_single").get_size_inches().round(2)
    array([3.5, 2.6])
    """
    profile = as_profile(profile)
    inside = (profile.safe, profile.floor, 1 - 2 * profile.safe, 1 - profile.safe - profile.floor)
    pad = profile.text_pt / 72 * 0.25
    figure = Figure(
        figsize=(profile.width_in, profile.height_in),
        dpi=profile.dpi,
        facecolor=profile.ground.face,
        layout=ConstrainedLayoutEngine(rect=inside, h_pad=pad, w_pad=pad),
    )
    FigureCanvasAgg(figure)
    return figure


def settle(figure):
    """Lay a figure out once and for all, so that nothing moves afterwards.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        A figure with all its artists.

    Returns
    -------
    matplotlib.figure.Figure
        The same figure, its layout engine switched off.

    See Also
    --------
    new_figure : where the figure came from

    Notes
    -----
    Source: measured: a layout engine left on doubles the time of each draw. Notebook: 09_figures.

    Examples
    --------
    >>> settle(new_figure("notebook")).get_layout_engine().adjust_compatible
    False
    """
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    return figure


def dress(axes, profile, *, x="", y="", title="", grid="both"):
    """Give axes their labels, title, ticks and grid, all stated outright.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        The axes to dress.
    profile : str or Profile
        The profile of the figure.
    x, y : str, optional
        Axis labels with units.
    title : str, optional
        Shown where the profile shows titles.
    grid : {"both", "x", "y", None}, optional
        Which grid lines to draw.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> dress(new_figure("notebook").subplots(), "notebook", x="time (s)").get_xlabel()
    'time (s)'
    """
    profile = as_profile(profile)
    ground = profile.ground
    axes.set_xlabel(x, fontsize=profile.text_pt, color=ground.text)
    axes.set_ylabel(y, fontsize=profile.text_pt, color=ground.text)
    if profile.titled and title:
        pad, characters = (
            0.7 * profile.title_pt,
            int(0.66 * 72 * profile.width_in / (0.58 * profile.title_pt)),
        )
        title = textwrap.fill(title, characters)
        axes.set_title(title, fontsize=profile.title_pt, color=ground.text, loc="left", pad=pad)
    common = {"color": ground.frame, "width": profile.line_pt / 2}
    words = {"labelsize": profile.text_pt, "labelcolor": ground.text, "labelfontfamily": "DejaVu Sans"}
    axes.tick_params(which="both", pad=0.35 * profile.text_pt, **words, **common)
    axes.tick_params(which="major", length=0.45 * profile.text_pt)
    axes.tick_params(which="minor", length=0.25 * profile.text_pt)
    for side, spine in axes.spines.items():
        spine.set(color=ground.frame, linewidth=profile.line_pt / 2, visible=side in ("left", "bottom"))
    if grid:
        axes.grid(True, which="major", axis=grid, color=ground.grid, linewidth=profile.line_pt / 3)
    axes.set_axisbelow(True)
    return axes


def frequency_text(frequency):
    """Write a frequency as people say it: ``"80 Hz"``, ``"4.2 kHz"``.

    Parameters
    ----------
    frequency : float
        Hertz, greater than 0.

    Returns
    -------
    str
        Two significant digits and the unit.

    Raises
    ------
    ValueError
        If the frequency is not greater than 0.

    Notes
    -----
    Source: common practice, no source. Notebook: 02_wavelength.

    Examples
    --------
    >>> frequency_text(4231.0)
    '4.2 kHz'
    """
    rounded = float(f"{float(positive('frequency', frequency, 'Hz')):.2g}")
    return f"{rounded / 1000:g} kHz" if rounded >= 1000 else f"{rounded:g} Hz"


def frequency_axis(axes, profile, *, low, high):
    """Make the x axis logarithmic, with ticks in words: 100, 1k, 10k.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Axes whose x is frequency in hertz.
    profile : str or Profile
        The profile of the figure; narrow ones get fewer ticks.
    low, high : float
        Ends of the axis, Hz.

    Returns
    -------
    matplotlib.axes.Axes
        The same axes.

    Raises
    ------
    ValueError
        If an end is not greater than 0.

    Notes
    -----
    Source: common practice, no source. Notebook: 02_wavelength.

    Examples
    --------
    >>> axes = frequency_axis(new_figure("notebook").subplots(), "notebook", low=20, high=20000)
    >>> axes.get_xscale()
    'log'
    """
    steps = (1,) if as_profile(profile).narrow else (1, 2, 5)
    decades = [step * 10.0**power for power in range(6) for step in steps]
    axes.set_xscale("log")
    axes.set_xlim(float(positive("low", low, "Hz")), float(positive("high", high, "Hz")))
    axes.xaxis.set_major_locator(FixedLocator([f for f in decades if low <= f <= high]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda f, _: f"{f / 1000:g}k" if f >= 1000 else f"{f:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    return axes


# ---------------------------------------------------------------- files


def save_figure(figure, stem, formats=("svg", "png"), *, alt=""):
    """Write a figure to files that come out byte for byte the same each time.

    All formats are drawn before the first is written, and each is written beside
    its place and then moved there, so that nothing is ever left half written.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure, at the size it was made in; nothing is cut off or padded.
    stem : str or pathlib.Path
        Path without an ending; its folder is made if it is not there.
    formats : tuple of str, optional
        Any of `FORMATS`.
    alt : str, optional
        One sentence, stored in each file as its title or description.

    Returns
    -------
    tuple of pathlib.Path
        The files written, in the order of `formats`.

    Raises
    ------
    ValueError
        If a format is not known.
    OSError
        If the folder cannot be made or written to.

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> save_figure(new_figure("notebook"), "/dev/null/figure")
    Traceback (most recent call last):
    ...
    OSError: cannot write to /dev/null: File exists
    """
    stem = Path(stem)
    formats = (formats,) if isinstance(formats, str) else tuple(formats)
    paths = tuple(stem.with_name(f"{stem.name}.{nearest_name('format', f, FORMATS)}") for f in formats)
    drawn = [figure_bytes(figure, f, alt=alt) for f in formats]
    for path, content in zip(paths, drawn, strict=True):
        write_file(path, content)
    return paths


def figure_bytes(figure, form, *, alt=""):
    """Render a figure in one format, the same bytes each time.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        A finished figure.
    form : str
        One of `FORMATS`.
    alt : str, optional
        The sentence for those who do not see it, stored in the file.

    Returns
    -------
    bytes
        The file's content.

    Raises
    ------
    ValueError
        If the format is not known.

    See Also
    --------
    save_figure : writes it to files

    Notes
    -----
    Source: measured: SVG and PDF differ from run to run unless their dates are left out.
    Notebook: 09_figures.

    Examples
    --------
    >>> figure_bytes(new_figure("notebook"), "png")[1:4]
    b'PNG'
    """
    metadata = {
        "svg": {"Date": None, "Creator": None, "Title": alt},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None, "Title": alt},
        "png": {"Software": None, "Description": alt},
    }[nearest_name("format", form, FORMATS)]
    buffer = io.BytesIO()
    with context("notebook"):
        figure.savefig(buffer, format=form, dpi=figure.dpi, facecolor="auto", metadata=metadata)
    return buffer.getvalue()
