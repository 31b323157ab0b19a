"""What the scene reckons before it draws: places, words, what lies on the tape, and the moves to try."""

import random

import numpy as np
import pytest
import scripts
from played_machines import PLAYED
from tape_player import RATE, bare, play

from tapecalc.live.facts import playable_facts

NBSP, MINUS = "\N{NO-BREAK SPACE}", "\N{MINUS SIGN}"


@pytest.fixture(scope="module")
def facts():
    return {name: playable_facts(machine) for name, machine in PLAYED.items()}


def run(script, given=None):
    return scripts.run("page", script, given)


@pytest.mark.parametrize(
    ("farthest", "span"), [(30, 40), (41.5, 60), (49, 60), (50, 80), (170, 250), (9000, 11000)]
)
def test_as_much_tape_is_shown_as_the_farthest_head_needs(farthest, span):
    """A fifth and a bit more than the farthest: 41.5 mm x 1.22 = 50.6, and 60 is the next that is shown."""
    assert run("return spanOf(given)", farthest) == span


@pytest.mark.parametrize(
    ("range_", "most", "step"),
    [(60, 6, 10), (11, 6, 2), (60, 7, 10), (315, 6, 100), (1.2, 5, 0.5), (9, 9, 1), (25, 10, 5)],
)
def test_marks_stand_at_round_numbers(range_, most, step):
    assert run("return stepOf(...given)", [range_, most]) == pytest.approx(step)


def test_grips_that_fit_stay_over_their_heads_and_close_ones_share_the_way():
    assert run("return spreadOut(...given)", [[100, 300, 200], 60, 0, 400]) == [100, 300, 200]
    assert run("return spreadOut(...given)", [[100, 100], 60, 0, 400]) == [70, 130]
    assert run("return spreadOut(...given)", [[110, 100, 105], 60, 0, 400]) == [165, 45, 105]
    assert run("return spreadOut(...given)", [[390, 395], 60, 0, 400]) == [340, 400]


def test_grips_are_apart_in_order_and_inside_wherever_heads_stand():
    rng = random.Random(11)
    rows = [[rng.uniform(0, 900) for _ in range(rng.randint(1, 8))] for _ in range(300)]
    for wanted, placed in zip(
        rows, run("return given.map((row) => spreadOut(row, 60, 0, 900))", rows), strict=True
    ):
        order = sorted(range(len(wanted)), key=lambda k: (wanted[k], k))
        there = [placed[k] for k in order]
        assert all(b - a >= 60 - 1e-9 for a, b in zip(there, there[1:], strict=False))
        assert min(there) >= -1e-9
        assert max(there) <= 900 + 1e-9


def test_the_picture_is_to_scale(facts):
    """From the record head to a head at 41.5 mm are 41.5 parts of the ruler's 60, on each screen."""
    for width in (336, 728, 1240):
        place = run(
            """const c = composition(given);
            return { share: (c.x(41.5) - c.zero) / (c.end - c.zero), end: c.end, right: c.right,
                erase: (c.zero - c.x(-c.eraseMm)) / c.scale, eraseMm: c.eraseMm }""",
            {"width": width, "spanMm": 60, "spacingsMm": [41.5], "headMm": 12, "loop": False}
            | {"labelWidth": 120, "nameWidth": 40},
        )
        assert place["share"] == pytest.approx(41.5 / 60)
        assert place["end"] == pytest.approx(place["right"])
        assert place["erase"] == pytest.approx(place["eraseMm"])


