"""The playable tape as a page: one script that its policy names, safe whatever a name holds, and small."""

import base64
import hashlib
import json
import re

import pytest
from machines import MACHINES
from page_outline import Outline
from programs import program

from tapecalc.live import pages
from tapecalc.live.facts import playable_facts
from tapecalc.live.modules import joined
from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.plan_text import CAUTIONS, headlines
from tapecalc.report.try_page import try_page, write_try_page

LARGEST_PAGE = 1_500_000  # bytes: it is sent by mail
#: What would end the script or the line of it, and what a template or a formula would take for its own.
HOSTILE = "</script><script>alert(1)</script><!--<script> {{ 7 * 7 }} \\' \"`${1}"
DECK = example_machine()
safe_page = program("safe_page")


def page_of(name="Bench deck"):
    return try_page(make_plan(with_changes(DECK, {"name": name})))


@pytest.fixture(scope="module")
def page():
    return page_of()


def script_of(page):
    """The text of the only script of a page."""
    (script,) = re.findall(r"<script\b[^>]*>(.*?)</script", page, re.S)
    return script


def constant(script, name):
    """The value of a constant at the script's beginning."""
    return json.loads(re.search(rf"(?m)^const {name} = (.*);$", script)[1])


def test_the_script_knows_the_machine_the_sound_and_the_phrase(page):
    script = script_of(page)
    facts = constant(script, "FACTS")
    assert facts.pop("plan") == list(headlines(make_plan(DECK)))
    there = json.loads(json.dumps(playable_facts(DECK)))
    assert there.pop("plan") == [] and facts == there
    assert constant(script, "WORKLET_SOURCE") == joined("worklet")
    assert constant(script, "PHRASE").startswith("data:audio/mpeg;base64,")
    assert joined("page") in script


def test_the_policy_names_the_script_and_lets_nothing_in_from_elsewhere(page):
    outline = Outline(page)
    (policy,) = (meta["content"] for meta in outline.all("meta") if "http-equiv" in meta)
    digest = base64.b64encode(hashlib.sha256(script_of(page).encode()).digest()).decode()
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == f"'sha256-{digest}' data:"
    assert "http" not in policy and "unsafe-eval" not in policy and "*" not in policy
    assert {rule: sources for rule, sources in rules.items() if "unsafe" in sources} == {
        "style-src": "'unsafe-inline'"
    }
    assert page.index("http-equiv") < min(page.index(tag) for tag in ("<style", "<script", "<img", "<title"))
    assert {address.split(":")[0] for address in outline.addresses if address[0] != "#"} == {"data"}
    assert len(outline.all("script")) == 1 and outline.open == []
    assert safe_page.harm_in(page) == []


def test_a_hostile_name_stays_a_name():
    page = page_of(HOSTILE)  # a machine's name has no line ends of any kind, see below
    assert len(re.findall("<script", page)) == 1 and len(re.findall("</script", page)) == 1
    assert "<!--" not in page
    assert constant(script_of(page), "FACTS")["name"] == HOSTILE
    assert "49" not in Outline(page).title
    assert safe_page.harm_in(page) == []


def test_what_a_script_would_take_for_the_end_of_a_line_or_of_itself_is_written_otherwise():
    text = pages.in_script(["a\u2028b\u2029c\n\r</SCRIPT><!--", {"\u2028": 1.5}])
    assert text.isprintable() and text.isascii() and "<" not in text
    assert json.loads(text) == ["a\u2028b\u2029c\n\r</SCRIPT><!--", {"\u2028": 1.5}]


@pytest.mark.parametrize("module", ["page", "worklet", "widget"])
def test_no_module_could_end_its_script(module):
    assert not re.search(r"</script|<!--|<script", joined(module), re.IGNORECASE)


@pytest.mark.parametrize("name", ["bench deck", *MACHINES])
def test_a_page_is_small_and_the_same_each_time(name):
    plan = make_plan(machine_from_text(MACHINES[name]) if name in MACHINES else DECK)
    page = try_page(plan)
    assert len(page.encode()) < LARGEST_PAGE
    assert try_page(plan) == page


def test_plan_and_cautions_are_folded_below_and_picture_and_sentence_stand_without_scripts(page):
    outline = Outline(page)
    text = " ".join(outline.text.split())
    assert "answers after 218 ms at 7.5" in text and "its playback head 41.5" in text
    (picture,) = outline.all("img")
    assert len(picture["alt"]) > 40 and picture["src"].startswith("data:image/svg+xml;base64,")
    folds = outline.all("details")
    assert len(folds) >= 2 and not any("open" in fold for fold in folds)
    assert "are heard down to" in text  # from the plan's headlines
    assert all(" ".join(line.split()[:5]) in text for line in CAUTIONS)


def test_the_sentence_counts_heads_in_the_plural():
    three = pages.sentence(machine_from_text(MACHINES["three_heads"]))
    assert "100, 200 and 400 ms" in three and "its playback heads 40, 80 and 160 mm" in three
    assert "each head can be dragged" in three


def test_the_file_is_replaced_in_one_step_and_named(tmp_path, page):
    path = tmp_path / "try.html"
    path.write_text("old")
    assert write_try_page(make_plan(DECK), path) == path
    assert path.read_text(encoding="utf-8") == page
    assert [entry.name for entry in tmp_path.iterdir()] == ["try.html"]


def test_a_number_that_no_json_has_is_refused():
    with pytest.raises(ValueError, match="JSON"):
        pages.in_script({"spacing_mm": float("nan")})
