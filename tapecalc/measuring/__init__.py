"""Measure a machine from recordings that anybody can make at home.

`open_recording` opens a file, `measure_delay`, `measure_flutter`, `measure_response`, `measure_repeats` and
`measure_noise` each read one thing from it, `solve_geometry` turns delays into spacing and speeds, and
`measure` does all of it for a list of takes. Each figure is an `Estimate` with a 95 % interval; wrong
material raises `CannotTell`.
"""

from tapecalc.measuring.delay import measure_delay
from tapecalc.measuring.estimate import CannotTell, Estimate
from tapecalc.measuring.flutter import measure_flutter
from tapecalc.measuring.geometry import Delay, Geometry, KnownSpeed, Ruler, Stopwatch, solve_geometry
from tapecalc.measuring.loop_gain import measure_repeats
from tapecalc.measuring.machine_file import measured_machine
from tapecalc.measuring.noise import measure_noise
from tapecalc.measuring.recording import channel_health, open_recording
from tapecalc.measuring.response import (
    PassResponse,
    WhatIf,
    fit_what_ifs,
    measure_response,
    what_ifs_in_words,
)
from tapecalc.measuring.session import Measurement, Take, measure
from tapecalc.measuring.test_signal import find_signal
from tapecalc.sound.test_signal import PARTS, make_test_signal

__all__ = [
    "PARTS",
    "CannotTell",
    "Delay",
    "Estimate",
    "Geometry",
    "KnownSpeed",
    "Measurement",
    "PassResponse",
    "Ruler",
    "Stopwatch",
    "Take",
    "WhatIf",
    "channel_health",
    "find_signal",
    "fit_what_ifs",
    "make_test_signal",
    "measure",
    "measure_delay",
    "measure_flutter",
    "measure_noise",
    "measure_repeats",
    "measure_response",
    "measured_machine",
    "open_recording",
    "solve_geometry",
    "what_ifs_in_words",
]
