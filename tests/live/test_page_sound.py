"""What a page tells its sound, and says of it: with a sound of our own in place of the browser's."""

import pytest
import scripts
from played_machines import PLAYED

from tapecalc.live.facts import playable_facts

PAGE = """
const { setting } = given.facts, said = [], chosen = [], kept = [];
const sound = { playing: true, file: null, sent_s: 0.04, set() {}, startRecording() {},
  latency: () => ({ text: "It takes 40 ms." }), stop() { this.playing = false; },
  input: async (kind, _, now) => { chosen.push(kind); return { ...now, input: kind }; },
  stopRecording: async () => kept.push("all") };
const page = Object.assign(Object.create(TapePage.prototype), { facts: given.facts, setting, sound,
  touched: 0, history: new History(setting), two: new TwoSettings(setting), options: {},
  wished: null, taking: false,
  scene: { show() {}, run() {}, report() {} }, filePanel: {}, linePanel: {}, recordButton: {}, heldSaid: 0,
  worn: { box: { checked: false }, show(on) { this.box.checked = on; } },
  later() {}, showPlaying() {}, say: (sentence) => said.push(sentence) });
globalThis.URL = { createObjectURL: () => "", revokeObjectURL() {} };
globalThis.document = { createElement: () => ({ setAttribute() {}, append() {}, click() {} }) };
const rest = () => new Promise((go) => setTimeout(go));
"""


@pytest.fixture(scope="module")
def run():
    facts = playable_facts(PLAYED["one head"])
    return lambda script: scripts.run("page", PAGE + script, {"facts": facts})


def test_a_step_back_brings_its_input_to_be_heard(run):
    script = """
    await page.useInput("clicks");
    page.apply(page.history.undo(), { back: true });
    await rest();
    return [chosen, page.setting.input, page.history.canRedo];
    """
    assert run(script) == [["clicks", "phrase"], "phrase", True]


@pytest.mark.parametrize(("kind", "sentence"), [("line", "headphones"), ("file", "Choose a sound file")])
def test_an_input_that_waits_for_somebody_stops_the_sound_and_says_so(run, kind, sentence):
    script = f"""
    page.apply({{ ...setting, input: "{kind}" }});
    return [sound.playing, chosen, said.at(-1), page.filePanel.hidden, page.linePanel.hidden];
    """
    playing, chosen, said, *hidden = run(script)
    assert (playing, chosen) == (False, [])
    assert sentence in said
    assert hidden == [kind == "line", kind == "file"]


def test_headphones_are_asked_for_again_after_another_input(run):
    script = """
    page.worn.box.checked = true;
    page.apply({ ...setting, input: "line" });
    const first = chosen.slice();
    page.apply(setting);
    page.apply({ ...setting, input: "line" });
    return [first, sound.playing];
    """
    assert run(script) == [["line"], False]


def test_a_recording_that_has_ended_by_itself_is_saved_and_not_begun_again(run):
    script = """
    await page.record();
    const first = page.recordButton.textContent;
    sound.startRecording = () => kept.push("begun again");
    await page.record();
    return [first, page.recordButton.textContent, kept, page.taking];
    """
    assert run(script) == ["stop recording and save", "record what is heard", ["all"], False]


def test_what_stays_late_is_told_once_it_is_known_and_again_when_it_changes(run):
    script = """
    for (const early of [0.001, 0.04, 0.04, 0.0395, 0.03, 0.03, 0.03]) page.tellLatency([{ early_s: early }]);
    return said;
    """
    assert run(script) == [
        "It takes 40 ms. The echo comes that much sooner to make up for it.",
        "It takes 40 ms. The echo comes sooner to make up for it, but the head is too near: its echo stays "
        "10 ms late.",
    ]


def test_a_sound_that_is_turned_down_is_told_but_not_every_time(run):
    script = "for (const held of [0, 3, 6.4, 7, 9, 12.6, 20]) page.tellHeld(held); return said;"
    assert [sentence.split("by ")[1].split("\N{NO-BREAK SPACE}")[0] for sentence in run(script)] == [
        "6",
        "13",
        "20",
    ]


def test_a_phrase_that_waits_for_a_bar_begins_at_its_beginning_when_the_tempo_goes_up():
    """5 s at 60 wait for the second bar, 8 s; at 200 five bars are 6 s, and 7.5 s are past them."""
    script = """
    const phrase = Float32Array.from({ length: 5 * 48000 }, (_, k) => k + 1);
    const loop = new Loop(phrase, true, 60);
    const part = new Float32Array(128);
    for (let at = 0; at < 7.5 * 48000; at += 128) loop.read(part);
    loop.tempo(200);
    loop.read(part);
    return [part[0], part[1]];
    """
    assert scripts.run("worklet", script) == [1, 2]


def test_at_another_tempo_the_phrase_says_that_it_keeps_its_own_and_clicks_say_nothing(run):
    script = """
    page.apply({ ...setting, bpm: 90 });
    page.apply({ ...setting, bpm: setting.bpm });
    page.apply({ ...setting, input: "clicks", bpm: 90 });
    return said;
    """
    first, *others = run(script)
    assert first.startswith("The phrase is still spoken as at 76 beats a minute")
    assert others == ["", ""]
