"""Players for notebooks: sound at its true level, a link, a picture and words.

A player never starts by itself and never evens out loudness: every sound is
turned down by the same `HEADROOM_DB`, so that one which is 6 dB quieter than
another is 6 dB quieter in its player too. Beside each player stand its level, a
link to the file and what to listen for; above it a picture of level against
time says the same without sound.
"""

import base64
import html
import io
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike

from tapecalc.calc.quantity import between
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.plot import style
from tapecalc.sound.files import encode_mp3
from tapecalc.sound.samples import peak_db, rms_db, sound_array

#: How far every player turns its sound down: even a full-scale sound starts at half amplitude.
#: common practice, no source
HEADROOM_DB = 6.0

FLOOR_DB = -70.0  # where the picture's level axis ends
LARGEST_MP3 = 200_000  # bytes; a longer sound belongs into a file, not into a notebook
STEP = 0.01  # seconds of sound of which the picture shows the peak


@dataclass(frozen=True)
class Clip:
    """One sound as it is played: turned down, encoded, its level measured."""

    title: str
    duration: float  # s
    peak_db: float  # as played, dBFS: 0 for a full-scale sine
    rms_db: float  # as played, dBFS: -3.01 for a full-scale sine
    level_db: tuple[float, ...]  # the peak of each `STEP` seconds, dBFS
    mp3: bytes

    @property
    def file_name(self) -> str:
        """A name for the saved file, made from the title."""
        return f"{re.sub(r'[^a-z0-9]+', '-', self.title.lower()).strip('-') or 'sound'}.mp3"

    @property
    def caption(self) -> str:
        """Title, length and level as a sentence."""
        levels = f"peak {self.peak_db:.1f} dBFS, rms {self.rms_db:.1f} dBFS"
        return f"{self.title}: {self.duration:.1f} s, {levels}."

    @property
    def description(self) -> str:
        """What the picture shows, as a sentence: when it is loudest, and how it dies away."""
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

    @property
    def alt(self) -> str:
        """The picture in words."""
        return "Level against time. " + " ".join(clip.description for clip in self.clips)

    @property
    def html(self) -> str:
        """The players side by side, and the words that belong to them."""
        names = html.escape(", ".join(clip.title for clip in self.clips), quote=True)
        return (
            f"<div role='group' aria-label='Sounds: {names}' style='max-width:800px'>"
            f"<div style='display:flex;flex-wrap:wrap;gap:4px 20px'>"
            f"{''.join(clip.html for clip in self.clips)}</div>"
            f"<p><b>Listen for:</b> {html.escape(self.listen_for)}</p>"
            f"<p>{html.escape(self.alt)}</p>"
            f"<p><small>Every player is turned down by the same {HEADROOM_DB:.0f} dB, so levels compare "
            f"from player to player. Start with your own volume low. No sound, no link? "
            f"Run this cell.</small></p></div>"
        )

    def figure(self) -> Figure:
        """Draw level against time, one pair of axes per sound, all on one scale."""
        profile = replace(style.as_profile("notebook"), height_in=2.4)
        with style.context(profile):
            figure = style.new_figure(profile)
            row = figure.subplots(1, len(self.clips), sharex=True, sharey=True, squeeze=False)[0]
            color = style.line_style(profile, 0)["color"]
            for axes, clip in zip(row, self.clips, strict=True):
                edges = np.arange(len(clip.level_db) + 1) * STEP
                axes.stairs(clip.level_db, edges, baseline=FLOOR_DB, fill=True, color=color)
                y_label = "peak level (dBFS)" if axes is row[0] else ""
                title = textwrap.fill(clip.title, 60 // len(row))
                style.style_axes(axes, profile, x="time (s)", y=y_label, title=title)
            prune = "upper" if len(row) > 1 else None  # the last number would meet the next 0
            row[0].xaxis.set_major_locator(MaxNLocator(12 // len(row), prune=prune))
            row[0].set(
                xlim=(0, max(clip.duration for clip in self.clips)),
                ylim=(FLOOR_DB, 0),
                yticks=(-60, -40, -20, 0),
            )
            return style.fix_layout(figure)

    @property
    def png(self) -> bytes:
        """The picture as PNG bytes, the same each time."""
        buffer = io.BytesIO()
        self.figure().savefig(buffer, format="png", metadata={"Software": None})
        return buffer.getvalue()

    def __repr__(self) -> str:
        return "\n".join([*(clip.caption for clip in self.clips), f"Listen for: {self.listen_for}"])

    def _ipython_display_(self) -> None:
        """Show the picture, and below it the players; either is worth having without the other."""
        from IPython.display import display

        width = round(100 * style.as_profile("notebook").width_in)  # pixels of the page, as the panels
        picture = {"image/png": base64.b64encode(self.png).decode("ascii"), "text/plain": self.alt}
        display(picture, raw=True, metadata={"image/png": {"alt": self.alt, "width": width}})
        display({"text/html": self.html, "text/plain": repr(self)}, raw=True)


def player(samples: ArrayLike, sample_rate: int, *, title: str, listen_for: str) -> Listening:
    """Return a player for one sound; the last line of a cell shows it.

    `samples` are mono, shape (n,), or stereo, shape (n, 2), from -1 to 1; the player stands `HEADROOM_DB`
    below them. `listen_for` says what there is to hear, as a sentence.

    >>> tone = 0.5 * np.sin(2 * np.pi * 441 * np.arange(44_100) / 44_100)
    >>> player(tone, 44_100, title="A tone", listen_for="A steady 441 Hz.")
    A tone: 1.0 s, peak -12.0 dBFS, rms -15.0 dBFS.
    Listen for: A steady 441 Hz.
    """
    return _listening({title: samples}, sample_rate, listen_for)


def compare(clips: Mapping[str, ArrayLike], sample_rate: int, *, listen_for: str) -> Listening:
    """Return players for two to four sounds by title, side by side on one scale of level and time.

    `listen_for` says what differs between them; otherwise as `player`.
    """
    if not 2 <= len(clips) <= 4:
        raise ValueError(f"clips must be two to four sounds, got {len(clips)}")
    return _listening(clips, sample_rate, listen_for)


def _listening(clips: Mapping[str, ArrayLike], sample_rate: int, listen_for: str) -> Listening:
    """Check and prepare all sounds."""
    made = tuple(_clip(_text("title", title), samples, sample_rate) for title, samples in clips.items())
    return Listening(clips=made, listen_for=_text("listen_for", listen_for))


def _text(name: str, text: str) -> str:
    """Refuse an empty text: a sound without words is lost on whoever cannot hear it."""
    if not isinstance(text, str) or not text.strip():
        raise ValueError(f"{name} must be a text that says something, got {text!r}")
    return text.strip()


def _clip(title: str, samples: ArrayLike, sample_rate: int) -> Clip:
    """Turn one sound down, encode it and measure what is played."""
    played = between("samples", sound_array(samples), -1, 1) * db_to_amplitude(-HEADROOM_DB)
    if not played.any():
        raise ValueError("samples must hold a sound, got silence")
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
    profile = tuple(levels.round(2).tolist())
    return Clip(title, duration, peak_db(played), rms_db(played), profile, mp3)
