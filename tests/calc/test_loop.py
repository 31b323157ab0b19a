"""The feedback loop, case by case, and against simulations that know nothing of it."""

import dataclasses
import math

import numpy as np
import pytest

from tapecalc.calc import loop
from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.response import NULL_DB, HeadContact, OnePass, loudest
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude

SPEED = 0.1905
IDEAL = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
GOOD = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6, track_width=2e-3, azimuth_angle=0)
FLAT = OnePass(speed=SPEED, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=0)
REAL = OnePass(speed=SPEED, today=GOOD, aligned=GOOD, boost_db=12, low_cut=30)


def treble_loss(separation, low_cut=0.0):
    """A pass with nothing but spacing loss: exp(-2 pi s f / v), and a low cut."""
    dull = dataclasses.replace(IDEAL, separation=separation)
    return OnePass(speed=SPEED, today=dull, aligned=IDEAL, boost_db=0, low_cut=low_cut)


def echo(delays=(0.25,), head_gains=(1.0,), return_gain=0.5, one_pass=FLAT, **others):
    heads = Heads.from_delays(delays, SPEED, gains=tuple(head_gains))
    return EchoLoop(heads=heads, return_gain=return_gain, one_pass=one_pass, **others)


def outside(made, *spacings, gain=3.0):
    """The loop with more heads, near or far, that are heard and do not feed the return."""
    heads = made.heads
    more = Heads(
        spacings=(*heads.spacings, *spacings),
        gains=(*heads.gains, *[gain] * len(spacings)),
        feeds_return=(*[True] * len(heads.spacings), *[False] * len(spacings)),
    )
    return dataclasses.replace(made, heads=more)


def sampled(echo_loop, rate, taps):
    """The loop as a discrete-time impulse response, made from R(f) by the inverse FFT.

    Delays must be whole numbers of samples; half the taps are taken out of each delay.
    """
    f = np.fft.rfftfreq(taps, 1 / rate)
    pulse = np.roll(np.fft.irfft(echo_loop.one_pass.gain(f), taps), taps // 2)
    samples = [round(delay * rate) - taps // 2 for delay in echo_loop.delays]
    response = np.zeros(max(samples) + taps)
    for start, gain in zip(samples, echo_loop.head_gains, strict=True):
        response[start : start + taps] += echo_loop.return_gain * gain * pulse
    return response


def growing_roots(echo_loop, rate, taps):
    """Growing modes of the sampled loop: roots outside the unit circle, a pair counted once."""
    response = sampled(echo_loop, rate, taps)
    roots = np.roots(np.concatenate([[1 - response[0]], -response[1:]]))
    outside = roots[np.abs(roots) > 1]
    return int(np.sum(outside.imag > 1e-9) + np.sum(np.abs(outside.imag) <= 1e-9)), np.abs(roots).max()


# ---- records ----


def test_lists_and_whole_numbers_become_tuples_of_floats():
    made = echo(delays=[1, 2], head_gains=np.array([1, -1]), return_gain=1)
    assert made.delays == (1.0, 2.0) and made.head_gains == (1.0, -1.0)
    assert all(type(value) is float for value in (*made.delays, *made.head_gains, made.return_gain))
    assert hash(made) == hash(echo(delays=(1, 2), head_gains=(1, -1), return_gain=1))


@pytest.mark.parametrize(
    ("given", "value", "name"),
    [
        ("delays", (), "delays"),
        ("delays", (0.0,), "delays"),
        ("delays", (float("nan"),), "delays"),
        ("delays", ((0.1,),), "spacings"),
        ("head_gains", (1.0, 1.0), "gains"),
        ("head_gains", ("loud",), "gains"),
        ("return_gain", float("inf"), "return_gain"),
        ("return_gain", (0.5, 0.5), "return_gain"),
        ("input_gain", "full", "input_gain"),
        ("one_pass", None, "one_pass"),
    ],
)
def test_a_loop_refuses_nonsense_by_name(given, value, name):
    with pytest.raises(ValueError, match=f"^{name} must"):
        echo(**{given: value})


def test_a_loop_refuses_what_is_no_heads():
    with pytest.raises(ValueError, match="heads must be a Heads, got 0.1"):
        EchoLoop(heads=0.1, return_gain=0.5, one_pass=FLAT)


# ---- loop gain ----


def test_loop_gain_adds_the_heads_with_their_phases():
    made = echo(delays=(0.1, 0.16), head_gains=(0.7, 0.4), return_gain=0.8, one_pass=REAL)
    f = 1234.5
    heads = 0.7 * np.exp(-2j * np.pi * f * 0.1) + 0.4 * np.exp(-2j * np.pi * f * 0.16)
    assert loop.loop_gain(made, f) == pytest.approx(0.8 * REAL.gain(f) * heads, rel=1e-12)
    assert loop.loop_gain_db(made, f) == pytest.approx(20 * math.log10(abs(loop.loop_gain(made, f))))


def test_a_closed_return_reads_the_floor():
    assert loop.loop_gain_db(echo(return_gain=0), [100, 1000]).tolist() == [NULL_DB, NULL_DB]


def test_closed_loop_gain_contains_the_input_send():
    made = echo(return_gain=0.5, input_gain=0.25)
    assert loop.closed_loop_gain(made, 4) == pytest.approx(0.25 / (1 - 0.5), rel=1e-9)


def test_closed_loop_gain_of_a_tone_that_is_held_for_ever_is_refused():
    with pytest.raises(ValueError, match="loop gain"):
        loop.closed_loop_gain(echo(return_gain=1), [0, 1])


# ---- repeats and times ----


@pytest.mark.parametrize(
    ("gain_db", "level_db", "until", "heard"),
    [
        (-6, -30, 6, 6),  # repeats at 0, -6, -12, -18, -24 and -30 dB: the last one stands at the level
        (-6, -29.9, 1 + 29.9 / 6, 5),
        (-7, -30, 1 + 30 / 7, 5),  # 0, -7, -14, -21, -28; the next at -35
        (-30, -30, 2, 2),
        (-31, -30, 1 + 30 / 31, 1),
        (-6, 0, 1, 1),  # the first is always there
    ],
)
def test_the_first_answer_is_repeat_one_and_a_tie_counts(gain_db, level_db, until, heard):
    assert loop.repeats_until(gain_db, level_db) == pytest.approx(until, rel=1e-12)
    assert loop.repeats_heard(gain_db, level_db) == heard


def test_a_gain_that_puts_repeat_n_at_the_level_lets_n_be_heard():
    counts = np.arange(2, 60)
    assert loop.gain_for_repeats_db(6, -30) == -6
    gains = db_to_amplitude(loop.gain_for_repeats_db(counts, -30))
    np.testing.assert_array_equal(loop.repeats_heard(amplitude_to_db(gains), -30), counts)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: loop.repeats_until(0, -60), "loop_gain_db"),
        (lambda: loop.repeats_until(1, -60), "loop_gain_db"),
        (lambda: loop.repeats_until(-6, 1), "level_db"),
        (lambda: loop.gain_for_repeats_db(1, -60), "repeats"),
        (lambda: loop.return_gain_for_repeats(echo(), 0.9, -30), "repeats"),
        (lambda: loop.return_gain_for_repeats(echo(), 5, 1), "level_db"),
        (lambda: loop.gain_for_repeats_db(5, 3), "level_db"),
        (lambda: loop.decay_time(0, -6), "delay"),
        (lambda: loop.noise_build_up_db(0), "loop_gain_db"),
        (lambda: loop.noise_build_up_db(-6, 0), "repeats"),
        (lambda: loop.noise_build_up_db(-6, [2, 0.5]), "repeats"),
        (lambda: loop.repeat_snr_db(-6, 0, 55), "repeats"),
        (lambda: loop.hiss_db(echo(return_gain=1)), "loop"),
        (lambda: loop.hiss_db(echo(), 1.5), "repeats"),
        (lambda: loop.hiss_db(echo(), 0), "repeats"),
        (lambda: loop.hiss_db(echo(head_gains=(0,)), 3), "heads"),
        (lambda: loop.fastest_growth_db_per_s(echo(head_gains=(0,))), "loop"),
        (lambda: loop.crowd_settling_level(-1, 1), "loop_gain_db"),
        (lambda: loop.hiss_db(echo(), low=100, high=100), "low"),
        (lambda: loop.oscillation_frequencies(echo(), 10, 5), "low"),
        (lambda: loop.describing_function(1, 0), "saturation"),
        (lambda: loop.describing_function(-1, 1), "amplitude"),
        (lambda: loop.settling_level(-1, 1), "loop_gain_db"),
        (lambda: loop.return_gain_for_repeats(echo(head_gains=(0,)), 5, -30), "head_gains"),
    ],
)
def test_values_without_sense_are_refused_by_name(call, name):
    with pytest.raises(ValueError, match=f"{name} must"):
        call()


