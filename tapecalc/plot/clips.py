"""The catalog of clips: short films in which a machine's echo is seen and heard at once.

Each clip is one function of a machine's numbers that returns a `film.Scene`. Its sound is what
the engine renders; its picture is computed from the calculators, so that both agreeing is a
test of both. `CLIPS` lists them by name, and `write_clip` makes one for a machine in one call.

No clip flashes: what lights up is small, and fades.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.ticker import MaxNLocator

from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop, growth_db_per_s, return_gain_for_repeats, stability
from tapecalc.calc.quantity import between, single, whole
from tapecalc.calc.response import repeat_level_db
from tapecalc.calc.tempo import beats_from_delay, delay_from_tempo
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si
from tapecalc.plot import film, style
from tapecalc.plot.catalog import CATALOG
from tapecalc.plot.heads import head_rhythm
from tapecalc.plot.kit import length_text, speed_text
from tapecalc.plot.transport import tape_path
from tapecalc.sound.render import echo_settings, render, without_stages
from tapecalc.sound.samples import with_peak
from tapecalc.sound.signals import phrase, pluck

__all__ = [
    "CLIPS",
    "ClipEntry",
    "WrittenClip",
    "fading_repeats",
    "make_scene",
    "past_the_margin",
    "rhythm_of_heads",
    "tape_travel",
    "write_clip",
]


RATE = 48000
PEAK_DB = -9.0  # of every clip's sound against full scale; common practice, no source
LEAD = 0.3  # s before the first note: players swallow the start of a sound
SHORTEST, LONGEST = 1.0, 120.0  # s
STEP = 0.002  # s from one point of an envelope to the next
GLOW = 0.25  # s in which what lit up fades
FLOOR_DB = -60.0  # where level axes end
RATE_OF_LEVELS = 0.05  # s over which a level is taken


# ---------------------------------------------------------------- sounds


def _notes(times, seconds, *, decay=0.4, pitches=(50, 57, 53, 55)):
    """Pluck the string at some times, in a row of pitches (MIDI note numbers)."""
    sound = np.zeros(round(seconds * RATE))
    for number, time in enumerate(times):
        first = round(time * RATE)
        frequency = 440 * 2 ** ((pitches[number % len(pitches)] - 69) / 12)
        rest = (len(sound) - first) / RATE
        if rest > 0.05:
            string = pluck(frequency, min(rest, 2 * decay), decay=decay, seed=number, level_db=-12)
            sound[first : first + len(string)] += string
    return sound


def _with_phrase(sound, start, bpm):
    """Add the phrase, over and over, from a time on."""
    bar = 4 * delay_from_tempo(bpm, 1)
    last = len(sound) / RATE
    for begin in np.arange(start, last - 0.1, bar):
        first = round(begin * RATE)
        played = phrase(RATE, bpm=bpm, seconds=min(last - begin, bar + 1.0), level_db=-12)
        played = played[: len(sound) - first]
        sound[first : first + len(played)] += played
    return sound


def _one_head(settings):
    """The same machine with the first head that goes back to the record head, and only that one."""
    back = [k for k, gain in enumerate(settings.heads.return_gains) if gain] or [0]
    return replace(settings, heads=Heads(spacings=settings.heads.spacings[back[0]]), input_gain=1.0)


def _loop(settings):
    """The loop of one head, its return send at 1."""
    return EchoLoop(
        heads=Heads(spacings=settings.heads.spacings[:1]), return_gain=1.0, one_pass=settings.one_pass
    )


def _ridden(dry, settings, send):
    """Play a sound through one head while a hand moves the return send; the sound of the head."""
    delay = settings.heads.spacings[0] / settings.motion.speed
    once = without_stages(settings, ["feedback"])
    step = max(round((delay - 0.01) * RATE), RATE // 500)  # what is heard meanwhile is on the tape already
    memory = round((delay + 0.1) * RATE)  # of the filters, and of the way between the heads
    bus, wet = np.zeros(len(dry)), np.zeros(len(dry))
    for start in range(0, len(dry), step):
        stop = min(start + step, len(dry))
        bus[start:stop] = dry[start:stop] + send[start:stop] * wet[start:stop]
        first, end = max(0, stop - memory), min(stop + step, len(dry))
        if end > stop:
            window = np.concatenate([bus[first:stop], np.zeros(end - stop)])
            wet[stop:end] = render(window, RATE, once).wet[stop - first : end - first]
    return wet


def _envelope(sound, seconds):
    """Peaks of a sound, one every `STEP`, from 0 to 1, quiet ones lifted for the eye."""
    count = round(seconds / STEP)
    edges = np.linspace(0, len(sound), count + 1).astype(int)[:-1]
    peaks = np.maximum.reduceat(np.abs(sound), edges)
    return np.sqrt(peaks / max(peaks.max(), 1e-12))


def _glow(age):
    """How strongly something shines that happened `age` ago, from 1 down to 0; 0 before it happens."""
    return np.where(age < 0, 0.0, np.clip(1 - age / GLOW, 0, 1))


# ---------------------------------------------------------------- the tape's way


def tape_travel(*, settings, bpm, units="metric", profile="video_1080", seconds=10.0):
    """Show sound on its way: written at the record head, carried along, and heard again.

    Parameters
    ----------
    settings : EchoSettings
        The machine, running evenly.
    bpm : float
        Tempo of what is played, quarter notes a minute.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    seconds : float, optional
        Length of the clip in s.

    Returns
    -------
    Scene
        Picture and sound; its events are the notes and their echoes.

    Raises
    ------
    ValueError
        If a value is out of its range, or the clip is over before the first echo.

    Notes
    -----
    Source: T = d / v. Notebook: 09_figures.

    Examples
    --------
    >>> make_scene("tape_travel", profile="page", seconds=2).caption
    'Sound on its way. At 9.525 cm/s the tape takes 436 ms over 41.5 mm: so much later it is heard again.'
    """
    speed, spacings = settings.motion.speed, settings.heads.spacings
    times = LEAD + delay_from_tempo(bpm, 2) * np.arange(2)
    dry = _notes(times, seconds)
    phrase_at = LEAD + delay_from_tempo(bpm, 4)
    if phrase_at < seconds - 0.2:
        dry = _with_phrase(dry, phrase_at, bpm)
    take = render(dry, RATE, without_stages(settings, ["feedback"]), seconds=seconds)
    written, heard = _envelope(dry, seconds), _envelope(take.wet, seconds)
    figure, sheet, lit, strips = _draw_travel(spacings, speed, units, profile, (written, heard))
    delays = np.array(spacings) / speed
    clock = np.arange(len(written)) * STEP

    def level(time):
        return np.interp(time, clock, written, left=0, right=0)

    def update(time):
        sheet.pattern.set_xy(sheet.outline(level(time - sheet.ages)))
        for box, delay in zip(lit, (0.0, *delays), strict=True):
            box.set_alpha(float(level(time - delay)))
        for strip in strips:
            strip.reveal(time)

    took = " and ".join(
        f"{from_si(t, 'ms'):.0f} ms over {length_text(d, units)}"
        for d, t in zip(spacings, delays.tolist(), strict=True)
    )
    events = [(float(t), "note") for t in times if t < seconds]
    events += [(float(t + d), "echo") for t in times for d in delays if t + d < seconds]
    return film.Scene(
        figure=figure,
        moving=(sheet.pattern, *lit, *(artist for strip in strips for artist in (strip.row, strip.now))),
        update=update,
        sound=with_peak(take.mix, PEAK_DB),
        sample_rate=RATE,
        events=tuple(sorted(events)),
        caption=f"Sound on its way. At {speed_text(speed, units)} the tape takes {took}: "
        "so much later it is heard again.",
        alt="Sketch of a tape passing a record and a playback head. Each note lights up the record head, "
        "rides along the tape as a hump, and lights up the playback head when it is heard again."
        + (" Below, two strips over time in s: what is played, and the echo, later." if strips else ""),
        sources=("T = d / v, from the motion",),
    )


@dataclass(frozen=True)
class _TapeSheet:
    """Sound on the drawn tape: `ages` in s since it was recorded, its places, and the way up from them."""

    pattern: Polygon
    ages: np.ndarray
    line: np.ndarray
    up: np.ndarray

    def outline(self, levels):
        """The outline of what is on the tape, thinned out at its end."""
        thin = np.clip((self.ages[-1] - self.ages) / (0.12 * self.ages[-1]), 0, 1)
        ridge = self.line + (1.5 * levels * thin)[:, None] * self.up
        return np.concatenate([self.line[:1], ridge, self.line[-1:]])


@dataclass(frozen=True)
class _Strip:
    """One strip of sound over time, which is shown up to now."""

    row: Polygon
    now: Line2D
    middle: float
    envelope: np.ndarray

    def reveal(self, time):
        """Show the strip up to a time in s."""
        shown = max(2, min(len(self.envelope), int(time / STEP)))
        along, half = np.arange(shown) * STEP, 0.42 * self.envelope[:shown]
        there, back = (along, self.middle + half), (along[::-1], (self.middle - half)[::-1])
        self.row.set_xy(np.concatenate([there, back], axis=1).T)
        self.now.set_xdata([time, time])


def _draw_travel(spacings, speed, units, profile, envelopes):
    """The tape's path above, two strips of sound below; upright, or with many heads, the path alone."""
    with style.context(profile) as profile:
        figure = style.new_figure(profile)
        figure.set_layout_engine("none")
        strips, bottom = (), profile.floor
        if len(spacings) == 1 and not profile.portrait:
            strips, bottom = _draw_strips(figure, profile, envelopes)
        top = figure.add_axes((profile.safe, bottom, 1 - 2 * profile.safe, 1 - profile.safe - bottom))
        path = tape_path(spacings=spacings, speed=speed, units=units, profile=profile, axes=top)
        color = profile.ground.colors[1]
        lit = [
            top.add_patch(Rectangle(box.get_xy(), box.get_width(), box.get_height(), color=color, zorder=6))
            for box in (path.artists["record"], *path.artists["playback"])
        ]
        pattern = top.add_patch(Polygon(np.zeros((2, 2)), facecolor=color, linewidth=0, zorder=1.4))
        sheet = _sheet_of(pattern, path.artists, max(spacings) / speed)
    return figure, sheet, lit, strips


