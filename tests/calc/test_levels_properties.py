"""Levels: inverses, scaling, order and limits, on drawn values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc import levels
from tapecalc.calc.levels import Stage, level_diagram

decibels = st.floats(-120, 60)
several = st.lists(decibels, min_size=1, max_size=6)
widths = st.floats(1e-4, 1e-2)
gains = st.floats(-40, 40)


@st.composite
def ways(draw):
    noise = st.none() | st.floats(-120, -40)
    stage = st.builds(Stage, st.just("stage"), gains, st.floats(-10, 30), noise)
    return draw(st.lists(stage, min_size=1, max_size=6))


@given(decibels)
def test_dbu_and_dbv_are_inverses_and_agree_in_volts(dbu):
    dbv = levels.dbu_to_dbv(dbu)
    assert levels.dbv_to_dbu(dbv) == pytest.approx(dbu, abs=1e-9)
    assert levels.dbv_to_volts(dbv) == pytest.approx(levels.dbu_to_volts(dbu), rel=1e-12)


@given(several, st.randoms(use_true_random=False), gains)
def test_a_sum_of_powers_ignores_order_follows_gain_and_has_bounds(values, random, gain):
    total = levels.sum_power_db(values)
    shuffled = random.sample(values, len(values))
    assert levels.sum_power_db(shuffled) == pytest.approx(total, abs=1e-9)
    assert levels.sum_power_db(np.add(values, gain)) == pytest.approx(total + gain, abs=1e-9)
    assert max(values) - 1e-9 <= total <= max(values) + 10 * np.log10(len(values)) + 1e-9


@given(several)
def test_a_sum_of_powers_is_the_sum_of_the_powers(values):
    powers = [10 ** (value / 10) for value in values]
    assert 10 ** (levels.sum_power_db(values) / 10) == pytest.approx(sum(powers), rel=1e-9)


@given(st.floats(-120, -0.1))
def test_the_dip_of_a_leak_is_deeper_than_its_peak_is_high(leak):
    dip, peak = levels.leak_ripple_db(leak)
    assert dip < 0 < peak < -dip
    assert 10 ** (dip / 20) + 10 ** (peak / 20) == pytest.approx(2, rel=1e-12)


@given(decibels, decibels, st.floats(0, 30))
def test_the_pad_leaves_at_least_the_wanted_headroom(level, limit, wanted):
    pad = levels.pad_db(level, limit, wanted_headroom_db=wanted)
    left = levels.headroom_db(limit, level - pad)
    assert pad >= 0 and left >= wanted - 1e-9
    if pad > 0:
        assert left == pytest.approx(wanted, abs=1e-9)


@given(st.floats(1e-3, 1e6), st.floats(1, 1e6))
def test_loading_and_its_source_are_inverses(source, load):
    loss = levels.loading_loss_db(source, load)
    assert loss < 0
    assert levels.loading_source_impedance(loss, load) == pytest.approx(source, rel=1e-9)


@given(widths, widths, widths)
def test_track_widths_compare_in_steps(first, second, third):
    for compare in (levels.track_signal_db, levels.track_noise_db, levels.track_snr_db):
        there = compare(first, second) + compare(second, third)
        assert there == pytest.approx(compare(first, third), abs=1e-9)


@given(widths, widths)
def test_signal_gains_twice_what_noise_gains(width, reference_width):
    signal = levels.track_signal_db(width, reference_width)
    assert signal == pytest.approx(2 * levels.track_noise_db(width, reference_width), abs=1e-9)


@given(st.floats(60, 140))
def test_exposure_and_level_are_inverses_with_their_defaults(level):
    assert levels.allowed_level_dba(levels.allowed_exposure(level)) == pytest.approx(level, abs=1e-9)


@given(st.floats(60, 140), st.floats(70, 95), st.floats(1, 6))
def test_one_exchange_step_halves_the_time(level, criterion, exchange):
    rule = {"criterion_dba": criterion, "exchange_db": exchange}
    longer = levels.allowed_exposure(level, **rule)
    assert levels.allowed_exposure(level + exchange, **rule) == pytest.approx(longer / 2, rel=1e-9)
    assert levels.allowed_level_dba(longer, **rule) == pytest.approx(level, abs=1e-9)


@given(st.lists(st.tuples(st.floats(60, 110), st.floats(1, 8 * 3600)), min_size=1, max_size=5))
def test_using_up_the_allowed_time_gives_the_criterion(parts):
    """Equal energy: when the shares of the allowed times add to one, the day is at the limit."""
    rule = {"criterion_dba": 85, "exchange_db": 10 * np.log10(2)}
    shares = [duration / levels.allowed_exposure(level, **rule) for level, duration in parts]
    durations = [duration / sum(shares) for _, duration in parts]
    assert levels.daily_exposure_dba([level for level, _ in parts], durations) == pytest.approx(85, abs=1e-9)


@given(ways(), decibels, st.floats(-20, 20))
def test_a_louder_source_moves_every_level_and_no_noise(way, source, louder):
    one, other = level_diagram(way, source), level_diagram(way, source + louder)
    for before, after in zip(one.nodes, other.nodes, strict=True):
        assert after.dbu == pytest.approx(before.dbu + louder, abs=1e-9)
        assert after.headroom_db == pytest.approx(before.headroom_db - louder, abs=1e-9)
        assert after.noise_dbu == before.noise_dbu


@given(ways(), decibels, decibels)
def test_the_signal_to_noise_ratio_never_gets_better_along_the_way(way, source, noise):
    diagram = level_diagram(way, source, source_noise_dbu=noise)
    ratios = [source - noise, *(node.snr_db for node in diagram.nodes)]
    assert all(later <= earlier + 1e-9 for earlier, later in zip(ratios, ratios[1:], strict=False))


@given(ways(), decibels, st.floats(0, 20))
def test_the_pad_of_a_diagram_leaves_its_headroom_at_every_node(way, source, wanted):
    pad = level_diagram(way, source).pad_needed_db(wanted_headroom_db=wanted)
    padded = level_diagram(way, source - pad)
    assert all(node.headroom_db >= wanted - 1e-9 for node in padded.nodes)
    assert padded.headroom_db == padded.first_to_clip.headroom_db
    if pad > 0:
        assert padded.headroom_db == pytest.approx(wanted, abs=1e-9)
