"""Clips of the loop: repeats that fade, and a loop past its margin."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.path import Path as Outline
from matplotlib.text import Annotation

from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import growth_db_per_s
from tapecalc.calc.quantity import between
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.plot import film
from tapecalc.plot.catalog import CATALOG
from tapecalc.plot.clips.sounds import (
    FULL_SHARE,
    LEAD,
    LONGEST,
    PLAYED,
    RATE,
    RIDE,
    STEP,
    OneHead,
    Part,
    add_at,
    clock_of,
    counted,
    edge_db,
    events_of,
    from_the_back,
    gain_ridden_db,
    glow,
    head_texts,
    level_over_time_db,
    leveled,
    one_head,
    outline,
    ride,
    say,
    since_last,
    together,
    words_of,
)
from tapecalc.plot.clips.wiring import lit_wires, swell
from tapecalc.plot.diagram import LAYOUTS
from tapecalc.plot.heads import song_tempo
from tapecalc.plot.kit import Drawn, minus
from tapecalc.plot.response import NOTE, bright_note, edge_text, heard_repeats
from tapecalc.plot.style import Profile, frequency_text
from tapecalc.plot.wiring import Patch
from tapecalc.sound.render import render
from tapecalc.sound.samples import Array
from tapecalc.words import amount, margin, speed

HIGHEST_DB = max(gain for _, gain in RIDE)
NOTE_DB, NOTE_LASTS, SETS_IN = -12.0, 0.35, 0.003  # of the bright note: peak, share of a delay, s
TRACE, THICKEST = 240, 0.34  # points of what is written, and half of its thickness when the tape is full
FAINTEST_DB = -36.0  # level from a full tape that is not drawn any more
LINE = 1.45  # height of a line of words, in type sizes
#: Settings of a knob, by how many dB the send stands above what the still shows.
KNOB_DB, KNOB = (-30.0, 0.0, 12.0), (0.0, 0.7, 1.0)

# ---- repeats ----


def one_repeat(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show what each repeat has lost while it is heard: of all frequencies, and of the wave of a note.

    One head alone is used, with the machine's sends; where its loop would run away, the return send is
    turned down so that it fades.
    """
    alone = one_head(machine, machine.speeds[0])
    delay = alone.loop.delays[0]
    send_db, quieter_db, number = heard_repeats(machine, alone.loop)
    own = {"one_pass": alone.loop.one_pass, "number": number}
    end, apart = seconds - film.EASE, (number + 1) * delay
    notes = np.linspace(LEAD, end, max(1, int((end - LEAD) / apart)), endpoint=False)
    dry = _bright_notes(notes, seconds, NOTE_LASTS * delay)
    take = render(dry, RATE, replace(alone.settings, return_gain=db_to_amplitude(send_db)), seconds=seconds)
    drawn = CATALOG["one_repeat"].function(**own, profile=profile, units=units)
    shown = _shown_repeats(drawn, profile)

    def update(time: float) -> None:
        since = since_last(notes, time)
        heard = min(int(since / delay + 1e-9), number) if since >= 0 else number
        if time >= seconds:
            heard, since = number, -1.0
        shown.update(heard + glow(since - heard * delay) * film.remaining(time, seconds) * 0.5)

    fast_runaway = ride(alone, song_tempo(machine), max(seconds, 4 * delay))
    sound, level = leveled(take.mix, np.sum(fast_runaway, axis=0))
    at, apart_text = speed(machine.speeds[0], units), amount(delay, "ms")
    names = ["repeat 1", *(f"repeat {n}, {quieter_db:.1f} dB quieter" for n in range(2, number + 1))]
    said = (
        f"Repeats at {at}, {apart_text} apart: each is {quieter_db:.1f} dB quieter than the last, and darker."
    )
    if number == 1:
        said = f"One answer at {at}, {apart_text} after the note."
    if send_db != machine.mixer.return_send_db:
        send = minus(f"{send_db:.1f} dB")
        said += f" A suggestion: the return send at {send}; as it is set the loop runs away."
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back(shown.artists),
        update=update,
        sound=sound,
        level=level,
        events=events_of(seconds, notes, [n * delay for n in range(1, number + 1)], names),
        poster=min(float(notes[0] + number * delay + 0.05), seconds),
        title="Each repeat is quieter and darker",
        caption=f"{alone.words}{said} The note has {frequency_text(NOTE)} and all that is above it.",
        alt=f"{drawn.alt} First the wave of the note as it is played; with every repeat that is heard "
        "the thick line above bends further, the wave below gets rounder, and the number falls.",
        sources=drawn.sources,
    )


