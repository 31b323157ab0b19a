"""What a reader answered is kept where it can be, is read with suspicion, and can be erased."""

import json

import pytest
import scripts

#: A browser's store, and what it does when it is asked.
STORE = """
const calls = [];
const makeStore = (text, broken) => ({
  getItem(name) { if (broken === "get") throw new Error("blocked"); return text; },
  setItem(name, value) { if (broken) throw new Error("full"); calls.push([name, value]); text = value; },
  removeItem(name) { if (broken) throw new Error("blocked"); calls.push([name]); text = null; },
});
"""


def run(script, text=None, broken=None):
    """Run a script with the answers of a store that holds a text."""
    made = "const answers = new Answers(makeStore(given.text, given.broken));"
    return scripts.run("answers", f"{STORE} {made} {script}", {"text": text, "broken": broken})


def test_what_is_said_is_kept_under_one_name_beside_what_another_page_said():
    script = """
    const store = makeStore(null), one = new Answers(store), other = new Answers(store);
    one.say("delay.mains", { text: "300", state: "right" });
    other.say("delay.ruler", { text: "1", state: "not yet" });
    return [new Answers(store).said, [...new Set(calls.map(([name]) => name))]];"""
    said, names = run(script)
    assert said == {
        "delay.mains": {"text": "300", "state": "right"},
        "delay.ruler": {"text": "1", "state": "not yet"},
    }
    assert names == ["tapecalc course"]


def test_visits_are_counted_and_erased_with_all_else():
    script = """
    const before = [answers.visit("tempo"), answers.visit("tempo"), answers.visit("heads")];
    answers.say("delay.mains", { text: "300", state: "right" });
    answers.erase();
    const left = [{ ...answers.said }, { ...answers.visits }];
    return [before, ...left, answers.visit("tempo"), calls.some((call) => call.length === 1)];"""
    assert run(script) == [[0, 1, 0], {}, {}, 0, True]


@pytest.mark.parametrize("broken", ["get", "set"])
def test_where_a_store_refuses_answers_last_as_long_as_the_page(broken):
    script = """
    answers.say("delay.mains", { text: "300", state: "right" });
    answers.visit("tempo");
    const kept = [{ ...answers.said }, answers.keeper];
    answers.erase();
    return [...kept, answers.said];"""
    assert run(script, broken=broken) == [{"delay.mains": {"text": "300", "state": "right"}}, None, {}]


@pytest.mark.parametrize(
    ("kept", "said", "visits"),
    [
        ("{", {}, {}),
        ("null", {}, {}),
        ("5", {}, {}),
        ('{"said": 5, "visits": "no"}', {}, {}),
        (
            json.dumps({"said": {"a": {"text": "1", "state": "right", "more": 1}}}),
            {"a": {"text": "1", "state": "right"}},
            {},
        ),
        (
            json.dumps(
                {"said": {"a": {"text": "1", "state": "toString"}, "b": {"text": 1, "state": "right"}}}
            ),
            {},
            {},
        ),
        (json.dumps({"said": {"a": {"text": "1" * 61, "state": "right"}, "b": None}}), {}, {}),
        (json.dumps({"visits": {"tempo": 3, "heads": -1, "delay": 1.5, "flutter": "2"}}), {}, {"tempo": 3}),
    ],
)
def test_what_is_not_of_our_making_is_left_aside(kept, said, visits):
    assert run("return [answers.said, answers.visits];", kept) == [said, visits]
