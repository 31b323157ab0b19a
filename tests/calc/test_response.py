"""The wavelength losses, one pass and its bandwidth, case by case."""

import dataclasses

import numpy as np
import pytest

from tapecalc.calc import response
from tapecalc.calc.response import NULL_DB, HeadContact, OnePass

SPEED = 0.1905
GOOD = {
    "gap": 4e-6,
    "separation": 0.5e-6,
    "coating_thickness": 11e-6,
    "track_width": 2e-3,
    "azimuth_angle": 0.0,
}
IDEAL = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)


def contact(**changes):
    return HeadContact(**{**GOOD, **changes})


def one_pass(**changes):
    settings = {"speed": SPEED, "today": contact(), "aligned": contact(), "boost_db": 12, "low_cut": 30}
    return OnePass(**{**settings, **changes})


def test_wavelength_of_arrays_broadcasts_and_scalars_stay_plain():
    lengths = response.wavelength([[1000], [10000]], [0.1905, 0.381])
    np.testing.assert_allclose(lengths, [[190.5e-6, 381e-6], [19.05e-6, 38.1e-6]], rtol=1e-12)
    assert type(response.wavelength(1000, 1)) is float


def test_nothing_is_lost_at_no_distance_no_thickness_no_gap_no_tilt():
    assert response.spacing_loss_db(10000, SPEED, 0) == 0
    assert response.thickness_loss_db(10000, SPEED, 0) == 0
    assert response.gap_loss_db(10000, SPEED, 0) == 0
    assert response.azimuth_loss_db(10000, SPEED, 2e-3, 0) == 0
    assert response.contact_loss_db(10000, SPEED, IDEAL) == 0


def test_nothing_is_lost_at_zero_hertz():
    assert response.contact_loss_db(0, SPEED, contact(azimuth_angle=0.01)) == 0


def test_limits_are_taken_element_by_element():
    np.testing.assert_allclose(
        response.thickness_loss_db(10000, SPEED, [0, 1e-9 * 1e-6, 10e-6]), [0, 0, -10.6927], atol=1e-4
    )
    gaps = [0, 1e-15, 5e-6]
    np.testing.assert_allclose(response.gap_loss_db(15000, SPEED, gaps), [0, 0, -2.924], atol=1e-4)


def test_tilt_to_either_side_loses_the_same():
    left, right = response.azimuth_loss_db(10000, SPEED, 2e-3, [-0.002, 0.002])
    assert left == right < -0.5


def test_a_null_reads_the_floor_and_not_minus_infinity():
    null = response.gap_null_frequency(SPEED, 4e-6)
    assert response.gap_loss_db([null, 2 * null], SPEED, 4e-6).tolist() == [NULL_DB, NULL_DB]
    tilt = response.azimuth_null_angle(10000, SPEED, 2e-3)
    assert response.azimuth_loss_db(10000, SPEED, 2e-3, tilt) < -250
    assert one_pass(boost_db=0).level_db(null) == NULL_DB == -300


def test_contact_loss_is_the_sum_of_four():
    tilted = contact(azimuth_angle=1e-3, gap_factor=1.0)
    parts = (
        response.spacing_loss_db(9000, SPEED, 0.5e-6),
        response.thickness_loss_db(9000, SPEED, 11e-6, surface_share=0.2),
        response.gap_loss_db(9000, SPEED, 4e-6, gap_factor=1.0),
        response.azimuth_loss_db(9000, SPEED, 2e-3, 1e-3),
    )
    assert all(part < -0.1 for part in parts)
    assert response.contact_loss_db(9000, SPEED, tilted) == pytest.approx(sum(parts), abs=1e-12)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("gap", -1e-6),
        ("separation", float("nan")),
        ("coating_thickness", "thick"),
        ("track_width", 0),
        ("azimuth_angle", 1.6),
        ("gap_factor", 0),
        ("gap", [1e-6, 2e-6]),
    ],
)
def test_a_contact_refuses_nonsense_by_name(name, value):
    with pytest.raises(ValueError, match=name):
        contact(**{name: value})


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("speed", 0),
        ("boost_db", -1),
        ("low_cut", -1),
        ("today", None),
        ("aligned", "new"),
        ("speed", [1, 2]),
        ("pole_shape", "spheres"),
    ],
)
def test_one_pass_refuses_nonsense_by_name(name, value):
    with pytest.raises(ValueError, match=name):
        one_pass(**{name: value})


