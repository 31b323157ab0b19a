"""The bench deck of the lessons."""

from tapecalc.machine import example_machine

DECK = example_machine()
FAST, SLOW = DECK.speeds
BPM: float = DECK.song.bpm  # type: ignore[assignment]  # the bench deck has a song
SLOWEST_IPS, FASTEST_IPS = 3.75, 15.0  # of the panels' sliders
