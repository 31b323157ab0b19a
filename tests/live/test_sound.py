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


def test_a_data_address_gives_its_bytes():
    address = "data:audio/mpeg;base64," + base64.b64encode(bytes(range(256))).decode()
    assert scripts.run("sound", "return [...new Uint8Array(bytesOfAddress(given))];", address) == list(
        range(256)
    )
