"""Loops of two tracks: by hand, as two loops or one of twice the delay, and against samples."""

import dataclasses
import math
from unittest import mock

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop, fastest_growth_db_per_s, loop_gain, stability
from tapecalc.calc.response import HeadContact, OnePass, loudest
from tapecalc.calc.stereo import (
    StereoLoop,
    shared_sends,
    side_gains,
    stereo_echoes,
    stereo_growth_db_per_s,
    stereo_stability,
)

SPEED = 0.2
IDEAL = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
FLAT = OnePass(speed=SPEED, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=0)
WORN = HeadContact(gap=4e-6, separation=20e-6, coating_thickness=11e-6, track_width=2e-3, azimuth_angle=0)
#: With a low cut, bumps, losses and the phase of an equalizer.
REAL = OnePass(
    speed=SPEED,
    today=WORN,
    aligned=dataclasses.replace(WORN, separation=1e-6),
    boost_db=20,
    low_cut=30,
    pole_length=5e-3,
    pole_shape="plates",
)


def heads(*delays, gains=()):
    return Heads.from_delays(delays, SPEED, gains=gains)


def stereo(sends, left=(0.25,), right=(0.25,), one_pass=FLAT, **more):
    return StereoLoop(heads=(heads(*left), heads(*right)), sends=sends, one_pass=one_pass, **more)


def mono(delays, gain, one_pass=FLAT):
    return EchoLoop(heads=heads(*delays), return_gain=gain, one_pass=one_pass)


def decibels(amplitude):
    return 20 * math.log10(amplitude)


# ---- worked out by hand ----


def test_crossed_sends_are_one_loop_of_twice_the_delay():
    # Left to right by 0.4, right to left by 0.9: 0.36 once round, in 0.25 s + 0.15 s.
    made = stereo(((0, 0.9), (0.4, 0)), left=(0.25,), right=(0.15,))
    found = stereo_stability(made)
    # All four sends go up together: twice the decibels once round.
    assert found.margin_db == pytest.approx(-decibels(0.36) / 2, abs=1e-9)
    assert stereo_growth_db_per_s(made) == pytest.approx(decibels(0.36) / 0.4, rel=1e-9)
    assert stereo_growth_db_per_s(made) == pytest.approx(
        fastest_growth_db_per_s(mono((0.4,), 0.36)), rel=1e-9
    )
    assert found.bound_db == pytest.approx(found.margin_db, abs=1e-9)
    assert found.stable and found.frequency == 0


def test_the_first_tone_of_a_crossed_loop_is_louder_where_more_comes_back():
    # l v = L v with l^2 = 0.9 * 0.4: left over right is 0.9 / 0.6 = 1.5.
    found = stereo_stability(stereo(((0, 0.9), (0.4, 0))))
    assert found.sides == (pytest.approx(1), pytest.approx(1 / 1.5))
    assert found.margin_db == pytest.approx(-decibels(0.6), abs=1e-9)


def test_one_send_inverted_puts_a_quarter_of_a_turn_between_the_sides():
    # l^2 = -0.36 e^(-2 j w T) is 0.36 where 2 w T is half a turn: at 1 Hz for 0.25 s; left over right is
    # 0.9 / 0.6 times the turn of the way from right to left, e^(-j pi / 2).
    found = stereo_stability(stereo(((0, 0.9), (-0.4, 0))))
    assert found.frequency == pytest.approx(1.0, abs=1e-9)
    assert found.margin_db == pytest.approx(-decibels(0.6), abs=1e-9)
    left, right = found.sides
    assert left / right == pytest.approx(-1.5j, abs=1e-9)


def test_where_all_is_inverted_the_sides_are_opposite_at_0_hz():
    # -0.8 times the other side: with the tone inverted there, it comes back as it was.
    found = stereo_stability(stereo(((0, -0.8), (-0.8, 0))))
    assert found.frequency == 0
    assert found.sides == (pytest.approx(1), pytest.approx(-1))


