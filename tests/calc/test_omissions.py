"""The list of what the plan leaves out: its sizes at two speeds, worked out by hand, and its words."""

import pytest

from tapecalc.calc.omissions import omissions

BENCH = {
    "coating_thickness": 11e-6,
    "separation": 0.5e-6,
    "track_width": 2e-3,
    "azimuth_angle": 0.0,
    "tape_thickness": 35e-6,
}


def size(what, speeds=(0.1905, 0.09525), **changes):
    """The size of the one effect whose name contains a word."""
    (row,) = (row for row in omissions(speeds, **{**BENCH, **changes}) if what in row.what)
    return row.size


def test_head_bumps_go_with_the_speed():
    # 5 mm of pole, 190.5/5 = 38.1 a second for each wave; 0.7655, 1.7571, 2.7546 waves: 29.2, 66.9, 104.9 Hz
    assert size("Head bumps").endswith(
        "near 29 Hz, 67 Hz and 100 Hz (7.5 ips), 15 Hz, 33 Hz and 52 Hz (3.75 ips)"
    )


def test_a_coating_magnetized_less_at_its_surface_is_darker():
    # 11 um at 10 kHz: -14.978 against -11.427 dB at 7.5 ips. At 3.75 ips x = 2 pi 11/9.525 = 7.2562 and
    # e^-x = 0.000706: even 20 log10(0.999294/7.2562) = -17.221 dB, rising
    # (0.2 x 0.137716 + 0.8 x (1 - 8.2562 x 0.000706)/52.652)/0.6 = 0.04265/0.6 = 0.07108, -22.965 dB
    assert size("surface") == "down by 3.6 dB (7.5 ips), 5.7 dB (3.75 ips) at 10 kHz"
    # a tenth of a wave deep: -3.2107 against -2.5863 dB
    assert size("surface", [1.1], coating_thickness=11e-6) == "down by 0.62 dB at 10 kHz"


def test_the_treble_is_lifted_before_the_tape_by_what_it_loses_and_the_standard_does_not_allow():
    # 3180/50 us -10.362, coating -14.978, 0.5 um -1.432: 6.05 dB
    # 3180/90 us -15.182, coating -22.965, 0.5 um -2.865: 10.65 dB
    assert size("lifted") == "6 dB (7.5 ips), 11 dB (3.75 ips) at 10 kHz"


def test_the_standard_is_that_of_the_nearest_speed():
    # no coating, 10 kHz, 5 um off: 54.575 dB x 5 um/wavelength less what the standard gives away
    bare = {"coating_thickness": 0.0, "separation": 5e-6}
    assert size("lifted", [0.762], **bare) == "0.14 dB at 10 kHz"  # 76.2 um: 3.581 - 3.442
    assert size("lifted", [0.19], **bare) == "4 dB at 10 kHz"  # 19 um: 14.362 - 10.362
    assert size("lifted", [0.381], **bare) == "less than 0.1 dB at 10 kHz"  # 38.1 um: 7.162 - 10.362
    assert size("lifted", [0.047625], **bare) == "40 dB at 10 kHz"  # 4.7625 um: 57.3 - 17.62


def test_nothing_is_lifted_where_nothing_is_lost():
    assert size("lifted", coating_thickness=0.0, separation=0.0) == "less than 0.1 dB at 10 kHz"
    assert size("surface", coating_thickness=0.0) == "down by less than 0.1 dB at 10 kHz"


def test_dirt_lifts_the_tape_by_two_micrometers():
    # 54.575 dB x 2 um / 19.05 um and 9.525 um
    assert size("Dirt") == "down by 5.7 dB (7.5 ips), 11 dB (3.75 ips) at 10 kHz, for a moment"
    assert size("Dirt", [0.0238125]).startswith("down by more than 40 dB")  # 45.8 dB


def test_the_delay_of_the_equalizers_doubles_at_half_the_speed():
    assert size("Delay") == "0.1 ms (7.5 ips), 0.2 ms (3.75 ips) between bass and treble"


def test_a_tape_that_wanders_loses_more_where_it_is_tilted_already():
    # 10 kHz, 2 mm, 300 urad: y = pi 0.6/19.05 = 0.0989, 20 log10(sin y/y) = -0.014 dB; at 3.75 ips -0.057
    assert size("wanders") == "down by less than 0.1 dB at 10 kHz, for a moment"
    # 1000 urad at 3.75 ips: y = pi 2/9.525 = 0.65965, -0.639 dB; with 300 more 0.85755, -1.092 dB: 0.45 dB
    assert size("wanders", [0.09525], azimuth_angle=1e-3) == "down by 0.45 dB at 10 kHz, for a moment"
    assert size("wanders", azimuth_angle=-1e-3) == size("wanders", azimuth_angle=1e-3)


def test_print_through_is_most_where_a_wave_is_two_pi_times_as_long_as_the_tape_is_thick():
    # 190.5/(2 pi 0.035) = 866 Hz, half of it 433 Hz
    assert "870 Hz (7.5 ips), 430 Hz (3.75 ips)" in size("Print-through")
    assert "580 Hz" in size("Print-through", [0.1905], tape_thickness=52e-6)


def test_speeds_are_named_in_the_owners_units():
    assert "(19.05 cm/s), 0.2 ms (9.525 cm/s)" in size("Delay", units="metric")


def test_the_list_is_short_and_each_line_has_its_four_parts():
    rows = omissions([0.1905, 0.09525], **BENCH)
    assert 10 <= len(rows) <= 14
    assert len({row.what for row in rows}) == len(rows)
    for row in rows:
        assert len(row.what) <= 60 and len(row.size) <= 150 and len(row.moves) <= 90
        assert row.source and "{" not in row.size
        assert row.moves.partition(":")[0] in {"Margin", "Tone", "Levels", "Hiss", "Start", "Delays"}


@pytest.mark.parametrize("speeds", [[], [0.0], [-0.19], ["fast"]])
def test_speeds_without_sense_are_refused(speeds):
    with pytest.raises(ValueError, match="speeds must be"):
        omissions(speeds, **BENCH)