@pytest.mark.parametrize(
    "call",
    [
        lambda: response.spacing_loss_db(-1, SPEED, 1e-6),
        lambda: response.spacing_loss_db(1000, 0, 1e-6),
        lambda: response.thickness_loss_db(1000, SPEED, -1e-6),
        lambda: response.wavelength(0, SPEED),
        lambda: response.equalization_db(0, 50e-6),
        lambda: response.equalization_db(1000, 50e-6, 0),
        lambda: response.equalization_db(1000, 50e-6, "long"),
        lambda: response.equalization_db(1000, 50e-6, float("nan")),
        lambda: response.transition_frequency(0),
        lambda: response.repeat_level_db(one_pass(), 1000, -1),
        lambda: response.bandwidth(one_pass(), drop_db=0),
        lambda: response.bandwidth(one_pass(), passes=0),
        lambda: response.bandwidth(one_pass(), passes=[1, 2]),
    ],
)
def test_values_without_sense_are_refused(call):
    with pytest.raises(ValueError, match="must be"):
        call()


@pytest.mark.parametrize(
    ("call", "least", "refused", "words"),
    [
        (lambda gap: response.gap_null_frequency(SPEED, gap), 1e-12, 0, "greater than 0 m"),
        (lambda gap: response.gap_loss_db(1000, SPEED, gap), 0, -1e-12, "0 m or more"),
        (lambda k: response.gap_loss_db(1000, SPEED, 1e-6, gap_factor=k), 1e-12, 0, "greater than 0"),
        (lambda far: response.spacing_loss_db(1000, SPEED, far), 0, -1e-12, "0 m or more"),
        (lambda deep: response.thickness_loss_db(1000, SPEED, deep), 0, -1e-12, "0 m or more"),
        (lambda tilt: response.azimuth_loss_db(1000, SPEED, 2e-3, tilt), 1.5, 1.51, "from -1.5 to 1.5 rad"),
        (lambda tilt: response.azimuth_loss_db(1000, SPEED, 2e-3, tilt), -1.5, -1.51, "from -1.5 to 1.5 rad"),
        (lambda tau: response.equalization_db(1000, tau), 1e-12, 0, "greater than 0 s"),
        (
            lambda tau: response.equalization_db(1000, 50e-6, tau),
            1e-12,
            0,
            "tau_low must be greater than 0 s",
        ),
        (lambda share: contact(surface_share=share), 0, -1e-12, "from 0 to 1"),
        (lambda share: contact(surface_share=share), 1, 1.01, "from 0 to 1"),
        (lambda share: response.gap_output_db(2e-6, 4e-6, share), 0, -1e-12, "from 0 to 1"),
        (lambda share: response.gap_output_db(2e-6, 4e-6, share), 1, 1.01, "from 0 to 1"),
        (lambda cut: one_pass(low_cut=cut), 0, -1e-12, "0 Hz or more"),
        (lambda tau: one_pass(tau_high=tau), 0, -1e-12, "0 s or more"),
        (lambda length: one_pass(pole_length=length), 0, -1e-12, "0 m or more"),
        (lambda drop: response.bandwidth(one_pass(), drop_db=drop), 1e-3, 0, "greater than 0 dB"),
        (lambda passes: response.bandwidth(one_pass(), passes=passes), 0.5, 0, "greater than 0"),
    ],
)
def test_limits_are_where_they_are_said_to_be(call, least, refused, words):
    call(least)
    with pytest.raises(ValueError, match=f"{words}, got"):
        call(refused)


def test_records_are_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        one_pass().speed = 1


def test_whole_numbers_in_records_become_floats():
    assert type(one_pass(boost_db=12).boost_db) is float
    assert type(contact(gap=0).gap) is float