@pytest.mark.parametrize("crossed", [0.0, 0.25, 0.5, 0.75, 1.0])
def test_the_sum_comes_back_by_the_gain_and_the_difference_by_what_is_not_crossed(crossed):
    made = stereo(shared_sends(0.6, crossed))
    first, other = side_gains(made, 0.0)
    assert first == pytest.approx(0.6, abs=1e-12)
    assert other == pytest.approx(0.6 * (1 - 2 * crossed), abs=1e-12)


def test_half_of_it_crossed_is_mono_from_the_second_repeat_on():
    times, sides = stereo_echoes(stereo(shared_sends(0.8, 0.5)), (1.0, 0.0), longest=1.0)
    # 0.8 of one side, half to either: 0.4 and 0.4, whose sum 0.8 comes back by 0.8 again.
    np.testing.assert_allclose(times, [0.25, 0.5, 0.75, 1.0], atol=1e-9)
    np.testing.assert_allclose(sides, [[1, 0], [0.4, 0.4], [0.32, 0.32], [0.256, 0.256]], atol=1e-12)


def test_a_leak_between_tracks_takes_as_much_margin_as_it_adds():
    # 20 dB down: the sum of both sides is 1.1 times as loud, 0.828 dB; the difference 0.9 times.
    straight = stereo(shared_sends(0.5, 0.0))
    leaking = dataclasses.replace(straight, leak=0.1)
    found = stereo_stability(leaking)
    assert stereo_stability(straight).margin_db - found.margin_db == pytest.approx(0.828, abs=1e-3)
    assert found.bound_db == pytest.approx(found.margin_db, abs=1e-9)  # all is in phase at 0 Hz
    assert side_gains(leaking, 0.0) == (pytest.approx(0.55), pytest.approx(0.45))


def test_a_leak_is_heard_on_the_other_side_and_goes_round():
    # Second round: 0.5 and 0.05 on the tape; left hears 0.5 + 0.005, right 0.05 + 0.05.
    times, sides = stereo_echoes(stereo(shared_sends(0.5, 0.0), leak=0.1), (1.0, 0.0), longest=0.5)
    np.testing.assert_allclose(sides, [[1, 0.1], [0.505, 0.1]], atol=1e-12)


def test_echoes_count_at_the_loudest_frequency():
    dull = dataclasses.replace(REAL, pole_length=0.0, low_cut=300)
    _, peak_db = loudest(dull)
    assert peak_db < -1
    _, sides = stereo_echoes(stereo(shared_sends(0.5, 1.0), one_pass=dull), (1.0, 0.0), longest=0.5)
    passed = 10 ** (peak_db / 20)
    np.testing.assert_allclose(sides, [[passed, 0], [0, 0.5 * passed**2]], atol=1e-12)


def test_a_head_outside_the_loop_is_heard_and_does_not_come_back():
    two = Heads.from_delays((0.1, 0.25), SPEED)
    made = stereo(shared_sends(0.5, 1.0))
    with_more = dataclasses.replace(made, heads=(dataclasses.replace(two, feeds_return=(False, True)),) * 2)
    assert stereo_stability(with_more) == stereo_stability(made)
    times, sides = stereo_echoes(with_more, (1.0, 0.0), longest=0.5)
    np.testing.assert_allclose(times, [0.1, 0.25, 0.35, 0.5], atol=1e-9)
    np.testing.assert_allclose(sides, [[1, 0], [1, 0], [0, 0.5], [0, 0.5]], atol=1e-12)


def test_without_sends_nothing_comes_back():
    made = stereo(((0, 0), (0, 0)))
    found = stereo_stability(made)
    assert (found.stable, found.margin_db, found.frequency, found.sides) == (True, 300.0, None, (0j, 0j))
    with pytest.raises(ValueError, match="stereo must have a tone that comes back in phase"):
        stereo_growth_db_per_s(made)
    # One way only is no loop: it ends on the other side.
    one_way = stereo(((0, 0), (5, 0)))
    assert stereo_stability(one_way).margin_db == 300.0
    times, sides = stereo_echoes(one_way, (1.0, 0.0))
    np.testing.assert_allclose(sides, [[1, 0], [0, 5]])


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"heads": (heads(0.1),)}, "heads must be two Heads"),
        ({"heads": (heads(0.1), 0.1)}, "heads must be two Heads"),
        ({"sends": ((1, 0, 0), (0, 1, 0))}, "sends must be two rows of two amplitudes"),
        ({"sends": ((1, 0), (0, float("nan")))}, "sends must be a finite number"),
        ({"one_pass": None}, "one_pass must be a OnePass"),
        ({"leak": float("inf")}, "leak must be a finite number"),
    ],
)
def test_nonsense_is_refused_by_name(changed, words):
    with pytest.raises(ValueError, match=words):
        dataclasses.replace(stereo(shared_sends(0.5, 1.0)), **changed)


