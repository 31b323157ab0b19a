"""What must hold for any loop: inverses, limits, bounds, scaling."""

import dataclasses

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tapecalc.calc import loop
from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.calc.units import db_to_amplitude

few = settings(max_examples=min(25, settings.default.max_examples))
gains_db = st.floats(-60, -0.01)
levels_db = st.floats(-90, -0.1)
delays = st.floats(0.02, 1)
counts = st.floats(0.1, 100)
contacts = st.builds(
    HeadContact,
    gap=st.floats(0, 8e-6),
    separation=st.floats(5e-6, 20e-6),
    coating_thickness=st.floats(0, 15e-6),
    track_width=st.just(2e-3),
    azimuth_angle=st.floats(-0.001, 0.001),
)


@st.composite
def loops(draw, signs=True, most=3):
    """Loops with one to three heads and a dull tape, as a whole quick to search."""
    heads = draw(st.integers(1, most))
    contact = draw(contacts)
    gain = st.floats(0.1, 1)
    gain = st.one_of(gain, gain.map(lambda g: -g)) if signs else gain
    speed = draw(st.floats(0.09, 0.2))
    # Heads of one delay may cancel each other; then no frequency is in phase, which has its own test.
    apart = st.lists(st.floats(0.02, 0.2), min_size=heads, max_size=heads, unique_by=lambda d: round(d, 2))
    head_gains = draw(st.lists(gain, min_size=heads, max_size=heads))
    return EchoLoop(
        heads=Heads.from_delays(draw(apart), speed, gains=tuple(head_gains)),
        return_gain=draw(gain),
        one_pass=OnePass(
            speed=speed,
            today=contact,
            aligned=contact,
            boost_db=draw(st.floats(0, 6)),
            low_cut=draw(st.floats(5, 100)),
        ),
    )


@given(gains_db, levels_db)
def test_repeats_and_gain_undo_each_other(gain_db, level_db):
    repeats = loop.repeats_until(gain_db, level_db)
    assert np.isclose(loop.gain_for_repeats_db(repeats, level_db), gain_db, rtol=1e-12)


@given(gains_db, levels_db)
def test_repeats_heard_are_the_last_not_below_the_level(gain_db, level_db):
    heard = loop.repeats_heard(gain_db, level_db)
    assert (heard - 1) * gain_db >= level_db * (1 + 1e-9)
    assert heard * gain_db < level_db
    assert heard <= loop.repeats_until(gain_db, level_db) * (1 + 1e-9) < heard + 1 + 1e-6


@given(st.integers(1, 200), levels_db)
def test_the_send_for_n_repeats_gives_n(repeats, level_db):
    assert loop.repeats_heard(level_db / (repeats - 0.5), level_db) == repeats


@given(delays, gains_db, st.floats(1.01, 10))
def test_decay_takes_longer_with_a_longer_delay_and_a_higher_gain(delay, gain_db, factor):
    time = loop.decay_time(delay, gain_db)
    assert np.isclose(loop.decay_time(delay * factor, gain_db), time * factor, rtol=1e-12)
    assert loop.decay_time(delay, gain_db / factor) > time


@given(loops(), st.floats(1, 5000))
def test_no_phase_makes_the_loop_gain_larger_than_the_bound(made, frequency):
    bound_db = loop.stability(made).bound_db
    assert loop.loop_gain_db(made, frequency) <= -bound_db + 1e-9


@few
@given(loops(), st.floats(0.5, 2))
def test_margin_moves_with_the_send_and_is_never_less_than_the_bound(made, factor):
    here = loop.stability(made)
    there = loop.stability(dataclasses.replace(made, return_gain=made.return_gain * factor))
    assert np.isclose(there.margin_db, here.margin_db - 20 * np.log10(factor), atol=1e-6)
    assert there.frequency == here.frequency
    assert here.margin_db >= here.bound_db - 1e-9


@few
@given(loops())
def test_the_margin_is_that_of_the_loudest_of_all_frequencies_in_phase(made):
    every = loop.oscillation_frequencies(made, 0, loop.HIGHEST_FREQUENCY)
    loudest_db = np.max(loop.loop_gain_db(made, every))
    assert np.isclose(loop.stability(made, count_modes=False).margin_db, -loudest_db, atol=1e-6)


@few
@given(loops())
def test_at_the_margin_the_loop_gain_is_one_and_in_phase(made):
    found = loop.stability(made)
    gain = loop.loop_gain(made, found.frequency) * db_to_amplitude(found.margin_db)
    # half a millionth of a hertz is left of the bisection
    assert np.isclose(gain, 1, atol=1e-6)


@few
@given(loops(), st.floats(-0.5, 0.5))
def test_no_mode_grows_below_the_margin_and_some_mode_does_above(made, beyond_db):
    margin_db = loop.stability(made).margin_db
    send = made.return_gain * db_to_amplitude(margin_db + beyond_db)
    found = loop.stability(dataclasses.replace(made, return_gain=send))
    if abs(beyond_db) > 1e-6:
        assert found.stable == (beyond_db < 0) == (found.growing_modes == 0)


@few
@given(loops(), st.floats(-6, 6))
def test_what_is_beyond_its_margin_grows_and_what_is_not_dies(made, beyond_db):
    send = made.return_gain * db_to_amplitude(loop.stability(made, count_modes=False).margin_db + beyond_db)
    growth = loop.fastest_growth_db_per_s(dataclasses.replace(made, return_gain=send))
    if abs(beyond_db) > 1e-3:
        assert np.sign(growth) == np.sign(beyond_db)
    # No tone gains more at once than all heads in phase give it, nor comes back before the nearest head.
    bound_db = -loop.stability(dataclasses.replace(made, return_gain=send), count_modes=False).bound_db
    assert growth <= max(bound_db, 0) / min(made.delays) + 1e-6


