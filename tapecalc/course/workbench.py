"""The whole job on one page: drag heads, move speed, tempo and sends, hear it, and see the plan change."""

import functools
import html
import os
import time  # noqa: TID251  a tap is when it is
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import ipywidgets
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MultipleLocator

from tapecalc import words
from tapecalc.calc import loop, response, tempo, transport
from tapecalc.calc.levels import FULL_ABOVE_MOL_DB
from tapecalc.calc.units import amplitude_to_db, from_si, to_si
from tapecalc.course.deck import BPM, DECK, FAST
from tapecalc.course.exercise import Exercise
from tapecalc.course.panel import (
    Answer,
    Artists,
    Control,
    Panel,
    button,
    choice,
    empty_line,
    row,
    slider,
    strokes,
    text_field,
    view,
)
from tapecalc.course.tapping import tapped_tempo
from tapecalc.files import replacing_folder
from tapecalc.live.setting import machine_of_setting
from tapecalc.live.widget import Playable
from tapecalc.machine import (
    LONGEST,
    USUAL_SPACINGS,
    Machine,
    MachineFileError,
    example_machine,
    read_machine,
    with_changes,
    write_machine,
)
from tapecalc.measuring.estimate import CannotTell
from tapecalc.plan import EchoPlan, LoopPlan, TempoPlan, echo_pattern, make_plan
from tapecalc.plot import style
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

SHOWN_SECONDS = 3.0
FAINTEST_DB = -40.0
MOST_SHOWN = 400  # echoes, the loudest
TONE_REPEATS = (1, 2, 4, 8)
TONE_ENDS_DB = -40.0, 12.0
#: How far above the dry sound the chart of the echoes reaches at most, dB, and the room above full tape.
HIGHEST_DB, ABOVE_FULL_DB = 40.0, 6.0
ANY_NOTE = "any"
#: The folder in which the library lies: lessons name files as seen from there.
_HOME = Path(__file__).resolve().parents[2]


def changed_machine(machine: Machine, values: Mapping[str, Any]) -> Machine:
    """Return the machine as the controls stand; heads that pass each other are put in tape order.

    What no control has moved stays as the file said it, or did not say it.

    >>> values = {"spacing_mm": 50.0, "return_send_db": -9.0}
    >>> changed = changed_machine(example_machine(), values)
    >>> changed.playback_heads[0].spacing_mm, changed.mixer.return_send_db
    (50.0, -9.0)
    """
    note = {"note": None if values["note"] == ANY_NOTE else values["note"]} if "note" in values else {}
    changes: dict[str, Any] = {}
    sections = (
        ("mixer", ("input_send_db", "return_send_db"), values),
        ("song", ("bpm", "wanted_repeats", "note"), {**values, **note}),
    )
    for section, keys, given in sections:
        for key in keys:
            if key in given and given[key] != getattr(getattr(machine, section), key):
                changes[f"{section}.{key}"] = given[key]
    names = _spacing_names(machine)
    moved = [
        head.model_copy(update={"spacing_mm": values.get(name, head.spacing_mm)})
        for name, head in zip(names, machine.playback_heads, strict=True)
    ]
    if tuple(moved) != machine.playback_heads:
        in_order = sorted(moved, key=lambda head: head.spacing_mm)
        changes["playback_heads"] = [head.model_dump(exclude_unset=True) for head in in_order]
    return with_changes(machine, changes)


def _spacing_names(machine: Machine) -> list[str]:
    """The name of the control of each head."""
    count = len(machine.playback_heads)
    return ["spacing_mm"] if count == 1 else [f"spacing_{number}_mm" for number in range(1, count + 1)]


def _spacing_sliders(machine: Machine, reach_mm: tuple[float, float]) -> Iterator[Control]:
    """One for each head, as far as a plan can follow, and the tape that is played."""
    farthest = min(from_si(USUAL_SPACINGS[1], "mm"), 999 * LONGEST * min(machine.speeds))
    if machine.loop_length is not None:
        farthest = min(farthest, from_si(machine.loop_length, "mm") - 1)
    for name, head in zip(_spacing_names(machine), machine.playback_heads, strict=True):
        mm = head.spacing_mm
        label = "head spacing" + name.removeprefix("spacing").removesuffix("_mm").replace("_", " ")
        low, high = min(10.0, max(mm / 2, 1.0)), min(max(150.0, 2 * mm), farthest)
        low, high = min(max(low, reach_mm[0]), mm), max(min(high, reach_mm[1]), mm)
        yield slider(name, label, mm, low=low, high=high, step=0.1, unit="mm")


