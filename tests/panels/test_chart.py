"""Charts as shapes: where data comes to lie, what is cut off, and words that touch nothing."""

import re

import pytest
import scripts

from tapecalc.plot.templates import typeset

SIDES = "{x: {name: 'time (s)', low: 0, high: 10}, y: {name: 'level (dB)', low: -40, high: 0}}"


def drawn(script, *, width=800, height=400):
    """The shapes that a script draws into the axes of a picture, and the frame."""
    start = f"const picture = new Picture({{width: {width}, height: {height}}});"
    start += f"const axes = picture.axes({SIDES}), before = picture.shapes.length;"
    return scripts.run("chart", f"{start} {script}; return [axes.frame, picture.shapes.slice(before)];")


def points(shape):
    """The points of a path."""
    return [tuple(map(float, pair)) for pair in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", shape["given"]["d"])]


def test_the_middle_of_both_sides_is_the_middle_of_the_frame():
    frame, (line,) = drawn("axes.line([0, 5, 10], [-40, -20, 0], 'echo')")
    first, middle, last = points(line)
    assert first == pytest.approx((frame["x"], frame["foot"]), abs=0.06)
    assert last == pytest.approx((frame["right"], frame["y"]), abs=0.06)
    assert middle == pytest.approx([(a + b) / 2 for a, b in zip(first, last, strict=True)], abs=0.06)


def test_a_line_ends_at_the_frame_where_it_leaves_it_and_goes_on_where_it_comes_back():
    # From (0, -20) up to (5, 20): it leaves at half the way, x = 2.5; and comes back at x = 7.5.
    frame, (line,) = drawn("axes.line([0, 5, 10], [-20, 20, -20], 'echo')")
    width = frame["right"] - frame["x"]
    xs = [(x - frame["x"]) / width for x, _ in points(line)]
    assert xs == pytest.approx([0, 0.25, 0.75, 1], abs=1e-3)
    assert line["given"]["d"].count("M") == 2
    assert all(frame["y"] - 0.06 <= y <= frame["foot"] + 0.06 for _, y in points(line))


def test_a_number_that_is_none_breaks_the_line():
    _, (line,) = drawn("axes.line([0, 1, NaN, 3, 4], [-20, -20, -20, -Infinity, -20], 'echo')")
    assert len(points(line)) == 2  # a single point behind the break is no line


def test_marks_outside_are_left_out_and_strokes_held_within():
    frame, (marks, strokes) = drawn(
        "axes.marks([1, 11, 2], [-10, -10, 5], 'dot', 'echo'); axes.strokes([1], -100, [100], 'echo')"
    )
    assert marks["given"]["d"].count("M") == 1
    ends = [float(n) for n in re.findall(r"M[-\d.]+ ([-\d.]+)V([-\d.]+)", strokes["given"]["d"])[0]]
    assert ends == pytest.approx([frame["foot"], frame["y"]], abs=0.06)


def test_names_at_the_ends_of_lines_are_apart_and_in_the_frame():
    frame, names = drawn(
        "axes.ends([[-1, 'a'], [-1.5, 'b'], [0, 'c'], [-40, 'd'], [-39.9, 'e']]"
        ".map(([y, words]) => ({y, words, look: 'echo'})))"
    )
    heights = sorted((one["given"]["y"], one["words"]) for one in names)
    assert [words for _, words in heights] == ["c", "a", "b", "e", "d"]
    assert all(b - a >= 14 for (a, _), (b, _) in zip(heights, heights[1:], strict=False))
    assert heights[0][0] >= frame["y"] and heights[-1][0] <= frame["foot"] + 6


@pytest.mark.parametrize(("x", "place"), [(0, "left"), (10, "right"), (0, "above"), (10, "below")])
def test_words_at_a_point_stay_in_the_frame(x, place):
    frame, (words,) = drawn(f"axes.label({x}, 0, 'some words', 'echo', '{place}')")
    width = 10 * 14 * 0.56
    start = (
        words["given"]["x"] - {"start": 0, "middle": width / 2, "end": width}[words["given"]["text-anchor"]]
    )
    assert frame["x"] - 0.1 <= start and start + width <= frame["right"] + 0.1
    assert frame["y"] + 13 <= words["given"]["y"] <= frame["foot"]


def test_ticks_are_round_and_within():
    found = scripts.run(
        "chart", "return [evenTicks(0, 1100), evenTicks(-40, 2), evenTicks(0, 1, 5), decadeTicks(20, 2e4)]"
    )
    assert found == [
        [0, 200, 400, 600, 800, 1000],
        [-40, -30, -20, -10, 0],
        [0, 0.2, 0.4, 0.6, 0.8, 1],
        [100, 1000, 10000],
    ]


def test_charts_side_by_side_stand_below_each_other_where_it_is_narrow():
    script = f"""return [800, 340].map((width) => {{ const picture = new Picture({{width, height: 400}});
        picture.beside([3, 2], [{SIDES}, {SIDES}]); return picture.frames; }});"""
    (left, right), (upper, lower) = scripts.run("chart", script)
    assert left["right"] < right["x"] and left["y"] == right["y"]
    assert upper["foot"] < lower["y"] and upper["x"] == lower["x"]


def test_charts_below_each_other_have_one_left_edge():
    script = """const picture = new Picture({width: 800, height: 400});
      const x = {low: 0, high: 10}, ys = [{low: 0, high: 1, ticks: [0, 1], words: ["as it is", "no"]}, x];
      const both = (way) => picture[way]([1, 1], ys.map((y) => ({x, y}))).map((one) => one.frame);
      return [both("below"), both("beside")];
    """
    (above, below), (left, right) = scripts.run("chart", script)
    assert above["x"] == below["x"] and above["foot"] < below["y"]
    assert (
        right["x"] - 407 < left["x"]
    )  # beside each other each has only its own words: 407 is the second's start


def test_a_text_in_a_file_is_text_and_never_markup():
    script = f"""const picture = new Picture({{width: 300, height: 200}}); const axes = picture.axes({SIDES});
        axes.label(5, -20, '<b> & "c"', 'echo');
        return svgText(picture, {{title: '<x>', alt: '&', style: ''}});"""
    text = scripts.run("chart", script)
    assert (
        "&lt;b&gt; &amp; &quot;c&quot;" in text and "<title>&lt;x&gt;</title>" in text and "<b>" not in text
    )


def test_words_are_set_in_type_as_pages_set_them():
    given = [
        "-6 dB +/- 1 dB, 2 heads",
        "218 ms +/- 7 ms",
        "a -b 3-4 (-5 %)",
        "+/-0.3 %",
        "7.5 ips (19.05 cm/s)",
        "10 kHz, 5 µm",
    ]
    assert scripts.run("panel", "return given.map(setInType);", given) == [typeset(text) for text in given]


# ---- controls ----


CONTROLS = """const even = slider("spacing_mm", "spacing", 41.5, {low: 10, high: 100, step: 0.5, unit: "mm"});
const log = slider("speed_ips", "speed", 7.5, {low: 3.75, high: 15, step: SEMITONE, unit: "ips", log: true});
const bumps = choice("bumps", "bumps", ["none", "likely"], "none"), on = check("on", "on", false);
const all = [even, log, bumps, on];"""


def test_a_slider_goes_in_its_steps_from_end_to_end_and_through_where_it_begins():
    values = (
        "[stepsOf(one), valueAt(one, 0), valueAt(one, placeOf(one, one.value)), valueAt(one, stepsOf(one))]"
    )
    found = scripts.run("control", f"{CONTROLS} return [even, log].map((one) => {values});")
    assert found[0] == [180, 10, 41.5, 100]
    assert found[1] == pytest.approx([24, 3.75, 7.5, 15])


def test_a_value_is_read_with_its_unit():
    found = scripts.run(
        "control",
        f"{CONTROLS} return [valueText(even, 40), valueText(log, 7.9459), valueText(bumps, 'none')]",
    )
    assert found == ["40.0 mm", "7.95 ips", "none"]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("{spacing: 4}", "a panel must have the control spacing, it has spacing_mm, speed_ips, bumps, on"),
        ("{spacing_mm: 400}", "spacing_mm must be from 10 to 100, got 400"),
        ("{spacing_mm: NaN}", "spacing_mm must be from 10 to 100, got NaN"),
        ("{bumps: 'some'}", "bumps must be one of none, likely, got some"),
        ("{on: 1}", "on must be true or false, got 1"),
    ],
)
def test_a_value_that_a_control_does_not_take_is_refused_in_a_sentence(given, said):
    script = f"{CONTROLS} try {{ checkedValues(all, {given}); }} catch (error) {{ return error.message; }}"
    assert scripts.run("control", script) == said
    kept = scripts.run("control", f"{CONTROLS} return checkedValues(all, {{spacing_mm: 50}});")
    assert kept == {"spacing_mm": 50, "speed_ips": 7.5, "bumps": "none", "on": False}