def _draw_strips(figure, profile, envelopes):
    """Two empty strips, and how far up the figure they reach."""
    wide, high = profile.width_in * 72 / profile.text_pt, profile.height_in * 72 / profile.text_pt
    left, right = profile.safe + 5.4 / wide, 1 - profile.safe - 0.8 / wide
    low, height = profile.floor + 3.4 / high, 0.26 * (1 - profile.floor - profile.safe)
    axes = figure.add_axes((left, low, right - left, height))
    style.dress(axes, profile, x="time (s)", grid="x")
    axes.set(xlim=(0, len(envelopes[0]) * STEP), ylim=(-0.5, 1.5), yticks=(1, 0))
    axes.set_yticklabels(["played", "echo"])
    axes.tick_params(axis="y", length=0)
    axes.xaxis.set_major_locator(MaxNLocator(5 if profile.narrow else 10, steps=(1, 2, 5, 10)))
    now = {"linewidth": profile.line_pt / 2, "color": profile.ground.text}
    strips = tuple(
        _Strip(
            axes.add_patch(Polygon(np.zeros((2, 2)), facecolor=profile.ground.colors[1], linewidth=0)),
            axes.axvline(0, **now),
            middle,
            envelope,
        )
        for middle, envelope in zip((1, 0), envelopes, strict=True)
    )
    return strips, low + height + 0.8 / high