def test_a_head_says_delay_note_and_how_far_off(facts):
    """41.5 mm at 190.5 mm/s are 217.8 ms; a sixteenth at 76 beats a minute is 197.4 ms."""
    script = "return headsSaid(given.facts, given.setting)"
    deck = facts["one head"]
    (said,) = run(script, {"facts": deck, "setting": deck["setting"]})
    assert (said["time"], said["note"], said["off"]) == (f"218{NBSP}ms", "sixteenth", f"20{NBSP}ms late")
    assert said["long"] == f"a sixteenth, 20{NBSP}ms late, heard as off"
    assert said["whole"] == f"41.5{NBSP}mm, 218{NBSP}ms, a sixteenth, 20{NBSP}ms late"
    near = {
        **deck["setting"],
        "heads": [{**deck["setting"]["heads"][0], "spacing_mm": 37.2, "inverted": True}],
    }
    (said,) = run(script, {"facts": deck, "setting": near})  # 195.3 ms, 2.1 ms early; 6 ms are heard
    assert (said["off"], said["inTime"]) == (f"in time (2{NBSP}ms early)", True)
    assert said["whole"].endswith(f"a sixteenth, 2{NBSP}ms early, probably not heard as off, inverted")


def test_the_return_send_is_told_before_it_runs_away(facts):
    deck = facts["one head"]
    sends = [-6, -2.2, -1, 3]
    said = run(
        "return given.sends.map((db) => loopSaid(given.facts, {...given.facts.setting, return_send_db: db}))",
        {"facts": deck, "sends": sends},
    )
    assert [one["state"] for one in said] == ["safe", "near", "may", "runs"]
    assert [one["words"] for one in said] == [
        f"at least 4.5{NBSP}dB before it runs away",
        f"at least 0.7{NBSP}dB before it runs away",
        "may run away",
        "runs away",
    ]
    assert [one["short"] for one in said[:3]] == [
        f"at least 4.5{NBSP}dB left",
        f"at least 0.7{NBSP}dB left",
        "may run away",
    ]
    assert len({round(one["limitDb"], 6) for one in said}) == 1  # the limit does not move with the send
    assert said[0]["limitDb"] == pytest.approx(-1.5, abs=0.06)
    assert [bool(one["warning"]) for one in said] == [False, False, True, True]
    assert (said[0]["repeats"], said[3]["repeats"], said[3]["gone"]) == ("5", "without end", "never")


def test_several_heads_surely_run_away_only_where_one_outdoes_the_others(facts):
    """Without tone: 0 and -20 dB at a send of +3 dB are 1.413 x (1 - 0.1) or more, above 1; -6 dB is not."""
    deck = facts["one head"]
    head = deck["setting"]["heads"][0]
    rows = [{**deck["setting"], "return_send_db": 3, "response": False}] * 2
    rows = [
        {**row, "heads": [{**head, "level_db": 0}, {**head, "spacing_mm": 60, "level_db": level_db}]}
        for row, level_db in zip(rows, [-20, -6], strict=True)
    ]
    said = run("return given.rows.map((one) => loopSaid(given.facts, one))", {"facts": deck, "rows": rows})
    assert [one["state"] for one in said] == ["runs", "may"]
    assert "where its heads answer in phase" in said[1]["warning"]


def test_a_delay_is_said_with_its_plus_minus_and_whether_it_is_heard_accordingly(facts):
    """41.5 mm +/- 1 mm at 7.5 ips +/- 2 %: 217.8 ms x (1/41.5 and 0.02, at right angles) = 6.8 ms."""
    deck = facts["one head"]
    sixteenth_mm = 37.6
    rows = [
        {**deck["setting"], "heads": [{**deck["setting"]["heads"][0], "spacing_mm": mm}]}
        for mm in (41.5, sixteenth_mm)
    ]
    exact = {**deck, "spacing_plus_minus_mm": [0.1], "speed_plus_minus_percent": 0.2}
    script = "return [...given.rows.map((one) => headsSaid(given.facts, one)[0]), "
    script += "headsSaid(given.exact, given.rows[1])[0]]"
    late, unsure, sure = run(script, {"facts": deck, "rows": rows, "exact": exact})
    assert late["sure"] == f"218{NBSP}ms{NBSP}\N{PLUS-MINUS SIGN}{NBSP}7{NBSP}ms"
    assert [one["long"] for one in (unsure, sure)] == [
        "a sixteenth, probably in time",
        "a sixteenth, in time",
    ]
    assert [one["heard"] for one in (late, unsure, sure)] == ["yes", "perhaps", "no"]


