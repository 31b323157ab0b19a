"""The delay from recordings of a make-believe deck, and refusals of wrong material."""

import functools

import deck_generator as generator
import measure_grid as grid
import numpy as np
import pytest
from scipy import signal

from tapecalc import measuring as measure
from tapecalc.calc.response import OnePass
from tapecalc.measuring import CannotTell
from tapecalc.measuring.delay import fit_phase, judge
from tapecalc.measuring.delay_windows import Grid, Spectra
from tapecalc.measuring.lag import find_lag
from tapecalc.measuring.look import look

RATE = 48000
DECK = generator.Deck(
    wobbles=((0.0011, 0.95, 0.3), (0.0007, 4.3, 1.0), (0.0004, 9.7, 2.0), (0.00015, 28, 1.0))
)
US = 1e-6
DURATION = 6  # s


@functools.cache
def dry(kind, duration=DURATION):
    """Noise, plucked strings or speech."""
    if kind == "voice":
        return generator.voice(duration, RATE)
    return {"noise": generator.noise, "plucked": generator.plucked}[kind](duration, RATE)


@functools.cache
def played(kind, return_gain=0.0, passes=1, duration=DURATION):
    """The same through the deck."""
    return generator.echo(dry(kind, duration), RATE, DECK, return_gain=return_gain, passes=passes)


def stereo(left, right):
    """A recording of two arrays."""
    return measure.open_recording(np.stack([left, right], axis=1), sample_rate=RATE)


def track_error(track, deck=DECK):
    """Delay against time less the truth."""
    return track.track - deck.delay(track.time)


@pytest.mark.parametrize("kind", ["noise", "plucked"])
def test_delay_against_time_at_40_db_is_within_a_fraction_of_a_microsecond(kind):
    track = measure.measure_delay(stereo(dry(kind), generator.soiled(played(kind), snr_db=40)))
    # At 15 kHz, up to which a response is read along it, 0.3 us are 0.03 rad.
    assert np.std(track_error(track)) < 0.3 * US
    assert abs(track.delay.value - 0.2) < 1 * US
    assert track.total.covers(0.2)
    assert len(track.track) > 0.95 * 20 * (DURATION - 0.2)


def test_stated_uncertainty_of_the_track_is_neither_wishful_nor_timid():
    track = measure.measure_delay(stereo(dry("noise"), generator.soiled(played("noise"), snr_db=30)))
    error = track_error(track)
    covered = np.mean(np.abs(error - np.median(error)) <= track.track_plus_minus)
    assert 0.9 <= covered <= 0.999


@pytest.mark.parametrize(("kind", "return_gain", "passes"), [("noise", 0.7, 12), ("plucked", 0.4, 5)])
def test_feedback_does_not_spoil_the_delay(kind, return_gain, passes):
    wet = generator.soiled(played(kind, return_gain, passes, 4), snr_db=40)
    track = measure.measure_delay(stereo(dry(kind, 4), wet))
    assert abs(np.mean(track_error(track))) < 1 * US and track.total.covers(0.2)
    assert np.mean(np.abs(track_error(track)) <= track.track_plus_minus) > 0.88


def test_several_heads_make_it_worse_and_it_says_so():
    second = generator.Deck(spacing=2.3 * DECK.spacing, wobbles=DECK.wobbles)
    both = played("noise") + 0.8 * generator.echo(dry("noise"), RATE, second)
    track = measure.measure_delay(stereo(dry("noise"), both))
    assert abs(track.delay.value - 0.2) < 1 * US
    alone = measure.measure_delay(stereo(dry("noise"), played("noise")))
    assert np.median(track.track_plus_minus) > 2 * np.median(alone.track_plus_minus)
    assert any("one head at a time" in sentence for sentence in track.sentences)


def test_real_speech_gives_the_delay_within_its_uncertainty():
    if dry("voice") is None:
        pytest.skip("no spoken words under /usr/share/sounds/alsa (Debian package alsa-utils)")
    track = measure.measure_delay(stereo(dry("voice"), generator.soiled(played("voice"), snr_db=40)))
    assert abs(track.delay.value - 0.2) < 10 * US
    assert np.sqrt(np.mean(track_error(track) ** 2)) < 5 * US


