"""What-if panels: controls, one picture that follows them, and a sentence with the numbers.

A panel keeps one figure. Its layout is worked out once, everything that stands
still is drawn once and kept as a background, and a change of a control redraws
only the artists that move; the picture goes to the screen as one PNG image.
Without a running kernel the same panel still reads as a picture and sentences.
"""

from __future__ import annotations

import base64
import html
import io
import math
import os
from dataclasses import dataclass
from pathlib import Path

import ipywidgets
import numpy as np
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from PIL import Image

from tapecalc.plot import style
from tapecalc.plot.kit import spread_labels

__all__ = [
    "SAVED_AS",
    "Control",
    "Panel",
    "choice",
    "slider",
    "switch",
]


#: The profiles in which "save this figure" writes SVG and PNG.
SAVED_AS = ("video_1080", "article_double", "article_single")
SCREEN_DPI = 100  # a panel that is 8 inches wide takes 800 pixels of the page
#: JupyterLab keeps the up and down keys for its cells until a list is open.
BY_KEYBOARD = "By keyboard: Tab goes on, the left and right keys move a slider, the space bar opens a list."
STRICT = "TAPECALC_STRICT"  # set to 1: errors inside callbacks are raised, not only shown


# ---------------------------------------------------------------- controls


@dataclass(frozen=True, kw_only=True)
class Control:
    """One control of a panel; made by `slider`, `choice` or `switch`."""

    name: str
    label: str
    value: object
    low: float | None = None
    high: float | None = None
    step: float | None = None
    log: bool = False
    options: tuple[tuple[str, object], ...] = ()

    @property
    def ends(self):
        """The values at which a test should look: both ends, or every option."""
        return tuple(value for _, value in self.options) or (self.low, self.high)

    def widget(self, width):
        """The ipywidgets control, `width` pixels wide, operable by keyboard."""
        look = {
            "description": self.label,
            "style": {"description_width": "16em"},
            "layout": ipywidgets.Layout(width=f"{width}px", max_width="100%"),
        }
        if self.options:
            if set(self.ends) == {False, True}:
                return ipywidgets.Checkbox(value=self.value, **look)
            return ipywidgets.Dropdown(options=list(self.options), value=self.value, **look)
        if self.log:
            return ipywidgets.FloatLogSlider(
                value=self.value,
                base=10,
                min=math.log10(self.low),
                max=math.log10(self.high),
                step=self.step,
                readout_format=".3g",
                continuous_update=True,
                **look,
            )
        whole = all(isinstance(number, int) for number in (self.value, self.low, self.high, self.step))
        kind = ipywidgets.IntSlider if whole else ipywidgets.FloatSlider
        digits = {} if whole else {"readout_format": f".{_decimals(self.step)}f"}
        return kind(
            value=self.value,
            min=self.low,
            max=self.high,
            step=self.step,
            continuous_update=True,
            **digits,
            **look,
        )

    def allowed(self, value):
        """Return `value`, or the value of the option so called, refusing all else."""
        if self.options:
            named = dict(self.options)
            known = value in named if isinstance(value, str) else False
            value = named[value] if known else value
            if value not in self.ends:
                raise ValueError(f"{self.name} must be one of {', '.join(map(str, named))}, got {value!r}")
            return value
        number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
        if not number or not self.low <= value <= self.high:
            raise ValueError(f"{self.name} must be from {self.low:g} to {self.high:g}, got {value!r}")
        return value


def slider(name, label, value, *, low, high, step, unit, log=False):
    """Describe a slider.

    Parameters
    ----------
    name : str
        The name under which the value reaches `update`, with its unit: ``"speed_ips"``.
    label : str
        What people read beside it, without the unit.
    value : int or float
        Where it stands at first; with `low`, `high` and `step` all whole it moves in whole numbers.
    low, high : int or float
        The ends, both reachable.
    step : int or float
        The smallest move; on a logarithmic slider in decades, such as 0.02.
    unit : str
        The unit that people read, such as ``"mm"``; empty for a count.
    log : bool, optional
        Whether equal moves are equal ratios.

    Returns
    -------
    Control
        The description.

    Raises
    ------
    ValueError
        If the value does not lie between the ends, or the ends are not in order.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.

    Examples
    --------
    >>> slider("spacing_mm", "head spacing", 41.5, low=10, high=120, step=0.5, unit="mm").label
    'head spacing (mm)'
    """
    if not (low < high and step > 0) or (log and low <= 0):
        raise ValueError(f"{name} needs low < high and a step above 0, got {low!r}, {high!r}, {step!r}")
    text = f"{label} ({unit})" if unit else label
    control = Control(name=name, label=text, value=value, low=low, high=high, step=step, log=log)
    control.allowed(value)
    return control


