"""Profiles, colors and files of figures."""

import base64
import io
import itertools
import re
import subprocess
import sys
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pikepdf
import pytest
from color_vision import color_distance, simulate
from fontTools.ttLib import TTFont
from PIL import Image

from tapecalc.plot import style

GROUNDS = list(style.GROUNDS.values())
VIDEO = [p for p in style.PROFILES.values() if p.name.startswith(("video", "vertical"))]


def lightness(color):
    """L* of a color. Source: CIE 1976, from the luminance."""
    shown = style.luminance(color)
    return 116 * shown ** (1 / 3) - 16 if shown > 216 / 24389 else shown * 24389 / 27


def sample(profile, legend=True):
    with style.context(profile) as profile:
        figure = style.new_figure(profile)
        axes = style.style_axes(figure.subplots(), profile, x="time (s)", y="level (dB)", title="A line")
        axes.plot([0, 1, 2], [0, -3, -5], label="$T$ = 2", **style.line_look(profile, "echo", marker="s"))
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
        for color in (ground.text, ground.frame, *map(ground.role, style.ROLES)):
            wanted = 3 if color == ground.context else 4.5  # which is never text
            assert style.contrast(color, seen) >= wanted, (color, seen)
        for color in ground.ramp:
            assert style.contrast(color, seen) >= 3, (color, seen)


@pytest.mark.parametrize("ground", GROUNDS, ids=lambda g: g.name)
def test_roles_stay_apart_in_gray_and_when_a_cone_is_missing(ground):
    colors = [ground.role(name) for name in ("dry", "echo", "tape", "limit")]
    for first, second in itertools.combinations(colors, 2):
        assert abs(lightness(first) - lightness(second)) >= 14, (first, second)
        for kind in ("deuteranopia", "protanopia"):
            assert color_distance(simulate(first, kind), simulate(second, kind)) >= 14


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
    assert {label.get_fontfamily()[0] for label in axes.get_xticklabels()} == {"Open Sans"}


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
    for name, corner in (("slide", (255, 255, 255, 255)), ("slide_transparent", (255, 255, 255, 230))):
        (path,) = style.save_figure(sample(name), tmp_path / name, "png")
        picture = Image.open(path).convert("RGBA")
        assert picture.size == (1920, 1080)
        assert picture.getpixel((0, 0)) == corner


def test_title_description_author_and_license_travel_with_the_file(tmp_path):
    words = {"title": "It falls", "alt": "Falls by 5 dB & stays"}
    svg, pdf, png = style.save_figure(sample("page"), tmp_path / "a", style.FORMATS, **words)
    drawing = ElementTree.fromstring(svg.read_bytes())
    names = {"s": "http://www.w3.org/2000/svg", "dc": "http://purl.org/dc/elements/1.1/"}
    assert drawing.get("role") == "img" and drawing.findtext("s:title", namespaces=names) == "It falls"
    assert drawing.findtext("s:desc", namespaces=names) == "Falls by 5 dB & stays"
    assert drawing.find(".//dc:rights", names) is not None
    for path in (svg, pdf, png):
        assert style.CREATOR.encode() in path.read_bytes()
    with pikepdf.open(pdf) as document:
        element = document.Root.StructTreeRoot.K[0]
        assert (element.S, str(element.Alt)) == ("/Figure", words["alt"])
        assert str(document.Root.Lang) == "en" and bool(document.Root.MarkInfo.Marked)
        assert document.open_metadata()["dc:title"] == "It falls"
    with Image.open(png) as picture:
        assert picture.info["Description"] == words["alt"] and picture.info["Copyright"] == style.LICENSE


def test_an_svg_keeps_its_text_and_brings_its_letters():
    svg = style.figure_bytes(sample("page"), "svg").decode()
    assert "level (dB)</text>" in svg and svg.count("@font-face") == 2  # one is of the symbols
    bare = style.figure_bytes(sample("page"), "svg", with_type=False).decode()
    assert "@font-face" not in bare and len(bare) < len(svg) < 40_000
    data = re.search("font-style:normal;src:[^)]*base64,([^)]+)", svg)[1]
    with TTFont(io.BytesIO(base64.b64decode(data))) as font:
        assert {ord(c) for c in "level(dB)"} <= set(font.getBestCmap()) and ord("Q") not in font.getBestCmap()


def test_digits_of_the_type_are_equally_wide():
    for face in style.FACES:
        with TTFont(style.type_file(face)) as font:
            letters = font.getBestCmap()
            assert len({font["hmtx"][letters[ord(digit)]][0] for digit in "0123456789"}) == 1
            assert {ord(c) for c in "\u2212\u00d7\u00b7\u00b5\u03bb\u0394\u03b1\u03a3\u00e9"} <= set(letters)


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
