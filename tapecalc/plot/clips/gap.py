"""Clips at the gap: a wave is written and read, squeezed into the gap, and lifted off the head."""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any, NamedTuple, cast

import numpy as np
from matplotlib.artist import Artist
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.transforms import Affine2D

from tapecalc.calc import response
from tapecalc.calc.heads import Heads
from tapecalc.calc.quantity import between
from tapecalc.calc.units import db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.plot import film
from tapecalc.plot.catalog import CATALOG
from tapecalc.plot.clips.sounds import (
    LEAD,
    LONGEST,
    RATE,
    STEP,
    Part,
    clock_of,
    counted,
    even,
    from_the_back,
    head_texts,
    leveled,
    new_to,
    say,
    together,
    whole_pixels,
    with_phrase,
    words_of,
)
from tapecalc.plot.gap import GRAIN, MIDDLE, RECORD_GAP, TONES, TREBLE, View, in_db, mean_wave, short, wave
from tapecalc.plot.heads import song_tempo
from tapecalc.plot.kit import Drawn, finely
from tapecalc.plot.style import Profile, frequency_text
from tapecalc.sound.engine import EchoSettings
from tapecalc.sound.render import render, without_stages
from tapecalc.sound.samples import Array
from tapecalc.words import listed, speed

WAVE_TIME = 0.6  # s that one wave takes through a picture that is slowed down
LEAST_TONE, ROUND = 0.1, 1.8  # s: the shortest tone that is played, and about how long one is with its pauses
ONSET, REVEAL = 0.01, 0.15  # s in which a tone sets in, and in which a wave appears
#: Shares of the clip at which the tape begins to slow down, is at the null, and goes back; then each speed.
SLOWED = (0.12, 0.55, 0.65)
LIFTED = (0.45, 0.75)  # shares of the clip between which the tape is lifted; then it stays so
WAY = 0.25  # s from head to head, where it does not matter
SINKING = 0.9  # s in which the tape comes down on the head: no large part of the picture may flash
STEPS = 9  # distances at which the phrase is played, to be mixed


# ---- what all of them need ----


def _still(name: str, machine: Machine, profile: Profile, units: str) -> tuple[dict[str, Any], Drawn]:
    """Draw the still of a name: what it was drawn with, and the figure."""
    own = CATALOG[name].arguments(machine)
    return own, CATALOG[name].function(**own, units=units, profile=profile)


def _magnetize(artists: Mapping[str, Any], paths: Mapping[str, Any], alpha: float | None = None) -> None:
    for name, path in paths.items():
        artists[name].set_path(path)
        artists[name].set_alpha(alpha)


def _paths(artists: Mapping[str, Any]) -> dict[str, Any]:
    return {name: artist.get_path() for name, artist in artists.items()}


def _burst(time: Any, start: float, lasting: float) -> Any:
    """How much of a tone sounds that begins at `start`, from 0 to 1."""
    return np.clip(np.minimum(time - start, start + lasting - time) / ONSET, 0, 1)


# ---- written and read ----


class _Rounds(NamedTuple):
    """Tones that are played one after the other, each with its echo; times in s, tones in Hz."""

    starts: list[float]
    tones: list[float]
    lasting: float  # of each
    waves: int  # of it that are shown
    delay: float

    def now(self, time: float, late: float = 0.0) -> tuple[int, float, float]:
        """Which tone was the last to begin, -1 for none; how long ago; and how long until the next."""
        began = [start + late for start in self.starts]
        k = int(np.searchsorted(began, time, side="right")) - 1
        rest = began[k + 1] - time if k + 1 < len(began) else np.inf
        return k, time - began[k] if k >= 0 else 0.0, rest

    def passed(self, since: float) -> float:
        """How many waves have gone by so long after a tone began."""
        return self.waves * min(since / self.lasting, 1.0)


