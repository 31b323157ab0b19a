"""The panels about measuring say what the library reckons."""

from functools import partial

import numpy as np
import pytest
from panel_runs import assert_drawn, controls_of, drawn_settings, reckoned, told_at

from tapecalc import words
from tapecalc.calc import flutter
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.measuring import FACTS
from tapecalc.machine import example_machine
from tapecalc.measuring import Delay, Estimate, Ruler, Stopwatch, solve_geometry

DECK = example_machine()
SPACING, SPEED, USUAL = DECK.spacings[0], DECK.speeds[0], DECK.delays(DECK.speeds[0])[0]
PANELS = ("toolsPanel", "piecesPanel")


told = partial(told_at, "measuring", FACTS)


@pytest.mark.parametrize("panel", PANELS)
def test_pictures_hold_at_every_end(panel):
    assert_drawn("measuring", panel, FACTS)


# ---- what each tool tells ----


def in_words(estimate, value, unit):
    """An estimate as text, with its value but for the last digits, which decide where 41.5 is rounded to."""
    assert estimate.value == pytest.approx(value, rel=1e-9)
    return words.with_uncertainty(
        from_si(value, unit), from_si(estimate.plus_minus, unit), words.SIGNS.get(unit, unit)
    )


def tools(ruler_mm, length_m, thumb_s, delay_us):
    """The sentence and the rows of the three tools."""
    delay = Delay(Estimate(SPACING / SPEED, to_si(delay_us, "us"), "s"))
    ruler = Ruler(Estimate(SPACING, to_si(ruler_mm, "mm"), "m"))
    # A marked length of tape is good to a thousandth: common practice, no source.
    watch = Stopwatch(Estimate(length_m, 1e-3 * length_m, "m"), Estimate(length_m / SPEED, thumb_s, "s"))
    found = [solve_geometry(seen) for seen in ([delay, ruler, watch], [delay, ruler], [delay, watch])]
    (all_mm, ruled_mm, timed_mm) = (in_words(one.spacings[0], SPACING, "mm") for one in found)
    (all_cms, ruled_cms, timed_cms) = (in_words(one.speeds[0], SPEED, "cm_s") for one in found)
    better = "stopwatch" if found[2].speeds[0].plus_minus < found[1].speeds[0].plus_minus else "ruler"
    sentence = f"Delay, ruler and stopwatch together: heads {all_mm} apart, tape at {all_cms}."
    return f"{sentence} The {better} tells more.", {
        "with the ruler alone": f"{ruled_mm}; {ruled_cms}",
        "with the stopwatch alone": f"{timed_mm}; {timed_cms}",
        "with the delay alone": "only spacing over speed, the slanted strip",
    }


def test_what_tools_tell_is_the_librarys():
    settings = drawn_settings(controls_of("measuring", "toolsPanel", FACTS), 200, 21)
    found = reckoned("measuring", "toolsPanel", FACTS, settings)
    for setting, one in zip(settings, found, strict=True):
        assert (one["sentence"], dict(one["rows"])) == tools(**setting), setting


def spreads(found, row):
    """Half widths of spacing in mm and of speed in cm/s in one row of the table."""
    spacing, speed = found["table"][row].split("; ")
    return float(spacing.split()[-2]), float(speed.split()[-2])


def test_a_ruler_passes_its_share_of_error_on_to_the_speed():
    found = told("toolsPanel", ruler_mm=0.5, delay_us=1)
    # 1.2 % of both; of 19.05 cm/s 0.2295, and no less is said.
    assert spreads(found, "with the ruler alone") == (0.5, 0.23)


#: A thumb of 0.2 s and marks of a thousandth: 2 m take 10.5 s, 1.91 % together; 10 m 52.5 s, 0.394 %;
#: 30 m 157.5 s, 0.1616 %. Of 41.5 mm these are 0.79, 0.163 and 0.067 mm, of 19.05 cm/s 0.363, 0.0750 and
#: 0.0308 cm/s, and what is printed is rounded up.
STOPWATCH = [(2.0, (0.8, 0.4)), (10.0, (0.17, 0.08)), (30.0, (0.07, 0.031))]


@pytest.mark.parametrize(("length", "wanted"), STOPWATCH)
def test_a_stopwatch_is_as_good_as_its_thumb_and_its_marks(length, wanted):
    found = told("toolsPanel", length_m=length, thumb_s=0.2, delay_us=1)
    assert spreads(found, "with the stopwatch alone") == wanted
    assert found["watch"] == pytest.approx(np.hypot(0.2 / (length / 0.1905), 1e-3), rel=1e-6)


