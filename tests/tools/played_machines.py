"""Machines of each kind that a page must show, by name."""

from __future__ import annotations

from machines import MACHINES

from tapecalc.machine import example_machine, machine_from_text, with_changes

DECK = example_machine()


def deck_with(*spacings_mm):
    """The bundled machine with its heads at these places."""
    heads = [{"spacing_mm": float(mm)} for mm in spacings_mm]
    return with_changes(DECK, {"playback_heads": heads, "mixer.return_send_db": -24.0})


PLAYED = {
    "one head": DECK,
    "three heads": machine_from_text(MACHINES["three_heads"]),  # metric, one inverted, one not in the return
    "eight heads": deck_with(22, 41, 58, 83, 97, 121, 146, 170),
    "close heads": deck_with(40, 41, 42, 60, 61),
    "near and far": deck_with(14, 15.5, 160),
    "long names": with_changes(
        deck_with(25, 120),
        {"name": "The very long name of a machine that somebody has written down with 80 letters"},
    ),
    "closed loop": machine_from_text(MACHINES["closed_loop"]),  # with a free speed
    "cassette": machine_from_text(MACHINES["cassette"]),
}