def _sheet_of(pattern, artists, longest):
    """Find record head, last playback head and the tape between them on the drawn sheet."""
    start, end = artists["tape"]
    along = (end - start) / np.linalg.norm(end - start)

    def middle(box):
        return np.array(box.get_xy()) + (box.get_width() / 2, box.get_height() / 2)

    def on_tape(box):
        return start + along * ((middle(box) - start) @ along)

    record, last = on_tape(artists["record"]), on_tape(artists["playback"][-1])
    up = record - middle(artists["record"])
    shares = np.linspace(0, 1.3, 500)
    line = record + shares[:, None] * (last - record)
    return _TapeSheet(pattern, shares * longest, line, up / np.linalg.norm(up))


# ---------------------------------------------------------------- repeats


def fading_repeats(*, settings, repeats=8, units="metric", profile="video_1080", seconds=10.0):
    """Show how each repeat is quieter and darker than the one before, while it is heard.

    The return send is set so that the last of the repeats is some 45 dB down.

    Parameters
    ----------
    settings : EchoSettings
        The machine, running evenly; its first head in the return is used.
    repeats : int, optional
        How many repeats are shown, 2 to 16.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    seconds : float, optional
        Length of the clip in s.

    Returns
    -------
    Scene
        Picture and sound; its events are the notes and their repeats.

    Raises
    ------
    ValueError
        If a value is out of its range, or the clip is over before the first repeat.

    Notes
    -----
    Source: repeat n has gone n times through the response of a pass. Notebook: 09_figures.

    Examples
    --------
    >>> make_scene("fading_repeats", profile="page", seconds=2).caption
    'Repeats at 9.525 cm/s, 436 ms apart: each is 5.6 dB quieter than the last, and darker.'
    """
    count = whole("repeats", repeats, 2, 16)
    settings = _one_head(settings)
    loop, speed, one_pass = _loop(settings), settings.motion.speed, settings.one_pass
    delay = loop.delays[0]
    send = return_gain_for_repeats(loop, count, -45.0)
    strikes, period = _strikes(seconds, (count + 1) * delay)
    dry = _notes(strikes, seconds, decay=min(0.5, 1.2 * delay), pitches=(50, 57))
    take = render(dry, RATE, replace(settings, return_gain=send), seconds=seconds)
    frequency = np.geomspace(20, 20e3, 300)
    curves = [
        np.asarray(repeat_level_db(one_pass, frequency, n)) + (n - 1) * amplitude_to_db(send)
        for n in range(1, count + 1)
    ]
    figure, artists = _draw_fading(frequency, curves, profile)

    def update(time):
        heard, age = _now(time, strikes, delay, count)
        for n, ghost in enumerate(artists["ghosts"], 1):
            ghost.set_visible(n < heard)
        artists["note"].set_alpha(0.35 + 0.65 * float(_glow(age if heard == 0 else 2 * GLOW)))
        artists["repeat"].set_visible(heard > 0)
        if heard > 0:
            artists["repeat"].set_ydata(curves[heard - 1])
            artists["repeat"].set_linewidth(artists["width"] * (1.4 + 1.4 * float(_glow(age))))
        highest = float(curves[heard - 1].max()) if heard > 0 else 0.0
        artists["name"].set_text({-1: "", 0: "note"}.get(heard, f"repeat {heard}"))
        artists["name"].set_y(highest)

    events = [(float(t), "note") for t in strikes]
    events += [(float(t + n * delay), f"repeat {n}") for t in strikes for n in range(1, count + 1)]
    step = -float(curves[1].max() - curves[0].max())
    return film.Scene(
        figure=figure,
        moving=(*artists["ghosts"], artists["note"], artists["repeat"], artists["name"]),
        update=update,
        sound=with_peak(take.mix, PEAK_DB),
        sample_rate=RATE,
        events=tuple(sorted(event for event in events if event[0] < seconds)),
        caption=f"Repeats at {speed_text(speed, units)}, {from_si(delay, 'ms'):.0f} ms apart: each is "
        f"{step:.1f} dB quieter than the last, and darker.",
        alt="Line chart of level in dB over frequency in Hz. With every repeat that is heard a thick line "
        "steps down and bends further at its treble end; the lines before it stay as thin traces.",
        sources=("a repeat goes once more through the response of a pass", "its losses as in `response`"),
    )


