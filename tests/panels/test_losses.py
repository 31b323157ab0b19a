"""What a pass does to a level is the library's in the page, at a thousand places, the ends among them."""

from dataclasses import asdict

import numpy as np
import pytest
from mirrors import exported, in_page, mirrored, places

from tapecalc.calc import contour, response

FREQUENCY, SPEED, GAP, FACTOR = (1.0, 50e3), (0.02, 1.0), (0.1e-6, 20e-6), (1.0, 1.14)
AWAY, DEPTH, SHARE = (0.0, 20e-6), (0.1e-6, 40e-6), (0.0, 1.0)
TRACK, TILT = (0.5e-3, 7e-3), (-0.01, 0.01)

#: Of plain numbers: the library's function and from where to where each argument goes.
NUMBERS = {
    "waveLength": (response.wavelength, [FREQUENCY, SPEED]),
    "gapNullFrequency": (
        lambda speed, gap, k: response.gap_null_frequency(speed, gap, gap_factor=k),
        [SPEED, GAP, FACTOR],
    ),
    "spacingLossDb": (response.spacing_loss_db, [FREQUENCY, SPEED, AWAY]),
    "thicknessLossDb": (
        lambda f, v, depth, m: response.thickness_loss_db(f, v, depth, surface_share=m),
        [FREQUENCY, SPEED, DEPTH, SHARE],
    ),
    "coatingOutputDb": (response.coating_output_db, [FREQUENCY, SPEED, DEPTH, DEPTH]),
    "gapLossDb": (
        lambda f, v, gap, k: response.gap_loss_db(f, v, gap, gap_factor=k),
        [FREQUENCY, SPEED, GAP, FACTOR],
    ),
    "azimuthLossDb": (response.azimuth_loss_db, [FREQUENCY, SPEED, TRACK, TILT]),
    "equalizationDb": (response.equalization_db, [FREQUENCY, (10e-6, 250e-6), (1e-3, 5e-3)]),
}
#: With contacts and passes in them: a test each, below.
TOLD_BELOW = {
    "contactLossDb", "bumpGain", "passGain", "passLevelDb", "repeatLevelDb", "loudestTone", "bandsOf",
    "spreadByLog",
}  # fmt: skip
#: What no function of the library says.
OWN = {"spreadByLog"}
#: A level near 0 dB is the logarithm of nearly 1, of which sixteen digits leave so much, dB.
SLACK_DB = 1e-12


def compare(name, rows, wanted, *, atol=SLACK_DB):
    """Call a function of the page at many places and compare what comes back."""
    found = in_page("losses", [name], {name: rows})[name]
    for one, other in zip(found, wanted, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=atol, err_msg=name)


def contact(rng, *, corner=None):
    """Draw how a head meets the tape, or take a corner of what is allowed."""
    limits = [GAP, AWAY, DEPTH, SHARE, TRACK, TILT, FACTOR]
    ends = rng.integers(0, 2, len(limits))
    gap, away, depth, share, track, tilt, factor = (
        limit[end] if corner else float(rng.uniform(*limit)) for limit, end in zip(limits, ends, strict=True)
    )
    return response.HeadContact(
        gap=gap, separation=away, coating_thickness=depth, surface_share=share, track_width=track,
        azimuth_angle=tilt, gap_factor=factor,
    )  # fmt: skip


def one_pass(rng, number):
    """Draw a pass; every tenth has everything at an end, and contacts differ as wear and dirt make them."""
    edge = number % 10 == 0
    return response.OnePass(
        speed=float(rng.uniform(0.04, 0.8)),
        today=contact(rng, corner=edge),
        aligned=contact(rng),
        boost_db=float(rng.choice([0.0, 40.0])) if edge else float(rng.uniform(0, 40)),
        low_cut=0.0 if number % 7 == 0 else float(rng.uniform(5, 320)),
        pole_length=0.0 if number % 11 == 0 else float(rng.uniform(1e-3, 10e-3)),
        pole_shape=str(rng.choice(contour.POLE_SHAPES)),
        phase=number % 5 > 0,
    )


@pytest.fixture(scope="module")
def passes():
    """A hundred passes, at ten frequencies each."""
    rng = np.random.default_rng(71)
    drawn = [one_pass(rng, number) for number in range(100)]
    return [
        (one, float(frequency))
        for one in drawn
        for frequency in [20.0, 20e3, *np.exp(rng.uniform(np.log(20), np.log(20e3), 8))]
    ]


def test_every_function_is_compared_and_says_what_it_mirrors():
    assert sorted(exported("losses")) == sorted({*NUMBERS, *TOLD_BELOW})
    for name in set(exported("losses")) - OWN:
        assert callable(mirrored(name, "losses"))


