"""The sound of a page in a real browser, from disk and without a network: starts on a press, stops at once.

What can be told to the sample is rendered by the browser's own offline context, with the same worklet.
"""

import base64
import copy
import io
import json
import os
import time
from contextlib import contextmanager
from pathlib import Path

import lab_browser
import numpy as np
import pytest
import soundfile
from playwright.sync_api import sync_playwright

from tapecalc.live.facts import playable_facts
from tapecalc.live.modules import joined
from tapecalc.machine import example_machine
from tapecalc.sound.line import line_address
from tapecalc.sound.loudness import loudness_lufs, true_peak_db

pytestmark = pytest.mark.browser

RATE = 48_000
BLOCK = 128
LATENCY = 128  # of the guard
FADE = 0.02
POLICY = (
    "default-src 'none'; script-src 'unsafe-inline' data:; style-src 'unsafe-inline'; "
    "img-src data:; media-src data: blob:"
)
FLAGS = (
    *lab_browser.QUIET,
    "--use-fake-device-for-media-stream",
    "--autoplay-policy=document-user-activation-required",
)
PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Sound</title>
<meta http-equiv="Content-Security-Policy" content="%(policy)s"></head><body>
<button id="press">Play</button><button id="stop">Stop</button>
<script type="module">
%(constants)s
let contexts = 0;
const Real = globalThis.AudioContext;
globalThis.AudioContext = class extends Real { constructor(options) { super(options); contexts += 1; } };
%(sound)s
const reports = [], said = [];
const sound = new Sound(FACTS, WORKLET_SOURCE, {
  phrase: PHRASE,
  onReport: (report) => reports.push({ ...report, cells: 0 }),
  onSay: (text) => said.push(text),
});
const page = { setting: FACTS.setting, started: null, stopped: null };
document.getElementById("press").onclick = () => { page.started = sound.start(page.setting); };
document.getElementById("stop").onclick = () => { page.stopped = sound.stop(); };

if (location.hash === "#by_itself") {
  const tell = (began) => console.log(JSON.stringify({ began, said, reports: reports.length }));
  sound.start(page.setting).then(tell);
}

/** Render offline: what is sent when, in s; reports and chunks come back beside the samples. */
async function offline(seconds, events, phrase, input) {
  const context = new OfflineAudioContext(1, seconds * 48000, 48000);
  const address = "data:text/javascript;charset=utf-8," + encodeURIComponent(WORKLET_SOURCE);
  await context.audioWorklet.addModule(address);
  const processorOptions = { facts: FACTS, setting: events[0].setting };
  const node = new AudioWorkletNode(context, "tape", { processorOptions });
  const got = { reports: 0, last: null, chunks: [] };
  let answered = null, due = 0;  // after so many blocks
  const blocks = (at) => Math.ceil(at * 375 - 1e-6);
  node.port.onmessage = ({ data }) => {
    if (data.what === "chunk") got.chunks.push(data.samples);
    if (data.what !== "report") return;
    if (data.time_s > 0) got.reports += 1;
    got.last = data;
    if (answered && data.blocks >= due) { answered(); answered = null; }
  };
  // A question that is answered tells that all before it has arrived; an older report is no answer.
  const send = (event) => new Promise((go) => {
    answered = go;
    due = blocks(event.at ?? 0);
    for (const message of event.messages) node.port.postMessage(message);
    node.port.postMessage({ what: "report" });
  });
  if (phrase) node.port.postMessage({ what: "sound", kind: "phrase", samples: Float32Array.from(phrase) });
  if (input) {
    const buffer = new AudioBuffer({ length: input.length, sampleRate: 48000 });
    buffer.copyToChannel(Float32Array.from(input), 0);
    const player = new AudioBufferSourceNode(context, { buffer });
    player.connect(node);
    player.start();
  }
  node.connect(context.destination);
  await send(events[0]);
  for (const event of events.slice(1)) {
    context.suspend(event.at).then(async () => {
      await send(event);
      if (event.pause) await event.pause();
      context.resume();
    });
  }
  const buffer = await context.startRendering();
  due = blocks(seconds);
  node.port.postMessage({ what: "report" });
  await new Promise((go) => { answered = go; });
  return { ...got, samples: buffer.getChannelData(0) };
}

