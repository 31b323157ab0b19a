"""Clips of the loop: repeats that fade, and a loop past its margin."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapecalc.calc.loop import growth_db_per_s, repeats_heard, stability
from tapecalc.calc.quantity import between
from tapecalc.calc.response import loudest, repeat_level_db
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.plot import film, style
from tapecalc.plot.clips.sounds import (
    FLOOR_DB,
    FULL_SHARE,
    LEAD,
    LONGEST,
    MOST_REPEATS,
    PITCHES,
    PLAYED,
    RATE,
    STEP,
    events_of,
    gain_ridden_db,
    glow,
    level_over_time_db,
    leveled,
    notes_at,
    one_head,
    points_until,
    ride,
    since_last,
    time_ticks,
)
from tapecalc.plot.heads import song_tempo
from tapecalc.plot.kit import minus
from tapecalc.plot.response import audible
from tapecalc.plot.style import Profile
from tapecalc.sound.render import render
from tapecalc.sound.samples import Array
from tapecalc.words import amount, speed

# ---- repeats ----


def fading_repeats(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show how each repeat is quieter and darker than the one before, while it is heard.

    One head alone is used, with the machine's sends; where its loop would run away, the return send is
    turned down so that it fades.
    """
    settings, likely, words = one_head(machine, min(machine.speeds))
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
    dry = notes_at(notes, seconds, decay=min(0.5, 1.2 * delay), pitches=PITCHES[:2])
    take = render(dry, RATE, replace(settings, return_gain=db_to_amplitude(send_db)), seconds=seconds)
    frequency = audible(loop.one_pass.today, loop.one_pass.speed)
    once_db = gain_db - loud_db  # of sends and head, without the response
    curves = [repeat_level_db(loop.one_pass, frequency, n) - loud_db + (n - 1) * once_db for n in numbers]
    note_db = -float(amplitude_to_db(abs(loop.input_gain * loop.heads.gains[0]))) - loud_db
    title = "A suggestion: the send turned down" if suggested else "Each repeat is quieter and darker"
    figure, moving, show = _draw_fading(frequency, curves, note_db, title, profile)

    def update(time: float) -> None:
        since = since_last(notes, time)
        heard = min(int(since / delay + 1e-9), len(numbers)) if since >= 0 else -1
        show(heard, glow(since - heard * delay) * film.remaining(time, seconds))

    fast = one_head(machine, machine.speeds[0])
    runaway = ride(fast, song_tempo(machine), max(seconds, 4 * fast.loop.delays[0]))
    sound, level = leveled(take.mix, np.sum(runaway, axis=0))
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
        events=events_of(seconds, notes, [n * delay for n in numbers], names),
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


def past_the_margin(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show a loop whose return send is turned up past its margin, and down again.

    The tape cannot hold more than it can: its limit keeps the sound in bounds. Margin after Nyquist 1932
    (from memory).
    """
    alone = one_head(machine, machine.speeds[0])
    settings, delay = alone.settings, alone.loop.delays[0]
    between("seconds", seconds, 4 * delay, LONGEST, "s")
    dry, wet = ride(alone, song_tempo(machine), seconds)
    level_db = level_over_time_db(wet) - amplitude_to_db(settings.saturation)
    clock = np.arange(len(level_db)) * STEP
    gain_db = gain_ridden_db(clock, seconds)
    past, back = (round(float(clock[gain_db > 0][k]), 4) for k in (0, -1))
    growth, most_db = growth_db_per_s(delay, max(gain_db)), max(gain_db)
    filled = _filled(level_db, past, back, delay, growth)
    figure, lines, dots = _draw_margin(past, back, profile, seconds)

    def update(time: float) -> None:
        shown = points_until(time, len(level_db))
        for line, dot, height in zip(lines, dots, (level_db, gain_db), strict=True):
            line.set_data(clock[:shown], height[:shown])
            dot.set_data([clock[shown - 1]], [height[shown - 1]])

    sound, level = leveled(dry + wet)
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
        time_ticks(gain, profile)
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
