"""The panels about wavelength, standards and passes, driven without a browser."""

import numpy as np
import pytest
from panel_checks import collisions, panel_fixture

from tapecalc.calc import response
from tapecalc.calc.standards import EQUALIZATIONS
from tapecalc.course import wavelength as lesson
from tapecalc.course.wavelength import contact_panel, equalization_panel, passes_panel, pattern_panel
from tapecalc.machine import example_machine

INCH = 0.0254


pattern = panel_fixture(pattern_panel)
contact = panel_fixture(contact_panel)
equalizer = panel_fixture(equalization_panel)
passes = panel_fixture(passes_panel)


def data(panel):
    """Everything that the artists of a panel hold."""
    parts = [a.get_xydata() if hasattr(a, "get_xydata") else a.get_bbox().get_points() for a in panel.moving]
    return np.concatenate([np.asarray(part, dtype=float).ravel() for part in parts])


def within_its_axes(artist):
    (left, right), (bottom, top) = artist.axes.get_xlim(), artist.axes.get_ylim()
    x, y = artist.get_data()
    return left <= min(x) and max(x) <= right and bottom <= min(y) and max(y) <= top


def test_all_sliders_at_the_end_that_loses_most_stay_finite_and_free_of_the_key(contact):
    contact.set(speed_ips=3.75, gap_um=10, separation_um=5, coating_um=20, tilt_arcmin=20)
    assert np.all(np.isfinite(data(contact))) and collisions(contact) == ()
    assert within_its_axes(contact.artists["probe"])


# ---------------------------------------------------------------- the pattern and the gap


def test_the_pattern_has_the_wavelength_that_the_sentence_says(pattern):
    pattern.set(frequency_khz=15, speed_ips=7.5)
    x, wave = pattern.artists["pattern"].get_data()
    # Source: definition; the textbook example of 15 kHz at 7.5 ips: 12.7 um.
    assert np.interp([0, 12.7 / 2, 12.7], x, wave) == pytest.approx([1, -1, 1], abs=0.01)
    assert pattern.table["wavelength"] == "12.7 µm"


def test_the_bar_is_the_mean_of_the_pattern_inside_the_gap(pattern):
    pattern.set(frequency_khz=8, speed_ips=3.75, gap_um=6, moved_percent=15)
    x, wave = pattern.artists["pattern"].get_data()
    fine = np.linspace(-1.11 * 3, 1.11 * 3, 2001)
    mean = np.trapezoid(np.interp(fine, x, wave), fine) / (1.11 * 6)
    assert pattern.artists["average"].get_ydata() == pytest.approx([mean] * 2, abs=2e-3)
    assert pattern.artists["average"].get_xdata() == pytest.approx([-3.33, 3.33])
    assert pattern.artists["gap"].get_width() == pytest.approx(6.66)


def test_the_dots_stand_at_the_largest_average_and_the_loss_is_its_level(pattern):
    pattern.set(frequency_khz=10, gap_um=6.3)
    largest = max(pattern.artists["reach"].get_ydata())
    # Source: the row of the published loss 6.35 um, 10 kHz, 19.05 cm/s, here for 6.3 um.
    assert 20 * np.log10(largest) == pytest.approx(-2.019, abs=2e-3)
    assert pattern.artists["tone"].get_ydata()[0] == pytest.approx(20 * np.log10(largest))
    assert "2.0 dB lost" in pattern.readout


def test_a_gap_as_long_as_a_wave_reads_nothing_wherever_the_tape_stands(pattern):
    null_khz = 3.75 * INCH / (1.11 * 10e-6) / 1000  # 8.6 kHz, with the longest gap
    for moved in (0, 20, 45):
        pattern.set(frequency_khz=null_khz, speed_ips=3.75, gap_um=10, moved_percent=moved)
        assert pattern.artists["average"].get_ydata() == pytest.approx([0, 0], abs=1e-9)
        assert pattern.readout.endswith(
            "Its average is +0.00 now, and never more than 0.00 of full: nothing is left."
        )
    assert pattern.table["first null"] == "8.6 kHz" and within_its_axes(pattern.artists["tone"])


def test_beyond_the_null_the_average_has_turned_around(pattern):
    pattern.set(frequency_khz=12, speed_ips=3.75, gap_um=10)
    assert pattern.artists["average"].get_ydata()[0] < 0 < pattern.artists["pattern"].get_ydata().max()
    assert "nothing" not in pattern.readout