const asText = (samples) => {
  const bytes = new Uint8Array(samples.buffer, samples.byteOffset, 4 * samples.length);
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return btoa(text);
};
Object.assign(window, {
  page, sound, reports, said, offline, asText, wavHead, wavSamples, settingForInput, contexts: () => contexts,
});
</script></body></html>
"""


@pytest.fixture(scope="module")
def facts():
    return playable_facts(example_machine())


@pytest.fixture(scope="module")
def address(facts, tmp_path_factory):
    """The page on disk."""
    known = {
        "FACTS": facts,
        "WORKLET_SOURCE": joined("worklet"),
        "PHRASE": line_address(facts["setting"]["bpm"]),
    }
    constants = "\n".join(
        f"const {name} = {json.dumps(value).replace('<', chr(92) + 'u003c')};"
        for name, value in known.items()
    )
    path = tmp_path_factory.mktemp("sound") / "sound.html"
    path.write_text(PAGE % {"policy": POLICY, "constants": constants, "sound": joined("sound")}, "utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def opened(address):
    """A way to open the page in a browser of its own, without a network."""
    lab_browser.skip_without_chromium()

    @contextmanager
    def page(*flags):
        browser = driver.chromium.launch(executable_path=lab_browser.CHROMIUM, args=[*FLAGS, *flags])
        try:
            tab = lab_browser.watched(browser.new_context(offline=True).new_page())
            tab.goto(address)
            yield tab
            assert not tab.problems
            assert not tab.outside
        finally:
            browser.close()

    with sync_playwright() as driver:
        yield page


@pytest.fixture(scope="module")
def shared(opened):
    """One page for all that is rendered offline."""
    with opened() as tab:
        yield tab


@pytest.fixture
def tab(opened):
    with opened("--use-fake-ui-for-media-stream") as tab:
        yield tab


def until(tab, condition, seconds=20):
    """Wait for what a script says; the page's policy forbids the driver's own way."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = tab.evaluate(condition)
        if found:
            return found
        time.sleep(0.01)
    raise AssertionError(f"never: {condition}")


def start(tab, setting=None):
    """Press play and wait until it says that it runs."""
    if setting:
        tab.evaluate("(setting) => { page.setting = setting; }", setting)
    tab.click("#press")
    assert tab.evaluate("page.started"), tab.evaluate("said")


def render(tab, seconds, events, phrase=None, line=None):
    """Samples that the worklet gives offline, and what it told meanwhile; each event is (at, *messages)."""
    given = [
        {"at": at, "messages": messages, "setting": messages[0].get("setting")} for at, *messages in events
    ]
    got = tab.evaluate(
        """async ([seconds, events, phrase, line]) => {
            const { samples, chunks, ...told } = await offline(seconds, events, phrase, line);
            return { samples: asText(samples), chunks: chunks.map(asText), told };
        }""",
        [seconds, given, phrase, line],
    )
    read = [np.frombuffer(base64.b64decode(text), "<f4").astype(float) for text in got["chunks"]]
    samples = np.frombuffer(base64.b64decode(got["samples"]), "<f4").astype(float)
    return samples, np.concatenate(read) if read else np.zeros(0), got["told"]


def plain(facts, **changes):
    """The file's setting without what is random, with some things changed."""
    setting = copy.deepcopy(facts["setting"])
    return {**setting, "hiss": False, "wobble": False, **changes}


def setting_message(setting):
    return {"what": "setting", "setting": setting}


def source(kind):
    return {"what": "source", "kind": kind}


PLAY, STOP = {"what": "play", "on": True}, {"what": "play", "on": False}


# ---- a press starts it, a press stops it ----


