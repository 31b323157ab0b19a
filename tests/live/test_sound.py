"""What a page's sound reckons with, without a browser: taps, recordings, latency, another input."""

import base64
import io

import numpy as np
import pytest
import scripts
import soundfile

from tapecalc.course.tapping import tapped_tempo
from tapecalc.measuring.estimate import CannotTell

TAPPED = """
return given.map((times) => {
  try { return tappedTempo(times); } catch (error) { return error.message; }
});
"""


def taps(rng):
    """Taps of somebody at a tempo, who may miss one, rest, or have no rhythm at all."""
    count = rng.integers(1, 40)
    gaps = (
        60 / rng.uniform(28, 430) * np.abs(1 + rng.normal(size=count) * rng.choice([0, 0.01, 0.05, 0.2]))
        + 1e-3
    )
    if rng.uniform() < 0.4:
        gaps[rng.integers(count)] *= rng.choice([0.5, 2, 8])
    return np.concatenate([[0], np.cumsum(gaps)]).tolist()


def test_taps_give_the_tempo_that_the_lesson_gives():
    rng = np.random.default_rng(11)
    rows = [taps(rng) for _ in range(1000)] + [[1.0], [0, 0.5], [0, 2, 4, 6], [0, 2.001, 4.002, 6.003]]
    told = 0
    for times, found in zip(rows, scripts.run("sound", TAPPED, rows), strict=True):
        try:
            wanted = tapped_tempo(times)
        except CannotTell as refused:
            assert found == refused.reason
            continue
        told += 1
        assert found["bpm"] == pytest.approx(wanted.bpm.value, rel=1e-9)
        assert found["plus_minus"] == pytest.approx(wanted.bpm.plus_minus, rel=1e-9)
        assert (found["taps"], found["left_out"]) == (wanted.taps, wanted.left_out)
        assert found["text"] == wanted.text
    assert 300 < told < 950


def test_taps_by_hand():
    """Four at 0.6 s: 100 bpm; gaps without scatter are off by the arrival of the two ends, 4.7 ms of 600."""
    even, backward = scripts.run("sound", TAPPED, [[0, 0.6, 1.2, 1.8], [0, 0.6, 0.5]])
    assert even["bpm"] == pytest.approx(100)
    assert even["plus_minus"] == pytest.approx(100 * 0.010 * 2**0.5 / 3 / 0.6)
    assert backward == "times must be a list of rising times in s"


@pytest.mark.parametrize("count", [0, 1, 2, 1001])
def test_a_recording_is_read_back_to_half_a_step(count):
    samples = np.random.default_rng(count).uniform(-1, 1, count).astype("<f4")
    script = """
    const samples = Float32Array.from(given);
    const pad = new Uint8Array((3 * samples.length) % 2);
    const parts = [wavHead(samples.length, 48000), wavSamples(samples), pad];
    return Buffer.concat(parts.map((part) => Buffer.from(part))).toString("base64");
    """
    data = base64.b64decode(scripts.run("sound", script, samples.astype(float).tolist()))
    assert len(data) == 44 + 3 * count + count % 2
    assert int.from_bytes(data[4:8], "little") == len(data) - 8
    read, rate = soundfile.read(io.BytesIO(data))
    assert (rate, len(read)) == (48000, count)
    assert np.abs(read - samples).max(initial=0) <= 0.5 / 2**23 + 1e-12


def test_a_recording_never_wraps_around():
    script = "return [...wavSamples(Float32Array.from(given))];"
    assert scripts.run("sound", script, [1.0, 1.5, -1.0, -1.5]) == [
        255,
        255,
        127,
        255,
        255,
        127,
        0,
        0,
        128,
        0,
        0,
        128,
    ]


def test_with_the_line_the_dry_sound_is_off_at_first_and_comes_back():
    script = """
    const line = settingForInput(given, "line");
    return [line, settingForInput(line, "clicks"), settingForInput({ ...line, dry: true }, "line"),
            settingForInput({ ...given, dry: false }, "clicks")];
    """
    phrase = {"input": "phrase", "dry": True, "bpm": 76}
    line, back, again, wet = scripts.run("sound", script, phrase)
    assert line == {"input": "line", "dry": False, "bpm": 76}
    assert back == {"input": "clicks", "dry": True, "bpm": 76}
    assert again["dry"] is False
    assert wet == {"input": "clicks", "dry": False, "bpm": 76}


def test_the_latency_says_what_is_known_and_what_is_assumed():
    script = "return given.map(latencyInWords);"
    rows = [{"base_s": 0.01, "output_s": 0.03, "input_s": 0.005}, {"base_s": 0.01, "output_s": 0.03}, {}]
    known, assumed, nothing = scripts.run("sound", script, rows)
    own = 128 / 48000
    assert known["seconds"] == pytest.approx(0.045 + own)
    assert known["text"] == (
        "The computer takes 47.7 ms: 40.0 ms out, as the browser says, "
        "5.0 ms in, as the browser says, 2.7 ms of our own."
    )
    assert assumed["seconds"] == pytest.approx(0.05 + own)
    assert "10.0 ms in, assumed: the browser does not say" in assumed["text"]
    assert nothing["seconds"] == pytest.approx(0.01 + own)
    assert "0.0 ms out, as far as the browser says" in nothing["text"]