def _bright_notes(notes: Array, seconds: float, decay: float) -> Array:
    """Play the note whose wave is drawn, dying away, at some times."""
    sound, time = np.zeros(round(seconds * RATE)), clock_of(6 * decay)
    shape = bright_note(time) * np.exp(-time / decay) * film.eased(time / SETS_IN)
    shape *= db_to_amplitude(NOTE_DB) / np.abs(shape).max()
    for note in notes:
        add_at(sound, note, shape)
    return sound


def _shown_repeats(drawn: Drawn, profile: Profile) -> Part:
    """Both charts at one repeat, 0 for the note, and up to a half more for how strongly it shines."""
    artists, texts = drawn.artists, head_texts(drawn.figure, "number", "means")
    line, wave, names = artists["repeat"], artists["wave"], (artists["name"], artists["name of wave"])
    head = [*texts.values()]
    last, width, color = len(artists["levels"]), line.get_linewidth(), wave.get_color()
    rest, stood = [text.get_text() for text in (*head, *names)], [name.get_position() for name in names]
    (low, high), room = line.axes.get_ylim(), LINE / line.axes.get_window_extent().height
    first = next(text.get_position()[1] for text in line.axes.texts) if last > 1 else 2.0
    room *= names[0].get_fontsize() * drawn.figure.dpi / 72

    def update(state: float) -> None:
        number, shine = int(state), 2 * (state % 1)
        line.set_visible(number > 0)
        wave.set_ydata(artists["waves"][number - 1] if number else artists["played"].get_ydata())
        wave.set_color(color if number else profile.ground.dry)
        for one in (line, wave):
            one.set_linewidth(width * (1 + 0.8 * shine))
        if number:
            line.set_ydata(artists["levels"][number - 1])
            seen = artists["levels"][number - 1]
            end = (float(seen[np.isfinite(seen)][-1]) - low) / (high - low)
            beside = float(np.clip(min(end, first - room), 0, 1))
            names[0].set_position(stood[0] if number == last else (stood[0][0], beside))
        for text, words in zip((*head, *names), rest, strict=True):
            now = words.replace(f"{last}", f"{number}")  # in lines as they are broken
            now = edge_text(artists["tops"][number - 1]) if number and text is head[0] else now
            text.set_text((words if number == last else now) if number else "")

    return Part([line, wave, *names, *head], update)


# ---- beyond the margin ----


class _Ride(NamedTuple):
    """The return send past the margin and back: what is played, the echo, and what happens when."""

    alone: OneHead
    dry: Array
    wet: Array
    level_db: Array  # of the echo, one every `STEP`, from a full tape
    own_db: float  # loop gain as the machine is set
    events: tuple[tuple[float, str], ...]
    back: float  # s, when it is within the margin again
    said: str

    @property
    def seconds(self) -> float:
        """Its length, s."""
        return len(self.dry) / RATE

    def gain_db(self, time: float) -> float:
        """Loop gain at a time in s: as it is ridden, and at the end as the machine is set."""
        back = float(film.eased((time - self.seconds + film.EASE) / film.EASE))
        return (1 - back) * float(gain_ridden_db(time, self.seconds)) + back * self.own_db

    def share(self, time: float, level_db: Array | None = None) -> float:
        """How full the tape is at a time in s, from nothing, 0, on a scale of dB."""
        level_db = self.level_db if level_db is None else level_db
        clock = np.arange(len(level_db)) * STEP
        return float(_shown(np.interp(time, clock, level_db)) * film.remaining(time, self.seconds))


def _shown(level_db: Any) -> Any:
    """How large a level is drawn, from `FAINTEST_DB` to that of a full tape."""
    return np.clip(1 - level_db / FAINTEST_DB, 0, 1)


def _ride(machine: Machine, units: str, seconds: float) -> _Ride:
    """Ride the return send of the first head that goes back; the tape's limit keeps the sound in bounds."""
    alone = one_head(machine, machine.speeds[0])
    delay = alone.loop.delays[0]
    between("seconds", seconds, 4 * delay, LONGEST, "s")
    dry, wet = ride(alone, song_tempo(machine), seconds)
    level_db = level_over_time_db(wet) - amplitude_to_db(alone.settings.saturation)
    clock = np.arange(len(level_db)) * STEP
    past, back = (round(float(clock[gain_ridden_db(clock, seconds) > 0][k]), 4) for k in (0, -1))
    growth = growth_db_per_s(delay, HIGHEST_DB)
    filled = _filled(level_db, past, back, delay, growth)
    events = [(LEAD, "phrase"), (PLAYED * seconds, "nobody plays any more")]
    events += [(past, "past the margin: the echo grows"), (back, "back within the margin: it dies away")]
    events += [(time, "the tape is full") for time in filled]
    held = "until the tape is full" if filled else "and does not fill the tape"
    said = (
        f"{alone.words}A loop past its margin, {speed(machine.speeds[0], units)} and {amount(delay, 'ms')}. "
        f"At a loop gain of {HIGHEST_DB:.0f} dB it grows by {growth:.0f} dB each second {held}; the return "
        "send, turned down in time, ends it."
    )
    own_db = machine.mixer.return_send_db - edge_db(alone.loop)
    return _Ride(alone, dry, wet, level_db, own_db, tuple(sorted(events)), back, said)


