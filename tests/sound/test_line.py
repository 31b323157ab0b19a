"""The spoken line, measured: consonants, vowels, bass, pauses, and that a page can hold it."""

import base64
import itertools

import numpy as np
import pytest
from sound_pitch import pitch

from tapecalc.sound import line as spoken
from tapecalc.sound.line import LEAD, line, line_address
from tapecalc.sound.loudness import loudness_lufs, true_peak_db
from tapecalc.sound.signals import note_frequency

BEAT = 60 / 76
VOICE = line(part="voice")


def at(beat, seconds, samples=VOICE, sample_rate=48000):
    """A piece of a sound that begins on a beat."""
    first = round((LEAD + beat * BEAT) * sample_rate)
    return samples[first : first + round(seconds * sample_rate)]


def power(piece, low, high, sample_rate=48000):
    """Power of a piece between two frequencies."""
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece)))) ** 2
    frequency = np.fft.rfftfreq(len(piece), 1 / sample_rate)
    return spectrum[(frequency >= low) & (frequency < high)].sum()


def share_above_4_khz(piece):
    return power(piece, 4000, 24000) / power(piece, 0, 24000)


def test_it_plays_at_program_level_with_room_below_the_peak_that_is_held():
    whole = line()
    assert loudness_lufs(np.stack([whole, whole], axis=1), 48000) == pytest.approx(-23, abs=0.01)
    assert true_peak_db(whole) < -7.5
    assert len(whole) == 8 * 48000


@pytest.mark.parametrize(
    ("beat", "seconds"),
    [(4.0 - 0.25 / BEAT, 0.08), (4.5 + 0.26 + 0.08 / BEAT, 0.08)],
    ids=["s of street", "s of talks"],
)
def test_an_s_hisses_above_4_khz(beat, seconds):
    assert share_above_4_khz(at(beat, seconds)) > 0.95


def test_sh_is_darker_than_s():
    # "bench": the vowel, n 65 ms, t 99 ms, then sh of 90 ms.
    sh = at(0.20 + 0.175 / BEAT, 0.07)
    s = at(4.0 - 0.25 / BEAT, 0.07)
    assert power(sh, 2000, 5000) > 0.6 * power(sh, 0, 24000)
    assert power(s, 2000, 5000) < 0.2 * power(s, 0, 24000)


@pytest.mark.parametrize("bpm", [20, 76, 160, 400])
def test_no_sound_swallows_the_next(bpm):
    spoken_sounds = spoken._spoken(60 / bpm)
    for (start, phone, _), (follower, _, _) in itertools.pairwise(spoken_sounds):
        assert start + phone.seconds <= follower + 1e-9


@pytest.mark.parametrize(("beat", "vowel"), [(1.5, "tape"), (2.0, "turns"), (4.5, "talks"), (6.0, "to")])
def test_a_t_is_silence_then_a_burst_then_a_voice(beat, vowel):
    closed = at(beat - 0.085 / BEAT, 0.02)
    burst = at(beat - 0.046 / BEAT, 0.014)
    voiced = at(beat + 0.05 / BEAT, 0.06)
    level = [np.sqrt(np.mean(piece**2)) for piece in (closed, burst, voiced)]
    assert level[0] < 0.02 * level[1], vowel
    assert share_above_4_khz(burst) > 0.4 > 0.01 > share_above_4_khz(voiced), vowel


def test_b_and_d_have_a_murmur_below_a_vowel_and_p_and_t_do_not():
    for beat in (5.5, 2.5):
        murmur, voiced = at(beat - 0.05 / BEAT, 0.03), at(beat + 0.05 / BEAT, 0.05)
        ratio = np.sqrt(np.mean(murmur**2) / np.mean(voiced**2))
        assert 0.02 < ratio < 0.3
        assert power(murmur, 0, 500) > 0.9 * power(murmur, 0, 24000)


def test_nasals_are_dull_and_quieter_than_the_vowel_that_follows():
    m, vowel = at(6.375 - 0.06 / BEAT, 0.05), at(6.375 + 0.05 / BEAT, 0.1)
    assert power(m, 0, 500) > 0.9 * power(m, 0, 24000)
    assert np.mean(m**2) < 0.7 * np.mean(vowel**2)


def peak_between(piece, low, high):
    """Middle of the formant between two frequencies: of the power there, smoothed over the harmonics."""
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), 16384)) ** 2
    frequency = np.fft.rfftfreq(16384, 1 / 48000)
    smooth = np.convolve(spectrum, np.hanning(2 * round(130 / frequency[1]) + 1), "same")
    inside = (frequency >= low) & (frequency < high)
    return frequency[inside][np.argmax(smooth[inside])]


