"""Sounds of our own, their levels, and sound files in and out."""

import signal

import numpy as np
import pytest
import soundfile

from tapecalc.sound import files as sound
from tapecalc.sound import signals
from tapecalc.sound.samples import SILENCE_DB, clipped_samples, peak_db, rms_db, sound_array, with_peak


def pitch(samples, sample_rate, near):
    """Read the strongest frequency within half a tone of `near`, by a parabola over the windowed spectrum."""
    size = 1 << 18
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size))
    low, high = (round(near * ratio * size / sample_rate) for ratio in (0.97, 1.03))
    peak = low + np.argmax(spectrum[low:high])
    left, middle, right = np.log(spectrum[peak - 1 : peak + 2])
    return (peak + 0.5 * (left - right) / (left - 2 * middle + right)) * sample_rate / size


@pytest.mark.parametrize("sample_rate", [22050, 48000, 96000])
@pytest.mark.parametrize("frequency", [73.42, 146.83, 349.23, 1000.0])
def test_a_plucked_string_is_in_tune_within_two_cents(frequency, sample_rate):
    string = signals.pluck(frequency, 2.0, sample_rate=sample_rate)
    assert abs(1200 * np.log2(pitch(string, sample_rate, frequency) / frequency)) < 2


def test_a_string_falls_by_sixty_decibels_in_its_decay_time():
    string = signals.pluck(220.0, 2.1, decay=2.0, seed=1)
    step = round(48000 / 220) * 20
    early = np.abs(np.fft.rfft(string[9600 : 9600 + step])[20])
    late = np.abs(np.fft.rfft(string[57600 : 57600 + step])[20])
    assert 20 * np.log10(early / late) == pytest.approx(30, abs=1)


def test_every_note_of_the_phrase_is_in_tune():
    for _, note, _ in signals.PHRASE_NOTES:
        frequency = 440 * 2 ** ((note - 69) / 12)
        string = signals.pluck(frequency, 1.6, decay=1.4)
        assert abs(1200 * np.log2(pitch(string, 48000, frequency) / frequency)) < 2


def test_the_phrase_keeps_its_tempo():
    slow, fast = signals.phrase(48000, bpm=60, seconds=6), signals.phrase(48000, bpm=120, seconds=6)
    onset = round(0.75 * 48000)
    assert np.abs(slow[onset : onset + 2400]).max() > 1.2 * np.abs(slow[onset - 2400 : onset]).max()
    assert np.flatnonzero(fast)[-1] < np.flatnonzero(slow)[-1]


@pytest.mark.parametrize("make", [signals.phrase, signals.speech_clicks])
def test_phrases_start_well_below_full_scale_and_end_in_silence_for_the_echo(make):
    samples = make()
    assert peak_db(samples) == pytest.approx(-12)
    assert len(samples) == 6 * 48000
    assert not samples[-48000:].any()


@pytest.mark.parametrize("seconds", [1 / 48000, 0.01, 0.3, 2.2])
@pytest.mark.parametrize("make", [signals.phrase, signals.speech_clicks])
def test_phrases_can_be_cut_short(make, seconds):
    assert len(make(seconds=seconds)) == round(seconds * 48000)


def test_a_slow_phrase_leaves_out_what_starts_too_late():
    assert np.abs(signals.phrase(8000, bpm=20, seconds=1.0)).max() > 0


def test_the_spoken_rhythm_has_a_click_at_every_syllable():
    samples = signals.speech_clicks(bpm=60)
    for start, _ in signals.SYLLABLES:
        at = round((0.01 + start) * 48000)
        assert samples[at] == np.abs(samples[at - 300 : at + 300]).max() > 0


def test_a_click_peaks_where_it_is_put_at_the_level_asked_for():
    click = signals.click(0.2, at=0.1, width=0.001, level_db=-6)
    assert np.argmax(click) == 4800
    assert peak_db(click) == pytest.approx(-6)
    assert np.count_nonzero(click) == 47


def test_a_sweep_passes_the_middle_of_its_octaves_in_the_middle_of_its_time():
    samples = signals.sweep(100, 10000, 2.0)
    crossings = np.flatnonzero(np.diff(np.signbit(samples[46000:50000])))
    assert 24000 / np.diff(crossings).mean() == pytest.approx(1000, rel=0.01)
    assert samples[0] == samples[-1] == 0