def test_an_endless_time_constant_may_stand_in_a_mixed_array():
    mixed = response.equalization_db(50, 50e-6, [3180e-6, np.inf])
    expected = [response.equalization_db(50, 50e-6, 3180e-6), response.equalization_db(50, 50e-6)]
    np.testing.assert_allclose(mixed, expected, rtol=1e-12)
    assert response.equalization_db(50, 50e-6, np.inf) == response.equalization_db(50, 50e-6, 1e9)


def test_unless_said_a_pass_has_phase_and_no_time_constants_poles_or_trim():
    plain = one_pass(tau_high=0.0, tau_low=0.0, pole_length=0.0, pole_shape="blocks", phase=True, trim=())
    assert one_pass() == plain


def test_a_well_aligned_machine_is_flat_far_below_the_end_of_its_boost():
    level = one_pass(low_cut=0, boost_db=120).level_db(np.linspace(10, 8000, 50))
    np.testing.assert_allclose(level, 0, atol=1e-12)


def far_off(separation):
    return dataclasses.replace(IDEAL, separation=separation)


@pytest.mark.parametrize(
    ("lost_db", "left_db"),
    # By hand, with e = 10^(-12/6) = 0.01: 12 dB leave 0.99 x 0.01 + e = 0.0199, and -6 log10 of that are
    # 10.2069 dB of boost. Small losses are undone, of great ones no more than 12 dB.
    [(0.6, -0.0067), (6, -0.2246), (12, -1.7931), (24, -12.0257), (60, -48.0)],
)
def test_a_boost_ends_smoothly(lost_db, left_db):
    off = far_off(1e-6)
    frequency = lost_db * SPEED / (40 * np.pi * np.log10(np.e) * 1e-6)
    level_db = one_pass(today=off, aligned=off, low_cut=0).level_db(frequency)
    assert level_db == pytest.approx(left_db, abs=5e-5)


def test_a_boost_of_nothing_is_none_and_a_small_one_is_small():
    f, loss_db = 15000, response.contact_loss_db(15000, SPEED, contact())
    assert one_pass(low_cut=0, boost_db=0).level_db(f) == pytest.approx(loss_db, abs=1e-12)
    assert loss_db < one_pass(low_cut=0, boost_db=0.1).level_db(f) < loss_db + 0.1


def test_wear_shows_as_the_difference_between_today_and_aligned():
    worn, fresh = one_pass(today=contact(separation=1.5e-6)), one_pass()
    lost_db = worn.level_db(5000) - fresh.level_db(5000)
    assert lost_db == pytest.approx(response.spacing_loss_db(5000, SPEED, 1e-6), abs=1e-12)


def test_low_cut_is_three_decibels_down_and_an_eighth_of_a_turn_ahead():
    gain = one_pass(today=IDEAL, aligned=IDEAL, low_cut=40).gain(40)
    assert 20 * np.log10(abs(gain)) == pytest.approx(-3.0103, abs=1e-4)
    assert np.angle(gain) == pytest.approx(np.pi / 4, abs=1e-12)


def test_a_low_cut_stops_zero_hertz_and_none_lets_it_pass():
    assert one_pass().gain(0) == 0
    assert one_pass().level_db(0) == NULL_DB
    assert one_pass(low_cut=0).gain(0) == 1


def test_level_is_the_size_of_the_gain():
    f = np.geomspace(5, 20000, 30)
    np.testing.assert_allclose(one_pass().level_db(f), 20 * np.log10(np.abs(one_pass().gain(f))), atol=1e-10)


def test_passes_add_their_levels_down_to_the_floor():
    once = one_pass().level_db(12000)
    np.testing.assert_allclose(response.repeat_level_db(one_pass(), 12000, [0, 1, 7]), [0, once, 7 * once])
    assert response.repeat_level_db(one_pass(), 1e5, 1000) == NULL_DB


def test_low_edge_of_an_ideal_head_is_the_low_cut():
    low, high = response.bandwidth(one_pass(today=IDEAL, aligned=IDEAL, low_cut=40), drop_db=3.0103)
    assert low == pytest.approx(40, rel=1e-5)
    assert high is None


