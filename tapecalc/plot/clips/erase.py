"""A clip of tape that is erased, and then is not."""

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from tapecalc.calc.quantity import between
from tapecalc.calc.units import db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.plot import film, style
from tapecalc.plot.catalog import draw
from tapecalc.plot.clips.sounds import (
    LEAD,
    LONGEST,
    PITCHES,
    RATE,
    STEP,
    Part,
    clock_of,
    envelope_of,
    from_the_back,
    give_way,
    head_texts,
    leveled,
    new_to,
    notes_at,
    one_head,
    outline,
    together,
)
from tapecalc.plot.erase import LAYERS, OLDER_DB, ONE_LAYER, POINTS, layer_edges
from tapecalc.plot.kit import Drawn
from tapecalc.plot.style import Profile
from tapecalc.sound.render import render, without_stages
from tapecalc.sound.samples import Array
from tapecalc.words import speed

SHORTEST_WAY, MOST_OF_LAP = 1.0, 0.3  # s from record to playback head in the picture, and its share of a lap
#: Notes of a lap, shares of it; those of every second lap lie between.
NOTES, BETWEEN, HIGHER = (0.02, 0.3, 0.58), 0.14, 7  # and half tones by which every second lap is higher
LAPS = 3


class _Passes:
    """When what is written on a lap passes the heads; times in s."""

    def __init__(self, drawn: Drawn, seconds: float, way: float) -> None:
        self.erase, self.record, self.playback = drawn.artists["heads"]
        self.lap, self.way = (seconds - film.EASE) / LAPS, way
        self.pace = (self.playback - self.record) / way  # type sizes a second
        self.ahead = (self.record - self.erase) / self.pace
        self.off = 2 * self.lap + LEAD - self.ahead - STEP  # so that the third lap is not erased

    def kept(self, passes_record: Any) -> Any:
        """Whether what passes the record head at a time was not erased before."""
        return passes_record - self.ahead >= self.off


