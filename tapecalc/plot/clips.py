"""The catalog of clips: short films in which a machine's echo is seen and heard at once.

Each clip is one function of a machine that returns a `film.Scene`. Its sound is what the engine
renders; its picture is computed from the calculators, so that both agreeing is a test of both.
`CLIPS` lists them by name, `make_scene` makes one, and `write_clip` writes it to a file.

A clip is as loud as a program on air. Two of them teach a level, `fading_repeats` and `past_the_margin`:
in both the note stands at the same level, for one gain serves both, that which brings the runaway of
the machine to the loudness of the other clips. So it is no louder than they are, and repeats fade below it.

No clip flashes: what lights up is small, and fades.
"""

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.ticker import MaxNLocator

from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop, growth_db_per_s, repeats_heard, stability
from tapecalc.calc.quantity import between, known_name, single, whole
from tapecalc.calc.response import loudest, repeat_level_db
from tapecalc.calc.tempo import beats_from_delay, delay_from_tempo
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.machine import Machine, example_machine
from tapecalc.plot import film, style
from tapecalc.plot.heads import head_rhythm as head_rhythm_chart
from tapecalc.plot.heads import own_heads, rhythm_of, said_of_heads, song_tempo
from tapecalc.plot.kit import Drawn, minus
from tapecalc.plot.response import audible
from tapecalc.plot.style import Profile
from tapecalc.plot.transport import tape_path
from tapecalc.sound.engine import EchoSettings
from tapecalc.sound.files import StrPath
from tapecalc.sound.loudness import PROGRAM_LUFS, TWICE_DB, loudness_lufs, program_gain_db
from tapecalc.sound.render import echo_settings, render, without_stages
from tapecalc.sound.samples import Array
from tapecalc.sound.signals import note_frequency, phrase, pluck
from tapecalc.words import UNIT_SYSTEMS, amount, length, listed, speed

RATE = 48000
PITCHES = (50, 57, 53, 55)  # of the notes, MIDI note numbers
LEAD = 0.3  # s before the first note: players swallow the start of a sound
SHORTEST, LONGEST = 1.0, 120.0  # s, without the holds
STEP = 0.002  # s from one point of an envelope to the next
GLOW = 0.25  # s in which what lit up fades
FLOOR_DB = -60.0  # where level axes end
LEVEL_WINDOW = 0.05  # s over which a level is taken
FULL_SHARE = 0.25  # of its growth: a loop that grows by less has filled its tape
LOUDNESS_STEP = 1.0  # LU off the aim that must be explained
MOST_REPEATS = 12  # that are shown to fade
#: How the return send is ridden: (share of the clip, loop gain in dB). Down in time, as on the night.
RIDE = ((0.0, -9.0), (0.12, -9.0), (0.42, 3.0), (0.78, 3.0), (0.82, -24.0), (1.0, -24.0))
PLAYED = 0.3  # share of that clip after which nobody plays any more


# ---- sounds ----


def _even(machine: Machine, tape_speed: float) -> EchoSettings:
    """The machine at a speed, without wobble and hiss, so that a note can be seen where it is heard."""
    return without_stages(echo_settings(machine, tape_speed), ["flutter", "hiss"])


class _OneHead(NamedTuple):
    """The even machine with one head alone: the first that feeds the return, or the first of all."""

    settings: EchoSettings
    loop: EchoLoop
    words: str  # which of several heads it is


def _one_head(machine: Machine, tape_speed: float) -> _OneHead:
    settings, own = _even(machine, tape_speed), machine.heads_at(tape_speed)
    k = next((k for k, gain in enumerate(own.return_gains) if gain), 0)
    alone = Heads(spacings=(own.spacings[k],), gains=(own.gains[k],), feeds_return=(own.feeds_return[k],))
    words = f"Head {k + 1} alone, of {len(own.spacings)}. " if len(own.spacings) > 1 else ""
    return _OneHead(
        replace(settings, heads=alone), replace(machine.echo_loop(tape_speed), heads=alone), words
    )


def _notes(times: Array, seconds: float, *, decay: float = 0.4, pitches: tuple[int, ...] = PITCHES) -> Array:
    """Pluck the string at some times, in a row of pitches."""
    sound = np.zeros(round(seconds * RATE))
    for number, (time, note) in enumerate(zip(times, itertools.cycle(pitches), strict=False)):
        rest = sound[round(time * RATE) :]
        if len(rest) > 0.05 * RATE:
            lasting = min(len(rest) / RATE, 2 * decay)
            string = pluck(note_frequency(note), lasting, decay=decay, seed=number, level_db=-12)
            rest[: len(string)] += string
    return sound


