"""The figure of reels: run times and packs as the library says."""

import pytest

from tapecalc.calc import transport
from tapecalc.machine import example_machine
from tapecalc.plot.catalog import draw

MACHINE = example_machine()


def test_reel_ends_at_the_run_time_and_the_full_pack():
    artists = draw("reel_time").artists
    for line, speed in zip(artists["packs"], MACHINE.speeds, strict=True):
        minutes, radius = line.get_xydata()[-1]
        assert minutes == pytest.approx(transport.run_time(MACHINE.tape.length_m, speed) / 60)
        full = transport.pack_radius(MACHINE.tape.length_m, 0.03, MACHINE.tape_thickness)
        assert radius == pytest.approx(1000 * full)
