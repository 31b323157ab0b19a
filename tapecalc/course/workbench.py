"""The whole job on one page: drag heads, move speed, tempo and sends, hear it, and see the plan change."""

import html
import os
import time  # noqa: TID251  a tap is when it is
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ipywidgets

from tapecalc import words
from tapecalc.calc import loop, tempo, transport
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.deck import BPM, DECK, FAST
from tapecalc.course.exercise import Exercise
from tapecalc.course.tapping import tapped_tempo
from tapecalc.files import replacing_folder
from tapecalc.live.setting import setting_of_machine
from tapecalc.live.widget import Playable
from tapecalc.machine import (
    Machine,
    MachineFileError,
    example_machine,
    read_machine,
    with_changes,
    write_machine,
)
from tapecalc.measuring.estimate import CannotTell
from tapecalc.plan import EchoPlan, LoopPlan, TempoPlan, make_plan
from tapecalc.report.plan_text import (
    band_text,
    delay_text,
    excess_text,
    heard_for_text,
    heard_text,
    margin_text,
    off_percent_text,
    off_text,
    runs_text,
    start_text,
    wished_send_text,
)

MOST_REPEATS = 100
QUESTION = "Can you get five repeats on the beat with 3 dB to spare?"
#: The folder in which the library lies: lessons name files as seen from there.
_HOME = Path(__file__).resolve().parents[2]


def _say(plan: EchoPlan) -> tuple[str, dict[str, str]]:
    """The sentence and the table of a plan for one speed."""
    best, planned, machine = plan.tempos[0], plan.loops[0], plan.machine
    one_head, wanted = len(plan.delays) == 1, plan.wanted_repeats
    if one_head:
        begin = delay_text(best.delay)
    else:
        delays = words.listed(f"{from_si(delay.delay, 'ms'):.0f}" for delay in plan.delays)
        begin = f"{delays} ms; the head at {_place(best)} plays"
    sentence = (
        f"{begin}{':' if one_head else ''} {words.with_article(best.fit.note.name)} at {best.fit.bpm:g} bpm, "
        f"off by {off_text(best)} (heard as off: {heard_text(best.chance, best.fit.error)}); {_ending(plan)}"
    )
    table: dict[str, str] = {}
    for fitted in sorted(plan.tempos, key=lambda fitted: fitted.delay.head):
        table |= _fit_rows(fitted, wanted) if one_head else _head_row(fitted)
    headroom_db = plan.node("tape").headroom_db
    side = "below" if headroom_db >= 0 else "above"
    table |= {
        "loop gain" + ("" if one_head else " at most"): words.level(planned.gain_db),
        "margin": f"{_margin(planned)}, would start at {start_text(planned)}",
        f"return send for {wanted} {'repeats' if one_head else 'passes'}": wished_send_text(plan, planned),
        "first echo": f"{words.level(planned.first_repeat_db)} against the dry sound, {abs(headroom_db):.1f} "
        f"dB {side} 3 % distortion",
        f"{'repeat' if one_head else 'pass'} {wanted} keeps": band_text(planned.tone[0]),
    }
    if machine.loop_length is not None:
        wiped = "" if machine.erases else ", nothing erases it"
        table["a lap of the tape"] = f"{transport.run_time(machine.loop_length, planned.speed):.2f} s{wiped}"
    return sentence, table


def _place(fitted: TempoPlan) -> str:
    """A head by where it stands, as the tape shows it."""
    return f"{from_si(fitted.delay.spacing, 'mm'):.4g} mm"


def _fit_rows(fitted: TempoPlan, wanted: int) -> dict[str, str]:
    """How the only head fits the song."""
    fit, last = fitted.fit, heard_text(fitted.chance_of_last, fitted.fit.error)
    first = heard_text(fitted.chance, fit.error)
    return {
        "delay": delay_text(fitted.delay),
        "note": fit.note.name,
        "off by": f"{off_text(fitted)}, {off_percent_text(fitted)} %, {round(fit.error_cents):+d} cents",
        "heard as off": first if wanted == 1 else f"repeat 1: {first}; repeat {wanted}: {last}",
    }


def _head_row(fitted: TempoPlan) -> dict[str, str]:
    """How one of several heads fits the song."""
    heard = heard_text(fitted.chance, fitted.fit.error)
    fit = f"{fitted.fit.note.name}, {off_text(fitted)} (heard as off: {heard})"
    return {f"head at {_place(fitted)}": f"{delay_text(fitted.delay)}: {fit}"}


def _margin(planned: LoopPlan) -> str:
    if planned.stability.stable:
        return margin_text(planned)
    return f"{excess_text(planned)} too loud{'' if planned.runs_away else ' if bumps in the bass are large'}"