def test_a_loop_without_heads_in_the_return_says_that_nothing_comes_back(facts):
    setting = facts["one head"]["setting"]
    heads = [{**setting["heads"][0], "feeds_return": False}]
    said = run("return loopSaid(...given)", [facts["one head"], {**setting, "heads": heads}])
    assert (said["state"], said["words"], said["repeats"]) == ("open", "nothing comes back", "1 of each head")


def test_marks_of_the_song_are_fixed_to_the_ruler(facts):
    """At 76 beats a minute and 190.5 mm/s a beat is 150.39 mm; a head near a triplet gets its mark."""
    given = [facts["one head"], facts["one head"]["setting"], 160, [{"note": "eighth triplet"}]]
    marks = run("return songMarks(...given)", given)
    assert {one["name"]: round(one["mm"], 2) for one in marks} == {
        "sixteenth": 37.6,
        "eighth triplet": 50.13,
        "eighth": 75.2,
        "dotted eighth": 112.8,
        "quarter": 150.39,
    }
    assert [one["weight"] for one in marks] == [3, 3, 2, 3, 1]


TRACE = """const trace = new TapeTrace({ loop_length_m: given.loop, erases: true });
for (const [mm, dry, returned] of given.cells) {
    trace.add([{ at_mm: mm + 0.5, dry, returned }], given.spacings);
}
"""


def test_what_was_recorded_stays_at_its_place_on_the_tape():
    given = {"loop": None, "spacings": [40], "cells": [[100, 0.5, 0], [140, 0, 0.2], [180, 0.1, 0.1]]}
    script = (
        TRACE
        + "return [[100, 101, 140, 180].map((mm) => trace.level(mm)), [...trace.passes.slice(140, 181)]]"
    )
    levels, passes = run(script, given)
    assert levels == pytest.approx([0.5, 0, 0.2, 0.2])
    assert passes[0] == pytest.approx(1)  # what comes back of dry sound has been round once
    assert passes[40] == pytest.approx(1)  # half of it is dry, the other half comes round for the second time


@pytest.mark.parametrize("spacing_mm", [41.5, 41.7, 60.0])
def test_each_answer_of_a_click_has_been_over_the_tape_once_more(facts, spacing_mm):
    """As the engine records them: what comes back of one sample, a mm of tape wide at the most."""
    deck = facts["one head"]
    head = {**deck["setting"]["heads"][0], "spacing_mm": spacing_mm}
    click = np.zeros(2 * RATE)
    click[1000] = 0.3
    settings = [[0, bare(deck, heads=[head], return_send_db=0.0, response=False)]]
    cells = [cell for report in play(deck, click, settings, every=8).reports for cell in report["cells"]]
    script = """
    const trace = new TapeTrace({ loop_length_m: null, erases: true });
    trace.add(given.cells, given.spacings);
    return given.cells.map((cell) => trace.passes[Math.floor(cell.at_mm)]);
    """
    passes = run(script, {"cells": cells, "spacings": [spacing_mm]})
    answers = [k for k, cell in enumerate(cells) if cell["returned"] > 0.3 * 0.3]
    starts = [k for k in answers if k - 1 not in answers]
    assert len(starts) > 4
    assert [round(max(passes[k], passes[k + 1])) for k in starts] == list(range(1, len(starts) + 1))


def test_old_tape_gives_way_to_new():
    cells = [[5, 1, 0], [4096 + 5, 0.25, 0]]
    script = TRACE + "return [trace.level(5), trace.level(4101)]"
    assert run(script, {"loop": None, "spacings": [40], "cells": cells}) == [0, 0.25]


