"""What must hold for any machine: scaling, direction, limits."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc import transport

spacings = st.floats(1e-3, 10)
speeds = st.floats(0.01, 5)
factors = st.floats(0.01, 100)


@given(spacings, speeds, factors)
def test_spacing_and_speed_scaled_together_leave_the_delay(spacing, speed, factor):
    scaled = transport.delay_from_spacing(spacing * factor, speed * factor)
    assert np.isclose(scaled, transport.delay_from_spacing(spacing, speed), rtol=1e-12)


@given(spacings, speeds, st.floats(1.001, 10))
def test_faster_tape_means_a_shorter_delay(spacing, speed, factor):
    slow, fast = transport.delay_from_spacing(spacing, [speed, speed * factor])
    assert fast < slow


@given(spacings, speeds, st.floats(0, 0.2), st.floats(0, 0.2))
def test_uncertainty_lies_between_the_larger_part_and_the_sum(spacing, speed, of_spacing, of_speed):
    delay = transport.delay_from_spacing(spacing, speed)
    total = transport.delay_uncertainty(spacing, speed, of_spacing * spacing, of_speed * speed)
    assert max(of_spacing, of_speed) * delay <= total * (1 + 1e-9)
    assert total <= (of_spacing + of_speed) * delay * (1 + 1e-9)


@given(spacings, speeds, st.floats(0, 0.1))
def test_uncertainty_predicts_a_small_change(spacing, speed, percent):
    change = percent / 1000
    moved = transport.delay_from_spacing(spacing * (1 + change), speed)
    there = transport.delay_from_spacing(spacing, speed)
    predicted = transport.delay_uncertainty(spacing, speed, spacing * change, 0)
    assert np.isclose(moved - there, predicted, rtol=1e-6, atol=1e-12)


@given(st.floats(1e-3, 0.05), st.floats(0, 1e-4), st.floats(0.3, 3), st.floats(0.1, 100))
def test_a_sleeve_gives_the_speed_it_was_made_for(diameter, thickness, ratio, rate):
    sleeve = transport.sleeve_diameter(diameter, thickness, ratio)
    fitted = transport.capstan_speed(sleeve, thickness, rate)
    assert np.isclose(fitted, ratio * transport.capstan_speed(diameter, thickness, rate), rtol=1e-9)


@given(st.floats(0.01, 0.06), st.floats(1e-5, 1e-4), st.floats(1, 2000))
def test_the_reel_holds_what_was_wound_on_it(hub, thickness, length):
    full = transport.pack_radius(length, hub, thickness)
    assert full > hub
    assert np.isclose(transport.tape_length(full, hub, thickness), length, rtol=1e-6)


@given(st.floats(0.05, 1), st.floats(0.05, 1), st.floats(0.001, 0.1))
def test_delay_on_a_ramp_lies_between_the_two_steady_delays(first, last, spacing):
    time = np.linspace(0, 5, 51)
    delays = transport.delay_at(time, np.linspace(first, last, 51), spacing)
    steady = sorted((spacing / first, spacing / last))
    assert np.all(delays >= steady[0] * (1 - 1e-9))
    assert np.all(delays <= steady[1] * (1 + 1e-9))


@given(st.lists(st.floats(0.05, 1), min_size=5, max_size=20), st.floats(0.001, 0.05))
def test_tape_run_during_the_delay_is_the_head_spacing(values, spacing):
    time = np.arange(len(values)) * 1.0
    delays = transport.delay_at(time, values, spacing)
    fine = np.linspace(-2, time[-1], 40_001)
    speed = np.interp(fine, time, values)
    position = np.concatenate(([0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(fine))))
    run = np.interp(time, fine, position) - np.interp(time - delays, fine, position)
    np.testing.assert_allclose(run, spacing, atol=1e-6)