def choice(name, label, options, value):
    """Describe a list to choose from.

    Parameters
    ----------
    name : str
        The name under which the chosen value reaches `update`.
    label : str
        What people read beside it.
    options : dict
        What people read, and the value it stands for.
    value : object
        The value chosen at first.

    Returns
    -------
    Control
        The description.

    Raises
    ------
    ValueError
        If the value is none of the options.

    Notes
    -----
    Source: common practice, no source. Notebook: 04_tempo.

    Examples
    --------
    >>> choice("beats", "note value", {"quarter": 1.0, "eighth": 0.5}, 0.5).ends
    (1.0, 0.5)
    """
    control = Control(name=name, label=label, value=value, options=tuple(options.items()))
    control.allowed(value)
    return control


def switch(name, label, value):
    """Describe a check box.

    Parameters
    ----------
    name : str
        The name under which True or False reaches `update`.
    label : str
        What people read beside it.
    value : bool
        Whether it is checked at first.

    Returns
    -------
    Control
        The description.

    Raises
    ------
    ValueError
        If the value is neither True nor False.

    Notes
    -----
    Source: common practice, no source. Notebook: 03_repeats.

    Examples
    --------
    >>> switch("aligned", "heads aligned", True).value
    True
    """
    if not isinstance(value, bool):
        raise ValueError(f"{name} must be True or False, got {value!r}")
    return Control(name=name, label=label, value=value, options=(("off", False), ("on", True)))


def _decimals(step):
    """How many decimals a readout needs to show every step."""
    return max(0, -int(math.floor(math.log10(step) + 1e-9)), len(f"{step:.6f}".rstrip("0").split(".")[1]))


# ---------------------------------------------------------------- the panel