def test_low_edge_after_n_passes_follows_the_first_order_cut():
    # n first-order cuts in a row are d dB down at f_c / sqrt(10^(d / 10 n) - 1)
    low, _ = response.bandwidth(one_pass(today=IDEAL, aligned=IDEAL, low_cut=40), drop_db=6, passes=5)
    assert low == pytest.approx(40 / np.sqrt(10 ** (6 / 50) - 1), rel=1e-6)


#: Losses of one pass, dB, at which a boost of 12 dB lacks 2 and 3 dB. With e = 0.01 and x what is left of the
#: boosted part, 0.99 x + e = 10^(lack/6) x, so that 6 log10 of 1/x is lost.
LACKS = {lack_db: 6 * np.log10((10 ** (lack_db / 6) - 0.99) / 0.01) for lack_db in (2, 3)}


def test_high_edge_of_spacing_loss_alone_has_a_closed_form():
    off = far_off(1e-6)
    low, high = response.bandwidth(one_pass(today=off, aligned=off, low_cut=0), drop_db=4, passes=2)
    assert low is None
    per_hertz = 40 * np.pi * np.log10(np.e) * 1e-6 / SPEED
    assert high == pytest.approx(LACKS[2] / per_hertz, rel=1e-9)


def test_band_edges_lie_exactly_the_drop_below_the_loudest():
    worn = one_pass(today=contact(separation=1e-6, azimuth_angle=1e-3))
    _, loudest_db = response.loudest(worn)
    for passes, drop_db in ((1, 3), (5, 3), (50, 0.1), (1, 40)):
        edges = response.bandwidth(worn, drop_db=drop_db, passes=passes)
        np.testing.assert_allclose(worn.level_db(edges), loudest_db - drop_db / passes, rtol=0, atol=1e-8)


def test_a_treble_bump_moves_the_band_to_the_bump():
    # Today's contact is better than the one the equalizers were set for.
    bump = one_pass(
        today=contact(separation=0.1e-6), aligned=contact(separation=2.5e-6), low_cut=0, boost_db=24
    )
    frequency, level_db = response.loudest(bump)
    low, high = response.bandwidth(bump, drop_db=3)
    assert level_db > 3
    assert low < frequency < high
    assert bump.level_db(low / 2) < level_db - 3


def test_a_ripple_deeper_than_the_drop_ends_the_band():
    # The gap is now longer than the equalizers think: a dip before the boost ends.
    rippled = one_pass(today=contact(gap=7e-6, separation=0), aligned=contact(gap=2e-6), low_cut=0)
    frequency, level_db = response.loudest(rippled)
    _, high = response.bandwidth(rippled, drop_db=0.5)
    inside = np.linspace(frequency, high, 20001)[:-1]
    assert np.all(rippled.level_db(inside) >= level_db - 0.5 - 1e-9)
    assert rippled.level_db(high * 1.0001) < level_db - 0.5


def test_loudest_is_not_below_any_point_of_a_fine_grid():
    worn = one_pass(today=contact(separation=0.2e-6), aligned=contact(separation=0.6e-6))
    frequency, level_db = response.loudest(worn)
    fine = np.geomspace(1, 40000, 200_001)
    assert level_db >= worn.level_db(fine).max()
    assert worn.level_db(frequency) == level_db


@pytest.mark.parametrize(("edge", "found"), [(999_999.5, True), (1_000_000.5, False)])
def test_edges_are_looked_for_up_to_a_megahertz(edge, found):
    # Spacing loses in proportion to the frequency: at the edge a boost of 12 dB lacks 3 dB.
    off = far_off(LACKS[3] * SPEED / (40 * np.pi * np.log10(np.e) * edge))
    _, high = response.bandwidth(one_pass(today=off, aligned=off, low_cut=0))
    assert high == (pytest.approx(edge, rel=1e-9) if found else None)


def test_what_rises_to_the_end_of_the_search_is_loudest_there():
    rising = one_pass(today=IDEAL, aligned=far_off(1e-9), low_cut=0, boost_db=120)
    # 54.575 dB x 1 nm / (0.1905 m / 1 MHz)
    assert response.loudest(rising) == (pytest.approx(1e6, rel=1e-12), pytest.approx(0.286483, abs=1e-6))
    assert response.bandwidth(rising)[1] is None


