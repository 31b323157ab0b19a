"""The whole job on one panel: move spacing, speed, tempo and sends, see the plan change."""

from __future__ import annotations

import html
from pathlib import Path

import ipywidgets
import numpy as np
from matplotlib.ticker import FixedLocator

from tapecalc.calc import loop, response, tempo
from tapecalc.calc.levels import level_diagram
from tapecalc.calc.loop import stability
from tapecalc.calc.tempo import delay_from_tempo, tempo_from_delay
from tapecalc.calc.transport import spacing_from_delay
from tapecalc.calc.units import amplitude_to_db, from_si
from tapecalc.course.exercise import Exercise
from tapecalc.course.panel import Panel, choice, slider
from tapecalc.machine import example_machine, read_machine, with_changes, write_machine
from tapecalc.plan import EVERYDAY_NOTES, echo_pattern, make_plan, with_uncertainty
from tapecalc.plot import style

__all__ = [
    "Workbench",
    "changed_machine",
    "workbench_panel",
]


SHOWN_SECONDS = 3.0
FAINTEST_DB = -40.0
TONE_REPEATS = (1, 2, 4, 8)
MOST_ECHOES = 64


def changed_machine(machine, values):
    """Return the machine as the controls of the workbench stand.

    Parameters
    ----------
    machine : Machine
        The machine before.
    values : dict
        Values of the controls by name, as `Panel.values` gives them.

    Returns
    -------
    Machine
        A changed copy: all heads moved along with the first, tempo and sends set.

    Raises
    ------
    MachineFileError
        If the values make no machine.

    Notes
    -----
    Source: house rule, nothing changes in place. Notebook: workbench.

    Examples
    --------
    >>> values = {"spacing_mm": 50.0, "bpm": 90.0, "input_send_db": 0.0, "return_send_db": -9.0}
    >>> changed_machine(example_machine(), values).playback_heads[0].spacing_mm
    50.0
    """
    moved = values["spacing_mm"] / machine.playback_heads[0].spacing_mm
    changes = {
        f"playback_heads.{number}.spacing_mm": float(round(head.spacing_mm * moved, 6))
        for number, head in enumerate(machine.playback_heads, start=1)
    }
    changes["song.bpm"] = float(values["bpm"])
    changes["mixer.input_send_db"] = float(values["input_send_db"])
    changes["mixer.return_send_db"] = float(values["return_send_db"])
    return with_changes(machine, changes)


def workbench_panel(machine):
    """Make the panel of the workbench for one machine.

    Parameters
    ----------
    machine : Machine
        Where the controls stand at first.

    Returns
    -------
    Panel
        Echoes in time against the beat on the left, tone of the repeats on the
        right, the plan's figures below.

    Notes
    -----
    Source: the calculators. Notebook: workbench.

    Examples
    --------
    >>> panel = workbench_panel(example_machine())
    >>> panel.table["delay"]
    '218 ms +/- 3 ms'
    """
    spacing = machine.playback_heads[0].spacing_mm
    speeds = {_speed(machine, speed): speed for speed in machine.speeds}
    sends = {"input_send_db": machine.mixer.input_send_db, "return_send_db": machine.mixer.return_send_db}
    lowest = {"input_send_db": -20.0, "return_send_db": -30.0}
    controls = (
        slider(
            "spacing_mm",
            "head spacing",
            spacing,
            low=min(10.0, spacing),
            high=max(150.0, 2 * spacing),
            step=0.5,
            unit="mm",
        ),
        choice("speed", "tape speed", speeds, machine.speeds[0]),
        slider("bpm", "tempo", machine.song.bpm or 90.0, low=20.0, high=400.0, step=0.5, unit="bpm"),
        *(
            slider(
                name,
                name.removesuffix("_db").replace("_", " "),
                value,
                low=min(lowest[name], value),
                high=max(6.0, value),
                step=0.5,
                unit="dB",
            )
            for name, value in sends.items()
        ),
    )

    def update(artists, **values):
        return _update(artists, changed_machine(machine, values), values["speed"])

    return Panel(
        name="workbench",
        build=_build,
        update=update,
        controls=controls,
        question="Can you get five repeats on the beat with 3 dB to spare?",
        legend=(
            "Left: every echo of one short sound, dashed lines are the beats. "
            "Right: what repeats 1, 2, 4 and 8 keep of each frequency; the lowest line is the last."
        ),
        alt="Two charts: level of each echo over time with the beats as dashed lines, and level of repeats "
        "1, 2, 4 and 8 over frequency, each repeat duller than the one before.",
    )