def test_a_sweep_may_fall():
    samples = signals.sweep(5000, 50, 1.0)
    assert np.abs(np.diff(samples[1000:2000])).max() > 10 * np.abs(np.diff(samples[-2000:-1000])).max()


def test_pink_noise_has_the_same_power_in_every_octave():
    power = np.abs(np.fft.rfft(signals.pink_noise(20.0, seed=2))) ** 2
    frequency = np.fft.rfftfreq(20 * 48000, 1 / 48000)
    octaves = [power[(frequency >= f) & (frequency < 2 * f)].sum() for f in (125, 250, 500, 1000, 2000, 4000)]
    assert 10 * np.log10(np.array(octaves) / octaves[0]) == pytest.approx(np.zeros(6), abs=0.3)


def test_noise_follows_its_seed():
    assert np.array_equal(signals.pink_noise(0.1, seed=4), signals.pink_noise(0.1, seed=4))
    assert not np.array_equal(signals.pink_noise(0.1, seed=4), signals.pink_noise(0.1, seed=5))


def test_levels_of_silence_have_a_floor():
    assert peak_db(np.zeros(3)) == rms_db(np.zeros(3)) == SILENCE_DB
    assert not with_peak(np.zeros(3), -6).any()


def test_stereo_levels_cover_both_channels():
    assert peak_db([[0.1, -0.5], [0.2, 0.0]]) == pytest.approx(-6.02, abs=0.01)


def test_clipping_is_told_from_natural_peaks():
    loud = np.clip(1.5 * np.sin(np.arange(470) / 10), -1, 1)
    assert clipped_samples(loud) == np.count_nonzero(np.abs(loud) == 1)
    assert clipped_samples(np.sin(np.arange(470) / 10)) == 0
    assert clipped_samples(np.column_stack([loud, loud])) == 2 * clipped_samples(loud)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: sound_array(np.array([1, 2], dtype=np.int16)), "floating-point"),
        (lambda: sound_array([]), "at least one sample"),
        (lambda: sound_array(np.zeros((5, 3))), "shape"),
        (lambda: sound_array(np.zeros((2, 2, 2))), "shape"),
        (lambda: sound_array([0.0, np.nan]), "finite"),
        (lambda: sound_array([0.0, np.inf]), "finite"),
        (lambda: signals.click(sample_rate=0), "sample_rate must be a whole number from 8000"),
        (lambda: signals.tone(30000), "frequency must be from 0.001 to 24000 Hz"),
        (lambda: signals.tone(1000, 0), "seconds must be greater than 0"),
        (lambda: signals.click(0.1, at=0.2), "at must be from 0 to 0.1 s"),
        (lambda: signals.click(width=0), "width must be greater than 0"),
        (lambda: signals.sweep(100, 100), "high must be another frequency"),
        (lambda: signals.pluck(5000), "frequency must be from 20 to 2400"),
        (lambda: signals.pluck(100, decay=0), "decay must be greater than 0"),
        (lambda: signals.pluck(100, position=0.7), "position must be from 0.001 to 0.5"),
        (lambda: signals.pink_noise(seed=-1), "seed must be a whole number"),
        (lambda: signals.phrase(bpm=0), "bpm must be from 20"),
        (lambda: with_peak([0.1], 3), "level_db must be from -300 to 0"),
        (lambda: sound.encode_mp3([0.0], 96000), "sample_rate must be one of"),
        (lambda: sound.encode_mp3([2.0], 48000), "within full scale"),
    ],
)
def test_nonsense_is_refused_in_one_line(call, message):
    with pytest.raises(ValueError, match=message) as refused:
        call()
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("ending", [".wav", ".flac"])
def test_lossless_files_come_back_to_the_24th_bit(tmp_path, ending, channels):
    samples = np.random.default_rng(3).uniform(-0.9, 0.9, (500, channels)).squeeze()
    path = sound.write_sound(tmp_path / f"a{ending}", samples, 44100)
    back, rate = sound.read_sound(path)
    assert rate == 44100
    assert back.shape == samples.shape
    assert np.abs(back - samples).max() <= 2.0**-23