@pytest.mark.parametrize("snr_db", [30, 45])
def test_speech_through_coupling_capacitors_is_as_sure_as_it_says(snr_db):
    if dry("voice") is None:
        pytest.skip("no spoken words under /usr/share/sounds/alsa (Debian package alsa-utils)")
    wet = generator.echo(dry("voice"), RATE, DECK, gain=lambda f: 1j * f / (30 + 1j * f))
    track = measure.measure_delay(stereo(dry("voice"), generator.soiled(wet, snr_db=snr_db)))
    error = track_error(track)
    assert np.mean(np.abs(error - np.median(error)) <= track.track_plus_minus) > 0.88
    assert track.total.covers(0.2)


def test_what_does_not_come_from_the_dry_channel_is_said_and_a_dull_head_is_not_blamed_for_it():
    dirty = generator.echo(dry("noise"), RATE, DECK, gain=lambda f: np.exp(-np.abs(f) / 7600))
    track = measure.measure_delay(stereo(dry("noise"), generator.soiled(dirty, snr_db=30)))
    assert not any("of the playback's power" in sentence for sentence in track.sentences)
    hiss = measure.measure_delay(stereo(dry("noise"), generator.soiled(played("noise"), snr_db=3)))
    (said,) = [sentence for sentence in hiss.sentences if "of the playback's power" in sentence]
    assert "hiss" in said and "other heads" in said


def test_the_phase_lead_of_a_coupling_capacitor_is_told_from_delay():
    wet = generator.echo(dry("noise"), RATE, DECK, gain=lambda f: 1j * f / (40 + 1j * f))
    track = measure.measure_delay(stereo(dry("noise"), generator.soiled(wet, snr_db=40)))
    assert abs(track.delay.value - 0.2) < 1 * US


