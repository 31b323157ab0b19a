"""Figures at the gap: lengths and levels by hand, and states that a clip can ask for."""

import numpy as np
import pytest

from tapecalc.calc import response
from tapecalc.machine import example_machine, with_changes
from tapecalc.plot import gap
from tapecalc.plot.catalog import CATALOG, draw

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]
LENGTH = 19.05e-6  # m, 10 kHz at 7.5 ips


def changed(**heads):
    return with_changes(MACHINE, {f"heads.{key}": value for key, value in heads.items()})


def texts(drawn):
    return [text.get_text() for text in (*drawn.figure.texts, *drawn.figure.axes[0].texts)]


# ---- states ----


def test_a_wave_moves_with_the_tape_and_a_gap_reads_its_mean():
    assert gap.wave([0, 0.25, 0.5], 1.0) == pytest.approx([1, 0, -1], abs=1e-12)
    assert gap.wave(0.3, 1.0, shift=0.3) == pytest.approx(1)
    # Over half a wave around its crest: 2 / pi; over a whole one: nothing.
    assert gap.mean_wave(0.5, 1.0) == pytest.approx(2 / np.pi, abs=1e-6)
    assert gap.mean_wave(1.0, 1.0, shift=[0.0, 0.2]) == pytest.approx([0, 0], abs=1e-12)


def edges(outline):
    return sorted({round(x, 9) for x in outline.vertices[:, 0].tolist()})


def test_stripes_are_the_halves_to_the_right_and_move_with_the_tape():
    assert edges(gap.stripes(-1, 1, 0.1, 1.0)) == [-1, -0.75, -0.25, 0.25, 0.75, 1]
    assert edges(gap.stripes(0, 1, 0.1, 1.0, shift=0.5)) == [0.25, 0.75]


def test_lines_of_a_field_reach_a_depth_as_often_as_its_level_there():
    # A wave of 2 pi: e^-y; half of all lines reach ln 2, and those that do not close at ln(1 / share).
    reaching, closing = gap.field_lines(0, 4 * np.pi, 2 * np.pi, 20, np.log(2))
    assert len(reaching) == 4 * 2 * 10  # two feet each, in four halves
    tops = sorted({round(float(-line[:, 1].min()), 3) for line in closing})
    assert tops == [round(float(np.log(20 / k)), 3) for k in np.arange(19.5, 10, -1)]
    for x, y in (line.T for line in reaching):
        assert y[[0, -1]] == pytest.approx([0, -np.log(2)])
        along = np.exp(y) * np.abs(np.cos(x))
        assert along == pytest.approx(np.full(y.size, along[0]), abs=1e-9)


@pytest.mark.parametrize(
    ("frequency", "share", "half"),
    [
        (1.0, 1.0, 5.5),  # long waves come evenly from all of 11 um
        (1.0, 0.0, 11 / np.sqrt(2)),  # y^2 = 1/2
        # x = 2 pi 11 / 19.05 = 3.6281; 1 - e^-kd = (1 - e^-x) / 2 = 0.48671, kd = 0.66692, k = 0.32983 / um
        (10e3, 1.0, 2.0220),
    ],
)
def test_half_of_what_is_read_comes_from_above_a_depth(frequency, share, half):
    depth, shares = gap.depth_shares(frequency, SPEED, 11e-6, share)
    assert 1e6 * np.interp(0.5, shares, depth) == pytest.approx(half, rel=1e-3)
    assert np.all(np.diff(shares) >= 0) and shares[-1] == 1


@pytest.mark.parametrize("length", [190.5e-6, 4.44e-6, 0.0])
def test_lengths_are_written_without_powers_of_ten(length):
    assert "e" not in gap.short(length)


# ---- the wave at the gap ----


def test_patterns_repeat_every_wavelength():
    drawn = draw("wavelength_at_gap")
    for pattern, speed in zip(drawn.artists["patterns"], MACHINE.speeds, strict=True):
        x, y = pattern.get_data()
        middle = (y.max() + y.min()) / 2
        up = x[1:][(y[:-1] < middle) & (y[1:] >= middle)]
        np.testing.assert_allclose(np.diff(up), response.wavelength(10e3, speed), rtol=0.02)


