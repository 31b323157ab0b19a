"""The figures of reels: run times, packs and turns."""

import numpy as np
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


def test_reels_turn_by_what_is_on_them_and_are_alike_half_way():
    artists = draw("reel_turns").artists
    (minutes, supply), (_, take_up) = (artists[name].get_data() for name in ("supply", "take-up"))
    # 549 m / 0.1905 m/s = 48.03 min. On a hub of 30 mm they make sqrt(30^2 + 549 000 * 0.035/pi) = 83.76 mm,
    # half of it sqrt(30^2 + 3058.1) = 62.91 mm: 190.5/(2 pi 83.76), /(2 pi 62.91) and /(2 pi 30) turns.
    assert minutes[-1] == pytest.approx(48.031, abs=1e-3)
    assert (supply[0], supply[-1]) == pytest.approx((0.36196, 1.01063), abs=1e-5)
    assert list(take_up) == pytest.approx(list(supply[::-1]))
    half_way = [np.interp(minutes[-1] / 2, minutes, rate) for rate in (supply, take_up)]
    assert half_way == pytest.approx([0.48192] * 2, abs=1e-4)