def _rounds(delay: float, seconds: float) -> _Rounds:
    """Fill a clip with pairs of tones, low and high, or with the high one alone where it is short."""
    least = LEAD + delay + LEAST_TONE + film.EASE
    between(f"seconds, with an echo after {delay:.3g} s,", seconds, round(least, 2), LONGEST, "s")
    room = seconds - film.EASE - LEAD
    count = max(1, int(room / (delay + ROUND)) // 2 * 2)
    lasting = room / count - delay - (film.EASE if count > 1 else 0)
    starts = [LEAD + k * room / count for k in range(count)]
    tones = [(TREBLE, MIDDLE)[(count - 1 - k) % 2] for k in range(count)]
    return _Rounds(starts, tones, lasting, max(1, round(lasting / WAVE_TIME)), delay)


def at_the_gap(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show a tone as it is written where the tape leaves one gap, and read across the other.

    The tone is heard at the left, its echo at the right, a delay later. Both windows show the tape slowed
    down, as long as what they show is heard.
    """
    own, drawn = _still("at_the_gap", machine, profile, units)
    tape_speed, contact = own["speed"], own["contact"]
    settings, heads = even(machine, tape_speed), machine.heads_at(tape_speed)
    alone = Heads(spacings=heads.spacings[:1], gains=heads.gains[:1], feeds_return=heads.feeds_return[:1])
    settings = replace(without_stages(settings, ["feedback"]), heads=alone)
    rounds = _rounds(alone.spacings[0] / tape_speed, seconds)
    dry = _tones(rounds, settings, seconds)
    take = render(dry, RATE, settings, seconds=seconds)
    sound, level = leveled(np.column_stack([take.dry, take.wet]))
    slower = {
        tone: f"{float(f'{tone * rounds.lasting / rounds.waves:.2g}'):.0f}" for tone in set(rounds.tones)
    }
    shown = together(
        _written(drawn, rounds, tape_speed, contact, seconds),
        _read(drawn, rounds, tape_speed, contact),
        _carried(drawn, rounds, profile),
    )
    events = []
    for start, tone in zip(rounds.starts, map(frequency_text, rounds.tones), strict=True):
        events += [(start, f"{tone}, left"), (start + rounds.delay, f"echo of {tone}, right")]
    slowed = listed(f"{slower[tone]} times at {frequency_text(tone)}" for tone in sorted(slower))
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back(shown.artists),
        update=shown.update,
        sound=sound,
        level=level,
        events=tuple(events),
        poster=rounds.starts[-1] + rounds.delay + 0.8 * rounds.lasting,
        title=drawn.title,
        caption=f"{drawn.caption} Both windows show the tape slowed down, {slowed}; a tone is heard at the "
        "left, its echo at the right.",
        alt=f"{drawn.alt} While a tone sounds its stripes come out of the record gap and move on; what is "
        "written rides along the tape; at the playback gap a bar goes up and down with the mean, and leaves "
        "the wave that it reads behind, as long as the echo is heard.",
        sources=drawn.sources,
    )


def _tones(rounds: _Rounds, settings: EchoSettings, seconds: float) -> Array:
    """Play the tones, each moved to where its echo is a quarter of a wave off.

    So neither takes from the other where both channels of a film become one.
    """
    time = clock_of(seconds)
    sound = np.zeros(time.size)
    for start, tone in zip(rounds.starts, rounds.tones, strict=True):
        turned = 0.0 if settings.one_pass is None else np.angle(settings.one_pass.gain(tone)) / (2 * np.pi)
        own = (round(tone * rounds.delay) + 0.25 + turned) / rounds.delay
        sound += 0.25 * np.sin(2 * np.pi * own * (time - start)) * _burst(time, start, rounds.lasting)
    return sound


def _written(
    drawn: Drawn, rounds: _Rounds, tape_speed: float, contact: response.HeadContact, seconds: float
) -> Part:
    """The wave that comes out of the record gap, and the field that writes it."""
    magnets, field, view = (drawn.artists[name] for name in ("written", "field", "writing"))
    edge, at_rest, half, moved = RECORD_GAP / 2, _paths(magnets), film.EASE / 2, new_to()

    def update(time: float) -> None:
        k, since, rest = rounds.now(time)
        left = seconds - time
        if left <= half:
            moved(None)
            share = float(film.eased(1 - left / half))
            _magnetize(magnets, at_rest, None if left <= 0 else share)
            for line in field:
                line.set_alpha(None if left <= 0 else 0.3 + 0.7 * share)
            return
        length, passed = tape_speed / rounds.tones[k], rounds.passed(since) if k >= 0 else 0.0
        place = {"shift": edge + length * (0.25 + passed), "low": edge, "high": edge + passed * length}
        fading = float(film.eased(min(rest / film.EASE, (left - half) / half)))
        if moved(k, passed, fading):
            _magnetize(magnets, view.magnet_paths(length, contact.coating_thickness, **place), fading)
        current = abs(np.sin(2 * np.pi * passed)) if k >= 0 and since < rounds.lasting else 0.0
        for line in field:
            line.set_alpha(0.3 + 0.7 * current)

    return Part([*magnets.values(), *field], update)


def _read(drawn: Drawn, rounds: _Rounds, tape_speed: float, contact: response.HeadContact) -> Part:
    """The wave that passes the playback gap, a bar at its mean, and the wave that it leaves behind."""
    magnets, view = drawn.artists["read"], drawn.artists["reading"]
    at_rest, width = _paths(magnets), contact.gap * contact.gap_factor
    coating, bottom, right = contact.coating_thickness, contact.separation, view.ends[1]
    middle, most, moved = bottom + coating / 2, 0.4 * min(coating, view.ends[3] - bottom), new_to()
    mean_of = cache(lambda length: float(mean_wave(width, length)))
    trace = view.curve([], [], "echo", 1.0, zorder=3.2)
    bar = view.curve([], [], "echo", 1.6, zorder=3.3)

    def update(time: float) -> None:
        k, since, rest = rounds.now(time, rounds.delay)
        sounds = k >= 0 and since < rounds.lasting
        for line in (trace, bar):
            line.set_visible(sounds)
        if k == len(rounds.tones) - 1 and not sounds:
            if moved(None):
                _magnetize(magnets, at_rest)  # a whole number of waves has passed
            return
        length, passed = tape_speed / rounds.tones[k], rounds.passed(since)
        shown = 0.0 if k < 0 else float(film.eased(min(since / REVEAL, rest / film.EASE)))
        if moved(k, passed, shown):
            paths = view.magnet_paths(length, coating, bottom=bottom, shift=passed * length)
            _magnetize(magnets, paths, shown)
        if sounds:
            most_read = most * mean_of(length)
            x = np.linspace(0, min(right, passed * length), 400)
            trace.set_data(x, middle + most_read * wave(x, length, passed * length))
            now = middle + most_read * float(wave(0, length, passed * length))
            bar.set_data([-width / 2, width / 2], [now, now])
            for line in (trace, bar):
                line.set_alpha(float(film.eased((rounds.lasting - since) / REVEAL)))

    return Part([*magnets.values(), drawn.artists["mean"], trace, bar], update)


def _carried(drawn: Drawn, rounds: _Rounds, profile: Profile) -> Part:
    """What is written rides along the tape, at its true pace, and both heads show when they are at work."""
    boxes = [h.get_path().transformed(h.get_patch_transform()).get_extents() for h in drawn.artists["heads"]]
    axes, top = drawn.artists["heads"][0].axes, boxes[0].y1
    first, last = ((box.x0 + box.x1) / 2 for box in boxes)
    end, color = axes.get_xlim()[1], profile.ground.role
    look: Any = {"color": color("echo"), "zorder": 3.4, "solid_capstyle": "butt"}
    ride = axes.plot([first, end], [top + 0.1] * 2, linewidth=2.2 * profile.line_pt, **look)[0]
    marks = [
        axes.plot([x], [top], marker="o", markersize=4 * profile.line_pt, color=color(role), zorder=4.6)[0]
        for x, role in ((first, "dry"), (last, "echo"))
    ]

    def update(time: float) -> None:
        k, since, rest = rounds.now(time)
        pace = (last - first) / rounds.delay
        ends = [first + pace * max(0.0, ago) for ago in (since - rounds.lasting, since)]
        ride.set_visible(k >= 0 and ends[0] < end - 0.5)
        ride.set_data(np.clip(ends, first, end - 0.5), [top + 0.1] * 2)
        for mark, late in zip(marks, (0.0, rounds.delay), strict=True):
            n, ago, _ = rounds.now(time, late)
            sounds = float(_burst(time, time - ago, rounds.lasting)) if n >= 0 else 0.0
            mark.set_visible(sounds > 0)
            mark.set_alpha(sounds)

    return Part([ride, *marks], update)


# ---- squeezed into the gap ----


class _Run(NamedTuple):
    """How the tape slows down and goes back, in equal ratios, and from when each speed is then heard."""

    clock: Array  # s
    speeds: Array  # m/s, at these times
    turns: Array  # s
    heard: tuple[float, ...]  # m/s
    end: float  # s

    def turn(self, time: Any) -> Any:
        """Which speed is heard, counted from 1; 0 before the first."""
        return np.searchsorted(self.turns, time, side="right")

    def speed(self, time: Any) -> Any:
        slowed, turn = np.exp(np.interp(time, self.clock, np.log(self.speeds))), self.turn(time)
        return np.where(turn == 0, slowed, np.array(self.heard)[turn - 1])


def _run(null: float, speeds: tuple[float, ...], seconds: float) -> _Run:
    """Slow the fastest speed down to that of the null, and go back."""
    end, fast = seconds - film.EASE, max(speeds)
    slower, nothing, back = (LEAD + share * (end - LEAD) for share in SLOWED)
    there = back + min(film.EASE, 0.1 * (end - back))
    turns = np.linspace(there, end, len(speeds), endpoint=False)
    clock = np.array([LEAD, slower, nothing, back, there])
    return _Run(clock, np.array([fast, fast, null, null, fast]), turns, speeds, seconds)


def wavelength_at_gap(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show how slower tape squeezes the wave of a tone into the gap, until one wave fits and nothing is read.

    Then the speeds of the machine are heard one after the other.
    """
    own, drawn = _still("wavelength_at_gap", machine, profile, units)
    tone, speeds, name = own["frequency"], tuple(own["speeds"]), frequency_text(own["frequency"])
    width, fast = own["gap"] * own["gap_factor"], max(speeds)
    if not 0 < tone * width < fast:
        raise ValueError(
            f"wavelength_at_gap needs a gap that acts as less than {short(fast / tone)}, one wave of {name} "
            f"at {speed(fast, units)}, and as more than 0; it acts as {short(width)}"
        )
    run = _run(tone * width, speeds, seconds)

    def loss_db(time: Any) -> Any:
        return response.gap_loss_db(tone, run.speed(time), own["gap"], gap_factor=own["gap_factor"])

    time = clock_of(seconds)
    plain = np.sin(2 * np.pi * tone * time) * _burst(time, LEAD, seconds - film.FADE - LEAD)
    coarse = np.arange(0, seconds + STEP, STEP)  # between them from speed to speed without a click
    left = db_to_amplitude(loss_db(coarse))
    loud = float(left[0]) * plain
    sound, level = leveled(np.interp(time, coarse, left) * plain, loud, "as loud as others at its start")
    squeezed, head = _squeezed(drawn, run, own, units), head_texts(drawn.figure, "number", "means")
    at_rest = words_of(head)

    def update(time: float) -> None:
        squeezed.update(time)
        runs = LEAD <= time < seconds - film.EASE and run.speed(time) != min(speeds)  # whose number it has
        told = time if run.turn(time) else counted(time)
        now = {"number": in_db(float(loss_db(told))), "means": "by the gap"}
        say(head, now if runs else at_rest)

    null, losses = speed(tone * width, units), [in_db(float(loss_db(time))) for time in run.turns]
    events = [
        (LEAD, f"{name} at {speed(fast, units)}"),
        (run.clock[1], "slower: quieter, at the same pitch"),
        (run.clock[2], f"{null}: one wave fits the gap, nothing is heard"),
        *((t, f"{speed(v, units)}: {db}") for t, v, db in zip(run.turns, speeds, losses, strict=True)),
    ]
    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back([*squeezed.artists, *head.values()]),
        update=update,
        sound=sound,
        level=level,
        events=tuple((float(at), words) for at, words in events),
        poster=float(0.4 * run.clock[1] + 0.6 * run.clock[2]),
        title=drawn.title,
        caption=f"{drawn.caption} Slowed down to {null}, one wave fits what the gap acts as, and nothing is "
        "heard. The pitch stays, for the tone is written as slowly as it is read.",
        alt=f"{drawn.alt} The ribbon of the fastest speed slows down: its wave shortens, and the bar at the "
        "mean sinks to nothing with the sound; then each speed of the machine is heard in its turn.",
        sources=drawn.sources,
    )


def _squeezed(drawn: Drawn, run: _Run, own: Mapping[str, Any], units: str) -> Part:
    """The ribbon that slows down, with what it is called and reads; the mean that is heard is thick."""
    k, tone, width = int(np.argmax(run.heard)), own["frequency"], own["gap"] * own["gap_factor"]
    parts = ("patterns", "magnets", "shades", "views", "lengths", "losses")
    pattern, magnets, shade, view, length_of, loss_of = (drawn.artists[name][k] for name in parts)
    at_rest, means = _paths(magnets), drawn.artists["means"]
    wave_at_rest, first = pattern.get_data(), max(run.heard)
    window, depth = 2 * abs(float(wave_at_rest[0][0])), at_rest["stripes"].get_extents().y1
    said = length_of.get_text(), loss_of.get_text()
    wide, moved = means[0].get_linewidth(), new_to()

    def read(value: float) -> None:
        means[k].set_ydata([value, value])
        shade.set_y(min(value, 0))
        shade.set_height(abs(value))

    def update(time: float) -> None:
        turn, now = int(run.turn(time)), float(run.speed(time))
        for number, mean in enumerate(means):
            heard = number == (turn - 1 if turn else k) and time >= LEAD
            lit = film.remaining(time, run.end) if heard else 0.0
            mean.set_linewidth(wide * (1 + 0.8 * lit))
        if not moved(turn, not turn and (now, counted(time))):
            return
        if turn:
            _magnetize(magnets, at_rest)
            pattern.set_data(*wave_at_rest)
            read(float(mean_wave(width, first / tone)))
            length_of.set_text(said[0])
            loss_of.set_text(said[1])
            return
        length = now / tone
        _magnetize(magnets, view.magnet_paths(length, depth))
        x = finely(-window / 2, window / 2, length)
        pattern.set_data(x, wave(x, length))
        read(float(mean_wave(width, length)))
        told = float(run.speed(counted(time)))
        length_of.set_text(f"{speed(told, units)}, {short(told / tone)}")
        loss_db = response.gap_loss_db(tone, told, own["gap"], gap_factor=own["gap_factor"])
        loss_of.set_text(in_db(float(loss_db)))

    return Part([pattern, *magnets.values(), shade, *means, length_of, loss_of], update)


# ---- lifted by dirt ----


def lifted_tape(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show a grain of dirt that lifts the tape: lines of its field turn back, and the sound gets darker."""
    own, drawn = _still("lifted_tape", machine, profile, units)
    tape_speed, contact = own["speed"], own["contact"]
    most = contact.separation or GRAIN
    room = seconds - film.EASE - LEAD
    begins, ends = (LEAD + share * room for share in LIFTED)
    sinking = min(SINKING, 0.35 * room)

    def apart(time: Any) -> Any:
        lowest = 1 - sinking / SINKING  # a short clip has no time for all the way
        clock, shares = (LEAD, LEAD + sinking, begins, ends), (1, lowest, lowest, 1)
        return most * np.interp(time, clock, shares)

    def in_pixels(time: float) -> float:
        """Whole ones, as the edges of the tape are drawn: between two of them nothing is drawn anew."""
        return float(most - pixel * np.floor((most - apart(time)) / pixel + 0.5))

    def loss_db(time: float) -> float:
        return float(response.spacing_loss_db(TREBLE, tape_speed, float(apart(time))))

    time = clock_of(seconds)
    dry = with_phrase(np.zeros(time.size), LEAD, song_tempo(machine))
    heard = _through(dry, even(machine, tape_speed), apart(time))
    sound, level = leveled(heard * _burst(time, LEAD - ONSET, seconds))  # filters ring before a note
    lifted, head = (
        _lifting(drawn, tape_speed, contact, most),
        head_texts(drawn.figure, "subtitle", "number", "means"),
    )
    at_rest, name, view = words_of(head), frequency_text(TREBLE), drawn.artists["views"][0]
    pixel = 1 / float(np.ptp(view.sheet.axes.transData.transform([view.at(0, 0), view.at(0, 1)])[:, 1]))

    def update(time: float) -> None:
        told, is_most = counted(time), apart(time) == most
        lifted.update(most if is_most else max(0.0, in_pixels(time)), most if is_most else float(apart(told)))
        words = at_rest | {"number": in_db(loss_db(told)), "means": f"of {name} so far"}
        say(head, at_rest if is_most else words)
        if "subtitle" in head:
            head["subtitle"].set_visible(is_most)  # it says how far apart they are

    return film.Scene(
        figure=drawn.figure,
        moving=from_the_back([*lifted.artists, *head.values()]),
        update=update,
        sound=sound,
        level=level,
        events=(
            (LEAD, "phrase, the tape comes down"),
            (begins, "a grain lifts the tape: the sound gets darker"),
            (ends, f"{short(most)} apart: {in_db(loss_db(ends))} of {name}"),
        ),
        poster=0.3 * begins + 0.7 * ends,
        title=drawn.title,
        caption=f"{drawn.caption} The phrase is heard once through this machine, first with head and coating "
        "touching, then lifted by the grain.",
        alt=f"{drawn.alt} The tape comes down on the head. A grain grows below it and lifts it: the lines of "
        "short waves turn back first, and the phrase that is heard loses its treble.",
        sources=drawn.sources,
    )


def _through(dry: Array, settings: EchoSettings, apart: Array) -> Array:
    """Play a sound once over the tape while the distance to the head, one for each sample, changes.

    It is played at some distances, and mixed: between two of them a level is as good as straight. The way
    between the heads is the same for all, and taken out.
    """
    one_pass, way = cast(response.OnePass, settings.one_pass), WAY * settings.motion.speed
    alone = Heads(spacings=(way,), gains=(1.0,), feeds_return=(False,))
    once = replace(without_stages(settings, ["feedback"]), heads=alone, input_gain=1.0)
    distances = np.linspace(0, apart.max(), STEPS)
    sound, late = np.zeros(dry.size), round(WAY * RATE)
    for k, distance in enumerate(distances):
        today = replace(one_pass.today, separation=float(distance))
        lifted = replace(once, one_pass=replace(one_pass, today=today))
        share = np.interp(apart, distances, np.arange(STEPS) == k)
        sound += share * render(dry, RATE, lifted, seconds=dry.size / RATE + WAY).wet[late : late + dry.size]
    return sound


def _lifting(drawn: Drawn, tape_speed: float, contact: response.HeadContact, most: float) -> Part:
    """The tape, its field and the grain below it, each tone to itself.

    Set by two distances in m and not by a time: where it is, and what numbers tell.
    """
    parts = ("tapes", "magnets", "reaching", "closing", "grains", "views", "said", "losses")
    rows = [
        _row(tone, tape_speed / tone, contact.coating_thickness, most, *of_tone)
        for tone, *of_tone in zip(TONES, *(drawn.artists[name] for name in parts), strict=True)
    ]
    view = drawn.artists["views"][0]
    text_row, moved = whole_pixels(view.sheet.axes, 1), new_to()

    def update(now: float, told: float) -> None:
        for row in rows:
            row.update(now, told)
        if not moved(now, told):
            return
        for text in drawn.artists["apart"]:
            text.set_text(short(told))
            text.set_y((text_row if now < most else float)(view.at(0, now / 2 - most)[1]))
            text.set_visible(now * view.scale[1] > 1.5)

    return Part([*(a for row in rows for a in row.artists), *drawn.artists["apart"]], update)


def _row(
    tone: float,
    length: float,
    coating: float,
    most: float,
    bodies: list[Any],
    magnets: dict[str, Any],
    reaching: Any,
    closing: Any,
    grain: Any,
    view: View,
    said: Text,
    loss: Text,
) -> Part:
    """One tone: its field hangs on the tape, and the head takes what of it comes so far."""
    at_rest, lost, words = _paths(magnets), loss.get_text(), said.get_text()
    places = [(body, body.get_y(), body.get_height()) for body in bodies]
    apexes = np.array([-way[:, 1].min() for way in closing.get_segments()])
    colors = [closing.get_color()[0], reaching.get_color()[0]]
    fields = [(lines, Artist.get_transform(lines)) for lines in (reaching, closing)]
    lowest = view.magnet_paths(length, coating, bottom=-most, shift=length / 4)
    (left, bottom, wide, high), head = view.box, view.at(0, -most)[1]
    seen, above = ((left, low, wide, bottom + high - low) for low in (bottom, head))

    moved, said_anew, turned_anew = new_to(), new_to(), new_to()

    def update(now: float, told: float) -> None:
        if said_anew(told):
            lost_db = float(response.spacing_loss_db(tone, tone * length, told))
            loss.set_text(in_db(lost_db) if told < most else lost)
        if not moved(now):
            return
        down = now - most
        for body, low, thick in places:
            body.set_y(low + down)
            body.set_height(thick if body is bodies[-1] else thick - down)  # the film, up to where one sees
        grain.set(width=now, height=now, center=(grain.get_center()[0], now / 2 - most))
        for lines, at_most in fields:
            lines.set_transform(Affine2D().translate(0, down) + at_most)
            x, y, *size = above if down else seen
            lines.set_clip_path(Rectangle((x, y), *size, transform=view.sheet.axes.transData))
        turned = apexes <= now
        if turned.size and turned_anew(int(turned.sum())):
            closing.set_color([colors[0 if back else 1] for back in turned])
            back = bool(turned.any())
            said.set_color(view.sheet.color("frame" if back else "echo"))
            said.set_text(words and ("turns back" if back else "arrives"))
        up = Affine2D().translate(0, now)
        here = {name: path.transformed(up) for name, path in lowest.items()}
        _magnetize(magnets, here if down else at_rest)

    changing = [said, loss] if apexes.size else [loss]
    field = [lines for lines in (reaching, closing) if lines.get_segments()]
    shapes = [shape for shape in magnets.values() if len(shape.get_path())]
    return Part([*bodies, *shapes, *field, grain, *changing], update)