# ---------------------------------------------------------------- four losses


def test_each_curve_is_its_loss_and_the_sum_is_their_sum(contact):
    contact.set(speed_ips=3.75, gap_um=3, separation_um=2, coating_um=5, tilt_arcmin=12)
    frequency, total = contact.artists["sum"].get_data()
    parts = [contact.artists[name].get_ydata() for name in ("gap", "spacing", "thickness", "azimuth")]
    assert np.sum(parts, axis=0) == pytest.approx(total)
    # Source: 54.575 dB for each wavelength of distance (Wallace 1951).
    waves = frequency / (3.75 * INCH)
    assert contact.artists["spacing"].get_ydata() == pytest.approx(-54.5751 * 2e-6 * waves, abs=1e-3)


def test_nothing_but_the_coating_is_left_when_three_sliders_stand_at_zero(contact):
    contact.set(gap_um=0, separation_um=0, coating_um=10, tilt_arcmin=0)
    assert all(np.all(contact.artists[name].get_ydata() == 0) for name in ("gap", "spacing", "azimuth"))
    # By hand: x = 2 pi 10 / 19.05 = 3.2983; even (1 - e^-x)/x = 0.29199, rising (1 - (1 + x) e^-x)/x^2 =
    # 0.07732; (0.2 x 0.29199 + 0.8 x 0.07732) / 0.6 = 0.20042, -13.96 dB.
    assert contact.table["sum at 10 kHz"] == "-14.0 dB"
    assert "most of it to the thickness (14.0 dB)" in contact.readout


def test_a_thin_coating_gives_less_bass_and_no_more_treble(contact):
    # own: 4.3 um against 11 um: -2.174 dB at waves of 19.05 um; at 100 Hz as their thickness, -8.16 dB + 0.1.
    contact.set(coating_um=4.5)
    first = contact.table
    assert first["this coating gives, at 100 Hz"] == "-7.7 dB"  # 20 log10(4.5/11) = -7.76, and 0.1 less lost
    assert first["this coating gives, at 10 kHz"] == "-2.0 dB"  # x = 1.4842: 0.77331 / 0.97344, -2.0 dB
    contact.set(coating_um=20)
    assert contact.table["this coating gives, at 10 kHz"] == "+0.2 dB"  # nearly nothing more from below


@pytest.mark.parametrize(
    ("worst", "setting"),
    [
        ("gap", {"gap_um": 10, "separation_um": 0, "coating_um": 1}),
        ("spacing", {"separation_um": 5, "coating_um": 8}),
        ("thickness", {"coating_um": 20}),
        ("azimuth", {"tilt_arcmin": 20, "coating_um": 1, "separation_um": 0, "speed_ips": 4}),
    ],
)
def test_the_sentence_names_the_largest_loss(contact, worst, setting):
    contact.set(**setting)
    levels = {name.split()[0]: float(text.split()[0]) for name, text in contact.table.items()}
    assert levels[worst] == min(levels[name] for name in ("gap", "spacing", "thickness", "azimuth"))
    assert f"most of it to the {worst} " in contact.readout


def test_half_the_speed_has_half_the_reach(contact):
    # By hand at 1.4 kHz and 7.5 ips: 0.0808 coatings and 0.00735 distances per wave, 2.63 and 0.40 dB.
    contact.set(speed_ips=15)
    fast = contact.readout
    contact.set(speed_ips=7.5)
    assert fast.endswith("down 3 dB at 2.8 kHz.") and contact.readout.endswith("down 3 dB at 1.4 kHz.")


# ---------------------------------------------------------------- standards


@pytest.mark.parametrize("name", EQUALIZATIONS)
def test_a_standard_undoes_itself(equalizer, name):
    equalizer.set(recorded=name, played=name)
    assert equalizer.artists["result"].get_ydata() == pytest.approx(0, abs=1e-12)
    assert "as it went in" in equalizer.readout and equalizer.table["result at 10 kHz"] == "+0.0 dB"


def test_nab_played_as_iec_is_bright_by_the_published_curves(equalizer):
    equalizer.set(recorded="NAB 15 ips", played="IEC1 15 ips")
    frequency, result = equalizer.artists["result"].get_data()
    # Source: IEC 60094-1 clause 15: at 10 kHz -10.362 dB for 50 us and -7.661 dB for 35 us.
    assert np.interp(10e3, frequency, result) == pytest.approx(-10.362 + 7.661, abs=2e-3)
    assert "50 Hz comes out +3.0 dB, 10 kHz -2.7 dB" in equalizer.readout


