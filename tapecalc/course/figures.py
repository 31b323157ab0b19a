"""Figures: whether the type is large enough where the picture is seen."""

import base64
import io
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

import numpy as np
from PIL import Image

from tapecalc.calc.quantity import Is, T, calculator
from tapecalc.calc.units import from_si
from tapecalc.course.deck import BPM, DECK, SLOW
from tapecalc.course.exercise import Exercise, Guess
from tapecalc.panels.panel import Panel
from tapecalc.plot import film, style

#: Height of a capital letter over the type size (read from the font).
CAPITAL = 0.714
#: Angles under which a capital letter can still be read, and is read with ease, arcmin.
#: Source: ISO 9241-303 (from memory): at least 16, preferred 20 to 22.
LEAST_ARCMIN, EASY_ARCMIN = 16.0, 20.0
#: How far sound may be ahead of its picture and behind it in a program that is handed over, s.
#: Source: EBU R 37 (from memory).
DELIVERED = 0.040, 0.060
#: The same, where half of all viewers notice, s. Source: ITU-R BT.1359 (from memory).
NOTICED = 0.045, 0.125

SIZES = {
    "video, 16 to 9": "video_1080",
    "vertical video, 9 to 16": "vertical",
    "slide": "slide",
    "article, two columns": "article_double",
}

#: What the panel of this lesson knows of pictures and eyes.
FACTS: dict[str, Any] = {
    "capital": CAPITAL,
    "least_arcmin": LEAST_ARCMIN,
    "easy_arcmin": EASY_ARCMIN,
    "sizes": {
        shown_as: {key: getattr(style.as_profile(name), key) for key in ("width_in", "height_in", "dpi")}
        for shown_as, name in SIZES.items()
    },
}

TypeShare = Annotated[T, Is("", above=0, words="type size over the height of the picture")]
PictureHeight = Annotated[T, Is("m", above=0, words="height of the picture as it is shown")]
EyeDistance = Annotated[T, Is("m", above=0, words="from the eye to the picture", usual=(0.2, 4.0))]
ViewingAngle = Annotated[T, Is("rad", above=0, words="angle in the eye")]


@calculator
def letter_angle(share: TypeShare, picture_height: PictureHeight, distance: EyeDistance) -> ViewingAngle:
    """Compute the angle that a capital letter takes in the eye, ``2 atan(c s H / 2 D)``.

    >>> round(from_si(letter_angle(1 / 36, 0.08, 0.3), "arcmin"), 1)
    18.2
    """
    return 2 * np.arctan(CAPITAL * share * picture_height / (2 * distance))


def type_panel() -> Panel:
    """Return the panel of type size, picture size and distance of the eye."""
    return Panel("figures", "typePanel", FACTS)


#: A clip that stands in a notebook: as wide as its panels.
IN_A_NOTEBOOK = replace(style.as_profile("page"), dpi=round(style.as_profile("page").dpi * 0.6))


@dataclass(frozen=True, repr=False)
class Watched:
    """A clip that a notebook plays, its sound where it belongs or moved."""

    mp4: bytes
    poster: bytes
    captions: bytes
    alt: str

    def __repr__(self) -> str:
        return self.alt

    def _repr_html_(self) -> str:
        video, poster, words = (
            f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
            for kind, content in (
                ("video/mp4", self.mp4),
                ("image/png", self.poster),
                ("text/vtt", self.captions),
            )
        )
        return (
            f"<figure style='margin:0;max-width:800px'><video controls preload='none' src='{video}'"
            f" poster='{poster}' style='width:100%' aria-label='{escape(self.alt, quote=True)}'>"
            f"<track kind='captions' srclang='en' label='What is heard' src='{words}'></video></figure>"
        )


def watch(scene: film.Scene, *, sound_late: float = 0.0, fps: int = 30) -> Watched:
    """Return a clip to be watched in a notebook, its sound moved later by so many seconds.

    The loudness stays that of all clips; what is moved past the end is lost.
    """
    late = round(np.clip(sound_late, 0, scene.seconds) * scene.sample_rate)
    moved = np.concatenate([np.zeros_like(scene.sound[:late]), scene.sound[: len(scene.sound) - late]])
    with TemporaryDirectory() as folder:
        path = film.write_mp4(replace(scene, sound=moved), Path(folder) / "clip.mp4", fps, progress=False)
        mp4, captions = (file.read_bytes() for file in (path, film.beside(path)[0]))
        poster = io.BytesIO()
        Image.open(film.beside(path)[1]).quantize(64).save(poster, "png", optimize=True)
    said = f" Its sound comes {from_si(sound_late, 'ms'):.0f} ms late." if late else ""
    return Watched(mp4, poster.getvalue(), captions, scene.alt + said)


# ---- exercises ----

_VIDEO = style.as_profile("video_1080")

#: The prediction: frames from record to playback head at the slow speed; a guess may be a third off.
_frames = 30 * DECK.delays(SLOW)[0]
first_guess = Guess(_frames, "frames", tolerance_percent=33).hints(
    "How many frames are 30 a second times not quite half a second?",
    (_frames / 2, "That is the way at the fast speed."),
    ((100, None), "That would take seconds: the echo comes sooner."),
)

#: The smallest type for video at nine inches of height.
smallest_type = Exercise(72 * _VIDEO.height_in / 36, "pt").hints(
    "An inch has 72 points; the figure is 9 inches high.",
    (1080 / 36, "That is the size in pixels of a picture with 1080 lines; we ask for points."),
    (72 * _VIDEO.width_in / 36, "You took the width; the rule goes by the height."),
)

#: Frames between two beats of the song.
frames_per_beat = Exercise(30 * 60 / BPM, "frames").hints(
    "First the length of a beat in seconds, then times 30.",
    (BPM / 30, "You divided the other way round: seconds per beat times frames per second."),
    (30 * BPM / 60, "That is beats per second times frames; a beat takes 60/76 seconds."),
)

#: How far picture and sound can be apart at 24 frames a second.
_apart_ms = from_si(0.5 / 24, "ms")
half_a_frame = Exercise(_apart_ms, "ms").hints(
    "What is the furthest that a moment can lie from the middle of its frame?",
    (2 * _apart_ms, "That is a whole frame. Each frame shows the middle of its time."),
)

#: Contrast of mid gray type on white.
_contrast = style.contrast("#999999", "#FFFFFF")
gray_type = Exercise(_contrast, "").hints(
    "The luminances come from `luminance`; white has 1.",
    (1 / style.luminance("#999999"), "You left out the 0.05 that is added above and below."),
    (1 / _contrast, "The lighter one goes on top."),
)

#: Bytes a second that go to the encoder.
_mb = 1920 * 1080 * 4 * 30 / 1e6
raw_pictures = Exercise(_mb, "MB a second").hints(
    "Pixels of a frame, times four bytes, times 30.",
    (_mb * 3 / 4, "Red, green, blue: and one more byte for opacity."),
    (_mb / 30, "That is one frame; a second has 30."),
)
