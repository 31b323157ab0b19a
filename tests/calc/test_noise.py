"""Tape noise: worked out by hand where a factor stands alone, and what must hold at any speed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc.noise import WEIGHTINGS, a_weighting_db, noise_density_db, noise_level_db
from tapecalc.calc.response import spacing_loss_db

speeds = st.floats(0.02, 0.8)
coatings = st.floats(1e-6, 2e-5)
separations = st.floats(0.0, 3e-6)
frequencies = st.floats(20.0, 20e3)


def test_long_waves_see_the_whole_coating():
    # (1 - e^(-2 k d)) / (k v) is 2 d / v for small k: 2 * 11e-6 / 0.1905 = 1.15486e-4, -39.3747 dB.
    assert noise_density_db(0.01, 0.1905, 11e-6, 0.5e-6) == pytest.approx(-39.3747, abs=1e-3)


def test_short_waves_see_the_surface_alone():
    # A coating of a millimeter leaves 1 / (k v) = 1 / (2 pi 10000) = 1.59155e-5, -47.9818 dB, at any speed.
    assert noise_density_db(10e3, [0.1905, 0.4], 1e-3, 0.0) == pytest.approx([-47.9818] * 2, abs=1e-3)


def test_a_coating_as_deep_as_half_the_head_sees():
    # 2 k d = 1 at f = v / (4 pi d) = 0.1905 / (4 pi 11e-6) = 1378.1 Hz: 1 - 1/e = 0.63212 of k v = 2 pi f,
    # 0.63212 / 8659.1 = 7.3001e-5, -41.3667 dB.
    assert noise_density_db(1378.128, 0.1905, 11e-6, 0.0) == pytest.approx(-41.3667, abs=1e-3)


@given(frequency=frequencies, speed=speeds, coating=coatings, separation=separations)
def test_a_distance_costs_noise_what_it_costs_sound(frequency, speed, coating, separation):
    near, far = noise_density_db(frequency, speed, coating, [0.0, separation])
    assert far - near == pytest.approx(spacing_loss_db(frequency, speed, separation), abs=1e-9)


@pytest.mark.parametrize(("tau", "corner"), [(50e-6, 3183.10), (120e-6, 1326.29)])
def test_the_playback_equalizer_lifts_noise_by_3_db_at_its_corner(tau, corner):
    lifted = noise_density_db(corner, 0.1905, 11e-6, 0.5e-6, [tau, 0.0])
    assert lifted[0] - lifted[1] == pytest.approx(3.0103, abs=1e-4)


def test_and_takes_as_much_of_the_bass():
    # 1 / (2 pi 3180e-6) = 50.0487 Hz; an octave below 1 / (1 + 4), -6.9897 dB
    for frequency, less_db in ((50.0487, -3.0103), (25.02436, -6.9897)):
        cut, whole = noise_density_db(frequency, 0.1905, 11e-6, 0.5e-6, 0.0, [3180e-6, 0.0])
        assert cut - whole == pytest.approx(less_db, abs=1e-3)


@given(frequency=frequencies, speed=speeds, coating=coatings, separation=separations, times=st.floats(0.5, 2))
def test_what_counts_is_the_wavelength(frequency, speed, coating, separation, times):
    one = noise_density_db(frequency, speed, coating, separation)
    other = noise_density_db(times * frequency, times * speed, coating, separation)
    assert one - other == pytest.approx(10 * np.log10(times), abs=1e-9)


@given(frequency=frequencies, speed=speeds, coating=coatings, separation=separations, more=st.floats(1, 3))
def test_more_coating_is_never_less_noise(frequency, speed, coating, separation, more):
    thin, thick = noise_density_db(frequency, speed, [coating, more * coating], separation)
    assert thin <= thick + 1e-9 <= thin + 10 * np.log10(more) + 2e-9


def test_noise_that_is_all_but_white_is_summed_up_by_hand():
    # 2 d / v times 19,980 Hz: 2e-8 * 19980 = 3.996e-4, -33.984 dB; the A-weighting takes 2.05 dB of white.
    assert noise_level_db(1.0, 1e-8, 0.0) == pytest.approx(-33.984, abs=0.01)
    assert noise_level_db(1.0, 1e-8, 0.0, weighting="A") == pytest.approx(-36.03, abs=0.02)


@given(speed=speeds, coating=coatings, separation=separations)
def test_half_the_speed_has_more_noise_but_less_than_double(speed, coating, separation):
    fast, slow = (noise_level_db(v, coating, separation) for v in (speed, speed / 2))
    assert slow < fast + 10 * np.log10(2) + 1e-9
    # Behind no equalizer short waves are as loud at either speed, but for the distance.
    touching = [noise_level_db(v, coating, 0.0) for v in (speed, speed / 2)]
    assert touching[1] > touching[0]


def test_a_weighting_at_its_ends():
    # Four zeros at 0 Hz and, beyond the last pole, two poles more: 24.08 dB an octave up, 12.04 down.
    deep, deeper, high, higher = a_weighting_db([0.2, 0.1, 1e7, 2e7])
    assert deep - deeper == pytest.approx(80 * np.log10(2), abs=0.01)
    assert high - higher == pytest.approx(40 * np.log10(2), abs=0.01)
    # Source: IEC 61672-1, table 3 (from memory): 10 Hz and 20 kHz, exact tenths of a decade, to 0.1 dB
    assert a_weighting_db([10.0, 10**4.3]) == pytest.approx([-70.4, -9.3], abs=0.051)


def test_another_weighting_is_refused():
    assert WEIGHTINGS == ("unweighted", "A")
    with pytest.raises(ValueError, match="weighting 'B' is not known; known: unweighted, A"):
        noise_level_db(0.1905, 11e-6, 0.0, weighting="B")