@pytest.mark.parametrize(
    ("repeats", "gain_db"),
    [(5, -30 / 4.5), (1, -60), (2, -20)],  # 5 are heard from -7.5 dB to -6 dB of loop gain: -6.67 dB
)
def test_return_send_for_n_repeats_lies_in_the_middle_of_those_that_give_n(repeats, gain_db):
    made = echo(delays=(0.218,), head_gains=(0.8,), one_pass=REAL)
    send = loop.return_gain_for_repeats(made, repeats, -30)
    set_right = dataclasses.replace(made, return_gain=send)
    found_db = loop.loop_gain_db(set_right, loudest(REAL)[0])
    assert found_db == pytest.approx(gain_db, abs=1e-9)
    assert loop.repeats_heard(found_db, -30) == repeats
    assert loop.stability(set_right).bound_db == pytest.approx(-gain_db, abs=1e-9)


def test_return_send_for_repeats_is_for_all_heads_in_phase_that_feed_it():
    # Flat heads of 0.5 and -0.3: 0.8 at the most. -28 dB / 3.5 = -8 dB.
    made = outside(echo(delays=(0.2, 0.3), head_gains=(0.5, -0.3)), 0.01)
    send = loop.return_gain_for_repeats(made, 4, -28)
    assert send == pytest.approx(10 ** (-8 / 20) / 0.8, rel=1e-12)


def test_decay_time_counts_from_the_first_repeat():
    assert loop.decay_time(0.2, -6, -30) == pytest.approx(1.0)  # five delays after repeat 1
    assert loop.decay_time(0.2, -6) == pytest.approx(2.0)


# ---- growth ----


def test_one_head_grows_by_its_loop_gain_each_delay():
    for gain_db, sign in ((3.0, 1), (3.0, -1), (-5.0, 1)):
        made = echo(delays=(0.25,), return_gain=sign * db_to_amplitude(gain_db))
        assert loop.fastest_growth_db_per_s(made) == pytest.approx(gain_db / 0.25, rel=1e-9)


def test_a_dull_head_grows_as_its_loudest_tone_in_phase_does():
    made = echo(delays=(0.218,), return_gain=1.6, one_pass=REAL)
    growth = -loop.stability(made).margin_db / 0.218
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(growth, rel=1e-6)


def test_a_dull_head_without_a_low_cut_grows_by_its_gain_at_0_hz():
    # Spacing takes nothing from the longest wave; every other tone in phase, at n / 0.25 s, is quieter.
    made = echo(delays=(0.25,), return_gain=db_to_amplitude(2), one_pass=treble_loss(20e-6))
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(2 / 0.25, rel=1e-9)


def test_two_heads_of_two_decibels_grow_by_nineteen_decibels_a_second():
    # Delays of 1 to 4: 1.2589 (z + z^4) = 1 gives z = 0.633382; -20 log10(z) / 0.21 s = 18.89 dB/s.
    z = 0.633382
    assert 10 ** (2 / 20) * (z + z**4) == pytest.approx(1, abs=1e-5)
    made = echo(delays=(0.21, 0.84), head_gains=(1, 1), return_gain=db_to_amplitude(2))
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(-20 * math.log10(z) / 0.21, abs=1e-3)
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(18.889, abs=1e-3)


def test_without_a_pole_the_growth_told_is_a_hair_above_the_true_one(monkeypatch):
    # The same two heads; 12 halvings of 9.02 dB in 0.21 s, as if both were the first and 1 dB louder.
    made = echo(delays=(0.21, 0.84), head_gains=(1, 1), return_gain=db_to_amplitude(2))
    monkeypatch.setattr(loop, "_pole_near", lambda *_: None)
    assert 18.889 <= loop.fastest_growth_db_per_s(made) <= 18.890 + 9.03 / 0.21 / 2**12


def test_an_inverted_head_grows_as_the_pair_of_roots_says():
    # 1 = 1.2 z - 2 z^2 has two roots of size 1 / sqrt(2): the level rises by 3.0103 dB every 0.2 s.
    made = echo(delays=(0.2, 0.4), head_gains=(1.2, -2.0), return_gain=1.0)
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(10 * math.log10(2) / 0.2, rel=1e-9)
    # 1 = 1.2 z - z^2: both of size 1, so it stays as loud as it is.
    made = echo(delays=(0.2, 0.4), head_gains=(1.2, -1.0), return_gain=1.0)
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(0, abs=1e-9)


def test_the_faintest_loop_dies_by_its_gain_in_each_delay():
    made = echo(delays=(0.1,), return_gain=10 ** (-140 / 20))
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(-1400)