def test_no_more_is_promised_than_is_taken_off():
    script = """
    return given.map(([seconds, taken]) => {
      const late = stillLate(seconds, taken);
      return [late, lateInWords(late, taken.length)];
    });
    """
    rows = [[0.0477, [0.0477, 0.0477]], [0.04, [0.028]], [0.04, [0.04, 0.01]], [0.04, []]]
    whole, one, two, none = scripts.run("sound", script, rows)
    assert whole == [0, "The echo comes that much sooner to make up for it."] == none
    assert one[0] == pytest.approx(0.012)
    assert "but the head is too near: its echo stays 12 ms late." in one[1]
    assert "but the nearest head is too near: its echo stays 30 ms late." in two[1]


#: A sound whose device and microphone are our own, and what is said with what is true then.
FAKE = """
const said = [], sent = [], tracks = [];
const sound = new Sound({}, "", { onSay: (text) => said.push([text, sound.playing]) });
const context = { state: "running", resume: async () => {}, close: async () => {},
  suspend: async () => { context.state = "suspended"; },
  createMediaStreamSource: () => ({ connect() {}, disconnect() {} }) };
let allow = () => {};
Object.defineProperty(globalThis, "navigator", { configurable: true, value: { mediaDevices: {
  getUserMedia: () => new Promise((go) => {
    allow = () => {
      const track = { stop() { track.open = false; }, open: true, getSettings: () => ({}) };
      tracks.push(track);
      go({ getTracks: () => [track], getAudioTracks: () => [track] });
    };
  }) } } });
sound.build = async () => {
  context.state = "running";
  sound.context = context;
  sound.node = { port: { postMessage: (message) => {
    sent.push(message);
    if (message.what === "play" && !message.on) setTimeout(() => sound.hear({ what: "silent" }));
  } } };
};
const rest = () => new Promise((go) => setTimeout(go, 5));
const phrase = { input: "phrase", dry: true, bpm: 76 }, line = { input: "line", dry: false, bpm: 76 };
"""


def faked(script):
    """Run the body of an async function behind that."""
    return scripts.run("sound", f"{FAKE}\n{script}")


def test_no_microphone_is_opened_for_whoever_stopped_meanwhile():
    script = """
    const started = sound.start(line);
    await sound.stop();
    await rest(); allow(); await rest();
    return [await Promise.race([started, rest().then(() => "waits")]), tracks.length, sound.line];
    """
    assert faked(script) == [False, 0, None]


def test_a_microphone_that_comes_too_late_is_closed():
    script = """
    await sound.start(phrase);
    const slow = sound.input("line");
    await rest();
    const next = await sound.input("clicks");
    allow();
    return [await slow, next.input, tracks.map((track) => track.open), sound.line, sound.setting.input,
            sent.at(-1).kind];
    """
    assert faked(script) == [None, "clicks", [False], None, "clicks", "clicks"]


def test_what_is_moved_while_a_microphone_opens_stays_moved():
    script = """
    await sound.start(phrase);
    const slow = sound.input("line", undefined, phrase);
    await rest();
    sound.set({ ...phrase, bpm: 90 });
    allow();
    return [await slow, sound.setting.bpm];
    """
    assert faked(script) == [{"input": "line", "dry": False, "bpm": 90}, 90]


def test_a_start_without_the_line_closes_it():
    script = """
    const started = sound.start(line);
    await rest(); allow(); await started;
    sound.set(phrase);
    await sound.start(phrase);
    return [tracks.map((track) => track.open), sound.line];
    """
    assert faked(script) == [[False], None]


def test_a_device_that_is_lost_is_told_when_all_has_stopped():
    script = """
    await sound.start(phrase);
    context.state = "suspended";
    sound.stateChanged();
    return [said, sent.filter((message) => message.what === "play").map((message) => message.on)];
    """
    sentence = "The sound device was taken away; press play to start again."
    assert faked(script) == [[[sentence, False]], [True, False]]


def test_after_a_fault_the_next_start_builds_another():
    script = """
    await sound.start(phrase);
    const first = sound.node;
    sound.broke();
    const after = [sound.node, sound.playing];
    await sound.start(phrase);
    return [...after, sound.node !== first, sound.playing, said.length];
    """
    assert faked(script) == [None, False, True, True, 1]


def test_a_recording_is_given_back_once():
    script = """
    await sound.start(phrase);
    sound.startRecording();
    sound.keepChunk(new Float32Array(1000));
    setTimeout(() => sound.hear({ what: "recorded" }));
    const blob = await sound.stopRecording();
    return [blob.size, sound.parts.length, sound.recorded];
    """
    assert faked(script) == [44 + 3000, 0, 0]


def test_what_the_browser_says_of_a_script_is_not_read_out():
    script = """
    const refused = { audioWorklet: { addModule: async (address) => { throw new Error(`no ${address}`); } } };
    sound.workletSource = "x".repeat(100000);
    try { await sound.addWorklet(refused); } catch (error) { sound.say(error); }
    return said[0][0];
    """
    assert faked(script) == "This browser does not take the sound's own script, so nothing can be played."


def test_a_data_address_gives_its_bytes():
    address = "data:audio/mpeg;base64," + base64.b64encode(bytes(range(256))).decode()
    assert scripts.run("sound", "return [...new Uint8Array(bytesOfAddress(given))];", address) == list(
        range(256)
    )