def _speed_control(machine: Machine) -> Control:
    """A list of the speeds, or a slider within their range that begins in its middle."""
    if machine.speed_range is None:
        speeds = {words.speed(speed, machine.units): speed for speed in machine.speeds}
        return choice("speed", "tape speed", speeds, machine.speeds[0])
    unit, step = ("cm_s", 0.1) if machine.units == "metric" else ("ips", 0.05)
    low, high = (from_si(speed, unit) for speed in machine.speed_range)
    middle = min(max(round((low + high) / 2 / step) * step, low), high)
    sign = words.SIGNS.get(unit, unit)
    name, first = f"speed_{unit}", round(middle, 6)
    return slider(name, "tape speed", first, low=low, high=high, step=step, unit=sign)


def _speed(machine: Machine, values: Mapping[str, Any]) -> float:
    """The speed that its control stands at, never outside the range by a rounding error."""
    if machine.speed_range is None:
        return values["speed"]
    unit = "cm_s" if machine.units == "metric" else "ips"
    low, high = machine.speed_range
    return min(max(to_si(values[f"speed_{unit}"], unit), low), high)


def _around(name: str, label: str, value: float, low: float, high: float) -> Control:
    """A slider of a send, whose ends include where it stands."""
    return slider(name, label, value, low=min(low, value), high=max(high, value), step=0.5, unit="dB")


def workbench_panel(machine: Machine, *, reach_mm: tuple[float, float] = (0.0, np.inf)) -> Panel:
    """Make the panel for one machine: echoes against the beat, tone of the repeats, the plan's figures.

    `reach_mm` is how near and how far heads may stand.
    """
    song, mixer = machine.song, machine.mixer
    bpm = song.bpm or (machine.songs[0].bpm if machine.songs else 90.0)
    notes = [ANY_NOTE, *(note.name for note in tempo.PLAIN_NOTES)]
    notes += [song.note] if song.note and song.note not in notes else []
    full_db = _full_db(machine)

    def update(artists: Artists, **values: Any) -> Answer:
        changed, speed = changed_machine(machine, values), _speed(machine, values)
        one_song = with_changes(changed, {"songs": []}) if changed.songs else changed
        plan = make_plan(one_song, speeds=[speed], tone_of=[one_song.song.wanted_repeats])
        _move(artists, plan, full_db)
        return _say(plan)

    repeats = "repeats" if len(machine.playback_heads) == 1 else "passes"
    return Panel(
        "workbench",
        functools.partial(_build, full_db=full_db, repeats=repeats),
        update,
        *_spacing_sliders(machine, reach_mm),
        _speed_control(machine),
        slider("bpm", "tempo", bpm, low=20.0, high=400.0, step=0.1, unit="bpm"),
        choice("note", "wanted note", dict(zip(notes, notes, strict=True)), song.note or ANY_NOTE),
        slider(
            "wanted_repeats",
            f"wanted {repeats}",
            song.wanted_repeats,
            low=1,
            high=max(20, song.wanted_repeats),
            step=1,
            unit="",
        ),
        _around("input_send_db", "input send", mixer.input_send_db, -20.0, 6.0),
        _around("return_send_db", "return send", mixer.return_send_db, -30.0, 6.0),
        question="Can you get five repeats on the beat with 3 dB to spare?",
        legend="Left: every echo of one short sound; dashed, the beats; squares at the foot, where the "
        f"wanted {repeats} should fall; below the dotted line nothing is heard. In the shaded band the "
        "tape distorts, above it is full: a triangle is an echo that it holds there. Right: what "
        f"{repeats} 1, 2, 4 and 8 keep of each frequency; the lowest line is the last.",
        alt="Two charts: level of each echo over time with the beats as dashed lines and the tape's limit as "
        "a shaded band, and level of repeats 1, 2, 4 and 8 over frequency, each duller than the one before.",
    )