def test_a_head_outside_the_loop_has_no_part_in_growth_nor_start():
    for made in (echo(delays=(0.84,), return_gain=db_to_amplitude(2)), echo(one_pass=REAL, return_gain=1.6)):
        with_more = outside(made, 0.21 * SPEED, 1.7 * SPEED)
        assert loop.stability(with_more) == loop.stability(made)
        assert loop.fastest_growth_db_per_s(with_more) == loop.fastest_growth_db_per_s(made)
    # 2 dB every 0.84 s, though a head outside the loop answers after 0.21 s
    made = outside(echo(delays=(0.84,), return_gain=db_to_amplitude(2)), 0.21 * SPEED)
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(2 / 0.84, rel=1e-9)


@pytest.mark.parametrize(
    ("samples", "gains"),
    [((9, 13), (0.9, 0.5)), ((7, 11, 30), (0.8, -0.9, 0.6)), ((12, 17), (0.3, 0.4)), ((10, 31), (-0.9, 0.7))],
)
def test_growth_is_that_of_a_difference_equation_run_for_long(samples, gains):
    rate, steps = 100.0, 40_000
    bus = np.zeros(steps)
    bus[:31] = np.random.default_rng(1).standard_normal(31)
    level_db = 0.0
    levels_db = []
    for n in range(31, steps):
        bus[n] = sum(g * bus[n - d] for d, g in zip(samples, gains, strict=True))
        if n % 100 == 0:  # kept near 1, so that no number is too large
            size = np.abs(bus[n - 99 : n + 1]).max()
            bus[n - 99 : n + 1] /= size
            level_db += 20 * math.log10(size)
            levels_db.append(level_db)
    slope = np.polyfit(np.arange(len(levels_db)), levels_db, 1)[0] * rate / 100
    made = echo(delays=np.array(samples) / rate, head_gains=gains, return_gain=1.0)
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(slope, abs=0.05)


def rightmost_pole(made, highest, fastest):
    """Growth of the pole furthest right, by a net over rates and frequencies, and Newton from its low points.

    The response is that at the pole's frequency. The net has eight knots a turn and sixteen a factor e.
    """
    delays, gains = np.array(made.delays), made.return_gain * np.array(made.head_gains)

    def miss(rate, frequency):
        s = rate[..., None] + 2j * np.pi * frequency[..., None]
        response = made.one_pass.gain(np.maximum(frequency, 0))
        return response * np.sum(gains * np.exp(-s * delays), axis=-1) - 1

    knots = np.arange(0, highest, 0.125 / delays.max())
    rates = np.arange(-fastest, fastest, 1 / (16 * delays.max()))
    net = np.abs(miss(*np.meshgrid(rates, knots, indexing="ij")))
    inner = net[1:-1, 1:-1]
    low = (inner < 0.9) & np.all(
        [inner <= np.roll(net, way, axis)[1:-1, 1:-1] for way in (1, -1) for axis in (0, 1)], axis=0
    )
    rate, frequency = rates[1:-1][np.nonzero(low)[0]], knots[1:-1][np.nonzero(low)[1]]
    for _ in range(50):  # two equations, the real and the imaginary part, for two unknowns
        here, h = miss(rate, frequency), 1e-6
        by_rate, by_frequency = (miss(rate + h, frequency) - here) / h, (miss(rate, frequency + h) - here) / h
        area = by_rate.real * by_frequency.imag - by_rate.imag * by_frequency.real
        rate = rate - (here.real * by_frequency.imag - here.imag * by_frequency.real) / area
        frequency = frequency - (by_rate.real * here.imag - by_rate.imag * here.real) / area
    found = (np.abs(miss(rate, frequency)) < 1e-9) & (frequency >= 0)
    return 20 * math.log10(math.e) * rate[found].max()


@pytest.mark.parametrize(
    ("delays", "gains", "send"),
    [
        # Of these two another tone grows than the one that starts first.
        ((0.026, 0.135), (0.6, -1.0), 1.4),
        ((0.038, 0.127, 0.148), (0.3, 0.3, 1.1), 1.1),
        ((0.031, 0.052, 0.074, 0.11), (0.5, 0.6, -0.4, 0.7), -0.8),
        ((0.06, 0.101, 0.144), (0.4, 0.3, 0.2), 0.8),  # dies
    ],
)
def test_growth_of_heads_with_bumps_and_phase_is_that_of_a_search_over_rates_and_frequencies(
    delays, gains, send
):
    # Far from the tape, so that nothing above 1.5 kHz is within 10 dB of what is loudest.
    far = dataclasses.replace(GOOD, separation=25e-6)
    one_pass = OnePass(
        speed=SPEED, today=far, aligned=GOOD, boost_db=20, low_cut=30, pole_length=5e-3, pole_shape="plates"
    )
    made = echo(delays=delays, head_gains=gains, return_gain=send, one_pass=one_pass)
    assert one_pass.level_db(1500) < loudest(one_pass)[1] - 10
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(rightmost_pole(made, 1500, 30), rel=1e-6)


def test_far_over_and_a_head_too_near_for_a_tone_of_its_own_no_growth_is_told_too_small():
    # The near head alone comes back in phase above 40 kHz only: 60 dB over, Newton's rule is led to no pole.
    one_pass = OnePass(
        speed=SPEED, today=GOOD, aligned=GOOD, boost_db=0, low_cut=0, pole_length=5e-3, pole_shape="plates"
    )
    made = echo(delays=(15e-6, 5.6e-3), head_gains=(1, 10), return_gain=10, one_pass=one_pass)
    true, told = rightmost_pole(made, 1000, 1500), loop.fastest_growth_db_per_s(made)
    assert true < told < 3 * true
    # Of what would grow as fast nothing comes back in phase and louder than it left.
    f, rate = np.linspace(1, 40e3, 400_000), told / (20 * math.log10(math.e))
    heads = (gain * np.exp(-(rate + 2j * np.pi * f) * t) for t, gain in ((15e-6, 1), (5.6e-3, 10)))
    once = 10 * one_pass.gain(f) * sum(heads)
    turned = np.flatnonzero(np.diff(np.sign(once.imag)))
    assert not np.any(once.real[turned] > 1)


def test_a_bump_beyond_the_first_null_may_be_the_loudest():
    # At 2.5 mm/s a tilt of 5 degrees has its first null at 15 Hz; one head grows by its gain each delay.
    tilted = dataclasses.replace(GOOD, azimuth_angle=math.radians(5))
    one_pass = OnePass(
        speed=2.54e-3,
        today=tilted,
        aligned=tilted,
        boost_db=24,
        low_cut=30,
        pole_length=1.3e-3,
        pole_shape="plates",
    )
    made = EchoLoop(heads=Heads.from_delays((1.0,), 2.54e-3), return_gain=10, one_pass=one_pass)
    found = loop.stability(made)
    assert one_pass.level_db(found.frequency) > loudest(one_pass)[1] + 3
    assert found.bound_db <= found.margin_db < 0
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(-found.margin_db / 1.0, rel=1e-6)