@pytest.mark.parametrize(
    ("beat", "first", "second"),
    [(0.0, 550, 1800), (5.5, 690, 1650), (6.375, 290, 2250), (4.5, 560, 880)],
    ids=["bench", "back", "me", "talks"],
)
def test_vowels_have_their_formants(beat, first, second):
    """Within a harmonic, of which the pitch has one every 130 Hz or so."""
    vowel = at(beat + 0.06, 0.09)
    assert peak_between(vowel, 200, (first + second) / 2) == pytest.approx(first, abs=90)
    assert peak_between(vowel, (first + second) / 2, second + 500) == pytest.approx(second, abs=120)


def test_the_vowel_of_light_glides():
    early, late = at(0.625 + 0.04, 0.06), at(0.625 + 0.24, 0.06)
    assert peak_between(early, 900, 1900) < 1600 < 1800 < peak_between(late, 1500, 2500)


def fundamental(piece):
    """Pitch of a voiced piece, from where it resembles itself most."""
    same = np.fft.irfft(np.abs(np.fft.rfft(piece, 1 << 15)) ** 2)
    lags = np.arange(48000 // 200, 48000 // 60)
    return 48000 / lags[np.argmax(same[lags])]


def test_the_pitch_falls_over_each_breath():
    for first, last in ((0.0, 0.8), (1.55, 2.8), (4.05, 4.6), (5.53, 6.75)):
        assert fundamental(at(last, 0.06)) < 0.93 * fundamental(at(first, 0.06))


@pytest.mark.parametrize("bpm", [60, 76, 120])
@pytest.mark.parametrize("sample_rate", [44100, 48000])
def test_the_bass_is_in_tune_and_in_time(bpm, sample_rate):
    bass = line(sample_rate, bpm=bpm, seconds=10, part="bass")
    for start, note, beats in spoken.BASS:
        if beats * 60 / bpm < 0.25:
            continue
        first = round((LEAD + start * 60 / bpm) * sample_rate)
        sounding = bass[
            first + round(0.02 * sample_rate) : first + round((beats * 60 / bpm - 0.06) * sample_rate)
        ]
        wanted = note_frequency(note)
        assert abs(1200 * np.log2(pitch(sounding, sample_rate, wanted) / wanted)) < 15
        assert np.abs(bass[first - 100 : first]).max() < 1e-6 * np.abs(bass).max()


def test_the_line_leaves_room_for_the_echo():
    """Between the breaths, and for three quarters of a second at the end."""
    for first, last in ((1.08, 1.38), (3.1, 3.65), (5.05, 5.4), (7.0, 8.0)):
        assert not at(first, (last - first) * BEAT).any()
    assert not at(7.5, 1.5, line()).any()


def test_it_is_the_same_each_time_and_another_with_another_seed():
    assert np.array_equal(line(part="voice"), VOICE)
    assert not np.array_equal(line(part="voice", seed=1), VOICE)


def test_parts_add_up_to_the_whole():
    whole = line()
    parts = np.stack([line(part=name) for name in ("voice", "bass", "drums")], axis=1)
    share, left, *_ = np.linalg.lstsq(parts, whole, rcond=None)
    assert left[0] < 1e-12 * np.sum(whole**2)
    assert (share > 0.1).all()


@pytest.mark.parametrize("seconds", [1 / 48000, 0.05, 1.0, 12.0])
def test_it_can_be_cut_short_and_made_longer(seconds):
    other, usual = line(seconds=seconds), line()
    size = min(len(other), len(usual))
    assert len(other) == round(seconds * 48000)
    assert np.array_equal(other[:size], usual[:size])


@pytest.mark.parametrize("sample_rate", [8000, 22050, 96000])
def test_it_can_be_made_at_any_rate(sample_rate):
    assert np.isfinite(line(sample_rate, seconds=2.0)).all()


def test_an_unknown_part_is_refused():
    with pytest.raises(ValueError, match="part must be all, voice, bass, drums, got 'choir'"):
        line(part="choir")


@pytest.mark.parametrize("bpm", [20, 49, 76, 300])
def test_a_page_can_hold_it(bpm):
    address = line_address(bpm)
    head, data = address.split(",")
    assert head == "data:audio/mpeg;base64"
    assert len(address) <= 150_000
    assert base64.b64decode(data)[:3] in (b"ID3", b"\xff\xfb\x90") or base64.b64decode(data)[0] == 0xFF
