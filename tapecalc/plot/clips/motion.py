"""Clips of stills in which one thing is moved: a head along the tape, or the speed of the tape.

Each draws the still of its name, moves what depends on what is moved, and at its end puts all of it back.
"""

import itertools
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from typing import Any, cast

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.text import Annotation, Text
from scipy import ndimage

from tapecalc.calc.flutter import repeat_deviation, repeat_pitch_ratio
from tapecalc.calc.heads import Heads, taps_gain
from tapecalc.calc.standards import FUSION_LIMIT
from tapecalc.calc.tempo import TempoFit, beats_from_delay, delay_from_tempo, nearest_fits
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si
from tapecalc.machine import Machine
from tapecalc.plot import film, heads, style
from tapecalc.plot.catalog import CATALOG
from tapecalc.plot.clips.sounds import (
    LEAD,
    PITCHES,
    RATE,
    add_at,
    clock_of,
    counted,
    from_the_back,
    glow,
    leveled,
    new_to,
    notes_at,
    show,
    since_last,
    stopped_at,
    whole_pixels,
    with_phrase,
)
from tapecalc.plot.kit import Drawn
from tapecalc.plot.style import Profile, frequency_text
from tapecalc.sound.engine import EchoSettings
from tapecalc.sound.motion import STENCIL, SpeedChange, delay_cells, samples_per_cell, speed_ratio
from tapecalc.sound.render import echo_settings, render, without_stages
from tapecalc.sound.samples import Array
from tapecalc.sound.signals import click
from tapecalc.words import amount, length, speed, with_article

EXAGGERATED, DEEPEST, UNSTATED = 20, 0.05, 0.001  # how often a wobble is taken, up to what, and one not known
TONE = 440.0  # Hz
#: How a delay is swept: (share of the clip, delay over that of the still). Eased from one to the next.
SWEEP = ((0.0, 0.5), (0.55, 1.5), (0.85, 1.0))
TURNS = 3  # of a wobble, that it is heard as one
BURST = 0.03  # s in which a burst of noise falls to a third
NOISE = 50.0, 6000.0  # Hz, as wide as can be read between samples
RAMP = 0.3  # s that a motor takes to another speed, along half a cosine; common practice, no source
MOST_CHANGE = 8.0  # between two speeds, as the engine takes it
STILL_ON_TAPE = 0.05  # s that a speed is kept beyond what is on its way
SHORT = 0.88  # of the way to a note value, from where a head is moved there
#: When it sets out, is there, sets out again and is back where the machine has it; shares of the clip.
SLIDE = (0.15, 0.45, 0.8, 0.95)
ANSWER_DB, CLICK_DB = -3.0, -21.0  # the echo against the note, and the peak of a click
MOST_POINTS = 500  # of a curve that moves, beside those where it turns
REACH = 1.08  # of the head's own spacing, how far the ruler goes
DOT, LARGER = 3.2, 1.4  # of a mark over the width of a line, and what sounds over what does not
TIMES = "\N{MULTIPLICATION SIGN}"


# ---- a still that moves ----

Pose = Callable[[float, float], None]


