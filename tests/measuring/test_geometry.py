"""Head spacing and tape speeds from delays, rulers and stopwatches."""

import json

import numpy as np
import pytest

from tapecalc.measuring import CannotTell, Delay, Estimate, KnownSpeed, Ruler, Stopwatch, solve_geometry

SPACING, FAST, SLOW = 0.0415, 0.1905, 0.09525


def delays():
    return [
        Delay(Estimate(SPACING / FAST, 2e-6, "s"), at=0),
        Delay(Estimate(SPACING / SLOW, 4e-6, "s"), at=1),
    ]


def test_delays_alone_give_the_speed_ratio_and_say_what_they_cannot_tell():
    found = solve_geometry(delays())
    assert found.spacings == (None,) and found.speeds == (None, None)
    assert found.speed_ratios[1].covers(0.5) and found.speed_ratios[1].plus_minus < 1e-5
    assert "cannot separate head spacing from tape speed" in found.sentences[0]


def test_a_ruler_or_a_stopwatch_settles_it():
    ruler = Ruler(Estimate(SPACING, 0.5e-3, "m"))
    watch = Stopwatch(Estimate(10.0, 0.01, "m"), Estimate(10 / SLOW, 0.4, "s"), at=1)
    ruled = solve_geometry([*delays(), ruler])
    timed = solve_geometry([*delays(), watch])
    both = solve_geometry([*delays(), ruler, watch])
    for found in (ruled, timed, both):
        assert found.spacings[0].covers(SPACING)
        assert found.speeds[0].covers(FAST) and found.speeds[1].covers(SLOW)
        assert None not in found.speed_ratios
    assert ruled.spacings[0].plus_minus == pytest.approx(0.5e-3, rel=1e-3)
    # Two independent ways: weights add up.
    expected = 1 / np.hypot(1 / ruled.speeds[0].plus_minus, 1 / timed.speeds[0].plus_minus)
    assert both.speeds[0].plus_minus == pytest.approx(expected, rel=0.01)
    assert "one absolute measurement" in ruled.sentences[0]
    assert both.sentences == ()
    json.dumps(both.to_dict())


@pytest.mark.parametrize("doubt", [0, 1e-12, 1e-9])
def test_a_clock_that_is_right_leaves_the_ruler_as_it_is(doubt):
    seen = [Delay(Estimate(0.2, 1e-6, "s")), Ruler(Estimate(0.04, 0.5e-3, "m"))]
    found = solve_geometry(seen, u_clock=doubt)
    assert found.spacings[0].value == pytest.approx(0.04, rel=1e-6)
    assert found.spacings[0].plus_minus == pytest.approx(0.5e-3, rel=1e-3)
    assert found.speeds[0].value == pytest.approx(0.2, rel=1e-6)
    assert found.covariance[-1, -1] == pytest.approx(doubt**2, rel=1e-6, abs=0)
    # Alone, a delay still leaves spacing and speed open.
    assert solve_geometry(seen[:1], u_clock=doubt).spacings == (None,)


def test_the_doubt_of_the_clock_goes_into_the_spacing():
    # A plate and a delay tell the spacing; the clock adds its own doubt, in squares.
    seen = [Delay(Estimate(0.2, 1e-9, "s")), KnownSpeed(Estimate(0.2, 2e-9, "m/s"))]
    found = solve_geometry(seen, u_clock=1e-3)
    assert found.spacings[0].plus_minus / 0.04 == pytest.approx(2e-3, rel=1e-3)


def test_two_heads_share_the_speed():
    second = Delay(Estimate(2 * SPACING / FAST, 2e-6, "s"), head=1)
    found = solve_geometry([delays()[0], second, Ruler(Estimate(SPACING, 0.5e-3, "m"))])
    assert found.spacings[1].covers(2 * SPACING)
    # The spacings stand or fall together.
    assert found.covariance[0, 1] > 0.99 * found.covariance[0, 0]


def test_observations_that_clash_are_reported():
    ruler = Ruler(Estimate(SPACING, 0.1e-3, "m"))
    plate = KnownSpeed(Estimate(1.05 * FAST, 0.001, "m/s"))
    found = solve_geometry([*delays(), ruler, plate])
    assert found.misfit < 0.01
    assert any("clash" in sentence for sentence in found.sentences)


def test_geometry_needs_a_delay_and_real_uncertainties():
    with pytest.raises(CannotTell, match="none was measured"):
        solve_geometry([Ruler(Estimate(SPACING, 1e-3, "m"))])
    with pytest.raises(ValueError, match="plus/minus greater than 0"):
        solve_geometry([Delay(Estimate(0.2, 0.0, "s"))])
