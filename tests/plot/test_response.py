"""Figures of losses and equalization: curves as the library says."""

import numpy as np
import pytest

from tapecalc.calc import response
from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plot.catalog import draw

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]


def test_losses_add_up_to_their_sum():
    lines = draw("four_losses").artists
    parts = sum(lines[name].get_ydata() for name in ("thickness", "spacing", "gap", "azimuth"))
    np.testing.assert_allclose(parts, lines["sum"].get_ydata(), atol=1e-9)
    expected = response.contact_loss_db(lines["sum"].get_xdata(), SPEED, MACHINE.one_pass(SPEED).today)
    np.testing.assert_allclose(lines["sum"].get_ydata(), expected)


def test_response_of_repeat_n_is_n_passes():
    lines = draw("repeats_response").artists["repeats"]
    assert len(lines) == 8
    for n in (1, 8):
        f, level = lines[n - 1].get_data()
        np.testing.assert_allclose(level, response.repeat_level_db(MACHINE.one_pass(SPEED), f, n))


def test_bumps_stand_in_the_picture_and_not_in_the_band():
    drawn = draw("repeats_response")
    f, level = drawn.artists["repeats"][7].get_data()
    in_bass = level[(f > 90) & (f < 600)]
    assert np.sum((in_bass[1:-1] > in_bass[:-2]) & (in_bass[1:-1] > in_bass[2:])) >= 4
    low, high = response.bandwidth(MACHINE.one_pass(SPEED, pole_shape="flat"), passes=8)
    assert f"repeat 8 from {low:.0f} Hz to {high / 1e3:.1f} kHz" in drawn.caption
    assert "but for the bumps of the head" in drawn.caption


# ---- the chain of a machine ----


def test_the_chain_adds_up_to_what_comes_out_but_for_the_low_cut():
    lines = draw("machine_chain").artists
    f = lines["19.05 cm/s"].get_xdata()
    low_cut = -10 * np.log10(1 + (40 / f) ** 2)
    total = sum(lines[name].get_ydata() for name in ("both", "tape"))
    np.testing.assert_allclose(lines["19.05 cm/s"].get_ydata(), total + low_cut, atol=1e-9)
    # Source: IEC 60094-1, clause 15: 10.362 dB at 10 kHz for 3180 and 50 us.
    playback = lines["both"].get_ydata() - lines["record"].get_ydata()
    assert np.interp(10e3, f, playback) == pytest.approx(10.362, abs=0.01)


def test_no_curve_of_one_pass_has_a_corner():
    chain = draw("machine_chain").artists
    for line in (chain["19.05 cm/s"], chain["9.525 cm/s"], draw("repeats_response").artists["repeats"][0]):
        octaves, level = np.log2(line.get_xdata()), line.get_ydata()
        slopes = np.diff(level) / np.diff(octaves)
        shown = (octaves[1:-1] > np.log2(1000)) & (level[1:-1] > -12)
        # A boost that ended at once would begin to fall by 7 dB an octave from one point to the next.
        assert np.abs(np.diff(slopes))[shown].max() < 2.5


def test_the_window_is_that_of_the_standard_and_holds_the_fast_speed_only():
    drawn = draw("machine_chain")
    (outline,) = drawn.artists["window"].get_paths()
    # Source: DIN 45 500 sheet 4: 5 dB from 250 to 6300 Hz, 7 dB to 40 Hz and to 12.5 kHz.
    corners = {(round(x), round(y, 9)) for x, y in outline.vertices}
    assert {(40, -7), (250, -7), (250, -5), (6300, -5), (6300, -7), (12500, -7)} <= corners
    assert "at 19.05 cm/s all of it and at 9.525 cm/s 40 Hz to 11 kHz" in drawn.caption
    fast, slow = (drawn.artists[speed] for speed in ("19.05 cm/s", "9.525 cm/s"))
    inside = (fast.get_xdata() >= 40) & (fast.get_xdata() <= 12500)
    assert fast.get_ydata()[inside].min() > -5 > -7 > slow.get_ydata()[inside].min()


def test_a_thin_coating_loses_bass_and_a_short_gap_gives_less_but_more_treble():
    artists = draw("output_changes").artists
    thin = artists["coating"].get_ydata()
    assert thin[0] == pytest.approx(-6.02, abs=0.02) and np.all(np.diff(thin) > 0) and thin.max() < 0
    least, most = (line.get_ydata() for line in artists["gap"])
    assert most[0] == pytest.approx(0, abs=1e-3) and least == pytest.approx(most - 6.0206, abs=1e-3)
    # By hand at 20 kHz, a wave of 9.525 um: y = pi 1.11 g / lam; sin(y)/y of 0.7322 over that of 1.4644.
    ratio = (np.sin(0.7322) / 0.7322) / (np.sin(1.4644) / 1.4644)
    assert most[-1] == pytest.approx(20 * np.log10(ratio), abs=1e-2)


