"""The guard of the ears: nothing gets out too high or too loud, and usual sound passes untouched."""

import base64

import numpy as np
import pytest
import scripts

from tapecalc.sound import loudness, signals
from tapecalc.sound.line import line
from tapecalc.sound.loudness import program_gain_db, true_peak_db

RATE = 48_000
LATENCY = 128
RUN = """
return given.map((text) => {
  const raw = Buffer.from(text, "base64");
  const samples = new Float32Array(raw.buffer.slice(raw.byteOffset, raw.byteOffset + raw.length));
  const guard = new Guard();
  const held = [], lufs = [];
  for (let i = 0; i < samples.length; i += 128) {
    guard.process(samples.subarray(i, Math.min(i + 128, samples.length)));
    if (i % 4800 < 128) {
      const report = guard.report();
      held.push(report.held_db);
      lufs.push(report.loudness_lufs);
    }
  }
  return { out: Buffer.from(samples.buffer).toString("base64"), held, lufs };
});
"""


def guarded(*sounds):
    """Each sound behind a guard of its own: what came out, how far it was held and how loud, each 100 ms."""
    texts = [base64.b64encode(np.asarray(sound, "<f4").tobytes()).decode() for sound in sounds]
    for one in scripts.run("guard", RUN, texts):
        out = np.frombuffer(base64.b64decode(one["out"]), "<f4").astype(float)
        yield out, np.array(one["held"]), np.array(one["lufs"])


def loudest_lufs(sound):
    """Loudness of the loudest 3 s, to the sample, of one channel played on two."""
    power = np.pad(loudness._k_weighted(sound[:, None], RATE)[:, 0] ** 2, (3 * RATE, 0))
    sums = np.concatenate([[0], np.cumsum(power)])
    return -0.691 + 10 * np.log10(2 * np.max(sums[3 * RATE :] - sums[: -3 * RATE]) / (3 * RATE) + 1e-30)


def at_program_level(sound):
    return np.asarray(sound * 10 ** (program_gain_db(sound, RATE) / 20), "<f4").astype(float)