def _speed(machine, speed):
    """Name a speed as its owner does."""
    if machine.transport.speeds_ips is not None:
        return f"{from_si(speed, 'ips'):.4g} ips"
    return f"{from_si(speed, 'cm_s'):.4g} cm/s"


def _build(figure, profile):
    """Draw both charts with fixed limits and name what moves."""
    left, right = figure.subplots(1, 2, width_ratios=(1.15, 1))
    style.dress(left, profile, x="time (s)", y="level against the dry sound (dB)", title="Echoes", grid="y")
    left.set(xlim=(0, SHOWN_SECONDS), ylim=(FAINTEST_DB, 12))
    style.dress(right, profile, x="frequency (Hz)", y="level (dB)", title="Tone of repeats 1, 2, 4, 8")
    style.frequency_axis(right, profile, low=20, high=20_000)
    right.xaxis.set_major_locator(FixedLocator((20, 100, 1000, 10_000)))
    right.set_ylim(FAINTEST_DB, 12)
    look = style.line_style(profile, 0)
    beats = left.vlines(
        [], FAINTEST_DB, 12, colors=profile.ground.frame, linestyles=(0, (3, 3)), lw=1, zorder=1
    )
    stems = left.vlines([], FAINTEST_DB, 0, colors=look["color"], lw=profile.line_pt, zorder=2)
    dots = left.plot([], [], "o", color=look["color"], markersize=2.5 * profile.line_pt, zorder=3)[0]
    colors = style.sequence(profile, len(TONE_REPEATS))
    tones = [
        right.plot([], [], color=color, linestyle=dash, linewidth=profile.line_pt)[0]
        for color, dash in zip(colors, style.LINES, strict=False)
    ]
    return {"beats": beats, "stems": stems, "dots": dots, "tones": tones}


def _stems(times, low, high):
    """Vertical strokes for a LineCollection."""
    return [
        [(time, low), (time, top)]
        for time, top in zip(times, np.broadcast_to(high, np.shape(times)), strict=True)
    ]


def _update(artists, machine, speed):
    """Move the artists to one machine's plan at one speed, and say its numbers."""
    beat = 60 / machine.song.bpm
    times, levels_db = echo_pattern(machine, speed, longest=SHOWN_SECONDS, faintest_db=FAINTEST_DB)
    times, levels_db = times[:MOST_ECHOES], np.minimum(levels_db[:MOST_ECHOES], 12)
    artists["beats"].set_segments(_stems(np.arange(1, int(SHOWN_SECONDS / beat) + 1) * beat, FAINTEST_DB, 12))
    artists["stems"].set_segments(_stems(times, FAINTEST_DB, levels_db))
    artists["dots"].set_data(times, levels_db)
    echo = machine.echo_loop(speed)
    frequency = np.geomspace(20, 20_000, 160)
    for line, repeat in zip(artists["tones"], TONE_REPEATS, strict=True):
        line.set_data(frequency, np.maximum(response.repeat_level_db(echo.one_pass, frequency, repeat), -60))
    return _words(machine, speed, echo)