def test_the_measured_curve_and_what_is_left_over():
    drawn = draw("measured_output")
    outline = drawn.artists["model"].get_paths()[0].vertices
    at_5k = outline[np.abs(outline[:, 0] / 5e3 - 1) < 0.01][:, 1]
    # own, worked out apart: +8.0 dB for 17 um and 6.35 um, +11.6 for 11 um and 4 um, +13.2 if even
    assert (at_5k.min(), at_5k.max()) == pytest.approx((8.0, 11.6), abs=0.1)
    f, even = drawn.artists["even"].get_data()
    assert np.interp(5e3, f, even) == pytest.approx(13.2, abs=0.1)
    assert "comes out at 8.0 to 11.6 dB, 0.0 to 3.6 dB off" in drawn.caption
    assert "evenly magnetized coating is 5.2 dB off" in drawn.caption


def test_bumps_lie_between_none_and_plates():
    artists = draw("head_bumps").artists
    f, likely = artists["likely"].get_data()
    most = artists["most"].get_ydata()
    # own: plates +3.348 dB at L/lam = 0.7655 and -3.493 at 1.7571; blocks +1.548 at 0.716
    assert most.max() == pytest.approx(3.348, abs=1e-2) and most.min() == pytest.approx(-3.493, abs=1e-2)
    assert likely.max() == pytest.approx(1.548, abs=1e-2)
    assert f[np.argmax(most)] == pytest.approx(0.7655 * 0.1905 / 5e-3, rel=0.01)


def test_a_head_without_poles_has_no_figure_of_bumps():
    with pytest.raises(ValueError, match="needs poles"):
        draw("head_bumps", with_changes(MACHINE, {"heads.pole_length_mm": 0}))


# ---- what they say ----


def number(drawn):
    (text,) = [text for text in drawn.figure.texts if text.get_gid() == "number"]
    return text.get_text()


SLOW, FAST = ({"transport.speeds_cm_s": None, "transport.speeds_ips": (ips,)} for ips in (1.875, 30.0))
CLEAN = {"heads.spacing_loss_um": 0.5, "heads.azimuth_error_arcmin": 0.0}  # as it was aligned


@pytest.mark.parametrize(
    ("name", "changes", "title"),
    [
        ("four_losses", {}, "The thickness takes the most treble"),
        ("four_losses", {"heads.spacing_loss_um": 20.0}, "The spacing takes the most treble"),
        ("four_losses", {"heads.azimuth_error_arcmin": 60.0}, "The azimuth takes the most treble"),
        ("machine_chain", {}, "The equalizers give back what the tape takes"),
        ("machine_chain", SLOW, "Equalizers give back only part of the treble"),
        ("machine_chain", {"heads.treble_boost_db": 0.0}, "No equalizer gives back what the tape takes"),
        ("output_changes", {}, "Half the coating costs bass, hardly treble"),
        ("output_changes", FAST, "Half the coating costs bass, and less treble"),
        ("repeats_response", {}, "Every repeat is darker than the last"),
        ("repeats_response", FAST | CLEAN, "The repeats keep their treble"),
    ],
)
def test_the_title_is_what_this_machine_finds(name, changes, title):
    assert draw(name, with_changes(MACHINE, changes)).title == title


def test_the_number_is_the_answer():
    # By hand at 10 kHz: 14.978 + 2.865 + 0.794 + 0.118 = 18.755 dB, at 100 Hz half the coating gives -5.93.
    assert number(draw("four_losses")) == "\N{MINUS SIGN}19 dB"
    assert number(draw("output_changes")) == "\N{MINUS SIGN}5.9 dB"
    assert number(draw("head_bumps")) == "\N{MINUS SIGN}3.5 dB"  # plates, at L/lam = 1.7571
    edge = response.bandwidth(MACHINE.one_pass(SPEED, pole_shape="flat"), passes=8)[1]
    assert number(draw("repeats_response")) == f"{edge / 1e3:.1f} kHz"


def test_speeds_are_two_weights_of_one_hue_and_repeats_go_from_thick_to_thin():
    lines = draw("machine_chain").artists
    fast, slow = lines["19.05 cm/s"], lines["9.525 cm/s"]
    assert fast.get_color() == slow.get_color() and fast.get_linewidth() < slow.get_linewidth()
    repeats = draw("repeats_response").artists["repeats"]
    assert np.all(np.diff([line.get_linewidth() for line in repeats]) < 0)
    assert len({line.get_color() for line in repeats}) == 8


@pytest.mark.parametrize("changes", [{}, SLOW, FAST], ids=["as it is", "slow", "fast"])
def test_the_marks_of_the_repeats_stand_on_their_lines_inside_the_axes(changes):
    drawn = draw("repeats_response", with_changes(MACHINE, changes))
    (marks,) = drawn.artists["tops"]
    low, high = drawn.figure.axes[0].get_ylim()
    seen = marks.get_xydata()  # those of later repeats, if the first ones are beyond hearing
    assert len(seen) >= 4
    for (x, y), line in zip(seen, drawn.artists["repeats"][-len(seen) :], strict=True):
        assert 20 < x < 20e3 and low < y < high
        assert y == pytest.approx(np.interp(np.log(x), np.log(line.get_xdata()), line.get_ydata()))


def test_a_repeat_that_reaches_far_has_lost_only_some_of_its_treble():
    heads = "[[playback_heads]]\nspacing_mm = 22\n[mixer]\nreturn_send_db = -5\n"
    machine = machine_from_text(f"[transport]\nspeeds_ips = [7.5]\n{heads}")
    assert " has lost some of its treble" in draw("one_repeat", machine).title
    assert draw("one_repeat").title == "Repeat 5 has lost its treble"