def _strikes(seconds, needed):
    """When notes are played so that their repeats have the time they need."""
    many = max(1, int((seconds - LEAD) / needed))
    period = (seconds - LEAD) / many
    return LEAD + period * np.arange(many), period


def _now(time, strikes, delay, count):
    """Which repeat was heard last (0 for the note, -1 before it), and how long ago."""
    struck = strikes[strikes <= time]
    if not struck.size:
        return -1, np.inf
    since = time - struck[-1]
    heard = min(int(since / delay), count)
    return heard, since - heard * delay


def _draw_fading(frequency, curves, profile):
    """The chart with all its lines; what is not heard yet stays hidden."""
    with style.context(profile) as profile:
        figure = style.new_figure(profile)
        axes = figure.add_subplot()
        style.frequency_axis(axes, profile, low=20, high=20e3)
        style.dress(
            axes, profile, x="frequency (Hz)", y="level (dB)", title="Each repeat is quieter and darker"
        )
        axes.set(ylim=(FLOOR_DB, 6))
        ground, width = profile.ground, profile.line_pt
        trace = style.line_style(profile, 0) | {"linestyle": "-", "linewidth": width / 2.5}
        thick = style.line_style(profile, 1) | {"linestyle": "-", "zorder": 4}
        ghosts = [axes.plot(frequency, curve, **trace)[0] for curve in curves]
        (repeat,) = axes.plot(frequency, curves[0], **thick)
        look = {"color": ground.text, "linewidth": width, "linestyle": (0, (4, 2)), "zorder": 3}
        words = {"va": "center", "fontsize": profile.text_pt, "color": ground.text}
        name = axes.text(1.02, 0, f"repeat {len(curves)}", transform=axes.get_yaxis_transform(), **words)
        artists = {
            "ghosts": ghosts,
            "repeat": repeat,
            "note": axes.axhline(0, **look),
            "name": name,
            "width": width,
        }
        style.settle(figure)
    return figure, artists