@pytest.mark.parametrize(
    "made",
    [
        "slider('a', 'a', 5, {low: 6, high: 7, step: 1})",
        "slider('a', 'a', 5, {low: 5, high: 5, step: 1})",
        "slider('a', 'a', 5, {low: 0, high: 7, step: 1, log: true})",
        "choice('a', 'a', ['b'], 'c')",
    ],
)
def test_a_control_that_cannot_stand_where_it_begins_is_refused(made):
    script = f"try {{ {made}; }} catch (error) {{ return error.message; }} return 'made';"
    assert scripts.run("control", script).startswith("a must ")


def test_a_setting_goes_into_an_address_and_comes_back():
    script = f"""{CONTROLS} const panel = {{name: "a_panel", controls: all}};
        const values = {{spacing_mm: 57.5, speed_ips: 3.75, bumps: "likely", on: true}};
        return [addressOf(panel, values), valuesFromAddress(panel, addressOf(panel, values)),
            valuesFromAddress(panel, "another:on=true"), valuesFromAddress(panel, "")];"""
    address, back, other, none = scripts.run("panel", script)
    assert address == "a_panel:spacing_mm=57.5,speed_ips=3.75,bumps=likely,on=true"
    assert back == {"spacing_mm": 57.5, "speed_ips": 3.75, "bumps": "likely", "on": True}
    assert other is None and none is None
