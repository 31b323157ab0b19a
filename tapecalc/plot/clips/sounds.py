"""Sounds of clips, how loud they are, and small things that all clips need."""

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple, cast

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon
from matplotlib.text import Text

from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop, stability
from tapecalc.calc.tempo import delay_from_tempo
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.plot import film
from tapecalc.plot.kit import minus
from tapecalc.sound.engine import EchoSettings
from tapecalc.sound.loudness import PROGRAM_LUFS, TWICE_DB, loudness_lufs, program_gain_db
from tapecalc.sound.render import echo_settings, render, without_stages
from tapecalc.sound.samples import Array
from tapecalc.sound.signals import note_frequency, phrase, pluck

RATE = film.RATE
PITCHES = (50, 57, 53, 55)  # of the notes, MIDI note numbers
LEAD = 0.3  # s before the first note: players swallow the start of a sound
SHORTEST, LONGEST = 1.0, 120.0  # s, without the holds
STEP = 0.002  # s from one point of an envelope to the next
COUNTED = 0.2  # s for which a number that runs stays: faster nobody can read
GLOW = 0.25  # s in which what lit up fades
FLOOR_DB = -60.0  # where level axes end
LEVEL_WINDOW = 0.05  # s over which a level is taken
FULL_SHARE = 0.25  # of its growth: a loop that grows by less has filled its tape
LOUDNESS_STEP = 1.0  # LU off the aim that must be explained
#: How the return send is ridden: (share of the clip, loop gain in dB). Down in time, as on the night.
RIDE = ((0.0, -9.0), (0.12, -9.0), (0.42, 3.0), (0.78, 3.0), (0.82, -24.0), (1.0, -24.0))
PLAYED = 0.3  # share of that clip after which nobody plays any more


# ---- sounds ----


def even(machine: Machine, tape_speed: float) -> EchoSettings:
    """The machine at a speed, without wobble and hiss, so that a note can be seen where it is heard."""
    return without_stages(echo_settings(machine, tape_speed), ["flutter", "hiss"])


class OneHead(NamedTuple):
    """The even machine with one head alone: the first that feeds the return, or the first of all."""

    settings: EchoSettings
    loop: EchoLoop
    words: str  # which of several heads it is


def one_head(machine: Machine, tape_speed: float) -> OneHead:
    """Leave the machine one head: the first that feeds the return, or the first of all."""
    settings, own = even(machine, tape_speed), machine.heads_at(tape_speed)
    k = next((k for k, gain in enumerate(own.return_gains) if gain), 0)
    alone = Heads(spacings=(own.spacings[k],), gains=(own.gains[k],), feeds_return=(own.feeds_return[k],))
    words = f"Head {k + 1} alone, of {len(own.spacings)}. " if len(own.spacings) > 1 else ""
    return OneHead(replace(settings, heads=alone), replace(machine.echo_loop(tape_speed), heads=alone), words)


def notes_at(
    times: Array, seconds: float, *, decay: float = 0.4, pitches: tuple[int, ...] = PITCHES
) -> Array:
    """Pluck the string at some times, in a row of pitches."""
    sound = np.zeros(round(seconds * RATE))
    for number, (time, note) in enumerate(zip(times, itertools.cycle(pitches), strict=False)):
        left = (len(sound) - round(time * RATE)) / RATE
        if left > 0.05:
            lasting = min(left, 2 * decay)
            add_at(sound, time, pluck(note_frequency(note), lasting, decay=decay, seed=number, level_db=-12))
    return sound


def add_at(sound: Array, time: float, played: Array) -> None:
    """Add what is played to a sound from a time in s on, as far as it reaches."""
    rest = sound[round(time * RATE) :]
    rest[: len(played)] += played[: len(rest)]


def clock_of(seconds: float) -> Array:
    """The time of each sample in s."""
    return np.arange(round(seconds * RATE)) / RATE


def with_phrase(sound: Array, start: float, bpm: float) -> Array:
    """Add the phrase, over and over, from a time on."""
    bar, end = 4 * delay_from_tempo(bpm, 1), len(sound) / RATE
    for begin in np.arange(start, end - 0.1, bar):
        add_at(sound, begin, phrase(RATE, bpm=bpm, seconds=min(end - begin, bar + 1.0), level_db=-12))
    return sound


def stopped_at(sound: Array, end: float) -> Array:
    """Stop playing at a time in s, within 50 ms."""
    return sound * np.clip((end - np.arange(len(sound)) / RATE) / 0.05, 0, 1)


