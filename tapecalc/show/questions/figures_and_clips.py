"""The exercises of 09_figures_and_clips.

======  =====================  =======  ============================
symbol  name in code           SI unit  typical value
======  =====================  =======  ============================
--      ``expected``           any      18, counted in `unit`
--      ``unit``               --       ``"pt"``
--      ``tolerance_percent``  %        1
--      ``slips``              --       ``((25, "In pixels."),)``
--      ``hint``               --       ``"An inch has 72 points."``
======  =====================  =======  ============================
"""

from __future__ import annotations

from tapecalc.machine import example_machine
from tapecalc.show import style
from tapecalc.show.exercises import Exercise
from tapecalc.units import from_si

__all__ = []

_DECK = example_machine()
_VIDEO = style.as_profile("video_1080")
_slow_s = _DECK.delays(min(_DECK.speeds))[0]

#: The prediction: frames from record to playback head at the slow speed; a guess may be a third off.
_frames = 30 * _slow_s
first_guess = Exercise(
    expected=_frames,
    unit="frames",
    tolerance_percent=33,
    slips=((_frames / 2, "That is the way at the fast speed."),
           (lambda n: n > 100, "That would take seconds: the echo comes sooner.")),
    hint="How many frames are 30 a second times not quite half a second?",
)  # fmt: skip

#: The smallest type for video at nine inches of height.
_pt = 72 * _VIDEO.height_in / 36
smallest_type = Exercise(
    expected=_pt,
    unit="pt",
    slips=(
        (1080 / 36, "That is the size in pixels of a picture with 1080 lines; we ask for points."),
        (72 * _VIDEO.width_in / 36, "You took the width; the rule goes by the height."),
    ),
    hint="An inch has 72 points; the figure is 9 inches high.",
)

#: Frames between two beats of the song.
_beat_frames = 30 * 60 / _DECK.song.bpm
frames_per_beat = Exercise(
    expected=_beat_frames,
    unit="frames",
    slips=(
        (_DECK.song.bpm / 30, "You divided the other way round: seconds per beat times frames per second."),
        (30 * _DECK.song.bpm / 60, "That is beats per second times frames; a beat takes 60/76 seconds."),
    ),
    hint="First the length of a beat in seconds, then times 30.",
)

#: How far picture and sound can be apart at 24 frames a second.
_apart_ms = from_si(0.5 / 24, "ms")
half_a_frame = Exercise(
    expected=_apart_ms,
    unit="ms",
    slips=((2 * _apart_ms, "That is a whole frame. Each frame shows the middle of its time."),),
    hint="What is the furthest that a moment can lie from the middle of its frame?",
)

#: Contrast of mid gray type on white.
_contrast = style.contrast("#999999", "#FFFFFF")
gray_type = Exercise(
    expected=_contrast,
    unit="",
    slips=(
        (1 / style.luminance("#999999"), "You left out the 0.05 that is added above and below."),
        (1 / _contrast, "The lighter one goes on top."),
    ),
    hint="The luminances come from `luminance`; white has 1.",
)

#: Bytes a second that go to the encoder.
_mb = 1920 * 1080 * 4 * 30 / 1e6
raw_pictures = Exercise(
    expected=_mb,
    unit="MB a second",
    slips=((_mb * 3 / 4, "Red, green, blue: and one more byte for opacity."),
           (_mb / 30, "That is one frame; a second has 30.")),
    hint="Pixels of a frame, times four bytes, times 30.",
)  # fmt: skip
