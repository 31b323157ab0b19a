"""What a person moves: checked alike in both languages, in the address, back and forth, and as a file."""

import copy
import itertools
import json
import re

import numpy as np
import pytest
import scripts
from live_machines import TEXTS, facts_for, machine_named, random_setting

from tapecalc.live.facts import playable_facts
from tapecalc.live.setting import checked_setting, file_parts, machine_of_setting, setting_of_machine
from tapecalc.machine import machine_from_text, machine_to_text, with_changes

REACH = "least_mm", "most_mm"
MANY = 150  # settings of each machine


@pytest.fixture(scope="module")
def drawn():
    """The machines by name, each with its facts and many settings."""
    rng = np.random.default_rng(3)
    found = {}
    for name in TEXTS:
        machine = machine_named(name)
        facts = facts_for(machine)
        settings = [random_setting(rng, facts) for _ in range(MANY)]
        found[name] = machine, facts, [facts["setting"], *settings]
    return found


def in_page(script, drawn):
    """Run a script with each machine's facts and settings: `script` is what is done with one `s`."""
    given = [{"facts": facts, "settings": settings} for _, facts, settings in drawn.values()]
    return scripts.run(
        "setting", f"return given.map(({{ facts, settings }}) => settings.map((s) => {script}));", given
    )


TRIED = "(() => { try { return [%s]; } catch (error) { return error.message; } })()"

# ---- what is allowed ----


def test_a_setting_that_can_be_comes_back_as_it_was(drawn):
    for found, (_, facts, settings) in zip(
        in_page("checkedSetting(facts, s)", drawn), drawn.values(), strict=True
    ):
        assert found == settings == [checked_setting(facts, setting) for setting in settings]


def test_a_checked_setting_is_a_copy(drawn):
    _, facts, (setting, *_) = drawn["one_head"]
    copied = checked_setting(facts, setting)
    copied["heads"][0]["on"] = False
    assert setting["heads"][0]["on"]
    script = "checkedSetting(given, given.setting).heads[0].on = false; return given.setting.heads[0].on;"
    assert scripts.run("setting", script, facts) is True


SEND, NOTE = "a number from -90 to 20", '"any" or a note value such as "dotted eighth"'
FIRST = ["heads", 0]
HEAD_KEYS = "spacing_mm, level_db, inverted, feeds_return, on"
#: Where, what, and the sentence that refuses it.
WRONG = [
    (["speed_ips"], 8.0, "speed_ips must be 7.5 or 3.75, got 8"),
    (["speed_ips"], "7.5", 'speed_ips must be 7.5 or 3.75, got "7.5"'),
    (["bpm"], 401, "bpm must be a number from 20 to 400, got 401"),
    (["bpm"], None, "bpm must be a number from 20 to 400, got nothing"),
    (["note"], "dotted", f'note must be {NOTE}, got "dotted"'),
    (["note"], "a\x1b" + "b" * 50, f'note must be {NOTE}, got "a?{"b" * 35}..."'),
    (["return_send_db"], 20.5, f"return_send_db must be {SEND}, got 20.5"),
    (["input_send_db"], True, f"input_send_db must be {SEND}, got true"),
    ([*FIRST, "spacing_mm"], 3.9, "heads[1].spacing_mm must be a number from 4 to 300, got 3.9"),
    ([*FIRST, "spacing_mm"], 1e9, "heads[1].spacing_mm must be a number from 4 to 300, got 1e+09"),
    ([*FIRST, "level_db"], -91, f"heads[1].level_db must be {SEND}, got -91"),
    ([*FIRST, "on"], 1, "heads[1].on must be true or false, got 1"),
    (["hiss"], [], "hiss must be true or false, got a list"),
    (["input"], "guitar", 'input must be "phrase", "clicks", "file", "line", got "guitar"'),
    (["heads"], [], "heads must be a list of 1 to 8, got 0"),
    (["heads"], {"0": 1}, "heads must be a list of 1 to 8, got keys"),
    (FIRST, 41.5, f"heads[1] must have the keys {HEAD_KEYS}, got 41.5"),
]


def changed(setting, path, value):
    """Put a value at one place of a copy."""
    data = copy.deepcopy(setting)
    place = data
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return data


