"""Numbers with units as people read them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc import words


@pytest.mark.parametrize(
    ("value", "uncertainty", "written"),
    [
        (217.86, 3.41, "217.9 ms +/- 3.5 ms"),
        (217.86, 3.5, "217.9 ms +/- 3.5 ms"),
        (217.86, 3.51, "218 ms +/- 4 ms"),
        (217.86, 6.82, "218 ms +/- 7 ms"),
        (217.86, 0.341, "217.86 ms +/- 0.35 ms"),
        (217.86, 0.141, "217.86 ms +/- 0.15 ms"),
        (217.86, 0.14, "217.86 ms +/- 0.14 ms"),
        (2178.5, 41.0, "2180 ms +/- 50 ms"),
        (2178.5, 14.1, "2178 ms +/- 15 ms"),
        (217.86, 0.96, "217.9 ms +/- 1.0 ms"),
        (217.86, 9.6, "218 ms +/- 10 ms"),
        (217.86, 1.0, "217.9 ms +/- 1.0 ms"),
        (217.86, 0, "217.9 ms"),
    ],
)
def test_digits_end_where_the_uncertainty_begins(value, uncertainty, written):
    assert words.with_uncertainty(value, uncertainty, "ms") == written


@pytest.mark.parametrize(
    ("margin_db", "written"),
    [(4.537, "4.5 dB"), (5.05, "5.0 dB"), (5.099, "5.0 dB"), (0.1, "0.1 dB"), (0.099, "less than 0.1 dB")]
    + [(0.0, "0.1 dB"), (-0.01, "0.1 dB")]
    + [(-1.0, "1.0 dB"), (-1.0001, "1.1 dB"), (-1.04, "1.1 dB"), (-1.1, "1.1 dB")],
)
def test_how_far_a_loop_is_from_its_edge_is_told_on_the_safe_side(margin_db, written):
    assert words.margin(margin_db) == written


@given(st.floats(-60, 0))
def test_a_loop_turned_down_by_what_is_told_is_within_its_edge(margin_db):
    told = float(words.margin(margin_db).removesuffix(" dB"))
    assert margin_db + told >= -1e-6 and told <= max(-margin_db, 0) + 0.1 + 1e-6


@given(st.floats(0.1, 60))
def test_a_send_turned_up_by_what_is_told_stays_within_the_edge(margin_db):
    assert -1e-6 <= margin_db - float(words.margin(margin_db).removesuffix(" dB")) < 0.1 + 1e-6


def test_the_least_of_a_margin_may_be_none():
    assert words.margin(0.04, at_least=True) == "0.0 dB" and words.margin(4.54, at_least=True) == "4.5 dB"


def test_an_uncertainty_without_a_unit_stands_alone():
    assert words.with_uncertainty(1.2345, 0.02) == "1.234 +/- 0.020"


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e4))
def test_a_plus_minus_is_never_rounded_down_nor_by_more_than_a_quarter(value, plus_minus):
    number, rounded = map(float, words.with_uncertainty(value, plus_minus).split(" +/- "))
    assert plus_minus * (1 - 1e-6) <= rounded <= 1.26 * plus_minus
    assert abs(number - value) <= rounded / 2 * (1 + 1e-6)  # what the digits hide is less than the doubt


@pytest.mark.parametrize(
    ("noun", "written"),
    [("eighth", "an eighth"), ("eighth triplet", "an eighth triplet"), ("quarter", "a quarter")],
)
def test_a_noun_gets_its_article(noun, written):
    assert words.with_article(noun) == written


@pytest.mark.parametrize(
    ("text", "written"),
    [
        (words.amount(0.2178, "ms"), "218 ms"),
        (words.amount(-0.0041, "ms", "+.1f"), "-4.1 ms"),
        (words.amount(4e-6, "um", ".1f"), "4.0 \N{MICRO SIGN}m"),
        (words.amount(0.0038, "percent", ".2f"), "0.38 %"),
        (words.speed(0.1905), "7.5 ips"),
        (words.speed(0.1905, "metric"), "19.05 cm/s"),
        (words.speed_twice(0.09525), "3.75 ips (9.525 cm/s)"),
        (words.speed_twice(0.09525, "metric"), "9.525 cm/s (3.75 ips)"),
        (words.length(0.0415), "41.5 mm"),
        (words.length(0.0415, "inches"), "1.63 in"),
        (words.length(1.2), "1.2 m"),
        (words.length(0.9994), "999 mm"),
        (words.frequency(999.4), "999 Hz"),
        (words.frequency(1000), "1.0 kHz"),
        (words.frequency(15_840.0), "15.8 kHz"),
        (words.frequency(4231.0, digits=2), "4.2 kHz"),
        (words.frequency(999.6, digits=3), "1 kHz"),
        (words.frequency(7.5469, digits=3), "7.55 Hz"),
        (words.level(3), "+3.0 dB"),
        (words.level(-0.51, "dBu"), "-0.5 dBu"),
        (words.level(-0.04), "+0.0 dB"),
        (words.with_uncertainty(-0.004, 0.1), "0.00 +/- 0.10"),
        (words.duration(8 * 3600), "8 h"),
        (words.duration(3599), "59 min"),
        (words.sentence("the reel of A. B"), "The reel of A. B"),
        (words.sentence(""), ""),
        (words.listed(["a"]), "a"),
        (words.listed(["a", "b", "c"]), "a, b and c"),
    ],
)
def test_numbers_are_written_in_trade_units(text, written):
    assert text == written


@pytest.mark.parametrize("write", [words.speed, words.length])
def test_another_system_of_units_is_refused(write):
    with pytest.raises(ValueError, match="units 'inch' is not known; did you mean 'inches'"):
        write(0.1905, "inch")


@pytest.mark.parametrize(
    ("value", "uncertainty", "said"),
    [
        (float("nan"), 1, "value must be a finite number, got nan"),
        (1, -1, "plus_minus must be 0 or more, got -1"),
    ],
)
def test_what_is_no_figure_is_refused(value, uncertainty, said):
    with pytest.raises(ValueError, match=said):
        words.with_uncertainty(value, uncertainty)