class Still:
    """The still of a name, drawn for a machine: what of it moves, and how all is put back."""

    def __init__(self, name: str, own: dict[str, Any], profile: Profile, units: str) -> None:
        self.drawn: Drawn = CATALOG[name].function(**own, profile=profile, units=units)
        self.profile = profile
        self.axes: Axes = self.drawn.figure.axes[0]
        self._moved: dict[Artist, Callable[[], None]] = {}
        self._added: list[Artist] = []
        self.rested = 0  # how often all was put back

    def moves(self, *artists: Artist) -> None:
        """Keep how these are, to put them back."""
        self._moved |= {artist: _putting_back(artist) for artist in artists}

    def adds(self, role: str, marker: str = "o", *, size: float = DOT, **look: Any) -> Line2D:
        """Add a mark, or with ``marker=""`` a line, that is seen while the still moves."""
        line = self.profile.line_pt
        plain: dict[str, Any] = {"color": self.profile.ground.role(role), "linewidth": line, "zorder": 5}
        plain |= {"marker": marker or None, "linestyle": "none" if marker else "-", "markersize": size * line}
        mark = Line2D([], [], **plain | {"clip_on": False, "visible": False} | look)
        self.axes.add_artist(mark)
        self._added.append(mark)
        return mark

    def says(self, role: str) -> Text:
        """Add a few words above the chart that are seen while the still moves."""
        look: dict[str, Any] = {"color": self.profile.ground.role(role), "fontsize": self.profile.text_pt}
        look |= {"family": style.FAMILY, "ha": "center", "va": "bottom", "visible": False, "zorder": 5}
        self._added.append(self.axes.text(0.5, 1.0, "", transform=self.axes.transAxes, **look))
        return cast(Text, self._added[-1])

    def hides(self, gid: str) -> list[Text]:
        """Give what is said in the head of the figure under a name, to be hidden while it does not hold."""
        found = [text for text in self.drawn.figure.texts if text.get_gid() == gid]
        self.moves(*found)
        return found

    def texts(self) -> list[Annotation]:
        """List what is written on the chart itself."""
        return [text for text in self.axes.texts if isinstance(text, Annotation)]

    def runs(self, gid: str, was: str | None = None) -> Callable[[str], None]:
        """Give what writes another value in place of one, or of all, in the head of the figure."""
        pattern = r"(?s).*" if was is None else re.escape(was).replace(r"\ ", r"\s")  # a line may end there
        for text in self.drawn.figure.texts:
            if text.get_gid() == gid and (found := re.search(pattern, text.get_text())):
                self.moves(text)
                return _writer(text, found)
        return lambda _: None

    def moving(self) -> tuple[Artist, ...]:
        """List what moves, and what lies over it at rest, in the order in which the still is drawn."""
        return from_the_back([*self._moved, *self._added])

    def update(self, pose: Pose, seconds: float) -> Callable[[float], None]:
        """Give what moves it all to where it is at a time in s, and puts it back at the end.

        `pose` is told that time, and that of which numbers tell.
        """

        def moved(time: float) -> None:
            for mark in self._added:
                show(mark, float(film.remaining(time, seconds)))
            if time < seconds:
                pose(time, counted(time))
                return
            self.rested += 1
            for put_back in self._moved.values():
                put_back()

        return moved


def _putting_back(artist: Any) -> Callable[[], None]:
    """Keep what an artist shows; what brings it back."""
    if isinstance(artist, Line2D):
        data = tuple(np.array(part) for part in artist.get_data(orig=True))
        kept: dict[str, Any] = {"data": data, "visible": True}
    elif isinstance(artist, LineCollection):
        kept = {"segments": [np.array(part) for part in artist.get_segments()]}
    else:
        kept = {"text": artist.get_text(), "position": artist.get_position(), "visible": True}
    place = getattr(artist, "xy", None)

    def put_back() -> None:
        artist.set(**kept)
        if place is not None:
            artist.xy = place

    return put_back


def _writer(text: Text, found: re.Match[str]) -> Callable[[str], None]:
    return lambda now: text.set_text(f"{found.string[: found.start()]}{now}{found.string[found.end() :]}")


def between_stops(time: Any, stops: Sequence[tuple[float, float]]) -> Any:
    """Go from one value to the next, eased, by (time, value); before the first and after the last it stays.

    >>> between_stops([0.0, 1.5, 9.0], [(1, 10.0), (2, 20.0)])
    array([10., 15., 20.])
    """
    value = stops[0][1] + 0.0 * np.asarray(time)
    for (start, low), (end, high) in itertools.pairwise(stops):
        value = value + (high - low) * film.eased((np.asarray(time) - start) / (end - start))
    return value


def _sweep(seconds: float) -> list[tuple[float, float]]:
    """When a delay is which share of that of the still, in a clip of a length."""
    room = seconds - LEAD - film.EASE
    return [(LEAD + share * room, factor) for share, factor in SWEEP]


def read_between(sound: Array, places: Array) -> Array:
    """Read a sound at places between its samples, which may go on at any pace; silence around it."""
    return ndimage.map_coordinates(sound, [places], order=3, mode="constant")


