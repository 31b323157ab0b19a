"""The setup card: each machine's own numbers, the safe order, nothing from elsewhere, nothing that runs."""

import re
from itertools import pairwise

import pytest
from machines import MACHINES
from page_outline import Outline

from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.plot.templates import typeset
from tapecalc.plot.wiring import PATCHES
from tapecalc.report.plan_text import CAUTIONS
from tapecalc.report.setup_card import (
    cables,
    delay_rows,
    findings,
    level_rows,
    return_send,
    setup_card_page,
    song_rows,
    steps,
    write_setup_card,
)

DECK = example_machine()
PLANS = {name: make_plan(machine_from_text(text)) for name, text in MACHINES.items()}
PLANS["no loop"] = make_plan(with_changes(DECK, {"playback_heads.1.feeds_return": False}))
PLAN = make_plan(DECK)


def changed(**changes):
    """The plan of the bench deck with some keys changed, ``__`` standing for the dot."""
    return make_plan(with_changes(DECK, {key.replace("__", "."): value for key, value in changes.items()}))


def said(plan, kind="expect"):
    return " ".join(getattr(step, kind) for step in steps(plan))


# ---------------------------------------------------------------- the page


@pytest.mark.parametrize("name", PLANS)
def test_the_page_is_whole_and_holds_every_step_caution_cable_and_finding(name):
    plan = PLANS[name]
    outline = Outline(setup_card_page(plan))
    assert outline.open == []
    assert len(outline.all("h1")) == 1
    held = " ".join(outline.text.split())
    texts = [*CAUTIONS, *(end for cable in cables(plan) for end in cable)]
    texts += [words for step in steps(plan) for words in (step.part, step.do, step.expect)]
    texts += [words for finding in findings(plan) for words in (finding.sign, finding.look)]
    for grid in (level_rows(plan), delay_rows(plan), song_rows(plan)):
        texts += [cell for row in (grid.titles, *grid.rows[:6]) for cell in row]
    for words in texts:
        assert " ".join(typeset(words).split()) in held, words


@pytest.mark.parametrize("name", PLANS)
def test_no_text_has_a_gap_and_every_sentence_is_one(name):
    plan = PLANS[name]
    for step in steps(plan):
        for words in filter(None, (step.do, step.expect)):
            assert re.fullmatch(r"[A-Z0-9].*\.", words), words
            assert not re.search(r"  | [,.;]|\.\.|,\.|None|nan|inf\b", words), words
    for finding in findings(plan):
        assert all(re.fullmatch(r"[A-Z0-9].*\.", words) for words in (finding.look, finding.proof))


def test_nothing_is_loaded_from_elsewhere_and_nothing_runs():
    outline = Outline(setup_card_page(PLAN))
    assert (outline.loads, outline.runs) == (set(), [])
    assert "default-src 'none'" in setup_card_page(PLAN)


def test_a_name_with_markup_stays_text():
    songs = [{"name": "<b>Loud</b>", "bpm": 90.0}]
    spoiled = setup_card_page(changed(name="<script>alert(1)</script> & co", songs=songs))
    assert "<script>" not in spoiled and "<b>Loud" not in spoiled
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; co" in spoiled


def test_the_file_is_written_whole_or_not_at_all(tmp_path):
    path = write_setup_card(PLAN, tmp_path / "a" / "page.html")
    assert path.read_text(encoding="utf-8") == setup_card_page(PLAN)
    (tmp_path / "taken").write_text("no folder")
    with pytest.raises(OSError, match="cannot write to"):
        write_setup_card(PLAN, tmp_path / "taken" / "page.html")


def test_numbers_stay_with_their_units_and_signs_are_true():
    assert typeset("-6.0 dB +/- 1.5 dB") == "\u22126.0\xa0dB \u00b1\xa01.5\xa0dB"
    assert typeset("218 +/- 7 ms at 19.05 cm/s") == "218 \u00b1\xa07\xa0ms at 19.05\xa0cm/s"
    assert typeset("half-track, 2 heads, 1-2") == "half-track, 2 heads, 1-2"


# ---------------------------------------------------------------- what is done, in which order


