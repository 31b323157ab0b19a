"""Players for notebooks: sound at the loudness of the course, a link, a picture and words.

A player never starts by itself. The loudest sound of a group is brought to -23 LUFS and the others move with
it, so that one which is 6 dB quieter than another is 6 dB quieter in its player too; or each is brought
there, where loudness would hide what there is to hear. Beside each player stand its loudness, a link to the
file and what to listen for; above it a picture of level or pitch against time says the same without sound.
"""

import base64
import html
import io
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike

from tapecalc.calc.quantity import between, finite
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.plot import style
from tapecalc.sound.files import encode_mp3
from tapecalc.sound.loudness import TWICE_DB, loudness_lufs, program_gain_db
from tapecalc.sound.samples import Array, peak_db, sound_array

FLOOR_DB = -70.0  # where the picture's level axis ends
LARGEST_MP3 = 200_000  # bytes; a longer sound belongs into a file, not into a notebook
STEP = 0.01  # seconds of sound of which the picture shows the peak


@dataclass(frozen=True)
class Clip:
    """One sound as it is played: encoded, its level measured."""

    title: str
    duration: float  # s
    peak_db: float  # as played, dBFS: 0 for a full-scale sine
    loudness_lufs: float  # as played, mono in both channels
    level_db: tuple[float, ...]  # the peak of each `STEP` seconds, dBFS
    mp3: bytes
    pitch_cents: tuple[float, ...] = ()  # against what was played into the tape, evenly over the duration

    @property
    def file_name(self) -> str:
        """A name for the saved file, made from the title."""
        return f"{re.sub(r'[^a-z0-9]+', '-', self.title.lower()).strip('-') or 'sound'}.mp3"

    @property
    def caption(self) -> str:
        """Title, length and level as a sentence."""
        return f"{self.title}: {self.duration:.1f} s, {self.loudness_lufs:.1f} LUFS."

    @property
    def description(self) -> str:
        """What the picture shows, as a sentence: how pitch moves, or when it is loudest and how it fades."""
        if self.pitch_cents:
            low, high = min(self.pitch_cents), max(self.pitch_cents)
            return f"{self.title} moves from {low:+.0f} to {high:+.0f} cents."
        below = np.array(self.level_db) - max(self.level_db)
        falls = [
            f"{drop} dB below that after {(1 + np.flatnonzero(below >= -drop)[-1]) * STEP:.1f} s"
            for drop in (20, 40)
            if below[-1] < -drop
        ]
        fading = f" and stays {' and '.join(falls)}" if falls else ""
        return f"{self.title} is loudest at {below.argmax() * STEP:.1f} s, {self.peak_db:.1f} dBFS{fading}."

    @property
    def html(self) -> str:
        """Player and link; nothing is fetched and nothing starts by itself."""
        title, name = html.escape(self.title, quote=True), html.escape(self.file_name)
        source = f"data:audio/mpeg;base64,{base64.b64encode(self.mp3).decode('ascii')}"
        return (
            f"<figure style='flex:1 1 240px;margin:0' aria-label='Sound: {title}'>"
            f"<audio controls preload='none' src='{source}' style='width:100%;min-width:220px;margin:4px 0'"
            f" aria-label='Play: {title}, {self.duration:.1f} seconds'></audio>"
            f"<figcaption>{html.escape(self.caption)} "
            f"<a download='{name}' href='{source}'>Save {name}</a> ({len(self.mp3) / 1000:.0f} kB)"
            f"</figcaption></figure>"
        )