class Panel:
    """A picture with controls that follows every move, and reads without a kernel too.

    `build` draws everything once and names what moves; `update` moves it. A
    builder's rules: fix the axis limits to the whole range of the controls, keep
    text off the area in which artists move, and take all sizes from the profile,
    because "save this figure" calls the same two functions at other sizes.

    Parameters
    ----------
    name : str
        Stem of the files that the panel saves, such as ``"delay_panel"``.
    build : callable
        ``build(figure, profile) -> dict`` of name to moving artist (or a list of artists).
    update : callable
        ``update(artists, **values)`` sets the artists' data and returns the sentence under
        the picture, or (sentence, rows) with rows of (what, number with unit) for a table.
    controls : tuple of Control
        Two to five controls.
    question : str
        The one question that the panel answers, shown above it.
    legend : str
        What is what in the picture, in words.
    alt : str
        What kind of chart it is, its axes, and what to see; over 40 characters.
    profile : str or Profile, optional
        Size and ground on the screen; the ground must not be transparent.
    full_redraw : bool, optional
        Draw everything at each move (slower), for figures whose limits or labels change.

    Attributes
    ----------
    widget : ipywidgets.VBox
        The whole panel.
    artists : dict
        What `build` returned.
    readout : str
        The sentence that belongs to the picture.
    table : dict
        What to number with unit, empty where `update` gives no rows.
    png : bytes
        The picture.
    error : Exception or None
        What went wrong at the last move; also shown in place of the sentence.
    strict : bool
        Whether such an error is raised as well; on when the environment says TAPECALC_STRICT=1.

    Raises
    ------
    ValueError
        If a control is named twice, the alt text is too short, or the ground is transparent.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.

    Examples
    --------
    >>> from tapecalc.plot.style import dress
    >>> def build(figure, profile):
    ...     axes = dress(figure.subplots(), profile, x="spacing (mm)", y="delay (ms)")
    ...     axes.set(xlim=(0, 100), ylim=(0, 600))
    ...     return {"point": axes.plot([0], [0], "o")[0]}
    >>> def update(artists, spacing_mm):
    ...     artists["point"].set_data([spacing_mm], [spacing_mm / 0.1905])
    ...     return f"{spacing_mm:g} mm give {spacing_mm / 0.1905:.0f} ms."
    >>> panel = Panel(
    ...     name="delay", build=build, update=update, question="Which spacing gives 300 ms?",
    ...     controls=(slider("spacing_mm", "head spacing", 40, low=0, high=100, step=1, unit="mm"),),
    ...     legend="Dot: this spacing.", alt="Chart of delay in ms over head spacing in mm, one dot.")
    >>> panel.readout
    '40 mm give 210 ms.'
    >>> panel.set(spacing_mm=57)
    >>> panel.readout
    '57 mm give 299 ms.'
    """

    def __init__(
        self, *, name, build, update, controls, question, legend, alt, profile="notebook", full_redraw=False
    ):
        self._profile = style.as_profile(profile)
        if self._profile.ground.face == "none":
            raise ValueError(f"profile of a panel must have an opaque ground, got {self._profile.name!r}")
        if len(alt) <= 40:
            raise ValueError(f"alt must say in over 40 characters what there is to see, got {alt!r}")
        self._controls = {control.name: control for control in controls}
        if len(self._controls) != len(controls):
            raise ValueError(f"controls must have different names, got {[c.name for c in controls]}")
        self.name, self.question, self.legend, self.alt = name, question, legend, alt
        self.strict = os.environ.get(STRICT) == "1"
        self.error = None
        self.full_redraw = full_redraw
        self._build, self._update = build, update
        self._widgets = {c.name: c.widget(self._width) for c in controls}
        self._held = False
        self._figure, self.artists, answer = self._drawn(self._profile)
        self.redraw()
        self._make_widget()
        self._show(answer)
        for control in self._widgets.values():
            control.observe(self._moved, "value")

    # -- what a test or a script uses

    @property
    def values(self):
        """The value of every control by name."""
        return {name: self._value(name) for name in self._controls}

    @property
    def controls(self):
        """The controls' descriptions by name."""
        return dict(self._controls)

    @property
    def figure(self):
        """The one figure that the panel keeps."""
        return self._figure

    @property
    def words(self):
        """The picture in words, for those who cannot see it or have no kernel."""
        return f"{self.alt} At the first setting: {self.readout} Run the notebook to move the controls."

    @property
    def caption(self):
        """Question, legend and the picture in words, as Markdown for a page without a kernel."""
        texts = (self.question, self.legend, self.words)
        question, legend, words = (html.escape(text, quote=False) for text in texts)
        return f"**{question}** {legend}\n\n*{words}*"

    @property
    def moving(self):
        """All moving artists."""
        return list(_flat(self.artists.values()))

    def set(self, **values):
        """Move controls, as a person would, and redraw once.

        Parameters
        ----------
        **values
            New values by the names of the controls.

        Raises
        ------
        ValueError
            If a name is not a control's, or a value is out of its range.
        """
        new = {}
        for name, value in values.items():
            style.nearest_name("control", name, self._controls)
            new[name] = self._controls[name].allowed(value)
        self._held = True
        try:
            for name, value in new.items():
                self._widgets[name].value = value
        finally:
            self._held = False
        self._moved()

    def reset(self):
        """Move every control back to where it stood at first."""
        self.set(**{name: control.value for name, control in self._controls.items()})

    def save(self, folder):
        """Save the picture as it stands, SVG and PNG at video and article sizes.

        Parameters
        ----------
        folder : str or pathlib.Path
            Where to; made if it is not there yet.

        Returns
        -------
        tuple of pathlib.Path
            The files written.

        Raises
        ------
        OSError
            If the folder cannot be made or written to.
        """
        folder = Path(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OSError(f"cannot make the folder {folder}: {error.strerror or error}") from None
        paths = []
        for profile in SAVED_AS:
            figure, _, answer = self._drawn(style.as_profile(profile))
            sentence, _ = _parts(answer)
            stem = folder / f"{self.name}_{profile}"
            paths += style.save_figure(figure, stem, ("svg", "png"), alt=f"{self.alt} {sentence}")
        return tuple(paths)

    def collisions(self):
        """Name every text that a moving artist touches in the present picture.

        Returns
        -------
        tuple of (str, str)
            Text and name of the moving artist; empty when nothing lies over a text.
        """
        renderer = self._figure.canvas.get_renderer()
        names = {id(artist): name for name, part in self.artists.items() for artist in _flat([part])}
        texts = [text for text in _texts(self._figure) if text.get_visible() and text.get_text().strip()]
        return tuple(
            (text.get_text(), names[id(artist)])
            for artist in self.moving
            for text in texts  # without the leader that an annotation may have
            if artist is not text and _touches(artist, Text.get_window_extent(text, renderer), renderer)
        )

    def redraw(self):
        """Draw everything anew, and keep what stands still as the background."""
        self._repainted = [] if self.full_redraw else _moving_and_above(self._figure, self.moving)
        for artist in self._repainted:
            artist.set_animated(True)
        with style.context(self._profile):
            self._figure.canvas.draw()
        self._background = self._figure.canvas.copy_from_bbox(self._figure.bbox)
        self._paint()

    # -- drawing

    def _drawn(self, profile):
        """A new figure at the present values, its artists, and what `update` answered."""
        with style.context(profile):
            figure = style.new_figure(profile)
            artists = self._build(figure, profile)
            answer = self._update(artists, **self.values)
            spread_labels(style.settle(figure))
            return figure, artists, answer

    def _paint(self):
        """Put the moving artists on the kept background and encode the picture."""
        canvas = self._figure.canvas
        if not self.full_redraw:
            canvas.restore_region(self._background)
            for artist in self._repainted:
                artist.draw(canvas.get_renderer())
        buffer = io.BytesIO()
        pixels = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
        pixels.save(buffer, "png", compress_level=1)
        self.png = buffer.getvalue()

    def _moved(self, change=None):
        """Follow a control; an error is shown in place of the sentence."""
        if self._held:
            return
        try:
            answer = self._update(self.artists, **self.values)
            if self.full_redraw:
                with style.context(self._profile):
                    self._figure.canvas.draw()
            self._paint()
            self.error = None
            self._show(answer)
        except Exception as error:  # whatever went wrong must be seen by the person who moved the control
            self.error = error
            self.readout, self.table = f"This setting cannot be drawn: {error}", {}
            self._readout.value = f"<p role='alert'><b>{html.escape(self.readout)}</b></p>"
            if self.strict:
                raise

    def _show(self, answer):
        """Bring picture, sentence and table to the screen."""
        self.readout, self.table = _parts(answer)
        rows = "".join(
            f"<tr><th scope='row' style='text-align:left;padding-right:1em'>{html.escape(what)}</th>"
            f"<td style='text-align:right'>{html.escape(number)}</td></tr>"
            for what, number in self.table.items()
        )
        table = f"<table>{rows}</table>" if rows else ""
        self._readout.value = f"<p role='status' aria-live='polite'>{html.escape(self.readout)}</p>{table}"
        self._image.value = self.png

    # -- the widgets

    @property
    def _width(self):
        return round(self._profile.width_in * SCREEN_DPI)

    def _value(self, name):
        """The value of one control, kept inside the ends despite rounding."""
        control, value = self._controls[name], self._widgets[name].value
        return min(max(value, control.low), control.high) if control.log else value

    def _make_widget(self):
        """Put question, controls, picture, readout, legend and buttons above one another."""
        wide = ipywidgets.Layout(max_width=f"{self._width}px")
        height = round(self._profile.height_in * SCREEN_DPI)
        self._image = ipywidgets.Image(value=self.png, format="png", width=self._width, height=height)
        self._readout = ipywidgets.HTML(layout=wide)
        self._folder = ipywidgets.Text(
            value="saved figures", description="folder", layout=ipywidgets.Layout(width="22em")
        )
        self._confirmation = ipywidgets.HTML(layout=wide)
        self._reset_button = ipywidgets.Button(description="reset", tooltip="move every control back")
        self._save_button = ipywidgets.Button(
            description="save this figure", tooltip="SVG and PNG at video and article sizes"
        )
        self._reset_button.on_click(lambda _: self.reset())
        self._save_button.on_click(self._save_clicked)
        self.widget = ipywidgets.VBox(
            [
                ipywidgets.HTML(f"<p><b>{html.escape(self.question)}</b></p>", layout=wide),
                *self._widgets.values(),
                self._image,
                self._readout,
                ipywidgets.HTML(f"<p>{html.escape(self.legend)}</p>", layout=wide),
                ipywidgets.HBox(
                    [self._reset_button, self._folder, self._save_button],
                    layout=ipywidgets.Layout(flex_flow="row wrap"),
                ),
                self._confirmation,
                ipywidgets.HTML(f"<p><small>{BY_KEYBOARD}</small></p>", layout=wide),
            ]
        )

    def _save_clicked(self, _):
        """Save, and say so, or say why not."""
        try:
            paths = self.save(self._folder.value.strip() or ".")
        except Exception as error:  # a full disk, a folder that is a file: say it where the person looks
            self._confirmation.value = f"<p role='alert'><b>Not saved: {html.escape(str(error))}</b></p>"
            return
        names = ", ".join(html.escape(path.name) for path in paths)
        where = html.escape(str(paths[0].parent))
        self._confirmation.value = f"<p role='status'>Saved {len(paths)} files in <b>{where}</b>: {names}</p>"

    # -- what a notebook keeps

    def __repr__(self):
        return f"{self.question}\n{self.readout}\n{self.legend}"

    def _repr_mimebundle_(self, include=None, exclude=None):
        """The live panel, its picture and its sentence, for whichever a viewer can show."""
        buffer = io.BytesIO()
        Image.open(io.BytesIO(self.png)).save(buffer, "png", optimize=True)
        data = {
            "application/vnd.jupyter.widget-view+json": {
                "version_major": 2,
                "version_minor": 0,
                "model_id": self.widget.model_id,
            },
            "image/png": base64.b64encode(buffer.getvalue()).decode("ascii"),
            "text/plain": repr(self),
        }
        size = {"width": self._width, "height": round(self._profile.height_in * SCREEN_DPI)}
        return data, {"image/png": {"alt": f"{self.alt} {self.readout}", **size}}

    def _ipython_display_(self):
        """Show the panel and, below it, one visible sentence for those who cannot see it."""
        from IPython.display import display

        data, metadata = self._repr_mimebundle_()
        display(data, raw=True, metadata=metadata)
        display({"text/markdown": self.caption, "text/plain": self.words}, raw=True)


def _parts(answer):
    """Split what `update` returned into its sentence and its table."""
    sentence, rows = (answer, ()) if isinstance(answer, str) else answer
    return sentence, {str(what): str(number) for what, number in rows}


def _flat(parts):
    """Single artists out of artists, lists and containers."""
    for part in parts:
        if hasattr(part, "set_animated") and not isinstance(part, tuple):
            yield part
        else:
            yield from _flat(part)


def _moving_and_above(figure, moving):
    """Moving artists and what stands still above them (frame, notes), in drawing order."""
    wanted = {id(artist) for artist in moving}
    repainted = []
    for axes in figure.axes:
        children = axes.get_children()
        lowest = min((c.get_zorder() for c in children if id(c) in wanted), default=math.inf)
        above = [c for c in children if id(c) in wanted or c.get_zorder() > lowest]
        repainted += sorted(above, key=lambda artist: artist.get_zorder())
    placed = {id(artist) for artist in repainted}
    return repainted + [artist for artist in moving if id(artist) not in placed]


def _texts(figure):
    """All texts of a figure that are in use: titles, labels, ticks, legends, notes."""
    return figure.findobj(lambda artist: isinstance(artist, Text) and bool(artist.get_text()))


def _touches(artist, box, renderer):
    """Whether what is drawn of an artist reaches into a box on the canvas."""
    if artist.get_clip_on() and artist.get_clip_box() is not None:
        box = Bbox.intersection(box, artist.get_clip_box())
    if box is None or not artist.get_visible():
        return False
    if hasattr(artist, "get_path") and hasattr(artist, "get_transform"):
        path = artist.get_transform().transform_path(artist.get_path())
        return path.vertices.size > 0 and path.intersects_bbox(box, filled=hasattr(artist, "get_facecolor"))
    extent = artist.get_window_extent(renderer)
    return extent.width * extent.height > 0 and extent.overlaps(box)