def _words(machine, speed, echo):
    """The sentence and the table below the picture."""
    delay, unsure = machine.delays(speed)[0], machine.delay_uncertainties(speed)[0]
    fit = tempo.nearest_fits(delay, machine.song.bpm, notes=EVERYDAY_NOTES)[0]
    verdict = loop.stability(echo)
    gain_db, faded_db = -verdict.bound_db, machine.song.faded_db
    wish_db = amplitude_to_db(loop.return_gain_for_repeats(echo, machine.song.wanted_repeats, faded_db))
    if verdict.stable:
        repeats = "no end to the" if gain_db >= 0 else str(int(loop.whole_repeats(gain_db, faded_db)))
        spare = f"{verdict.margin_db:.1f} dB before the loop runs away"
        ending = f"{repeats} repeats down to {faded_db:g} dB, {spare}."
    else:
        ending = (
            f"THE LOOP RUNS AWAY from {style.frequency_text(verdict.frequency)}: pull the return send down."
        )
    off = "nobody hears" if not fit.audible else "which is heard"
    delay_text = with_uncertainty(from_si(delay, "ms"), from_si(unsure, "ms"), "ms")
    sentence = (
        f"{delay_text.split(' +/-')[0]}: a {fit.note.name} at {machine.song.bpm:g} bpm, off by "
        f"{from_si(fit.error, 'ms'):+.1f} ms, {off}; {ending}"
    )
    start = "nowhere" if verdict.frequency is None else style.frequency_text(verdict.frequency)
    first_db = amplitude_to_db(echo.input_gain * echo.heads.gains[0]) + response.loudest(echo.one_pass)[1]
    levels = level_diagram(machine.level_stages, machine.levels.instrument_dbu)
    headroom_db = next(node.headroom_db for node in levels.nodes if node.name == "tape")
    edges = response.bandwidth(echo.one_pass, drop_db=10, passes=4)
    low, high = ("no edge" if edge is None else style.frequency_text(edge) for edge in edges)
    return sentence, (
        ("delay", delay_text),
        ("nearest note", fit.note.name),
        (
            "off by",
            f"{from_si(fit.error, 'ms'):+.1f} ms, {fit.error_percent:+.1f} %, {fit.error_cents:+.0f} cents",
        ),
        ("loop gain", f"{gain_db:+.1f} dB"),
        ("margin", f"{verdict.margin_db:+.1f} dB, would start at {start}"),
        (f"return send for {machine.song.wanted_repeats} repeats", f"{wish_db:+.1f} dB"),
        (
            "first echo",
            f"{first_db:+.1f} dB against the dry sound, {headroom_db:.1f} dB below the tape's limit",
        ),
        ("repeat 4 keeps", f"{low} to {high}"),
    )