@pytest.mark.parametrize("name", PLANS)
def test_speakers_come_last_and_go_first_and_sends_are_down_before_anything_is_up(name):
    doing = [step.do for step in steps(PLANS[name])]
    parts = [step.part for step in steps(PLANS[name])]
    assert list(dict.fromkeys(parts)) == ["All off", "Switch on", "Levels", "Echo", "Switch off"]
    assert sum(a != b for a, b in pairwise(parts)) == 4  # each part in one piece
    down = doing.index(next(words for words in doing if "both sends down" in words))
    on = doing.index(next(words for words in doing if words.startswith("First the mixer")))
    up = [k for k, words in enumerate(doing) if re.search(r"\b(up|open)\b", words)]
    assert down < on < min(up)
    assert "the speakers last" in doing[on]
    off = doing[-1]
    assert off.index("down") < off.index("speakers") < off.index("machine off") < off.index("mixer last")
    expected = "Tape channel down" if name == "no loop" else "Return send down"
    assert off.startswith(expected)


def test_the_margin_read_from_a_click_is_called_too_large_and_the_lower_edge_counts():
    # A click loses treble as well, so its repeats fall by more than the loop's loudest tone does.
    (step,) = (step for step in steps(PLAN) if "how many decibels" in step.do)
    assert "The true margin is that or less: a click also loses treble, and hides bumps" in step.do
    assert "or where it stands here if that is lower" in step.do
    assert "or higher" in step.expect
    assert "or a little more" not in said(PLAN, "do") + said(PLAN)


# ---------------------------------------------------------------- the bench deck's numbers


def test_the_numbers_are_those_of_the_bench_deck():
    text = said(PLAN)
    # -10 + 10 = 0 dBu at the tape, which distorts by 3 % at 4 + 4 dBu.
    assert "8.0 dB are left until the tape distorts by 3 %; 12 dB would be better" in text
    assert "48 or 96 min" in text  # 549 m at 19.05 and 9.525 cm/s
    assert "The send stands near -6.0 dB" in text  # as set: five repeats are heard there, as wished
    # Thin plates of 5 mm give 2.06 dB at 105 Hz, of which the low cut at 40 Hz takes 0.58 and dirt 0.02.
    assert "Edge at -1.5 dB or higher, house limit -4.5 dB" in text
    assert "85 dB(A) 8 h, 94 dB(A) 1 h, 100 dB(A) 15 min" in text  # Source: NIOSH
    assert "at +4.0 dBu (1.23 V)" in said(PLAN, "do")  # 0.7746 V, 4 dB more
    assert delay_rows(PLAN).rows == (("Delay", "218 +/- 7 ms", "436 +/- 14 ms"),)
    assert level_rows(PLAN).rows[2] == ("tape", "record level, step 5", "-4.0 dB", "8.0 dB")
    proofs = {finding.sign: finding.proof for finding in findings(PLAN)}
    assert "return send -6 dBu" in proofs["No echo"]
    assert "4.6 dB a second" in proofs["Howls at once"]  # 1 dB in 217.8 ms
    assert "capstan 7.55 Hz" in proofs["Wobbles"]
    assert "50 Hz" in proofs["Hum"] and "100 Hz" in proofs["Hum"]


def test_a_send_that_gives_other_repeats_is_told_from_the_middle_of_those_that_do():
    two = return_send(changed(song__wanted_repeats=2))
    # A loop gain of -30 dB / 1.5 gives two; without bumps the edge lies at +0.099 dB, the send for 0 dB.
    assert two.wanted_db == pytest.approx(0.099 - 20, abs=1e-3)
    assert two.edge_db == pytest.approx(-1.464, abs=0.01)
    assert return_send(PLAN).wanted_db == -6.0
    assert return_send(PLAN).limit_db == return_send(PLAN).edge_db - 3


def test_repeats_beyond_the_house_limit_are_not_asked_for():
    # 40 repeats need -30/39.5 = -0.76 dB once round; at the limit of -1.46 - 3 dB it is -4.56: 1 + 6.6.
    plan = changed(song__wanted_repeats=40)
    assert "until 40 repeats can be counted, but not beyond the house limit." in said(plan, "do")
    assert "The house limit comes first, with 7 repeats." in said(plan)
    assert "beyond" not in said(PLAN, "do")


def test_a_loop_that_would_run_away_has_a_card_with_the_same_limit():
    loud = changed(mixer__return_send_db=6.0)
    assert return_send(loud).limit_db == pytest.approx(return_send(PLAN).limit_db)
    assert return_send(loud).wanted_db < return_send(loud).limit_db


