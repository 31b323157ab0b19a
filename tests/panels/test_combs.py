"""Combs and echoes of echoes are the library's in the page."""

import numpy as np
import pytest
import scripts
from mirrors import exported, in_page, mirrored, places

from tapecalc.calc import heads, response, stereo

FLAT = response.HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)

NUMBERS = {
    "combExtremesDb": (heads.comb_extremes_db, [(1e-3, 3.0), (1e-3, 3.0)]),
    "sharedSends": (stereo.shared_sends, [(-2.0, 2.0), (0.0, 1.0)]),
    "notchFrequencies": (
        lambda apart, highest: heads.notch_frequencies(0, apart, highest),
        [(1e-4, 0.2), (20.0, 2000.0)],
    ),
}
TOLD_BELOW = {"tapsSize", "stereoEchoes"}


def test_every_formula_is_told():
    assert set(exported("combs")) == NUMBERS.keys() | TOLD_BELOW
    for name in exported("combs"):
        assert callable(mirrored(name, "combs"))


def test_numbers_are_the_librarys():
    given = {name: places(limits, seed) for seed, (name, (_, limits)) in enumerate(NUMBERS.items())}
    given["combExtremesDb"].append((1.0, 1.0))  # silence
    found = in_page("combs", NUMBERS, given)
    for name, (function, _) in NUMBERS.items():
        for row, page in zip(given[name], found[name], strict=True):
            np.testing.assert_allclose(page, function(*row), rtol=1e-9, atol=1e-12, err_msg=f"{name}{row}")


def test_taps_sum_up_as_in_the_library():
    rng = np.random.default_rng(3)
    rows = [
        [float(rng.uniform(0, 2000)), rng.uniform(0, 0.5, count).tolist(), rng.uniform(-1, 1, count).tolist()]
        for count in rng.integers(1, 9, 1000)
    ]
    found = in_page("combs", ["tapsSize"], {"tapsSize": rows})["tapsSize"]
    np.testing.assert_allclose(found, [abs(heads.taps_gain(*row)) for row in rows], rtol=1e-9, atol=1e-12)


def drawn_tracks(rng):
    """Draw two tracks with one to three heads each."""
    for _ in range(2):
        count = int(rng.integers(1, 4))
        yield heads.Heads(
            spacings=tuple(np.sort(rng.uniform(0.03, 0.2, count))),
            gains=tuple(rng.uniform(-1, 1, count)),
            feeds_return=tuple(rng.integers(0, 2, count).astype(bool)),
        )


def test_echoes_of_two_tracks_are_the_librarys():
    rng, given, wanted = np.random.default_rng(4), [], []
    for number in range(1000):
        speed, faintest_db = float(rng.uniform(0.1, 0.4)), float(rng.uniform(-40, -20))
        one_pass = response.OnePass(speed=speed, today=FLAT, aligned=FLAT, boost_db=0, low_cut=0)
        pair = tuple(drawn_tracks(rng))
        sends = tuple(tuple(row) for row in rng.uniform(-0.6, 0.6, (2, 2)).tolist())
        sent = (1.0, float(number % 2))
        made = stereo.StereoLoop(heads=pair, sends=sends, one_pass=one_pass)
        wanted.append(stereo.stereo_echoes(made, sent, longest=2.5, faintest_db=faintest_db))
        tracks = [
            {"delays": one.delays(speed).tolist(), "gains": one.gains, "feeds": one.feeds_return}
            for one in pair
        ]
        given.append([tracks, sends, sent, 1.0, {"longest": 2.5, "faintestDb": faintest_db}])
    found = scripts.run("combs", "return given.map((row) => stereoEchoes(...row));", given)
    for page, (times, sides) in zip(found, wanted, strict=True):
        assert len(page) == len(times)
        np.testing.assert_allclose([echo["time"] for echo in page], times, rtol=1e-9)
        np.testing.assert_allclose([echo["sides"] for echo in page], sides.tolist(), rtol=1e-9, atol=1e-12)


def test_later_answers_are_all_but_the_first():
    tracks = [{"delays": [0.2, 0.3], "gains": [1, 0.5], "feeds": [True, False]}] * 2
    given = [tracks, [[0.5, 0], [0, 0.5]], [1, 0], 0.9]
    all_of_them = {"longest": 1, "faintestDb": -40}
    later_ones = {**all_of_them, "later": True}
    script = "return given.map((row) => stereoEchoes(...row));"
    every, later = scripts.run("combs", script, [[*given, until] for until in (all_of_them, later_ones)])
    assert every[2:] == later
    assert [echo["time"] for echo in every[:3]] == pytest.approx([0.2, 0.3, 0.4])