class Workbench:
    """Pick a machine, move the controls, save machine file and plan.

    Parameters
    ----------
    machine : Machine, optional
        Where to begin; the bundled example by default.

    Attributes
    ----------
    panel : Panel
        The panel of the present machine.
    widget : ipywidgets.VBox
        Everything.
    message : str
        What the last loading or saving said.

    Notes
    -----
    Source: common practice, no source. Notebook: workbench.

    Examples
    --------
    >>> bench = Workbench()
    >>> bench.machine.name
    'Bench deck'
    """

    def __init__(self, machine=None):
        self._file = ipywidgets.Text(description="file", placeholder="machine.toml", layout=_wide("26em"))
        self._load = ipywidgets.Button(description="load machine", tooltip="read this machine file")
        self._folder = ipywidgets.Text(value="my plan", description="folder", layout=_wide("26em"))
        self._save = ipywidgets.Button(
            description="save plan", tooltip="machine file, page, figures and preview"
        )
        self._status = ipywidgets.HTML()
        self._place = ipywidgets.VBox()
        self.message = ""
        self._load.on_click(lambda _: self._try(self._loaded))
        self._save.on_click(lambda _: self._try(self._saved))
        self.widget = ipywidgets.VBox(
            [
                ipywidgets.HBox([self._file, self._load], layout=ipywidgets.Layout(flex_flow="row wrap")),
                self._place,
                ipywidgets.HBox([self._folder, self._save], layout=ipywidgets.Layout(flex_flow="row wrap")),
                self._status,
            ]
        )
        self._show(machine or example_machine())

    @property
    def machine(self):
        """The machine as the controls stand now."""
        return changed_machine(self._machine, self.panel.values)

    def load(self, path):
        """Read a machine file and show its panel.

        Parameters
        ----------
        path : str or os.PathLike
            The file.

        Raises
        ------
        MachineFileError
            If the file cannot be used; the panel stays as it was.
        """
        self._show(read_machine(path))

    def save(self, folder):
        """Write ``machine.toml`` and the whole plan into a folder.

        Parameters
        ----------
        folder : str or os.PathLike
            Where to; made if it is not there yet.

        Returns
        -------
        list of pathlib.Path
            What was written.

        Raises
        ------
        OSError
            If the folder cannot be written.
        """
        from tapecalc.report.plan_page import write_plan

        folder = Path(folder)
        machine = self.machine
        written = write_plan(make_plan(machine), folder)
        return [write_machine(machine, folder / "machine.toml"), *written]

    def _show(self, machine):
        self._machine = machine
        self.panel = workbench_panel(machine)
        self._place.children = (self.panel.widget,)

    def _loaded(self):
        self.load(self._file.value.strip())
        return f"Loaded {self._machine.name}."

    def _saved(self):
        written = self.save(self._folder.value.strip() or ".")
        return f"Saved {', '.join(path.name for path in written)} in {written[0].parent}."

    def _try(self, action):
        """Do what a button says, and tell how it went where the person looks."""
        role = "status"
        try:
            self.message = action()
        except (ValueError, OSError) as error:
            role, self.message = "alert", f"That did not work: {error}"
        self._status.value = f"<p role='{role}'>{html.escape(self.message)}</p>"

    def __repr__(self):
        return f"Workbench for {self._machine.name}\n{self.panel!r}"

    def _ipython_display_(self):
        """Show everything live; without a kernel the panel's picture and sentence remain."""
        from IPython.display import display

        data, metadata = self.panel._repr_mimebundle_()
        data["application/vnd.jupyter.widget-view+json"]["model_id"] = self.widget.model_id
        display(data, raw=True, metadata=metadata)
        display({"text/markdown": self.panel.caption, "text/plain": self.panel.words}, raw=True)


def _wide(width):
    return ipywidgets.Layout(width=width)


_DECK = example_machine()
_FAST = _DECK.speeds[0]
_DELAY = _DECK.delays(_FAST)[0]
_WANTED = delay_from_tempo(_DECK.song.bpm, 0.25)

#: The tempo whose sixteenth is the fast delay.
exact_tempo = Exercise(
    tempo_from_delay(_DELAY, 0.25),
    "bpm",
    (
        tempo_from_delay(_DELAY, 1.0),
        "That makes the echo a whole quarter note; a sixteenth is a fourth of one.",
    ),
    (tempo_from_delay(_DELAY, 0.5), "That makes the echo an eighth note."),
    (_DECK.song.bpm, "That is the tempo of the song as it is, at which the echo comes late."),
    hint="A longer delay wants a slower song: how long is the beat if four echoes fill it?",
    tolerance_percent=0.5,
)

#: How far the head moves for a sixteenth at the song's tempo.
_move_mm = from_si(spacing_from_delay(_WANTED, _FAST) - _DECK.spacings[0], "mm")
head_move = Exercise(
    _move_mm,
    "mm",
    (-_move_mm, "The size is right. The echo comes late: must the tape run a longer or a shorter way?"),
    (
        from_si(spacing_from_delay(_WANTED, _FAST), "mm"),
        "That is the new spacing; the question asks for the move.",
    ),
    (
        from_si(_WANTED - _DELAY, "ms"),
        "That is the change of the delay in milliseconds: times the speed, please.",
    ),
    hint="Find the delay that the song wants, turn it into a spacing, and take the present spacing away.",
    tolerance_percent=3,
)

#: The margin of the fast loop.
margin = Exercise(
    stability(_DECK.echo_loop(_FAST)).margin_db,
    "dB",
    (lambda db: db < 0, "A margin above zero means that there is room left; here there is some."),
    hint="Raise the return send on the panel until the words change, or read the margin in the table.",
    tolerance_percent=1,
)
