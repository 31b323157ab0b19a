"""The whole job on one panel: move spacing, speed, tempo and sends, see the plan change."""

import html
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import ipywidgets
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator
from numpy.typing import ArrayLike

from tapecalc import words
from tapecalc.calc.loop import stability
from tapecalc.calc.response import repeat_level_db
from tapecalc.calc.tempo import delay_from_tempo, tempo_from_delay
from tapecalc.calc.transport import spacing_from_delay
from tapecalc.calc.units import amplitude_to_db, from_si
from tapecalc.course.exercise import Exercise
from tapecalc.course.panel import Answer, Panel, choice, slider
from tapecalc.machine import Machine, example_machine, read_machine, with_changes, write_machine
from tapecalc.plan import EchoPlan, echo_pattern, make_plan
from tapecalc.plot import style
from tapecalc.report.plan_text import band_text, delay_text, start_text

SHOWN_SECONDS = 3.0
FAINTEST_DB = -40.0
LOUDEST_DB = 12.0
TONE_REPEATS = (1, 2, 4, 8)
TOLD_REPEAT = 4  # whose band the table tells
MOST_ECHOES = 64


def changed_machine(machine: Machine, values: Mapping[str, Any]) -> Machine:
    """Return the machine as the controls stand: all heads moved along with the first, tempo and sends set.

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


def workbench_panel(machine: Machine) -> Panel:
    """Make the panel for one machine: echoes against the beat, tone of the repeats, the plan's figures."""
    spacing = machine.playback_heads[0].spacing_mm
    speeds = {words.speed(speed, machine.units): speed for speed in machine.speeds}

    def send(name: str, label: str, value: float, low: float) -> Any:
        return slider(name, label, value, low=min(low, value), high=max(6.0, value), step=0.5, unit="dB")

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
        send("input_send_db", "input send", machine.mixer.input_send_db, -20.0),
        send("return_send_db", "return send", machine.mixer.return_send_db, -30.0),
    )

    def update(artists: dict[str, Any], **values: Any) -> Answer:
        changed, speed = changed_machine(machine, values), values["speed"]
        _move(artists, changed, speed)
        return _say(make_plan(changed, speeds=[speed], tone_of=[TOLD_REPEAT]))

    return Panel(
        "workbench",
        _build,
        update,
        *controls,
        question="Can you get five repeats on the beat with 3 dB to spare?",
        legend="Left: every echo of one short sound, dashed lines are the beats. "
        "Right: what repeats 1, 2, 4 and 8 keep of each frequency; the lowest line is the last.",
        alt="Two charts: level of each echo over time with the beats as dashed lines, and level of repeats "
        "1, 2, 4 and 8 over frequency, each repeat duller than the one before.",
    )


def _build(figure: Figure, profile: style.Profile) -> dict[str, Any]:
    """Draw both charts with fixed limits and name what moves."""
    left, right = figure.subplots(1, 2, width_ratios=(1.15, 1))
    style.style_axes(
        left, profile, x="time (s)", y="level against the dry sound (dB)", title="Echoes", grid="y"
    )
    left.set(xlim=(0, SHOWN_SECONDS), ylim=(FAINTEST_DB, LOUDEST_DB))
    style.style_axes(right, profile, x="frequency (Hz)", y="level (dB)", title="Tone of repeats 1, 2, 4, 8")
    style.frequency_axis(right, profile, low=20, high=20_000)
    right.xaxis.set_major_locator(FixedLocator((20, 100, 1000, 10_000)))
    right.set_ylim(FAINTEST_DB, LOUDEST_DB)
    color = style.line_style(profile, 0)["color"]
    ends, frame = (FAINTEST_DB, LOUDEST_DB), profile.ground.frame
    beats = left.vlines([], *ends, colors=frame, linestyles=(0, (3, 3)), lw=1, zorder=1)
    stems = left.vlines([], FAINTEST_DB, 0, colors=color, lw=profile.line_pt, zorder=2)
    dots = left.plot([], [], "o", color=color, markersize=2.5 * profile.line_pt, zorder=3)[0]
    colors = style.sequence(profile, len(TONE_REPEATS))
    tones = [
        right.plot([], [], color=color, linestyle=dash, linewidth=profile.line_pt)[0]
        for color, dash in zip(colors, style.LINES, strict=False)
    ]
    return {"beats": beats, "stems": stems, "dots": dots, "tones": tones}