@dataclass(frozen=True, kw_only=True, repr=False)
class Listening:
    """One or more sounds with what to listen for, as a sentence; a notebook shows it as players."""

    clips: tuple[Clip, ...]
    listen_for: str
    alike: bool = False  # whether each sound is as loud as the others

    @property
    def alt(self) -> str:
        """The picture in words."""
        what = "Pitch" if self.clips[0].pitch_cents else "Level"
        return f"{what} against time. " + " ".join(clip.description for clip in self.clips)

    @property
    def html(self) -> str:
        """The players side by side, and the words that belong to them; a page's script may make them one."""
        names = html.escape(", ".join(clip.title for clip in self.clips), quote=True)
        return (
            f"<div class='sounds' role='group' aria-label='Sounds: {names}' style='max-width:800px'>"
            f"<div style='display:flex;flex-wrap:wrap;gap:4px 20px'>"
            f"{''.join(clip.html for clip in self.clips)}</div>"
            f"<p><b>Listen for:</b> {html.escape(self.listen_for)}</p>"
            f"<p><small>{self.levels} Start with your own volume low.</small></p></div>"
        )

    @property
    def levels(self) -> str:
        """How the levels of the players compare, as a sentence."""
        if len(self.clips) == 1:
            return "As loud as the other sounds of the course."
        return "All equally loud." if self.alike else "Levels compare from sound to sound."

    def figure(self) -> Figure:
        """Draw level or pitch against time, one pair of axes per sound, all on one scale."""
        profile = replace(style.as_profile("notebook"), height_in=2.4)
        with style.context(profile):
            figure = style.new_figure(profile)
            row = figure.subplots(1, len(self.clips), sharex=True, sharey=True, squeeze=False)[0]
            color = profile.ground.dry
            bent = bool(self.clips[0].pitch_cents)
            for axes, clip in zip(row, self.clips, strict=True):
                if bent:
                    time = np.linspace(0, clip.duration, len(clip.pitch_cents))
                    axes.plot(time, clip.pitch_cents, color=color)
                else:
                    edges = np.arange(len(clip.level_db) + 1) * STEP
                    axes.stairs(clip.level_db, edges, baseline=FLOOR_DB, fill=True, color=color)
                what = "pitch (cents)" if bent else "peak level (dBFS)"
                title = textwrap.fill(clip.title, 60 // len(row))
                y_label = what if axes is row[0] else ""
                style.style_axes(axes, profile, x="time (s)", y=y_label, title=title)
            prune = "upper" if len(row) > 1 else None  # the last number would meet the next 0
            row[0].xaxis.set_major_locator(MaxNLocator(12 // len(row), prune=prune))
            row[0].set(xlim=(0, max(clip.duration for clip in self.clips)))
            if bent:
                most = max(np.abs(clip.pitch_cents).max() for clip in self.clips)
                row[0].set(ylim=(-1.15 * most - 1, 1.15 * most + 1))  # what is steady is a line through 0
            else:
                row[0].set(ylim=(FLOOR_DB, 0), yticks=(-60, -40, -20, 0))
            return style.fix_layout(figure)

    @property
    def png(self) -> bytes:
        """The picture as PNG bytes, the same each time."""
        buffer = io.BytesIO()
        self.figure().savefig(buffer, format="png", metadata={"Software": None})
        return buffer.getvalue()

    def __repr__(self) -> str:
        return "\n".join([*(clip.caption for clip in self.clips), f"Listen for: {self.listen_for}"])

    @property
    def picture(self) -> tuple[dict[str, str], dict[str, Any]]:
        """The picture as a notebook takes it: what it is, and its description and size."""
        width = round(100 * style.as_profile("notebook").width_in)  # pixels of the page, as the panels
        data = {"image/png": base64.b64encode(self.png).decode("ascii"), "text/plain": self.alt}
        return data, {"image/png": {"alt": self.alt, "width": width}}

    def _ipython_display_(self) -> None:
        """Show the picture, and below it the players; either is worth having without the other."""
        from IPython.display import display

        data, metadata = self.picture
        display(data, raw=True, metadata=metadata)
        display({"text/html": self.html, "text/plain": repr(self)}, raw=True)


def player(
    samples: ArrayLike, sample_rate: int, *, title: str, listen_for: str, pitch_cents: ArrayLike | None = None
) -> Listening:
    """Return a player for one sound, at -23 LUFS or -1 dB of true peak; the last line of a cell shows it.

    `samples` are mono, shape (n,), or stereo, shape (n, 2), from -1 to 1. `listen_for` says what there is to
    hear, as a sentence. With `pitch_cents`, evenly over the sound, the picture shows how the pitch moves.

    >>> tone = 0.5 * np.sin(2 * np.pi * 441 * np.arange(44_100) / 44_100)
    >>> player(tone, 44_100, title="A tone", listen_for="A steady 441 Hz.")
    A tone: 1.0 s, -23.0 LUFS.
    Listen for: A steady 441 Hz.
    """
    pitches = {} if pitch_cents is None else {title: pitch_cents}
    return compare({title: samples}, sample_rate, listen_for=listen_for, pitch_cents=pitches)


def compare(
    clips: Mapping[str, ArrayLike],
    sample_rate: int,
    *,
    listen_for: str,
    alike: bool = False,
    pitch_cents: Mapping[str, ArrayLike] | None = None,
) -> Listening:
    """Return players for one to four sounds by title, side by side on one scale of level and time.

    One gain brings the loudest to -23 LUFS; where they are to be `alike`, each has its own.
    `listen_for` says what differs between them; otherwise as `player`.
    """
    if not 1 <= len(clips) <= 4:
        raise ValueError(f"clips must be one to four sounds, got {len(clips)}")
    pitches = pitch_cents or {}
    if pitches and set(pitches) != set(clips):
        raise ValueError(f"pitch_cents must be of {', '.join(clips)}, got {', '.join(pitches)}")
    sounds = {_text("title", title): _sound(samples) for title, samples in clips.items()}
    gains_db = {title: program_gain_db(sound, sample_rate) for title, sound in sounds.items()}
    least_db = min(gains_db.values())
    made = tuple(
        _clip(title, sound, sample_rate, gains_db[title] if alike else least_db, pitches.get(title))
        for title, sound in sounds.items()
    )
    return Listening(clips=made, listen_for=_text("listen_for", listen_for), alike=alike)


def _sound(samples: ArrayLike) -> Array:
    """A sound that is one."""
    sound = between("samples", sound_array(samples), -1, 1)
    if not sound.any():
        raise ValueError("samples must hold a sound, got silence")
    return sound


def _text(name: str, text: str) -> str:
    """Refuse an empty text: a sound without words is lost on whoever cannot hear it."""
    if not isinstance(text, str) or not text.strip():
        raise ValueError(f"{name} must be a text that says something, got {text!r}")
    return text.strip()


def _clip(title: str, sound: Array, sample_rate: int, gain_db: float, pitch_cents: ArrayLike | None) -> Clip:
    """Bring one sound to its level, encode it and measure what is played."""
    played = sound * db_to_amplitude(gain_db)
    mp3 = encode_mp3(played, sample_rate)
    duration = len(played) / sample_rate
    if len(mp3) > LARGEST_MP3:
        raise ValueError(
            f"samples of {duration:.1f} s make {len(mp3) / 1000:.0f} kB of MP3, "
            f"allowed are {LARGEST_MP3 / 1000:.0f} kB; play a shorter part"
        )
    loudest = np.abs(played).reshape(len(played), -1).max(axis=1)
    peaks = np.maximum.reduceat(loudest, (np.arange(0, duration, STEP) * sample_rate).astype(int))
    levels = amplitude_to_db(np.maximum(peaks, db_to_amplitude(FLOOR_DB)))
    pitch = () if pitch_cents is None else finite("pitch_cents", pitch_cents).round(2).tolist()
    return Clip(
        title,
        duration,
        peak_db(played),
        loudness_lufs(played, sample_rate) + (TWICE_DB if played.ndim == 1 else 0),
        tuple(levels.round(2).tolist()),
        mp3,
        tuple(pitch),
    )
