"""What must hold for any head, tape and speed: scaling, direction, limits, inverses."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc import response
from tapecalc.calc.response import HeadContact, OnePass

frequencies = st.floats(1, 40000)
speeds = st.floats(0.01, 1)
lengths = st.floats(0, 20e-6)
factors = st.floats(0.1, 10)
contacts = st.builds(
    HeadContact,
    gap=st.floats(0, 10e-6),
    separation=st.floats(0, 3e-6),
    coating_thickness=st.floats(0, 20e-6),
    track_width=st.floats(0.5e-3, 7e-3),
    azimuth_angle=st.floats(-0.01, 0.01),
)
passes = st.builds(
    OnePass,
    speed=speeds,
    today=contacts,
    aligned=contacts,
    boost_db=st.floats(0, 20),
    low_cut=st.floats(1, 100),
)


@given(frequencies, speeds)
def test_wavelength_and_frequency_undo_each_other(frequency, speed):
    length = response.wavelength(frequency, speed)
    assert np.isclose(response.frequency_from_wavelength(length, speed), frequency, rtol=1e-12)


@given(frequencies, speeds, factors, contacts)
def test_only_frequency_over_speed_matters(frequency, speed, factor, contact):
    here = response.contact_loss_db(frequency, speed, contact)
    there = response.contact_loss_db(frequency * factor, speed * factor, contact)
    # close to a null the slope is endless, so levels there are compared as amplitudes
    assert np.isclose(10 ** (here / 20), 10 ** (there / 20), rtol=1e-9, atol=1e-12)


@given(frequencies, speeds, contacts)
def test_contact_never_adds_level(frequency, speed, contact):
    assert response.contact_loss_db(frequency, speed, contact) <= 1e-12


@given(frequencies, speeds, st.floats(0, 10e-6), st.floats(1e-9, 10e-6))
def test_more_distance_and_more_thickness_lose_more(frequency, speed, length, more):
    near, far = response.spacing_loss_db(frequency, speed, [length, length + more])
    thin, thick = response.thickness_loss_db(frequency, speed, [length, length + more])
    assert far < near
    assert thick <= thin + 1e-12


@given(frequencies, speeds, lengths)
def test_a_coating_loses_less_than_its_deepest_layer(frequency, speed, thickness):
    coating = response.thickness_loss_db(frequency, speed, thickness)
    assert coating >= response.spacing_loss_db(frequency, speed, thickness) - 1e-9


@given(speeds, st.floats(1e-7, 20e-6), st.floats(1, 1.2), st.floats(0.05, 0.95))
def test_gap_loss_falls_all_the_way_to_its_first_null(speed, gap, factor, share):
    null = response.gap_null_frequency(speed, gap, gap_factor=factor)
    levels = response.gap_loss_db(null * np.array([share, share + 0.04, 1]), speed, gap, gap_factor=factor)
    assert levels[0] > levels[1] > levels[2]
    assert levels[2] < -250


@given(frequencies, speeds, st.floats(1e-4, 1e-2))
def test_the_null_tilt_is_where_azimuth_loss_is_endless(frequency, speed, width):
    tilt = response.azimuth_null_angle(frequency, speed, width)
    if tilt < 1.4:  # beyond, the tangent loses too many digits
        assert response.azimuth_loss_db(frequency, speed, width, tilt) < -250


@given(frequencies, st.floats(1e-5, 3e-4), st.floats(1e-3, 1))
def test_equalization_falls_with_frequency(frequency, tau_high, tau_low):
    low, high = response.equalization_db([frequency, frequency * 1.1], tau_high, tau_low)
    assert high < low


@given(frequencies, st.floats(1e-5, 3e-4))
def test_a_very_long_bass_time_constant_is_an_endless_one(frequency, tau_high):
    endless = response.equalization_db(frequency, tau_high)
    assert np.isclose(response.equalization_db(frequency, tau_high, 1e6), endless, atol=1e-9)


@given(contacts, speeds, frequencies)
def test_a_head_at_its_alignment_never_rises_above_zero(contact, speed, frequency):
    one_pass = OnePass(speed=speed, today=contact, aligned=contact, boost_db=12, low_cut=0)
    assert one_pass.level_db(frequency) <= 1e-9


@given(passes, st.floats(0.5, 20), st.integers(1, 30))
def test_more_passes_never_widen_the_band(one_pass, drop_db, count):
    few = response.bandwidth(one_pass, drop_db=drop_db, passes=count)
    many = response.bandwidth(one_pass, drop_db=drop_db, passes=count + 1)
    assert many[0] >= few[0] * (1 - 1e-9)
    if few[1] is not None:
        assert many[1] <= few[1] * (1 + 1e-9)


@given(passes, st.floats(0.5, 20))
def test_every_frequency_inside_the_band_keeps_the_level(one_pass, drop_db):
    low, high = response.bandwidth(one_pass, drop_db=drop_db)
    _, loudest_db = response.loudest(one_pass)
    inside = np.geomspace(low, high or response.SEARCH_LIMIT, 301)[1:-1]
    assert np.all(one_pass.level_db(inside) >= loudest_db - drop_db - 1e-6)


@given(passes, frequencies, st.integers(0, 5))
def test_n_passes_are_the_gain_to_the_nth_power(one_pass, frequency, count):
    level = response.repeat_level_db(one_pass, frequency, count)
    if level > -250:
        assert np.isclose(level, 20 * np.log10(abs(one_pass.gain(frequency)) ** count), atol=1e-6)
