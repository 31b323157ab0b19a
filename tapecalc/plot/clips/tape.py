"""Clips of the tape's way."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from tapecalc.calc.tempo import delay_from_tempo
from tapecalc.machine import Machine
from tapecalc.plot import film, style
from tapecalc.plot.clips.sounds import (
    LEAD,
    RATE,
    STEP,
    STILL,
    Part,
    envelope_of,
    even,
    events_of,
    leveled,
    notes_at,
    outline,
    points_until,
    stopped_at,
    time_ticks,
    whole_notes,
    with_phrase,
)
from tapecalc.plot.heads import own_heads, song_tempo
from tapecalc.plot.style import Profile
from tapecalc.plot.transport import own_deck, tape_path
from tapecalc.sound.render import render, without_stages
from tapecalc.sound.samples import Array
from tapecalc.words import amount, length, listed, speed

# ---- the tape's way ----


def tape_travel(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show sound on its way: written at the record head, carried along, and heard again."""
    settings, bpm = even(machine, min(machine.speeds)), song_tempo(machine)
    tape_speed, spacings = settings.motion.speed, machine.spacings
    delays = np.array(machine.delays(tape_speed))
    notes = whole_notes(LEAD + delay_from_tempo(bpm, 2) * np.arange(2), delays.max(), seconds)
    dry = notes_at(notes, seconds)
    events = events_of(seconds, notes, delays, ["echo"] * len(delays))
    phrase_at, until = LEAD + delay_from_tempo(bpm, 4), seconds - 2 * film.EASE - delays.max()
    if phrase_at < until - 0.2:
        dry = stopped_at(with_phrase(dry, phrase_at, bpm), until)  # its end is heard, and leaves the tape
        events += events_of(seconds, np.array([phrase_at]), delays, ["its echo"] * len(delays), note="phrase")
    take = render(dry, RATE, without_stages(settings, ["feedback"]), seconds=seconds)
    written, heard = envelope_of(dry, seconds), envelope_of(take.wet, seconds)
    on_reels = machine.loop_length is None
    # Else there is room for the path alone.
    with_rows = len(spacings) == 1 and on_reels and not profile.portrait
    with style.context(profile):
        figure = style.new_figure(profile)
        figure.set_layout_engine("none")
        rows, bottom = _rows(figure, profile, (written, heard)) if with_rows else (STILL, profile.floor)
        top = figure.add_axes((profile.safe, bottom, 1 - 2 * profile.safe, 1 - profile.safe - bottom))
        own: dict[str, Any] = {"layout": own_heads(machine, tape_speed), "deck": own_deck(machine)}
        own |= {"speed": tape_speed, "delays": delays}
        path = tape_path(**own, units=units, profile=profile, axes=top)
        tape = _lit_tape(top, path.artists, machine, tape_speed, written, profile.ground.echo)

    def update(time: float) -> None:
        tape.update(time)
        rows.update(time)

    sound, level = leveled(take.mix)
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


def _lit_tape(
    axes: Axes, drawn: Mapping[str, Any], machine: Machine, tape_speed: float, written: Array, color: str
) -> Part:
    """Sound that rides along the drawn tape, and heads that light up when they write it and play it."""
    boxes = [
        Rectangle(b.get_xy(), b.get_width(), b.get_height(), color=color, zorder=6)
        for b in (drawn["record"], *drawn["playback"])
    ]
    for box in boxes:
        axes.add_patch(box)
    pattern, way = outline(axes, color, zorder=1.4), drawn["way"]
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

    return Part([pattern, *boxes], update)


def _rows(figure: Figure, profile: Profile, envelopes: tuple[Array, Array]) -> tuple[Part, float]:
    """Two rows of sound over time, shown up to now, and how far up the figure they reach."""
    wide, high = profile.width_in * 72 / profile.text_pt, profile.height_in * 72 / profile.text_pt
    left, right = profile.safe + 5.4 / wide, 1 - profile.safe - 0.8 / wide
    low, height = profile.floor + 3.4 / high, 0.26 * (1 - profile.floor - profile.safe)
    axes = figure.add_axes((left, low, right - left, height))
    style.style_axes(axes, profile, x="time (s)", grid="x")
    axes.set(xlim=(0, len(envelopes[0]) * STEP), ylim=(-0.5, 1.5), yticks=(1, 0))
    axes.set_yticklabels(["played", "echo"])
    axes.tick_params(axis="y", length=0)
    time_ticks(axes, profile)
    look: Any = {"linewidth": profile.line_pt / 2, "color": profile.ground.text}
    rows = [(outline(axes, profile.ground.echo), axes.axvline(0, **look)) for _ in envelopes]

    def update(time: float) -> None:
        shown = points_until(time, len(envelopes[0]))
        along = np.arange(shown) * STEP
        for (pattern, now), middle, envelope in zip(rows, (1, 0), envelopes, strict=True):
            half = 0.42 * envelope[:shown]
            there, back = (along, middle + half), (along[::-1], (middle - half)[::-1])
            pattern.set_xy(np.concatenate([there, back], axis=1).T)
            now.set_xdata([time, time])

    return Part([artist for row in rows for artist in row], update), low + height + 0.8 / high