def _with_phrase(sound: Array, start: float, bpm: float) -> Array:
    """Add the phrase, over and over, from a time on."""
    bar, end = 4 * delay_from_tempo(bpm, 1), len(sound) / RATE
    for begin in np.arange(start, end - 0.1, bar):
        rest = sound[round(begin * RATE) :]
        played = phrase(RATE, bpm=bpm, seconds=min(end - begin, bar + 1.0), level_db=-12)[: len(rest)]
        rest[: len(played)] += played
    return sound


def _until(sound: Array, end: float) -> Array:
    """Stop playing at a time in s, within 50 ms."""
    return sound * np.clip((end - np.arange(len(sound)) / RATE) / 0.05, 0, 1)


def _leveled(sound: Array, runaway: Array | None = None) -> tuple[Array, str]:
    """Bring a sound to the loudness of a program, or turn it as much as the runaway; and how loud it is."""
    loudest = sound if runaway is None else runaway
    gain = db_to_amplitude(program_gain_db(film.held_sound(loudest, RATE), RATE))
    lufs = loudness_lufs(film.held_sound(gain * sound, RATE), RATE) + TWICE_DB  # in both channels of a file
    said = f"Sound at {lufs:.1f} LUFS"
    if abs(lufs - PROGRAM_LUFS) > LOUDNESS_STEP:
        with_runaway = "turned as `past_the_margin` is, to compare levels"
        said += f": {'its peaks allow no more' if runaway is None else with_runaway}"
    return gain * sound, minus(f"{said}.")


