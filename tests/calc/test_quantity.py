"""What the checks let through and the sentences they refuse with."""

import numpy as np
import pytest

from tapecalc.calc import quantity as checks


def test_integers_come_back_as_floats():
    assert checks.finite("x", [1, 2]).dtype == np.float64


def test_the_first_bad_element_is_named_with_its_place():
    with pytest.raises(ValueError, match=r"speed must be greater than 0 m/s, got -2 at index \(1, 0\)"):
        checks.positive("speed", [[1, 2], [-2, 3]], "m/s")


def test_a_scalar_is_named_without_a_place():
    with pytest.raises(ValueError, match="gap must be 0 m or more, got -1$"):
        checks.non_negative("gap", -1, "m")


@pytest.mark.parametrize("bad", ["a", None, True, [], {}, 1j])
def test_what_is_no_number_is_refused(bad):
    with pytest.raises(ValueError, match="x must be a number or an array of numbers"):
        checks.finite("x", bad)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_what_is_not_finite_is_refused(bad):
    with pytest.raises(ValueError, match="x must be a finite number"):
        checks.finite("x", bad)


def test_both_ends_of_a_range_are_allowed():
    np.testing.assert_array_equal(checks.between("x", [1, 2], 1, 2), [1, 2])
    with pytest.raises(ValueError, match="x must be from 1 to 2 s, got 2.5"):
        checks.between("x", 2.5, 1, 2, "s")


@pytest.mark.parametrize("bad", [0, 11, 2.5, "3", [3], True, float("nan")])
def test_whole_takes_only_whole_numbers_in_range(bad):
    with pytest.raises(ValueError, match="n must be a whole number from 1 to 10"):
        checks.whole("n", bad, 1, 10)


def test_a_float_that_is_whole_comes_back_as_an_int():
    assert checks.whole("n", 3.0, 1, 10) == 3
    assert isinstance(checks.whole("n", np.int64(3), 1, 10), int)


def test_scalars_are_plain_floats_and_arrays_stay():
    assert type(checks.scalar_or_array(np.float64(2))) is float
    assert checks.scalar_or_array(np.array([2.0])).shape == (1,)


def test_a_quantity_that_is_a_float_is_one_number():
    @checks.calculator
    def double(speed: checks.Speed[float], delay: checks.Delay[float] | None = None) -> float:
        return 2 * speed

    assert double(1) == 2.0
    with pytest.raises(ValueError, match=r"speed must be one number, got an array of shape \(2,\)"):
        double([1, 2])
    with pytest.raises(ValueError, match="delay must be one number"):
        double(1, delay=[1, 2])


def test_a_limit_that_is_not_reached_itself():
    with pytest.raises(ValueError, match="leak_db must be less than 0 dB, got 0$"):
        checks.Is("dB", below=0).check("leak_db", 0)