def refusals(facts, settings):
    """What both languages say of settings: the sentence, or the checked setting."""
    script = f"return given[1].map((s) => {TRIED % 'checkedSetting(given[0], s)'});"
    page = scripts.run("setting", script, [facts, settings])
    python = []
    for setting in settings:
        try:
            python.append([checked_setting(facts, setting)])
        except ValueError as error:
            python.append(str(error))
    return page, python


def test_both_languages_refuse_alike_in_one_sentence(drawn):
    _, facts, (setting, *_) = drawn["bare"]
    facts = {**facts, "speeds": [{"speed_ips": 7.5}, {"speed_ips": 3.75}]}
    settings = [changed(setting, path, value) for path, value, _ in WRONG]
    page, python = refusals(facts, settings)
    assert page == python == [sentence for _, _, sentence in WRONG]


def test_keys_are_all_there_and_no_others(drawn):
    _, facts, (setting, *_) = drawn["bare"]
    without = {key: value for key, value in setting.items() if key != "limit"}
    page, python = refusals(facts, [without, {**setting, "reverb": True}, None, 7, [setting]])
    assert page == python
    assert page[:2] == ["a setting must have the key limit", 'a setting must have no key "reverb"']


def test_a_free_speed_lies_in_its_range(drawn):
    _, facts, (setting, *_) = drawn["closed_loop"]
    low, high = facts["speed_range_ips"]
    page, python = refusals(
        facts, [{**setting, "speed_ips": s} for s in (low, high, low * 0.999, high * 1.001)]
    )
    assert page == python
    assert [isinstance(one, str) for one in page] == [False, False, True, True]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 10**400, -(10**400)])
def test_numbers_are_finite(drawn, value):
    _, facts, (setting, *_) = drawn["bare"]
    with pytest.raises(ValueError, match="^speed_ips must be .*, got no finite number$"):
        checked_setting(facts, {**setting, "speed_ips": value})
    with pytest.raises(ValueError, match="bpm must be a number from 20 to 400, got no finite number"):
        checked_setting(facts, {**setting, "bpm": value})
    script = (
        "return [NaN, 1 / 0].map((v) => " + TRIED % "checkedSetting(given, {...given.setting, bpm: v})" + ");"
    )
    assert {*scripts.run("setting", script, facts)} == {
        "bpm must be a number from 20 to 400, got no finite number"
    }


def test_damaged_settings_are_judged_alike(drawn):
    rng = np.random.default_rng(8)
    values = [
        None,
        "x",
        "",
        "any",
        "line",
        [],
        {},
        True,
        False,
        0,
        -1,
        3,
        7.5,
        41.5,
        1e9,
        -1e9,
        1e-9,
        "\u00e9",
        "q" * 60,
    ]
    for _, facts, settings in drawn.values():
        damaged = []
        for setting in settings[:40]:
            data = copy.deepcopy(setting)
            for _ in range(int(rng.integers(1, 3))):
                place = data
                while True:
                    keys = list(place) if isinstance(place, dict) else list(range(len(place)))
                    key = keys[rng.integers(len(keys))]
                    inner = place[key]
                    if not isinstance(inner, dict | list) or not inner or rng.random() < 0.1:
                        break
                    place = inner
                if rng.random() < 0.2 and len(place) > 1:
                    del place[key]
                else:
                    place[key] = copy.deepcopy(values[rng.integers(len(values))])
            damaged.append(data)
        page, python = refusals(facts, damaged)
        assert page == python
        assert 5 < sum(isinstance(one, str) for one in page) < 40 or len(settings[0]["heads"]) > 1


def test_the_facts_of_a_page_allow_where_the_heads_stand_and_can_stand(drawn):
    for machine, ours, (setting, *_) in drawn.values():
        facts = playable_facts(machine)
        assert {key: facts[key] for key in ours if key not in (*REACH, "speeds")} == {
            key: value for key, value in ours.items() if key not in (*REACH, "speeds")
        }
        assert checked_setting(facts, setting) == facts["setting"] == setting
        for at in range(len(setting["heads"])):
            for end in REACH:
                moved = checked_setting(facts, changed(setting, ["heads", at, "spacing_mm"], facts[end]))
                assert machine_of_setting(machine, moved)


