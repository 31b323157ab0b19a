"""The plan as a page: the answer first, all else folded, whole, safe, readable without picture or sound."""

import base64
import re

import pytest
import soundfile
from figure_texts import text_problems
from machines import MACHINES
from page_outline import Outline

from tapecalc.files import replacing_folder, write_file
from tapecalc.machine import example_machine, machine_from_options, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.plot.templates import picture, typeset
from tapecalc.report.plan_page import (
    HERO,
    PROFILE,
    TOPICS,
    answer,
    plan_figures,
    plan_page,
    plan_preview,
    write_plan,
)
from tapecalc.report.plan_text import CAUTIONS, headlines, tables
from tapecalc.report.setup_card import findings, setup_card_page
from tapecalc.report.try_page import try_page

DECK = example_machine()
PLAN = make_plan(DECK)
PLANS = {name: make_plan(machine_from_text(text)) for name, text in MACHINES.items()}
PLANS["no loop"] = make_plan(with_changes(DECK, {"playback_heads.1.feeds_return": False}))
PLANS["runaway"] = make_plan(with_changes(DECK, {"mixer.return_send_db": 3.0}))
PLANS["bare"] = make_plan(machine_from_options(spacings_mm=[30, 60], speeds_cm_s=[38.1]))


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan")
    return folder, write_plan(PLAN, folder)


@pytest.fixture(scope="module")
def page(written):
    return (written[0] / "plan.html").read_text()


# ---------------------------------------------------------------- what is written


def test_the_folder_holds_page_card_data_sound_and_pictures(written):
    folder, files = written
    names = ["plan.html", "card.html", "try.html", "plan.json", "preview.wav", "figures"]
    assert [file.name for file in files] == names
    assert all(file.exists() for file in files)
    assert {file.stem for file in (folder / "figures").iterdir()} == set(plan_figures(PLAN))
    assert (folder / "card.html").read_text(encoding="utf-8") == setup_card_page(PLAN)
    assert (folder / "try.html").read_text(encoding="utf-8") == try_page(PLAN)


def test_heads_too_near_to_be_played_leave_the_playable_tape_out(tmp_path):
    near = make_plan(machine_from_options(spacings_mm=[8], speeds_ips=[30]))
    names = [file.name for file in write_plan(near, tmp_path / "near")]
    assert "try.html" not in names and "plan.html" in names
    assert "try.html" not in (tmp_path / "near" / "plan.html").read_text(encoding="utf-8")


def test_the_page_is_small_enough_to_send(page):
    assert len(page) < 2_000_000


@pytest.mark.slow
def test_a_later_plan_leaves_nothing_of_an_older_one(tmp_path):
    with replacing_folder(tmp_path / "plan", "plan") as older:
        for name in ("figures/tempo_map.svg", "figures/flutter_fingerprint.svg", "preview.wav"):
            write_file(older / name, "old")
    early = make_plan(machine_from_text(MACHINES["one_head"].replace("bpm = 76", "")))
    write_plan(
        make_plan(with_changes(early.machine, {"playback_heads.1.spacing_mm": 2.5})), tmp_path / "plan"
    )
    left = {file.name for file in (tmp_path / "plan" / "figures").iterdir()}
    assert "delay_map.svg" in left
    assert {"tempo_map.svg", "flutter_fingerprint.svg"} & left == set()
    assert (tmp_path / "plan" / "preview.wav").stat().st_size > 1000


def test_a_plan_is_not_written_over_a_picture_of_somebody_elses(tmp_path):
    own = write_file(tmp_path / "figures" / "tempo_map.svg", "mine")
    with pytest.raises(ValueError, match="holds figures/tempo_map.svg, which is not, or no longer, as"):
        write_plan(PLAN, tmp_path)
    assert own.read_text() == "mine" and [path.name for path in tmp_path.iterdir()] == ["figures"]


@pytest.mark.slow
def test_the_same_plan_gives_the_same_page(page):
    pictures = {name: picture(drawn) for name, drawn in plan_figures(PLAN).items()}
    again = plan_page(PLAN, pictures, preview=plan_preview(PLAN), playable=True)
    without_sound = re.compile(r"data:audio/mpeg;base64,[^'\"]+")
    assert without_sound.sub("", again) == without_sound.sub("", page)


# ---------------------------------------------------------------- the page as text


def test_every_tag_is_closed_and_there_is_one_main_heading(page):
    outline = Outline(page)
    assert outline.open == []
    assert len(outline.all("h1")) == 1
    assert outline.all("html") == [{"lang": "en"}]
    assert len(outline.ids) == len(set(outline.ids))


@pytest.mark.parametrize("name", PLANS)
def test_all_findings_tables_and_cautions_stand_on_the_page_of_every_machine(name):
    plan = PLANS[name]
    text = " ".join(Outline(plan_page(plan, {})).text.split())
    texts = [*CAUTIONS, *(words for finding in findings(plan) for words in finding), *answer(plan)]
    for table in tables(plan):
        texts += [column.title for column in table.columns]
        texts += [cell for row in table.rows for cell in row if table.key != "assumed"]
    for words in texts:
        assert " ".join(typeset(words).split()) in text, words
    assert not re.search(r"\bnan\b|\binf\b|None|\{\{", text)


