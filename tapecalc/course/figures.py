"""Figures: whether the type is large enough where the picture is seen."""

from dataclasses import replace
from typing import Annotated

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from tapecalc import words
from tapecalc.calc.quantity import Is, T, calculator
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.deck import BPM, DECK, SLOW
from tapecalc.course.exercise import Exercise, Guess
from tapecalc.course.panel import Answer, Artists, Panel, chart, choice, empty_line, slider
from tapecalc.plot import style

#: Height of a capital letter over the type size (read from the font).
CAPITAL = 0.714
#: Angles under which a capital letter can still be read, and is read with ease, arcmin.
#: Source: ISO 9241-303 (from memory): at least 16, preferred 20 to 22.
LEAST_ARCMIN, EASY_ARCMIN = 16.0, 20.0

SIZES = {
    "video, 16 to 9": "video_1080",
    "vertical video, 9 to 16": "vertical",
    "slide": "slide",
    "article, two columns": "article_double",
}
AWAY_CM = 20.0, 400.0  # of the eye from the picture

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
    """Return the panel of type size, picture size and distance of the eye.

    Source: ISO 9241-303 (from memory) for the angles.

    >>> type_panel().readout
    'Type of 26 pt is 1/25 of the picture. On 14 cm of screen, 30 cm away, a capital is 26 arcmin high: easy.'
    """
    return Panel(
        "type_size",
        _build,
        _update,
        choice("size", "made as", SIZES, "video_1080"),
        choice("ground", "on ground", {"light": "light", "dark": "dark"}, "dark"),
        slider("text_pt", "type size", 26, low=6, high=48, step=1, unit="pt"),
        slider("width_cm", "picture as wide as", 14, low=5, high=140, step=1, unit="cm"),
        slider("distance_cm", "seen from", 30, low=20, high=400, step=5, unit="cm"),
        question="What is the smallest type that a phone's viewer reads with ease?",
        legend="Left: the picture, its type to scale, and a ruler of 36 equal steps. Right: the angle of a "
        "capital letter over the distance; dot: your setting; dashed: least angle; dash-dotted: easy.",
        alt="Left, a picture with a line of type beside a ruler of 36 steps. Right, line chart of the angle "
        "of a capital letter in arcmin over the distance of the eye in cm, both logarithmic, falling.",
    )


def _build(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame of the chart and its two levels; all the rest moves."""
    columns = figure.add_gridspec(1, 2, width_ratios=(1.05, 1))
    angles = figure.add_subplot(columns[1])
    sample = figure.add_axes((0.01, 0.02, 0.43, 0.96), xticks=[], yticks=[], xlim=(0, 1), ylim=(0, 1))
    sample.spines[:].set_visible(False)
    chart(angles, profile, x="distance (cm)", y="capital letter (arcmin)", xscale="log", yscale="log")
    angles.set(xlim=AWAY_CM, ylim=(1, 300))
    for axis, ticks in ((angles.xaxis, (20, 50, 100, 200, 400)), (angles.yaxis, (1, 5, 20, 100))):
        axis.set_ticks(ticks, labels=list(map(str, ticks)))
    angles.minorticks_off()
    pt, frame = profile.line_pt, profile.ground.frame
    angles.axhline(LEAST_ARCMIN, color=frame, linewidth=pt / 2, linestyle=style.LINES[1])
    angles.axhline(EASY_ARCMIN, color=frame, linewidth=pt / 2, linestyle=style.LINES[3])
    return {
        "paper": sample.add_patch(Rectangle((0, 0), 0.1, 0.1, zorder=1, linewidth=pt / 2)),
        "ruler": sample.plot([], [], color=frame, linewidth=pt / 3, zorder=2)[0],
        "words": sample.text(0.5, 0.5, "41.5 mm", ha="left", va="center", zorder=3),
        "angle": empty_line(angles, profile, 0),
        "here": empty_line(angles, profile, 1, marker="o", linestyle="none"),
    }


def _update(
    artists: Artists, size: str, ground: str, text_pt: float, width_cm: float, distance_cm: float
) -> Answer:
    """Set the type, move the dot, and say whether it can be read."""
    profile = style.as_profile(size).on(ground)
    shown = replace(profile, text_pt=float(text_pt))
    aspect = shown.height_in / shown.width_in
    height = to_si(width_cm, "cm") * aspect
    _set_paper(artists, shown, aspect)
    for name, away in (("angle", np.geomspace(*AWAY_CM, 60)), ("here", np.array([distance_cm]))):
        angles = from_si(letter_angle(shown.type_share, height, to_si(away, "cm")), "arcmin")
        artists[name].set_data(away, angles)
    angle = float(angles[0])
    verdict = "easy" if angle >= EASY_ARCMIN else "readable" if angle >= LEAST_ARCMIN else "too small"
    return (
        f"Type of {text_pt:g} pt is 1/{1 / shown.type_share:.0f} of the picture. On {width_cm:.3g} cm of "
        f"screen, {distance_cm:.3g} cm away, a capital is {angle:.0f} arcmin high: {verdict}.",
        {
            "type in pixels of the file": f"{text_pt / 72 * profile.dpi:.0f} of {profile.pixels[1]}",
            "type as it is shown": words.amount(height * shown.type_share, "mm", ".1f"),
            "easy from": f"{text_pt * EASY_ARCMIN / angle:.0f} pt",
            "contrast of the type": f"{style.contrast(profile.ground.text, profile.ground.face):.1f} to 1",
        },
    )


def _set_paper(artists: Artists, profile: style.Profile, aspect: float) -> None:
    """Draw the picture to scale into the room it has, with its ruler and its words."""
    axes = artists["paper"].axes
    box = axes.get_window_extent()
    scale = min(0.8 * box.width, 0.9 * box.height / aspect)  # width of the picture in pixels of the screen
    width, height = scale / box.width, scale * aspect / box.height
    left, bottom = 0.55 - width / 2, 0.5 - height / 2
    artists["paper"].set_bounds(left, bottom, width, height)
    artists["paper"].set(facecolor=profile.ground.face, edgecolor=profile.ground.frame)
    # 36 steps in the picture's height; type for video is at least one of them high.
    steps = bottom + height * np.arange(37) / 36
    artists["ruler"].set_data(np.tile([left - 0.05, left + 0.02, left - 0.05], 37), np.repeat(steps, 3))
    points = profile.type_share * scale * aspect * 72 / axes.figure.dpi
    artists["words"].set(fontsize=points, color=profile.ground.text, position=(left + 0.04, 0.5))


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