# ---- the address ----


def test_an_address_survives_every_setting(drawn):
    script = "((a) => [a, settingFromAddress(facts, a), settingFromAddress(facts, encodeURIComponent(a))])"
    script += "(settingToAddress(facts, s))"
    for found, (_, _, settings) in zip(in_page(script, drawn), drawn.values(), strict=True):
        for (address, back, escaped), setting in zip(found, settings, strict=True):
            assert back == escaped == {"setting": setting, "problem": None}, address
            assert re.fullmatch(r"#[-a-z0-9_.,=&+]*", address)
        assert found[0][0] == "#"  # the file's own


def test_an_address_says_what_differs_and_reads_as_words(drawn):
    _, facts, (setting, *_) = drawn["three_heads"]
    moved = copy.deepcopy(setting) | {"note": "dotted eighth", "return_send_db": -7.5, "wobble": False}
    moved["heads"][1]["spacing_mm"] = 52.4
    moved["heads"][2] |= {"on": False, "level_db": 0.0}
    script = "return settingToAddress(given[0], given[1]);"
    wanted = "#return=-7.5&note=dotted_eighth&head2=52.4,-6,inverted&head3=160,aside,off&wobble=off"
    assert scripts.run("setting", script, [facts, moved]) == wanted


DAMAGED = {
    "#bpm=": "bpm must have a number",
    "#bpm=0x50": "bpm must have a number",
    "#bpm=1e999": "bpm must be a number from 20 to 400",
    "#bpm=90&bpm=91": "bpm stands there twice",
    "#tempo=90": '"tempo" is no part of a setting',
    "#bpm=90&hiss": '"hiss" is not a word and a value',
    "#bpm=9=0": '"bpm=9=0" is not a word and a value',
    "#head1=": "head1 must have a number",
    "#head1=50,loud": "head1 must be a spacing, a level and inverted, aside, off",
    "#head1=50,off,inverted": "head1 must be a spacing, a level and inverted, aside, off",
    "#head3=50": '"head3" is no part of a setting',
    "#head0=50": '"head0" is no part of a setting',
    "#hiss=no": "hiss must be on or off",
    "#note=dotted": 'note must be "any" or',
    "#speed=9": "speed_ips must be 7.5 or 3.75",
    "#%E0%A4%A": "its letters are damaged",
    "#<script>alert('a=1')</script>": "is no part of a setting",
    "#constructor=1": '"constructor" is no part of a setting',
    "#__proto__=1": '"__proto__" is no part of a setting',
    "#" + "a" * 3000: "it is longer than 2000 letters",
    "#bpm=90&&": '"" is not a word and a value',
}


def test_a_damaged_address_gives_one_sentence_and_the_files_setting(drawn):
    _, facts, (setting, *_) = drawn["one_head"]
    script = "return given[1].map((text) => settingFromAddress(given[0], text));"
    for (text, reason), found in zip(
        DAMAGED.items(), scripts.run("setting", script, [facts, list(DAMAGED)]), strict=True
    ):
        assert found["setting"] == setting, text
        assert reason in found["problem"], text
        assert found["problem"].endswith("so the file's is shown.")
        assert found["problem"].isprintable()
        assert len(found["problem"]) < 260


def test_no_address_and_a_place_on_the_page_are_the_files_setting(drawn):
    _, facts, (setting, *_) = drawn["one_head"]
    script = (
        "return ['', '#', '#main', '#%C3%A9t%C3%A9', '#bpm'].map((text) => settingFromAddress(given, text));"
    )
    assert scripts.run("setting", script, facts) == [{"setting": setting, "problem": None}] * 5


def test_any_letters_give_a_setting_that_can_be(drawn):
    rng = np.random.default_rng(21)
    letters = [
        *"#&=,.-+%_0123456789eEabhdspo<>\"'\\ ",
        "head1=",
        "bpm=",
        "speed=",
        "off",
        "\u00e9",
        "\n",
        "%20",
    ]
    texts = ["".join(rng.choice(letters, rng.integers(1, 40))) for _ in range(2000)]
    addresses = in_page("settingToAddress(facts, s)", {"one_head": drawn["one_head"]})[0]
    for address in addresses:  # nearly right ones are the hard ones
        at = int(rng.integers(1, len(address) + 1))
        texts.append(address[:at] + str(rng.choice(letters)) + address[at + 1 :])
    _, facts, _ = drawn["one_head"]
    script = "return given[1].map((text) => settingFromAddress(given[0], text));"
    found = scripts.run("setting", script, [facts, texts])
    assert all(checked_setting(facts, one["setting"]) == one["setting"] for one in found)
    assert all(one["problem"] is None or one["setting"] == facts["setting"] for one in found)


