"""The formulas of measuring: what observations tell, and what a piece of an echo finds."""

import numpy as np
import pytest
import scripts
from mirrors import exported, in_page, mirrored, places
from scipy.interpolate import CubicSpline

from tapecalc.calc import flutter
from tapecalc.measuring import Delay, Estimate, Ruler, Stopwatch, solve_geometry

RATE = 32_000
#: What no function of the library says.
OWN = {"PIECE_RATE", "PIECE_SECONDS", "pieceSounds", "playedPieces", "piecePlaces", "pieceDelay"}


def test_every_function_is_compared_and_says_what_it_mirrors():
    assert set(exported("pieces", "geometry")) == OWN | {"flutteredDelay", "toldBy"}
    assert mirrored("flutteredDelay", "pieces") is flutter.fluttered_delay
    assert mirrored("toldBy", "geometry") is solve_geometry


def test_delays_of_a_wobbling_tape_are_the_librarys():
    rows = places([(0.0, 3.0), (0.0, 0.4), (0.2, 30.0), (0.02, 2.0)], 3)
    found = in_page("pieces", ["flutteredDelay"], {"flutteredDelay": rows})["flutteredDelay"]
    np.testing.assert_allclose(found, [flutter.fluttered_delay(*row) for row in rows], rtol=1e-12)


def observed(delay, ruler, watch):
    """Observations that agree, by the shares of their standard uncertainties."""
    sure = 1e-9  # a length of tape as good as exact: its time has all the doubt
    seen = [Delay(Estimate(0.2, 0.2 * 2 * delay, "s"))]
    if ruler is not None:
        seen.append(Ruler(Estimate(0.04, 0.04 * 2 * ruler, "m")))
    if watch is not None:
        seen.append(Stopwatch(Estimate(5.0, 5 * sure, "m"), Estimate(25.0, 25 * 2 * watch, "s")))
    return solve_geometry(seen, u_clock=0)


def told(rows):
    """What the page says of each row: both shares, and the outline at two angles."""
    script = """return given.map(([delay, ruler, watch]) => {
      const { spacing, speed, outline } = toldBy(delay, ruler ?? Infinity, watch ?? Infinity);
      return [spacing, speed, ...outline(0), ...outline(Math.PI / 2)];
    });"""
    return scripts.run("geometry", script, rows)


def test_what_three_tools_tell_is_the_librarys():
    rows = places([(1e-6, 0.02), (1e-3, 0.05), (1e-3, 0.2)], 4)
    for row, (spacing, speed, *outline) in zip(rows, told(rows), strict=True):
        geometry = observed(*row)
        found = [one.plus_minus / one.value / 2 for one in (geometry.spacings[0], geometry.speeds[0])]
        np.testing.assert_allclose([spacing, speed], found, rtol=1e-9)
        # The outline's two ends are the columns of a root of the covariance.
        root = np.reshape(outline, (2, 2)).T
        np.testing.assert_allclose(root @ root.T, geometry.covariance[:2, :2], rtol=1e-6, atol=1e-15)


@pytest.mark.parametrize("gone", [1, 2])
def test_what_two_tools_tell_is_the_librarys(gone):
    rows = [list(row) for row in places([(1e-6, 0.02), (1e-3, 0.05), (1e-3, 0.2)], 5)[:200]]
    for row in rows:
        row[gone] = None
    for row, (spacing, speed, *_) in zip(rows, told(rows), strict=True):
        geometry = observed(*row)
        found = [one.plus_minus / one.value / 2 for one in (geometry.spacings[0], geometry.speeds[0])]
        np.testing.assert_allclose([spacing, speed], found, rtol=1e-9)


# ---- sounds and pieces ----


@pytest.fixture(scope="module")
def sounds():
    """The noise, and its echo with hiss 40 dB below, of a tape that wobbles by 0.5 % ten times a second."""
    script = """
      const { dry, hiss } = pieceSounds();
      const played = playedPieces((time) => flutteredDelay(time, 0.005, 10, 0.2178), 0.01, [[8000, 70000]]);
      return { dry: Array.from(dry), hiss: Array.from(hiss), played: Array.from(played) };
    """
    return {name: np.array(values) for name, values in scripts.run("pieces", script).items()}


def test_both_sounds_are_as_loud_and_the_noise_ends_at_4_khz(sounds):
    assert np.std(sounds["dry"]) == pytest.approx(1, abs=1e-3)
    assert np.std(sounds["hiss"]) == pytest.approx(1, abs=0.01)
    power = np.abs(np.fft.rfft(sounds["dry"])) ** 2
    frequency = np.fft.rfftfreq(sounds["dry"].size, 1 / RATE)
    assert np.sum(power[frequency > 4700]) < 1e-4 * np.sum(power)
    assert np.sum(power[frequency < 2000]) == pytest.approx(0.5 * np.sum(power), rel=0.1)


def test_the_echo_is_the_noise_late_by_the_delay(sounds):
    time = np.arange(8000, 70000) / RATE
    late = time - flutter.fluttered_delay(time, 0.005, 10.0, 0.2178)
    dry = CubicSpline(np.arange(sounds["dry"].size) / RATE, sounds["dry"])
    wanted = dry(late) + 0.01 * sounds["hiss"][8000:70000]
    # A delay that is straight over a millisecond is off by at most 0.08 us there: h^2 / 8 of its bend.
    assert np.max(np.abs(sounds["played"][8000:70000] - wanted)) < 4e-3
    assert not np.any(sounds["played"][:8000])


def test_a_thousand_pieces_find_the_peak_of_their_correlation(sounds):
    # Length in samples, hiss over noise, depth and rate of the wobble: each is one sound with 20 pieces.
    rows = [
        [round(160 * 40**length), 10 ** (-3 * quiet), 0.005 * depth, 0.5 + 9.5 * rate]
        for length, quiet, depth, rate in places([(0.0, 1.0)] * 4, 6)[:50]
    ]
    script = """return given.map(([length, hiss, depth, rate]) => {
      const places = piecePlaces(length, 0.2178), spans = places.map(({ span }) => span);
      const played = playedPieces((time) => flutteredDelay(time, depth, rate, 0.2178), hiss, spans);
      return places.map((place) => [place, Array.from(played.slice(...place.span)),
        pieceDelay(pieceSounds().dry, played, length, place)]);
    });"""
    for (length, *_), pieces in zip(rows, scripts.run("pieces", script, rows), strict=True):
        middles = [place["middle"] for place, *_ in pieces]
        assert middles == pytest.approx(np.arange(0.15, 2.1, 0.1))
        for place, played, delay in pieces:
            first, (begin, end) = place["begin"], place["span"]
            assert first == round(place["middle"] * RATE) - length // 2 and end - begin == length + 2 * 51
            match = np.correlate(played, sounds["dry"][first : first + length], "valid")
            top = np.clip(np.argmax(match), 1, match.size - 2)
            left, peak, right = match[top - 1 : top + 2]
            wanted = (begin - first + top + 0.5 * (left - right) / (left - 2 * peak + right)) / RATE
            assert delay == pytest.approx(wanted, rel=1e-9)