@pytest.mark.parametrize("name", PLANS)
def test_the_answer_is_two_to_four_sentences_of_the_headlines(name):
    said, full = answer(PLANS[name]), headlines(PLANS[name])
    assert 2 <= len(said) <= 4
    for sentence in said:
        assert sentence.endswith(".") and any(line.startswith(sentence[:-1]) for line in full)


def test_an_answer_that_no_phone_could_show_is_shortened():
    heads = [{"spacing_mm": 20.0 * n} for n in range(1, 9)]
    speeds = {"speeds_ips": [30.0, 15.0, 7.5, 3.75], "capstan_diameter_mm": 8.0}
    said = answer(
        make_plan(
            with_changes(DECK, {"playback_heads": heads, "transport": speeds, "mixer.return_send_db": 0.0})
        )
    )
    # 20 mm at 0.762 m/s and 160 mm at 0.09525 m/s.
    assert said[2] == "The 8 heads answer after 26 to 1680 ms at 4 speeds."
    assert ["RUNS AWAY" in line for line in said] == [True, True, False, False]


def test_a_loop_that_runs_away_is_said_first_and_marked():
    assert "RUNS AWAY" in answer(PLANS["runaway"])[0]
    outline = Outline(plan_page(PLANS["runaway"], {}))
    assert {"class": "alarm"} in outline.all("p")
    assert {"class": "alarm"} not in Outline(plan_page(PLAN, {})).all("p")


def test_what_the_answer_leaves_out_can_be_unfolded(page):
    text = " ".join(Outline(page).text.split())
    assert all(" ".join(typeset(line).split()) in text for line in headlines(PLAN))
    one = make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]), repeats=5)
    assert answer(one) == headlines(one)
    assert "All findings" not in plan_page(one, {})


def test_each_fold_tells_its_main_finding():
    def folds(name):
        page = plan_page(PLANS[name], {})
        found = re.findall(r"<summary><h2>(.*?)</h2> <span>(.*?)</span></summary>", page)
        return {title: words.replace("\xa0", " ") for title, words in found}

    assert all(words for name in PLANS for words in folds(name).values())
    deck = folds("measured")
    assert deck["Delays"] == "219 to 436 ms"
    assert deck["Repeats and margin"] == "5 repeats, 4.5 dB or more from running away"
    between = with_changes(PLANS["one_head"].machine, {"mixer.return_send_db": -1.0})
    assert "<span>may RUN AWAY</span>" in plan_page(make_plan(between), {})
    assert any("may RUN AWAY" in line for line in answer(make_plan(between))[:2])
    assert deck["Levels"] == "8.0 dB until the tape clips"
    assert deck["Tape"] == "48 min at 7.5 ips; 96 min at 3.75 ips"  # 549 m at 0.1905 and 0.09525 m/s
    (tone,) = (table for table in tables(PLANS["measured"]) if table.key == "tone")
    assert tone.columns[-1].title == "Repeat 5"
    assert deck["Tone, hiss and wobble"] == f"repeat 5 keeps {tone.rows[0][-1]}"
    assert folds("cassette")["Delays"] == "105 ms"
    assert folds("closed_loop")["Tempo and notes"] == "12 ways to play a plain note"
    assert folds("runaway")["Repeats and margin"] == "RUNS AWAY"
    assert folds("no loop")["Repeats and margin"] == "no head feeds the return"
    songs = [{"name": "Tide", "bpm": 75.0}, {"name": "Lamp", "bpm": 90.0}]
    in_set = plan_page(make_plan(with_changes(PLANS["one_head"].machine, {"songs": songs})), {})
    # 200 ms are a sixteenth at 75 bpm exactly; 166.7 and 222.2 ms at 90 bpm are far from 200 and 400.
    assert "1 of 2 songs in time" in in_set


def test_a_table_of_no_topic_has_a_fold_of_its_own(monkeypatch):
    extra = tables(PLAN)[0]._replace(key="later", title="A table that came later")
    monkeypatch.setattr("tapecalc.report.plan_page.tables", lambda plan: (*tables(plan), extra))
    assert '<details class="fold unprinted" id="later">' in plan_page(PLAN, {})


def test_every_topic_holds_tables_and_pictures_that_there_are():
    keys = {table.key for plan in PLANS.values() for table in tables(plan)}
    sets = make_plan(with_changes(DECK, {"songs": [{"name": "Tide", "bpm": 75.0}]}))
    keys |= {table.key for table in tables(sets)}
    held = [key for topic in TOPICS for key in (*topic.prints, *topic.others)]
    assert sorted(held) == sorted(keys)
    named = [HERO, *(name for topic in TOPICS for name in topic.pictures)]
    assert sorted(named) == sorted(plan_figures(PLAN))
    assert set(named) <= CATALOG.keys()