def test_a_low_edge_hundreds_of_decibels_down_is_found():
    # A first-order cut is d dB down at f_c / sqrt(10^(d / 10) - 1).
    low, _ = response.bandwidth(one_pass(today=IDEAL, aligned=IDEAL, low_cut=0.01), drop_db=295)
    assert low == pytest.approx(0.01 * 10 ** (-295 / 20), rel=1e-6)


def dip_and_peak(**changes):
    """Today 1 um off, aligned with a gap of 8 um: first down as f, then up as f^2, to 34 dB at 21.4 kHz."""
    return one_pass(
        today=dataclasses.replace(IDEAL, separation=1e-6),
        aligned=dataclasses.replace(IDEAL, gap=8e-6),
        boost_db=40,
        **changes,
    )


def test_the_loudest_is_found_on_a_peak_that_is_hardly_wider_than_a_hundredth():
    machine = dip_and_peak()
    frequency, level_db = response.loudest(machine)
    around = np.linspace(20e3, 22e3, 200_001)
    assert level_db >= machine.level_db(around).max()
    # e = 10^(-40/6); sin(y)/y of the gap, boosted, less 54.575 dB x 1 um/wavelength
    end, left = 10 ** (-40 / 6), np.abs(np.sinc(around * 8.88e-6 / SPEED))
    own_db = -6 * np.log10((1 - end) * left ** (20 / 6) + end) - 54.5751e-6 * around / SPEED
    assert frequency == pytest.approx(around[np.argmax(own_db)], abs=1)
    assert level_db == pytest.approx(own_db.max(), abs=1e-4)


def test_the_low_edge_is_the_last_before_the_peak_and_not_that_of_the_low_cut():
    machine = dip_and_peak(low_cut=1)
    _, peak_db = response.loudest(machine)
    low, _ = response.bandwidth(machine, drop_db=peak_db + 0.3)
    # Below the peak 0.3 dB are missing in the dip, and again where the low cut is 0.3 dB down, at 3.7 Hz.
    assert 4600 < low < 9300
    assert machine.level_db(low) == pytest.approx(-0.3, abs=1e-8)
    assert np.all(machine.level_db(np.linspace(low, 21e3, 1001)[1:]) > -0.3)


def test_what_lies_beyond_the_first_null_of_the_gap_is_not_looked_at():
    # Equalizers set for a head 5 um off lift the second lobe of a gap of 8 um far above the first.
    today, aligned = dataclasses.replace(IDEAL, gap=8e-6), dataclasses.replace(IDEAL, separation=5e-6)
    machine = one_pass(today=today, aligned=aligned, boost_db=60, low_cut=0)
    null = response.gap_null_frequency(SPEED, 8e-6)
    frequency, level_db = response.loudest(machine)
    assert frequency < null
    assert machine.level_db(1.4 * null) > level_db + 10
    assert response.bandwidth(machine)[1] < null


def test_edges_within_one_step_of_the_search_are_told_apart_from_the_peak():
    machine = dip_and_peak()
    frequency, level_db = response.loudest(machine)
    low, high = response.bandwidth(machine, drop_db=1e-3)
    assert frequency / 1.005 < low < frequency < high < frequency * 1.005
    assert machine.level_db([low, high]) == pytest.approx(level_db - 1e-3, abs=1e-9)
    just_inside = machine.level_db([low * (1 + 1e-6), high * (1 - 1e-6)])
    assert np.all(just_inside > level_db - 1e-3)


# ---- the equalizers ----