def test_what_clips_first_is_named_and_too_much_is_said():
    hot = changed(levels__instrument_dbu=12.0)
    # 12 + 10 = 22 dBu on a mixer that clips at 20, on a tape that distorts at 8.
    assert "It would be 14.0 dB too loud for the tape: so much less gain." in said(hot)
    quiet = changed(levels__instrument_dbu=-14.0)
    assert "12.0 dB are left until the tape distorts by 3 %." in said(quiet)  # and nothing better is asked
    small = changed(levels__machine_max_dbu=2.0)
    assert "2.0 dB are left until the machine input clips" in said(small)


def test_six_signs_each_with_a_measurement():
    assert [finding.sign for finding in findings(PLAN)] == [
        "No echo", "One echo only", "Howls at once", "Dull", "Wobbles", "Hum",
    ]  # fmt: skip
    for finding in findings(PLAN):
        assert re.search(r"\d", finding.proof), finding.sign


def test_a_machine_of_which_little_is_known_still_gets_a_page():
    bare = changed(transport__mains_hz=None, parts=[])
    proofs = {finding.sign: finding.proof for finding in findings(bare)}
    assert "the mains frequency is a field" in proofs["Hum"]
    assert "none is described" in proofs["Wobbles"]
    perfect = changed(
        heads__gap_um=0.0,
        heads__spacing_loss_um=0.0,
        heads__aligned_spacing_loss_um=0.0,
        heads__azimuth_error_arcmin=0.0,
        tape__coating_thickness_um=0.001,
    )
    assert "no treble loss" in {f.sign: f.proof for f in findings(perfect)}["Dull"]


# ---------------------------------------------------------------- other machines


def test_the_cables_are_those_of_the_patch_with_sends():
    patch = PATCHES["sends"]
    sockets = {"voice", "limiter,\nspeakers", *(part for pair in patch.machine for part in pair)}
    outer = {wire for wire in patch.wires if set(wire) & sockets}
    assert outer == {(start, end) for start, end, _, _ in patch.cables}  # the others run inside the mixer
    assert cables(PLAN)[1:3] == (
        ("send, output", "tape machine, line in"),
        ("tape machine, line out", "channel 2, input"),
    )


def test_heads_that_differ_are_wired_and_set_one_by_one():
    plan = PLANS["three_heads"]
    assert ("tape machine, line out of heads 1 and 2", "channel 2, input") in cables(plan)
    assert ("tape machine, line out of head 3", "channel 3, input; its send stays down") in cables(plan)
    assert "head 1: as loud; head 2: 6 dB softer, inverted; head 3: 3 dB softer" in said(plan)
    assert delay_rows(plan).rows[1] == ("Head 2", "200 +/- 7 ms", "400 +/- 13 ms")
    # Heads 1 and 2 in phase are 1 + 0.501: 3.5 dB, and the largest bump of 5 mm lies between 2 and 3.35 dB.
    # Nothing is counted.
    assert -3.53 - 3.35 < return_send(plan).edge_db < -3.53 - 2
    smooth = make_plan(with_changes(plan.machine, {"heads.pole_length_mm": 0.0}))
    assert return_send(smooth).edge_db == pytest.approx(-3.53, abs=0.02)
    assert "counted" not in said(plan, "do")
    assert "The echo is heard for 0.7 s at 40 cm/s and 1.4 s at 20 cm/s." in said(plan)
    # 1, 0.501 and 0.708 in phase are 2.209, 6.9 dB.
    assert ("playback output", "playback levels, step 6", "+6.9 dBu", "13.1 dB") in level_rows(plan).rows


def test_several_heads_are_sent_back_no_louder_than_the_house_limit():
    smooth = {"mixer.return_send_db": 0.0, "heads.pole_length_mm": 0.0}
    loud = make_plan(with_changes(PLANS["three_heads"].machine, smooth))
    assert return_send(loud).wanted_db == return_send(loud).limit_db == pytest.approx(-6.53, abs=0.02)
    assert "to -6.5 dB." in said(loud, "do") and "The echo is heard for" not in said(loud)
    quiet = return_send(PLANS["three_heads"])
    assert quiet.wanted_db == -10.0