def erase_off(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show tape that is erased before it is recorded again, and then is not: old sound stays under the new.

    What the playback head reads is heard, three laps. How fast the tape runs through the picture is the
    clip's own.
    """
    tape_speed = machine.speeds[0]
    delay = machine.delays(tape_speed)[0]
    between("seconds", seconds, 4 * delay, LONGEST, "s")
    drawn = draw("erase_off", machine, profile=profile, units=units)
    lap = (seconds - film.EASE) / LAPS
    passes = _Passes(drawn, seconds, min(max(delay, SHORTEST_WAY), MOST_OF_LAP * lap))
    dry = np.zeros(round(seconds * RATE))
    written = []
    for k in range(LAPS):
        times = LEAD + (k + np.array(NOTES) + BETWEEN * (k % 2)) * lap
        times = times[times < min(seconds, LEAD + (k + 1) * lap) - passes.way]
        pitches = tuple(note + HIGHER * (k % 2) for note in PITCHES)
        dry += notes_at(times, seconds, decay=0.15 * lap, pitches=pitches)
        written.append(times)
    settings = without_stages(one_head(machine, tape_speed).settings, ["feedback"])
    alone = settings.heads.spacings[0] / tape_speed
    new = _later(render(dry, RATE, settings, seconds=seconds).wet, passes.way - alone)
    old = db_to_amplitude(-OLDER_DB) * _later(new, lap)
    clock = clock_of(seconds)
    heard = new + old * film.eased((clock - passes.off - passes.ahead - passes.way) / film.FADE)
    axes = drawn.figure.axes[0]
    tape = _layers(axes, drawn, passes, envelope_of(dry, seconds), profile)
    shown = together(tape, _words(drawn, passes, seconds))
    events = [
        (LEAD, "written"),
        *((t + passes.way, "new sound") for times in written for t in times.tolist()),
    ]
    events.append((float(written[0][0]) + lap - passes.ahead, "the erase head takes old sound away"))
    events.append((passes.off, "the erase head is switched off"))
    third = [t + lap + passes.way for t in written[1].tolist()]
    events += [(t, "old sound under the new") for t in third if t < seconds]
    sound, level = leveled(heard)
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back(shown.artists),
        update=shown.update,
        sound=sound,
        level=level,
        events=tuple(sorted((t, name) for t, name in events if t < seconds)),
        poster=min(float(third[0] + 0.02) if third else seconds, seconds),
        title="Not erased, old sound stays under new",
        caption=f"Three laps of tape at {speed(tape_speed, units)}, each {lap:.1f} s here. On the second "
        "the erase head "
        "takes the first away; on the third it is off, and the second stays under the new sound, "
        f"{OLDER_DB:.0f} dB fainter, which is a judgement.",
        alt=f"{drawn.alt} The tape passes: with the erase head on, old sound ends under it; then the "
        "head is switched off, "
        "and old notes run on under the new ones. They are heard so: new notes alone, then old ones "
        "between them.",
        sources=drawn.sources,
    )


def _later(sound: Array, by: float) -> Array:
    """Move a sound by a time in s, sooner where it is below 0."""
    shift = round(by * RATE)
    return np.concatenate([np.zeros(max(0, shift)), sound[max(0, -shift) :], np.zeros(max(0, -shift))])[
        : len(sound)
    ]


def _words(drawn: Drawn, passes: _Passes, seconds: float) -> Part:
    """What is said of the layers, as far as there are any."""
    texts, labels = head_texts(drawn.figure, "number", "means"), drawn.artists["labels"]
    counted = texts["number"] if texts["number"].get_text() == LAYERS else None
    said = [label.get_text() for label in labels]

    def update(time: float) -> None:
        both = time >= min(passes.off + passes.ahead, seconds)
        for label, text, shown in zip(labels, said, ("", "new sound"), strict=False):
            label.set_text(
                text if both else text if not shown and time > passes.lap - passes.ahead else shown
            )
        if counted:
            counted.set_text(LAYERS if both else ONE_LAYER)
            if "means" in texts:
                texts["means"].set_visible(both)

    head: list[Artist] = [texts[key] for key in ("number", "means") if counted and key in texts]
    return Part([*labels, *head], update)


def _layers(axes: Axes, drawn: Drawn, passes: _Passes, written: Array, profile: Profile) -> Part:
    """Layers of sound that run with the tape, and the erase head, on and then off."""
    middle, half, end = drawn.artists["ribbon"]
    stills, name, box = drawn.artists["layers"], drawn.artists["name"], drawn.artists["erase"]
    strong, pale = style.sequence(profile, 2)
    before, after = np.linspace(0, passes.record, POINTS), np.linspace(passes.record, end, POINTS)
    ways = (before, after, after)
    riding = [
        outline(axes, color, zorder=still.get_zorder())
        for color, still in zip((pale, pale, strong), stills, strict=True)
    ]
    for way, shape in zip(ways, riding, strict=True):
        shape.set_xy(layer_edges(way, np.ones_like(way), middle, 0.9 * half))
    seconds, said = len(written) * STEP, name.get_text()
    clock, fainter = np.arange(len(written)) * STEP, float(db_to_amplitude(-OLDER_DB))
    looks = {True: (profile.ground.ribbon, "-"), False: (profile.ground.face, style.DASHED)}

    switched = new_to()

    def update(time: float) -> None:
        left = float(film.remaining(time, seconds))
        on = time < passes.off
        if switched(on):
            box.set_facecolor(looks[on][0])
            box.set_linestyle(looks[on][1])
        name.set_text(said.replace("off", "on") if on else said)
        for k, (way, shape, still) in enumerate(zip(ways, riding, stills, strict=True)):
            passing = time - (way - passes.record) / passes.pace  # when it passes the record head
            level = np.interp(passing - (passes.lap if k < 2 else 0), clock, written, left=0, right=0)
            if k < 2:
                level = level * (passes.kept(passing) | (way < passes.erase)) * (fainter if k else 1.0)
            shape.set_xy(layer_edges(way, level, middle, 0.9 * half, passes.pace * time))
            give_way(still, shape, left)

    return Part([*stills, *riding, box, name], update)
