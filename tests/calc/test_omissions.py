"""The list of what the plan leaves out: its sizes at two speeds, worked out by hand, and its words."""

import pytest

from tapecalc.calc.omissions import omissions

BENCH = {"track_width": 2e-3, "azimuth_angle": 0.0, "tape_thickness": 35e-6, "boost_db": 24.0}


def size(what, speeds=(0.1905, 0.09525), **changes):
    """The size of the one effect whose name contains a word."""
    (row,) = (row for row in omissions(speeds, **{**BENCH, **changes}) if what in row.what)
    return row.size


def test_what_the_model_has_is_not_left_out():
    named = " ".join(row.what for row in omissions([0.1905], **BENCH))
    for effect in ("bumps", "lifted", "surface", "Color", "Delay", "equalizers that"):
        assert effect not in named


def test_dirt_lifts_the_tape_by_two_micrometers():
    # 54.575 dB x 2 um / 19.05 um and 9.525 um
    assert size("Dirt") == "down by 5.7 dB (7.5 ips), 11 dB (3.75 ips) at 10 kHz, for a moment"
    assert size("Dirt", [0.0238125]).startswith("down by more than 40 dB")  # 45.8 dB


def test_a_leak_is_a_range_and_grows_with_the_boost():
    # 20 log10(1.01) = 0.086, 20 log10(1.1) = 0.828
    assert size("Leak", boost_db=18.04) == (
        "less than 0.1 dB where it is 40 dB below the sound or 0.83 dB where it is 20 dB below the sound; "
        "stronger in the treble by up to 18 dB"
    )


def test_waves_that_weaken_themselves_are_shorter_than_those_that_are_heard():
    # 190.5 mm/s over 20 kHz, and a quarter of it
    assert size("weaken") == (
        "none found down to waves of 0.8 \N{MICRO SIGN}m; the shortest that are heard have "
        "9.5 \N{MICRO SIGN}m (7.5 ips), 4.8 \N{MICRO SIGN}m (3.75 ips)"
    )


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


def test_nothing_prints_through_where_no_layer_lies_on_another():
    wound, lap = (omissions([0.1905], **BENCH, wound=wound) for wound in (True, False))
    assert [row for row in wound if row not in lap] == [row for row in wound if "Print-through" in row.what]


def test_a_measured_response_has_its_equalizers_in_it():
    reckoned, measured = (omissions([0.1905], **BENCH, measured=measured) for measured in (False, True))
    left = [row.what for row in reckoned if row not in measured]
    assert left == ["Uneven equalizers"]


def test_speeds_are_named_in_the_owners_units():
    assert "(19.05 cm/s), 11 dB (9.525 cm/s)" in size("Dirt", units="metric")


def test_the_list_is_short_and_each_line_has_its_four_parts():
    rows = omissions([0.1905, 0.09525], **BENCH)
    assert 8 <= len(rows) <= 12
    assert len({row.what for row in rows}) == len(rows)
    for row in rows:
        assert len(row.what) <= 60 and len(row.size) <= 150 and len(row.moves) <= 90
        assert row.source and "{" not in row.size
        assert row.moves.partition(":")[0] in {"Margin", "Tone", "Levels", "Hiss", "Delays"}


@pytest.mark.parametrize("speeds", [[], [0.0], [-0.19], ["fast"]])
def test_speeds_without_sense_are_refused(speeds):
    with pytest.raises(ValueError, match="speeds must be"):
        omissions(speeds, **BENCH)
