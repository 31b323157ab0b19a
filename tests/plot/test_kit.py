"""What figures are made with: labels, descriptions and files."""

import inspect

import numpy as np
import pytest
from figure_texts import SIZES, every_size, text_problems
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import isotonic_regression

from tapecalc.plot import kit, style
from tapecalc.plot.catalog import draw
from tapecalc.plot.transport import delay_map


def test_labels_are_spread_as_little_as_possible_and_inside():
    np.testing.assert_allclose(kit.spread([5, 5, 9], 2, 0, 10), [4, 6, 9])
    np.testing.assert_allclose(kit.spread([0, 0, 0], 2, 0, 10), [0, 2, 4])
    np.testing.assert_allclose(kit.spread([9, 1], 2, 0, 10), [9, 1])
    np.testing.assert_allclose(kit.spread([10, 10], 2, 0, 10), [8, 10])


@given(wanted=arrays(float, st.integers(1, 9), elements=st.floats(0, 10)), height=st.floats(0, 2))
def test_labels_are_moved_as_a_published_method_moves_them(wanted, height):
    order = np.argsort(wanted, kind="stable")
    steps = height * np.arange(wanted.size)
    placed = isotonic_regression(wanted[order] - steps).x + steps
    np.testing.assert_allclose(kit.spread(wanted, height, -100, 100)[order], placed, atol=1e-12)


def test_a_drawn_figure_shows_picture_and_sentence(capsys):
    drawn = draw("delay_map", profile="page")
    data, metadata = drawn._repr_mimebundle_()
    assert data["text/plain"] == repr(drawn) == drawn.caption
    assert metadata["image/png"]["alt"] == drawn.alt
    drawn._ipython_display_()
    shown = capsys.readouterr().out
    assert f"{drawn.caption} Line chart of delay in ms" in shown
    caption, _, words = shown.partition("text/markdown")[2].partition("<details>")
    assert f"*{drawn.caption}*" in caption and "</summary>Line chart of delay in ms" in words


@pytest.mark.parametrize("name", ["delay_map", "reel_time"])
def test_inches_are_spelled_out_in_a_description(name):
    alt = draw(name, profile="page", units="inches").alt
    assert " in inches" in alt and " in in " not in alt


def test_a_drawn_figure_saves_itself_with_its_alt_text(tmp_path):
    drawn = draw("delay_map", profile="article_single")
    paths = drawn.save(tmp_path / "map")
    assert [path.suffix for path in paths] == [".svg", ".png"]
    assert b"Line chart of delay in ms" in paths[0].read_bytes()


def test_a_figure_is_called_without_its_canvas_and_with_the_options_of_all_figures():
    parameters = inspect.signature(delay_map).parameters
    assert list(parameters)[:4] == ["spacings", "speeds", "delays", "between"]
    assert list(parameters)[4:] == ["profile", "units", "symbols_only", "credit", "axes"]


def test_a_curve_is_divided_finely_and_meets_halves_of_its_features():
    x = kit.finely(0, 100, 10)
    assert np.diff(x) == pytest.approx(10 / 200) and np.min(np.abs(x - 45)) < 1e-9
    assert x[-1] == pytest.approx(100)
    assert kit.finely(1, 2, 50).size == 201  # what is wider than the picture


@pytest.mark.parametrize("size", every_size(*SIZES))
def test_a_head_stands_where_the_layout_has_it_and_leaves_the_rest(size):
    with style.context(size) as profile:
        axes = style.new_figure(profile).add_subplot()
        canvas = kit.Canvas(axes, profile)
        means = "from the first head, at the slower of two speeds"
        canvas.head("Half the speed, twice the delay", "41.5 mm", answer="436 ms", means=means)
        canvas.style_axes(x=("distance", "$d$", "mm"), y=("delay", "$T$", "ms"))
        drawn = style.fix_layout(canvas.figure)
    assert text_problems(drawn, size) == []
    shown = {text.get_gid(): text for text in drawn.texts}
    assert ("title" in shown) == (profile.layout != "number") and drawn.get_label().startswith("Half")
    box, number = axes.get_window_extent(), shown["number"].get_window_extent()
    assert shown["number"].get_size() == pytest.approx(profile.title_pt)
    if profile.layout == "third":
        assert number.x0 > box.x1 and 0.55 < box.x1 / drawn.bbox.width < 0.7
    else:
        assert number.y0 > box.y1 if profile.layout in ("strip", "number") else number.y1 < box.y0


def test_without_words_the_number_stays():
    with style.context("notebook") as profile:
        canvas = kit.Canvas(style.new_figure(profile).add_subplot(), profile, symbols_only=True)
        canvas.head("Half the speed", "41.5 mm", answer="436 ms", means="at the slower speed")
    assert [text.get_text() for text in canvas.figure.texts if text.get_text()] == ["436 ms"]


@pytest.mark.parametrize("name", ["delay_map", "machine_chain", "reel_time", "tempo_map"])
def test_a_slower_speed_has_the_same_heavier_line_in_every_figure(name):
    thick = style.PROFILES["notebook"].line_pt * np.array(kit.WEIGHTS)
    artists = draw(name).artists
    lines = artists.get("lines") or artists.get("packs") or artists.get("delays")
    if name == "machine_chain":
        lines = [artists["19.05 cm/s"], artists["9.525 cm/s"]]
    assert [line.get_linewidth() for line in lines] == pytest.approx(thick)


def test_a_number_is_not_torn_from_its_unit():
    drawn = draw("repeats_response", profile="slide")
    means = next(text.get_text() for text in drawn.figure.texts if text.get_gid() == "means")
    assert means.count("\n") == 1 and "3 dB" in means.replace("\n", "|")


def test_of_several_notes_that_are_one_the_first_that_fits_stays():
    with style.context("notebook") as profile:
        canvas = kit.Canvas(style.new_figure(profile).add_subplot(), profile)
        canvas.axes.set(xlim=(0, 10), ylim=(0, 10))
        first, left, right = (
            canvas.note((5, 5), text, side)
            for text, side in (("first", "right"), ("second", "left"), ("second", "right"))
        )
        far = canvas.note((8, 8), "over a dot", "right")
        canvas.fewer([[first], [right, left], far], off=[(8.5, 8)])
    assert [note.axes is not None for note in (first, right, left, far)] == [True, False, True, False]