def test_nothing_is_opened_before_a_press(tab):
    assert tab.evaluate("[contexts(), sound.playing, reports.length]") == [0, False, 0]


def test_without_a_press_the_browser_keeps_it_silent_and_that_is_said(tab, address):
    tab.goto("about:blank")
    with tab.expect_console_message(lambda said: said.text.startswith("{")) as told:
        tab.goto(
            f"{address}#by_itself"
        )  # what the driver evaluates counts as a press, so the page itself tries
    sentence = "The browser holds the sound back, or no device plays; press play once more."
    assert json.loads(told.value.text) == {"began": False, "said": [sentence], "reports": 0}
    start(tab)  # and a press mends it
    until(tab, "reports.some((report) => report.out_peak > 1e-3)")


def test_the_first_sound_comes_within_half_a_second(tab):
    """By the audio clock, which runs from the press on."""
    start(tab)
    until(tab, "reports.some((report) => report.out_peak > 1e-3)")
    first = tab.evaluate("reports.find((report) => report.out_peak > 1e-3).time_s")
    print("first sound by the audio clock, s:", first)
    assert first < 0.5


def test_a_press_stops_it_and_lets_the_device_go(tab):
    start(tab)
    until(tab, "reports.length > 20")
    tab.click("#stop")
    tab.evaluate("page.stopped")
    assert tab.evaluate("[sound.playing, sound.context.state]") == [False, "suspended"]
    count = tab.evaluate("reports.length")
    start(tab)
    until(tab, f"reports.length > {count + 20}")
    assert tab.evaluate("[sound.playing, sound.context.state, contexts()]") == [True, "running", 1]


def test_a_stop_while_it_starts_wins(tab):
    began = tab.evaluate(
        """async () => {
            document.getElementById("press").click();
            document.getElementById("stop").click();
            await page.stopped;
            return await page.started;
        }"""
    )
    assert began is False
    assert tab.evaluate("[sound.playing, reports.length, sound.context.state]") == [False, 0, "suspended"]


def test_two_presses_open_one_device(tab):
    tab.dblclick("#press")
    until(tab, "reports.length > 5")
    assert tab.evaluate("[contexts(), said.length]") == [1, 0]


def click_samples(samples):
    """Where clicks have their tops."""
    high = np.flatnonzero(samples > 0.5 * samples.max())
    groups = np.split(high, np.flatnonzero(np.diff(high) > 1000) + 1)
    return np.array([group[np.argmax(samples[group])] for group in groups])


def dry_only(facts, **changes):
    return plain(
        facts, dry=True, heads=[{**head, "on": False} for head in facts["setting"]["heads"]], **changes
    )