def _ending(plan: EchoPlan) -> str:
    """What the loop does, and how far it is from running away."""
    planned, faded = plan.loops[0], f"{plan.machine.song.faded_db:g} dB"
    if not any(head.feeds_return for head in plan.machine.playback_heads):
        return "no head feeds the return, so each sound comes back once from each head."
    if not planned.stability.stable:
        return (
            f"THE LOOP {runs_text(planned).upper()}, starting at {start_text(planned)}: turn the return send "
            f"down by {excess_text(planned)} or more."
        )
    if planned.repeats is not None:
        heard = f"{planned.repeats} repeat{'' if planned.repeats == 1 else 's'} down to {faded}"
    else:
        heard = f"heard {heard_for_text(planned)}, down to {faded}"
    return f"{heard}, {margin_text(planned)} before the loop runs away."


class Workbench:
    """Pick a machine, play it, tap a tempo, read what the plan says of it, save machine file and plan.

    `tape` is the playable tape of the present machine, if it can be played; `readout` and `table` follow it.
    `widget` is everything, `message` what the last loading, saving or tap said. `clock` counts seconds; a
    tap has the time at which it arrives here.

    >>> Workbench().machine.name
    'Bench deck'
    """

    def __init__(
        self, machine: Machine | None = None, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._clock, self.message = clock, ""
        self._taps: list[float] = []
        self._tempo = 0.0  # as tapped
        self._told = {what: ipywidgets.HTML() for what in ("load", "tap", "plan", "save")}
        self._file = _field("file", "", placeholder="machine.toml")
        self._load = _button(
            "load machine", "read this machine file", lambda: self._try("load", self._loaded)
        )
        self._folder = _field("folder", "my plan")
        files = "machine file, page, figures and preview"
        self._save = _button("save plan", files, self._save_clicked)
        beat = "click on the beat, or press the space bar: three times or more"
        self._tap = _button("tap the tempo", beat, lambda: self._try("tap", self._tapped))
        self._wanted = ipywidgets.BoundedIntText(
            description="wanted repeats",
            min=1,
            max=MOST_REPEATS,
            style={"description_width": "auto"},
            layout=ipywidgets.Layout(width="13em"),
        )
        self._played = ipywidgets.VBox()
        self.widget = ipywidgets.VBox(
            [
                *(self._played, _row(self._wanted, self._tap, self._told["tap"]), self._told["plan"]),
                *(_row(self._file, self._load), self._told["load"]),
                *(_row(self._folder, self._save), self._told["save"]),
            ]
        )
        self._wanted.observe(lambda _: self._follow(), "value")
        self._show(machine or example_machine())

    @property
    def machine(self) -> Machine:
        """The machine as tape and field stand now."""
        machine = self._machine if self.tape is None else self.tape.machine
        wanted = self._wanted.value
        if wanted == machine.song.wanted_repeats:
            return machine
        return with_changes(machine, {"song.wanted_repeats": wanted})

    @property
    def plan(self) -> EchoPlan:
        """The plan of that machine for one song, at the speed at which the tape runs."""
        machine = self.machine
        if self.tape is None:
            speed, bpm = machine.speeds[0], setting_of_machine(machine)["bpm"]
        else:
            speed, bpm = to_si(self.tape.speed_ips, "ips"), self.tape.bpm
        one_song = with_changes(machine, {"songs": [], "song.bpm": bpm})
        return make_plan(one_song, speeds=[speed], tone_of=[machine.song.wanted_repeats])

    def load(self, path: str | os.PathLike[str]) -> None:
        """Read a machine file and show it; if it cannot be used all stays as it was.

        A path is looked for from here, from the folder above, and from where the library lies.
        """
        typed = Path(os.path.expanduser(path))
        places = [Path(), Path(".."), _HOME]
        found = next((place / typed for place in places if (place / typed).is_file()), None)
        if found is None:
            looked = " or ".join(dict.fromkeys(str(place.resolve()) for place in places))
            raise MachineFileError(f"{typed} is no file, seen from {looked}")
        try:
            self._show(read_machine(found))
        except MachineFileError as error:
            raise MachineFileError(str(error).replace(found.name, str(typed), 1)) from None

    def save(self, folder: str | os.PathLike[str]) -> list[Path]:
        """Write ``machine.toml`` and the whole plan into a folder; give the paths."""
        from tapecalc.report.plan_page import write_plan

        with replacing_folder(folder, "plan") as place:
            written = write_plan(make_plan(self.machine), place)
            written = [write_machine(self.machine, place / "machine.toml"), *written]
        return [Path(folder) / path.name for path in written]

    def _show(self, machine: Machine) -> None:
        """Show a machine: its tape, unless its heads stand too near to be played, and its plan."""
        self.tape = None
        try:
            self.tape = Playable(machine)
        except ValueError as error:
            self._played.children = (ipywidgets.HTML(f"<p>{html.escape(str(error))}</p>"),)
        else:
            self.tape.observe(self._moved, "setting")
            self._played.children = (self.tape,)
        self._machine = machine
        self._told["tap"].value = ""
        self._wanted.value = machine.song.wanted_repeats
        self._follow()

    def _moved(self, change: Any) -> None:
        """Let the plan follow the tape, if it is the present one."""
        if change["owner"] is self.tape:
            self._follow()

    def _follow(self) -> None:
        """Say what the plan says now; what was said before goes, of a tapped tempo unless it still stands."""
        for what in ("load", "save"):
            self._told[what].value = ""
        if self.tape is not None and abs(self.tape.bpm - self._tempo) > 0.05:
            self._told["tap"].value = ""
        try:
            self.readout, self.table = _say(self.plan)
        except ValueError as error:  # no head is on
            self._tell("load", "alert", f"The plan stays as it was: {error}")
            return
        self._told["plan"].value = self._plan_html()

    def _plan_html(self) -> str:
        """Sentence and table as HTML."""
        rows = "".join(
            f"<tr><th scope='row' style='text-align:left;padding-right:1em'>{html.escape(what)}</th>"
            f"<td style='text-align:left'>{html.escape(number)}</td></tr>"
            for what, number in self.table.items()
        )
        told = f"<p role='status'>{html.escape(self.readout)}</p>"
        return f"<p><b>{QUESTION}</b></p>{told}<table>{rows}</table>"

    def _loaded(self) -> str:
        self.load(self._file.value.strip() or "machine.toml")
        return f"Loaded {self._machine.name}."

    def _save_clicked(self) -> None:
        """Say at once that it works: a plan takes some seconds."""
        self._save.disabled = True
        self._tell("save", "status", "Saving machine file, page, figures and preview ...")
        try:
            self._try("save", self._saved)
        finally:
            self._save.disabled = False

    def _saved(self) -> str:
        written = self.save(self._folder.value.strip() or ".")
        return f"Saved {', '.join(path.name for path in written)} in {written[0].parent}."

    def _tapped(self) -> str:
        """Take a tap, and set the tempo as soon as there is one."""
        self._taps.append(self._clock())
        try:
            tapped = tapped_tempo(self._taps)
        except CannotTell as error:
            return f"Tap on: {error.reason}."
        self._tempo = round(tapped.bpm.value, 1)
        if self.tape is not None:
            self.tape.bpm = self._tempo
        else:
            self._machine = with_changes(self._machine, {"song.bpm": self._tempo})
            self._follow()
        return f"{tapped.text}."

    def _try(self, what: str, action: Callable[[], str]) -> None:
        """Do what a button says, and tell how it went beside it."""
        try:
            self._tell(what, "status", action())
        except (ValueError, OSError) as error:
            self._tell(what, "alert", f"That did not work: {error}")

    def _tell(self, what: str, role: str, message: str) -> None:
        self.message = message
        self._told[what].value = f"<span role='{role}'>{html.escape(message)}</span>"

    def __repr__(self) -> str:
        return f"Workbench for {self._machine.name}\n{QUESTION}\n{self.readout}"

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        """Everything live; without a kernel the tape's picture, sentence and the plan's words."""
        still = "" if self.tape is None else self.tape._repr_mimebundle_()[0]["text/html"]
        shown = {"text/html": still + self._plan_html(), "text/plain": repr(self)}
        return {**(self.widget._repr_mimebundle_() or {}), **shown}


def _row(*widgets: Any) -> Any:
    """Put widgets side by side, and below one another where the page is narrow."""
    return ipywidgets.HBox(widgets, layout=ipywidgets.Layout(flex_flow="row wrap"))


def _button(text: str, tooltip: str, action: Callable[[], object]) -> Any:
    """Make a button that does something."""
    made = ipywidgets.Button(description=text, tooltip=tooltip)
    made.on_click(lambda _: action())
    return made


def _field(label: str, value: str, **more: str) -> Any:
    """Make a field to write in."""
    return ipywidgets.Text(value, description=label, layout=ipywidgets.Layout(width="26em"), **more)


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
margin = Exercise(loop.stability(DECK.worst_loop(FAST)).margin_db, "dB", tolerance_percent=2).hints(
    "Raise the return send until the words change, or read the margin in the table.",
    ((None, 0), "A margin above zero means that there is room left; here there is some."),
)