def _with_moving_send(dry: Array, settings: EchoSettings, send: Array) -> Array:
    """Play a sound through one head while a hand moves the return send; the sound of the head."""
    delay = settings.heads.spacings[0] / settings.motion.speed
    once = without_stages(settings, ["feedback"])
    step = max(round((delay - 0.01) * RATE), RATE // 500)  # what is heard meanwhile is on the tape already
    memory = round((delay + 0.1) * RATE)  # of the filters, and of the way between the heads
    bus, wet = np.zeros(len(dry)), np.zeros(len(dry))
    for stop in range(step, len(dry), step):
        now, first = slice(stop - step, stop), max(0, stop - memory)
        bus[now] = dry[now] + send[now] * wet[now]
        window = np.concatenate([bus[first:stop], np.zeros(min(step, len(dry) - stop))])
        wet[stop : stop + step] = render(window, RATE, once).wet[stop - first : len(window)]
    return wet


def _envelope(sound: Array, seconds: float) -> Array:
    """Peaks of a sound, one every `STEP`, from 0 to 1, quiet ones lifted for the eye."""
    edges = np.linspace(0, len(sound), round(seconds / STEP), endpoint=False).astype(int)
    peaks = np.maximum.reduceat(np.abs(sound), edges)
    return np.sqrt(peaks / max(peaks.max(), 1e-12))


def _level_db(sound: Array) -> Array:
    """Level of a sound, one every `STEP`, as the peak of a tone of its power."""
    window = round(LEVEL_WINDOW * RATE)
    power = np.cumsum(np.concatenate([np.zeros(window), 2 * sound**2]))
    mean = (power[window:] - power[:-window]) / window
    return amplitude_to_db(np.sqrt(mean[:: round(STEP * RATE)]) + 1e-9).clip(min=FLOOR_DB - 20)


def _glow(age: float) -> float:
    """How strongly something shines that happened `age` ago, from 1 down to 0; 0 before it happens."""
    return 0.0 if age < 0 else max(1 - age / GLOW, 0.0)


def _since(notes: Array, time: float) -> float:
    """How long ago the last note was struck, below 0 before the first."""
    struck = notes[notes <= time]
    return time - struck[-1] if struck.size else -1.0


def _whole(notes: Array, lasting: float, seconds: float) -> Array:
    """The notes that are done, `lasting` s after they begin, before the clip dies away; never none."""
    return notes[: max(1, int(np.sum(notes + lasting + film.EASE <= seconds)))]


def _events(
    seconds: float, notes: Array, delays: Sequence[float] | Array, names: Sequence[str], *, note: str = "note"
) -> tuple[tuple[float, str], ...]:
    """The notes and, a delay later each, what is heard of them under its name, in order of time."""
    heard = [(0.0, note), *zip(delays, names, strict=True)]
    return tuple(sorted((float(note + d), name) for note in notes for d, name in heard if note + d < seconds))


# ---- the tape's way ----


def _tape_travel(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show sound on its way: written at the record head, carried along, and heard again."""
    settings, bpm = _even(machine, min(machine.speeds)), song_tempo(machine)
    tape_speed, spacings = settings.motion.speed, machine.spacings
    delays = np.array(machine.delays(tape_speed))
    notes = _whole(LEAD + delay_from_tempo(bpm, 2) * np.arange(2), delays.max(), seconds)
    dry = _notes(notes, seconds)
    events = _events(seconds, notes, delays, ["echo"] * len(delays))
    phrase_at, until = LEAD + delay_from_tempo(bpm, 4), seconds - 2 * film.EASE - delays.max()
    if phrase_at < until - 0.2:
        dry = _until(_with_phrase(dry, phrase_at, bpm), until)  # its end is heard, and leaves the tape
        events += _events(seconds, np.array([phrase_at]), delays, ["its echo"] * len(delays), note="phrase")
    take = render(dry, RATE, without_stages(settings, ["feedback"]), seconds=seconds)
    written, heard = _envelope(dry, seconds), _envelope(take.wet, seconds)
    on_reels = machine.loop_length is None
    # Else there is room for the path alone.
    with_rows = len(spacings) == 1 and on_reels and not profile.portrait
    with style.context(profile):
        figure = style.new_figure(profile)
        figure.set_layout_engine("none")
        rows, bottom = _rows(figure, profile, (written, heard)) if with_rows else (_STILL, profile.floor)
        top = figure.add_axes((profile.safe, bottom, 1 - 2 * profile.safe, 1 - profile.safe - bottom))
        own: dict[str, Any] = {"layout": own_heads(machine, tape_speed), "erases": machine.erases}
        own |= {"loop_length": machine.loop_length, "speed": tape_speed, "delays": delays}
        path = tape_path(**own, units=units, profile=profile, axes=top)
        tape = _lit_tape(top, path.artists, machine, tape_speed, written, profile.ground.echo)

    def update(time: float) -> None:
        tape.update(time)
        rows.update(time)

    sound, level = _leveled(take.mix)
    took = listed(f"{amount(t, 'ms')} over {length(d, units)}" for d, t in zip(spacings, delays, strict=True))
    return film.Scene(
        figure=figure,
        moving=(*tape.artists, *rows.artists),
        update=update,
        sound=sound,
        sample_rate=RATE,
        level=level,
        events=tuple(sorted(events)),
        poster=float(notes[0] + 0.6 * delays[0]),  # written, not yet heard
        title="The tape carries sound from head to head",
        caption=f"Sound on its way. At {speed(tape_speed, units)} the tape takes {took}: "
        "so much later it is heard again.",
        alt="Sketch of a tape passing a record and a playback head. Each note lights up the record head, "
        "rides along the tape as a hump, and lights up the playback head when it is heard again."
        + (" Below, two strips over time in s: what is played, and the echo, later." if with_rows else ""),
        sources=("T = d / v, from the motion",),
    )


class _Part(NamedTuple):
    """A part of the picture: its artists, and what moves them to where they are at a time in s."""

    artists: list[Artist]
    update: Callable[[float], None]


_STILL = _Part([], lambda _: None)


def _lit_tape(
    axes: Axes, drawn: Mapping[str, Any], machine: Machine, tape_speed: float, written: Array, color: str
) -> _Part:
    """Sound that rides along the drawn tape, and heads that light up when they write it and play it."""
    boxes = [
        Rectangle(b.get_xy(), b.get_width(), b.get_height(), color=color, zorder=6)
        for b in (drawn["record"], *drawn["playback"])
    ]
    for box in boxes:
        axes.add_patch(box)
    pattern, way = _pattern(axes, color, zorder=1.4), drawn["way"]
    along = np.linspace(0, drawn["ridden"], 1200)
    line = np.column_stack([np.interp(along, way[:, 0], way[:, k]) for k in (1, 2)])
    going = np.gradient(line, axis=0)
    away = np.column_stack([going[:, 1], -going[:, 0]]) / np.hypot(*going.T)[:, None]  # from the heads
    delays = (0.0, *machine.delays(tape_speed))
    beyond = delays[-1] + max(0.0, along[-1] - machine.spacings[-1]) / tape_speed
    ages = np.interp(along, [0, *machine.spacings, max(along[-1], machine.spacings[-1])], [*delays, beyond])
    gains = (1.0, *(min(1.0, abs(gain)) for gain in machine.heads_at(tape_speed).gains))
    most = 1.5 if machine.loop_length is None else 0.55  # as far as there is room
    clock = np.arange(len(written)) * STEP

    def level(time: Any) -> Any:
        return np.interp(time, clock, written, left=0, right=0)

    def update(time: float) -> None:
        ridge = line + (most * level(time - ages))[:, None] * away
        pattern.set_xy(np.concatenate([ridge, line[::-1]]))
        for box, delay, gain in zip(boxes, delays, gains, strict=True):
            box.set_alpha(gain * float(level(time - delay) * film.remaining(time, len(written) * STEP)))

    return _Part([pattern, *boxes], update)


def _rows(figure: Figure, profile: Profile, envelopes: tuple[Array, Array]) -> tuple[_Part, float]:
    """Two rows of sound over time, shown up to now, and how far up the figure they reach."""
    wide, high = profile.width_in * 72 / profile.text_pt, profile.height_in * 72 / profile.text_pt
    left, right = profile.safe + 5.4 / wide, 1 - profile.safe - 0.8 / wide
    low, height = profile.floor + 3.4 / high, 0.26 * (1 - profile.floor - profile.safe)
    axes = figure.add_axes((left, low, right - left, height))
    style.style_axes(axes, profile, x="time (s)", grid="x")
    axes.set(xlim=(0, len(envelopes[0]) * STEP), ylim=(-0.5, 1.5), yticks=(1, 0))
    axes.set_yticklabels(["played", "echo"])
    axes.tick_params(axis="y", length=0)
    _time_ticks(axes, profile)
    look: Any = {"linewidth": profile.line_pt / 2, "color": profile.ground.text}
    rows = [(_pattern(axes, profile.ground.echo), axes.axvline(0, **look)) for _ in envelopes]

    def update(time: float) -> None:
        shown = _shown(time, len(envelopes[0]))
        along = np.arange(shown) * STEP
        for (pattern, now), middle, envelope in zip(rows, (1, 0), envelopes, strict=True):
            half = 0.42 * envelope[:shown]
            there, back = (along, middle + half), (along[::-1], (middle - half)[::-1])
            pattern.set_xy(np.concatenate([there, back], axis=1).T)
            now.set_xdata([time, time])

    return _Part([artist for row in rows for artist in row], update), low + height + 0.8 / high


def _shown(time: float, count: int) -> int:
    """How many of the points of an envelope are shown at a time in s."""
    return max(2, min(count, int(time / STEP)))


def _pattern(axes: Axes, color: str, zorder: float = 1) -> Polygon:
    """A filled outline without points as yet."""
    pattern = Polygon(np.zeros((2, 2)), facecolor=color, linewidth=0, zorder=zorder)
    axes.add_patch(pattern)
    return pattern


def _time_ticks(axes: Axes, profile: Profile) -> None:
    axes.xaxis.set_major_locator(MaxNLocator(5 if profile.narrow else 10, steps=(1, 2, 5, 10)))


# ---- repeats ----


def _fading_repeats(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show how each repeat is quieter and darker than the one before, while it is heard.

    One head alone is used, with the machine's sends; where its loop would run away, the return send is
    turned down so that it fades.
    """
    settings, likely, words = _one_head(machine, min(machine.speeds))
    loop = replace(likely, one_pass=replace(likely.one_pass, pole_shape="flat"))  # as the plan counts repeats
    delay, loud_db = loop.delays[0], loudest(loop.one_pass)[1]
    gain_db, send_db = -stability(loop, count_modes=False).bound_db, machine.mixer.return_send_db
    suggested = gain_db >= 0 or not stability(likely, count_modes=False).stable
    if suggested:  # in the middle of what gives the wanted repeats
        wanted_db = machine.song.faded_db / (machine.song.wanted_repeats - 0.5)
        send_db, gain_db = send_db + wanted_db - gain_db, wanted_db
    heard = repeats_heard(gain_db, max(machine.song.faded_db, FLOOR_DB + 3))
    numbers = range(1, int(min(heard, MOST_REPEATS)) + 1)
    notes_apart = (numbers[-1] + 1) * delay  # so that all repeats have their time
    end = seconds - film.EASE
    notes = np.linspace(LEAD, end, max(1, int((end - LEAD) / notes_apart)), endpoint=False)
    dry = _notes(notes, seconds, decay=min(0.5, 1.2 * delay), pitches=PITCHES[:2])
    take = render(dry, RATE, replace(settings, return_gain=db_to_amplitude(send_db)), seconds=seconds)
    frequency = audible(loop.one_pass.today, loop.one_pass.speed)
    once_db = gain_db - loud_db  # of sends and head, without the response
    curves = [repeat_level_db(loop.one_pass, frequency, n) - loud_db + (n - 1) * once_db for n in numbers]
    note_db = -float(amplitude_to_db(abs(loop.input_gain * loop.heads.gains[0]))) - loud_db
    title = "A suggestion: the send turned down" if suggested else "Each repeat is quieter and darker"
    figure, moving, show = _draw_fading(frequency, curves, note_db, title, profile)

    def update(time: float) -> None:
        since = _since(notes, time)
        heard = min(int(since / delay + 1e-9), len(numbers)) if since >= 0 else -1
        show(heard, _glow(since - heard * delay) * film.remaining(time, seconds))

    fast = _one_head(machine, machine.speeds[0])
    runaway = _runaway(fast, song_tempo(machine), max(seconds, 4 * fast.loop.delays[0]))
    sound, level = _leveled(take.mix, np.sum(runaway, axis=0))
    at, apart = speed(settings.motion.speed, units), amount(delay, "ms")
    names = ["repeat 1", *(f"repeat {n}, {-gain_db:.1f} dB quieter" for n in numbers[1:])]
    said = (
        f"{words}Repeats at {at}, {apart} apart: each is {-gain_db:.1f} dB quieter than the last, and darker."
    )
    if len(numbers) == 1:
        said = f"{words}One answer at {at}, {apart} after the note."
    if suggested:
        send = minus(f"{send_db:.1f} dB")
        said += f" A suggestion: the return send at {send}; as it is set the loop runs away."
    return film.Scene(
        figure=figure,
        moving=moving,
        update=update,
        sound=sound,
        sample_rate=RATE,
        level=level,
        events=_events(seconds, notes, [n * delay for n in numbers], names),
        poster=min(float(notes[0] + numbers[-1] * delay + 0.05), seconds),
        title=title,
        caption=said,
        alt="Line chart of level in dB over frequency in Hz, against the first repeat. With every "
        "repeat that is heard a thick line steps down and bends further at its treble end; the lines before "
        "it stay as thin traces. A dashed line is the note.",
        sources=("a repeat goes once more through the response of a pass", "its losses as in `response`"),
    )


def _draw_fading(
    frequency: Array, curves: list[Array], note_db: float, title: str, profile: Profile
) -> tuple[Figure, tuple[Artist, ...], Callable[[int, float], None]]:
    """The chart, a thin line for each repeat and a thick one for that which is heard, and what shows them."""
    with style.context(profile):
        figure = style.new_figure(profile)
        axes = figure.add_subplot()
        style.frequency_axis(axes, profile, low=20, high=20e3)
        style.style_axes(axes, profile, x="frequency (Hz)", y="level (dB)", title=title)
        axes.set(ylim=(FLOOR_DB, max(6, 3 + note_db)))
        ground, width = profile.ground, profile.line_pt
        trace = style.line_style(profile, 0) | {"linestyle": "-", "linewidth": width / 2.5}
        thick = style.line_style(profile, 1) | {"linestyle": "-", "zorder": 4}
        look: Any = {"color": ground.text, "linewidth": width, "linestyle": (0, (4, 2)), "zorder": 3}
        words: Any = {"va": "center", "fontsize": profile.text_pt, "color": ground.text}
        ghosts = [axes.plot(frequency, curve, **trace)[0] for curve in curves]
        repeat = axes.plot(frequency, curves[0], **thick)[0]
        note = axes.axhline(note_db, **look)
        name = axes.text(1.02, 0, f"repeat {len(curves)}", transform=axes.get_yaxis_transform(), **words)
        style.fix_layout(figure)

    def show(heard: int, shine: float) -> None:
        for n, ghost in enumerate(ghosts, 1):
            ghost.set_visible(n < heard)
        note.set_alpha(0.35 + 0.65 * (shine if heard == 0 else 0))
        repeat.set_visible(heard > 0)
        if heard > 0:
            repeat.set_ydata(curves[heard - 1])
            repeat.set_linewidth(width * (1.4 + 1.4 * shine))
        name.set_text({-1: "", 0: "note"}.get(heard, f"repeat {heard}"))
        name.set_y(float(curves[heard - 1].max()) if heard > 0 else note_db)

    return figure, (*ghosts, note, repeat, name), show


# ---- beyond the margin ----


def _runaway(alone: _OneHead, bpm: float, seconds: float) -> tuple[Array, Array]:
    """Ride the return send of one head past its margin and back: what is played, and the echo."""
    settings = replace(alone.settings, input_gain=1.0)  # the hand on the send makes the level
    heads = replace(alone.loop.heads, feeds_return=(True,))
    margin_db = stability(replace(alone.loop, return_gain=1.0, heads=heads)).margin_db
    dry = _until(_with_phrase(np.zeros(round(seconds * RATE)), LEAD, bpm), PLAYED * seconds)
    send_db = _ridden(np.arange(len(dry)) / RATE, seconds) + margin_db
    return dry, _with_moving_send(dry, settings, db_to_amplitude(send_db))


def _ridden(time: Any, seconds: float) -> Any:
    """The loop gain in dB at times in s."""
    shares, gains = np.transpose(RIDE)
    return np.interp(time, seconds * shares, gains)


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


def _past_the_margin(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show a loop whose return send is turned up past its margin, and down again.

    The tape cannot hold more than it can: its limit keeps the sound in bounds. Margin after Nyquist 1932
    (from memory).
    """
    alone = _one_head(machine, machine.speeds[0])
    settings, delay = alone.settings, alone.loop.delays[0]
    between("seconds", seconds, 4 * delay, LONGEST, "s")
    dry, wet = _runaway(alone, song_tempo(machine), seconds)
    level_db = _level_db(wet) - amplitude_to_db(settings.saturation)
    clock = np.arange(len(level_db)) * STEP
    gain_db = _ridden(clock, seconds)
    past, back = (round(float(clock[gain_db > 0][k]), 4) for k in (0, -1))
    growth, most_db = growth_db_per_s(delay, max(gain_db)), max(gain_db)
    filled = _filled(level_db, past, back, delay, growth)
    figure, lines, dots = _draw_margin(past, back, profile, seconds)

    def update(time: float) -> None:
        shown = _shown(time, len(level_db))
        for line, dot, height in zip(lines, dots, (level_db, gain_db), strict=True):
            line.set_data(clock[:shown], height[:shown])
            dot.set_data([clock[shown - 1]], [height[shown - 1]])

    sound, level = _leveled(dry + wet)
    held = "levels off where the tape is full" if filled else "stays below what the tape can hold"
    events = [(LEAD, "phrase"), (PLAYED * seconds, "nobody plays any more")]
    events += [(past, "past the margin: the echo grows"), (back, "back within the margin: it dies away")]
    events += [(time, "the tape is full") for time in filled]
    return film.Scene(
        figure=figure,
        moving=(*lines, *dots),
        update=update,
        sound=sound,
        sample_rate=RATE,
        level=level,
        events=tuple(sorted(events)),
        poster=back,
        title="Past 0 dB the echo feeds itself",
        caption=f"{alone.words}A loop past its margin, {speed(settings.motion.speed, units)} and "
        f"{amount(delay, 'ms')}. At a loop gain of {most_db:.0f} dB it grows by {growth:.0f} dB each second "
        f"{'until the tape is full' if filled else 'and does not fill the tape'}; the return send, turned "
        "down in time, ends it.",
        alt="Two line charts over the same time in s. Below, the loop gain in dB rises past 0 dB, stays "
        "there, and is pulled down. Above, the level of the echo: past 0 dB it grows though nobody plays, "
        f"{held}, and dies away when the gain is pulled down.",
        sources=("growth is loop gain over delay", "the tape's limit: S tanh(x / S), our model"),
    )


def _draw_margin(
    past: float, back: float, profile: Profile, seconds: float
) -> tuple[Figure, list[Line2D], list[Line2D]]:
    """Level above, loop gain below, one time for both: the figure, its lines, and the dots at their ends."""
    with style.context(profile):
        figure = style.new_figure(profile)
        level, gain = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        style.style_axes(level, profile, y="echo (dB)", grid="y", title="Past 0 dB the echo feeds itself")
        style.style_axes(gain, profile, x="time (s)", y="loop gain (dB)", grid="y")
        level.set(xlim=(0, seconds), ylim=(FLOOR_DB + 10, 12), yticks=(-40, -20, 0))
        level.set_yticklabels(["\N{MINUS SIGN}40", "\N{MINUS SIGN}20", "full"])
        gain.set(ylim=(-13, 6), yticks=(-12, -6, 0))
        _time_ticks(gain, profile)
        level.tick_params(axis="x", labelbottom=False)
        ground, width = profile.ground, profile.line_pt
        lines, dots = [], []
        for axes, color, marker in ((level, 1, "o"), (gain, 0, "s")):
            axes.axvspan(past, back, facecolor=ground.fill, edgecolor="none", zorder=0.5)
            axes.axhline(0, color=ground.frame, linewidth=width / 2, linestyle=(0, (4, 2)))
            look = style.line_style(profile, color) | {"linestyle": "-", "zorder": 4}
            lines += axes.plot([], [], **look)
            dots += axes.plot([], [], marker, color=look["color"], markersize=3 * width, zorder=5)
        ends = PLAYED * seconds
        level.plot([ends, ends], [4, 12], color=ground.text, linewidth=width / 2)
        words: Any = {"va": "center", "fontsize": profile.text_pt, "color": ground.text}
        level.text(ends + 0.012 * seconds, 8, "nobody plays", **words)
        figure.align_ylabels()
        style.fix_layout(figure)
    return figure, lines, dots


# ---- heads as a rhythm ----


def _head_rhythm(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show the heads playing their rhythm, one note after the other: each strikes in its turn.

    The repeats follow as the sends are set; where the loop would run away its return send is down.
    """
    own = rhythm_of(machine)
    bpm, tape_speed, delays, layout = own["bpm"], own["speed"], own["delays"], own["layout"]
    settings = _even(machine, tape_speed)
    runs_away = not stability(machine.echo_loop(tape_speed), count_modes=False).stable
    if runs_away:
        own["repeats"], settings = (), without_stages(settings, ["feedback"])
    times = np.array([*delays, *own["repeats"]])
    beats = beats_from_delay(times, bpm)
    apart = delay_from_tempo(bpm, float(np.ceil(beats.max() + 0.5)))
    notes = _whole(np.arange(LEAD, seconds, apart), times.max(), seconds)
    dry = _notes(notes, seconds, decay=min(0.35, 2 * delays[0]))
    take = render(dry, RATE, settings, seconds=seconds)
    drawn = head_rhythm_chart(**own, units=units, profile=profile)
    marks, sizes, now = _lit_marks(drawn, profile)
    last = now.axes.get_xlim()[1]

    def update(time: float) -> None:
        since = _since(notes, time)
        left = film.remaining(time, seconds)
        for mark, size, offset in zip(marks, sizes, (0.0, *times), strict=True):
            shine = _glow(since - offset) * left
            mark.set_visible(shine > 0)
            mark.set_markersize(size * (1 + shine))
        beat = since * bpm / 60
        now.set_visible(0 <= beat <= last and time < seconds)
        now.set_xdata([beat, beat])

    count = {1: "One", 2: "Two", 3: "Three", 4: "Four"}.get(len(delays), f"{len(delays)}")
    strikes = listed(f"{beat:.2f}" for beat in beats[: len(delays)])
    said = f"{count} head{'s' if len(delays) > 1 else ''}, {speed(tape_speed, units)}, {bpm:g} bpm: "
    said += f"{'they strike' if len(delays) > 1 else 'it strikes'} {strikes} beats after the note."
    down = " The return send is down: as it is set the loop runs away." if runs_away else ""
    names = [f"head {k}" for k in range(1, len(delays) + 1)] + ["later repeat"] * len(own["repeats"])
    sound, level = _leveled(take.mix)
    return film.Scene(
        figure=drawn.figure,
        moving=(now, *marks),
        update=update,
        sound=sound,
        sample_rate=RATE,
        level=level,
        events=_events(seconds, notes, times, names),
        poster=min(float(notes[0] + delays[-1] + 0.02), seconds),  # the last head strikes
        title="The heads play a rhythm",
        caption=f"{said}{said_of_heads(layout)}{down}",
        alt=f"{drawn.alt} A line moves through the beats; the mark of the note, then that of each head "
        "swells when it sounds.",
        sources=drawn.sources,
    )


def _lit_marks(drawn: Drawn, profile: Profile) -> tuple[list[Line2D], list[float], Any]:
    """A swelling mark over each of the chart, their sizes at rest, and the line that moves through it."""
    marks, sizes = [], []
    for like in (drawn.artists["played"], *drawn.artists["hits"], drawn.artists["later"]):
        look = {"marker": like.get_marker(), "color": like.get_color(), "clip_on": False, "zorder": 6}
        for place in like.get_xydata():
            marks += like.axes.plot(*place[:, None], **look)
            sizes.append(like.get_markersize())
    line = {"linewidth": profile.line_pt / 2, "color": profile.ground.text, "zorder": 5}
    return marks, sizes, drawn.artists["played"].axes.axvline(0, **line)


# ---- the catalog ----


@dataclass(frozen=True)
class ClipEntry:
    """One clip of the catalog."""

    name: str
    function: Callable[..., film.Scene]  # of a machine, and of profile, units and seconds
    shows: str  # what it is for, in a few words


@dataclass(frozen=True)
class WrittenClip:
    """What `write_clip` wrote, and what must be said beside it."""

    path: Path  # the file, or the folder of frames
    beside: tuple[Path, ...]  # captions and poster of an MP4
    seconds: float
    count: int  # of frames
    events: tuple[tuple[float, str], ...]  # time in s and name of what is heard and seen at once
    level: str  # how loud it is, and why if not as loud as the others
    caption: str  # for below the clip, numbers included
    alt: str  # what is seen and heard, for those who cannot see or hear it

    def __str__(self) -> str:
        size = f"{self.seconds:.1f} s, {self.count} frames"
        more = "".join(f", {path.name}" for path in self.beside)
        return f"{self.path} ({size}){more}\n{self.caption}\nDescription: {self.alt}\n{self.level}"


#: Every clip by its name.
CLIPS = {
    entry.name: entry
    for entry in (
        ClipEntry("tape_travel", _tape_travel, "sound on its way from the record head to the playback head"),
        ClipEntry("fading_repeats", _fading_repeats, "repeats that fade and darken"),
        ClipEntry(
            "past_the_margin", _past_the_margin, "a loop that runs away, is held by the tape, and is stopped"
        ),
        ClipEntry("head_rhythm", _head_rhythm, "a head layout playing its rhythm"),
    )
}


def make_scene(
    name: str,
    *,
    machine: Machine | None = None,
    profile: str | Profile = "video_1080",
    units: str = "metric",
    seconds: float = 10.0,
) -> film.Scene:
    """Make the picture and the sound of a clip, a key of `CLIPS`, without writing anything.

    Of the example machine if none is given. For 1 to 120 s something happens; before and after, a still
    picture is held for `film.HOLD`. `write_clip` writes it to a file.

    >>> make_scene("tape_travel", profile="page", seconds=2).caption
    'Sound on its way. At 9.525 cm/s the tape takes 436 ms over 41.5 mm: so much later it is heard again.'
    """
    scene = CLIPS[known_name("clip", name, CLIPS)].function(
        machine or example_machine(),
        seconds=single("seconds", between("seconds", seconds, SHORTEST, LONGEST, "s")),
        units=known_name("units", units, UNIT_SYSTEMS),
        profile=style.as_profile(profile),
    )
    return film.held(scene)


def write_clip(
    name: str,
    path: StrPath,
    *,
    machine: Machine | None = None,
    profile: str | Profile = "video_1080",
    units: str = "metric",
    seconds: float = 10.0,
    fps: int = 30,
    as_frames: bool = False,
    silent: bool = False,
    progress: bool | None = None,
) -> WrittenClip:
    """Write a clip, made as by `make_scene`: MP4 with sound, GIF, or numbered frames.

    `path` ends in ``.mp4`` or ``.gif``; with `as_frames` it is a folder for PNG pictures and ``sound.wav``.
    Beside an MP4 stand its captions as ``.vtt`` and its poster as ``.png``. `silent` leaves the sound out.
    Nothing is left behind if it cannot be written, and an old file stays. `progress` shows a bar; None
    shows it where a terminal can.

    >>> write_clip("tape_travel", "clip.avi")
    Traceback (most recent call last):
    ...
    ValueError: clip.avi: must end in .mp4 or .gif, or be a folder of frames, got '.avi'
    """
    path = Path(path)
    writers = {".mp4": film.write_mp4, ".gif": film.write_gif}
    write: Callable[..., Path] | None = film.write_frames if as_frames else writers.get(path.suffix.lower())
    if write is None:
        raise ValueError(
            f"{path.name}: must end in .mp4 or .gif, or be a folder of frames, got {path.suffix!r}"
        )
    whole("fps", fps, 1, film.MOST_FPS)
    if write is film.write_mp4:
        film.encoder_for(path)
    scene = make_scene(name, machine=machine, profile=profile, units=units, seconds=seconds)
    silence = {} if write is film.write_gif else {"silent": silent}
    write(scene, path, fps, progress=progress, **silence)
    count = scene.count(fps)
    return WrittenClip(
        path=path,
        beside=film.beside(path) if write is film.write_mp4 else (),
        seconds=count / fps,
        count=count,
        events=scene.events,
        level="No sound." if silent or write is film.write_gif else scene.level,
        caption=scene.caption,
        alt=scene.alt,
    )