# ---------------------------------------------------------------- safe, and for everybody


def test_nothing_is_loaded_from_elsewhere(page):
    outline = Outline(page)
    assert "default-src 'none'" in page
    assert outline.runs == [] and outline.all("link") == []
    assert outline.loads == {"data", "card.html", "try.html", "plan.json", "preview.wav"}


def test_every_picture_has_words_and_a_dark_twin(page):
    outline = Outline(page)
    pictures, twins = outline.all("img"), outline.all("source")
    assert len(pictures) == len(twins) == 8
    assert all(len(shown["alt"]) > 40 for shown in pictures)
    assert {twin["media"] for twin in twins} == {"screen and (prefers-color-scheme: dark)"}
    svg = base64.b64decode(pictures[0]["src"].split(",")[1])
    dark = base64.b64decode(twins[0]["srcset"].split(",")[1])
    assert svg.startswith(b"<?xml") and b"#ffffff" in svg
    assert b"#12161c" in dark and b"#ffffff" not in dark


@pytest.mark.slow
@pytest.mark.parametrize("name", MACHINES)
def test_no_words_of_a_picture_lie_over_others(name):
    for one in plan_figures(PLANS[name]).values():
        assert text_problems(one.figure, PROFILE) == [], one.alt


@pytest.mark.parametrize("ground", ["dark", "transparent"])
def test_a_twin_is_what_would_be_drawn_on_the_other_ground(ground):
    for name in plan_figures(PLAN):
        on = [draw(name, machine=DECK, profile=PROFILE.on(one)) for one in ("light", ground)]
        light, other = (style.figure_bytes(drawn.figure, "svg") for drawn in on)
        # Names of clips and markers are made of colors as well.
        plain = [
            re.sub(rb'(?<=[#"])[hmp][0-9a-f]{10}\b', b"", svg)
            for svg in (style.on_ground(light, ground), other)
        ]
        assert plain[0] == plain[1], name
        assert light != other


def test_players_never_start_by_themselves(page):
    players = Outline(page).all("audio")
    assert len(players) == 3
    assert all("autoplay" not in player and player["preload"] == "none" for player in players)
    assert "Phrase and echo" in players[0]["aria-label"]


def test_preview_holds_the_phrase_and_its_echo(written):
    sound, rate = soundfile.read(written[0] / "preview.wav")
    assert rate == 44_100
    assert 5 < len(sound) / rate < 12
    assert 0.05 < abs(sound).max() < 0.5


def test_a_free_speed_is_heard_where_the_song_fits():
    page = plan_page(PLANS["closed_loop"], {}, preview=plan_preview(PLANS["closed_loop"]))
    # 30 mm in a sixteenth at 92 bpm, 163.0 ms: 18.4 cm/s.
    assert "A phrase and its echo, 18.4\xa0cm/s." in page


def test_a_hostile_name_is_only_text():
    name = "<script>alert(1)</script>\"' {{ 7*7 }} ${x}"
    page = plan_page(make_plan(with_changes(DECK, {"name": name})), {})
    assert "<script" not in page
    assert f"Echo plan for {name}" in Outline(page).text


# ---------------------------------------------------------------- the pictures


def test_a_loop_that_runs_away_has_a_page_too():
    drawn, preview = plan_figures(PLANS["runaway"]), plan_preview(PLANS["runaway"])
    assert {"decay_of_repeats", "runaway_frequency"} <= set(drawn)
    assert "RUNS AWAY" in plan_page(PLANS["runaway"], {}, preview=preview)
    assert abs(preview.mix).max() <= 1


def test_a_bare_machine_has_no_picture_of_what_it_has_not():
    assert {"tempo_map", "flutter_fingerprint"} & set(plan_figures(PLANS["bare"])) == set()
    assert "runaway_frequency" not in plan_figures(PLANS["no loop"])


def test_the_figures_show_the_delays_that_were_measured():
    # Both within three standard uncertainties of 217.8 ms and 435.7 ms, and none of them rounds alike.
    rows = [
        {"head": 1, "speed": n, "delay_ms": t, "delay_plus_minus_ms": 0.06}
        for n, t in ((1, 221.0), (2, 441.0))
    ]
    drawn = plan_figures(make_plan(with_changes(DECK, {"measured_delays": rows})))
    assert "it takes 221 ms over 41.5 mm" in drawn["tape_path"].caption
    assert "41.5 mm give 221 ms. At 9.525 cm/s, 41.5 mm give 441 ms" in drawn["delay_map"].caption
    heads = [points.get_ydata()[0] for points in drawn["delay_map"].artists["heads"]]
    assert heads == pytest.approx([221.0, 441.0])
    stated = plan_figures(PLAN)
    assert "41.5 mm give 218 ms" in stated["delay_map"].caption


def test_more_heads_get_a_higher_first_picture():
    sizes = [picture(plan_figures(PLANS[name])[HERO])[1:3] for name in ("one_head", "closed_loop")]
    assert sizes[0][0] == sizes[1][0] and sizes[0][1] < sizes[1][1]
