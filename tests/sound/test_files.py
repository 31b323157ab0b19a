"""Sound files in and out, and the ones that are refused."""

import signal

import numpy as np
import pytest
import soundfile
from sound_pitch import pitch

from tapecalc.sound import signals
from tapecalc.sound.files import encode_mp3, read_sound, write_sound
from tapecalc.sound.samples import rms_db


def white_noise(seconds):
    return 0.02 * np.random.default_rng(1).standard_normal(round(seconds * 48000))


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("ending", [".wav", ".flac"])
def test_lossless_files_come_back_to_the_24th_bit(tmp_path, ending, channels):
    samples = np.random.default_rng(3).uniform(-0.9, 0.9, (500, channels)).squeeze()
    path = write_sound(tmp_path / f"a{ending}", samples, 44100)
    back, rate = read_sound(path)
    assert rate == 44100
    assert back.shape == samples.shape
    assert np.abs(back - samples).max() <= 2.0**-23


@pytest.mark.parametrize("ending", [".ogg", ".mp3"])
def test_lossy_files_come_back_as_the_same_sound(tmp_path, ending):
    samples = signals.tone(1000, 1.0)
    back, rate = read_sound(write_sound(tmp_path / f"a{ending}", samples, 48000))
    assert rate == 48000
    assert pitch(back, rate, 1000) == pytest.approx(1000, abs=0.1)
    assert rms_db(back) == pytest.approx(rms_db(samples), abs=0.5)


@pytest.mark.parametrize("ending", [".wav", ".flac", ".mp3"])
def test_files_are_the_same_bytes_when_written_twice(tmp_path, ending):
    first, second = (
        write_sound(tmp_path / f"{name}{ending}", signals.phrase(seconds=2.0), 48000) for name in "ab"
    )
    assert first.read_bytes() == second.read_bytes()


def test_six_seconds_of_mono_fit_a_player_and_are_the_same_bytes_twice():
    encoded = encode_mp3(signals.phrase(), 48000)
    assert len(encoded) <= 80_000
    assert encoded == encode_mp3(signals.phrase(), 48000)


def test_even_noise_fits_a_player():
    assert len(encode_mp3(white_noise(6.0), 48000)) <= 80_000


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
        read_sound(path)


def test_a_file_without_samples_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(0), 48000)
    with pytest.raises(ValueError, match="a.wav: holds no samples"):
        read_sound(tmp_path / "a.wav")


def test_more_than_two_channels_are_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros((10, 4)), 48000)
    with pytest.raises(ValueError, match="a.wav: has 4 channels, at most 2"):
        read_sound(tmp_path / "a.wav")


def test_a_sample_rate_beyond_use_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(10), 100)
    with pytest.raises(ValueError, match="a.wav: sample rate must be from 8000 to 384000 Hz, got 100"):
        read_sound(tmp_path / "a.wav")


def test_a_file_with_nan_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.array([0.0, np.nan, 0.0]), 48000, subtype="FLOAT")
    with pytest.raises(ValueError, match="a.wav: holds samples that are not finite"):
        read_sound(tmp_path / "a.wav")


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
        write_sound(tmp_path / name, samples, rate)
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
        write_sound(path, white_noise(20.0), 48000)
    assert path.read_bytes() == b"old"
    assert [file.name for file in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: encode_mp3([0.0], 96000), "sample_rate must be one of"),
        (lambda: encode_mp3([2.0], 48000), "within full scale"),
    ],
)
def test_nonsense_is_refused_in_one_line(call, message):
    with pytest.raises(ValueError, match=message) as refused:
        call()
    assert "\n" not in str(refused.value)
