"""What-if panels: controls, one picture that follows them, and a sentence with the numbers.

A panel keeps one figure. Its layout is worked out once, everything that stands still is drawn once
and kept as a background, and a change of a control redraws only the artists that move; the picture
goes to the screen as one PNG image. Without a running kernel the same panel still reads as a picture
and sentences.
"""

import base64
import html
import io
import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import ipywidgets
import numpy as np
from matplotlib import cbook
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from tapecalc.calc.quantity import known_name
from tapecalc.plot import style
from tapecalc.plot.kit import spread_labels
from tapecalc.plot.style import Profile

if TYPE_CHECKING:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

Floats = NDArray[np.float64]
#: The moving artists of a panel by name; each may be a list of artists.
Artists = dict[str, Any]
#: The sentence under the picture, alone or with a table of numbers with units by what they are.
Answer = str | tuple[str, Mapping[str, object]]

#: The profiles in which "save this figure" writes SVG and PNG.
SAVED_AS = ("video_1080", "article_double", "article_single")
STRICT = "TAPECALC_STRICT"  # set to 1: errors inside callbacks are raised, not only shown


@dataclass(frozen=True, kw_only=True)
class Control:
    """One control of a panel; made by `slider`, `choice` or `switch`."""

    name: str
    label: str
    value: Any
    low: float = 0.0
    high: float = 0.0
    step: float = 0.0
    log: bool = False
    options: tuple[tuple[str, Any], ...] = ()

    def __post_init__(self) -> None:
        self.allowed(self.value)

    def widget(self, width: int) -> Any:
        """The ipywidgets control, `width` pixels wide, operable by keyboard."""
        layout = ipywidgets.Layout(width=f"{width}px", max_width="100%")
        look = {"value": self.value, "description": self.label, "layout": layout}
        look["style"] = {"description_width": "16em"}
        if {value for _, value in self.options} == {False, True}:
            return ipywidgets.Checkbox(**look)
        if self.options:
            return ipywidgets.Dropdown(options=list(self.options), **look)
        low, high, step = self.low, self.high, self.step
        look |= {"min": low, "max": high, "step": step, "continuous_update": True}
        if self.log:
            look |= {"min": math.log10(low), "max": math.log10(high), "base": 10, "readout_format": ".3g"}
            return ipywidgets.FloatLogSlider(**look)
        if all(isinstance(number, int) for number in (self.value, low, high, step)):
            return ipywidgets.IntSlider(**look)
        # As many decimals as show every step.
        first, all_of_it = -math.floor(math.log10(step) + 1e-9), len(f"{step:.6f}".rstrip("0").split(".")[1])
        return ipywidgets.FloatSlider(readout_format=f".{max(0, first, all_of_it)}f", **look)

    def allowed(self, value: Any) -> Any:
        """Return `value`, or the value of the option so called, refusing all else."""
        if self.options:
            named = dict(self.options)
            value = named.get(value, value) if isinstance(value, str) else value
            if value not in named.values():
                raise ValueError(f"{self.name} must be one of {', '.join(map(str, named))}, got {value!r}")
            return value
        number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
        if not number or not self.low <= value <= self.high:
            raise ValueError(f"{self.name} must be from {self.low:g} to {self.high:g}, got {value!r}")
        return value

    def allows(self, value: Any) -> bool:
        """Whether `allowed` takes a value."""
        try:
            self.allowed(value)
        except ValueError:
            return False
        return True


def slider(
    name: str, label: str, value: float, *, low: float, high: float, step: float, unit: str, log: bool = False
) -> Control:
    """Describe a slider; it moves in whole numbers where value, ends and step are all whole.

    `name` says the unit, as in ``"speed_ips"``, and `label` does not; a logarithmic slider has its
    step in decades, such as 0.02.

    >>> slider("spacing_mm", "head spacing", 41.5, low=10, high=120, step=0.5, unit="mm").label
    'head spacing (mm)'
    """
    if not (low < high and step > 0) or (log and low <= 0):
        raise ValueError(f"{name} needs low < high and a step above 0, got {low!r}, {high!r}, {step!r}")
    text = f"{label} ({unit})" if unit else label
    return Control(name=name, label=text, value=value, low=low, high=high, step=step, log=log)


def choice(name: str, label: str, options: Mapping[str, Any], value: Any) -> Control:
    """Describe a list to choose from; `options` are what people read, each with its value."""
    return Control(name=name, label=label, value=value, options=tuple(options.items()))


def switch(name: str, label: str, value: bool) -> Control:  # noqa: FBT001  the value is the point
    """Describe a check box."""
    if not isinstance(value, bool):
        raise ValueError(f"{name} must be True or False, got {value!r}")
    return Control(name=name, label=label, value=value, options=(("off", False), ("on", True)))