@few
@given(st.data())
def test_growth_of_flat_heads_is_that_of_the_largest_root(data):
    count = data.draw(st.integers(1, 4))
    samples = data.draw(st.lists(st.integers(3, 40), min_size=count, max_size=count, unique=True))
    gain = st.floats(0.1, 1.5).flatmap(lambda g: st.sampled_from([g, -g]))
    gains = data.draw(st.lists(gain, min_size=count, max_size=count))
    # Source: numpy.roots of z^M - sum of g_k z^(M - d_k)
    polynomial = np.zeros(max(samples) + 1)
    polynomial[0] = 1
    polynomial[samples] = -np.array(gains)
    rate = 100.0
    expected = 20 * np.log10(np.abs(np.roots(polynomial)).max()) * rate
    ideal = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    flat = OnePass(speed=0.2, today=ideal, aligned=ideal, boost_db=0, low_cut=0)
    heads = Heads.from_delays(np.array(samples) / rate, flat.speed, gains=tuple(gains))
    made = EchoLoop(heads=heads, return_gain=1.0, one_pass=flat)
    assert np.isclose(loop.fastest_growth_db_per_s(made), expected, rtol=1e-6, atol=1e-4)


@few
@given(loops())
def test_the_band_is_that_of_all_frequencies_in_phase_within_a_decibel(made):
    found = loop.stability(made, count_modes=False)
    every = loop.oscillation_frequencies(made, 0, loop.HIGHEST_FREQUENCY)
    levels_db = loop.loop_gain_db(made, every)
    surely, perhaps = (every[levels_db >= levels_db.max() - 1 + slack] for slack in (1e-6, -1e-6))
    assert perhaps[0] - 1e-6 <= found.band[0] <= surely[0] + 1e-6
    assert surely[-1] - 1e-6 <= found.band[1] <= perhaps[-1] + 1e-6


@few
@given(loops(most=1))
def test_one_head_grows_at_every_frequency_in_phase_with_gain_above_one(made):
    loud = dataclasses.replace(made, return_gain=3 * np.sign(made.return_gain) / abs(made.head_gains[0]))
    in_phase = loop.oscillation_frequencies(loud, 0, loop.HIGHEST_FREQUENCY)
    assert loop.stability(loud).growing_modes == np.sum(np.abs(loop.loop_gain(loud, in_phase)) > 1)


@few
@given(loops())
def test_frequencies_in_phase_are_in_phase(made):
    found = loop.oscillation_frequencies(made, 0, 500)
    assert found.size
    gain = loop.loop_gain(dataclasses.replace(made, return_gain=np.sign(made.return_gain)), found)
    assert np.all(np.abs(gain.imag) < 1e-6)
    assert np.all(gain.real > 0)
    assert np.all(np.diff(found) > 0)


@given(loops(), st.integers(1, 8), st.floats(-60, -6))
def test_a_send_set_for_repeats_is_always_stable(made, repeats, level_db):
    send = loop.return_gain_for_repeats(made, repeats, level_db)
    found = loop.stability(dataclasses.replace(made, return_gain=send))
    assert found.stable
    assert np.isclose(found.bound_db, -level_db / (repeats - 0.5), atol=1e-9)


@given(st.floats(-60, 20), st.integers(1, 100))
def test_noise_builds_up_with_every_pass(gain_db, passes):
    few, many = loop.noise_build_up_db(gain_db, [passes, passes + 1])
    assert many >= few >= 0
    if gain_db < -0.001:
        assert many <= loop.noise_build_up_db(gain_db) + 1e-9


@given(gains_db, st.integers(1, 50), st.floats(20, 80))
def test_every_repeat_is_nearer_to_the_hiss(gain_db, repeat, snr_db):
    here, later = loop.repeat_snr_db(gain_db, [repeat, repeat + 1], snr_db)
    assert later < here <= snr_db + 1e-9


@given(st.floats(0, 1e4), st.floats(1.01, 10), st.floats(0.01, 100))
def test_a_stronger_sine_is_turned_down_more(drive, factor, saturation):
    weak, strong = loop.describing_function(np.array([drive, drive * factor]) * saturation, saturation)
    assert 0 < strong <= weak + 1e-12 <= 1 + 2e-12
    assert np.isclose(weak, loop.describing_function(drive, 1), rtol=1e-9)


@given(st.floats(0.01, 40), st.floats(0.01, 10), st.floats(0.01, 100))
def test_more_gain_settles_higher_and_scales_with_the_saturation(gain_db, more_db, saturation):
    for settles, most in ((loop.settling_level, 4 / np.pi), (loop.crowd_settling_level, np.sqrt(2))):
        low, high = settles([gain_db, gain_db + more_db], saturation)
        assert high > low > 0
        assert np.isclose(low, saturation * settles(gain_db, 1), rtol=1e-9)
        assert low <= saturation * db_to_amplitude(gain_db) * most * (1 + 1e-12)
    # The fundamental of a square wave is 4 / pi times its top, which as a sine would have sqrt(2) times.
    ratio = loop.crowd_settling_level(gain_db, 1) / loop.settling_level(gain_db, 1)
    assert np.sqrt(2) / (4 / np.pi) <= ratio * (1 + 1e-9) and ratio <= np.sqrt(1.5) * (1 + 1e-6)