def _from_lead(sound: Array) -> Array:
    """Let a sound that goes on set in at `LEAD`, and stop before the end."""
    sound = stopped_at(sound, len(sound) / RATE - film.FADE)
    return sound * film.eased((clock_of(len(sound) / RATE) - LEAD) / film.FADE)


def _refuse_if_shorter(seconds: float, least: float, why: str) -> None:
    if seconds < least:
        raise ValueError(f"seconds must be {np.ceil(10 * least) / 10:g} or more {why}, got {seconds:g}")


# ---- a wobble that cancels ----


def flutter_comb(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show a wobble that cancels and doubles while the delay is swept, and let it be heard in a held tone.

    The wobble is that of the part which the still's number is about, or where no part is known one made up
    that fits the delay. The tone is ``440 Hz v(t) / v(t - T)``, with the delay `T` of the moment.
    """
    own = CATALOG["flutter_comb"].arguments(machine)
    still, delay = Still("flutter_comb", own, profile, units), own["delay"]
    first, second, dots = (still.drawn.artists[key] for key in ("first", "second", "parts"))
    rate, stated, name = min(1 / delay, float(first.get_xdata()[-1])), UNSTATED, "a made-up wobble"
    known = np.size(dots.get_xdata()) > 0
    if known:
        part = own["parts"][int(np.argmax(dots.get_ydata()))]
        rate, stated = part.rate_at(own["speed"]), part.wobble_at(own["speed"]) or UNSTATED
        name = f"the wobble of the {part.name}{'' if part.wobble_at(own['speed']) else ', assumed'}"
    _refuse_if_shorter(seconds, TURNS / rate, f"for a wobble of {frequency_text(rate)} to be heard")
    depth, stops, clock = min(EXAGGERATED * stated, DEEPEST), _sweep(seconds), clock_of(seconds)
    delays = delay * between_stops(clock, stops)
    turned = np.cumsum(repeat_pitch_ratio(clock, depth, rate, delays)) / RATE
    pose = _pose_of_comb(still, rate, delay, known=known)
    sound, level = leveled(_from_lead(np.sin(2 * np.pi * TONE * turned)))
    factors = _bend(rate, delays[:: RATE // 100])
    swept = f"from {amount(delays.min(), 'ms')} to {amount(delays.max(), 'ms')}"
    return film.Scene(
        figure=still.drawn.figure,
        moving=still.moving(),
        update=still.update(lambda *times: pose(*delay * between_stops(times, stops)), seconds),
        sound=sound,
        level=level,
        events=_turning_points(clock, rate * delays),
        poster=seconds / 2,
        title="The delay decides which wobble is heard",
        caption=f"A tone of {TONE:g} Hz through one pass, its delay swept {swept} and back to "
        f"{amount(delay, 'ms')}: {name}, {frequency_text(rate)} and {100 * stated:.2g} %, bends the pitch "
        f"{factors.min():.1f} to {factors.max():.1f} times as far. In the sound it is taken "
        f"{depth / stated:.3g} times as large, so that it is heard.",
        alt=f"{still.drawn.alt} While the delay is swept the arches of the first repeat are squeezed "
        "together and let go, and the dots ride on them; a larger dot is the wobble that is heard.",
        sources=still.drawn.sources,
    )


def _bend(rate: Any, delay: Any) -> Any:
    """How far the first repeat is bent, over the wobble that bends it."""
    return repeat_deviation(UNSTATED, rate, delay) / UNSTATED


def _pose_of_comb(still: Still, rate: float, delay: float, *, known: bool) -> Pose:
    """Give what draws the comb of a delay, with the dots that ride on it, one of them heard."""
    first, second, dots = (still.drawn.artists[key] for key in ("first", "second", "parts"))
    places = np.asarray(dots.get_xdata(), dtype=float)
    ends = [text for text in still.texts() if text.get_color() == second.get_color()]
    still.moves(first, second, dots, *ends)
    rider, is_new = still.adds("echo", size=LARGER * DOT), new_to()
    guides = still.adds("frame", "", linewidth=style.GRID * still.profile.line_pt, zorder=1.5)
    guides.set_data(np.repeat(places, 3), np.tile([0, 2, np.nan], places.size))

    def number(now: float) -> str:
        return f"{TIMES} {_bend(rate, now):.1f}" if known else frequency_text(1 / now)

    write, tell = still.runs("number", number(delay)), still.runs("subtitle", amount(delay, "ms"))

    def pose(now: float, told: float) -> None:
        for later in (second, *ends):
            later.set_visible(False)  # the first repeat is heard
        first.set_ydata(_bend(first.get_xdata(), now))
        if known:
            dots.set_ydata(_bend(places, now))
        rider.set_data([rate], [_bend(rate, now)])
        if is_new(told, still.rested):
            write(number(told))
            tell(amount(told, "ms"))

    return pose


def _turning_points(clock: Array, turns: Array) -> tuple[tuple[float, str], ...]:
    """When a wobble that turns so often in a delay cancels, and when it is doubled."""
    events = [(LEAD, f"a tone of {TONE:g} Hz that wobbles")]
    for shift, name in ((0.0, "the wobble cancels"), (0.5, "the wobble is doubled")):
        passed = np.flatnonzero(np.diff(np.floor(turns + shift)))
        events += [(float(clock[k]), name) for k in passed if clock[k] > LEAD]
    return tuple(sorted(events))


# ---- teeth that move ----


def comb_of_heads(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show how the teeth of answers that follow each other move while a head slides, and let it be heard.

    The sound is ``sum of a_k x(t - T_k(t))`` from the first answer on: noise, or bursts of it where ears
    tell the answers apart. One head slides away from the record head, of several one of the closest two.
    """
    own = CATALOG["comb_of_heads"].arguments(machine)
    delays, repeats = np.array(own["delays"]), own.get("repeats", False)
    if not np.ptp(delays):
        raise ValueError("comb_of_heads as a clip needs two answers: turn the return send up, or add a head")
    still, gaps = Still("comb_of_heads", own, profile, units), np.diff(delays)
    slides = 1 + int(np.argmin(np.where(gaps > 0, gaps, np.inf)))
    apart, stops, clock = float(gaps[slides - 1]), _sweep(seconds), clock_of(seconds)

    def taps(now: Any) -> list[Any]:
        if repeats:
            return [n * now for n in range(len(delays))]
        later = [*delays - delays[0]]
        later[slides] = later[slides - 1] + now
        return later

    longest = max(taps(max(factor for _, factor in SWEEP) * apart))
    noise, swept = _noise(seconds + longest), apart * between_stops(clock, stops)
    what = "noise" if apart <= FUSION_LIMIT else "bursts of noise"
    if apart > FUSION_LIMIT:
        since = (clock_of(len(noise) / RATE) - longest - LEAD) % max(1.0, 1.1 * longest)
        noise = noise * np.exp(-since / BURST) * film.eased(since / film.FADE)
    heard = sum(
        gain * read_between(noise, (clock + longest - later) * RATE)
        for gain, later in zip(own["levels"], taps(swept), strict=True)
    )
    pose = _pose_of_teeth(still, taps, own, apart, 1 if repeats else slides)
    sound, level = leveled(_from_lead(np.asarray(heard)))
    said = [
        f"{heads.apart_text(apart * factor)} apart, teeth {frequency_text(1 / (apart * factor))} apart"
        for _, factor in SWEEP
    ]
    return film.Scene(
        figure=still.drawn.figure,
        moving=still.moving(),
        update=still.update(lambda *times: pose(*apart * between_stops(times, stops)), seconds),
        sound=sound,
        level=level,
        events=tuple(zip((time for time, _ in stops), (f"{what}, {said[0]}", *said[1:]), strict=True)),
        poster=stops[1][0],
        title="A head that slides moves the teeth",
        caption=f"{'The head' if repeats else f'Head {slides + 1}'}, moved while one hears {what}: "
        f"{said[0]}, then {said[1]}, and back to {heads.apart_text(apart)}. {still.drawn.caption}",
        alt=f"{still.drawn.alt} Above, heads on the tape; one of them slides, and the teeth are squeezed "
        "together and let go.",
        sources=still.drawn.sources,
    )


def _noise(seconds: float) -> Array:
    """Make noise of equal power in each octave of `NOISE`, always the same."""
    size = round(seconds * RATE) + RATE // 10
    frequency = np.fft.rfftfreq(size, 1 / RATE)
    inside = (frequency >= NOISE[0]) & (frequency <= NOISE[1])
    drawn = np.random.default_rng(0).standard_normal((2, frequency.size))
    spectrum = np.where(inside, (drawn[0] + 1j * drawn[1]) / np.sqrt(np.maximum(frequency, 1)), 0)
    sound = np.fft.irfft(spectrum, size)
    return sound / np.abs(sound).max()


def _pose_of_teeth(
    still: Still, taps: Callable[[float], list[float]], own: dict[str, Any], apart: float, slides: int
) -> Pose:
    """Give what draws the comb of answers of which two are so far apart, in s, and where heads stand then."""
    comb, levels, shown = still.drawn.artists["comb"], own["levels"], 2 if own.get("repeats") else None
    frequency, loudest = np.asarray(comb.get_xdata()), float(np.max(np.abs(levels)))
    numbers = [text for text in still.texts() if text.anncoords == "offset points"]
    still.moves(comb, *numbers)
    up: dict[str, Any] = {"transform": still.axes.transAxes, "solid_capstyle": "butt"}
    still.adds("ribbon", "", linewidth=3 * still.profile.line_pt, **up).set_data([0.0, 1.0], [0.94, 0.94])
    places = still.adds("tape", "s", size=1.2 * DOT, **up)
    write, is_new = still.runs("number", frequency_text(1 / apart)), new_to()
    hidden, gap = [*numbers, *still.hides("subtitle")], still.says("tape")  # they are of the still's teeth
    nearest, farthest = (taps(pick(factor for _, factor in SWEEP) * apart)[:shown] for pick in (min, max))
    middle = (nearest[slides - 1] + nearest[slides]) / 2  # which lies between both heads all the time
    gap.set_x(0.1 + 0.8 * middle / max(farthest))

    def pose(now: float, told: float) -> None:
        turns = np.arange(0, frequency[-1], 0.5 / now)  # or notches would flicker between two points
        points = np.union1d(frequency[:: max(1, frequency.size // MOST_POINTS)], turns)
        sums = np.abs(taps_gain(points, taps(now), levels)) / loudest
        comb.set_data(points, amplitude_to_db(np.maximum(sums, db_to_amplitude(heads.FAINTEST_DB))))
        for text in hidden:
            text.set_visible(False)
        stand = [0.1 + 0.8 * later / max(farthest) for later in taps(now)[:shown]]
        places.set_data(stand, [0.94] * len(stand))
        if is_new(told, still.rested):
            gap.set_text(heads.apart_text(told))
            write(frequency_text(1 / told))

    return pose


# ---- two speeds ----


def switched_speeds(machine: Machine, units: str = "metric") -> tuple[float, float]:
    """Give the speed that a machine is switched from, m/s, and that farthest from it which a motor reaches.

    Of a range its ends, the fast one first.
    """
    if machine.speed_range is not None:
        slow, fast = machine.speed_range
        return fast, max(slow, fast / MOST_CHANGE)
    first = machine.speeds[0]
    others = [v for v in machine.speeds if v != first and 1 / MOST_CHANGE <= v / first <= MOST_CHANGE]
    if not others:
        raise ValueError(
            f"clip 'delay_map' needs two speeds, and {machine.name!r} has only {speed(first, units)}"
        )
    return first, max(others, key=lambda v: abs(np.log(v / first)))


def delay_map(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show how the delay of the first head goes from one speed's line to the other's and back, and is heard.

    The tape changes its speed within `RAMP`; what is on it bends until the head plays what was recorded at
    the new one: ``p(t) - p(t - T) = d``.
    """
    first, other = switched_speeds(machine, units)
    still = Still("delay_map", CATALOG["delay_map"].arguments(machine), profile, units)
    there, back = (machine.delays(v)[0] for v in (first, other))
    least = LEAD + 2 * RAMP + there + back + 2 * STILL_ON_TAPE + film.EASE
    _refuse_if_shorter(seconds, least, "for both changes of speed to be heard")
    leaves = LEAD + STILL_ON_TAPE + (seconds - least) / 4
    returns = leaves + RAMP + back + STILL_ON_TAPE + (seconds - least) / 2
    away, home = _change(machine, first, other, leaves), _change(machine, other, first, returns)
    dry = with_phrase(np.zeros(round(seconds * RATE)), LEAD, heads.song_tempo(machine))
    turns = round(returns * RATE)  # until then, and from then on, both play the same
    wet = [render(dry, RATE, settings, seconds=seconds).wet for settings in (away, home)]
    clock, share = _followed((away, home), returns, seconds)

    def delay_now(time: float) -> float:
        return there + (back - there) * float(np.interp(time, clock, share))

    def speed_now(time: float) -> float:
        motion = (away if time < returns else home).motion
        return motion.speed * float(speed_ratio(motion, time))

    pose = _pose_of_map(still, machine, (first, there), units)
    sound, level = leveled(_from_lead(dry + np.concatenate([wet[0][:turns], wet[1][turns:]])))
    falls, rises = ("falls", "rises") if other < first else ("rises", "falls")
    ms = [amount(delay, "ms") for delay in (there, back)]
    return film.Scene(
        figure=still.drawn.figure,
        moving=still.moving(),
        update=still.update(
            lambda time, told: pose(delay_now(time), delay_now(told), speed_now(told)), seconds
        ),
        sound=sound,
        level=level,
        events=(
            (LEAD, f"phrase, its echo {ms[0]} later"),
            (leaves, f"{'slower' if other < first else 'faster'}: the pitch of the echo {falls}"),
            (leaves + RAMP + back, f"the pitch is right again, the echo {ms[1]} late"),
            (returns, f"back: the pitch of the echo {rises}"),
            (returns + RAMP + there, f"the echo is {ms[0]} late again"),
        ),
        poster=leaves + RAMP + back / 2,
        title="Another speed moves the delay",
        caption=f"The speed goes from {speed(first, units)} to {speed(other, units)} and back, the delay of "
        f"the first head from {ms[0]} to {ms[1]}. The motor is taken to need {amount(RAMP, 'ms')}; what is "
        "on the tape until then is played at another speed than it was recorded, and its pitch bends.",
        alt=f"{still.drawn.alt} A larger point leaves the line of one speed at the first head, settles on "
        "that of the other, and comes back.",
        sources=(*still.drawn.sources, "delay while the speed changes: conservation of tape"),
    )


def _change(machine: Machine, before: float, after: float, start: float) -> EchoSettings:
    """The first head alone, answering once, while the speed of the tape changes at a time."""
    change = SpeedChange(ratio=after / before, start=start, seconds=RAMP)
    settings = echo_settings(machine, before, change=change)
    settings = without_stages(settings, ["flutter", "hiss", "saturation", "feedback"])
    spacing = machine.heads_at(max(before, after)).spacings[:1]  # one for both, so that they can be joined
    return replace(settings, heads=Heads(spacings=spacing))


def _followed(changes: Sequence[EchoSettings], joined: float, seconds: float) -> tuple[Array, Array]:
    """How far the delay has followed two changes of speed, from 0 to 1 and back, on a grid of times in s."""
    taken, (spacing,) = [], changes[0].heads.spacings
    step = samples_per_cell(changes[0].motion, RATE) / RATE  # that of both
    count = int(seconds / step) + 2
    for settings in changes:
        cells, found = delay_cells(settings.motion, [spacing], RATE), np.zeros(0)
        while len(found) < count + STENCIL:
            found = np.concatenate([found, next(cells)[0]])
        taken.append(found[STENCIL // 2 - 1 :][:count])
    clock, ends = (
        step * np.arange(count, dtype=np.float64),
        [spacing / settings.motion.speed for settings in changes],
    )
    followed = (np.where(clock < joined, *taken) - ends[0]) / (ends[1] - ends[0])
    return clock, np.asarray(followed, dtype=np.float64)


def _pose_of_map(
    still: Still, machine: Machine, home: tuple[float, float], units: str
) -> Callable[[float, float, float], None]:
    """Give what moves a point at the first head to a delay, and says it with the speed of the tape."""
    place = from_si(machine.spacings[0], "mm" if units == "metric" else "in")
    rider, trail = still.adds("echo", size=1.6 * DOT), still.adds("echo", "", zorder=4.5)
    at_first, write = home[1], still.runs("number")
    tell = still.runs("means", speed(home[0], units))

    def pose(delay: float, told: float, now: float) -> None:
        rider.set_data([place], [from_si(delay, "ms")])
        trail.set_data([place, place], [from_si(time, "ms") for time in (at_first, delay)])
        write(amount(told, "ms"))
        tell(speed(now, units))

    return pose


# ---- a head on its way to the beat ----


def note_in_reach(machine: Machine) -> TempoFit:
    """Find the note value nearest to the first head to which it can be moved, at the first speed.

    It must not pass the next head; the ruler of a single one ends `REACH` of its spacing away.
    """
    delay, bpm = machine.delays(machine.speeds[0])[0], heads.song_tempo(machine)
    farthest = (*machine.spacings, REACH * machine.spacings[0])[1] / machine.spacings[0]
    fits = nearest_fits(delay, bpm)
    near = next((found for found in fits if found.wanted_delay < farthest * delay), None)
    if near is None:
        raise ValueError(
            f"clip 'tape_as_ruler' needs a note value near the first head, and {machine.name!r} has none: "
            f"{with_article(fits[0].note.name)} takes {amount(fits[0].wanted_delay, 'ms')}"
        )
    return near


def tape_as_ruler(machine: Machine, *, profile: Profile, units: str, seconds: float) -> film.Scene:
    """Show the first head slide along the tape until its echo falls on a click, and go back to its place.

    It comes from `SHORT` of the way. The sound is ``x(t) + g x(t - T)``, with clicks on the beats and where
    the echo belongs.
    """
    goal, tape_speed = note_in_reach(machine), machine.speeds[0]
    delay, bpm, wanted = goal.delay, goal.bpm, goal.wanted_delay
    _refuse_if_shorter(seconds, LEAD + wanted + film.EASE, "for an echo to be heard")
    still = Still("tape_as_ruler", CATALOG["tape_as_ruler"].arguments(machine), profile, units)
    places = (SHORT * wanted / delay, wanted / delay, wanted / delay, 1.0)
    stops = [(LEAD + share * (seconds - LEAD), at) for share, at in zip(SLIDE, places, strict=True)]
    clock, beat = clock_of(seconds), float(delay_from_tempo(bpm, 1))
    apart = beat * float(np.ceil(goal.note.beats + 0.25))
    notes = np.arange(LEAD, max(LEAD + 1e-9, stops[2][0] - wanted), apart)
    echoes = notes + wanted
    for _ in range(30):  # heard with the delay of that moment, which changes slowly
        echoes = notes + delay * between_stops(echoes, stops)
    dry = notes_at(notes, seconds, decay=min(0.35, 2 * wanted), pitches=PITCHES[1:2])
    answer = read_between(dry, (clock - delay * between_stops(clock, stops)) * RATE)
    beats = np.arange(LEAD, stops[2][0], beat)
    clicks = _clicks(np.union1d(beats.round(6), (notes + wanted).round(6)), seconds)
    sound, level = leveled(dry + db_to_amplitude(ANSWER_DB) * answer + clicks)
    on, of = with_article(goal.note.name), len(machine.spacings)
    pose = _pose_of_ruler(still, machine, goal, notes, echoes, units)
    return film.Scene(
        figure=still.drawn.figure,
        moving=still.moving(),
        update=still.update(lambda time, told: pose(time, *between_stops((time, told), stops)), seconds),
        sound=sound,
        level=level,
        events=_notes_and_echoes(notes, echoes, goal, seconds),
        poster=(stops[1][0] + stops[2][0]) / 2,
        title="A head slides until its echo fits",
        caption=f"{f'The first of {of} heads alone' if of > 1 else 'The head'} slides until its echo falls "
        f"on {on}, at {speed(tape_speed, units)} and {bpm:g} beats a minute: that is "
        f"{length(machine.spacings[0] * wanted / delay, units)} from the record head. The machine has it at "
        f"{length(machine.spacings[0], units)}, {beats_from_delay(delay, bpm):.2f} beats.",
        alt=f"{still.drawn.alt} A dot rides along the tape with each note; the first head slides until the "
        "dot meets it on a dashed mark, where a click is heard, and goes back to its place.",
        sources=still.drawn.sources,
    )


def _clicks(times: Array, seconds: float) -> Array:
    """Click at some times."""
    sound, struck = (
        np.zeros(round(seconds * RATE)),
        click(0.02, RATE, at=0.002, width=0.003, level_db=CLICK_DB),
    )
    for time in times:
        add_at(sound, time - 0.002, struck)
    return sound


def _notes_and_echoes(
    notes: Array, echoes: Array, goal: TempoFit, seconds: float
) -> tuple[tuple[float, str], ...]:
    """The notes and their echoes, and how far these are from where they belong."""
    events = [(float(note), "note") for note in notes]
    for note, echo in zip(notes, echoes, strict=True):
        miss = float(echo - note) - goal.wanted_delay
        late = f"its echo, {amount(abs(miss), 'ms')} {'late' if miss > 0 else 'early'}"
        words = late if abs(miss) > goal.threshold else f"its echo, on {with_article(goal.note.name)}"
        events += [(float(echo), words)] if echo < seconds else []
    return tuple(sorted(events))


def _pose_of_ruler(
    still: Still, machine: Machine, goal: TempoFit, notes: Array, echoes: Array, units: str
) -> Callable[[float, float, float], None]:
    """Give what moves the first head to a share of its way, and a note along the uppermost ribbon."""
    unit, artists, line = "mm" if units == "metric" else "in", still.drawn.artists, still.profile.line_pt
    square, ways, hits = artists["heads"][0], artists["ways"], artists["hits"]
    place, bpm, tape_speed = float(square.get_xdata()[0]), goal.bpm, machine.speeds[0]
    segments, rests = ways.get_segments(), [np.array(dots.get_xdata()) for dots in hits]
    names = [text for text in still.texts() if tuple(text.xy) == (place, heads.HEAD_ROW)]
    beats = [
        (text, text.xy[0], machine.delays(v)[0])
        for row, (x, v) in enumerate(zip(rests, machine.speeds, strict=True), 1)
        for text in still.texts()
        if text.xy[0] in (x[0], place) and text.xy[1] == row - heads.RIBBON
    ]
    still.moves(square, ways, *hits, *names, *(text for text, _, _ in beats))
    low, high = 1 - heads.RIBBON, 1 + heads.RIBBON
    first = [float(beats_from_delay(machine.delays(v)[0], bpm)) for v in machine.speeds]
    told_of = [(still.runs(gid, f"{n:.2f}"), n) for gid, n in (("number", max(first)), ("means", min(first)))]
    mark = still.adds("text", "", linestyle=style.DASHED, linewidth=style.STRUCTURE * line, zorder=3.5)
    riding, written, heard = still.adds("echo"), still.adds("dry"), still.adds("echo", zorder=5.5)
    said = cache(lambda delay, *, brief: heads.beats_text(delay, bpm, brief=brief))  # it asks all notes
    words_at = whole_pixels(still.axes, 0)
    aim, end, slid = rests[0][0] * goal.wanted_delay / goal.delay, still.axes.get_xlim()[1], new_to()

    def pose(time: float, share: float, told: float) -> None:
        if slid(share, told, still.rested):
            square.set_xdata([share * place])
            for text in names:
                text.xy = (words_at(share * place), text.xy[1])
            for dots, rest in zip(hits, rests, strict=True):
                dots.set_xdata([share * rest[0], *rest[1:]])
            ways.set_segments([segments[0] * (share, 1), *segments[1:]])
            for text, x, delay in beats:
                text.xy = (words_at(share * x), text.xy[1])
                text.set_text(said(told * delay, brief=" " not in text.get_text()))
            mark.set_data([aim, aim], [low, high])
            for write, most in told_of:
                write(f"{told * most:.2f}")
        since = since_last(notes, time)
        ridden = float(from_si(since * tape_speed, unit))
        riding.set_data(([ridden], [1]) if 0 <= ridden <= end else ([], []))
        for lit, at, age in ((written, 0.0, since), (heard, share * rests[0][0], since_last(echoes, time))):
            shine = glow(age)
            lit.set_data(([at], [1]) if shine else ([], []))
            lit.set_markersize(DOT * line * (1 + shine))

    return pose