# ---------------------------------------------------------------- beyond the margin


#: How the return send is ridden: (share of the clip, loop gain in dB). Down in time, as on the night.
RIDE = ((0.0, -9.0), (0.12, -9.0), (0.42, 3.0), (0.78, 3.0), (0.82, -24.0), (1.0, -24.0))
PLAYED = 0.3  # share of the clip after which nobody plays any more


def past_the_margin(*, settings, bpm, units="metric", profile="video_1080", seconds=10.0):
    """Show a loop whose return send is turned up past its margin, and down again.

    The tape cannot hold more than it can: its limit keeps the sound in bounds, and the whole
    clip is turned to a fixed peak.

    Parameters
    ----------
    settings : EchoSettings
        The machine, running evenly; its first head in the return is used.
    bpm : float
        Tempo of what is played, quarter notes a minute.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    seconds : float, optional
        Length of the clip in s.

    Returns
    -------
    Scene
        Picture and sound; its events are the two crossings of 0 dB.

    Raises
    ------
    ValueError
        If a value is out of its range, or the clip is shorter than four delays.

    Notes
    -----
    Source: Nyquist 1932 (from memory) for the margin. Notebook: 09_figures.

    Examples
    --------
    >>> make_scene("past_the_margin", profile="page", seconds=4).events
    ((1.38, 'past the margin'), (3.1378, 'back within the margin'))
    """
    settings = _one_head(settings)
    loop = _loop(settings)
    delay, speed = loop.delays[0], settings.motion.speed
    single("seconds", between("seconds", seconds, 4 * delay, LONGEST, "s"))
    clock = np.arange(round(seconds * RATE)) / RATE
    shares, gains = np.transpose(RIDE)
    gain_db = np.interp(clock, seconds * shares, gains)
    dry = _with_phrase(np.zeros(len(clock)), LEAD, bpm)
    dry[clock > PLAYED * seconds] = 0.0
    fade = (clock > PLAYED * seconds - 0.05) & (clock <= PLAYED * seconds)
    dry[fade] *= np.linspace(1, 0, fade.sum())
    send = db_to_amplitude(gain_db + stability(loop).margin_db)
    wet = _ridden(dry, settings, send)
    full_db = float(amplitude_to_db(settings.saturation))
    level_db = _level_db(wet) - full_db
    figure, artists = _draw_margin(clock, gain_db, profile, seconds)
    past, back = _crossings(clock, gain_db)

    def update(time):
        shown = max(2, min(len(level_db), int(time / STEP)))
        along = np.arange(shown) * STEP
        artists["level"].set_data(along, level_db[:shown])
        artists["gain"].set_data(along, np.interp(along, seconds * shares, gains))
        for dot, line in zip(artists["dots"], (artists["level"], artists["gain"]), strict=True):
            dot.set_data([along[-1]], [line.get_ydata()[-1]])

    growth = growth_db_per_s(delay, max(gains))
    return film.Scene(
        figure=figure,
        moving=(artists["level"], artists["gain"], *artists["dots"]),
        update=update,
        sound=with_peak(dry + wet, PEAK_DB),
        sample_rate=RATE,
        events=((past, "past the margin"), (back, "back within the margin")),
        caption=f"A loop past its margin, {speed_text(speed, units)} and {from_si(delay, 'ms'):.0f} ms. At a "
        f"loop gain of {max(gains):.0f} dB it grows by {growth:.0f} dB each second until the tape is full; "
        "the return send, turned down in time, ends it.",
        alt="Two line charts over the same time in s. Below, the loop gain in dB rises past 0 dB, stays "
        "there, and is pulled down. Above, the level of the echo: past 0 dB it grows though nobody plays, "
        "levels off where the tape is full, and dies away when the gain is pulled down.",
        sources=("growth is loop gain over delay", "the tape's limit: S tanh(x / S), our model"),
    )


def _level_db(sound):
    """Level of a sound, one every `STEP`, as the peak of a tone of its power."""
    window = round(RATE_OF_LEVELS * RATE)
    power = np.cumsum(np.concatenate([np.zeros(window), 2 * sound**2]))
    mean = (power[window:] - power[:-window]) / window
    return np.maximum(np.asarray(amplitude_to_db(np.sqrt(mean[:: round(STEP * RATE)]) + 1e-9)), FLOOR_DB - 20)


