"""Wobbles, turning parts and the meter are the library's in the page."""

from dataclasses import asdict, replace

import numpy as np
import scripts
from mirrors import assert_mirrored, exported, mirrored, places

from tapecalc.calc import flutter, standards, units
from tapecalc.machine import example_machine

DEPTH, RATE, DELAY, COUNT = (0.0, 0.01), (0.01, 50.0), (0.0, 2.0), (1, 5)
NOTE, SWING = (50.0, 5000.0), (0.0, 0.002)


def deviation(depth, rate, delay, passes):
    """Mirrored by repeatDeviation."""
    return flutter.repeat_deviation(depth, rate, delay, passes=passes)


def swing(depth, rate, delay, passes):
    """Mirrored by delaySwing."""
    return flutter.delay_swing(depth, rate, delay, passes=passes)


NUMBERS = {
    "repeatDeviation": (deviation, [DEPTH, RATE, DELAY, COUNT]),
    "delaySwing": (swing, [DEPTH, (0.0, 50.0), DELAY, COUNT]),
    "ratioToCents": (units.ratio_to_cents, [(0.5, 2.0)]),
    "shimmerDb": (flutter.shimmer_db, [NOTE, DELAY, SWING]),
    "usualShimmerDb": (flutter.usual_shimmer_db, [NOTE, SWING]),
}
TOLD_BELOW = {"partRate", "partWobble", "weightingDb", "twoSigma"}


def test_every_formula_is_told():
    assert set(exported("wobbling")) == NUMBERS.keys() | TOLD_BELOW
    for name in exported("wobbling"):
        assert callable(mirrored(name, "wobbling"))


def test_numbers_are_the_librarys():
    assert_mirrored("wobbling", NUMBERS, atol=1e-11)


def test_the_meter_weighs_and_reads_as_the_library():
    rates = [
        *(row[0] for row in places([(0.02, 500.0)], 6)),
        *(row[0] for row in standards.FLUTTER_WEIGHTING),
    ]
    rng = np.random.default_rng(8)
    records = [rng.normal(0, 1e-3, int(size)).tolist() for size in rng.integers(2, 400, 1000)]
    script = """return {
      weights: given.rates.map((rate) => weightingDb(given.rows, rate)),
      read: given.records.map((record) => twoSigma(Float64Array.from(record), given.coverage)),
    };"""
    given = {"rates": rates, "rows": standards.FLUTTER_WEIGHTING, "records": records}
    found = scripts.run("wobbling", script, {**given, "coverage": standards.TWO_SIGMA_COVERAGE})
    np.testing.assert_allclose(found["weights"], flutter.weighting_db(rates), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(found["read"], [flutter.two_sigma(record) for record in records], rtol=1e-9)


def test_parts_turn_and_wobble_as_in_the_library():
    rng, parts, rows = np.random.default_rng(9), [], []
    for number in range(1000):
        part = example_machine().turning_parts[number % 4]
        factors = {
            name: getattr(part, name) * float(rng.uniform(0.5, 2))
            for name in ("diameter", "belt_length", "pulley_diameter", "capstan_diameter", "reel_radius")
            if getattr(part, name) is not None
        }
        forced_at = None if number % 3 else float(rng.uniform(0.05, 0.5))
        parts.append(replace(part, **factors, forced_at=forced_at))
        rows.append([{**asdict(parts[-1]), "kind": part.kind_of_part}, float(rng.uniform(0.1, 0.4))])
    script = "return given.map((row) => [partRate(...row), partWobble(...row)]);"
    found = scripts.run("wobbling", script, rows)
    wanted = [
        [part.rate_at(speed), part.wobble_at(speed)] for part, (_, speed) in zip(parts, rows, strict=True)
    ]
    np.testing.assert_allclose(found, wanted, rtol=1e-9)