def test_a_closed_return_dies_at_once():
    # The floor of -300 dB stands for nothing at all.
    assert loop.fastest_growth_db_per_s(echo(return_gain=0)) == pytest.approx(-300 / 0.25, rel=1e-9)


# ---- which frequencies come back in phase ----


def test_an_inverting_return_is_in_phase_halfway_between():
    found = loop.oscillation_frequencies(echo(delays=(0.5,), return_gain=-0.3), 0, 6)
    np.testing.assert_allclose(found, [1, 3, 5], atol=1e-9)


def test_a_low_cut_moves_each_frequency_up_by_its_phase():
    cut = OnePass(speed=SPEED, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=30)
    found = loop.oscillation_frequencies(echo(delays=(0.1,), one_pass=cut), 0, 200)
    # n turns: 2 pi f T - atan(f_c / f) = 2 pi n
    turns = found * 0.1 - np.arctan2(30, found) / (2 * np.pi)
    np.testing.assert_allclose(turns, np.arange(found.size), atol=1e-9)
    assert found.size == 20


def test_a_very_low_cut_does_not_hide_the_first_frequency():
    cut = OnePass(speed=SPEED, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=0.001)
    found = loop.oscillation_frequencies(echo(delays=(0.2,), one_pass=cut), 0, 2)
    assert found.size == 1
    assert found[0] * 0.2 == pytest.approx(np.arctan2(0.001, found[0]) / (2 * np.pi), rel=1e-6)


def test_heads_that_cancel_leave_nothing_in_phase():
    nothing = echo(delays=(0.1, 0.1), head_gains=(1, -1))
    assert loop.oscillation_frequencies(nothing, 0, 100).size == 0
    found = loop.stability(nothing)
    assert found.stable and found.frequency is None and found.margin_db == -NULL_DB


def test_a_pair_of_frequencies_closer_than_the_grid_is_found():
    # Im L = -(sin x - a sin 5 x), x = 2 pi f 0.1, touches zero at 2.5 Hz if a = 1, and is below in between
    # if a is a little more. The heads at 0.4 s and 0.8 s add a real part and, to second order, nothing else.
    for a, expected in ((1.00001, 2), (0.99999, 0)):
        made = echo(delays=(0.1, 0.5, 0.4, 0.8), head_gains=(1, -a, 2, -1))
        found = loop.oscillation_frequencies(made, 2.41, 2.57)
        assert found.size == expected
        assert np.all(np.abs(found - 2.5) < 1 / (32 * 0.8) / 10)


def test_pieces_of_a_long_grid_join_without_a_seam(monkeypatch):
    dull = treble_loss(20e-6, low_cut=60)
    made = echo(delays=(0.031, 0.047), head_gains=(0.6, 0.5), return_gain=2, one_pass=dull)
    whole = loop.oscillation_frequencies(made, 0, 500), loop.stability(made)
    monkeypatch.setattr(loop, "_CHUNK", 64)
    monkeypatch.setattr(loop, "_BAND", 64)
    monkeypatch.setattr(loop, "_EDGE_BANDS", 64)
    pieces = loop.oscillation_frequencies(made, 0, 500), loop.stability(made)
    np.testing.assert_array_equal(whole[0], pieces[0])
    assert whole[1] == pieces[1]
    assert whole[1].growing_modes > 5


# ---- stability ----


def test_growing_modes_are_left_uncounted_on_request_and_nothing_else_changes():
    made = echo(delays=(0.05, 0.07), head_gains=(1.0, 0.8), return_gain=1.5, one_pass=REAL)
    counted, quick = loop.stability(made), loop.stability(made, count_modes=False)
    assert counted.growing_modes > 0 and quick.growing_modes is None
    assert dataclasses.replace(quick, growing_modes=counted.growing_modes) == counted


def test_a_minute_of_delay_is_searched_without_laying_out_every_turn_of_it(monkeypatch):
    points, gain_at = [], loop._gain_at
    monkeypatch.setattr(loop, "_gain_at", lambda made, f: points.append(f.size) or gain_at(made, f))
    made = echo(delays=(30.0, 43.0, 60.0), head_gains=(1.0, 0.8, 0.9), return_gain=0.4, one_pass=REAL)
    found = loop.stability(made, count_modes=False)
    assert found.margin_db == pytest.approx(found.bound_db, abs=0.1)
    assert sum(points) < 60 * loop.HIGHEST_FREQUENCY


def test_one_flat_head_has_the_margin_of_its_gain():
    found = loop.stability(echo(return_gain=0.5))
    assert found.margin_db == pytest.approx(6.0206, abs=1e-4)
    assert found.bound_db == pytest.approx(6.0206, abs=1e-4)
    assert found.stable and found.growing_modes == 0


def test_a_gain_of_one_is_not_stable_and_one_with_a_closed_return_is():
    assert not loop.stability(echo(return_gain=1.0)).stable
    closed = loop.stability(echo(return_gain=0.0, one_pass=REAL))
    assert closed.stable and closed.margin_db == pytest.approx(-NULL_DB, abs=0.001)
    assert closed.frequency == loop.stability(echo(return_gain=0.5, one_pass=REAL)).frequency


def test_start_is_the_loudest_of_all_frequencies_in_phase():
    made = echo(delays=(0.218,), one_pass=REAL)
    found = loop.stability(made)
    every = loop.oscillation_frequencies(made, 0, 20000)
    levels = loop.loop_gain_db(made, every)
    assert found.margin_db == pytest.approx(-levels.max(), abs=1e-6)
    assert np.min(np.abs(every - found.frequency)) < 1e-6
    # it is a neighbor of the peak of |R|
    assert abs(found.frequency - loudest(REAL)[0]) < 1 / 0.218


def test_one_inverted_head_starts_at_the_loudest_of_the_tones_that_a_low_cut_has_moved():
    # f T = n + 1/2 + atan(60 Hz / f) / 2 pi, with f put in on the right again and again.
    n = np.arange(20)
    f = (n + 0.5) / 0.023
    for _ in range(60):
        f = (n + 0.5 + np.arctan(60 / f) / (2 * np.pi)) / 0.023
    levels_db = 20 * np.log10(0.5 * np.exp(-2 * np.pi * 20e-6 * f / SPEED) / np.hypot(1, 60 / f))
    made = echo(delays=(0.023,), return_gain=-0.5, one_pass=treble_loss(20e-6, low_cut=60))
    found = loop.stability(made, count_modes=False)
    assert found.frequency == pytest.approx(f[np.argmax(levels_db)]) == pytest.approx(154.73, abs=0.01)
    assert found.margin_db == pytest.approx(-levels_db.max())


