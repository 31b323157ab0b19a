"""Every figure as a proofreader sees it, in each size, for machines of all kinds."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from figure_proof import (
    few_samples,
    markers_outside,
    problems,
    run_together,
    strange_colors,
    texts_over_lines,
)
from figure_texts import every_size, text_problems
from machines import MACHINES

from tapecalc.machine import machine_from_text
from tapecalc.plot import kit, style
from tapecalc.plot.catalog import CATALOG, draw


def _heads(speeds, spacings, more=""):
    heads = "".join(f"[[playback_heads]]\nspacing_mm = {spacing}\n" for spacing in spacings)
    return f"[transport]\nspeeds_ips = {speeds}\n{heads}{more}"


#: Machines that break pictures.
ODD = {
    "one_head": MACHINES["one_head"],
    "six close heads": _heads([7.5, 3.75], range(22, 46, 4), "[mixer]\nreturn_send_db = -20\n"),
    "30 ips": _heads([30, 15], [12, 14]),
    "1.875 ips and 25 s": _heads([1.875], [1190], "[song]\nbpm = 60\n"),
    "closed_loop": MACHINES["closed_loop"],
    "too loud": MACHINES["measured"].replace("instrument_dbu = -10", "instrument_dbu = 6"),
    "runs away": MACHINES["measured"].replace("return_send_db = -6", "return_send_db = 3"),
    "eight heads": _heads([15, 7.5], range(25, 166, 20), "[mixer]\nreturn_send_db = -22\n[song]\nbpm = 96\n"),
}
#: Each figure with one of them a day, with all of them each week.
TODAY = set(zip(CATALOG, itertools.cycle(ODD), strict=False))
PAIRS = [
    pair if pair in TODAY else pytest.param(*pair, marks=pytest.mark.weekly)
    for pair in itertools.product(CATALOG, ODD)
]


@pytest.mark.parametrize("size", every_size("notebook", "vertical"))
@pytest.mark.parametrize("name", CATALOG)
def test_figures_of_the_example_stand_the_proof(name, size):
    assert problems(draw(name, profile=size), size) == []


@pytest.mark.weekly
@pytest.mark.parametrize("ground", ["dark", "transparent"])
@pytest.mark.parametrize("name", CATALOG)
def test_other_grounds_have_no_other_colors(name, ground):
    profile = style.PROFILES["video_1080"].on(ground)
    assert strange_colors(draw(name, profile=profile).figure, profile) == []


@pytest.mark.parametrize(("name", "kind"), PAIRS)
def test_figures_of_odd_machines_stand_it_too(name, kind):
    machine = machine_from_text(ODD[kind])
    if not CATALOG[name].suits(machine):
        pytest.skip(f"{name} needs {CATALOG[name].needs}")
    for size in ("notebook", "vertical"):
        assert problems(draw(name, machine, profile=size), size) == []


@pytest.mark.parametrize("spacing", [80, 100, 150, 300, 700])
def test_numbers_along_the_tape_stand_apart(spacing):
    machine = machine_from_text(_heads([7.5], [spacing]))
    for size in (style.PROFILES["notebook"], replace(style.PROFILES["page"], width_in=6.3, text_pt=10.5)):
        figure = draw("tape_path", machine, profile=size).figure
        assert text_problems(figure, size) + run_together(figure) == []


# ---- that the proof sees what it is for ----


def drawn(draws):
    with style.context("notebook") as profile:
        canvas = kit.Canvas(style.new_figure(profile).add_subplot(), profile)
        canvas.head("A line falls", "a test", answer="3 dB", means="how far")
        draws(canvas)
        canvas.style_axes(x=("time", "$t$", "s"), y=("level", "$L$", "dB"))
        return kit.Drawn(style.fix_layout(canvas.figure), {}, "", "", ())


def plain(canvas):
    canvas.axes.plot([0, 1], [0, 3], **canvas.line_look("echo"))


def test_a_plain_figure_has_no_problem():
    assert problems(drawn(plain), "notebook") == []


@pytest.mark.parametrize(("gap", "found"), [(0.2, [("200", "300 ms")]), (0.6, [])])
def test_texts_that_run_together_are_seen(gap, found):
    figure = style.new_figure("notebook")
    figure.text(0.1, 0.5, "200", ha="right", fontsize=10)
    figure.text(0.1 + gap * 10 * figure.dpi / 72 / figure.bbox.width, 0.5, "300 ms", ha="left", fontsize=10)
    assert run_together(figure) == found


def test_text_over_a_line_is_seen_and_a_plate_helps():
    def crossed(canvas, **look):
        plain(canvas)
        canvas.axes.text(0.5, 1.5, "over the line", ha="center", va="center", **look)

    assert texts_over_lines(drawn(crossed).figure) == ["over the line"]
    plated = drawn(lambda canvas: crossed(canvas, bbox={"facecolor": "#FFFFFF", "edgecolor": "none"}))
    assert texts_over_lines(plated.figure) == []


def test_a_marker_off_the_axis_is_seen():
    def off(canvas):
        plain(canvas)
        canvas.axes.plot([2], [1], **canvas.dots())
        canvas.axes.set_xlim(0, 1)

    assert len(markers_outside(drawn(off).figure)) == 1


def test_too_few_samples_are_seen():
    def comb(canvas, count):
        x = np.linspace(0, 1, count)
        canvas.axes.plot(x, np.abs(np.sin(20 * np.pi * x)), **canvas.line_look("echo"))

    assert len(few_samples(drawn(lambda canvas: comb(canvas, 150)).figure)) == 1
    assert few_samples(drawn(lambda canvas: comb(canvas, 500)).figure) == []


def test_a_color_of_no_role_a_legend_and_a_long_title_are_seen():
    def strange(canvas):
        canvas.head("A title that has many more than eight words in it")
        canvas.axes.plot([0, 1], [0, 1], color="#123456", label="one")
        canvas.axes.legend()

    found = problems(drawn(strange), "notebook")
    assert any("#123456" in one for one in found) and "a legend" in found
    assert any(one.startswith("title") for one in found)