def test_a_song_of_a_set_names_its_head():
    songs = [{"name": "Gate", "bpm": 75.0, "note": "eighth"}]
    plan = make_plan(with_changes(PLANS["three_heads"].machine, {"songs": songs}))
    # An eighth at 75 bpm is 400 ms: head 3 at 40 cm/s, head 2 at 20 cm/s, both as surely.
    assert song_rows(plan).rows[0][3] in ("40 cm/s, head 3", "20 cm/s, head 2")


def test_one_head_that_is_softer_is_set_so():
    assert "Against SOURCE: the head 3 dB softer." in said(changed(playback_heads__1__level_db=-3.0))
    eight = make_plan(with_changes(DECK, {"playback_heads": [{"spacing_mm": 20.0 * n} for n in range(1, 9)]}))
    assert "Against SOURCE: all heads as loud." in said(eight)


def test_a_closed_loop_has_a_lap_and_a_splice_and_no_reel():
    plan = PLANS["closed_loop"]
    assert "Lay in the loop of 1.2 m, its splice cut at a slant, erased as a whole." in said(plan, "do")
    assert "The splice comes round every 3 to 12 s." in said(plan)  # 1.2 m at 40 and at 10 cm/s
    assert "reel" not in setup_card_page(plan)
    assert "Delays, and anything between" in setup_card_page(plan)
    assert song_rows(plan).titles == ("Note", "Set")
    # 60/92/4 s for 30 mm are 18.4 cm/s.
    assert song_rows(plan).rows[0] == ("sixteenth", "18.4 cm/s +/- 0.9 cm/s, head 1")
    kept = make_plan(with_changes(plan.machine, {"heads.erases": False}))
    assert "nothing in the machine erases it" in said(kept, "do")
    assert "and with it all that was recorded" in said(kept)
    assert "Old sound below the new" in [finding.sign for finding in findings(kept)]
    assert "erases" not in said(plan, "do")


def test_a_song_that_no_speed_of_the_range_plays_says_so():
    songs = [{"name": "Tide", "bpm": 92.0}, {"name": "Still", "bpm": 20.0, "note": "whole"}]
    plan = make_plan(with_changes(PLANS["closed_loop"].machine, {"songs": songs}))
    assert song_rows(plan).rows == (
        ("Tide", "92", "sixteenth", "18.4 cm/s +/- 0.9 cm/s, head 1"),
        ("Still", "20", "none", "no speed of the range"),
    )


def test_a_set_is_listed_song_by_song_at_the_speed_that_suits_it():
    # 217.8 ms are a sixteenth at 68.86 bpm, 435.7 ms an eighth there too, and a quarter at 137.7.
    songs = [{"name": "Tide", "bpm": 68.86, "note": "eighth"}, {"name": "Lamp", "bpm": 68.86}]
    rows = song_rows(changed(songs=songs)).rows
    assert rows[0][:4] == ("Tide", "68.86", "eighth", "3.75 ips")
    assert [row[0] for row in rows] == ["Tide", "Lamp"]
    many = changed(songs=[{"name": f"Song {n}", "bpm": 60.0 + n} for n in range(20)])
    assert "14 more in the plan" in setup_card_page(many)


def test_without_a_tempo_there_are_no_songs():
    assert song_rows(make_plan(machine_from_text(MACHINES["one_head"].replace("bpm = 76", "")))).rows == ()


def test_a_cassette_has_one_speed_and_no_wrong_word():
    plan = PLANS["cassette"]
    assert delay_rows(plan).titles == ("", "4.76 cm/s")
    assert "The tape lasts 30 min" in said(plan)  # 86 m at 4.76 cm/s
    assert not re.search(r"[Tt]hread|\b[Ll]ap\b|splice|heads? \d", Outline(setup_card_page(plan)).text)


def test_without_a_head_in_the_loop_there_is_no_step_of_the_loop():
    plan = PLANS["no loop"]
    assert return_send(plan) is None
    text = said(plan) + said(plan, "do")
    assert not re.search(r"house limit|edge|Return send|margin", text)
    assert "nothing else: its send stays down" in text
    assert "It stays down: no head feeds the return." in setup_card_page(plan)
    assert {"One echo only", "Howls at once"} & {finding.sign for finding in findings(plan)} == set()


def test_a_measured_delay_stands_on_the_card_with_its_own_uncertainty():
    assert delay_rows(PLANS["measured"]).rows == (("Delay", "219.30 +/- 0.05 ms", "436 +/- 14 ms"),)