def test_two_names_for_one_pair_of_constants_agree(equalizer):
    equalizer.set(recorded="NAB 7.5 ips", played="NAB 15 ips")
    assert "50 Hz comes out +0.0 dB, 10 kHz +0.0 dB" in equalizer.readout


# ---------------------------------------------------------------- pass after pass


def test_eight_passes_are_eight_times_one_pass(passes):
    one, all_passes = (passes.artists[name].get_ydata() for name in ("one", "all"))
    assert all_passes == pytest.approx(8 * one)
    passes.set(passes=1)
    assert passes.artists["all"].get_ydata() == pytest.approx(one)
    assert "pass 1" not in passes.readout


def test_the_shaded_band_is_the_bandwidth_of_the_bench_deck(passes):
    low, high = response.bandwidth(example_machine().one_pass(7.5 * INCH, pole_shape="flat"), passes=8)
    band = passes.artists["band"]
    assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((low, high))
    assert "pass 8 keeps 120 Hz to 3.2 kHz" in passes.readout


def test_clean_heads_lose_treble_only_by_their_tilt_and_beyond_the_boost(passes):
    passes.set(separation_um=0.5, boost_db=36, passes=12)
    frequency, level = passes.artists["all"].get_data()
    # Source: first-order high pass at 40 Hz; sin(y)/y, y = pi W tan(3 arcmin) f / v, for 2 mm at 19.05 cm/s.
    once = 20 * np.log10(frequency / np.hypot(40, frequency))
    once += 20 * np.log10(np.sinc(2e-3 * np.tan(np.radians(3 / 60)) * frequency / 0.1905))
    middle = frequency < 3000  # where 8 dB are lost: a boost of 36 dB lacks 6 log10(1 + 10^-4.7) dB
    assert level[middle] == pytest.approx(12 * once[middle], abs=2e-3)
    passes.set(boost_db=6)
    assert passes.artists["all"].get_ydata()[-1] < 12 * once[-1] - 100


def test_bumps_grow_with_the_passes_and_move_no_band(passes):
    before = passes.artists["band"].get_x(), passes.readout
    for name, once_db in (("likely", 1.548), ("at most", 3.348)):  # own: the highest bump of either shape
        passes.set(bumps=name)
        assert passes.table["the highest bump after 8"] == f"{8 * once_db:+.1f} dB"
        assert (passes.artists["band"].get_x(), passes.readout) == before
    passes.set(bumps="none")
    assert passes.table["the highest bump after 8"] == "+0.0 dB"


def test_speed_is_paid_for_in_delay_and_tape(passes):
    # Source: run time is length over speed: 549 m at 19.05 cm/s are 48.03 min; delay is spacing over speed.
    assert passes.table["the reel lasts"] == "48 min" and passes.table["delay of one pass"] == "218 ms"
    passes.set(speed_ips=15)
    assert passes.table["the reel lasts"] == "24 min" and passes.table["delay of one pass"] == "109 ms"


def test_hiss_grows_by_three_decibels_when_the_passes_double(passes):
    for count, words in ((1, "+0.0 dB"), (2, "+3.0 dB"), (4, "+6.0 dB"), (8, "+9.0 dB")):
        passes.set(passes=count)
        assert passes.table[f"hiss after {count}, each adding the same"] == words


# ---------------------------------------------------------------- exercises


@pytest.mark.parametrize(
    ("exercise", "answer", "slips"),
    [
        # By hand: 14.978 + 1.432 + 0.791 dB are lost, 10.362 dB lifted at playback.
        (lesson.lift, 6.84, {17.2: "both equalizers together", 27.56: "You added the two"}),
        # By hand: 95.25 mm/s by 4 mm / 0.716 are 17.05 Hz.
        (
            lesson.bump,
            17.05,
            {34.1: "the fast speed", 23.81: "as long as the poles", 33.26: "divided by 0.72"},
        ),
        # By hand: 190.5 mm/s by a thousandth of 1.11 x 6.35 mm are 27.03 kHz.
        (lesson.null, 27.03, {30.0: "1.11 times"}),
    ],
)
def test_answers_are_right_and_likely_slips_are_told(exercise, answer, slips):
    assert exercise.check(answer).state == "right"
    for slip, hint in slips.items():
        assert exercise.check(slip).state == "not yet" and hint in exercise.check(slip).sentence