def _strokes(times: ArrayLike, top: ArrayLike) -> list[list[tuple[float, float]]]:
    """Vertical strokes from the floor of the chart for a LineCollection."""
    return [
        [(time, FAINTEST_DB), (time, high)]
        for time, high in zip(*np.broadcast_arrays(times, top), strict=True)
    ]


def _move(artists: dict[str, Any], machine: Machine, speed: float) -> None:
    """Move the artists to one machine at one speed."""
    beat = 60 / (machine.song.bpm or 90.0)
    times, amplitudes = echo_pattern(machine, speed, longest=SHOWN_SECONDS, faintest_db=FAINTEST_DB)
    times, amplitudes = times[:MOST_ECHOES], np.abs(amplitudes[:MOST_ECHOES])
    levels_db = np.minimum(amplitude_to_db(amplitudes) if times.size else amplitudes, LOUDEST_DB)
    beats = np.arange(1, int(SHOWN_SECONDS / beat) + 1) * beat
    artists["beats"].set_segments(_strokes(beats, LOUDEST_DB))
    artists["stems"].set_segments(_strokes(times, levels_db))
    artists["dots"].set_data(times, levels_db)
    one_pass, frequency = machine.one_pass(speed), np.geomspace(20, 20_000, 160)
    for line, repeat in zip(artists["tones"], TONE_REPEATS, strict=True):
        line.set_data(frequency, np.maximum(repeat_level_db(one_pass, frequency, repeat), -60))


def _say(plan: EchoPlan) -> Answer:
    """The sentence and the table below the picture, of a plan for one speed."""
    delay, loop, song = plan.delays[0], plan.loops[0], plan.machine.song
    fit = next(planned.fit for planned in plan.tempos if planned.delay is delay)
    off = words.amount(fit.error, "ms", "+.1f")
    if loop.stability.stable:
        repeats = "no end to the" if loop.repeats is None else loop.repeats
        spare = f"{loop.stability.margin_db:.1f} dB before the loop runs away"
        ending = f"{repeats} repeats down to {song.faded_db:g} dB, {spare}."
    else:
        ending = f"THE LOOP RUNS AWAY from {start_text(loop)}: pull the return send down."
    sentence = (
        f"{delay_text(delay).split(' +/-')[0]}: a {fit.note.name} at {fit.bpm:g} bpm, off by "
        f"{off}, {'which is heard' if fit.audible else 'nobody hears'}; {ending}"
    )
    wish = "none" if loop.return_send_db is None else f"{loop.return_send_db:+.1f} dB"
    headroom = f"{plan.node('tape').headroom_db:.1f} dB below the tape's limit"
    return sentence, {
        "delay": delay_text(delay),
        "nearest note": fit.note.name,
        "off by": f"{off}, {fit.error_percent:+.1f} %, {fit.error_cents:+.0f} cents",
        "loop gain": f"{loop.gain_db:+.1f} dB",
        "margin": f"{loop.stability.margin_db:+.1f} dB, would start at {start_text(loop)}",
        f"return send for {plan.wanted_repeats} repeats": wish,
        "first echo": f"{loop.first_repeat_db:+.1f} dB against the dry sound, {headroom}",
        f"repeat {TOLD_REPEAT} keeps": band_text(loop.tone[0]),
    }