def _filled(level_db: Array, past: float, back: float, delay: float, growth: float) -> tuple[float, ...]:
    """When a level that grows from `past` on has come to its limit, if it has by `back`; times in s.

    Without a limit it would grow by so many dB a second. It is compared with itself a whole number of
    delays before, for it swells with each.
    """
    apart = delay * max(1, round(0.5 / delay))
    before, last = np.interp([back - apart, back], np.arange(len(level_db)) * STEP, level_db)
    if last - before > FULL_SHARE * growth * apart:
        return ()
    first = int(past / STEP)
    return (STEP * (first + int(np.argmax(level_db[first:] > last - 1))),)


def _margin_now(texts: Mapping[str, Any], gain_db: float) -> None:
    """Write how far a loop gain is from its limit in the place of the number."""
    means = "until it runs away" if gain_db < 0 else "past the edge: it grows"
    say(texts, {"number": margin(-gain_db, at_least=True), "means": means})


def runaway_frequency(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show how a loop starts at its loudest tone when the return send is turned up, and is stopped.

    Margin after Nyquist 1932 (from memory).
    """
    rides = _ride(machine, units, seconds)
    own = CATALOG["runaway_frequency"].arguments(machine)
    if len(machine.spacings) > 1:
        heads: Heads = replace(rides.alone.loop.heads, feeds_return=(True,))
        own |= {name: replace(own[name], heads=heads) for name in ("loop", "likely") if own[name]}
    drawn = CATALOG["runaway_frequency"].function(**own, profile=profile)
    shown = _lifted_gain(drawn, rides)
    sound, level = leveled(rides.dry + rides.wet)
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back(shown.artists),
        update=shown.update,
        sound=sound,
        level=level,
        events=rides.events,
        poster=rides.back,
        title="Past 0 dB the echo feeds itself",
        caption=rides.said,
        alt=f"{drawn.alt} The curve is lifted past the limit and stays there, though nobody plays: the "
        "dot at the tone that "
        "comes first swells with the echo, which grows until the curve is pulled down.",
        sources=(
            *drawn.sources,
            "growth is loop gain over delay",
            "the tape's limit: S tanh(x / S), our model",
        ),
    )


def _lifted_gain(drawn: Drawn, rides: _Ride) -> Part:
    """The curve of the loop gain, moved up and down, and its first tone, that swells with the echo."""
    artists, axes = drawn.artists, drawn.artists["gain"].axes
    lines = [artists[name] for name in ("gain", "likely", "margin", "start") if name in artists]
    rest = [np.array(line.get_ydata(), dtype=float) for line in lines]
    names = [text for text in axes.texts if isinstance(text, Annotation) and text.anncoords is axes.transAxes]
    names = names[:-1]  # that of the limit stays
    above = [text for text in axes.texts if isinstance(text, Annotation) and text not in names]
    stood = [(name.get_position(), name.xy) for name in names]
    texts = head_texts(drawn.figure, "number", "means")
    words = words_of(texts)
    size = artists["start"].get_markersize() if "start" in artists else 0.0
    low, high = axes.get_ylim()
    pixel = (high - low) / axes.bbox.height  # words move by whole ones: so they look the same

    def update(time: float) -> None:
        over = time >= rides.seconds
        lift = 0.0 if over else rides.gain_db(time) - rides.own_db
        for line, there in zip(lines, rest, strict=True):
            moved = there + lift
            if line is artists.get("margin"):
                moved[1] = there[1]
            line.set_ydata(moved)
        lift = pixel * round(lift / pixel)
        for name, ((x, y), end) in zip(names, stood, strict=True):
            name.set_position((x, y + lift / (high - low)))
            name.xy = (end[0], end[1] + lift)
            name.set_visible(0 <= y + lift / (high - low) <= 1)
        if size:
            artists["start"].set_markersize(size * (1 if over else 1 + rides.share(time)))
            artists["start"].set(clip_on=False, visible=float(artists["start"].get_ydata()[0]) > low)
        if over:
            say(texts, words)
        else:
            _margin_now(texts, rides.gain_db(counted(time)))

    return Part([*lines, artists["limit"], *names, *above, *texts.values()], update)  # which they cross


def loop_diagram(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show in its own wiring how a loop runs away when its return send is turned up, and is stopped.

    Wires carry at once, so they swell with what is on them; the tape takes the delay from head to head, and
    what is written rides on it, the thicker the louder, until the ribbon is full.
    """
    if not any(machine.heads_at(machine.speeds[0]).return_gains):
        raise ValueError(
            f"clip 'loop_diagram' needs a head that feeds the return, which {machine.name!r} has not"
        )
    rides = _ride(machine, units, seconds)
    own_arguments = CATALOG["loop_diagram"].arguments(machine)
    drawn = CATALOG["loop_diagram"].function(**own_arguments, profile=profile, units=units)
    axes, patch = (
        drawn.figure.axes[0],
        LAYOUTS["split" if any(x[0] == "outside" for x in drawn.artists) else "loop"],
    )
    shown = together(
        _written(axes, drawn, rides, profile),
        _hand(drawn, rides, machine),
        _swelling(axes, drawn, rides, patch, profile),
    )
    sound, level = leveled(rides.dry + rides.wet)
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back(shown.artists),
        update=shown.update,
        sound=sound,
        level=level,
        events=rides.events,
        poster=rides.back,
        title="Turned up, the loop feeds itself",
        caption=f"{rides.said} Wires carry at once, the tape takes its time.",
        alt=f"{drawn.alt} Wires swell with what they carry, and what is written rides on the tape from "
        "head to head. The "
        "knob of the return send turns up; though nobody plays, the trace on the tape grows thicker with "
        "every round until the knob is turned down.",
        sources=(
            *drawn.sources,
            "growth is loop gain over delay",
            "the tape's limit: S tanh(x / S), our model",
        ),
    )


