"""Profiles, colors and files of figures."""

import itertools
import re
import subprocess
import sys

import matplotlib
import numpy as np
import pytest
from color_vision import color_distance, simulate

from tapecalc.plot import style

GROUNDS = list(style.GROUNDS.values())
VIDEO = [p for p in style.PROFILES.values() if p.name.startswith(("video", "vertical"))]


def sample(profile, legend=True):
    with style.context(profile) as profile:
        figure = style.new_figure(profile)
        axes = style.style_axes(figure.subplots(), profile, x="time (s)", y="level (dB)", title="A line")
        axes.plot([0, 1, 2], [0, -3, -5], label="$T$ = 2", **style.line_style(profile, 1, marker=True))
        if legend:
            axes.legend()
        return style.fix_layout(figure)


def test_contrast_and_luminance_of_known_colors():
    # Source: WCAG 2.2 definitions: black on white is 21, equal colors are 1, #777777 on white is 4.48.
    assert style.contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert style.contrast("#123456", "#123456") == 1
    assert style.contrast("#777777", "#FFFFFF") == pytest.approx(4.48, abs=0.005)
    assert style.luminance("#FF0000") == pytest.approx(0.2126)


def test_color_distance_of_known_colors():
    # Source: CIE L*a*b* (D65) of sRGB red, from the definition: 53.24, 80.09, 67.20.
    expected = np.linalg.norm([53.24, 80.09, 67.20])
    assert color_distance("#000000", "#FF0000") == pytest.approx(expected, abs=0.05)


def test_simulation_leaves_grays_and_blues_apart_and_merges_red_with_green():
    for kind in ("deuteranopia", "protanopia"):
        assert color_distance(simulate("#808080", kind), "#808080") < 1
        red, green = simulate("#B00000", kind), simulate("#507000", kind)
        assert color_distance(red, green) < 0.5 * color_distance("#B00000", "#507000")
    with pytest.raises(ValueError, match="did you mean 'protanopia'"):
        simulate("#000000", "protanopie")


@pytest.mark.parametrize("ground", GROUNDS, ids=lambda g: g.name)
def test_text_has_contrast_4_5_and_lines_3(ground):
    for seen in ground.seen_on:
        assert style.contrast(ground.text, seen) >= 4.5
        assert style.contrast(ground.frame, seen) >= 3
        for color in (*ground.colors, *ground.ramp):
            assert style.contrast(color, seen) >= 3, (color, seen)


@pytest.mark.parametrize("ground", GROUNDS, ids=lambda g: g.name)
@pytest.mark.parametrize("kind", ["deuteranopia", "protanopia"])
def test_line_colors_stay_apart_when_a_cone_is_missing(ground, kind):
    for first, second in itertools.combinations(ground.colors, 2):
        assert color_distance(simulate(first, kind), simulate(second, kind)) >= 15


def test_no_two_lines_share_color_and_style():
    looks = [style.line_style("notebook", i, marker=True) for i in range(5)]
    assert len({look["color"] for look in looks}) == 5
    assert len({str(look["linestyle"]) for look in looks}) == 5
    assert len({look["marker"] for look in looks}) == 5


@pytest.mark.parametrize("name", ["notebook", "notebook_dark", "notebook_transparent"])
def test_a_sequence_runs_one_way_and_stays_visible(name):
    levels = [style.luminance(color) for color in style.sequence(name, 8)]
    assert levels == sorted(levels) or levels == sorted(levels, reverse=True)
    for seen in style.as_profile(name).ground.seen_on:
        assert all(style.contrast(color, seen) >= 3 for color in style.sequence(name, 8))


def test_sizes_are_those_that_editors_and_journals_ask_for():
    assert style.PROFILES["video_1080"].pixels == (1920, 1080)
    assert style.PROFILES["video_2160_dark"].pixels == (3840, 2160)
    assert style.PROFILES["vertical_transparent"].pixels == (1080, 1920)
    assert style.PROFILES["article_single"].width_in * 25.4 == pytest.approx(89)
    assert style.PROFILES["article_double"].width_in * 25.4 == pytest.approx(183)
    assert len(style.PROFILES) == 8 * 3


@pytest.mark.parametrize("profile", VIDEO, ids=lambda p: p.name)
def test_video_type_is_at_least_a_36th_of_the_height(profile):
    assert profile.text_pt / 72 * profile.dpi >= profile.pixels[1] / 36
    assert profile.safe >= 0.05 and profile.floor >= 0.05


def test_the_same_profile_on_another_ground_keeps_its_size():
    dark = style.PROFILES["slide"].on("dark")
    assert dark == style.PROFILES["slide_dark"]
    assert dark.on("light") == style.PROFILES["slide"]
    with pytest.raises(ValueError, match="did you mean 'dark'"):
        dark.on("darkk")


@pytest.mark.parametrize(
    ("name", "words"), [("vertcal", "did you mean 'vertical'"), ("", "known: "), (None, "known: ")]
)
def test_an_unknown_profile_is_refused_with_the_nearest(name, words):
    with pytest.raises(ValueError, match=words):
        style.as_profile(name)


