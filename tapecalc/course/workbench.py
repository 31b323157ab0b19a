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

from tapecalc import words
from tapecalc.calc import loop, response, tempo, transport
from tapecalc.calc.units import amplitude_to_db, from_si
from tapecalc.course.deck import BPM, DECK, FAST
from tapecalc.course.exercise import Exercise
from tapecalc.course.panel import Answer, Panel, button, choice, empty_line, row, slider, text_field
from tapecalc.machine import Machine, example_machine, read_machine, with_changes, write_machine
from tapecalc.plan import EchoPlan, echo_pattern, make_plan
from tapecalc.plot import style
from tapecalc.report.plan_text import band_text, delay_text, start_text

SHOWN_SECONDS = 3.0
FAINTEST_DB, LOUDEST_DB = -40.0, 12.0
TONE_REPEATS = (1, 2, 4, 8)
TOLD_REPEAT = 4  # whose band the table tells


def changed_machine(machine: Machine, values: Mapping[str, Any]) -> Machine:
    """Return the machine as the controls stand: all heads moved along with the first, tempo and sends set.

    >>> values = {"spacing_mm": 50.0, "bpm": 90.0, "input_send_db": 0.0, "return_send_db": -9.0}
    >>> changed_machine(example_machine(), values).playback_heads[0].spacing_mm
    50.0
    """
    moved = values["spacing_mm"] / machine.playback_heads[0].spacing_mm
    names = {
        "song.bpm": "bpm",
        "mixer.input_send_db": "input_send_db",
        "mixer.return_send_db": "return_send_db",
    }
    changes = {name: float(values[control]) for name, control in names.items()}
    for number, head in enumerate(machine.playback_heads, start=1):
        changes[f"playback_heads.{number}.spacing_mm"] = float(round(head.spacing_mm * moved, 6))
    return with_changes(machine, changes)


def workbench_panel(machine: Machine) -> Panel:
    """Make the panel for one machine: echoes against the beat, tone of the repeats, the plan's figures."""
    spacing = machine.playback_heads[0].spacing_mm
    speeds = {words.speed(speed, machine.units): speed for speed in machine.speeds}

    def around(label: str, value: float, low: float, high: float, unit: str) -> Any:
        name = f"{label.removeprefix('head ').replace(' ', '_')}_{unit.lower()}"
        return slider(name, label, value, low=min(low, value), high=max(high, value), step=0.5, unit=unit)

    def update(artists: dict[str, Any], **values: Any) -> Answer:
        changed, speed = changed_machine(machine, values), values["speed"]
        _move(artists, changed, speed)
        return _say(make_plan(changed, speeds=[speed], tone_of=[TOLD_REPEAT]))

    return Panel(
        "workbench",
        _build,
        update,
        around("head spacing", spacing, 10.0, max(150.0, 2 * spacing), "mm"),
        choice("speed", "tape speed", speeds, machine.speeds[0]),
        slider("bpm", "tempo", machine.song.bpm or 90.0, low=20.0, high=400.0, step=0.5, unit="bpm"),
        around("input send", machine.mixer.input_send_db, -20.0, 6.0, "dB"),
        around("return send", machine.mixer.return_send_db, -30.0, 6.0, "dB"),
        question="Can you get five repeats on the beat with 3 dB to spare?",
        legend="Left: every echo of one short sound, dashed lines are the beats. "
        "Right: what repeats 1, 2, 4 and 8 keep of each frequency; the lowest line is the last.",
        alt="Two charts: level of each echo over time with the beats as dashed lines, and level of repeats "
        "1, 2, 4 and 8 over frequency, each repeat duller than the one before.",
    )


def _build(figure: Figure, profile: style.Profile) -> dict[str, Any]:
    """Draw both charts with fixed limits and name what moves."""
    left, right = figure.subplots(1, 2, width_ratios=(1.15, 1))
    ends, pt, color = (FAINTEST_DB, LOUDEST_DB), profile.line_pt, profile.ground.colors[0]
    level = "level against the dry sound (dB)"
    style.style_axes(left, profile, x="time (s)", y=level, title="Echoes", grid="y")
    left.set(xlim=(0, SHOWN_SECONDS), ylim=ends)
    style.style_axes(right, profile, x="frequency (Hz)", y="level (dB)", title="Tone of repeats 1, 2, 4, 8")
    style.frequency_axis(right, profile, low=20, high=20_000).set_ylim(ends)
    right.xaxis.set_major_locator(FixedLocator((20, 100, 1000, 10_000)))
    look: dict[str, Any] = {"colors": profile.ground.frame, "linestyles": (0, (3, 3)), "lw": 1, "zorder": 1}
    tones = [
        empty_line(right, profile, k, color=color)
        for k, color in enumerate(style.sequence(profile, len(TONE_REPEATS)))
    ]
    return {
        "beats": left.vlines([], *ends, **look),
        "stems": left.vlines([], FAINTEST_DB, 0, colors=color, lw=pt, zorder=2),
        "dots": left.plot([], [], "o", color=color, markersize=2.5 * pt, zorder=3)[0],
        "tones": tones,
    }