# ---- steps back, and two ----


def walk(steps):
    """Do some steps on a history, with numbers for settings; give what is now and can be done after each."""
    script = """
    const history = new History({ at: 0 });
    return given.map(([what, at, dragging]) => {
      if (what === "push") history.push({ at }, dragging);
      else history[what]();
      return [history.now.at, history.canUndo, history.canRedo];
    });
    """
    return scripts.run("setting", script, steps)


def test_steps_go_back_and_forth():
    steps = [
        ["push", 1],
        ["push", 2],
        ["undo"],
        ["undo"],
        ["undo"],
        ["redo"],
        ["push", 3],
        ["redo"],
        ["undo"],
    ]
    assert walk(steps) == [
        [1, True, False],
        [2, True, False],
        [1, True, True],
        [0, False, True],
        [0, False, True],
        [1, True, True],
        [3, True, False],
        [3, True, False],
        [1, True, True],
    ]


def test_a_drag_is_one_step():
    drag = [["push", at, True] for at in range(1, 50)]
    assert walk([*drag, ["push", 50, False], ["undo"], ["redo"]])[-3:] == [
        [50, True, False],
        [0, False, True],
        [50, True, False],
    ]
    two = [*drag, ["push", 50, False], ["push", 51, True], ["push", 52, True], ["push", 52, False], ["undo"]]
    assert walk(two)[-1] == [50, True, True]


def test_a_drag_back_to_where_it_began_is_no_step():
    assert walk([["push", 1, True], ["push", 0, True], ["push", 0, False]])[-1] == [0, False, False]
    assert walk([["push", 7], ["push", 1, True], ["push", 7, False], ["undo"]])[-1] == [0, False, True]


def test_a_drag_that_comes_back_on_its_way_goes_on_as_one_step():
    steps = [
        ["push", 7],
        ["push", 1, True],
        ["push", 7, True],
        ["push", 3, True],
        ["push", 3, False],
        ["undo"],
    ]
    assert walk(steps)[-1] == [7, True, True]
    assert walk([*steps, ["undo"]])[-1] == [0, False, True]


def test_the_same_again_is_no_step():
    assert walk([["push", 1], ["push", 1], ["undo"]])[-1] == [0, False, True]


def test_a_history_forgets_the_oldest_of_very_many():
    found = walk([["push", at] for at in range(1, 400)] + [["undo"]] * 400)
    assert found[-1] == [200, False, True]


def test_two_settings_are_kept_apart():
    script = """
    const two = new TwoSettings({ at: 1 });
    const seen = [[two.using, two.now.at]];
    const look = () => seen.push([two.using, two.now.at]);
    two.set({ at: 2 }); look();
    two.switch(); look();
    two.set({ at: 3 }); look();
    two.switch(); look();
    return seen;
    """
    assert scripts.run("setting", script) == [["A", 1], ["A", 2], ["B", 1], ["B", 3], ["A", 2]]


# ---- machine files ----


def test_the_file_of_the_page_is_the_machine_of_the_setting(drawn):
    found, refused = in_page(TRIED % "machineFile(facts, s)", drawn), []
    for texts, (machine, _, settings) in zip(found, drawn.values(), strict=True):
        for text, setting in zip(texts, settings, strict=True):
            try:
                wanted = machine_of_setting(machine, setting)
            except ValueError as error:
                assert text == str(error)
                refused.append(text)
                continue
            read = machine_from_text(text[0])
            assert read == wanted
            said = machine_to_text(wanted).replace("measured_delays = []\n", "")
            assert machine_to_text(read) == said.replace("measured_responses = []\n", "")
    assert {text.partition(" for ")[0] for text in refused} == {
        "heads must have one that is on",
        "heads must not cancel each other",
    }