def test_the_readers_own_settings_are_neither_changed_nor_used():
    with matplotlib.rc_context({"font.size": 40, "axes.facecolor": "red", "svg.hashsalt": "mine"}):
        before = dict(matplotlib.rcParams)
        first = style.figure_bytes(sample("notebook"), "svg")
        assert dict(matplotlib.rcParams) == before
    assert first == style.figure_bytes(sample("notebook"), "svg")


def test_type_sizes_of_a_figure_are_those_of_its_profile():
    figure = sample("video_1080")
    axes = figure.axes[0]
    assert axes.xaxis.label.get_size() == style.PROFILES["video_1080"].text_pt
    assert {label.get_size() for label in axes.get_xticklabels()} == {style.PROFILES["video_1080"].text_pt}
    assert {label.get_fontfamily()[0] for label in axes.get_xticklabels()} == {"DejaVu Sans"}


def test_titles_stand_only_where_there_is_no_caption():
    assert sample("video_1080").axes[0].get_title(loc="left") == "A line"
    assert sample("article_double").axes[0].get_title(loc="left") == ""


@pytest.mark.parametrize("form", style.FORMATS)
@pytest.mark.parametrize("name", ["article_single", "notebook_dark", "video_1080_transparent"])
def test_files_come_out_byte_for_byte(form, name, tmp_path):
    first = style.save_figure(sample(name), tmp_path / "first", form, alt="A line that falls & falls")
    second = style.save_figure(sample(name), tmp_path / "second", form, alt="A line that falls & falls")
    assert first[0].read_bytes() == second[0].read_bytes()
    assert first[0].name == f"first.{form}"


def test_files_are_the_same_from_another_process(tmp_path):
    code = (
        "from tapecalc.plot import style\n"
        "with style.context('page') as p:\n"
        "    f = style.new_figure(p); a = style.style_axes(f.subplots(), p, x='t'); a.plot([0, 1], [0, 1])\n"
        f"    style.save_figure(f, r'{tmp_path}' + '/out', ('svg', 'pdf', 'png'))\n"
    )
    files = []
    for _ in range(2):
        subprocess.run([sys.executable, "-c", code], check=True)
        files.append({path.name: path.read_bytes() for path in tmp_path.iterdir()})
    assert files[0] == files[1] and len(files[0]) == 3
    assert not re.search(rb"<dc:date>|CreationDate", files[0]["out.svg"] + files[0]["out.pdf"])


def test_png_has_the_size_and_ground_of_its_profile(tmp_path):
    from PIL import Image

    for name, corner in (("slide", (255, 255, 255, 255)), ("slide_transparent", (255, 255, 255, 0))):
        (path,) = style.save_figure(sample(name), tmp_path / name, "png")
        picture = Image.open(path).convert("RGBA")
        assert picture.size == (1920, 1080)
        assert picture.getpixel((0, 0)) == corner


def test_alt_text_travels_with_the_file(tmp_path):
    svg, pdf, png = style.save_figure(sample("page"), tmp_path / "a", style.FORMATS, alt="Falls by 5 dB")
    assert b"<title>Falls by 5 dB</title>" in svg.read_bytes()
    assert b"Falls by 5 dB" in pdf.read_bytes() and b"Falls by 5 dB" in png.read_bytes()


def test_an_unknown_format_leaves_nothing_behind_and_a_bad_folder_is_named(tmp_path):
    with pytest.raises(ValueError, match="format 'pgn' is not known; did you mean 'png'"):
        style.save_figure(sample("page"), tmp_path / "a", ("svg", "pgn"))
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OSError, match="cannot write to "):
        style.save_figure(sample("page"), "/dev/null/a")


def test_a_place_that_cannot_be_written_is_one_clear_line(tmp_path):
    (tmp_path / "a.svg").mkdir()
    with pytest.raises(OSError, match=r"cannot write .*a\.svg: ") as caught:
        style.save_figure(sample("page"), tmp_path / "a", "svg")
    assert "\n" not in str(caught.value)
    assert [path.name for path in tmp_path.iterdir()] == ["a.svg"]


def test_a_settled_figure_does_not_move_when_drawn_again():
    figure = sample("notebook")
    before = figure.axes[0].get_position().bounds
    figure.axes[0].set_ylabel("much\nmore\nroom")
    figure.draw_without_rendering()
    assert figure.axes[0].get_position().bounds == before


@pytest.mark.parametrize(
    ("frequency", "text"),
    [(80, "80 Hz"), (999, "1 kHz"), (4231.0, "4.2 kHz"), (15000, "15 kHz"), (0.456, "0.46 Hz")],
)
def test_frequencies_are_written_as_people_say_them(frequency, text):
    assert style.frequency_text(frequency) == text


def test_frequency_axis_has_words_for_ticks_and_fewer_where_narrow():
    for name, ticks in (("notebook", 10), ("vertical", 3)):
        with style.context(name) as profile:
            axes = style.new_figure(profile).subplots()
            style.frequency_axis(axes, profile, low=20, high=20000)
            axes.figure.draw_without_rendering()
        assert len(axes.get_xticks()) == ticks
        assert "1k" in [label.get_text() for label in axes.get_xticklabels()]
    with pytest.raises(ValueError, match="low must be greater than 0"):
        style.frequency_axis(axes, "notebook", low=0, high=20000)