#: Loops in which the heads add up so differently from cell to cell that a careless search misses the best.
UNEVEN = [
    ((0.189, 0.064), (0.71, 0.85)),
    ((0.189, 0.064), (7.1, 3.4)),
    ((0.295, 0.134, 0.061, 0.389), (0.69, 0.75, 0.7, -0.63)),
    ((0.352, 0.111, 0.115, 0.212), (-0.83, -0.79, 0.96, 0.35)),
]


@pytest.mark.parametrize(("delays", "head_gains"), UNEVEN)
def test_start_and_band_of_many_heads_are_those_of_all_frequencies_in_phase(delays, head_gains):
    made = echo(delays=delays, head_gains=head_gains, return_gain=1.5, one_pass=REAL)
    every = loop.oscillation_frequencies(made, 0, 12_000)  # far beyond what is 1 dB quieter
    levels_db = loop.loop_gain_db(made, every)
    found = loop.stability(made, count_modes=False)
    assert found.margin_db == pytest.approx(-levels_db.max(), abs=1e-9)
    assert found.frequency == pytest.approx(every[np.argmax(levels_db)], abs=1e-6)
    near = every[levels_db >= levels_db.max() - 1]
    assert found.band == pytest.approx((near[0], near[-1]), abs=1e-6)


@pytest.mark.parametrize("low_cut", [0.0, 0.5, 200.0])
def test_the_band_of_one_head_ends_at_the_tones_in_phase_that_are_just_loud_enough(low_cut):
    # exp(-2 pi s f / v) is 1 dB down at f = v ln(10) / (20 * 2 pi s) = 174.5 Hz for 20 um; tones at n / 0.1.
    made = echo(delays=(0.1,), return_gain=0.3, one_pass=treble_loss(20e-6, low_cut))
    every = loop.oscillation_frequencies(made, 0, 3000)
    levels_db = loop.loop_gain_db(made, every)
    near = every[levels_db >= levels_db.max() - 1]
    assert loop.stability(made).band == pytest.approx((near[0], near[-1]), abs=1e-6)
    if not low_cut:
        assert loop.stability(made).band == pytest.approx((0, 170), abs=1e-6)


def test_a_tone_that_stands_out_by_a_decibel_is_the_whole_band():
    # Tones at n / 0.01 = 0, 100, 200 Hz; 60 um cost 1.72 dB for each 100 Hz.
    found = loop.stability(echo(delays=(0.01,), one_pass=treble_loss(60e-6)))
    assert found.band == (found.frequency, found.frequency) == (0, 0)
    found = loop.stability(echo(delays=(0.01,), return_gain=-0.5, one_pass=treble_loss(60e-6)))
    assert found.band == pytest.approx((50, 50), abs=1e-6) and found.frequency == pytest.approx(50, abs=1e-6)


def test_a_loop_without_a_tone_in_phase_has_no_band():
    assert loop.stability(echo(delays=(0.1, 0.1), head_gains=(1, -1))).band is None


def test_an_end_that_is_not_found_is_that_of_the_response(monkeypatch):
    monkeypatch.setattr(loop, "_EDGE_BANDS", 0)
    made = echo(delays=(0.1,), one_pass=treble_loss(20e-6, low_cut=5))
    low, high = loop.stability(made).band
    edges = np.array([low, high])
    response_db = made.one_pass.level_db(edges) - loop.loudest(made.one_pass)[1]
    # within a step of the grid beyond the place where the response is 1 dB down
    np.testing.assert_allclose(response_db, -1, atol=0.03)
    assert np.all(response_db < -1)


def test_a_tone_far_below_hearing_may_come_first():
    # f T = atan(f_c / f) / 2 pi: near f = sqrt(f_c / 2 pi T) where f_c is far below. The next lies at 100 Hz.
    made = echo(delays=(0.01,), one_pass=treble_loss(60e-6, low_cut=0.001))
    lowest = math.sqrt(0.001 / (2 * math.pi * 0.01))
    found = loop.stability(made)
    assert found.frequency == pytest.approx(lowest, rel=1e-3)
    assert found.band == (found.frequency, found.frequency)


def test_a_tone_half_a_hertz_above_the_highest_is_not_looked_at():
    # In phase at (n + 1/4) / T where the response rises by 6 dB an octave; the next one is at 40,000.4 Hz.
    rising = OnePass(speed=SPEED, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=1e12)
    delay = 2000.25 / 40_000.4
    assert loop.stability(echo(delays=(delay,), one_pass=rising)).frequency == pytest.approx(
        1999.25 / delay, abs=1e-3
    )


def test_nothing_above_an_octave_beyond_hearing_is_looked_at():
    # A low cut far above it makes the response rise all the way: the last tone in phase comes first, 1 / T
    # or less below 40 kHz.
    rising = OnePass(speed=SPEED, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=1e6)
    found = loop.stability(echo(delays=(0.05,), return_gain=0.5, one_pass=rising))
    assert 40_000 - 1 / 0.05 <= found.frequency <= 40_000


def test_delays_that_differ_a_thousandfold_have_a_pole():
    # 1 = 0.5 e^(-0.001 s) + 2 e^-s: about 2 e^-s = 0.5, then s is put in on the right again and again.
    made = echo(delays=(0.001, 1.0), head_gains=(0.5, 2.0), return_gain=1.0)
    sigma = math.log(4)
    for _ in range(20):
        sigma = -math.log((1 - 0.5 * math.exp(-0.001 * sigma)) / 2)
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(20 * math.log10(math.e) * sigma, rel=1e-6)


def test_a_narrow_response_searches_beyond_its_loudest_three_decibels():
    # One short delay: the loudest frequency is far from any that is in phase.
    made = echo(delays=(0.001,), return_gain=-0.5, one_pass=treble_loss(40e-6, low_cut=30))
    found = loop.stability(made)
    assert found.bound_db < found.margin_db - 3
    assert found.frequency == pytest.approx(loop.oscillation_frequencies(made, 0, 900).min(), abs=1e-6)


def test_growing_modes_of_one_head_are_those_with_gain_above_one():
    # |L| = g exp(-2 pi s f / v) is above 1 up to f = v ln(g) / (2 pi s); in phase at n / T
    made = echo(delays=(0.1,), return_gain=2.0, one_pass=treble_loss(20e-6))
    limit = SPEED * math.log(2) / (2 * math.pi * 20e-6)
    assert loop.stability(made).growing_modes == math.floor(limit * 0.1) + 1  # and the one at 0 Hz