def test_the_setting_of_a_file_gives_the_file(drawn):
    for machine, facts, _ in drawn.values():
        assert machine_to_text(machine_of_setting(machine, setting_of_machine(machine))) == machine_to_text(
            machine
        )
        assert json.loads(json.dumps(facts["setting"])) == setting_of_machine(machine)


def test_a_machine_of_a_setting_has_that_setting(drawn):
    for machine, _, settings in drawn.values():
        for setting in settings[:60]:
            try:
                again = setting_of_machine(machine_of_setting(machine, setting))
            except ValueError:
                continue
            used = [head for head in setting["heads"] if head["on"]]
            assert again["heads"] == sorted(used, key=lambda head: head["spacing_mm"])
            for key in ("bpm", "note", "input_send_db", "return_send_db"):
                assert again[key] == setting[key], key


def test_moved_heads_lose_their_measured_delays_as_with_changes_does(drawn):
    machine, _, (setting, *_) = drawn["everything"]
    moved = copy.deepcopy(setting) | {"bpm": 99.0, "note": "any", "return_send_db": -3.0}
    moved["heads"][1] |= {"spacing_mm": 41.0, "level_db": -2.0}
    wanted = with_changes(
        machine,
        {
            "song.bpm": 99.0,
            "song.note": None,
            "mixer.return_send_db": -3.0,
            "playback_heads.2.spacing_mm": 41.0,
            "playback_heads.2.level_db": -2.0,
        },
    )
    assert machine_of_setting(machine, moved) == wanted
    assert [(one.head, one.speed) for one in wanted.measured_delays] == [(3, 1)]


def test_heads_that_are_off_are_left_out_and_the_others_keep_what_was_measured(drawn):
    machine, _, (setting, *_) = drawn["everything"]
    moved = copy.deepcopy(setting)
    moved["heads"][0]["on"] = False
    found = machine_of_setting(machine, moved)
    assert [head.spacing_mm for head in found.playback_heads] == [40.0, 140.25]
    assert [(one.head, one.speed, one.delay_ms) for one in found.measured_delays] == [
        (1, 2, 210.5),
        (2, 1, 369.0),
    ]
    assert found.measured_responses == ()  # poles are longer now


def test_heads_that_passed_each_other_stand_in_tape_order(drawn):
    machine, _, (setting, *_) = drawn["everything"]
    moved = copy.deepcopy(setting)
    moved["heads"][0]["spacing_mm"] = 200.0
    found = machine_of_setting(machine, moved)
    assert [(head.spacing_mm, head.level_db) for head in found.playback_heads] == [
        (40.0, 0.0),
        (140.25, 0.0),
        (200.0, -3.0),
    ]
    assert [(one.head, one.speed) for one in found.measured_delays] == [(1, 2), (2, 1)]


def test_a_page_with_no_head_on_makes_no_file(drawn):
    machine, _, (setting, *_) = drawn["one_head"]
    moved = copy.deepcopy(setting)
    moved["heads"][0]["on"] = False
    with pytest.raises(ValueError, match="heads must have one that is on"):
        machine_of_setting(machine, moved)


@pytest.mark.parametrize(
    ("told", "first_mm", "last_mm"),
    [
        ("playback_heads = [{spacing_mm = 41.5}]", 0.5, 5.0),  # half of the nearest place of a usual head
        ("unusual = true\nplayback_heads = [{spacing_mm = 0.6}]", 0.3, 5.0),
        ("heads.pole_length_mm = 7.0\nplayback_heads = [{spacing_mm = 41.5}]", 7.0, 7.0),
    ],
)
def test_the_worst_response_is_told_for_all_poles_that_there_can_be(told, first_mm, last_mm):
    (row,) = file_parts(machine_from_text(f"transport.speeds_ips = [7.5]\n{told}"))["worst"]
    poles_mm = [pole_mm for pole_mm, _ in row["by_pole"]]
    assert poles_mm == sorted(poles_mm)
    assert 0.75 * first_mm < poles_mm[0] <= first_mm
    assert poles_mm[-1] == last_mm
    assert all(b <= a / 0.749 for a, b in itertools.pairwise(poles_mm))
