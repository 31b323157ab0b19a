"""The plan as a page: whole, safe, and readable without pictures or sound."""

import base64
import re
from html.parser import HTMLParser

import pytest
import soundfile

from tapecalc.machine import example_machine, machine_from_options, with_changes
from tapecalc.plan import make_plan
from tapecalc.plot.catalog import CATALOG
from tapecalc.report.plan_page import PICTURES, plan_figures, plan_page, plan_preview, write_plan
from tapecalc.report.plan_text import CAUTIONS, tables


class Outline(HTMLParser):
    """What a page holds: tags with their attributes, and its text."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.text, self.open = [], "", []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in ("meta", "img", "source", "br", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"{tag} closed out of order"

    def handle_data(self, data):
        self.text += data

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan")
    return folder, write_plan(make_plan(example_machine()), folder)


@pytest.fixture(scope="module")
def page(written):
    return (written[0] / "plan.html").read_text()


def test_every_tag_is_closed_and_there_is_one_main_heading(page):
    outline = Outline(page)
    assert outline.open == []
    assert len(outline.all("h1")) == 1
    assert outline.all("html") == [{"lang": "en"}]


def test_all_tables_and_cautions_stand_on_the_page(page):
    text = Outline(page).text
    for table in tables(make_plan(example_machine())):
        assert table.title in text
        assert f'id="{table.key}"' in page
    assert all(caution in text for caution in CAUTIONS)
    assert "218 ms ± 3 ms" in text


def test_nothing_is_loaded_from_elsewhere(page):
    outline = Outline(page)
    assert "default-src 'none'" in page
    assert outline.all("script") == [] and outline.all("link") == []
    assert [a for _, a in outline.tags if any(name.startswith("on") for name in a)] == []
    addresses = [a.get(name, "") for _, a in outline.tags for name in ("src", "srcset", "href")]
    assert {address.split(":")[0].split("#")[0] for address in addresses} <= {"", "data"}


def test_every_picture_has_words_and_a_narrow_twin(page):
    outline = Outline(page)
    pictures = outline.all("img")
    assert len(pictures) >= 8
    assert all(len(picture["alt"]) > 40 for picture in pictures)
    assert len(outline.all("source")) == len(pictures)
    svg = base64.b64decode(pictures[0]["src"].split(",")[1])
    assert svg.startswith(b"<?xml")


def test_every_picture_stands_above_a_table_that_is_there(page):
    plan = make_plan(example_machine())
    assert PICTURES.keys() <= {table.key for table in tables(plan)}
    named = [name for names in PICTURES.values() for name in names]
    assert sorted(named) == sorted(plan_figures(plan))
    assert set(named) <= CATALOG.keys()
    assert len(Outline(page).all("img")) == len(named)


def test_links_on_the_page_lead_somewhere(page):
    outline = Outline(page)
    ids = {attributes["id"] for _, attributes in outline.tags if "id" in attributes}
    inside = {a["href"][1:] for a in outline.all("a") if a["href"].startswith("#")}
    assert inside and inside <= ids


def test_players_never_start_by_themselves(page):
    players = Outline(page).all("audio")
    assert len(players) == 3
    assert all("autoplay" not in player and player["preload"] == "none" for player in players)


def test_preview_holds_the_phrase_and_its_echo(written):
    sound, rate = soundfile.read(written[0] / "preview.wav")
    assert rate == 44_100
    assert 5 < len(sound) / rate < 12
    assert 0.05 < abs(sound).max() < 0.5


def test_a_hostile_name_is_only_text():
    name = "<script>alert(1)</script>\"' {{ 7*7 }} ${x}"
    page = plan_page(make_plan(with_changes(example_machine(), {"name": name})), {})
    assert "<script" not in page
    outline = Outline(page)
    assert f"Echo plan for {name}" in outline.text


def test_a_loop_that_runs_away_has_a_page_too():
    plan = make_plan(with_changes(example_machine(), {"mixer.return_send_db": 3.0}))
    drawn, preview = plan_figures(plan), plan_preview(plan)
    assert "decay_of_repeats" not in drawn and "runaway_frequency" in drawn
    assert "RUNS AWAY" in plan_page(plan, drawn, preview=preview)
    assert abs(preview.mix).max() <= 1


@pytest.mark.slow
def test_a_bare_machine_has_a_page_too(tmp_path):
    plan = make_plan(machine_from_options(spacings_mm=[30, 60], speeds_cm_s=[38.1]))
    paths = write_plan(plan, tmp_path)
    assert all(path.exists() for path in paths)
    assert not (tmp_path / "figures" / "tempo_map.svg").exists()
    assert not (tmp_path / "figures" / "flutter_fingerprint.svg").exists()


@pytest.mark.slow
def test_the_same_plan_gives_the_same_page(page):
    plan = make_plan(example_machine())
    pictures = {profile: plan_figures(plan, profile=profile) for profile in ("page", "article_single")}
    again = plan_page(plan, pictures["page"], narrow=pictures["article_single"], preview=plan_preview(plan))
    without_sound = re.compile(r"data:audio/mpeg;base64,[^'\"]+")
    assert without_sound.sub("", again) == without_sound.sub("", page)


def test_the_figures_show_the_delays_that_were_measured():
    # Both within three standard uncertainties of 217.8 ms and 435.7 ms, and none of them rounds alike.
    rows = [
        {"head": 1, "speed": n, "delay_ms": t, "delay_plus_minus_ms": 0.06}
        for n, t in ((1, 221.0), (2, 441.0))
    ]
    drawn = plan_figures(make_plan(with_changes(example_machine(), {"measured_delays": rows})))
    assert "it takes 221 ms over 41.5 mm" in drawn["tape_path"].caption
    assert "41.5 mm give 221 ms. At 9.525 cm/s, 41.5 mm give 441 ms" in drawn["delay_map"].caption
    heads = [points.get_ydata()[0] for points in drawn["delay_map"].artists["heads"]]
    assert heads == pytest.approx([221.0, 441.0])
    stated = plan_figures(make_plan(example_machine()))
    assert "41.5 mm give 218 ms" in stated["delay_map"].caption