@pytest.mark.parametrize(("length", "better"), [(3.0, "ruler"), (3.5, "stopwatch"), (4.0, "stopwatch")])
def test_the_stopwatch_wins_from_some_length_on(length, better):
    # The panel's question: 0.2 s of 18.4 s are as much as 0.5 mm of 41.5 mm.
    assert told("toolsPanel", length_m=length)["sentence"].endswith(f"The {better} tells more.")


def test_the_ellipse_throws_shadows_as_wide_as_the_intervals():
    found = told("toolsPanel", delay_us=2000)
    # Shares: ruler 0.5 mm of 41.5 mm, a = 1.205 %; watch hypot(0.2 s of 26.25 s, 0.1 %), b = 0.769 %;
    # delay 2 ms of 217.8 ms, c = 0.918 %. Spacing by the ruler or by watch and delay, hypot(b, c) = 1.197 %:
    # both together 1 / hypot(1 / 1.205, 1 / 1.197) = 0.849 %. Speed likewise from 1.515 % and b: 0.685 %.
    assert np.ptp(found["spacings"]) / 2 == pytest.approx(0.00849 * 0.0415, rel=2e-3)
    assert np.ptp(found["speeds"]) / 2 == pytest.approx(0.00685 * 0.1905, rel=2e-3)
    assert "mm +/- 0.4 mm apart" in found["sentence"] and "cm/s +/- 0.14 cm/s" in found["sentence"]
    # The far end of the ellipse goes along the strip: too large a spacing goes with too large a speed.
    assert np.corrcoef(found["spacings"], found["speeds"])[0, 1] > 0.3


# ---- how long a piece to compare ----


def test_errors_are_the_distance_to_the_librarys_delay():
    settings = drawn_settings(controls_of("measuring", "piecesPanel", FACTS), 100, 23)
    for setting, one in zip(settings, reckoned("measuring", "piecesPanel", FACTS, settings), strict=True):
        depth, rate, found = setting["wobble_percent"] / 100, setting["rate_hz"], np.array(one["found"])
        assert np.array(one["heard"]) == pytest.approx(np.arange(0.15, 2.1, 0.1) + found)
        errors = found - flutter.fluttered_delay(one["heard"], depth, rate, USUAL)
        rms, most, swing = (
            from_si(value, "us")
            for value in (
                np.sqrt(np.mean(errors**2)),
                np.max(np.abs(errors)),
                np.ptp(flutter.fluttered_delay(np.linspace(0, 2.5, 501), depth, rate, USUAL)),
            )
        )
        off = float(f"{rms:.2g}")
        assert one["sentence"] == (
            f"Pieces of {setting['piece_ms']:.3g} ms find the delay: single ones are off by {off:g} µs rms."
        )
        spread = 2 * np.std(found) / np.sqrt(20)
        mean = words.with_uncertainty(from_si(np.mean(found), "ms"), max(from_si(spread, "ms"), 1e-4), "ms")
        assert dict(one["rows"]) == {
            "the worst piece is off by": f"{float(f'{most:.2g}'):g} µs",
            "the delay swings by": f"{swing:.0f} µs",
            "mean of all pieces": mean,
        }


def error_us(**setting):
    """The rms error that the panel says."""
    return float(told("piecesPanel", **setting)["sentence"].partition("off by ")[2].split()[0])


def test_pieces_find_the_true_curve():
    assert error_us(piece_ms=10, snr_db=40, wobble_percent=0.2, rate_hz=2) < 4


def test_long_pieces_lose_when_the_tape_wobbles_and_win_when_it_does_not():
    # The panel's question.
    still = [error_us(piece_ms=piece, wobble_percent=0) for piece in (5, 100)]
    assert still[1] < still[0] / 3
    moving = [error_us(piece_ms=piece, wobble_percent=0.2, rate_hz=2) for piece in (5, 100)]
    assert moving[1] > 10 * moving[0]


def test_noise_drowns_the_pieces():
    assert error_us(wobble_percent=0, snr_db=0) > 3 * error_us(wobble_percent=0, snr_db=60)


def test_without_wobble_the_error_is_what_theory_allows():
    # Own: a known sound of bandwidth B and length T is placed no better than sqrt(3 / (8 pi^2 T B^3 snr));
    # the hiss spreads over 16 kHz, so that within the sound's 4 kHz its share is four times smaller.
    for piece, snr_db in ((50, 20), (100, 10)):
        snr = 4 * 10 ** (snr_db / 10)
        least = np.sqrt(3 / (8 * np.pi**2 * piece * 1e-3 * 4000**3 * snr)) * 1e6
        assert 0.6 * least < error_us(piece_ms=piece, snr_db=snr_db, wobble_percent=0) < 2 * least
