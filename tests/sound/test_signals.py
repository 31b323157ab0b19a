"""Sounds of our own: in tune, in time, at their level."""

import numpy as np
import pytest
from sound_pitch import pitch

from tapecalc.sound import signals
from tapecalc.sound.samples import peak_db


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
    for note in signals.PHRASE_NOTES:
        frequency = 440 * 2 ** ((note - 69) / 12)
        string = signals.pluck(frequency, 1.6, decay=1.4)
        assert abs(1200 * np.log2(pitch(string, 48000, frequency) / frequency)) < 2


def test_the_phrase_keeps_its_tempo():
    slow, fast = signals.phrase(48000, bpm=60, seconds=6), signals.phrase(48000, bpm=120, seconds=6)
    onset = round(0.75 * 48000)
    assert np.abs(slow[onset : onset + 2400]).max() > 1.2 * np.abs(slow[onset - 2400 : onset]).max()
    assert np.flatnonzero(fast)[-1] < np.flatnonzero(slow)[-1]


def test_a_phrase_starts_well_below_full_scale_and_ends_in_silence_for_the_echo():
    samples = signals.phrase()
    assert peak_db(samples) == pytest.approx(-12)
    assert len(samples) == 6 * 48000
    assert not samples[-48000:].any()


@pytest.mark.parametrize("seconds", [1 / 48000, 0.01, 0.3, 2.2])
def test_a_phrase_can_be_cut_short(seconds):
    assert len(signals.phrase(seconds=seconds)) == round(seconds * 48000)


def test_a_slow_phrase_leaves_out_what_starts_too_late():
    assert np.abs(signals.phrase(8000, bpm=20, seconds=1.0)).max() > 0


def test_a_click_peaks_where_it_is_put_at_the_level_asked_for():
    click = signals.click(0.2, at=0.1, width=0.001, level_db=-6)
    assert np.argmax(click) == 4800
    assert peak_db(click) == pytest.approx(-6)
    assert np.count_nonzero(click) == 47


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: signals.click(sample_rate=0), "sample_rate must be a whole number from 8000"),
        (lambda: signals.tone(30000), "frequency must be from 0.001 to 24000 Hz"),
        (lambda: signals.tone(1000, 0), "seconds must be greater than 0"),
        (lambda: signals.click(0.1, at=0.2), "at must be from 0 to 0.1 s"),
        (lambda: signals.click(width=0), "width must be greater than 0"),
        (lambda: signals.pluck(5000), "frequency must be from 20 to 2400"),
        (lambda: signals.pluck(100, decay=0), "decay must be greater than 0"),
        (lambda: signals.pluck(100, position=0.7), "position must be from 0.001 to 0.5"),
        (lambda: signals.phrase(bpm=0), "bpm must be from 20"),
    ],
)
def test_nonsense_is_refused_in_one_line(call, message):
    with pytest.raises(ValueError, match=message) as refused:
        call()
    assert "\n" not in str(refused.value)