def _crossings(clock, gain_db):
    """The times at which the loop gain goes past 0 dB, and comes back."""
    above = np.flatnonzero(gain_db > 0)
    return round(float(clock[above[0]]), 4), round(float(clock[above[-1]]), 4)


def _draw_margin(clock, gain_db, profile, seconds):
    """Level above, loop gain below, one time for both."""
    with style.context(profile) as profile:
        figure = style.new_figure(profile)
        level, gain = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        style.dress(level, profile, y="echo (dB)", grid="y", title="Past 0 dB the echo feeds itself")
        style.dress(gain, profile, x="time (s)", y="loop gain (dB)", grid="y")
        level.set(xlim=(0, seconds), ylim=(FLOOR_DB + 10, 12), yticks=(-40, -20, 0))
        level.set_yticklabels(["\N{MINUS SIGN}40", "\N{MINUS SIGN}20", "full"])
        gain.set(ylim=(-13, 6), yticks=(-12, -6, 0))
        gain.xaxis.set_major_locator(MaxNLocator(5 if profile.narrow else 10, steps=(1, 2, 5, 10)))
        level.tick_params(axis="x", labelbottom=False)
        past, back = _crossings(clock, gain_db)
        ground, width = profile.ground, profile.line_pt
        for axes in (level, gain):
            axes.axvspan(past, back, facecolor=ground.fill, edgecolor="none", zorder=0.5)
            axes.axhline(0, color=ground.frame, linewidth=width / 2, linestyle=(0, (4, 2)))
        looks = [style.line_style(profile, k) | {"linestyle": "-", "zorder": 4} for k in (1, 0)]
        lines = [axes.plot([], [], **look)[0] for axes, look in zip((level, gain), looks, strict=True)]
        dots = [
            axes.plot([], [], marker, color=look["color"], markersize=3 * width, zorder=5)[0]
            for axes, look, marker in zip((level, gain), looks, "os", strict=True)
        ]
        ends = PLAYED * seconds
        level.plot([ends, ends], [4, 12], color=ground.text, linewidth=width / 2)
        words = {"va": "center", "fontsize": profile.text_pt, "color": ground.text}
        level.text(ends + 0.012 * seconds, 8, "nobody plays", **words)
        figure.align_ylabels()
        style.settle(figure)
    return figure, {"level": lines[0], "gain": lines[1], "dots": dots}


# ---------------------------------------------------------------- heads as a rhythm


def rhythm_of_heads(*, settings, spacings, bpm, units="metric", profile="video_1080", seconds=10.0):
    """Show a head layout playing its rhythm: one note, and each head strikes in its turn.

    Parameters
    ----------
    settings : EchoSettings
        The machine, running evenly; its own heads give way to `spacings`.
    spacings : tuple of float
        Distance of each playback head from the record head, m, in tape order.
    bpm : float
        Tempo, quarter notes a minute.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    seconds : float, optional
        Length of the clip in s.

    Returns
    -------
    Scene
        Picture and sound; its events are the notes and the heads.

    Raises
    ------
    ValueError
        If a value is out of its range, or the clip is over before the first head strikes.

    Notes
    -----
    Source: beats = T bpm / 60. Notebook: 09_figures.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> arguments = CLIPS["head_rhythm"].arguments(example_machine())
    >>> rhythm_of_heads(**arguments, profile="page", seconds=2).caption
    'Four heads, 19.05 cm/s, 76 bpm: they strike 0.25, 0.50, 0.75 and 1.00 beats after the note.'
    """
    speed = settings.motion.speed
    ones = (1.0,) * len(spacings)
    settings = replace(settings, spacings=tuple(spacings), head_gains=ones, return_head_gains=ones)
    delays = np.array(spacings) / speed
    beats = np.atleast_1d(beats_from_delay(delays, bpm))
    period = delay_from_tempo(bpm, float(np.ceil(beats[-1] + 0.5)))
    strikes = np.arange(LEAD, seconds, period)
    dry = _notes(strikes, seconds, decay=min(0.35, 2 * delays[0]))
    take = render(dry, RATE, without_stages(settings, ["feedback"]), seconds=seconds)
    drawn = head_rhythm(spacings=spacings, speed=speed, bpm=bpm, units=units, profile=profile)
    lit = _lit_marks(drawn, profile)
    now, last = lit["now"], drawn.artists["hits"].axes.get_xlim()[1]
    offsets = np.concatenate([[0.0], delays])

    def update(time):
        struck = strikes[strikes <= time]
        since = time - struck[-1] if struck.size else -1.0
        for mark, offset in zip(lit["marks"], offsets, strict=True):
            shine = float(_glow(since - offset))
            mark.set_visible(shine > 0)
            mark.set_markersize(lit["size"] * (1 + shine))
        beat = since * bpm / 60
        now.set_visible(0 <= beat <= last)
        now.set_xdata([beat, beat])

    events = [(float(t), "note") for t in strikes]
    events += [(float(t + d), f"head {k}") for t in strikes for k, d in enumerate(delays, 1)]
    *most, final = [f"{beat:.2f}" for beat in beats]
    said = f"{', '.join(most)} and {final}" if most else final
    words = {1: "One head", 2: "Two heads", 3: "Three heads", 4: "Four heads"}
    heads = words.get(len(beats), f"{len(beats)} heads")
    verb = "they strike" if most else "it strikes"
    return film.Scene(
        figure=drawn.figure,
        moving=(now, *lit["marks"]),
        update=update,
        sound=with_peak(take.mix, PEAK_DB),
        sample_rate=RATE,
        events=tuple(sorted(event for event in events if event[0] < seconds)),
        caption=f"{heads}, {speed_text(speed, units)}, {bpm:g} bpm: {verb} {said} beats after the note.",
        alt=f"{drawn.alt} A line moves through the beats; the mark of the note, then that of each head "
        "swells when it sounds.",
        sources=drawn.sources,
    )