def _full_db(machine: Machine) -> float:
    """The level of the echo of a full tape against the dry sound, from the loudest head; no send moves it.

    At the speed at which the tape is full first.
    """
    heads, dry_dbu = machine.heads_at(machine.speeds[0]), machine.levels.instrument_dbu
    loudest_db = response.loudest(machine.one_pass(machine.speeds[0], pole_shape="flat"))[1]
    heard_db = amplitude_to_db(max(map(abs, heads.gains))) + loudest_db
    full_dbu = min(map(machine.saturation_dbu, machine.speeds))
    return full_dbu - dry_dbu - machine.levels.mixer_gain_db + heard_db


def _build(figure: Figure, profile: style.Profile, *, full_db: float, repeats: str) -> Artists:
    """Draw both charts with fixed limits and name what moves."""
    left, right = figure.subplots(1, 2, width_ratios=(1.15, 1))
    pt, color, frame = profile.line_pt, profile.ground.dry, profile.ground.frame
    top_db = min(max(full_db, 0.0), HIGHEST_DB) + ABOVE_FULL_DB
    style.style_axes(
        left, profile, x="time (s)", y="level against the dry sound (dB)", title="Echoes", grid="y"
    )
    left.set(xlim=(0, SHOWN_SECONDS), ylim=(FAINTEST_DB, top_db))
    left.yaxis.set_major_locator(MultipleLocator(10))
    left.axhspan(
        full_db - FULL_ABOVE_MOL_DB, full_db, facecolor=profile.ground.fill, edgecolor="none", zorder=0.5
    )
    if full_db < top_db:
        left.text(0.05, top_db, "the tape is full", ha="left", va="top")
    style.style_axes(
        right, profile, x="frequency (Hz)", y="level (dB)", title=f"Tone of {repeats} 1, 2, 4, 8"
    )
    style.frequency_axis(right, profile, low=20, high=20_000).set_ylim(*TONE_ENDS_DB)
    right.xaxis.set_major_locator(FixedLocator((20, 100, 1000, 10_000)))
    tones = [
        empty_line(right, profile, k, color=color)
        for k, color in enumerate(style.sequence(profile, len(TONE_REPEATS)))
    ]
    dots = {"color": color, "linestyle": "none", "markersize": 2.5 * pt, "zorder": 3}
    return {
        "beats": left.vlines([], 0, 0, colors=frame, linestyles=(0, (3, 3)), lw=1, zorder=1),
        "heard": left.plot([], [], ":", color=frame, lw=pt / 2, zorder=1)[0],
        "wanted": left.plot([], [], "s", color=frame, fillstyle="none", markersize=2.5 * pt, zorder=2)[0],
        "stems": left.plot([], [], color=color, lw=pt, zorder=2)[0],
        "dots": left.plot([], [], marker="o", **dots)[0],
        "held": left.plot([], [], marker="^", **dots)[0],
        "tones": tones,
    }


def _move(artists: Artists, plan: EchoPlan, full_db: float) -> None:
    """Move the artists to the plan of one machine at one speed."""
    machine, planned, fit = plan.machine, plan.loops[0], plan.tempos[0].fit
    top_db = min(full_db, artists["dots"].axes.get_ylim()[1] - ABOVE_FULL_DB)
    beat = tempo.delay_from_tempo(fit.bpm, 1)
    times, amplitudes = echo_pattern(machine, planned.speed, longest=SHOWN_SECONDS, faintest_db=FAINTEST_DB)
    loudest = np.sort(np.argsort(-np.abs(amplitudes), kind="stable")[:MOST_SHOWN])
    times, amplitudes = times[loudest], np.abs(amplitudes[loudest])
    levels_db = amplitude_to_db(amplitudes) if times.size else amplitudes
    held = levels_db > top_db
    shown_db = np.minimum(levels_db, top_db)
    beats = np.arange(1, int(SHOWN_SECONDS / beat * (1 + 1e-9)) + 1) * beat
    artists["beats"].set_segments([[(beat, FAINTEST_DB), (beat, top_db)] for beat in beats])
    artists["stems"].set_data(*strokes(times, FAINTEST_DB - 9, shown_db))  # joined below the chart
    artists["dots"].set_data(times[~held], shown_db[~held])
    artists["held"].set_data(times[held], shown_db[held])
    faded_db = min(max(planned.first_repeat_db + machine.song.faded_db, FAINTEST_DB), top_db)
    artists["heard"].set_data([0, SHOWN_SECONDS], [faded_db, faded_db])
    wanted = np.arange(1, plan.wanted_repeats + 1) * fit.wanted_delay
    wanted = wanted[wanted <= SHOWN_SECONDS]
    artists["wanted"].set_data(wanted, np.full_like(wanted, FAINTEST_DB + 1.5))
    one_pass, frequency = machine.one_pass(planned.speed), np.geomspace(20, 20_000, 160)
    for line, repeat in zip(artists["tones"], TONE_REPEATS, strict=True):
        line.set_data(frequency, np.maximum(response.repeat_level_db(one_pass, frequency, repeat), -60))