@pytest.mark.parametrize("ending", [".ogg", ".mp3"])
def test_lossy_files_come_back_as_the_same_sound(tmp_path, ending):
    samples = signals.tone(1000, 1.0)
    back, rate = sound.read_sound(sound.write_sound(tmp_path / f"a{ending}", samples, 48000))
    assert rate == 48000
    assert pitch(back, rate, 1000) == pytest.approx(1000, abs=0.1)
    assert rms_db(back) == pytest.approx(rms_db(samples), abs=0.5)


@pytest.mark.parametrize("ending", [".wav", ".flac", ".mp3"])
def test_files_are_the_same_bytes_when_written_twice(tmp_path, ending):
    first, second = (
        sound.write_sound(tmp_path / f"{name}{ending}", signals.phrase(seconds=2.0), 48000) for name in "ab"
    )
    assert first.read_bytes() == second.read_bytes()


def test_six_seconds_of_mono_fit_a_player_and_are_the_same_bytes_twice():
    encoded = sound.encode_mp3(signals.phrase(), 48000)
    assert len(encoded) <= 80_000
    assert encoded == sound.encode_mp3(signals.phrase(), 48000)


def test_even_noise_fits_a_player():
    assert len(sound.encode_mp3(signals.pink_noise(6.0), 48000)) <= 80_000


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("none.wav", None, "there is no such sound file"),
        ("empty.wav", b"", "the file is empty"),
        ("text.wav", b"these are words, not sound" * 20, "not a sound file"),
        ("text.toml", b"a = 1", "not a sound file"),
    ],
)
def test_files_that_are_no_sound_are_refused_by_name(tmp_path, name, content, message):
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ValueError, match=f"^{name}: {message}[^\n]*$"):
        sound.read_sound(path)


def test_a_file_without_samples_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(0), 48000)
    with pytest.raises(ValueError, match="a.wav: holds no samples"):
        sound.read_sound(tmp_path / "a.wav")


def test_more_than_two_channels_are_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros((10, 4)), 48000)
    with pytest.raises(ValueError, match="a.wav: has 4 channels, at most 2"):
        sound.read_sound(tmp_path / "a.wav")


def test_a_sample_rate_beyond_use_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(10), 100)
    with pytest.raises(ValueError, match="a.wav: sample rate must be from 8000 to 384000 Hz, got 100"):
        sound.read_sound(tmp_path / "a.wav")


def test_a_file_with_nan_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.array([0.0, np.nan, 0.0]), 48000, subtype="FLOAT")
    with pytest.raises(ValueError, match="a.wav: holds samples that are not finite"):
        sound.read_sound(tmp_path / "a.wav")


@pytest.mark.parametrize(
    ("name", "samples", "rate", "message"),
    [
        ("a.aiff", [0.1], 48000, "must end in .wav, .flac, .ogg, .mp3"),
        ("a", [0.1], 48000, "must end in"),
        ("a.wav", [1.1], 48000, "within full scale"),
        ("a.wav", [0.1], 0, "sample_rate"),
        ("a.mp3", [0.1], 96000, "MP3 has no sample rate of 96000 Hz"),
    ],
)
def test_what_cannot_be_written_leaves_nothing_behind(tmp_path, name, samples, rate, message):
    with pytest.raises(ValueError, match=message):
        sound.write_sound(tmp_path / name, samples, rate)
    assert not list(tmp_path.iterdir())


@pytest.fixture
def full_disk():
    """Let no file grow beyond 50 kB, as on a disk that is full."""
    resource = pytest.importorskip("resource", reason="limits of file size are POSIX")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, limits[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    signal.signal(signal.SIGXFSZ, handler)


@pytest.mark.parametrize("ending", [".wav", ".flac", ".ogg", ".mp3"])
def test_a_full_disk_is_said_in_one_line_and_the_old_file_stays(tmp_path, full_disk, ending):
    path = tmp_path / f"a{ending}"
    path.write_bytes(b"old")
    with pytest.raises(OSError, match=r"^cannot write [^\n]*: the disk is full"):
        sound.write_sound(path, signals.pink_noise(20.0), 48000)
    assert path.read_bytes() == b"old"
    assert [file.name for file in tmp_path.iterdir()] == [path.name]