def pink(rng, seconds):
    size = round(seconds * RATE)
    return np.fft.irfft(np.fft.rfft(rng.normal(size=size)) / np.sqrt(np.arange(size // 2 + 1) + 1))


TIME = np.arange(7 * RATE) / RATE


def hostile(rng):
    """Sounds that nobody should send, by name."""
    size = len(TIME)
    noise = rng.normal(size=size)
    poisoned = noise.copy()
    poisoned[rng.uniform(size=size) < 0.01] = np.nan
    poisoned[rng.uniform(size=size) < 0.01] = np.inf
    poisoned[rng.uniform(size=size) < 0.01] = -np.inf
    square = np.sign(np.sin(2 * np.pi * rng.uniform(20, 8000) * TIME))
    return {
        "full-scale noise": noise,
        "bursts": noise * 10 ** rng.uniform(-3, 1, size // 4800 + 1)[np.arange(size) // 4800],
        "short bursts": noise * 10 ** rng.uniform(-4, 1, size // 300 + 1)[np.arange(size) // 300],
        "a step out of silence": np.where(rng.uniform(0.5, 4) < TIME, 5 * noise, 0),
        "on and off each 3 s": np.where(TIME % 3 < 0.3, 3 * noise, 0),
        "a square wave": 10 ** rng.uniform(-1, 1) * square,
        "bits": rng.choice([-1.0, 1.0], size),
        "a constant that comes and goes": np.where(TIME % 1 < 0.5, 8.0, 0.0),
        "an echo that runs away": 1e-4 * 10 ** (rng.uniform(0.3, 1.5) * TIME) * pink(rng, 7) * 30,
        "a deep tone": 4 * np.sin(2 * np.pi * rng.uniform(5, 60) * TIME),
        "a rising tone": np.sin(2 * np.pi * 20 * 7 / 6.9 * (1000 ** (TIME / 7) - 1)),
        "needles": np.where(rng.uniform(size=size) < 1e-3, 100 * noise, 0),
        "no numbers": poisoned,
        "hardly numbers": 1e-310 * noise,
        "beyond numbers": np.float32(3e38) * np.sign(noise),
    }


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3, 4))])
def test_nothing_gets_out_too_high_or_too_loud(seed):
    sounds = hostile(np.random.default_rng(seed))
    for name, (out, held, _) in zip(sounds, guarded(*sounds.values()), strict=True):
        assert np.isfinite(out).all(), name
        assert np.isfinite(held).all(), name
        assert true_peak_db(out) <= -6, name
        assert loudest_lufs(out) <= -20, name


def test_it_takes_no_more_than_it_must():
    """Steady sounds that are far too loud end within 1 dB of the limit."""
    sounds = [np.sin(2 * np.pi * 1000 * TIME), pink(np.random.default_rng(4), 12) * 30]
    for _, _, lufs in guarded(*sounds):
        assert -21.2 < lufs[-1] <= -20


def test_usual_sound_passes_bit_by_bit():
    rng = np.random.default_rng(5)
    wobble = 1 + 0.5 * np.sin(2 * np.pi * 3 * np.arange(10 * RATE) / RATE)
    sounds = {
        "the spoken line": line(seconds=12),
        "a phrase": signals.phrase(seconds=8),
        "pink noise": pink(rng, 10),
        "noise like speech": pink(rng, 10) * wobble,
        "a tone": np.sin(2 * np.pi * 440 * np.arange(10 * RATE) / RATE),
    }
    sounds = {name: at_program_level(sound) for name, sound in sounds.items()}
    for (name, sound), (out, held, _) in zip(sounds.items(), guarded(*sounds.values()), strict=True):
        assert np.array_equal(out[LATENCY:], sound[:-LATENCY]), name
        assert not held.any(), name


def test_it_says_how_far_it_holds_back():
    """A tone 20 dB above the limit: 1 kHz at -3 dB of full scale is -3.0 LUFS on two channels."""
    ((out, held, _),) = guarded(np.where(TIME > 1, 10 ** (-3 / 20) * np.sin(2 * np.pi * 1000 * TIME), 0))
    assert not held[:10].any()
    last = slice(-RATE, None)
    level_db = 20 * np.log10(np.sqrt(2 * np.mean(out[last] ** 2)))
    assert held[-9:].max() == pytest.approx(-3 - level_db, abs=1.5)


def test_the_gain_never_jumps():
    rng = np.random.default_rng(6)
    sound = np.where(TIME > 2, 4.0, 0.05) * np.where(rng.uniform(size=len(TIME)) < 0.5, 1, -1)
    ((out, _, _),) = guarded(sound)
    gain = out[LATENCY:] / sound[:-LATENCY]
    assert np.abs(np.diff(gain)).max() < 1 / 60  # of the way from 1 to 0, at the very worst within 1.3 ms
    late = 20 * np.log10(gain[3 * RATE :])
    assert np.abs(np.diff(late)).max() < 0.05


def loudest_each(sound, size):
    """Level of the largest sample in each piece, dB."""
    pieces = sound[: len(sound) // size * size].reshape(-1, size)
    return 20 * np.log10(np.abs(pieces).max(axis=1))


def test_it_lets_go_again():
    loud = np.where(TIME < 2, 2.0, 0.02) * np.sin(2 * np.pi * 300 * TIME)
    ((out, held, _),) = guarded(loud)
    assert held[5] > 20
    gain_db = loudest_each(out[LATENCY:], 4800) - loudest_each(loud[:-LATENCY], 4800)
    rises = np.diff(gain_db[21:])
    assert rises.max() < 1.4  # 12 dB a second, looked at each 100 ms
    assert np.array_equal(out[-RATE:], np.asarray(loud, "<f4").astype(float)[-RATE - LATENCY : -LATENCY])


def tone_db(seconds, level_db, frequency=1000.0, phase=0.0):
    time = np.arange(round(seconds * RATE)) / RATE
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * frequency * time + phase)


def test_its_meter_reads_what_the_published_one_must():
    # Source: EBU Tech 3341, cases 1, 2 and 9, stereo tones of 1 kHz (from memory): within 0.1 LU
    long, low = tone_db(20, -23), tone_db(20, -33)
    turns = np.tile(np.concatenate([tone_db(1.34, -20), tone_db(1.66, -30)]), 5)
    for (_, _, lufs), wanted in zip(guarded(long, low, turns), (-23, -33, -23), strict=True):
        assert np.abs(lufs[35:] - wanted).max() <= 0.1


def test_a_peak_between_the_samples_is_seen():
    # Source: EBU Tech 3341, cases 15 to 18 (from memory): true peaks of -6 dB, sampled far from their tops
    quarter = tone_db(3, -6, RATE / 4, np.pi / 4)
    assert 20 * np.log10(np.abs(quarter).max()) == pytest.approx(-9.01, abs=0.01)
    tones = [10 ** (3 / 20) * quarter] + [
        10 ** (3 / 20) * tone_db(3, -6, RATE / part, np.pi / part) for part in (6, 8)
    ]
    gentle = [np.where(np.arange(len(tone)) % RATE < 600, tone, 0) for tone in tones]  # high, but not loud
    for out, held, _ in guarded(*gentle):
        assert true_peak_db(out) <= -6
        assert held.max() > 2.9


def test_any_length_of_block_gives_the_same():
    noise = np.random.default_rng(7).normal(size=4000) * 2  # held for its peaks, the tone for its loudness
    given = np.concatenate([tone_db(0.4, -8), noise]).astype("<f4").tolist()
    script = """
    const cut = (size) => {
      const samples = Float32Array.from(given), guard = new Guard();
      for (let i = 0; i < samples.length; i += size) guard.process(samples.subarray(i, i + size));
      return [...samples];
    };
    return [cut(128), cut(1), cut(333)];
    """
    usual, single, odd = scripts.run("guard", script, given)
    assert usual == single == odd