TWO_HEADS = {
    "one head": ((0.01,), (1.0,)),
    "two heads": ((0.01, 0.0135), (0.8, 0.7)),
    "one head inverted": ((0.01, 0.0135), (0.8, -0.7)),
    "three heads": ((0.008, 0.0111, 0.0152), (0.5, 0.6, -0.4)),
}


@pytest.mark.parametrize("name", TWO_HEADS)
@pytest.mark.parametrize("gain", [2.0, -3.5])
def test_growing_modes_are_the_roots_outside_the_unit_circle(name, gain):
    delays, head_gains = TWO_HEADS[name]
    rate, taps = 10_000, 128
    delays = [round(delay * rate) / rate for delay in delays]
    dull = treble_loss(40e-6, low_cut=200)
    made = echo(delays=delays, head_gains=head_gains, return_gain=gain, one_pass=dull)
    roots, _ = growing_roots(made, rate, taps)
    assert roots > 0
    assert loop.stability(made).growing_modes == roots


@pytest.mark.parametrize("name", TWO_HEADS)
def test_the_margin_is_where_a_simulated_loop_turns_from_dying_to_growing(name):
    delays, head_gains = TWO_HEADS[name]
    rate, taps = 10_000, 128
    delays = [round(delay * rate) / rate for delay in delays]
    dull = treble_loss(40e-6, low_cut=200)
    made = echo(delays=delays, head_gains=head_gains, return_gain=0.5, one_pass=dull)
    found = loop.stability(made)
    assert found.margin_db >= found.bound_db
    for change_db, grows in ((-0.05, False), (0.05, True)):
        send = 0.5 * db_to_amplitude(found.margin_db + change_db)
        _, radius = growing_roots(dataclasses.replace(made, return_gain=send), rate, taps)
        assert (radius > 1) == grows


@pytest.mark.parametrize(
    ("delays", "head_gains", "return_gain"),
    [
        ((0.11, 0.27, 0.4), (0.6, -0.5, 0.7), 0.9),
        # Here L(f) also turns back: it is real and above 1 on the way down at two places, 75 in all.
        ((0.076, 0.037, 0.033, 0.168), (-0.94, -0.72, -0.81, 0.68), 1.5),
    ],
)
def test_the_turns_around_one_agree_with_the_unwrapped_angle(delays, head_gains, return_gain):
    dull = treble_loss(20e-6, low_cut=60)
    made = echo(delays=delays, head_gains=head_gains, return_gain=return_gain, one_pass=dull)
    f = np.linspace(0, 20_000, 1_000_001)
    around = np.unwrap(np.angle(1 - loop.loop_gain(made, f)))
    turns = -(around[-1] - around[0]) / (2 * np.pi)
    assert turns == pytest.approx(round(turns), abs=1e-3)
    assert loop.stability(made).growing_modes == round(turns) > 10


def test_the_bound_is_a_little_careful_for_many_heads():
    made = echo(delays=(0.08, 0.193, 0.4), head_gains=(0.4, 0.3, 0.3), return_gain=0.9, one_pass=REAL)
    found = loop.stability(made)
    assert 0 <= found.margin_db - found.bound_db < 0.54


def test_just_beyond_the_margin_one_mode_grows():
    made = echo(delays=(0.05,), one_pass=treble_loss(5e-6, low_cut=40))
    margin_db = loop.stability(made).margin_db
    beyond = dataclasses.replace(made, return_gain=0.5 * db_to_amplitude(margin_db + 1e-5))
    found = loop.stability(beyond)
    assert (found.stable, found.growing_modes) == (False, 1)
    assert found.margin_db == pytest.approx(-1e-5, abs=1e-9)


# ---- noise ----


@pytest.mark.parametrize("gain", [0.3, 0.9, 1.0, 1.2])
def test_noise_after_n_passes_is_the_sum_of_their_powers(gain):
    counts = np.array([1, 2, 5, 20])
    sums = [sum(gain ** (2 * k) for k in range(n)) for n in counts]
    found = loop.noise_build_up_db(amplitude_to_db(gain), counts)
    np.testing.assert_allclose(found, 10 * np.log10(sums), atol=1e-9)


def test_noise_near_a_gain_of_one_joins_smoothly():
    beside = loop.noise_build_up_db([-1e-9, 0, 1e-9], 10)
    np.testing.assert_allclose(beside, 10, atol=1e-6)
    assert loop.noise_build_up_db(100, 1000) == pytest.approx(99_900, abs=1e-6)


def test_noise_in_the_long_run_is_the_energy_of_the_impulse_response():
    long_run = 10 * math.log10(sum(0.8 ** (2 * k) for k in range(500)))
    assert loop.noise_build_up_db(amplitude_to_db(0.8)) == pytest.approx(long_run, abs=1e-9)
    assert loop.hiss_db(echo(return_gain=0.8)) == pytest.approx(long_run, abs=1e-9)


def test_hiss_of_a_dull_tape_is_shaped_by_each_pass():
    # White noise on the bus: R^2 / (1 - g^2 R^2) is heard, against R^2 of one pass.
    f = np.linspace(20, 20000, 200_001)
    for separation in (0.5e-6, 2e-6):
        dull = treble_loss(separation)
        response = np.abs(dull.gain(f)) ** 2
        made = echo(return_gain=0.9, one_pass=dull)
        long_run = np.mean(response / (1 - 0.81 * response)) / np.mean(response)
        assert loop.hiss_db(made) == pytest.approx(10 * math.log10(long_run), abs=0.001)
        after_three = np.mean(response * (1 + 0.81 * response + (0.81 * response) ** 2)) / np.mean(response)
        assert loop.hiss_db(made, 3) == pytest.approx(10 * math.log10(after_three), abs=0.001)
        assert loop.hiss_db(made, 1) == pytest.approx(0, abs=1e-9)
        assert loop.hiss_db(made) < loop.hiss_db(echo(return_gain=0.9))


def test_hiss_of_a_band_is_that_of_the_band():
    dull = treble_loss(2e-6)
    f = np.linspace(5000, 6000, 10_001)
    response = np.abs(dull.gain(f)) ** 2
    long_run = np.mean(response / (1 - 0.81 * response)) / np.mean(response)
    found = loop.hiss_db(echo(return_gain=0.9, one_pass=dull), low=5000, high=6000)
    assert found == pytest.approx(10 * math.log10(long_run), abs=1e-4)


def test_modes_are_counted_to_the_very_edges_of_the_band_that_grows():
    # In a second of delay hundreds of turns lie within a step of the search at either edge.
    dull = treble_loss(2e-6, low_cut=300)
    every = loop.oscillation_frequencies(echo(delays=(1.0,), one_pass=dull), 0, loop.HIGHEST_FREQUENCY)
    for send in (1.3, 1.34, 1.39, 1.45):
        made = echo(delays=(1.0,), return_gain=send, one_pass=dull)
        growing = np.count_nonzero(loop.loop_gain_db(made, every) > 0)
        assert loop.stability(made).growing_modes == growing > 500


