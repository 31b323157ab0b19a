"""The bench deck of the lessons, and the controls of their panels that begin where it stands."""

import math

from tapecalc.calc.units import from_si
from tapecalc.course.panel import Control, slider
from tapecalc.machine import example_machine

DECK = example_machine()
FAST, SLOW = DECK.speeds
BPM: float = DECK.song.bpm  # type: ignore[assignment]  # the bench deck has a song
SLOWEST_IPS, FASTEST_IPS = 3.75, 15.0
SEMITONE = math.log10(2) / 12  # a slider's step in decades: twelve steps double


def spacing_slider(low: float, high: float, step: float) -> Control:
    """Describe the slider of the head spacing."""
    first = round(from_si(DECK.spacings[0], "mm"), 3)
    return slider("spacing_mm", "head spacing", first, low=low, high=high, step=step, unit="mm")


def speed_slider(
    name: str = "speed_ips", label: str = "tape speed", speed: float = FAST, step: float = SEMITONE
) -> Control:
    """Describe a slider of tape speed, over two octaves."""
    low, high, first = SLOWEST_IPS, FASTEST_IPS, round(from_si(speed, "ips"), 6)
    return slider(name, label, first, low=low, high=high, step=step, unit="ips", log=True)


def delay_slider(high: float) -> Control:
    """Describe the slider of the delay at the fast speed, up to so many milliseconds."""
    first = float(round(from_si(DECK.delays(FAST)[0], "ms")))
    return slider("delay_ms", "delay", first, low=60.0, high=high, step=1.0, unit="ms")