def _lit_marks(drawn, profile):
    """A swelling mark over each mark of the chart, and the line that moves through it."""
    profile = style.as_profile(profile)
    hits, played = drawn.artists["hits"], drawn.artists["played"]
    places = [*played.get_xydata().tolist(), *hits.get_xydata().tolist()]
    marks = []
    for k, place in enumerate(places):
        like = hits if k else played
        look = {"marker": like.get_marker(), "color": like.get_color(), "clip_on": False, "zorder": 6}
        marks += hits.axes.plot(*np.transpose([place]), **look)
    line = {"linewidth": profile.line_pt / 2, "color": profile.ground.text, "zorder": 5}
    return {"marks": marks, "size": hits.get_markersize(), "now": hits.axes.axvline(0, **line)}


# ---------------------------------------------------------------- the catalog


@dataclass(frozen=True, kw_only=True)
class ClipEntry:
    """One clip of the catalog.

    Attributes
    ----------
    name : str
        Its name.
    function : callable
        The function that makes its `Scene`.
    arguments : callable
        From a `Machine` to the function's arguments.
    shows : str
        What it is for, in a few words.
    """

    name: str
    function: Callable
    arguments: Callable
    shows: str


@dataclass(frozen=True, kw_only=True)
class WrittenClip:
    """What `write_clip` wrote, and what must be said beside it.

    Attributes
    ----------
    path : pathlib.Path
        The file, or the folder of frames.
    seconds : float
        Its length in s.
    count : int
        How many frames it has.
    events : tuple of (float, str)
        Time in s and name of what is heard and seen at once.
    caption : str
        One or two sentences for below the clip, numbers included.
    alt : str
        What is seen and heard, for those who cannot see or hear it.
    """

    path: Path
    seconds: float
    count: int
    events: tuple[tuple[float, str], ...]
    caption: str
    alt: str

    def __str__(self):
        size = f"{self.seconds:.1f} s, {self.count} frames"
        return f"{self.path} ({size})\n{self.caption}\nDescription: {self.alt}"


def _even(machine, speed):
    """The machine at a speed, without wobble and hiss, so that a note can be seen where it is heard."""
    return without_stages(echo_settings(machine, speed), ["flutter", "hiss"])


def _layout(machine):
    """The machine's heads, or four heads on its tape path where it has a single one."""
    if len(machine.spacings) > 1:
        return machine.spacings_at(machine.speeds[0])
    return CATALOG["head_rhythm"].arguments(machine)["spacings"]


_ENTRIES = (
    ClipEntry(
        name="tape_travel",
        function=tape_travel,
        shows="sound on its way from the record head to the playback head",
        arguments=lambda m: {"settings": _even(m, min(m.speeds)), "bpm": m.song.bpm or 90},
    ),
    ClipEntry(
        name="fading_repeats",
        function=fading_repeats,
        shows="repeats that fade and darken",
        arguments=lambda m: {"settings": _even(m, min(m.speeds))},
    ),
    ClipEntry(
        name="past_the_margin",
        function=past_the_margin,
        shows="a loop that runs away, is held by the tape, and is stopped",
        arguments=lambda m: {"settings": _even(m, m.speeds[0]), "bpm": m.song.bpm or 90},
    ),
    ClipEntry(
        name="head_rhythm",
        function=rhythm_of_heads,
        shows="a head layout playing its rhythm",
        arguments=lambda m: {
            "settings": _even(m, m.speeds[0]),
            "spacings": _layout(m),
            "bpm": m.song.bpm or 90,
        },
    ),
)