@pytest.mark.parametrize(
    ("tau_high", "tau_low", "frequency", "gain"),
    # By hand: 2 pi f t is 1 at 3183.10 Hz for 50 us and at 50.0487 Hz for 3180 us. There 1 + j in the treble,
    # and j / (1 + j) = (1 + j) / 2 in the bass; an octave lower 0.5j / (1 + 0.5j) = (1 + 2j) / 5.
    [
        (0, 0, 1000, 1),
        (50e-6, 0, 3183.0989, 1 + 1j),
        (50e-6, 0, 6366.1977, 1 + 2j),
        (0, 3180e-6, 50.048726, 0.5 + 0.5j),
        (0, 3180e-6, 25.024363, 0.2 + 0.4j),
        (3180e-6, 3180e-6, 50.048726, 1j),
        (50e-6, 3180e-6, 0, 1),  # the capacitor is left out where nothing can come of it
        (0, 1, 1, 0.9752955 + 0.1552231j),  # 2 pi f t is 6.283185: (39.478418 + 6.283185j) / 40.478418
    ],
)
def test_the_playback_equalizer_is_the_standard_one_and_recording_undoes_it(
    tau_high, tau_low, frequency, gain
):
    # Nothing is lost here, so that the boost is 1.
    equalizer = {"today": IDEAL, "aligned": IDEAL, "low_cut": 0, "tau_high": tau_high, "tau_low": tau_low}
    with_phase, without = one_pass(**equalizer), one_pass(phase=False, **equalizer)
    assert with_phase.playback_gain(frequency) == pytest.approx(gain, abs=1e-7)
    assert with_phase.record_gain(frequency) == pytest.approx(1 / gain, abs=1e-6)
    assert without.playback_gain(frequency) == pytest.approx(abs(gain), abs=1e-7)
    assert without.playback_gain(frequency).imag == 0


LOW, HIGH = 100.0, 10e3  # waves per meter at which a shelf begins and ends


def shelf(waves):
    """A first-order circuit that lifts by 40 dB."""
    return (1 + 1j * waves / LOW) / (1 + 1j * waves / HIGH)


@pytest.fixture
def shelved(monkeypatch):
    """A pass whose boost is the shelf: its levels are given, its phase is not."""
    monkeypatch.setattr(response, "_boost_db", lambda _, __, waves: 20 * np.log10(np.abs(shelf(waves))))
    monkeypatch.setattr(response, "_boost_phase", response._boost_phase.__wrapped__)  # remembers nothing
    return one_pass


def test_the_phase_of_a_boost_is_that_of_a_circuit_with_its_levels(shelved):
    waves = np.geomspace(2, 5e7, 500)
    found = shelved().record_gain(waves * SPEED) / shelf(waves)
    assert np.abs(found) == pytest.approx(1, abs=1e-12)
    # Beside the pole of the integral the midpoints of steps of ln(10^8) / 4095 = 0.0045 count for too little:
    # a step times ln 2 / pi is lacking where the slope is 1, and here it is less.
    assert np.abs(np.angle(found)).max() < 0.0045 * np.log(2) / np.pi
    without = shelved(phase=False).record_gain(waves * SPEED)
    assert np.all(without.imag == 0)
    assert without.real == pytest.approx(np.abs(shelf(waves)), rel=1e-12)


def test_a_boost_has_phase_from_one_to_a_hundred_million_waves_per_meter(shelved):
    waves = np.array([0.99, 1.01, 0.99e8, 1.01e8])
    before, first, last, behind = np.angle(shelved().record_gain(waves * SPEED))
    assert before == behind == 0
    assert first > 0 and last > 0


# ---- bumps and noise ----


def test_poles_take_from_long_waves_of_sound_and_noise_alike():
    # Poles of 1 mm and a wave of 20 mm: plates take up 0.156757 of it, as worked out in test_contour.py.
    plates = one_pass(today=IDEAL, aligned=IDEAL, low_cut=0, pole_length=1e-3, pole_shape="plates")
    frequency = SPEED / 20e-3
    assert plates.gain(frequency) == pytest.approx(0.156757, abs=1e-5)
    more_db = plates.noise_density_db(frequency) - one_pass(today=IDEAL).noise_density_db(frequency)
    assert more_db == pytest.approx(-16.0955, abs=1e-3)