def equalized(one_pass):
    """Gain of a pass whose equalizers are minimum phase, that worked out here: by the folded cepstrum."""
    count, top = 1 << 19, 2e6
    frequency = np.abs(np.fft.fftfreq(count, 1 / (2 * top)))
    lift = np.abs(one_pass.record_gain(frequency) * one_pass.playback_gain(frequency))
    cepstrum = np.fft.ifft(np.log(lift)).real
    cepstrum[1 : count // 2] *= 2
    cepstrum[count // 2 + 1 :] = 0
    phase = np.fft.fft(cepstrum).imag[: count // 2]

    def gain(f):
        lead = np.exp(1j * np.interp(f, frequency[: count // 2], phase))
        return np.abs(one_pass.gain(f)) * lead

    return gain


@pytest.mark.parametrize("speed", [0.1905, 0.09525])
def test_what_equalizers_advance_the_treble_by_is_in_the_interval(speed):
    one_pass = OnePass(speed=speed, today=grid.HEAD, aligned=grid.HEAD, boost_db=24, low_cut=0)
    wet = generator.soiled(generator.echo(dry("noise"), RATE, DECK, gain=equalized(one_pass)), snr_db=40)
    track = measure.measure_delay(stereo(dry("noise"), wet))
    assert track.delay.value < 0.2 - 2 * US
    assert track.delay.covers(0.2) and track.delay.plus_minus < 45 * US


def test_a_low_pass_reads_as_delay_and_the_sentence_says_how_much():
    def low_pass(f):
        s = 1j * f / 7000
        return 1 / (1 + np.sqrt(2) * s + s * s)

    wet = generator.echo(dry("noise"), RATE, DECK, gain=low_pass)
    track = measure.measure_delay(stereo(dry("noise"), wet))
    assert 30 * US < track.delay.value - 0.2 < 35 * US
    assert any("32 us" in sentence for sentence in track.sentences)


@pytest.mark.parametrize("null", [5000, 7000, 9000])
def test_treble_that_comes_back_turned_over_is_no_delay_and_no_polarity(null):
    steady = generator.Deck(spacing=DECK.spacing)
    wet = generator.echo(dry("noise", 5), RATE, steady, gain=grid.beyond_a_null(lambda f: 1.0, null))
    track = measure.measure_delay(stereo(dry("noise", 5), generator.soiled(wet, snr_db=40)))
    assert track.polarity == 1
    assert abs(track.delay.value - 0.2) < 1 * US


def test_exchanged_channels_are_refused_and_the_lag_tells_it():
    exchanged = stereo(played("plucked"), dry("plucked"))
    assert find_lag(exchanged).seconds == pytest.approx(-0.2, abs=1e-3)
    with pytest.raises(CannotTell, match="comes 200 ms before the dry sound: the channels are swapped"):
        measure.measure_delay(exchanged)
    assert abs(measure.measure_delay(exchanged.swapped()).delay.value - 0.2) < 1 * US


def test_turned_polarity_is_found():
    track = measure.measure_delay(stereo(dry("plucked"), -played("plucked")))
    assert track.polarity == -1
    assert abs(track.delay.value - 0.2) < 1 * US
    seen = look(stereo(dry("plucked"), -played("plucked")))
    assert seen.light == "good" and "polarity" in seen.sentences[0]


def test_clipped_rounded_and_offset_recordings_still_tell_the_delay():
    wet = generator.soiled(played("plucked"), snr_db=40, offset=0.05, ceiling=0.2, bits=16)
    track = measure.measure_delay(stereo(dry("plucked"), wet))
    assert abs(track.delay.value - 0.2) < 1 * US
    assert any("clipped" in sentence for sentence in track.sentences)
    assert any("offset" in sentence for sentence in track.sentences)


@pytest.mark.parametrize("wow", [0.005, 0.01])
def test_strong_wow_on_periodic_material_does_not_slip_by_a_period(wow):
    deck = generator.Deck(wobbles=((wow, 0.5, 0.0), (0.001, 4.0, 0.0)))
    track = measure.measure_delay(stereo(dry("plucked"), generator.echo(dry("plucked"), RATE, deck)))
    assert np.median(np.abs(track_error(track, deck))) < 20 * US
    assert track.total.covers(0.2)


@pytest.mark.parametrize("rate", [22050, 44100, 96000])
def test_every_usual_sample_rate_gives_the_same_delay(rate):
    sound = generator.noise(6, rate)
    wet = generator.soiled(generator.echo(sound, rate, DECK), snr_db=40)
    track = measure.measure_delay(measure.open_recording(np.stack([sound, wet], axis=1), sample_rate=rate))
    assert np.std(track_error(track)) < 0.2 * US
    assert track.total.covers(0.2)


def test_two_files_whose_clocks_differ_are_followed_and_the_difference_is_told():
    moved = generator.reader(played("noise"))(np.arange(DURATION * RATE) * (1 + 1e-4))
    recording = measure.open_recording(dry("noise"), moved, sample_rate=RATE)
    track = measure.measure_delay(recording)
    drift = track.drift
    assert drift.covers(-1e-4) and drift.plus_minus < 2e-5
    together = measure.measure_delay(stereo(dry("noise"), moved))
    assert any("drifts" in sentence for sentence in together.sentences)


def test_two_files_on_disk_say_what_they_cannot_tell(tmp_path):
    import soundfile

    soundfile.write(tmp_path / "dry.wav", dry("noise"), RATE, subtype="PCM_16")
    soundfile.write(tmp_path / "wet.flac", played("noise"), RATE)
    with pytest.raises(CannotTell, match="no common beginning"):
        measure.measure_delay(measure.open_recording(tmp_path / "dry.wav", tmp_path / "wet.flac"))
    recording = measure.open_recording(tmp_path / "dry.wav", tmp_path / "wet.flac", common_start=True)
    track = measure.measure_delay(recording)
    assert abs(track.delay.value - 0.2) < 1 * US
    assert any("Two files" in sentence for sentence in track.sentences)


def test_chunks_hang_together_over_a_longer_recording():
    track = measure.measure_delay(stereo(dry("noise", 13), played("noise", duration=13)))
    assert np.std(track_error(track)) < 0.3 * US
    assert len(track.track) > 250
    assert track.to_dict()["time"] == sorted(track.to_dict()["time"])


def steady_tones(*frequencies):
    t = np.arange(DURATION * RATE) / RATE
    dry_tone = sum(0.2 * np.sin(2 * np.pi * f * t) for f in frequencies)
    wet_tone = sum(0.2 * np.sin(2 * np.pi * f * (t - DECK.delay(t))) for f in frequencies)
    return dry_tone, generator.soiled(wet_tone, snr_db=40)


def silence():
    return np.zeros(DURATION * RATE)


WRONG = {
    "both silent": (lambda: (silence(), silence()), "dry channel is empty"),
    "playback silent": (lambda: (dry("noise"), silence()), "playback channel is empty"),
    "only an offset": (lambda: (dry("noise"), silence() + 0.3), "playback channel is empty"),
    "a pure tone": (lambda: steady_tones(440), "repeats itself"),
    "the flutter tone": (lambda: steady_tones(3150), "repeats itself"),
    "two tones": (lambda: steady_tones(440, 1001), "repeats itself"),
    "unrelated noise": (lambda: (dry("noise"), generator.noise(DURATION, RATE, seed=99)), "nothing to do"),
    "unrelated music": (lambda: (dry("plucked"), generator.plucked(DURATION, RATE, seed=7)), "nothing to do"),
    "backwards": (lambda: (dry("plucked"), dry("plucked")[::-1].copy()), "(nothing to do|repeats itself)"),
    "machine noise only": (
        lambda: (dry("noise"), 1e-3 * np.random.default_rng(5).standard_normal(DURATION * RATE)),
        "nothing to do",
    ),
}


@pytest.mark.parametrize("material", WRONG)
def test_wrong_material_gets_a_reason_and_never_a_number(material):
    make, reason = WRONG[material]
    with pytest.raises(CannotTell, match=f"cannot tell, because .*{reason}"):
        measure.measure_delay(stereo(*make()))


def test_one_channel_and_too_short_a_recording_are_refused():
    alone = measure.open_recording(dry("noise"), sample_rate=RATE)
    with pytest.raises(CannotTell, match="one channel only"):
        measure.measure_delay(alone)
    with pytest.raises(ValueError, match="one channel"):
        alone.swapped()
    with pytest.raises(CannotTell):
        measure.measure_delay(stereo(dry("noise")[:15000], played("noise")[:15000]))


def test_an_echo_that_ends_too_soon_is_refused():
    noise = generator.noise(1, RATE)
    cut_off = np.roll(noise, 9600) * (np.arange(RATE) < 0.6 * RATE)
    with pytest.raises(CannotTell, match="an echo at 200 ms, but only 8 windows of 50 ms show it clearly"):
        measure.measure_delay(stereo(noise, cut_off))


def test_clicks_that_are_all_alike_are_refused():
    clicks = np.zeros(3 * RATE)
    places = 0.05 * np.arange(1, 58) + np.random.default_rng(1).uniform(0.008, 0.012, 57)
    clicks[(places * RATE).astype(int)] = 0.5
    with pytest.raises(CannotTell, match="repeats itself"):
        measure.measure_delay(stereo(clicks, generator.soiled(np.roll(clicks, 9600), snr_db=20)))


def test_channels_without_frequencies_in_common_have_no_phase():
    sizes = Grid(RATE)
    power = np.ones(len(sizes.frequency))
    cross = np.where(sizes.frequency < 1000, 1.0, 0.1)
    with pytest.raises(CannotTell, match="too few frequencies in common"):
        fit_phase(Spectra(power, power, cross, np.array(100.0)), sizes)


@pytest.mark.parametrize("lag", [0, 20])
def test_one_signal_on_both_channels_is_not_called_a_delay(lag):
    noise = generator.noise(3, 48000)
    both = np.stack([noise, 0.5 * np.roll(noise, lag)], axis=1)
    with pytest.raises(measure.CannotTell, match="one signal is on both channels, or the machine plays its"):
        measure.measure_delay(measure.open_recording(both, sample_rate=48000))


# ---- several lags that fit ----


def riff(pitch, every, jitter=0.0, duration=8, seed=1):
    """One note again and again: a burst goes round a line as long as its period, and loses a little."""
    rng = np.random.default_rng(seed)
    period = round(RATE / pitch)
    out = np.zeros(duration * RATE)
    for start in np.arange(0.1, duration - 0.1, every):
        note = np.zeros(int(0.6 * RATE))
        note[:period] = rng.uniform(-1, 1, period)
        round_it = np.zeros(period + 2)
        round_it[[0, period, period + 1]] = 1, -0.498, -0.498
        note = signal.lfilter([1.0], round_it, note)
        begin = int((start + jitter * rng.standard_normal()) * RATE)
        out[begin : begin + len(note)] += note[: len(out) - begin]
    return 0.1 * out / np.std(out)


def metronome(every, duration=8):
    click = np.random.default_rng(2).standard_normal(200) * np.exp(-np.arange(200) / 40)
    out = np.zeros(duration * RATE)
    for start in np.arange(0.1, duration - 0.1, every):
        out[int(start * RATE) :][:200] += click
    return out


def through(sound, delay, wow=0.001, snr_db=50):
    """Sound and what a deck with that delay makes of it."""
    deck = generator.Deck(spacing=0.19 * delay, speed=0.19, wobbles=((wow, 0.7, 0.3), (wow / 2, 4.3, 1.0)))
    return sound, generator.soiled(generator.echo(sound, RATE, deck), snr_db=snr_db)


@pytest.mark.parametrize(
    ("sound", "delay"),
    [
        (lambda: riff(110, 0.5), 0.75),
        (lambda: riff(82, 0.5, jitter=0.012), 0.75),
        (lambda: riff(55, 0.5), 0.75),
        (lambda: metronome(0.5), 0.2178),
        (lambda: np.tile(generator.noise(2, RATE), 4), 0.3),
    ],
    ids=["110 Hz", "82 Hz", "55 Hz", "metronome", "the same bar again"],
)
def test_where_several_lags_fit_they_are_told_and_none_is_chosen(sound, delay):
    recording = stereo(*through(sound(), delay))
    assert find_lag(recording).rivals
    with pytest.raises(CannotTell, match="repeats itself: .* ms fit alike, and maybe others; play something"):
        measure.measure_delay(recording)


@pytest.mark.parametrize("delay", [3.2, 6.5])
def test_a_delay_of_several_seconds_is_found(delay):
    track = measure.measure_delay(stereo(*through(generator.noise(12, RATE), delay)))
    assert track.total.covers(delay)


def test_a_sound_that_is_like_itself_ten_seconds_later_is_not_looked_for_beyond_the_reach():
    sound = generator.noise(70, 16000)
    sound[159200:] += 0.5 * sound[:-159200]  # 9.95 s
    sound[317600:320000] *= 3  # the loudest are read, and here a stretch of 20 s ends
    both = np.stack([sound, np.roll(sound, 3200)], axis=1)
    assert find_lag(measure.open_recording(both, sample_rate=16000)).seconds == pytest.approx(0.2, abs=1e-3)


@pytest.mark.parametrize("level_db", [-10, -3])
def test_dry_sound_in_the_playback_does_not_hide_the_echo(level_db):
    sound, wet = through(generator.noise(6, RATE), 0.222)
    recording = stereo(sound, wet + 10 ** (level_db / 20) * sound)
    track = measure.measure_delay(recording)
    assert track.total.covers(0.222)
    assert any("direct monitoring" in sentence for sentence in look(recording).sentences)
    assert look(stereo(sound, wet)).sentences == []


def test_an_echo_below_its_hiss_is_refused_with_the_reason():
    with pytest.raises(CannotTell, match="an echo at 222 ms, but only .* louder, so that hiss"):
        measure.measure_delay(stereo(*through(generator.noise(6, RATE), 0.222, snr_db=-9)))


def test_a_delay_that_drifts_has_the_drift_in_its_interval():
    t = np.arange(10 * RATE) / RATE
    sound = generator.noise(10, RATE)
    wet = generator.reader(sound)((t - 0.2 - 110e-6 * t) * RATE)
    track = measure.measure_delay(stereo(sound, wet))
    # From 0.2 s at the beginning to 0.2011 s at the end.
    assert track.track[0] < 0.2001 and track.track[-1] > 0.201
    assert track.total.covers(track.track[0]) and track.total.covers(track.track[-1])
    assert track.total.plus_minus < 0.7e-3
    assert any("drifts by +110" in sentence for sentence in track.sentences)


def test_windows_that_went_elsewhere_than_the_whole_take_are_refused():
    track = 0.2 + 1e-4 * np.sin(np.arange(100))
    lag = find_lag(stereo(*through(generator.noise(2, RATE), 0.2)))
    judge(track, lag)
    with pytest.raises(CannotTell, match=r"say 209.1 ms and the whole take says 200"):
        judge(track + 0.0091, lag)
