"""Clips of heads that play together."""

from typing import Any

import numpy as np
from matplotlib.lines import Line2D

from tapecalc.calc.loop import stability
from tapecalc.calc.tempo import beats_from_delay, delay_from_tempo
from tapecalc.machine import Machine
from tapecalc.plot import film
from tapecalc.plot.clips.sounds import (
    LEAD,
    RATE,
    even,
    events_of,
    glow,
    leveled,
    notes_at,
    since_last,
    whole_notes,
)
from tapecalc.plot.heads import head_rhythm as head_rhythm_chart
from tapecalc.plot.heads import rhythm_of, said_of_heads
from tapecalc.plot.kit import Drawn
from tapecalc.plot.style import Profile
from tapecalc.sound.render import render, without_stages
from tapecalc.words import listed, speed

# ---- heads as a rhythm ----


def head_rhythm(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show the heads playing their rhythm, one note after the other: each strikes in its turn.

    The repeats follow as the sends are set; where the loop would run away its return send is down.
    """
    own = rhythm_of(machine)
    bpm, tape_speed, delays, layout = own["bpm"], own["speed"], own["delays"], own["layout"]
    settings = even(machine, tape_speed)
    runs_away = not stability(machine.echo_loop(tape_speed), count_modes=False).stable
    if runs_away:
        own["repeats"], settings = (), without_stages(settings, ["feedback"])
    times = np.array([*delays, *own["repeats"]])
    beats = beats_from_delay(times, bpm)
    apart = delay_from_tempo(
        bpm, float(np.ceil(2 * beats.max() + 0.5) / 2)
    )  # the next half beat but a little
    notes = whole_notes(np.arange(LEAD, seconds, apart), times.max(), seconds)
    dry = notes_at(notes, seconds, decay=min(0.35, 2 * delays[0]))
    take = render(dry, RATE, settings, seconds=seconds)
    drawn = head_rhythm_chart(**own, units=units, profile=profile)
    marks, sizes, now = _lit_marks(drawn, profile)
    last = now.axes.get_xlim()[1]

    def update(time: float) -> None:
        since = since_last(notes, time)
        left = film.remaining(time, seconds)
        for mark, size, offset in zip(marks, sizes, (0.0, *times), strict=True):
            shine = glow(since - offset) * left
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
    sound, level = leveled(take.mix)
    return film.Scene(
        figure=drawn.figure,
        moving=(now, *marks),
        update=update,
        sound=sound,
        level=level,
        events=events_of(seconds, notes, times, names),
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