#: Every clip by its name.
CLIPS = {entry.name: entry for entry in _ENTRIES}


def make_scene(name, *, machine=None, profile="video_1080", units="metric", seconds=10.0):
    """Make the picture and the sound of a clip, without writing anything.

    Parameters
    ----------
    name : str
        A key of `CLIPS`.
    machine : Machine, optional
        The machine; the example machine if not given.
    profile : str or Profile, optional
        Size and ground.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    seconds : float, optional
        Length of the clip in s, 1 to 120.

    Returns
    -------
    Scene
        The clip, for `film.still` and `film.frames`.

    Raises
    ------
    ValueError
        If a name is not known (the error names the nearest), or the length is out of its range.

    See Also
    --------
    write_clip : writes it to a file

    Notes
    -----
    Source: beside each clip. Notebook: 09_figures.

    Examples
    --------
    >>> make_scene("tape_travl")
    Traceback (most recent call last):
    ...
    ValueError: clip 'tape_travl' is not known; did you mean 'tape_travel'?
    """
    return _prepared(name, machine, profile, units, seconds)()


def _prepared(name, machine, profile, units, seconds):
    """Check all that can be checked at once; what comes back makes the scene."""
    from tapecalc.machine import example_machine

    entry = CLIPS[style.nearest_name("clip", name, CLIPS)]
    length = single("seconds", between("seconds", seconds, SHORTEST, LONGEST, "s"))
    return partial(
        entry.function,
        **entry.arguments(machine or example_machine()),
        units=style.nearest_name("units", units, ("metric", "inches")),
        profile=style.as_profile(profile),
        seconds=length,
    )


def write_clip(
    name,
    path,
    *,
    machine=None,
    profile="video_1080",
    units="metric",
    seconds=10.0,
    fps=30,
    as_frames=False,
    progress=None,
):
    """Write a clip for a machine: MP4 with sound, GIF, or numbered frames.

    Parameters
    ----------
    name : str
        A key of `CLIPS`.
    path : str or os.PathLike
        A file that ends in ``.mp4`` or ``.gif``; with `as_frames`, a folder.
    machine : Machine, optional
        The machine; the example machine if not given.
    profile : str or Profile, optional
        Size and ground.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    seconds : float, optional
        Length of the clip in s, 1 to 120.
    fps : int, optional
        Frames a second, 1 to 120, for GIF to 50.
    as_frames : bool, optional
        Write numbered PNG pictures and ``sound.wav`` into a folder.
    progress : bool or None, optional
        Whether to show a progress bar; None shows it where a terminal can.

    Returns
    -------
    WrittenClip
        Where it stands, how long it is, caption and description.

    Raises
    ------
    ValueError
        If a name is not known (the error names the nearest), or a value is out of its range.
    OSError
        If there is no encoder, or it cannot be written; nothing is left behind and an old file stays.

    See Also
    --------
    make_scene : the same without a file

    Notes
    -----
    Source: as `film.write_mp4`. Notebook: 09_figures.

    Examples
    --------
    >>> write_clip("tape_travel", "clip.avi")
    Traceback (most recent call last):
    ...
    ValueError: clip.avi: must end in .mp4 or .gif, or be a folder of frames, got '.avi'
    """
    path = Path(path)
    prepared = _prepared(name, machine, profile, units, seconds)
    writers = {".mp4": film.write_mp4, ".gif": film.write_gif}
    if not as_frames and path.suffix.lower() not in writers:
        raise ValueError(
            f"{path.name}: must end in .mp4 or .gif, or be a folder of frames, got {path.suffix!r}"
        )
    whole("fps", fps, 1, film.MOST_FPS)
    if path.suffix.lower() == ".mp4" and not as_frames and film.find_encoder() is None:
        raise OSError(f"{path.name}: MP4 {film.NO_ENCODER}")
    scene = prepared()
    write = film.write_frames if as_frames else writers[path.suffix.lower()]
    write(scene, path, fps, progress=progress)
    count = scene.count(fps)
    return WrittenClip(
        path=path,
        seconds=count / fps,
        count=count,
        events=scene.events,
        caption=scene.caption,
        alt=scene.alt,
    )