def test_a_share_is_one():
    with pytest.raises(ValueError, match="crossed must be from 0 to 1"):
        shared_sends(0.5, 1.1)


# ---- as loops that are known ----


def test_a_crossed_loop_on_real_tape_is_two_loops_one_of_them_inverted():
    # L = [[0, 0.9], [0.4, 0]] R e^(-j w T): eigenvalues of 0.6 and -0.6 times R e^(-j w T).
    made = stereo(((0, 0.9), (0.4, 0)), one_pass=REAL)
    both = [mono((0.25,), gain, REAL) for gain in (0.6, -0.6)]
    margins = [stability(one).margin_db for one in both]
    found = stereo_stability(made)
    assert found.margin_db == pytest.approx(min(margins), abs=1e-4)
    assert stereo_growth_db_per_s(made) == pytest.approx(max(map(fastest_growth_db_per_s, both)), rel=1e-6)
    f = np.linspace(40, 2000, 50)
    expected = np.stack([loop_gain(one, f) for one in both])
    found = np.stack(side_gains(made, f))
    # either order
    np.testing.assert_allclose(found.sum(axis=0), 0, atol=1e-12)
    np.testing.assert_allclose(found[0] ** 2, expected[0] ** 2, rtol=1e-9)


DELAYS = st.lists(st.floats(0.03, 0.2), min_size=1, max_size=3, unique_by=lambda d: round(d, 2))
SENDS = st.floats(0.1, 2).flatmap(lambda gain: st.sampled_from([gain, -gain]))


@settings(max_examples=20)
@given(DELAYS, DELAYS, SENDS, SENDS)
def test_uncrossed_tracks_are_two_loops_of_one_track(left, right, to_left, to_right):
    made = stereo(((to_left, 0), (0, to_right)), left, right, REAL)
    both = [stability(mono(*one, REAL), count_modes=False) for one in ((left, to_left), (right, to_right))]
    found, nearer = stereo_stability(made), min(both, key=lambda one: one.margin_db)
    assert found.margin_db == pytest.approx(nearer.margin_db, abs=2e-3)
    assert found.bound_db == pytest.approx(min(one.bound_db for one in both), abs=1e-9)
    assert found.margin_db >= found.bound_db - 1e-9


@settings(max_examples=30)
@given(DELAYS, DELAYS, SENDS, SENDS, SENDS, SENDS, st.floats(-0.2, 0.2))
def test_at_the_margin_the_determinant_is_zero_and_the_tone_stays(left, right, a, b, c, d, leak):
    made = stereo(((a, b), (c, d)), left, right, REAL, leak=leak)
    found = stereo_stability(made)
    up = 10 ** (found.margin_db / 20)
    f = found.frequency
    # Source: the matrix once more, and numpy.linalg
    taps = [sum(np.exp(-2j * np.pi * f * delay) for delay in track) for track in (left, right)]
    once = up * REAL.gain(f) * np.array([[a, b], [c, d]]) @ np.diag(taps) @ [[1, leak], [leak, 1]]
    assert abs(np.linalg.det(np.eye(2) - once)) < 1e-6 * (1 + np.abs(once).max() ** 2)
    np.testing.assert_allclose(once @ found.sides, found.sides, atol=1e-5 * (1 + np.abs(once).max()))
    assert found.margin_db >= found.bound_db - 1e-9


