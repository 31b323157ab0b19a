"""Measure a machine from recordings that anybody can make at home.

`open_recording` opens a file, `measure_delay`, `measure_flutter`, `measure_response`,
`measure_repeats` and `measure_noise` each read one thing from it, `solve_geometry` turns
delays into spacing and speeds, and `measure` does all of it for a list of takes. Each
figure is an `Estimate` with a 95 % interval; wrong material raises `CannotTell`.
"""

from __future__ import annotations

from tapecalc.measuring.delay import DelayTrack, measure_delay
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate
from tapecalc.measuring.flutter import TAKEN, FlutterLine, FlutterReading, measure_flutter
from tapecalc.measuring.geometry import Delay, Geometry, KnownSpeed, Ruler, Stopwatch, solve_geometry
from tapecalc.measuring.loop_gain import RepeatReading, measure_repeats
from tapecalc.measuring.needle import NEEDLE_TOLERANCE, needle, quasi_peak
from tapecalc.measuring.noise import NoiseReading, measure_noise
from tapecalc.measuring.recording import ChannelHealth, Recording, channel_health, open_recording
from tapecalc.measuring.response import (
    PassResponse,
    WhatIf,
    fit_what_ifs,
    measure_response,
    what_ifs_in_words,
)
from tapecalc.measuring.session import KINDS, Measurement, Take, measure, measured_machine
from tapecalc.measuring.test_signal import PARTS, SIGNAL_LENGTH, Part, find_parts, make_test_signal

__all__ = [
    "COVERAGE_FACTOR",
    "KINDS",
    "NEEDLE_TOLERANCE",
    "PARTS",
    "SIGNAL_LENGTH",
    "TAKEN",
    "CannotTell",
    "ChannelHealth",
    "Delay",
    "DelayTrack",
    "Estimate",
    "FlutterLine",
    "FlutterReading",
    "Geometry",
    "KnownSpeed",
    "Measurement",
    "NoiseReading",
    "Part",
    "PassResponse",
    "Recording",
    "RepeatReading",
    "Ruler",
    "Stopwatch",
    "Take",
    "WhatIf",
    "channel_health",
    "find_parts",
    "fit_what_ifs",
    "make_test_signal",
    "measure",
    "measure_delay",
    "measure_flutter",
    "measure_noise",
    "measure_repeats",
    "measure_response",
    "measured_machine",
    "needle",
    "open_recording",
    "quasi_peak",
    "solve_geometry",
    "what_ifs_in_words",
]