def test_noise_is_that_of_todays_head_behind_the_playback_equalizer():
    # As in test_noise.py 2 k d is 1 at 1378.128 Hz for 11 um, -41.3667 dB. 0.5 um off 2 k a is 1/22, which
    # takes 0.1974 dB. t_low = 1/w takes 3.0103 dB, t_high = 2/w gives 10 log10(5) = 6.9897 dB.
    worn = one_pass(aligned=IDEAL, tau_high=230.9714e-6, tau_low=115.4857e-6)
    assert worn.noise_density_db(1378.128) == pytest.approx(-37.5847, abs=1e-3)


def test_a_coating_without_thickness_counts_as_a_nanometer_of_noise():
    # 2 d / v = 2e-9 / 0.1905 = 1.04987e-8 for long waves.
    assert one_pass(today=IDEAL).noise_density_db(100) == pytest.approx(-79.7887, abs=1e-4)


# ---- the window for the home ----


@pytest.mark.parametrize(
    ("lost_db", "at", "reach"),
    # Spacing loses in proportion to the frequency. 7 dB at 10 kHz are 4.41 dB at 6300 Hz: to 10 kHz. 7 dB at
    # 8 kHz are 5.51 dB there, more than 5: to 8000 5/7. 7 dB at 20 kHz are 4.4 dB at 12.5 kHz: all of it.
    [(7, 10e3, 10e3), (7, 8e3, 8e3 * 5 / 7), (7, 20e3, 12.5e3)],
)
def test_the_window_for_the_home_ends_where_the_loss_is_5_or_7_db(lost_db, at, reach):
    off = far_off(lost_db * SPEED / (40 * np.pi * np.log10(np.e) * at))
    low, high = response.home_band(one_pass(today=off, aligned=off, boost_db=0, low_cut=0))
    # The loudest is 40 Hz here, so that nothing is lost but what 40 Hz lose already; steps of 0.3 %.
    assert low == 40
    assert high == pytest.approx(reach + 40, rel=0.004) or high == reach == 12.5e3


def test_the_window_for_the_home_has_a_lower_end_too():
    low, high = response.home_band(one_pass(today=IDEAL, aligned=IDEAL, low_cut=100))
    # A first-order cut is 7 dB down at 100 / sqrt(10^0.7 - 1) = 49.94 Hz.
    assert low == pytest.approx(49.94, rel=0.004) and high == 12.5e3


def test_a_shorter_gap_leaves_less_for_the_coil():
    # By hand: half the gap, half of the resistance in the core: 1 / (0.5 + 0.5 x 2) = 2/3, -3.5218 dB.
    assert response.gap_output_db(2e-6, 4e-6, 0.5) == pytest.approx(-3.5218, abs=1e-4)
    assert response.gap_output_db(8e-6, 4e-6, 1) == pytest.approx(6.0206, abs=1e-4)
    assert response.gap_output_db([1e-6, 2e-6], 4e-6, 0).tolist() == [0, 0]


def test_thin_coatings_give_long_waves_in_proportion_to_their_thickness():
    # By hand: 20 log10(4.3 / 11) = -8.1585 dB; waves as short as 0.1 um come from the surface alone.
    compared = response.coating_output_db([0, 1e-6, 2e6], SPEED, 4.3e-6, 11e-6)
    assert compared == pytest.approx([-8.1585, -8.1585, 0], abs=1e-4)
    assert response.coating_output_db(0, SPEED, [5.5e-6, 22e-6], 11e-6) == pytest.approx([-6.0206, 6.0206])


def test_what_a_measured_pass_differs_by_is_straight_over_octaves():
    # By hand: 200 Hz is half of the way in octaves from 100 to 400 Hz, beyond the ends it is as at the ends.
    as_measured = one_pass(today=IDEAL, aligned=IDEAL, low_cut=0, trim=((100.0, 0.0), (400.0, -6.0)))
    assert as_measured.level_db([0, 50, 200, 400, 5000]) == pytest.approx([0, 0, -3, -6, -6])


def test_inputs_are_not_modified():
    frequency = np.array([100.0, 1000.0])
    response.spacing_loss_db(frequency, SPEED, 1e-6)
    one_pass().gain(frequency)
    assert frequency.tolist() == [100.0, 1000.0]