def _move(artists: dict[str, Any], machine: Machine, speed: float) -> None:
    """Move the artists to one machine at one speed."""
    beat = 60 / (machine.song.bpm or 90.0)
    times, amplitudes = echo_pattern(machine, speed, longest=SHOWN_SECONDS, faintest_db=FAINTEST_DB)
    times, amplitudes = times[:64], np.abs(amplitudes[:64])
    levels_db = np.minimum(amplitude_to_db(amplitudes) if times.size else amplitudes, LOUDEST_DB)
    beats = np.arange(1, int(SHOWN_SECONDS / beat) + 1) * beat
    tops_db = np.full_like(beats, LOUDEST_DB)
    for name, places, ends in (("beats", beats, tops_db), ("stems", times, levels_db)):
        segments = [[(x, FAINTEST_DB), (x, y)] for x, y in zip(places, ends, strict=True)]
        artists[name].set_segments(segments)
    artists["dots"].set_data(times, levels_db)
    one_pass, frequency = machine.one_pass(speed), np.geomspace(20, 20_000, 160)
    for line, repeat in zip(artists["tones"], TONE_REPEATS, strict=True):
        line.set_data(frequency, np.maximum(response.repeat_level_db(one_pass, frequency, repeat), -60))


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
        f"{delay_text(delay).split(' +/-')[0]}: {words.with_article(fit.note.name)} at {fit.bpm:g} bpm, off "
        f"by {off}, {'which is heard' if fit.audible else 'nobody hears'}; {ending}"
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
        self._file = text_field("file", "26em", placeholder="machine.toml")
        self._load = button("load machine", "read this machine file", lambda: self._try(self._loaded))
        self._folder = text_field("folder", "26em", value="my plan")
        files = "machine file, page, figures and preview"
        self._save = button("save plan", files, lambda: self._try(self._saved))
        self._place, self._status, self.message = ipywidgets.VBox(), ipywidgets.HTML(), ""
        load, save = row(self._file, self._load), row(self._folder, self._save)
        self.widget = ipywidgets.VBox([load, self._place, save, self._status])
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

        written = write_plan(make_plan(self.machine), folder)
        return [write_machine(self.machine, Path(folder) / "machine.toml"), *written]

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
        self.panel.display(self.widget)


# ---- exercises ----

_DELAY, _WANTED = DECK.delays(FAST)[0], tempo.delay_from_tempo(BPM, 0.25)
_change_ms, _spacing = from_si(_WANTED - _DELAY, "ms"), transport.spacing_from_delay(_WANTED, FAST)

#: The tempo whose sixteenth is the fast delay.
_quarter_bpm = tempo.tempo_from_delay(_DELAY, 1.0)
exact_tempo = Exercise(tempo.tempo_from_delay(_DELAY, 0.25), "bpm", tolerance_percent=0.5).hints(
    "A longer delay wants a slower song: how long is the beat if four echoes fill it?",
    (_quarter_bpm, "That makes the echo a whole quarter note; a sixteenth is a fourth of one."),
    (tempo.tempo_from_delay(_DELAY, 0.5), "That makes the echo an eighth note."),
    (BPM, "That is the tempo of the song as it is, at which the echo comes late."),
)

#: How far the head moves for a sixteenth at the song's tempo.
_move_mm = from_si(_spacing - DECK.spacings[0], "mm")
head_move = Exercise(_move_mm, "mm", tolerance_percent=3).hints(
    "Find the delay that the song wants, turn it into a spacing, and take the present spacing away.",
    (-_move_mm, "The size is right. The echo comes late: must the tape run a longer or a shorter way?"),
    (from_si(_spacing, "mm"), "That is the new spacing; the question asks for the move."),
    (_change_ms, "That is the change of the delay in milliseconds: times the speed, please."),
)

#: The margin of the fast loop.
margin = Exercise(loop.stability(DECK.echo_loop(FAST)).margin_db, "dB", tolerance_percent=1).hints(
    "Raise the return send on the panel until the words change, or read the margin in the table.",
    (lambda db: db < 0, "A margin above zero means that there is room left; here there is some."),
)