def test_a_stop_fades_within_twenty_milliseconds_and_wipes_the_tape(shared, facts):
    tone = (0.1 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)).tolist()
    setting = plain(facts)
    begin = (0.0, setting_message(setting), source("phrase"), PLAY)
    at = 0.8 * RATE
    stop = (0.8, STOP)
    samples, _, _ = render(shared, 3, [begin, stop], tone)
    end = round(at + LATENCY)
    fade = round(FADE * RATE)
    assert np.abs(samples[end - 2000 : end]).max() > 0.05
    assert not samples[end + fade + BLOCK :].any()
    inside = np.abs(samples[end : end + fade])
    assert inside[: fade // 4].max() > 0.05 > 0.02 > inside[-fade // 4 :].max()
    # Started again on a silent source, nothing of what was recorded comes back.
    again = (1.2, source("line"), PLAY)
    samples, _, told = render(shared, 3, [begin, stop, again], tone)
    assert told["last"]["playing"] is True
    assert not samples[end + fade + BLOCK :].any()


def test_a_start_within_the_fade_begins_anew_and_never_jumps(shared, facts):
    tone = (0.1 * np.cos(2 * np.pi * 200 * np.arange(RATE) / RATE)).tolist()  # begins with a jump of its own
    begin = (0.0, setting_message(dry_only(facts)), source("phrase"), PLAY)
    # A loop of one second in bars of the tempo: only its first second is looked at.
    samples, _, _ = render(shared, 1, [begin, (0.5, STOP), (0.51, PLAY)], tone)
    assert np.abs(samples[round(0.6 * RATE) :]).max() > 0.09
    assert np.abs(np.diff(samples)).max() < 1.05 * 0.1 * 2 * np.pi * 200 / RATE


# ---- sources ----


def test_clicks_are_at_the_tempo_to_the_sample(shared, facts):
    bpm = 133.7
    events = [(0.0, setting_message(dry_only(facts, bpm=bpm)), source("clicks"), PLAY)]
    samples, _, _ = render(shared, 20, events)
    tops = click_samples(samples[RATE // 4 :]) + RATE // 4
    beats = np.arange(1, len(tops) + 1) * 60 / bpm * RATE + LATENCY + 12
    assert len(tops) == int(20 * bpm / 60)
    assert np.abs(tops - beats).max() <= 0.5 + 1e-6
    spectrum = np.abs(np.fft.rfft(samples)) ** 2
    frequency = np.fft.rfftfreq(len(samples), 1 / RATE)
    assert spectrum[frequency > 8000].sum() < 1e-4 * spectrum.sum()


def test_a_new_tempo_holds_from_the_next_click(shared, facts):
    events = [
        (0.0, setting_message(dry_only(facts, bpm=60)), source("clicks"), PLAY),
        (2.2, setting_message(dry_only(facts, bpm=120))),
    ]
    samples, _, _ = render(shared, 4, events)
    tops = click_samples(samples[RATE // 2 :]) + RATE // 2
    assert np.diff(tops).tolist() == [RATE, *[RATE // 2] * (len(tops) - 2)]


def test_a_phrase_comes_round_at_the_bar(shared, facts):
    """Of 1.2 bars at 120 bpm: it comes again after two bars, 4 s."""
    phrase = np.zeros(round(2.4 * RATE))
    phrase[1000:1010] = 0.3
    events = [(0.0, setting_message(dry_only(facts, bpm=120)), source("phrase"), PLAY)]
    samples, _, _ = render(shared, 9, events, phrase.tolist())
    starts = np.flatnonzero(np.diff((samples > 0.15).astype(int)) == 1) + 1
    assert starts.tolist() == [1000 + LATENCY + turn * 4 * RATE for turn in range(3)]


def test_sources_fade_into_one_another(shared, facts):
    tone = (0.1 * np.sin(2 * np.pi * 100 * np.arange(2 * RATE) / RATE)).tolist()
    events = [(0.0, setting_message(dry_only(facts)), source("phrase"), PLAY), (1.0, source("line"))]
    samples, _, _ = render(shared, 2, events, tone)
    change, fade = RATE + LATENCY, round(FADE * RATE)
    assert not samples[change + fade + BLOCK :].any()
    assert np.abs(samples[change + fade // 4 : change + fade // 2]).max() > 0.02
    assert np.abs(np.diff(samples)).max() < 1.1 * 0.1 * 2 * np.pi * 100 / RATE


def test_every_source_is_heard_and_no_other(tab):
    start(tab)
    wav = io.BytesIO()
    soundfile.write(wav, 0.1 * np.sin(np.arange(44100) * 0.1), 44100, format="WAV")
    until(tab, "reports.some((report) => report.input === 'phrase' && report.out_peak > 1e-3)")
    tab.evaluate("sound.input('clicks')")
    until(tab, "reports.some((report) => report.input === 'clicks' && report.out_peak > 1e-3)")
    text = base64.b64encode(wav.getvalue()).decode()
    setting = tab.evaluate(
        """async (text) => {
            const bytes = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
            return await sound.input("file", new Blob([bytes], { type: "audio/wav" }));
        }""",
        text,
    )
    assert setting["input"] == "file"
    until(tab, "reports.some((report) => report.input === 'file' && report.out_peak > 0.05)")
    assert tab.evaluate("sound.file.length") == RATE  # any rate becomes 48 kHz
    assert tab.evaluate("said") == []


def test_what_is_no_sound_is_refused_in_a_sentence(tab):
    start(tab)
    assert tab.evaluate("sound.input('file', new Blob(['no sound at all']))") is None
    assert tab.evaluate("sound.input('file')") is None
    assert tab.evaluate("said") == [
        "This file is not a sound that the browser can read.",
        "Choose a sound file first.",
    ]
    assert tab.evaluate("[sound.playing, sound.setting.input]") == [True, "phrase"]


# ---- the microphone ----


def test_the_microphone_is_heard_wet_only_and_closed_by_a_stop(tab, facts):
    start(tab)
    setting = tab.evaluate("sound.input('line')")
    assert (setting["input"], setting["dry"]) == ("line", False)
    until(tab, "reports.some((report) => report.input === 'line' && report.bus_peak > 1e-3)", 40)
    asked = tab.evaluate("sound.stream.getAudioTracks()[0].getSettings()")
    assert not (asked["echoCancellation"] or asked["noiseSuppression"] or asked["autoGainControl"])
    assert tab.evaluate("sound.latency_s > 0 && sound.sent_s > 0")
    assert tab.evaluate("sound.latency().text").startswith("The computer takes ")
    tab.evaluate("window.track = sound.stream.getAudioTracks()[0]")
    tab.click("#stop")
    tab.evaluate("page.stopped")
    assert tab.evaluate("[track.readyState, sound.line, sound.latency_s]") == ["ended", None, 0]


def test_leaving_the_microphone_closes_it_and_brings_the_dry_sound_back(tab):
    start(tab)
    tab.evaluate("sound.input('line')")
    tab.evaluate("window.track = sound.stream.getAudioTracks()[0]")
    setting = tab.evaluate("sound.input('clicks')")
    assert (setting["input"], setting["dry"]) == ("clicks", True)
    assert tab.evaluate("[track.readyState, sound.sent_s]") == ["ended", 0]


def test_with_the_line_the_dry_sound_is_off_to_the_sample(shared, facts):
    """A tone comes in at the node's input: nothing of it is heard before the first head has played it."""
    tone = (0.1 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)).tolist()
    setting = shared.evaluate("(setting) => settingForInput(setting, 'line')", plain(facts))
    samples, _, _ = render(shared, 1, [(0.0, setting_message(setting), source("line"), PLAY)], line=tone)
    first = min(head["spacing_mm"] for head in setting["heads"]) / 1000 / (setting["speed_ips"] * 0.0254)
    silent = round((first - 0.015) * RATE)
    assert np.abs(samples[:silent]).max() < 1e-4 < 0.01 < np.abs(samples[silent:]).max()


def test_the_latency_is_taken_off_what_is_heard(shared, facts):
    click = np.zeros(RATE)
    click[4800:4824] = 0.3 * np.hanning(24)
    setting = plain(facts, dry=False, limit=False)
    begin = [setting_message(setting), source("line"), PLAY]
    usual, _, _ = render(shared, 1, [(0.0, *begin)], line=click.tolist())
    early = {"what": "early", "seconds": 0.03}
    sooner, _, _ = render(shared, 1, [(0.0, *begin, early)], line=click.tolist())
    assert np.argmax(np.abs(usual)) - np.argmax(np.abs(sooner)) == pytest.approx(0.03 * RATE, abs=1)


def test_a_microphone_that_is_refused_is_told_in_a_sentence(opened):
    with opened("--deny-permission-prompts") as tab:
        start(tab)
        assert tab.evaluate("sound.input('line')") is None
        assert tab.evaluate("said") == [
            "The browser was not allowed to listen: permit the microphone for this page and try again."
        ]
        assert tab.evaluate("[sound.playing, sound.setting.input]") == [True, "phrase"]


def test_a_microphone_of_another_rate_that_cannot_be_used_is_closed_and_told(tab):
    start(tab)
    tab.evaluate(
        """() => {
            const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
            navigator.mediaDevices.getUserMedia = async (wish) => {
                const stream = await ask(wish);
                window.track = stream.getAudioTracks()[0];
                return stream;
            };
            sound.context.createMediaStreamSource = () => { throw new Error("rates differ"); };
        }"""
    )
    assert tab.evaluate("sound.input('line')") is None
    assert tab.evaluate("said") == [
        "This browser takes a microphone at 48 kHz only: set the sound device to that rate."
    ]
    assert tab.evaluate("[track.readyState, sound.line, sound.playing]") == ["ended", None, True]


def test_a_recording_that_a_stop_ends_keeps_its_last_sound(tab):
    """Until the device is let go, all that was heard: at least to the report before the stop."""
    start(tab)
    until(tab, "reports.length > 3")
    tab.evaluate("sound.startRecording(); window.begun = reports.at(-1).blocks")
    until(tab, "reports.at(-1).blocks > begun + 300")
    tab.click("#stop")
    tab.evaluate("page.stopped")
    recorded = tab.evaluate("sound.stopRecording().then((blob) => (blob.size - 44) / 3)")
    assert recorded >= (tab.evaluate("reports.at(-1).blocks - begun") - 16) * BLOCK


def test_a_browser_without_worklets_is_told_in_a_sentence(tab):
    tab.evaluate("delete window.AudioWorkletNode")
    tab.click("#press")
    assert tab.evaluate("page.started") is False
    assert tab.evaluate("said") == ["This browser cannot play the tape: it has no AudioWorklet."]


def test_a_device_that_goes_is_told_in_a_sentence(tab):
    start(tab)
    tab.evaluate("sound.context.suspend()")
    until(tab, "said.length > 0")
    assert tab.evaluate("said") == ["The sound device was taken away; press play to start again."]
    assert tab.evaluate("sound.playing") is False
    start(tab)
    until(tab, "sound.playing")


# ---- moves, recording, endurance ----


def test_an_echo_that_runs_away_is_held_and_that_is_told(shared, facts):
    setting = plain(facts, limit=False, return_send_db=12)
    samples, _, told = render(
        shared, 12, [(0.0, setting_message(setting), source("clicks"), PLAY), (11, PLAY)]
    )
    assert np.isfinite(samples).all()
    assert true_peak_db(samples) <= -6
    assert loudness_lufs(np.stack([samples, samples], axis=1)[-3 * RATE :], RATE) <= -20
    assert told["last"]["held_db"] > 10
    assert -23 < told["last"]["loudness_lufs"] <= -20


@pytest.mark.parametrize("move", ["spacing", "level", "return", "speed"])
def test_a_move_is_heard_after_a_block_at_most(shared, facts, move):
    """The first sample that differs from the sound without the move, behind the guard's look ahead."""
    noise = (0.01 * np.random.default_rng(1).normal(size=2 * RATE)).tolist()
    setting = plain(facts)
    other = copy.deepcopy(setting)
    if move == "spacing":
        other["heads"][0]["spacing_mm"] += 5
    elif move == "level":
        other["heads"][0]["level_db"] -= 6
    elif move == "speed":
        other["speed_ips"] = facts["speeds"][-1]["speed_ips"]
        assert other["speed_ips"] != setting["speed_ips"]
    else:
        other["return_send_db"] -= 6
    begin = (0.0, setting_message(setting), source("phrase"), PLAY)
    at = 1.2
    usual, _, _ = render(shared, 2, [begin, (at, setting_message(setting))], noise)
    moved, _, _ = render(shared, 2, [begin, (at, setting_message(other))], noise)
    first = np.flatnonzero(np.abs(usual - moved) > 1e-7)[0] - LATENCY - round(at * RATE)
    if move == "return":  # heard when what it changes has come round to the first head
        first -= round(
            (facts["setting"]["heads"][0]["spacing_mm"] - 5) / 1000 / (0.0254 * setting["speed_ips"]) * RATE
        )
        assert first <= 0.04 * RATE
    else:
        assert 0 <= first <= 2 * BLOCK


def test_what_is_recorded_is_what_is_heard(shared, facts):
    record = {"what": "record", "on": True}
    events = [
        (0.0, setting_message(plain(facts)), source("clicks"), PLAY),
        (193 * BLOCK / RATE, record),
        (769 * BLOCK / RATE, {"what": "record", "on": False}),
    ]  # not where the worklet reports by itself: that would look like an answer
    samples, kept, _ = render(shared, 2.5, events)
    assert np.array_equal(kept, samples[193 * BLOCK : 769 * BLOCK])


def test_a_recording_is_a_wav_file_of_24_bits(tab):
    start(tab)
    until(tab, "reports.some((report) => report.out_peak > 1e-2)")
    tab.evaluate("sound.startRecording()")
    until(tab, "sound.recorded > 24000")
    text = tab.evaluate(
        """async () => {
            const blob = await sound.stopRecording();
            const bytes = new Uint8Array(await blob.arrayBuffer());
            return asText(new Float32Array(bytes.buffer.slice(0, bytes.length - bytes.length % 4)));
        }"""
    )
    with soundfile.SoundFile(io.BytesIO(base64.b64decode(text))) as file:
        assert (file.samplerate, file.channels, file.subtype) == (RATE, 1, "PCM_24")
        assert file.frames > 24000
        assert np.abs(file.read()).max() > 1e-3


def test_samples_come_back_from_a_recording_within_half_a_step(shared):
    samples = np.random.default_rng(2).uniform(-1, 1, 1001).astype("<f4").astype(float)
    text = shared.evaluate(
        """async (samples) => {
            const all = Float32Array.from(samples);
            const blob = new Blob([wavHead(all.length, 48000), wavSamples(all), new Uint8Array(1)]);
            return btoa(String.fromCharCode(...new Uint8Array(await blob.arrayBuffer())));
        }""",
        samples.tolist(),
    )
    read, rate = soundfile.read(io.BytesIO(base64.b64decode(text)))
    assert rate == RATE
    assert np.abs(read - samples).max() <= 0.5 / 2**23 + 1e-12


def resident_mb(tab):
    """Memory that the page's process holds, MB."""
    session = tab.context.browser.new_browser_cdp_session()
    found = [
        one["id"]
        for one in session.send("SystemInfo.getProcessInfo")["processInfo"]
        if one["type"] == "renderer"
    ]
    session.detach()
    pages = [int(Path(f"/proc/{number}/statm").read_text().split()[1]) for number in found]
    return max(pages) * os.sysconf("SC_PAGE_SIZE") / 2**20


@pytest.mark.parametrize(
    "seconds",
    [pytest.param(60, id="a minute"), pytest.param(1800, id="half an hour", marks=pytest.mark.weekly)],
)
def test_it_goes_on_without_growing_or_dropping_a_block(opened, facts, seconds):
    if not Path("/proc/self/statm").exists():
        pytest.skip("memory is read from /proc, which this system does not have")
    setting = {**copy.deepcopy(facts["setting"]), "input": "clicks"}
    with opened() as tab:
        held = []
        tab.expose_function("look", lambda at: held.append(resident_mb(tab) - at * RATE * 4 / 2**20))
        told = tab.evaluate(
            """async ([seconds, setting, messages]) => {
                const events = [{ messages, setting }];
                for (let part = 1; part <= 12; part++) {
                    const at = Math.floor((seconds * part) / 12) - 1;
                    events.push({ at, messages: [], pause: () => look(at) });
                }
                const { reports, last } = await offline(seconds, events);
                return { reports, blocks: last.blocks };
            }""",
            [seconds, setting, [setting_message(setting), source("clicks"), PLAY]],
        )
        blocks = seconds * RATE // BLOCK
        assert told["blocks"] == blocks
        assert told["reports"] == blocks // 8 + 13  # and those that were asked for
        # Without the rendered sound itself; between two collections it goes up and down by 40 MB.
        assert min(held[6:]) - min(held[:6]) < 12