def leveled(
    sound: Array, loudest: Array | None = None, why: str = "turned as `loop_diagram` is, to compare levels"
) -> tuple[Array, str]:
    """Bring a sound to the loudness of a program, or turn it as much as a louder one; and how loud it is."""
    whole = sound if loudest is None else loudest
    gain = db_to_amplitude(program_gain_db(film.held_sound(whole, RATE), RATE))
    twice = TWICE_DB if sound.ndim == 1 else 0.0  # mono stands in both channels of a file
    lufs = loudness_lufs(film.held_sound(gain * sound, RATE), RATE) + twice
    said = f"Sound at {lufs:.1f} LUFS"
    if abs(lufs - PROGRAM_LUFS) > LOUDNESS_STEP:
        said += f": {'its peaks allow no more' if loudest is None else why}"
    return gain * sound, minus(f"{said}.")


def with_moving_send(dry: Array, settings: EchoSettings, send: Array) -> Array:
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


def envelope_of(sound: Array, seconds: float) -> Array:
    """Peaks of a sound, one every `STEP`, from 0 to 1, quiet ones lifted for the eye."""
    return envelopes_of((sound,), seconds)[0]


def envelopes_of(sounds: Sequence[Array], seconds: float) -> Array:
    """Do the same for several, from 0 to the loudest of all."""
    edges = np.linspace(0, len(sounds[0]), round(seconds / STEP), endpoint=False).astype(int)
    peaks = np.array([np.maximum.reduceat(np.abs(sound), edges) for sound in sounds])
    return np.sqrt(peaks / max(peaks.max(), 1e-12))


def level_over_time_db(sound: Array) -> Array:
    """Level of a sound, one every `STEP`, as the peak of a tone of its power."""
    window = round(LEVEL_WINDOW * RATE)
    power = np.cumsum(np.concatenate([np.zeros(window), 2 * sound**2]))
    mean = (power[window:] - power[:-window]) / window
    return amplitude_to_db(np.sqrt(mean[:: round(STEP * RATE)]) + 1e-9).clip(min=FLOOR_DB - 20)


def glow(age: float) -> float:
    """How strongly something shines that happened `age` ago, from 1 down to 0; 0 before it happens."""
    return 0.0 if age < 0 else max(1 - age / GLOW, 0.0)


def counted(time: float) -> float:
    """Give the time whose numbers are shown at a time, both in s.

    >>> [round(counted(time), 1) for time in (0.0, 0.39, 0.4, 0.6)]
    [0.0, 0.2, 0.4, 0.6]
    """
    return COUNTED * float(np.floor(time / COUNTED + 1e-6))


def since_last(notes: Array, time: float) -> float:
    """How long ago the last note was struck, below 0 before the first."""
    struck = notes[notes <= time]
    return time - struck[-1] if struck.size else -1.0


def whole_notes(notes: Array, lasting: float, seconds: float) -> Array:
    """The notes that are done, `lasting` s after they begin, before the clip dies away; never none."""
    return notes[: max(1, int(np.sum(notes + lasting + film.EASE <= seconds)))]


def events_of(
    seconds: float, notes: Array, delays: Sequence[float] | Array, names: Sequence[str], *, note: str = "note"
) -> tuple[tuple[float, str], ...]:
    """The notes and, a delay later each, what is heard of them under its name, in order of time."""
    heard = [(0.0, note), *zip(delays, names, strict=True)]
    return tuple(sorted((float(note + d), name) for note in notes for d, name in heard if note + d < seconds))


def edge_db(loop: EchoLoop) -> float:
    """The return send in dB at which a loop with this head runs away."""
    heads = replace(loop.heads, feeds_return=(True,))
    return stability(replace(loop, return_gain=1.0, heads=heads)).margin_db


def ride(alone: OneHead, bpm: float, seconds: float) -> tuple[Array, Array]:
    """Ride the return send of one head past its margin and back: what is played, and the echo."""
    settings = replace(alone.settings, input_gain=1.0)  # the hand on the send makes the level
    dry = stopped_at(with_phrase(np.zeros(round(seconds * RATE)), LEAD, bpm), PLAYED * seconds)
    send_db = gain_ridden_db(np.arange(len(dry)) / RATE, seconds) + edge_db(alone.loop)
    return dry, with_moving_send(dry, settings, db_to_amplitude(send_db))