def test_outlines_are_as_tall_as_the_sound_and_closed():
    given = {"loop": None, "spacings": [40], "cells": [[k, 0.5 if 20 <= k < 30 else 0, 0] for k in range(60)]}
    view = "{ from: 0, to: 59, base: 59, scale: 3, tall: 20, height: (level) => level }"
    shapes = run(TRACE + f"return trace.outlines({view})", given)
    assert shapes["returned"] == ["", "", ""]
    assert shapes["dry"].count("M") == shapes["dry"].count("Z") == 1
    places = [float(part.split(" ")[0]) for part in shapes["dry"][1:-1].split("L")]
    assert (min(places), max(places)) == (87, 120)  # 29 to 40 mm before the newest, at 3 pixels each
    assert {abs(float(part.split(" ")[1])) for part in shapes["dry"][1:-1].split("L")} == {0, 10}


def test_an_outline_that_begins_at_once_begins_where_it_is():
    given = {"loop": None, "spacings": [40], "cells": [[k, 0.5, 0] for k in range(20, 40)]}
    view = "{ from: 20, to: 39, base: 39, scale: 3, tall: 20, height: (level) => level }"
    assert run(TRACE + f"return trace.outlines({view}).dry", given).startswith("M57.0 0L57.0 -10.0")


def test_the_tape_of_a_closed_loop_goes_on_around_its_bend():
    """A bend of 50 pixels around (100, 60): half round it is as far down, a quarter in it is farthest out."""
    end = {"x": 100, "middle": 10, "radius": 50, "narrows": 20, "thin": 0.5}
    places = [[0, 8], [80, 8], [100, 8], [100 + 25 * np.pi, 8], [100 + 50 * np.pi, -8]]
    found = run("return given[1].map((one) => wayRound(given[0])(...one))", [end, places])
    np.testing.assert_allclose(found, [[0, 18], [80, 18], [100, 14], [146, 60], [100, 114]], atol=1e-9)


@pytest.mark.parametrize("name", PLAYED)
def test_each_machine_has_six_moves_whose_settings_are_allowed(facts, name):
    moves = run(
        """return movesFor(given).map((move) =>
            ({ ...move, checked: checkedSetting(given, move.setting) }))""",
        facts[name],
    )
    assert len(moves) == 6
    assert len({move["title"] for move in moves}) == 6
    for move in moves:
        assert move["checked"] == move["setting"]
        assert move["title"].endswith("?")
        assert "Press play" in move["todo"]


@pytest.mark.parametrize("name", PLAYED)
def test_what_the_moves_promise_is_so(facts, name):
    script = """return movesFor(given).map((move) => ({ ...move, said: headsSaid(given, move.setting),
        delays: headDelays(given, move.setting), margin: marginDb(given, move.setting) }))"""
    moves = {move["title"].split(":")[0]: move for move in run(script, facts[name])}
    far = moves["Twice as far"]
    assert f"about {2000 * far['delays'][0]:.0f}{NBSP}ms" in far["expect"]
    assert 2 * far["setting"]["heads"][0]["spacing_mm"] <= facts[name]["most_mm"]
    in_time = moves["In time"]
    assert not in_time["said"][0]["inTime"]  # there is something to do
    rings = moves["How long does it ring?"]
    assert rings["margin"] >= 14 - 0.06
    two = moves["Two heads"]
    assert two["delays"][1] / two["delays"][0] == pytest.approx(1.5, abs=0.02)
    assert two["margin"] >= 8 - 0.06
    assert all(not head["on"] for head in two["setting"]["heads"][2:])


def test_the_large_delay_says_how_far_it_may_be_off_as_the_plan_does(facts):
    """41.5 mm within 1 mm, 7.5 in/s within 2 %: 217.85 ms x hypot(1/41.5, 0.02) = 6.8 ms, said as 7."""
    (said,) = run("return headsSaid(given, given.setting)", facts["one head"])
    assert said["within"] == f"\N{PLUS-MINUS SIGN}{NBSP}7{NBSP}ms"
    assert said["sure"] == f"218{NBSP}ms{NBSP}{said['within']}"
    sure = {**facts["one head"], "spacing_plus_minus_mm": [0], "speed_plus_minus_percent": 0}
    assert run("return headsSaid(given, given.setting)", sure)[0]["within"] == ""
