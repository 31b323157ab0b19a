"""Recordings as the measurements read them, and their health."""

import deck_generator as generator
import numpy as np
import pytest
import soundfile

from tapecalc import measuring as measure


def test_a_recording_reads_any_piece_and_zeros_outside():
    samples = np.arange(20.0).reshape(10, 2) / 100
    recording = measure.open_recording(samples, sample_rate=10_000)
    np.testing.assert_allclose(recording.read("dry", -2, 4), [0, 0, 0.0, 0.02])
    np.testing.assert_allclose(recording.read("playback", 8, 4), [0.17, 0.19, 0, 0])
    np.testing.assert_allclose(recording.part(0.0004, 0.0006).read("dry", -1, 4), [0, 0.08, 0.10, 0])
    np.testing.assert_allclose(recording.swapped().read("dry", 0, 1), [0.01])
    assert np.all(recording.read("dry", -50, 5) == 0) and np.all(recording.read("dry", 50, 5) == 0)


def test_files_read_as_arrays_do(tmp_path):
    samples = 0.3 * np.random.default_rng(1).standard_normal((4000, 2)).clip(-1, 1)
    soundfile.write(tmp_path / "a.wav", samples, 8000, subtype="FLOAT")
    recording = measure.open_recording(tmp_path / "a.wav")
    np.testing.assert_allclose(recording.read("dry", 10, 100), samples[10:110, 0], atol=1e-7)
    assert recording.one_clock and recording.duration == 0.5
    soundfile.write(tmp_path / "mono.wav", samples[:, 0], 8000)
    assert measure.open_recording(tmp_path / "mono.wav").dry is None
    two = measure.open_recording(tmp_path / "mono.wav", tmp_path / "a.wav")
    assert not two.one_clock
    assert np.all(two.read("playback", 5000, 5) == 0)


def test_what_cannot_be_opened_is_refused(tmp_path):
    (tmp_path / "text.wav").write_text("no sound")
    with pytest.raises(ValueError, match="text.wav: not a sound file"):
        measure.open_recording(tmp_path / "text.wav")
    with pytest.raises(ValueError, match="sample_rate"):
        measure.open_recording(np.zeros(10))
    with pytest.raises(ValueError, match="finite"):
        measure.open_recording(np.array([0.0, np.nan]), sample_rate=8000)
    with pytest.raises(ValueError, match="finite"):
        measure.open_recording(np.array([0.0, 1e300]), sample_rate=8000)
    with pytest.raises(ValueError, match="sample_rate must be"):
        measure.open_recording(np.zeros(10), sample_rate=1)
    soundfile.write(tmp_path / "a.wav", np.zeros(10), 8000)
    soundfile.write(tmp_path / "b.wav", np.zeros(10), 44100)
    with pytest.raises(ValueError, match="one sample rate"):
        measure.open_recording(tmp_path / "a.wav", tmp_path / "b.wav")


@pytest.mark.parametrize("ceiling", [0.05, 0.2])
def test_clipping_is_seen_on_one_side_and_on_both(ceiling):
    music = generator.plucked(3, 16000)
    above, below = np.count_nonzero(music >= ceiling), np.count_nonzero(music <= -ceiling)
    one_sided = np.minimum(music, ceiling)
    cases = ((one_sided, above), (-one_sided, above), (np.clip(music, -ceiling, ceiling), above + below))
    for samples, expected in cases:
        health = measure.channel_health(measure.open_recording(samples, sample_rate=16000), "playback")
        assert health.clipped == pytest.approx(expected, rel=0.05)
        assert "clipped" in health.sentences()[0]


def test_unclipped_music_noise_and_tones_are_not_called_clipped():
    tone = np.sin(np.arange(48000) / 7)
    for samples in (
        generator.plucked(3, 16000),
        generator.noise(3, 16000),
        tone,
        generator.soiled(tone, bits=16),
    ):
        health = measure.channel_health(measure.open_recording(samples, sample_rate=16000), "playback")
        assert health.clipped == 0
        assert health.sentences() == ()


def test_a_constant_far_from_zero_is_an_empty_channel_and_a_faint_sound_on_it_is_not():
    steady = np.full(20 * 8000, 0.7)
    assert measure.channel_health(measure.open_recording(steady, sample_rate=8000), "playback").rms == 0
    faint = 1e-6 * np.sin(np.arange(len(steady)))
    health = measure.channel_health(measure.open_recording(steady + faint, sample_rate=8000), "playback")
    assert health.rms == pytest.approx(1e-6 / np.sqrt(2), rel=1e-3)
    assert health.offset == pytest.approx(0.7, abs=1e-9)


@pytest.mark.parametrize(("frequency", "rate"), [(3150, 44_100), (3000, 48_000), (1000, 48_000)])
def test_a_tone_that_the_rate_is_a_multiple_of_is_not_called_clipped(frequency, rate):
    tone = 0.3 * np.sin(2 * np.pi * frequency * np.arange(3 * rate) / rate)
    assert measure.channel_health(measure.open_recording(tone, sample_rate=rate), "playback").clipped == 0
    wavers = 0.3 * np.sin(2 * np.pi * frequency * np.arange(3 * rate) / rate * 1.0003)
    cut = np.clip(wavers, -0.25, 0.25)
    assert measure.channel_health(measure.open_recording(cut, sample_rate=rate), "playback").clipped > 1000