def _written(axes: Axes, drawn: Drawn, rides: _Ride, profile: Profile) -> Part:
    """What is written on the tape, riding from the record head to the playback head."""
    bench, clock = drawn.artists["bench"], clock_of(rides.seconds)
    send_db = gain_ridden_db(clock, rides.seconds) + edge_db(rides.alone.loop)
    bus = rides.dry + db_to_amplitude(send_db) * rides.wet
    level_db = level_over_time_db(bus) - amplitude_to_db(rides.alone.settings.saturation)
    along = np.linspace(bench.spot("record")[0], bench.spot("playback")[0], TRACE)
    ages, row = np.linspace(0, rides.alone.loop.delays[0], TRACE), bench.at(bench.tape[1:])[1]
    trace, times = outline(axes, profile.ground.echo, zorder=2.6), np.arange(len(level_db)) * STEP

    def update(time: float) -> None:
        level = np.interp(time - ages, times, level_db, left=FAINTEST_DB)
        half = THICKEST * _shown(level) * film.remaining(time, rides.seconds)
        edge = np.concatenate(
            [np.column_stack([along, row + half]), np.column_stack([along, row - half])[::-1]]
        )
        trace.set_xy(edge)
        trace.set_visible(time < rides.seconds)

    return Part([trace], update)


def _hand(drawn: Drawn, rides: _Ride, machine: Machine) -> Part:
    """The hand on the return send: its knob, its label, and the margin that it leaves."""
    artists, bench = drawn.artists, drawn.artists["bench"]
    knob, label = artists["pointers"]["return send"], artists["labels"][1]
    path, said = knob.get_path(), label.get_text()
    name, texts = said.rpartition("\n")[0], head_texts(drawn.figure, "number", "means")
    words = words_of(texts)

    def update(time: float) -> None:
        more_db, told_db = (rides.gain_db(at) - rides.own_db for at in (time, counted(time)))
        if time >= rides.seconds:
            knob.set_path(path)
            label.set_text(said)
            say(texts, words)
            return
        knob.set_path(Outline(bench.pointer("return send", float(np.interp(more_db, KNOB_DB, KNOB)))))
        label.set_text(minus(f"{name}\n{machine.mixer.return_send_db + told_db:.0f} dB"))
        _margin_now(texts, told_db + rides.own_db)

    return Part([knob, label, *texts.values()], update)


def _swelling(axes: Axes, drawn: Drawn, rides: _Ride, patch: Patch, profile: Profile) -> Part:
    """Wires that swell with what they carry: the voice, the echo, or the louder of both."""
    lit = lit_wires(axes, drawn.artists, patch, profile)
    voice_db = level_over_time_db(rides.dry) - amplitude_to_db(rides.alone.settings.saturation)
    colors = [profile.ground.role(role) for role in ("dry", "echo")]

    def update(time: float) -> None:
        voice, echo = rides.share(time, voice_db), rides.share(time)
        for ends, wire in lit.items():
            role = patch.wires[ends][0]
            levels = (0.0 if role == "echo" else voice, 0.0 if role == "dry" else echo)
            wire.set_edgecolor(colors[int(levels[1] > levels[0])])
            swell(wire, drawn.artists[ends].get_linewidth(), max(levels) if time < rides.seconds else 0.0)

    return Part([*lit.values()], update)