@pytest.mark.parametrize(
    ("sends", "left", "right", "leak"),
    [
        (((0.5, 0.7), (0.4, 0.3)), (0.05, 0.083), (0.061,), 0.1),
        (((0.2, -0.9), (0.8, -0.3)), (0.05,), (0.083, 0.117), 0.0),
        (((-0.6, 0.5), (0.5, 0.6)), (0.1,), (0.1,), 0.05),
    ],
)
def test_the_margin_is_that_of_a_fine_net_of_frequencies(sends, left, right, leak):
    # Source: numpy.linalg.eigvals at a million frequencies; nothing above 1.5 kHz is loud
    made = stereo(sends, left, right, REAL, leak=leak)
    f = np.linspace(0, 1500, 1_000_001)[1:]
    taps = [sum(np.exp(-2j * np.pi * f * delay) for delay in track) for track in (left, right)]
    columns = np.moveaxis(np.array(taps) * REAL.gain(f), 0, -1)
    once = np.array(sends) @ (columns[:, :, None] * np.array([[1, leak], [leak, 1]]))
    gains = np.linalg.eigvals(once)
    in_phase = np.abs(np.angle(gains)) < 2e-3
    expected_db = -decibels(np.abs(gains)[in_phase].max())
    assert stereo_stability(made).margin_db == pytest.approx(expected_db, abs=0.01)


# ---- against samples and roots ----


def played(sends, left, right, sent, count):
    """What two tracks with delays in samples play of a click, sample by sample."""
    bus, heard = np.zeros((count, 2)), np.zeros((count, 2))
    for n in range(count):
        heard[n] = [sum(bus[n - d, k] for d in track if n >= d) for k, track in enumerate((left, right))]
        bus[n] = np.array(sends) @ heard[n]
        if n == 0:
            bus[0] += sent
    return heard


@pytest.mark.parametrize(
    ("sends", "left", "right"),
    [
        (((0.0, 0.8), (0.7, 0.0)), (20,), (30,)),
        (((0.3, -0.5), (0.6, 0.2)), (10, 17), (13,)),
        (((0.45, 0.45), (0.45, 0.45)), (25,), (25,)),
    ],
)
def test_echoes_are_those_of_samples(sends, left, right):
    heard = played(sends, left, right, (1.0, 0.25), 200)
    made = stereo(sends, np.array(left) / 100, np.array(right) / 100)
    times, sides = stereo_echoes(made, (1.0, 0.25), longest=1.995, faintest_db=-90)
    there = np.zeros((200, 2))
    there[np.round(times * 100).astype(int)] = sides
    np.testing.assert_allclose(there, heard, atol=1e-3)
    assert np.all(np.diff(times) > 0)


@settings(max_examples=25)
@example(3, 3, 2.0, 1.0, 1.0, 2.0)  # 3 and 1: the pole of the first is the one
@given(st.integers(3, 30), st.integers(3, 30), SENDS, SENDS, SENDS, SENDS)
def test_growth_is_that_of_the_largest_root(left, right, a, b, c, d):
    # Source: numpy.roots of (1 - a z^-m)(1 - d z^-n) - b c z^-(m + n), a hundred samples a second
    polynomial = np.zeros(left + right + 1)
    polynomial[0] = 1
    polynomial[left] -= a
    polynomial[right] -= d
    polynomial[left + right] += a * d - b * c
    largest = np.abs(np.roots(polynomial)).max()
    assume(largest > 0.1)  # where each send undoes the others nothing comes back at all
    made = stereo(((a, b), (c, d)), (left / 100,), (right / 100,))
    # All comes again every 100 Hz.
    with mock.patch.multiple("tapecalc.calc.stereo", HIGHEST_FREQUENCY=100.0, _BANDS=4):
        found = stereo_growth_db_per_s(made)
    assert found == pytest.approx(100 * decibels(largest), rel=1e-5, abs=1e-3)


def test_a_loop_just_beyond_its_margin_grows_in_samples_and_just_within_dies():
    sends, left, right = np.array(((0.5, -0.6), (0.7, 0.4))), (11, 19), (14,)
    made = stereo(sends, np.array(left) / 100, np.array(right) / 100)
    margin_db = stereo_stability(made).margin_db
    for beyond_db, grows in ((0.2, True), (-0.2, False)):
        sent = sends * 10 ** ((margin_db + beyond_db) / 20)
        heard = np.abs(played(sent, left, right, (1.0, 0.3), 8000))
        assert (heard[-1000:].max() > heard[2000:3000].max()) == grows