def _say(plan: EchoPlan) -> Answer:
    """The sentence and the table below the picture, of a plan for one speed."""
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
    table: dict[str, object] = {}
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
    """A head by where it stands, as its control shows it."""
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


#: What tape and panel call alike.
_SHARED = ("bpm", "note", "input_send_db", "return_send_db")


def _build_of(setting: Mapping[str, Any]) -> list[tuple[Any, ...]]:
    """What a setting says of the heads that the panel has no control for."""
    return [tuple(value for key, value in head.items() if key != "spacing_mm") for head in setting["heads"]]


def _speed_value(machine: Machine, speed: float) -> dict[str, float]:
    """What the control of the speed stands at for a speed, m/s."""
    if machine.speed_range is None:
        return {"speed": min(machine.speeds, key=lambda known: abs(known - speed))}
    unit = "cm_s" if machine.units == "metric" else "ips"
    low, high = (from_si(end, unit) for end in machine.speed_range)
    return {f"speed_{unit}": min(max(from_si(speed, unit), low), high)}


def _differ(one: Any, other: Any) -> bool:
    """Whether two values of a control are more than a last bit apart."""
    return one != other if isinstance(one, str) else abs(one - other) > 1e-9 * abs(other)


class Workbench:
    """Pick a machine, play it, tap a tempo, move the controls, save machine file and plan.

    `tape` is the playable tape of the present machine, if it can be played, and `panel` its panel: what is
    moved on one moves the other. `widget` is everything, `message` what the last loading, saving or tap
    said. `clock` counts seconds; a tap has the time at which it arrives here.

    >>> Workbench().machine.name
    'Bench deck'
    """

    def __init__(
        self, machine: Machine | None = None, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._clock, self.message = clock, ""
        self._taps: list[float] = []
        self._following = False  # whether tape or panel moves because the other did
        self._tempo = 0.0  # as tapped
        self._told = {what: ipywidgets.HTML() for what in ("load", "tap", "save")}
        self._file = text_field("file", "26em", placeholder="machine.toml")
        self._load = button("load machine", "read this machine file", lambda: self._try("load", self._loaded))
        self._folder = text_field("folder", "26em", value="my plan")
        files = "machine file, page, figures and preview"
        self._save = button("save plan", files, self._save_clicked)
        beat = "click on the beat, or press the space bar: three times or more"
        self._tap = button("tap the tempo", beat, lambda: self._try("tap", self._tapped))
        self._tap_row = row(self._tap, self._told["tap"])
        self._tap_row.layout.margin = "0 0 0 16.6em"  # below the sliders, not below what they are called
        self._played, self._place = ipywidgets.VBox(), ipywidgets.VBox()
        load, save = row(self._file, self._load), row(self._folder, self._save)
        below = [load, self._told["load"], self._place, save, self._told["save"]]
        self._below = ipywidgets.VBox(below)
        self.widget = ipywidgets.VBox([self._played, *below])
        self._show(machine or example_machine())

    @property
    def machine(self) -> Machine:
        """The machine as the controls stand now."""
        return changed_machine(self._machine, self.panel.values)

    def load(self, path: str | os.PathLike[str]) -> None:
        """Read a machine file and show its panel; if it cannot be used the panel stays as it was.

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
        """Show a machine: its tape, unless its heads stand too near to be played, and its panel."""
        tape: Playable | None = None
        try:
            tape = Playable(machine)
        except ValueError as error:
            self._played.children = (ipywidgets.HTML(f"<p>{html.escape(str(error))}</p>"),)
        self._set_panel(machine, tape, range(len(machine.playback_heads)))
        self._file_machine = machine
        if tape is not None:
            tape.observe(lambda _: self._follow_tape(), "setting")
            self._played.children = (tape,)

    def _set_panel(self, machine: Machine, tape: Playable | None, heads: Sequence[int]) -> None:
        """Make the panel of a machine whose heads are these of the tape."""
        reach = (0.0, np.inf) if tape is None else (tape.facts["least_mm"], tape.facts["most_mm"])
        panel = workbench_panel(machine, reach_mm=reach)
        panel.put_below("bpm", self._tap_row)
        panel.on_move = self._moved
        self._machine, self.panel, self.tape, self._heads = machine, panel, tape, heads
        self._build = None if tape is None else _build_of(tape.setting)
        self._told["tap"].value = ""
        self._place.children = (panel.widget,)

    def _moved(self) -> None:
        """Let the tape follow the panel."""
        self._forget()
        if self.tape is not None and not self._following:
            self._following = True
            try:
                self.tape.setting = self._setting(self.tape.setting)
            finally:
                self._following = False

    def _follow_tape(self) -> None:
        """Let the panel follow the tape; what it has no control for makes a new one."""
        if self.tape is None or self._following:
            return
        self._following = True
        try:
            self._take(self.tape.setting)
        except ValueError as error:  # no head is on
            self._tell("load", "alert", f"The plan stays as it was: {error}")
        finally:
            self._following = False

    def _take(self, setting: Mapping[str, Any]) -> None:
        """Move the panel to a setting of the tape."""
        values = self._values(setting)
        controls = self.panel.controls
        if _build_of(setting) != self._build or not all(controls[k].allows(v) for k, v in values.items()):
            wanted = {"song.wanted_repeats": self.panel.values["wanted_repeats"]}
            machine = with_changes(machine_of_setting(self._file_machine, setting), wanted)
            on = [at for at, head in enumerate(setting["heads"]) if head["on"]]
            on.sort(key=lambda at: setting["heads"][at]["spacing_mm"])
            self._set_panel(machine, self.tape, on)
            values = self._values(setting)
        self.panel.set(**values)

    def _values(self, setting: Mapping[str, Any]) -> dict[str, Any]:
        """What the panel's controls stand at when the tape has a setting."""
        spacings = [setting["heads"][at]["spacing_mm"] for at in self._heads]
        values = dict(zip(_spacing_names(self._machine), spacings, strict=True))
        values |= {key: setting[key] for key in _SHARED}
        return values | _speed_value(self._machine, to_si(setting["speed_ips"], "ips"))

    def _setting(self, setting: Mapping[str, Any]) -> dict[str, Any]:
        """A setting of the tape, moved to where the panel's controls stand."""
        values, before = self.panel.values, self._values(setting)
        # A slider in a browser may send its number back with another last bit: that is no move.
        moved = {
            name: value for name, value in values.items() if name in before and _differ(value, before[name])
        }
        names = dict(zip(_spacing_names(self._machine), self._heads, strict=True))
        heads = [dict(head) for head in setting["heads"]]
        for name, at in names.items():
            heads[at]["spacing_mm"] = moved.get(name, heads[at]["spacing_mm"])
        shared = {key: moved[key] for key in _SHARED if key in moved}
        if any(name.startswith("speed") for name in moved):
            shared["speed_ips"] = from_si(_speed(self._machine, values), "ips")
        return {**setting, **shared, "heads": heads}

    def _forget(self) -> None:
        """Take back what was said before the last move; of a tapped tempo while it stands."""
        for what, told in self._told.items():
            # A slider in a browser may send its number back with another last bit.
            if what != "tap" or abs(self.panel.values["bpm"] - self._tempo) > 0.05:
                told.value = ""

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
        self.panel.set(bpm=self._tempo)
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
        return f"Workbench for {self._machine.name}\n{self.panel!r}"

    def _ipython_display_(self) -> None:
        """Show everything live; without a kernel pictures and sentences of tape and panel remain."""
        from IPython.display import display

        if self.tape is not None:
            data, metadata = self.tape._repr_mimebundle_()
            display(data | view(self._played), raw=True, metadata=metadata)
        self.panel.display(self._below if self.tape is not None else self.widget)


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
    "Raise the return send on the panel until the words change, or read the margin in the table.",
    ((None, 0), "A margin above zero means that there is room left; here there is some."),
)