class Workbench:
    """Pick a machine, move the controls, save machine file and plan.

    `panel` is the panel of the present machine, `widget` everything, `message` what the last loading or
    saving said.

    >>> Workbench().machine.name
    'Bench deck'
    """

    def __init__(self, machine: Machine | None = None) -> None:
        wide, row = ipywidgets.Layout(width="26em"), ipywidgets.Layout(flex_flow="row wrap")
        self._file = ipywidgets.Text(description="file", placeholder="machine.toml", layout=wide)
        self._load = ipywidgets.Button(description="load machine", tooltip="read this machine file")
        self._folder = ipywidgets.Text(value="my plan", description="folder", layout=wide)
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
                ipywidgets.HBox([self._file, self._load], layout=row),
                self._place,
                ipywidgets.HBox([self._folder, self._save], layout=row),
                self._status,
            ]
        )
        self._show(machine or example_machine())

    @property
    def machine(self) -> Machine:
        """The machine as the controls stand now."""
        return changed_machine(self._machine, self.panel.values)

    def load(self, path: str | os.PathLike[str]) -> None:
        """Read a machine file and show its panel; if it cannot be used the panel stays as it was."""
        self._show(read_machine(path))

    def save(self, folder: str | os.PathLike[str]) -> list[Path]:
        """Write ``machine.toml`` and the whole plan into a folder; give the paths."""
        from tapecalc.report.plan_page import write_plan

        machine = self.machine
        written = write_plan(make_plan(machine), folder)
        return [write_machine(machine, Path(folder) / "machine.toml"), *written]

    def _show(self, machine: Machine) -> None:
        self._machine = machine
        self.panel = workbench_panel(machine)
        self._place.children = (self.panel.widget,)

    def _loaded(self) -> str:
        self.load(self._file.value.strip())
        return f"Loaded {self._machine.name}."

    def _saved(self) -> str:
        written = self.save(self._folder.value.strip() or ".")
        return f"Saved {', '.join(path.name for path in written)} in {written[0].parent}."

    def _try(self, action: Callable[[], str]) -> None:
        """Do what a button says, and tell how it went where the person looks."""
        role = "status"
        try:
            self.message = action()
        except (ValueError, OSError) as error:
            role, self.message = "alert", f"That did not work: {error}"
        self._status.value = f"<p role='{role}'>{html.escape(self.message)}</p>"

    def __repr__(self) -> str:
        return f"Workbench for {self._machine.name}\n{self.panel!r}"

    def _ipython_display_(self) -> None:
        """Show everything live; without a kernel the panel's picture and sentence remain."""
        from IPython.display import display

        data, metadata = self.panel._repr_mimebundle_()
        data["application/vnd.jupyter.widget-view+json"]["model_id"] = self.widget.model_id
        display(data, raw=True, metadata=metadata)
        display({"text/markdown": self.panel.caption, "text/plain": self.panel.words}, raw=True)


# ---- exercises ----

_DECK = example_machine()
_FAST = _DECK.speeds[0]
_DELAY = _DECK.delays(_FAST)[0]
_BPM = _DECK.song.bpm or 90.0
_WANTED = delay_from_tempo(_BPM, 0.25)

#: The tempo whose sixteenth is the fast delay.
exact_tempo = Exercise(tempo_from_delay(_DELAY, 0.25), "bpm", tolerance_percent=0.5).hints(
    "A longer delay wants a slower song: how long is the beat if four echoes fill it?",
    (
        tempo_from_delay(_DELAY, 1.0),
        "That makes the echo a whole quarter note; a sixteenth is a fourth of one.",
    ),
    (tempo_from_delay(_DELAY, 0.5), "That makes the echo an eighth note."),
    (_BPM, "That is the tempo of the song as it is, at which the echo comes late."),
)

#: How far the head moves for a sixteenth at the song's tempo.
_move_mm = from_si(spacing_from_delay(_WANTED, _FAST) - _DECK.spacings[0], "mm")
head_move = Exercise(_move_mm, "mm", tolerance_percent=3).hints(
    "Find the delay that the song wants, turn it into a spacing, and take the present spacing away.",
    (-_move_mm, "The size is right. The echo comes late: must the tape run a longer or a shorter way?"),
    (
        from_si(spacing_from_delay(_WANTED, _FAST), "mm"),
        "That is the new spacing; the question asks for the move.",
    ),
    (
        from_si(_WANTED - _DELAY, "ms"),
        "That is the change of the delay in milliseconds: times the speed, please.",
    ),
)

#: The margin of the fast loop.
margin = Exercise(stability(_DECK.echo_loop(_FAST)).margin_db, "dB", tolerance_percent=1).hints(
    "Raise the return send on the panel until the words change, or read the margin in the table.",
    (lambda db: db < 0, "A margin above zero means that there is room left; here there is some."),
)
