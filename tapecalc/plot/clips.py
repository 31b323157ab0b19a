"""The catalog of clips: short films in which a machine's echo is seen and heard at once.

Each clip is one function of a machine that returns a `film.Scene`. Its sound is what the engine
renders; its picture is computed from the calculators, so that both agreeing is a test of both.
`CLIPS` lists them by name, `make_scene` makes one, and `write_clip` writes it to a file.

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
from tapecalc.plot.transport import own_deck, tape_path
from tapecalc.sound.engine import EchoSettings
from tapecalc.sound.files import StrPath
from tapecalc.sound.render import echo_settings, render, without_stages
from tapecalc.sound.samples import Array, with_peak
from tapecalc.sound.signals import note_frequency, phrase, pluck
from tapecalc.words import UNIT_SYSTEMS, amount, length, listed, speed

RATE = 48000
PEAK_DB = -9.0  # of every clip's sound against full scale; common practice, no source
PITCHES = (50, 57, 53, 55)  # of the notes, MIDI note numbers
LEAD = 0.3  # s before the first note: players swallow the start of a sound
SHORTEST, LONGEST = 1.0, 120.0  # s
STEP = 0.002  # s from one point of an envelope to the next
GLOW = 0.25  # s in which what lit up fades
FLOOR_DB = -60.0  # where level axes end
LEVEL_WINDOW = 0.05  # s over which a level is taken
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


def _events(
    seconds: float, notes: Array, delays: Sequence[float] | Array, names: Sequence[str]
) -> tuple[tuple[float, str], ...]:
    """The notes and, a delay later each, what is heard of them under its name, in order of time."""
    heard = [(0.0, "note"), *zip(delays, names, strict=True)]
    return tuple(sorted((float(note + d), name) for note in notes for d, name in heard if note + d < seconds))


# ---- the tape's way ----


def _tape_travel(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show sound on its way: written at the record head, carried along, and heard again."""
    settings, bpm = _even(machine, min(machine.speeds)), song_tempo(machine)
    tape_speed, spacings = settings.motion.speed, machine.spacings
    notes = LEAD + delay_from_tempo(bpm, 2) * np.arange(2)
    dry = _notes(notes, seconds)
    phrase_at = LEAD + delay_from_tempo(bpm, 4)
    if phrase_at < seconds - 0.2:
        dry = _with_phrase(dry, phrase_at, bpm)
    take = render(dry, RATE, without_stages(settings, ["feedback"]), seconds=seconds)
    written, heard = _envelope(dry, seconds), _envelope(take.wet, seconds)
    delays = np.array(machine.delays(tape_speed))
    on_reels = machine.loop_length is None
    # Else there is room for the path alone.
    with_rows = len(spacings) == 1 and on_reels and not profile.portrait
    with style.context(profile):
        figure = style.new_figure(profile)
        figure.set_layout_engine("none")
        rows, bottom = _rows(figure, profile, (written, heard)) if with_rows else (_STILL, profile.floor)
        top = figure.add_axes((profile.safe, bottom, 1 - 2 * profile.safe, 1 - profile.safe - bottom))
        own: dict[str, Any] = {"layout": own_heads(machine, tape_speed), "deck": own_deck(machine)}
        own |= {"speed": tape_speed, "delays": delays}
        path = tape_path(**own, units=units, profile=profile, axes=top)
        tape = _lit_tape(top, path.artists, machine, tape_speed, written, profile.ground.echo)

    def update(time: float) -> None:
        tape.update(time)
        rows.update(time)

    took = listed(f"{amount(t, 'ms')} over {length(d, units)}" for d, t in zip(spacings, delays, strict=True))
    return film.Scene(
        figure=figure,
        moving=(*tape.artists, *rows.artists),
        update=update,
        sound=with_peak(take.mix, PEAK_DB),
        sample_rate=RATE,
        events=_events(seconds, notes, delays, ["echo"] * len(delays)),
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
            box.set_alpha(gain * float(level(time - delay)))

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
    notes = np.linspace(LEAD, seconds, max(1, int((seconds - LEAD) / notes_apart)), endpoint=False)
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
        show(heard, since - heard * delay)

    at, apart = speed(settings.motion.speed, units), amount(delay, "ms")
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
        sound=with_peak(take.mix, PEAK_DB),
        sample_rate=RATE,
        events=_events(seconds, notes, [n * delay for n in numbers], [f"repeat {n}" for n in numbers]),
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

    def show(heard: int, age: float) -> None:
        for n, ghost in enumerate(ghosts, 1):
            ghost.set_visible(n < heard)
        note.set_alpha(0.35 + 0.65 * (_glow(age) if heard == 0 else 0))
        repeat.set_visible(heard > 0)
        if heard > 0:
            repeat.set_ydata(curves[heard - 1])
            repeat.set_linewidth(width * (1.4 + 1.4 * _glow(age)))
        name.set_text({-1: "", 0: "note"}.get(heard, f"repeat {heard}"))
        name.set_y(float(curves[heard - 1].max()) if heard > 0 else note_db)

    return figure, (*ghosts, note, repeat, name), show


# ---- beyond the margin ----


def _past_the_margin(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show a loop whose return send is turned up past its margin, and down again.

    The tape cannot hold more than it can: its limit keeps the sound in bounds, and the whole clip is turned
    to a fixed peak. Margin after Nyquist 1932 (from memory).
    """
    settings, loop, words = _one_head(machine, machine.speeds[0])
    settings = replace(settings, input_gain=1.0)  # the hand on the send makes the level
    loop = replace(loop, return_gain=1.0, heads=replace(loop.heads, feeds_return=(True,)))
    delay = loop.delays[0]
    between("seconds", seconds, 4 * delay, LONGEST, "s")
    clock = np.arange(round(seconds * RATE)) / RATE
    shares, gains = np.transpose(RIDE)
    gain_db = np.interp(clock, seconds * shares, gains)
    dry = _with_phrase(np.zeros(len(clock)), LEAD, song_tempo(machine))
    dry[clock > PLAYED * seconds] = 0.0
    fade = (clock > PLAYED * seconds - 0.05) & (clock <= PLAYED * seconds)
    dry[fade] *= np.linspace(1, 0, fade.sum())
    wet = _with_moving_send(dry, settings, db_to_amplitude(gain_db + stability(loop).margin_db))
    level_db = _level_db(wet) - amplitude_to_db(settings.saturation)
    above = clock[gain_db > 0]
    past, back = round(float(above[0]), 4), round(float(above[-1]), 4)
    figure, lines, dots = _draw_margin(past, back, profile, seconds)

    def update(time: float) -> None:
        along = np.arange(_shown(time, len(level_db))) * STEP
        heights = level_db[: len(along)], np.interp(along, seconds * shares, gains)
        for line, dot, height in zip(lines, dots, heights, strict=True):
            line.set_data(along, height)
            dot.set_data([along[-1]], [height[-1]])

    growth = growth_db_per_s(delay, max(gains))
    return film.Scene(
        figure=figure,
        moving=(*lines, *dots),
        update=update,
        sound=with_peak(dry + wet, PEAK_DB),
        sample_rate=RATE,
        events=((past, "past the margin"), (back, "back within the margin")),
        caption=f"{words}A loop past its margin, {speed(settings.motion.speed, units)} and "
        f"{amount(delay, 'ms')}. At a loop gain of {max(gains):.0f} dB it grows by {growth:.0f} dB each "
        "second until the tape is full; the return send, turned down in time, ends it.",
        alt="Two line charts over the same time in s. Below, the loop gain in dB rises past 0 dB, stays "
        "there, and is pulled down. Above, the level of the echo: past 0 dB it grows though nobody plays, "
        "levels off where the tape is full, and dies away when the gain is pulled down.",
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
    notes = np.arange(LEAD, seconds, delay_from_tempo(bpm, float(np.ceil(beats.max() + 0.5))))
    dry = _notes(notes, seconds, decay=min(0.35, 2 * delays[0]))
    take = render(dry, RATE, settings, seconds=seconds)
    drawn = head_rhythm_chart(**own, units=units, profile=profile)
    marks, sizes, now = _lit_marks(drawn, profile)
    last = now.axes.get_xlim()[1]

    def update(time: float) -> None:
        since = _since(notes, time)
        for mark, size, offset in zip(marks, sizes, (0.0, *times), strict=True):
            shine = _glow(since - offset)
            mark.set_visible(shine > 0)
            mark.set_markersize(size * (1 + shine))
        beat = since * bpm / 60
        now.set_visible(0 <= beat <= last)
        now.set_xdata([beat, beat])

    count = {1: "One", 2: "Two", 3: "Three", 4: "Four"}.get(len(delays), f"{len(delays)}")
    strikes = listed(f"{beat:.2f}" for beat in beats[: len(delays)])
    said = f"{count} head{'s' if len(delays) > 1 else ''}, {speed(tape_speed, units)}, {bpm:g} bpm: "
    said += f"{'they strike' if len(delays) > 1 else 'it strikes'} {strikes} beats after the note."
    down = " The return send is down: as it is set the loop runs away." if runs_away else ""
    names = [f"head {k}" for k in range(1, len(delays) + 1)] + ["later repeat"] * len(own["repeats"])
    return film.Scene(
        figure=drawn.figure,
        moving=(now, *marks),
        update=update,
        sound=with_peak(take.mix, PEAK_DB),
        sample_rate=RATE,
        events=_events(seconds, notes, times, names),
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
    seconds: float
    count: int  # of frames
    events: tuple[tuple[float, str], ...]  # time in s and name of what is heard and seen at once
    caption: str  # for below the clip, numbers included
    alt: str  # what is seen and heard, for those who cannot see or hear it

    def __str__(self) -> str:
        size = f"{self.seconds:.1f} s, {self.count} frames"
        return f"{self.path} ({size})\n{self.caption}\nDescription: {self.alt}"


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

    Of the example machine if none is given; 1 to 120 s long. `write_clip` writes it to a file.

    >>> make_scene("tape_travel", profile="page", seconds=2).caption
    'Sound on its way. At 9.525 cm/s the tape takes 436 ms over 41.5 mm: so much later it is heard again.'
    """
    return CLIPS[known_name("clip", name, CLIPS)].function(
        machine or example_machine(),
        seconds=single("seconds", between("seconds", seconds, SHORTEST, LONGEST, "s")),
        units=known_name("units", units, UNIT_SYSTEMS),
        profile=style.as_profile(profile),
    )


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
    progress: bool | None = None,
) -> WrittenClip:
    """Write a clip, made as by `make_scene`: MP4 with sound, GIF, or numbered frames.

    `path` ends in ``.mp4`` or ``.gif``; with `as_frames` it is a folder for PNG pictures and ``sound.wav``.
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
    write(scene, path, fps, progress=progress)
    count = scene.count(fps)
    return WrittenClip(
        path=path, seconds=count / fps, count=count, events=scene.events, caption=scene.caption, alt=scene.alt
    )