@pytest.mark.parametrize("name", NUMBERS)
def test_numbers_are_the_librarys(name):
    library, limits = NUMBERS[name]
    rows = places(limits, len(name))
    compare(name, rows, [library(*row) for row in rows])


def test_frequencies_are_spread_by_their_logarithm():
    rows = places([(1e-14, 10.0), (20.0, 1e6), (2, 60)], 5)
    found = in_page("losses", ["spreadByLog"], {"spreadByLog": rows})["spreadByLog"]
    for row, one in zip(rows, found, strict=True):
        np.testing.assert_allclose(list(one.values()), np.geomspace(*row), rtol=1e-9)
        assert (one["0"], one[str(row[2] - 1)]) == row[:2]


def test_no_gap_no_tilt_no_distance_and_no_bass_constant_take_nothing():
    found = in_page(
        "losses",
        ["gapLossDb", "azimuthLossDb", "spacingLossDb", "equalizationDb"],
        {
            "gapLossDb": [(1e4, 0.1905, 0.0, 1.11)],
            "azimuthLossDb": [(1e4, 0.1905, 2e-3, 0.0)],
            "spacingLossDb": [(1e4, 0.1905, 0.0)],
            "equalizationDb": [(1e4, 50e-6, None), (1e4, 35e-6, None)],
        },
    )
    # Source: IEC 60094-1 clause 15, by hand: -10 log10(1 + (2 pi 10^4 t)^2).
    assert [round(level, 3) for level in found.pop("equalizationDb")] == [-10.362, -7.661]
    assert all(levels == [0] for levels in found.values())


def test_a_gap_as_long_as_a_wave_reads_nothing_and_not_minus_infinity():
    null = 0.1905 / 1.11e-5
    [level] = in_page("losses", ["gapLossDb"], {"gapLossDb": [(null, 0.1905, 1e-5, 1.11)]})["gapLossDb"]
    assert -320 < level < -280


def test_the_sum_of_losses_is_the_librarys(passes):
    rows = [(frequency, one.speed, asdict(one.today)) for one, frequency in passes]
    wanted = [response.contact_loss_db(frequency, one.speed, one.today) for one, frequency in passes]
    compare("contactLossDb", rows, wanted)


@pytest.mark.parametrize("shape", contour.POLE_SHAPES)
def test_bumps_are_the_librarys(shape):
    rows = [(ratio, shape) for (ratio,) in places([(0.0, 17.0)], 9)] + [(6.0, shape), (16.0, shape)]
    compare("bumpGain", rows, [contour.bump_gain(*row) for row in rows])


def test_levels_of_a_pass_are_the_librarys(passes):
    rows = [(asdict(one), frequency) for one, frequency in passes]
    compare("passLevelDb", rows, [one.level_db(frequency) for one, frequency in passes])
    many = [(*row, 1 + number % 12) for number, row in enumerate(rows)]
    wanted = [
        response.repeat_level_db(one, frequency, row[2])
        for (one, frequency), row in zip(passes, many, strict=True)
    ]
    compare("repeatLevelDb", many, wanted, atol=12 * SLACK_DB)


def test_gains_of_a_pass_have_the_librarys_phase(passes):
    rows = [(asdict(one), frequency) for one, frequency in passes]
    gains = [one.gain(frequency) for one, frequency in passes]
    found = in_page("losses", ["passGain"], {"passGain": rows})["passGain"]
    for (real, imaginary), gain in zip(found, gains, strict=True):
        assert abs(complex(real, imaginary) - gain) <= 1e-9 * abs(gain)


def test_the_loudest_tone_is_as_loud_as_the_librarys(passes):
    ones = [one for one, _ in passes[::10]]
    found = in_page("losses", ["loudestTone"], {"loudestTone": [(asdict(one),) for one in ones]})
    for one, (frequency, level_db) in zip(ones, found["loudestTone"], strict=True):
        # Where the response is flat any frequency of the flat part will do; it must have that level.
        wanted_db = response.loudest(one)[1]
        assert level_db == pytest.approx(wanted_db, rel=1e-9, abs=SLACK_DB)
        assert one.level_db(frequency) == pytest.approx(wanted_db, rel=1e-9, abs=SLACK_DB)


def test_bands_are_the_librarys(passes):
    ones, counts = [one for one, _ in passes[::10]], (1, 2, 3, 5, 12)
    found = in_page("losses", ["bandsOf"], {"bandsOf": [(asdict(one), 3.0, counts) for one in ones]})
    compared = 0
    for one, bands in zip(ones, found["bandsOf"], strict=True):
        for count, band in zip(counts, bands, strict=True):
            wanted = response.bandwidth(one, drop_db=3, passes=count)
            compared += sum(edge is not None for edge in wanted)
            for edge, right in zip(band, wanted, strict=True):
                assert (edge is None) == (right is None)
                assert right is None or edge == pytest.approx(right, rel=1e-9)
    assert compared > 700