def test_the_gap_reads_less_of_the_shorter_wave():
    drawn = draw("wavelength_at_gap")
    # y = pi 1.11 x 4 / 19.05 = 0.73221 and twice that: sin(y) / y = 0.91309 and 0.67899, -0.790 and -3.363 dB
    means = [mean.get_ydata()[0] for mean in drawn.artists["means"]]
    assert means == pytest.approx([0.91309, 0.67899], abs=1e-4)
    assert {"2.6 dB", "\N{MINUS SIGN}0.79 dB", "\N{MINUS SIGN}3.4 dB", "gap 4 µm"} <= set(texts(drawn))
    assert drawn.title == "Half speed squeezes the wave into the gap"
    thin, thick = (pattern.get_linewidth() for pattern in drawn.artists["patterns"])
    assert thin < thick and len({pattern.get_color() for pattern in drawn.artists["patterns"]}) == 1
    left, right = drawn.artists["gap"][0]
    assert right.get_x() - (left.get_x() + left.get_width()) == pytest.approx(4e-6)


@pytest.mark.parametrize(
    ("speeds", "gap_um", "title", "means"),
    [
        ((7.5,), 4.0, "The gap reads a mean", "of 10 kHz, by the gap"),
        ((15.0, 3.75), 4.0, "Slow tape squeezes", "less of 10 kHz at quarter speed"),
        ((15.0, 5.5), 4.0, "Slow tape squeezes", "less of 10 kHz at the slowest speed"),
        # 17 um act as 18.87: 0.99 waves at 7.5 ips, nearly a null, and 1.49 at 5 ips.
        ((7.5, 5.0), 17.0, "Slow tape squeezes", "more of 10 kHz at the slowest speed"),
        ((7.5, 3.75), 0.0, "A gap without length takes no treble", "less of 10 kHz at half speed"),
    ],
)
def test_what_is_found_holds_for_other_machines(speeds, gap_um, title, means):
    keys = {"transport.speeds_ips": speeds, "heads.gap_um": gap_um}
    drawn = draw("wavelength_at_gap", with_changes(MACHINE, keys))
    assert drawn.title.startswith(title)
    texts = {text.get_gid(): text.get_text() for text in drawn.figure.texts}
    assert texts["means"] == means and ("one ribbon for each" in texts["subtitle"]) == (len(speeds) > 1)


# ---- writing and reading ----


def test_the_tape_is_written_where_it_leaves_the_record_gap():
    drawn = draw("at_the_gap")
    written = drawn.artists["written"]["stripes"].get_path().vertices
    assert written[:, 0].min() == pytest.approx(6e-6)
    assert np.ptp(written[:, 1]) == pytest.approx(11e-6)
    for line in drawn.artists["field"]:  # around the edges of the gap: the two distances add up to the same
        x, y = line.get_data()
        both = np.hypot(x - 6e-6, y) + np.hypot(x + 6e-6, y)
        assert both == pytest.approx(np.full(x.size, both[0]))
    assert drawn.artists["mean"].get_width() == pytest.approx(4.44e-6)
    slow = draw("at_the_gap", with_changes(MACHINE, {"transport.speeds_ips": (0.9375,)}))
    written = slow.artists["written"]["stripes"].get_path().vertices  # of a wave of 24 um
    assert written[:, 0].min() == pytest.approx(6e-6)
    # 190.5 mm/s / 1 kHz
    assert "190 µm" in texts(drawn) and "heads 41.5 mm apart" in drawn.caption


# ---- tilt ----


def test_a_tilted_gap_reads_one_edge_before_the_other():
    drawn = draw("tilted_gap")
    (upper, _), (lower, _) = (dot.get_xydata()[0] for dot in drawn.artists["ends"])
    # 2 mm x tan(3 x 0.00029089) = 1.7453 um
    assert lower - upper == pytest.approx(1.7453e-6, rel=1e-4)
    x, first = drawn.artists["upper"].get_data()
    last, mean = (drawn.artists[name].get_ydata() for name in ("lower", "mean"))
    near = np.abs(x) < LENGTH / 4
    assert x[near][np.argmax(last[near])] - x[near][np.argmax(first[near])] == pytest.approx(
        1.7453e-6, rel=0.1
    )
    # z = pi 1.7453 / 19.05 = 0.28782, sin(z) / z = 0.98625, -0.120 dB
    assert mean.max() == pytest.approx(0.98625, abs=1e-4)
    assert "\N{MINUS SIGN}0.12 dB" in texts(drawn)


def test_the_other_tilt_is_the_mirror_and_none_is_said_to_be_none():
    other = draw("tilted_gap", changed(azimuth_error_arcmin=-3.0))
    assert other.title == "The lower edge reads first"
    (upper, _), (lower, _) = (dot.get_xydata()[0] for dot in other.artists["ends"])
    assert lower < upper
    none = draw("tilted_gap", changed(azimuth_error_arcmin=0.0))
    assert none.caption.startswith("No tilt is stated; with 5 arc minutes") and "would" in none.title


