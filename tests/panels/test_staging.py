"""What panels reckon about levels is the library's."""

from dataclasses import asdict

import numpy as np
import pytest
import scripts
from mirrors import assert_mirrored, exported, mirrored, places

from tapecalc.calc import levels
from tapecalc.course.patching import patch_gains

LEVEL, GAIN = (-90.0, 40.0), (0.0, 4.0)

#: Of plain numbers: the library's function and from where to where each argument goes.
NUMBERS = {
    "dbuToVolts": (levels.dbu_to_volts, [LEVEL]),
    "padDb": (
        lambda level, most, wanted: levels.pad_db(level, most, wanted_headroom_db=wanted),
        [LEVEL, LEVEL, (0.0, 30.0)],
    ),
    "leakRiseDb": (lambda leak: levels.leak_ripple_db(leak)[1], [(-120.0, -0.01)]),
}


def test_every_function_is_compared_and_says_what_it_mirrors():
    names = exported("staging")
    assert sorted(names) == sorted({*NUMBERS, "sumPowerDb", "levelNodes", "patchGains"})
    for name in names:
        mirrored(name, "staging")


def test_numbers_are_the_librarys():
    assert_mirrored("staging", NUMBERS, atol=1e-12)


def test_sums_of_powers_are_the_librarys():
    rng = np.random.default_rng(5)
    rows = [rng.uniform(-120, 20, rng.integers(1, 6)).tolist() for _ in range(1000)] + [[-300.0, 20.0]]
    found = scripts.run("staging", "return given.map(sumPowerDb);", rows)
    np.testing.assert_allclose(found, [levels.sum_power_db(row) for row in rows], rtol=1e-9, atol=1e-12)


def test_levels_along_a_way_are_the_librarys():
    rng, ways = np.random.default_rng(6), []
    for _ in range(250):
        stages = [
            levels.Stage(
                f"stage {n}",
                float(rng.uniform(-30, 50)),
                float(rng.uniform(-10, 30)),
                float(rng.uniform(-120, -20)) if rng.random() < 0.6 else None,
            )
            for n in range(rng.integers(1, 7))
        ]
        ways.append((stages, float(rng.uniform(-60, 10))))
    given = [([asdict(stage) for stage in stages], source) for stages, source in ways]
    found = scripts.run("staging", "return given.map((row) => levelNodes(...row));", given)
    for (stages, source), nodes in zip(ways, found, strict=True):
        for node, wanted in zip(nodes, levels.level_diagram(stages, source).nodes, strict=True):
            assert node["name"] == wanted.name
            assert node["dbu"] == pytest.approx(wanted.dbu, rel=1e-9, abs=1e-9)
            assert node["headroomDb"] == pytest.approx(wanted.headroom_db, rel=1e-9, abs=1e-9)
            noise = wanted.noise_dbu
            assert node["noiseDbu"] == (None if noise is None else pytest.approx(noise, rel=1e-9, abs=1e-9))


def test_gains_of_patches_are_the_lessons():
    rows = [
        (patch, *row) for patch in ("sends", "one bus", "pan") for row in places([GAIN, GAIN, (0.0, 1.0)], 7)
    ]
    found = scripts.run("staging", "return given.map((row) => patchGains(...row));", rows)
    wanted = [patch_gains(patch, fader=fader, return_send=send, pan=pan) for patch, fader, send, pan in rows]
    np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-12)