def test_the_band_begins_where_the_slightest_low_cut_is_in_phase():
    # atan(0.01 / f) = 2 pi f / 4: f tan(1.5708 f) is 0.00998 at 0.0795 Hz and 0.010005 at 0.0796.
    made = echo(one_pass=dataclasses.replace(FLAT, low_cut=0.01))
    assert loop.stability(made, count_modes=False).band[0] == pytest.approx(0.07958, abs=2e-5)


def test_very_long_delays_have_the_margin_of_their_loudest_tone():
    # 20 s and, inverted, 30 s come together at 0.05 Hz first, after one turn and one and a half: 0.5 * 1.8.
    found = loop.stability(echo(delays=(20.0, 30.0), head_gains=(1.0, -0.8)), count_modes=False)
    assert (found.margin_db, found.frequency) == pytest.approx((-20 * math.log10(0.9), 0.05))


def test_a_band_whose_ends_are_too_far_to_look_for_is_that_of_the_response():
    # Heads of opposite sign 0.1 ms apart: 2 |sin(pi f / 10 kHz)|, 4.6 dB down 2 kHz from either end.
    made = echo(delays=(1.0, 1.0001), head_gains=(1.0, -1.0), return_gain=0.4)
    assert loop.stability(made, count_modes=False).band == pytest.approx((0, 40e3))


@pytest.mark.parametrize("delays", [(0.2, 0.26), (1.3, 2.1)])
def test_start_and_band_of_a_pass_that_is_louder_than_its_input_are_those_of_all_frequencies(delays):
    # Aligned with a lifted head and played by one that touches: up to 24 dB more in the treble.
    bright = OnePass(
        speed=SPEED, today=IDEAL, aligned=dataclasses.replace(IDEAL, separation=5e-6), boost_db=24, low_cut=30
    )
    made = echo(delays=delays, head_gains=(1.0, 0.8), one_pass=bright)
    every = loop.oscillation_frequencies(made, 0, loop.HIGHEST_FREQUENCY)
    levels_db = loop.loop_gain_db(made, every)
    found = loop.stability(made, count_modes=False)
    assert levels_db.max() > 12 and found.margin_db == pytest.approx(-levels_db.max(), abs=1e-6)
    within = every[levels_db >= levels_db.max() - 1]
    assert found.band == pytest.approx((within[0], within[-1]))


def test_the_band_of_hearing_is_meant_unless_another_is_named():
    made = echo(return_gain=0.9, one_pass=treble_loss(2e-6))
    assert loop.hiss_db(made) == loop.hiss_db(made, low=20, high=20_000)
    assert loop.hiss_db(made) not in (loop.hiss_db(made, low=21), loop.hiss_db(made, high=20_001))


def test_hiss_after_several_numbers_of_passes_at_once():
    for made in (echo(return_gain=0.8), echo(delays=(0.2, 0.3), head_gains=(0.4, 0.5))):
        found = loop.hiss_db(made, [[1, 3], [4, 2]])
        expected = [
            [loop.hiss_db(made, 1), loop.hiss_db(made, 3)],
            [loop.hiss_db(made, 4), loop.hiss_db(made, 2)],
        ]
        np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-12)


def test_hiss_of_a_head_outside_the_loop_stays_as_it_is():
    alone = outside(echo(head_gains=(0.0,)), 0.02)
    assert loop.hiss_db(alone) == pytest.approx(0, abs=1e-9)


def impulse_response(delays, gains, length):
    response = np.zeros(length)
    for delay, gain in zip(delays, gains, strict=True):
        response[delay] += gain
    return response


@pytest.mark.parametrize("repeats", [None, 4])
@pytest.mark.parametrize("gains", [(0.4, 0.5), (0.4, -0.5), (-0.3, -0.2)])
def test_hiss_of_two_heads_is_the_energy_of_their_impulse_responses(gains, repeats):
    # The bus is noise sent round and round, L^0 + L^1 + ...; what is heard, the bus through both heads.
    heard, once = (impulse_response((200, 300), gains, 301) * level for level in (1, 0.9))
    bus, power = np.zeros(60 * 300 + 1), np.array([1.0])
    for _ in range(repeats or 60):
        bus[: power.size] += power
        power = np.convolve(power, once)
    energy = np.sum(np.convolve(bus, heard) ** 2) / np.sum(heard**2)
    made = echo(delays=(0.2, 0.3), head_gains=gains, return_gain=0.9)
    assert loop.hiss_db(made, repeats) == pytest.approx(10 * math.log10(energy), abs=0.03)


@pytest.mark.parametrize("repeats", [None, 3])
def test_hiss_of_a_head_in_the_loop_and_one_outside(repeats):
    # Energy of (0.5 z^200 + 0.8 z^300) / (1 - 0.45 z^200), against 0.5^2 + 0.8^2.
    once = impulse_response((200,), (0.45,), 301)
    heard = impulse_response((200, 300), (0.5, 0.8), 301)
    bus, power = np.zeros(40 * 300 + 1), np.array([1.0])
    for _ in range(repeats or 40):
        bus[: power.size] += power
        power = np.convolve(power, once)
    energy = np.sum(np.convolve(bus, heard) ** 2) / np.sum(heard**2)
    made = outside(echo(delays=(0.2,), head_gains=(0.5,), return_gain=0.9), 0.3 * SPEED, gain=0.8)
    assert loop.hiss_db(made, repeats) == pytest.approx(10 * math.log10(energy), abs=0.03)


def test_hiss_of_a_loop_that_runs_away_is_finite_after_any_number_of_passes():
    # One head of +20 dB: the last of n terms, 20 (n - 1) dB, and a hundredth of it before that.
    loud = echo(return_gain=10)
    assert loop.hiss_db(loud, 1000) == pytest.approx(19_980 + 10 * math.log10(1 / 0.99), abs=1e-6)
    both = echo(delays=(0.2, 0.3), head_gains=(1, 1), return_gain=10)
    at_most = 26.0206 * (1000 - 1)
    assert at_most - 60 < loop.hiss_db(both, 1000) < at_most


def test_first_repeat_has_the_ratio_of_one_pass_and_later_ones_less():
    ratios = loop.repeat_snr_db(-3, [1, 2, 3, 4], 55)
    assert ratios[0] == 55
    assert ratios[1] == pytest.approx(55 - 3 - 10 * math.log10(1 + 10**-0.3), abs=1e-9)
    assert np.all(np.diff(ratios) < -3)


# ---- limiting ----