def gain_ridden_db(time: Any, seconds: float) -> Any:
    """The loop gain in dB at times in s."""
    shares, gains = np.transpose(RIDE)
    return np.interp(time, seconds * shares, gains)


# ---- what moves ----


class Part(NamedTuple):
    """A part of the picture: its artists, and what moves them to where they are at a time in s."""

    artists: list[Artist]
    update: Callable[..., None]


def together(*parts: Part) -> Part:
    """Several parts as one."""

    def update(time: float) -> None:
        for part in parts:
            part.update(time)

    return Part([artist for part in parts for artist in part.artists], update)


def from_the_back(moved: Sequence[Artist]) -> tuple[Artist, ...]:
    """What moves and all that lies over it, in the order in which a picture at rest is drawn.

    What moves is drawn on top of all the rest: so whatever lies over it in the still must be drawn again.
    """
    figure = cast(Figure, moved[0].figure)
    charts = [one for axes in figure.axes for one in _over(axes, moved)]
    return (*charts, *(one for one in moved if one.axes is None))


def _over(axes: Axes, moved: Sequence[Artist]) -> list[Artist]:
    """What moves on axes, and lies over that."""
    frame = [axes.patch] if axes.axison else [axes.patch, axes.xaxis, axes.yaxis, *axes.spines.values()]
    kept: list[Artist] = []
    for artist in sorted(axes.get_children(), key=lambda one: one.get_zorder()):
        seen = artist.get_visible() and artist not in frame
        if artist in moved or (seen and any(_lies_over(artist, one) for one in kept)):
            kept.append(artist)
    return kept


def _lies_over(artist: Artist, other: Artist) -> bool:
    """Whether one artist may touch another."""
    box, pixel = artist.get_window_extent().padded(_edge(artist)), _edge(other)
    if isinstance(other, Patch):
        path = other.get_path().transformed(other.get_transform())
        filled = other.get_fill() and to_rgba(cast(Any, other.get_facecolor()))[3] > 0
        return path.intersects_bbox(box.padded(pixel), filled=filled)
    return bool(other.get_window_extent().padded(pixel).overlaps(box))


def _edge(artist: Artist) -> float:
    """How far an artist is drawn beyond its outline, in pixels."""
    width = artist.get_linewidth() if isinstance(artist, Patch | Line2D) else 0.0
    return 1 + width / 2 * cast(Figure, artist.figure).dpi / 72


def head_texts(figure: Figure, *gids: str) -> dict[str, Text]:
    """Subtitle, number or its meaning (``"means"``), as far as a figure has them."""
    return {str(text.get_gid()): text for text in figure.texts if text.get_gid() in gids}


def words_of(texts: Mapping[str, Text]) -> dict[str, str]:
    """What some texts say."""
    return {key: text.get_text() for key, text in texts.items()}


def say(texts: Mapping[str, Text], words: Mapping[str, str]) -> None:
    """Let texts say something else."""
    for key, text in texts.items():
        text.set_text(words[key])


def show(artist: Artist, share: float) -> None:
    """Let an artist be seen by a share; `Artist.set` would call it changed in any case."""
    artist.set_visible(share > 0)
    artist.set_alpha(share)


def new_to() -> Callable[..., bool]:
    """Give what says whether it is called otherwise than the last time: what stays is not set again."""
    last: list[Any] = [None]

    def is_new(*state: Any) -> bool:
        is_same, last[0] = state == last[0], state
        return not is_same

    return is_new


def whole_pixels(axes: Axes, way: int) -> Callable[[float], float]:
    """Give what puts a place along an axis, 0 or 1, onto a whole pixel: there words look the same."""
    low, high = axes.transData.transform([(0, 0), (1, 1)])[:, way]
    aside = 1 / 256  # so that no part of a letter lies between two parts of a pixel
    return lambda at: float((np.rint(low + at * (high - low)) + aside - low) / (high - low))


def give_way(still: Artist, moving: Artist, left: float) -> None:
    """Let what moves be seen as far as it is `left`, and what stands for it at rest as far as it is not."""
    show(moving, left)
    show(still, 1 - left)
    still.set_alpha(None if left == 0 else 1 - left)


def outline(axes: Axes, color: str, zorder: float = 1) -> Polygon:
    """A filled outline without points as yet."""
    pattern = Polygon(np.zeros((2, 2)), facecolor=color, linewidth=0, zorder=zorder)
    axes.add_patch(pattern)
    return pattern