# ---- dirt ----


def test_what_arrives_through_dirt_is_what_is_left_of_the_level():
    drawn = draw("lifted_tape")
    # 54.575 dB x 1 um / 19.05 um = 2.865 dB, of an amplitude of 0.719
    assert (
        "1 µm between head and coating takes 0.03 dB at 100 Hz, 0.29 dB at 1 kHz and 2.9 dB" in drawn.caption
    )
    reaching, closing = ([one.get_segments() for one in drawn.artists[k]] for k in ("reaching", "closing"))
    assert not closing[0] and not closing[1]
    for lines, sign in ((reaching[2], 1), (closing[2], -1)):
        depths = np.array([-line[:, 1].min() for line in lines])
        assert np.all(sign * (depths - 1e-6) >= -1e-12)
    assert drawn.artists["grains"][0].height == pytest.approx(1e-6)


def test_without_dirt_a_grain_is_drawn_and_said():
    drawn = draw("lifted_tape", changed(spacing_loss_um=0.0))
    # 54.575 x 5 / 19.05 = 14.32 dB
    assert drawn.caption.startswith("Head and coating touch. 5 µm between head and coating would take")
    assert "14.3 dB at 10 kHz" in drawn.caption and "would" in drawn.title


# ---- depth ----


def test_both_parts_of_a_shape_are_halves():
    drawn = draw("coating_depth")
    for whole, half in zip(drawn.artists["shares"], drawn.artists["first_half"], strict=True):
        areas = []
        for shape in (whole, half):
            x, y = shape.get_xy().T
            areas.append(abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) / 2)
        assert areas[1] / areas[0] == pytest.approx(0.5, abs=2e-3)
    deepest = [shape.get_xy()[:, 1].max() for shape in drawn.artists["first_half"]]
    assert deepest == sorted(deepest, reverse=True) and deepest[0] < 11e-6


# ---- a clip's steps ----


def test_the_same_view_gives_the_wave_of_another_moment():
    drawn = draw("wavelength_at_gap")
    patch = drawn.artists["magnets"][0]["stripes"]
    view = drawn.artists["views"][0]
    still, later = (view.magnet_paths(LENGTH, 1.0, shift=shift) for shift in (0.0, LENGTH / 8))
    inside = [np.array(edges(path["stripes"])) for path in (still, later)]
    left, right = (x[np.abs(x) < 0.9 * LENGTH] for x in inside)
    assert right == pytest.approx(left + LENGTH / 8, abs=2e-9)
    assert len(still["right"].vertices) and len(still["left"].vertices)
    patch.set_path(later["stripes"])  # a path is all that a step changes


FIGURES = [name for name, entry in CATALOG.items() if entry.function.__module__ == gap.__name__]


@pytest.mark.parametrize("name", FIGURES)
def test_findings_are_short_and_the_answer_is_a_number(name):
    drawn = draw(name)
    assert len(drawn.title.split()) <= 8 and len(drawn.title) <= 46
    (number,) = (text.get_text() for text in drawn.figure.texts if text.get_gid() == "number")
    assert number.split()[-1] in ("dB", "µm")


def test_what_is_lost_altogether_is_not_told_to_a_tenth():
    # 54.575 x 20 um / (23.8125 mm/s / 10 kHz) = 458 dB
    keys = {"transport.speeds_ips": (0.9375,), "heads.spacing_loss_um": 20.0}
    drawn = draw("lifted_tape", with_changes(MACHINE, keys))
    assert "> 100 dB at 10 kHz" in drawn.caption


@pytest.mark.parametrize(
    "size", ["notebook", "article_single", "article_double", "slide", "vertical", "page"]
)
@pytest.mark.parametrize("speed", [0.0476, 0.09, 0.1, 0.1905, 0.762])
def test_the_length_of_a_wave_is_told_and_never_lies_on_the_edge_of_the_film(speed, size):
    contact = MACHINE.one_pass(0.1905).today
    drawn = gap.at_the_gap(speed=speed, contact=contact, spacing=0.0415, thickness=35e-6, profile=size)
    axes = drawn.figure.axes[0]
    drawn.figure.draw_without_rendering()
    told = [text for text in axes.texts if text.get_text().startswith(("1 kHz", "10 kHz"))]
    assert len(told) == 2
    for text, view, up in zip(told, ("writing", "reading"), (0.0, contact.separation), strict=True):
        box = text.get_window_extent()
        edge = axes.transData.transform(drawn.artists[view].at(0, up + 35e-6))[1]
        tall = box.height
        assert not box.y0 + 0.2 * tall / 2 < edge < box.y1 - 0.3 * tall