def test_describing_function_runs_from_one_to_that_of_a_switch():
    found = loop.describing_function([0, 1e-12, 1e-7, 1e4], 1)
    np.testing.assert_allclose(found, [1, 1, 1, 4e-4 / np.pi], rtol=1e-6)
    assert found[0] == 1


def test_at_a_gain_of_one_the_loop_settles_at_nothing():
    assert loop.settling_level(0, 1) == 0


def test_settling_level_meets_its_own_condition():
    gain_db = np.array([[0.1], [3], [20]])
    settled = loop.settling_level(gain_db, [1, 4])
    assert settled.shape == (3, 2)
    rest = db_to_amplitude(gain_db) * loop.describing_function(settled, [1, 4])
    np.testing.assert_allclose(rest, 1, rtol=1e-9)


def test_a_crowd_settles_where_each_moment_goes_round_alone():
    # x = g tanh(x) at x = 1: g = 1 / tanh(1) = 1.313035, 2.36545 dB; a sine as strong has the peak sqrt(2).
    gain_db = 20 * math.log10(1.3130352855)
    assert loop.crowd_settling_level(gain_db, 1) == pytest.approx(math.sqrt(2), rel=1e-9)
    assert loop.crowd_settling_level([gain_db], [0.5]) == pytest.approx([math.sqrt(0.5)], rel=1e-9)
    assert loop.crowd_settling_level(0, 1) == pytest.approx(0, abs=1e-6)
    assert loop.crowd_settling_level(60, 1) == pytest.approx(1000 * math.sqrt(2), rel=1e-9)


@pytest.mark.parametrize("gain_db", [0.5, 2, 8])
def test_noise_in_a_plain_delay_settles_as_a_crowd(gain_db):
    gain = 10 ** (gain_db / 20)
    bus = 0.01 * np.random.default_rng(3).standard_normal(1000)
    for _ in range(1000):
        bus = gain * np.tanh(bus)
    peak = math.sqrt(2) * np.sqrt(np.mean(bus**2))
    assert loop.crowd_settling_level(gain_db, 1) == pytest.approx(peak, rel=0.01)
    assert loop.settling_level(gain_db, 1) < peak


def fundamental(period):
    """Peak of the sine wave of one turn in a period of samples."""
    turn = np.exp(-2j * np.pi * np.arange(len(period)) / len(period))
    return 2 * abs(np.mean(np.asarray(period) * turn))


@pytest.mark.parametrize("gain_db", [0.2, 1, 3, 6, 12])
def test_settling_level_of_a_plain_delay_and_tanh_within_a_decibel(gain_db):
    gain, period = 10 ** (gain_db / 20), 40
    bus = [0.01 * math.sin(2 * math.pi * n / period) for n in range(period)]
    for n in range(period * 600):
        bus.append(gain * math.tanh(bus[n]))
    found_db = 20 * math.log10(fundamental(bus[-period:]) / loop.settling_level(gain_db, 1))
    assert abs(found_db) < 1


@pytest.mark.parametrize("over_db", [0.5, 2, 5])
def test_settling_level_of_a_filtered_loop_within_a_third_of_a_decibel(over_db):
    # Harmonics are lost in the treble, as on tape.
    rate, taps, saturation = 8_000, 192, 4.0
    made = echo(delays=(0.02,), return_gain=-1.0, one_pass=treble_loss(300e-6))
    once = sampled(made, rate, taps)
    turn = np.exp(-2j * np.pi * loop.stability(made).frequency * np.arange(once.size) / rate)
    once *= db_to_amplitude(over_db) / abs(once @ turn)
    bus, reach = np.zeros(rate), once.size - 1
    bus[:reach] = np.real(1 / turn[:reach])
    tape = saturation * np.tanh(bus / saturation)
    past = once[:0:-1]
    for n in range(reach, bus.size):
        bus[n] = tape[n - reach : n] @ past
        tape[n] = saturation * math.tanh(bus[n] / saturation)
    period = round(1 / loop.stability(made).frequency * rate)
    peak = fundamental(bus[-period:])
    assert abs(20 * math.log10(peak / loop.settling_level(over_db, saturation))) < 1 / 3


# ---- limits and single points ----


def test_hiss_is_told_for_up_to_a_million_passes():
    # -6 dB once round: 10 log10(1 / (1 - 10^-0.6)) long before that.
    assert loop.hiss_db(echo(return_gain=10 ** (-6 / 20)), 1_000_000) == pytest.approx(1.2563, abs=1e-4)
    with pytest.raises(ValueError, match="repeats must be from 1 to"):
        loop.hiss_db(echo(), 1_000_001)


@pytest.mark.parametrize("off", [1 / 16, 0.1, 0.25])
def test_a_frequency_on_a_point_of_the_grid_is_found_once(off):
    # Heads of 1/6 and 5/6 s: at 1 Hz their sines take each other away, and their cosines are 1/2 each.
    made = echo(delays=(1 / 6, 5 / 6), head_gains=(1.0, 1.0), return_gain=1.0)
    assert loop.loop_gain(made, 1) == pytest.approx(1, abs=1e-12)
    found = loop.oscillation_frequencies(made, 1 - off, 1 + off)
    np.testing.assert_allclose(found, [1], atol=1e-12)


@pytest.mark.parametrize("send", [0.25, 1.0, 4.0])
def test_growth_is_the_same_whether_heads_or_the_send_are_turned_up(send):
    samples, gains, rate = [19, 32, 3], np.array([1.007, -0.73, -1.124]), 100.0
    polynomial = np.zeros(33)
    polynomial[0], polynomial[samples] = 1, -gains
    expected = 20 * math.log10(np.abs(np.roots(polynomial)).max()) * rate
    made = echo(delays=np.array(samples) / rate, head_gains=gains / send, return_gain=send)
    assert loop.fastest_growth_db_per_s(made) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: loop.repeats_until(0, -60),
            "loop_gain_db must be below 0 dB for the echo to die away, got 0",
        ),
        (lambda: loop.repeats_until(-6, 1), "level_db must be 0 dB or below, got 1"),
    ],
)
def test_it_is_said_what_an_echo_must_do(call, words):
    with pytest.raises(ValueError, match=f"^{words}$"):
        call()


def test_the_search_for_roots_ends_once_each_is_found():
    roots, calls = np.array([0.0, 0.3, 1.7]), []
    found = loop._root(lambda x: calls.append(x) or x**3 + x - roots**3 - roots, 0 * roots, 0 * roots + 2)
    assert found == pytest.approx(roots, rel=1e-15) and len(calls) < 30


@pytest.mark.parametrize("slope", [1, -1])
def test_where_there_is_no_root_the_search_stays_between_its_ends(slope):
    places = []
    loop._root(lambda x: places.append(x) or 3 + slope * x, np.array([1.0]), np.array([2.0]))
    assert np.min(places) >= 1 and np.max(places) <= 2
