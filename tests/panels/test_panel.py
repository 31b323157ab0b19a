"""Every panel in Python: where its controls stand, what it refuses, and what is seen without a kernel."""

import math
import re
import xml.etree.ElementTree as ET
from html import escape

import pytest
import scripts
from programs import program

from tapecalc.course.panels import every_panel
from tapecalc.panels.panel import TAKEN_AS, kit, told
from tapecalc.plot import style
from tapecalc.plot.templates import typeset

PANELS = {panel.function: panel for panel in every_panel()}
NAMES = sorted(PANELS)
VIEW = "application/vnd.jupyter.widget-view+json"
stills = program("stills")

#: Sentence, rows and shapes of a panel at its first setting and with each control at each of its ends.
AT_THE_ENDS = """
const panel = make(given.facts), first = firstValues(panel.controls), found = [];
const ends = panel.controls.flatMap(({ name, options, value, low, high }) => (
  options ?? (typeof value === "boolean" ? [false, true] : [low, high])).map((end) => ({ [name]: end })));
for (const moved of [{}, ...ends]) {
  for (const size of [{ width: 800, height: 460 }, { width: 340, height: 420 }]) {
    const values = { ...first, ...moved }, { sentence, rows } = panel.reckon(values);
    const { shapes, frames } = pictureOf(panel, values, size);
    found.push({ moved, size, sentence, rows, shapes, frames });
  }
}
return found;
"""


@pytest.fixture(scope="module")
def at_the_ends():
    """What every panel says and draws at the ends of its controls."""
    return {
        name: scripts.run(
            f"panel {panel.module}",
            f"return ((make) => {{ {AT_THE_ENDS} }})({name});",
            {"facts": panel.facts},
        )
        for name, panel in PANELS.items()
    }


def test_the_lessons_have_their_panels():
    assert len(PANELS) == 21 and set(told()) == set(PANELS)
    assert len({panel.name for panel in PANELS.values()}) == len(PANELS)


def test_what_is_seen_without_scripts_is_what_the_scripts_draw():
    drawn = stills.stills()
    kept = {path.name: path.read_text(encoding="utf-8") for path in stills.FOLDER.iterdir()}
    assert sorted(kept) == sorted(drawn)
    assert [name for name in drawn if kept[name] != drawn[name]] == []


@pytest.mark.parametrize("name", NAMES)
def test_a_panel_asks_tells_and_describes(name):
    said = told()[name]
    assert said["question"].endswith("?") and len(said["alt"]) > 40
    assert 2 <= len(said["controls"]) <= 5
    assert re.fullmatch(r"[a-z0-9_]+", said["name"])
    for text in (said["question"], said["legend"], said["alt"], said["sentence"]):
        assert text[-1] in ".?" and "undefined" not in text and "NaN" not in text
    for control in said["controls"]:
        assert f"({control['unit']})" not in control["label"]


@pytest.mark.parametrize("name", NAMES)
def test_a_picture_without_scripts_has_its_words(name):
    panel = PANELS[name]
    shown, metadata = panel._repr_mimebundle_()
    assert set(shown) == {"text/html", "text/plain", VIEW} and metadata == {}
    text, said = shown["text/html"], told()[name]
    assert f'data-panel="{name}"' in text and text.count("<img") == 1
    for words in (said["question"], said["sentence"], said["legend"]):
        assert escape(typeset(words), quote=False) in text.replace("&#39;", "'").replace("&#34;", '"')
    assert shown["text/plain"] == f"{said['question']}\n{said['sentence']}\n{said['legend']}"
    svg = (stills.FOLDER / f"{panel.name}.svg").read_text(encoding="utf-8")
    picture = ET.fromstring(svg)
    assert {"width": "800", "height": "460", "role": "img"}.items() <= picture.attrib.items()
    assert picture[0].text == said["question"] and said["sentence"] in picture[1].text
    assert len(svg) < 40_000


@pytest.mark.parametrize("name", NAMES)
def test_values_are_those_of_the_controls_and_others_are_refused(name):
    panel = next(one for one in every_panel() if one.function == name)
    for control in told()[name]["controls"]:
        before = dict(panel.values)
        for wrong in (None, "nonsense", math.nan, [1]):
            with pytest.raises(ValueError, match=control["name"]):
                panel.values = {control["name"]: wrong}
        ends = control["options"] or (
            [False, True] if isinstance(control["value"], bool) else [control["low"], control["high"]]
        )
        for end in ends:
            panel.values = {control["name"]: end}
            assert panel.values == {**panel.first, control["name"]: end}
        if not isinstance(control["value"], bool | str):
            for wrong in (control["low"] - 1e-6, control["high"] + 1e-6, True):
                with pytest.raises(ValueError, match=control["name"]):
                    panel.values = {control["name"]: wrong}
        panel.values = before
    with pytest.raises(ValueError, match="^control 'nonsense' is not known; known: "):
        panel.values = {"nonsense": 1}


@pytest.mark.parametrize("name", NAMES)
def test_every_number_is_one_wherever_the_controls_stand(name, at_the_ends):
    for state in at_the_ends[name]:
        words = " ".join([state["sentence"], *(part for row in state["rows"] for part in row)])
        assert not re.search(
            r"NaN|Infinity|undefined|(?<!first )null|\[object|-0(?:\.0+)?(?![\d.])", words
        ), (state["moved"], words)
        assert state["sentence"].endswith(".") and len(state["rows"]) == len(dict(map(tuple, state["rows"])))
        for shape in state["shapes"]:
            assert not re.search("NaN|Infinity|undefined", str(shape["given"])), (state["moved"], shape)


@pytest.mark.parametrize("name", NAMES)
def test_words_of_a_picture_stay_in_it_and_touch_no_others(name, at_the_ends):
    for state in at_the_ends[name]:
        boxes = [box_of(shape) for shape in state["shapes"] if shape["tag"] == "text"]
        size = state["size"]
        for left, top, right, foot, words in boxes:
            assert left >= -1 and top >= -1, (state["moved"], size, words)
            assert right <= size["width"] + 1 and foot <= size["height"] + 1, (state["moved"], size, words)
        for k, one in enumerate(boxes):
            for other in boxes[k + 1 :]:
                apart = one[0] >= other[2] or other[0] >= one[2] or one[1] >= other[3] or other[1] >= one[3]
                assert apart, (state["moved"], size, one[4], other[4])


def box_of(shape):
    """Where words stand: the middle of their letters, of average width."""
    given, words = shape["given"], shape["words"]
    width, size = 0.5 * 14 * len(words), 14
    left = given["x"] - {"start": 0, "middle": width / 2, "end": width}[given["text-anchor"]]
    return left, given["y"] - 0.75 * size, left + width, given["y"] + 0.1 * size, words


def test_pictures_are_taken_along_in_the_sizes_of_the_figures():
    sizes = kit()["sizes"]
    assert list(sizes) == list(TAKEN_AS)
    video = sizes["video_1080"]
    assert round(video["width"] * video["scale"]) == 1920 and round(video["height"] * video["scale"]) == 1080
    assert video["text"] * video["scale"] == pytest.approx(25 * 120 / 72, rel=1e-3)
    assert sizes["article_single"]["width"] == pytest.approx(89 / 25.4 * 96, abs=0.01)
    assert style.GROUNDS["light"].echo in kit()["style"] and style.GROUNDS["dark"].echo not in kit()["style"]