def chart(axes: Axes, profile: Profile, *, x: str = "", y: str = "", grid: Any = "both", **ends: Any) -> Axes:
    """Give axes their labels and grid, and limits and ticks that stay."""
    style.style_axes(axes, profile, x=x, y=y, grid=grid).set(**ends)
    return axes


def shade(axes: Axes, profile: Profile, left: float, right: float, **changes: Any) -> Rectangle:
    """Shade a stretch of the x axis, below the lines."""
    look: dict[str, Any] = {"facecolor": profile.ground.fill, "edgecolor": "none", "zorder": 0.6}
    return axes.axvspan(left, right, **(look | changes))


def strokes(places: Floats, start: float, ends: ArrayLike) -> tuple[Floats, Floats]:
    """Many upright strokes as one line; each goes up and comes back, so that nothing joins the tops."""
    y = np.full((places.size, 3), start, dtype=float)
    y[:, 1] = ends
    return np.repeat(places, 3), y.ravel()


def empty_line(axes: Axes, profile: Profile, index: int, *, marked: bool = False, **look: Any) -> Line2D:
    """Draw a line in the profile's style number `index`, whose data `update` is to set."""
    return axes.plot([], [], **(style.line_style(profile, index, marker=marked) | look))[0]


class Panel:
    """A picture with controls that follows every move, and reads without a kernel too.

    ``build(figure, profile)`` draws everything once and names what moves; ``update(artists, **values)``
    moves it, and says what there is to say. A builder's rules: fix the axis limits to the whole range
    of the controls, keep text off the area in which artists move, and take all sizes from the profile,
    because "save this figure" calls the same two functions at other sizes. `alt` says what kind of
    chart it is, its axes, and what to see.

    `widget` is the whole panel, `png` its picture, `readout` and `table` what `update` said. `error`
    is what went wrong at the last move; it is shown in place of the sentence, and raised if `strict`.
    `on_move` is called after each move.

    >>> def build(figure, profile):
    ...     axes = chart(figure.subplots(), profile, x="spacing (mm)", y="delay (ms)")
    ...     axes.set(xlim=(0, 99), ylim=(0, 600))
    ...     return {"point": axes.plot([0], [0], "o")[0]}
    >>> def update(artists, spacing_mm):
    ...     artists["point"].set_data([spacing_mm], [spacing_mm / 0.1905])
    ...     return f"{spacing_mm:g} mm give {spacing_mm / 0.1905:.0f} ms."
    >>> spacing = slider("spacing_mm", "head spacing", 40, low=0, high=99, step=1, unit="mm")
    >>> panel = Panel(
    ...     "delay", build, update, spacing,
    ...     question="Which spacing gives 300 ms?", legend="Dot: this spacing.",
    ...     alt="Chart of delay in ms over head spacing in mm, one dot.")
    >>> panel.set(spacing_mm=57)
    >>> panel.readout
    '57 mm give 299 ms.'
    """

    def __init__(
        self,
        name: str,
        build: Callable[[Figure, Profile], Artists],
        update: Callable[..., Answer],
        *controls: Control,
        question: str,
        legend: str,
        alt: str,
        profile: str | Profile = "notebook",
    ) -> None:
        self._profile = style.as_profile(profile)
        if to_rgba(self._profile.ground.face)[3] < 1:
            raise ValueError(f"profile of a panel must have an opaque ground, got {self._profile.name!r}")
        if len(alt) <= 40:
            raise ValueError(f"alt must say in over 40 characters what there is to see, got {alt!r}")
        self.controls = {control.name: control for control in controls}
        if len(self.controls) != len(controls):
            raise ValueError(f"controls must have different names, got {[c.name for c in controls]}")
        self.name, self.question, self.legend, self.alt = name, question, legend, alt
        self.strict = os.environ.get(STRICT) == "1"
        self.error: Exception | None = None
        self.on_move: Callable[[], object] = lambda: None
        self._build, self._update, self._held = build, update, False
        # At 100 dpi a panel that is 8 inches wide takes 800 pixels of the page.
        self._width, self._height = round(100 * self._profile.width_in), round(100 * self._profile.height_in)
        self._widgets = {control.name: control.widget(self._width) for control in controls}
        self.figure, self.artists, answer = self._drawn(self._profile)
        self._keep_background()
        self._make_widget()
        self._show(answer)
        for widget in self._widgets.values():
            widget.observe(self._moved, "value")

    @property
    def values(self) -> dict[str, Any]:
        """The value of every control by name, kept inside the ends despite rounding."""
        pairs = ((self.controls[name], widget.value) for name, widget in self._widgets.items())
        return {c.name: min(max(value, c.low), c.high) if c.log else value for c, value in pairs}

    @property
    def words(self) -> str:
        """The picture in words, for those who cannot see it or have no kernel."""
        return f"{self.alt} At the first setting: {self.readout} Run the notebook to move the controls."

    @property
    def caption(self) -> str:
        """Question, legend and the picture in words, as Markdown for a page without a kernel."""
        texts = (self.question, self.legend, self.words)
        question, legend, words = (html.escape(text, quote=False) for text in texts)
        return f"**{question}** {legend}\n\n*{words}*"

    @property
    def moving(self) -> list[Artist]:
        """All moving artists, single ones."""
        return list(cbook.flatten(self.artists.values(), lambda part: isinstance(part, Artist)))

    def set(self, **values: Any) -> None:
        """Move controls by name, as a person would, and redraw once."""
        named = {known_name("control", name, self.controls): value for name, value in values.items()}
        new = {name: self.controls[name].allowed(value) for name, value in named.items()}
        self._held = True
        try:
            for name, value in new.items():
                self._widgets[name].value = value
        finally:
            self._held = False
        self._moved()

    def reset(self) -> None:
        """Move every control back to where it stood at first."""
        self.set(**{name: control.value for name, control in self.controls.items()})

    def save(self, folder: str | os.PathLike[str]) -> tuple[Path, ...]:
        """Save the picture as it stands, SVG and PNG at video and article sizes; the folder is made."""
        folder = Path(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OSError(f"cannot make the folder {folder}: {error.strerror or error}") from None
        paths: list[Path] = []
        for profile in SAVED_AS:
            figure, _, answer = self._drawn(style.as_profile(profile))
            alt = f"{self.alt} {_parts(answer)[0]}"
            paths += style.save_figure(figure, folder / f"{self.name}_{profile}", ("svg", "png"), alt=alt)
        return tuple(paths)

    # -- drawing

    def _drawn(self, profile: Profile) -> tuple[Figure, Artists, Answer]:
        """A new figure at the present values, its artists, and what `update` answered."""
        with style.context(profile):
            figure = style.new_figure(profile)
            artists = self._build(figure, profile)
            answer = self._update(artists, **self.values)
            spread_labels(style.fix_layout(figure))
            return figure, artists, answer

    def _keep_background(self) -> None:
        """Draw everything, and keep as the background what stands still below all that moves."""
        moving, self._repainted = self.moving, []
        for axes in self.figure.axes:
            children = sorted(axes.get_children(), key=Artist.get_zorder)
            lowest = min((c.get_zorder() for c in children if c in moving), default=math.inf)
            self._repainted += [c for c in children if c in moving or c.get_zorder() > lowest]
        self._repainted += [artist for artist in moving if artist not in self._repainted]
        for artist in self._repainted:
            artist.set_animated(True)
        with style.context(self._profile):
            self.figure.canvas.draw()
        self._canvas = cast("FigureCanvasAgg", self.figure.canvas)  # which copies and restores
        self._background = self._canvas.copy_from_bbox(self.figure.bbox)
        self._paint()

    def _paint(self) -> None:
        """Put the moving artists on the kept background and encode the picture."""
        self._canvas.restore_region(self._background)
        for artist in self._repainted:
            artist.draw(self._canvas.get_renderer())
        picture = Image.fromarray(np.asarray(self._canvas.buffer_rgba())).convert("RGB")
        self.png = _png(picture, compress_level=1)

    def _moved(self, _: object = None) -> None:
        """Follow a control; an error is shown in place of the sentence."""
        if self._held:
            return
        try:
            answer = self._update(self.artists, **self.values)
            self._paint()
            self.error = None
            self._show(answer)
        except Exception as error:  # whatever went wrong must be seen by the person who moved the control
            self.error = error
            self.readout, self.table = _parts(f"This setting cannot be drawn: {error}")
            self._readout.value = _alert(self.readout)
            if self.strict:
                raise
        self.on_move()

    def _show(self, answer: Answer) -> None:
        """Bring picture, sentence and table to the screen."""
        self.readout, self.table = _parts(answer)
        rows = "".join(
            f"<tr><th scope='row' style='text-align:left;padding-right:1em'>{html.escape(what)}</th>"
            f"<td style='text-align:right'>{html.escape(number)}</td></tr>"
            for what, number in self.table.items()
        )
        told = f"<p role='status' aria-live='polite'>{html.escape(self.readout)}</p>"
        self._readout.value = told + (f"<table>{rows}</table>" if rows else "")
        self._image.value = self.png

    # -- the widgets

    def _make_widget(self) -> None:
        """Put question, controls, picture, readout, legend and buttons above one another."""
        size = {"width": self._width, "height": self._height}
        self._image = ipywidgets.Image(value=self.png, format="png", **size)
        question, legend = html.escape(self.question), html.escape(self.legend)
        # JupyterLab keeps the up and down keys for its cells until a list is open.
        keys = "Tab goes on, the left and right keys move a slider, the space bar opens a list."
        texts = (f"<b>{question}</b>", legend, f"<small>By keyboard: {keys}</small>")
        layout = ipywidgets.Layout(max_width=f"{self._width}px")
        above, below, keyboard = (ipywidgets.HTML(f"<p>{text}</p>", layout=layout) for text in texts)
        self._readout, self._confirmation = ipywidgets.HTML(layout=layout), ipywidgets.HTML(layout=layout)
        self._folder = text_field("folder", "22em", value="saved figures")
        self._reset_button = button("reset", "move every control back", self.reset)
        sizes = "SVG and PNG at video and article sizes"
        self._save_button = button("save this figure", sizes, self._save_clicked)
        buttons = row(self._reset_button, self._folder, self._save_button)
        shown = (self._image, self._readout, below, buttons, self._confirmation, keyboard)
        self.widget = ipywidgets.VBox([above, *self._widgets.values(), *shown])
        self._description = ipywidgets.HTML(f"<p><small>{html.escape(self.alt)}</small></p>", layout=layout)

    def put_below(self, name: str, widget: Any) -> None:
        """Put something of one's own below one of the controls."""
        shown = list(self.widget.children)
        shown.insert(shown.index(self._widgets[name]) + 1, widget)
        self.widget.children = shown

    def _save_clicked(self) -> None:
        """Save, and say so, or say why not."""
        try:
            paths = self.save(self._folder.value.strip() or ".")
        except Exception as error:  # a full disk, a folder that is a file: say it where the person looks
            self._confirmation.value = _alert(f"Not saved: {error}")
            return
        names = ", ".join(html.escape(path.name) for path in paths)
        where = html.escape(str(paths[0].parent))
        self._confirmation.value = f"<p role='status'>Saved {len(paths)} files in <b>{where}</b>: {names}</p>"

    # -- what a notebook keeps

    def __repr__(self) -> str:
        return f"{self.question}\n{self.readout}\n{self.legend}"

    def _repr_mimebundle_(self, **_: object) -> tuple[dict[str, Any], dict[str, Any]]:
        """The live panel, its picture and its sentence, for whichever a viewer can show."""
        picture = _png(Image.open(io.BytesIO(self.png)), optimize=True)
        data = {"image/png": base64.b64encode(picture).decode("ascii"), "text/plain": repr(self)}
        look = {"alt": f"{self.alt} {self.readout}", "width": self._width, "height": self._height}
        return view(self.widget) | data, {"image/png": look}

    def display(self, widget: Any) -> None:
        """Show a widget with the panel in it and, below, what there is to see for those who cannot.

        Without a kernel question, legend and sentence stand there too; a live panel has its own.
        """
        from IPython.display import display

        data, metadata = self._repr_mimebundle_()
        display(data | view(widget), raw=True, metadata=metadata)
        caption = {"text/markdown": self.caption, "text/plain": self.words}
        display(caption | view(self._description), raw=True)

    def _ipython_display_(self) -> None:
        self.display(self.widget)


def row(*widgets: Any) -> Any:
    """Put widgets side by side, and below one another where the page is narrow."""
    return ipywidgets.HBox(widgets, layout=ipywidgets.Layout(flex_flow="row wrap"))


def button(text: str, tooltip: str, action: Callable[[], object]) -> Any:
    """Make a button that does something."""
    made = ipywidgets.Button(description=text, tooltip=tooltip)
    made.on_click(lambda _: action())
    return made


def text_field(label: str, width: str, **more: str) -> Any:
    """Make a field to write in."""
    return ipywidgets.Text(description=label, layout=ipywidgets.Layout(width=width), **more)


def _parts(answer: Answer) -> tuple[str, dict[str, str]]:
    """Split what `update` returned into its sentence and its table."""
    sentence, table = (answer, dict[str, object]()) if isinstance(answer, str) else answer
    return sentence, {what: str(number) for what, number in table.items()}


def view(widget: Any) -> dict[str, Any]:
    """What a live page takes for a widget, and any other passes over."""
    view = {"version_major": 2, "version_minor": 0, "model_id": widget.model_id}
    return {"application/vnd.jupyter.widget-view+json": view}


def _png(picture: Image.Image, **options: Any) -> bytes:
    buffer = io.BytesIO()
    picture.save(buffer, "png", **options)
    return buffer.getvalue()


def _alert(text: str) -> str:
    return f"<p role='alert'><b>{html.escape(text)}</b></p>"
