"""Rendering: stages, channels, seeds, rates, files, and what is refused."""

import dataclasses
import math
import signal
import tracemalloc

import numpy as np
import pytest
import soundfile

from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine, with_changes
from tapecalc.sound import signals
from tapecalc.sound.engine import EchoSettings, echo_layout, wet_blocks
from tapecalc.sound.files import read_sound, write_sound
from tapecalc.sound.motion import Motion, SpeedChange
from tapecalc.sound.render import STAGES, echo_settings, echo_tail, render, render_file, without_stages
from tapecalc.sound.samples import peak_db, rms_db

RATE = 48000
SILENT_STAGES = ("flutter", "hiss", "saturation", "response")


def white_noise(seconds, rate=RATE):
    return 0.02 * np.random.default_rng(1).standard_normal(round(seconds * rate))


@pytest.fixture
def machine():
    return example_machine()


@pytest.fixture
def dry():
    return signals.phrase(RATE, seconds=1.5)


def test_a_take_has_a_dry_sound_an_echo_and_both(machine, dry):
    take = render(dry, RATE, machine)
    assert take.sample_rate == RATE
    assert take.dry.shape == take.wet.shape == take.mix.shape
    assert np.array_equal(take.dry[: len(dry)], dry)
    assert np.array_equal(take.mix, take.dry + take.wet)


def test_the_levels_of_the_mix_are_as_asked_for(machine, dry):
    take = render(dry, RATE, machine, dry_db=-6.0, wet_db=-20.0)
    assert take.mix == pytest.approx(10**-0.3 * take.dry + 0.1 * take.wet)


def test_the_input_is_left_alone(machine, dry):
    before = dry.copy()
    render(dry, RATE, machine)
    assert np.array_equal(dry, before)


def test_the_first_repeat_comes_after_the_delay_at_the_level_of_the_sends(machine):
    click = signals.click(0.1, at=0.05)
    changed = with_changes(machine, {"mixer.input_send_db": -6.0})
    take = render(click, RATE, changed, without=SILENT_STAGES, seconds=0.4)
    assert np.argmax(take.wet) == round((0.05 + 0.0415 / 0.1905) * RATE)
    assert peak_db(take.wet) == pytest.approx(-24, abs=0.05)


def test_a_head_that_does_not_feed_the_return_is_heard_once(machine):
    heads = [{"spacing_mm": 30.0, "feeds_return": False}, {"spacing_mm": 50.0}]
    changed = with_changes(machine, {"playback_heads": heads})
    wet = render(signals.click(0.02, at=0.001), RATE, changed, without=SILENT_STAGES, seconds=0.7).wet
    times = [0.001 + mm / 190.5 for mm in (30, 50, 80, 100, 130)]
    levels = [np.abs(wet[round(t * RATE) - 3 : round(t * RATE) + 4]).max() for t in times]
    amplitude = 10 ** (-18 / 20)
    assert levels == pytest.approx(amplitude * np.array([1, 1, 0.501, 0.501, 0.251]), rel=0.01)
    assert np.abs(wet[round(0.06 / 0.1905 * RATE) : round(0.07 / 0.1905 * RATE)]).max() < 1e-4


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_can_be_heard_to_be_missing(machine, dry, stage):
    hot = with_changes(machine, {"levels.tape_mol_db": -4.8})
    with_it = render(dry, RATE, hot, seconds=1.5).wet
    without_it = render(dry, RATE, hot, seconds=1.5, without=[stage]).wet
    assert np.abs(with_it - without_it).max() > 1e-5


def test_a_delay_of_many_seconds_comes_as_exactly_as_a_short_one(machine):
    far = with_changes(machine, {"playback_heads": [{"spacing_mm": 1000.0}]})
    wet = render(signals.click(0.1), RATE, far, without=SILENT_STAGES, seconds=6.0).wet
    assert np.argmax(wet) == round((0.05 + 1 / 0.1905) * RATE)


def test_a_stage_may_be_named_alone(machine):
    settings = echo_settings(machine)
    assert without_stages(settings, "hiss") == without_stages(settings, ["hiss"])
    assert without_stages(settings, ()) == settings


def test_settings_may_be_given_instead_of_a_machine(machine, dry):
    settings = echo_settings(machine, seed=3)
    one, other = render(dry, RATE, settings), render(dry, RATE, machine, seed=3)
    assert np.array_equal(one.wet, other.wet)


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not(machine, dry):
    first, again, other = (render(dry, RATE, machine, seed=seed).wet for seed in (1, 1, 2))
    assert first.tobytes() == again.tobytes()
    assert np.abs(first - other).max() > 1e-5


def test_mono_equals_either_channel_of_the_same_signal_in_stereo(machine, dry):
    mono = render(dry, RATE, machine).wet
    stereo = render(np.column_stack([dry, dry]), RATE, machine).wet
    assert np.abs(stereo - mono[:, None]).max() < 1e-14


def test_channels_do_not_leak_into_each_other(machine, dry):
    stereo = render(np.column_stack([dry, 0 * dry]), RATE, machine, without=["hiss"]).wet
    assert np.abs(stereo[:, 0]).max() > 0.01
    assert not stereo[:, 1].any()


@pytest.mark.parametrize("rate", [22050, 44100, 48000, 88200, 96000, 192000])
def test_delay_and_level_do_not_depend_on_the_sample_rate(machine, rate):
    click = signals.click(0.1, rate, at=0.05, width=0.001)
    wet = render(click, rate, machine, without=SILENT_STAGES, seconds=0.4).wet
    peak = np.argmax(np.abs(wet))
    left, middle, right = wet[peak - 1 : peak + 2]
    time = (peak + 0.5 * (left - right) / (left - 2 * middle + right)) / rate
    assert time == pytest.approx(0.05 + 0.0415 / 0.1905, abs=2e-6)
    assert peak_db(wet) == pytest.approx(-18, abs=0.05)


@pytest.mark.parametrize("rate", [22050, 48000, 192000])
def test_hiss_has_its_level_at_every_sample_rate(machine, rate):
    settings = without_stages(echo_settings(machine), ["feedback"])
    wet = render(np.zeros(rate), rate, settings, seconds=2.0).wet[rate // 2 :]
    spectrum = np.abs(np.fft.rfft(wet)) ** 2
    frequency = np.fft.rfftfreq(len(wet), 1 / rate)
    heard = np.sum(spectrum[(frequency >= 20) & (frequency <= 20e3)]) * 2 / len(wet) ** 2
    assert 10 * np.log10(heard / settings.hiss**2) == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize("samples", [[0.5], [[0.5, 0.25]], np.zeros(1)])
def test_one_sample_has_an_echo_as_long_as_any(machine, samples):
    take = render(np.array(samples, dtype=float), RATE, machine, without=["hiss"])
    assert len(take.wet) > RATE
    assert np.any(take.wet) == np.any(samples)
    assert np.isfinite(take.wet).all()


def test_silence_stays_silence_without_hiss(machine):
    assert not render(np.zeros(RATE), RATE, machine, without=["hiss"]).mix.any()


def test_single_precision_is_rendered_as_well(machine, dry):
    single = render(dry.astype(np.float32), RATE, machine).wet
    assert single == pytest.approx(render(dry, RATE, machine).wet, abs=1e-6)


def test_an_input_longer_than_the_take_is_cut(machine, dry):
    take = render(dry, RATE, machine, seconds=0.5)
    assert len(take.dry) == len(take.mix) == RATE // 2


def test_the_echo_is_sixty_decibels_down_at_the_end_of_the_tail(machine):
    flat = with_changes(machine, {"mixer.return_send_db": -3.0})
    click = signals.click(0.01, at=0.005)
    take = render(click, RATE, flat, without=SILENT_STAGES)
    end = np.abs(take.wet[-round(0.2 * RATE) :]).max()
    assert -70 < 20 * np.log10(end / np.abs(take.wet).max()) < -56


@pytest.mark.parametrize(("send_db", "seconds"), [(0.0, 20.0), (10.0, 20.0), (-1.0, 13.3)])
def test_the_tail_ends_even_where_the_echo_does_not(machine, send_db, seconds):
    settings = echo_settings(with_changes(machine, {"mixer.return_send_db": send_db}))
    assert echo_tail(settings) == pytest.approx(seconds, abs=0.2)


def test_a_tail_without_feedback_holds_the_one_repeat(machine):
    settings = without_stages(echo_settings(machine), ["feedback"])
    assert echo_tail(settings) == pytest.approx(0.0415 / 0.1905, rel=0.01)


def test_a_change_of_speed_takes_the_response_along(machine):
    change = SpeedChange(ratio=0.5, start=0.0, seconds=0.02)
    noise = white_noise(3.0)
    even = render(noise, RATE, machine, speed=0.1905 / 2, seconds=3.0, without=["flutter", "hiss"])
    changed = render(noise, RATE, machine, change=change, seconds=3.0, without=["flutter", "hiss"])
    # One second later nothing on the tape is left from before the change.
    bands = [np.abs(np.fft.rfft(take.wet[2 * RATE :])) ** 2 for take in (even, changed)]
    treble = [10 * np.log10(band[10000:15000].sum()) for band in bands]
    assert treble[0] == pytest.approx(treble[1], abs=0.5)


def test_a_change_of_speed_works_with_the_limiter_and_in_stereo(machine):
    change = SpeedChange(ratio=2.0, start=0.3, seconds=0.2)
    dry = np.column_stack([signals.phrase(RATE, seconds=1.0)] * 2)
    take = render(dry, RATE, machine, change=change)
    assert np.isfinite(take.wet).all()
    assert np.array_equal(take.wet[:, 0], take.wet[:, 1])


@pytest.mark.parametrize("block", [64, 256, 1024, 3000])
def test_samples_are_the_same_for_any_block_size(machine, dry, block):
    settings = dataclasses.replace(echo_settings(machine), return_gain=1.3)
    usual = echo_layout(settings, RATE)
    layouts = [usual, dataclasses.replace(usual, block=block // usual.cell * usual.cell)]
    count = 40000
    takes = []
    for layout in layouts:
        padded = np.zeros((1, math.ceil(count / layout.block) * layout.block))
        padded[0, :count] = dry[:count]
        pieces = np.split(padded, padded.shape[1] // layout.block, axis=1)
        takes.append(np.concatenate(list(wet_blocks(pieces, settings, layout)), axis=1)[0, :count])
    assert layouts[0].block != layouts[1].block
    assert np.abs(takes[0] - takes[1]).max() < 1e-12


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda m: render(np.zeros(10, dtype=np.int16), RATE, m), "floating-point"),
        (lambda m: render([0.1], 0, m), "sample_rate must be a whole number from 8000"),
        (lambda m: render([np.nan], RATE, m), "samples must be a finite number"),
        (lambda m: render(np.zeros((9, 3)), RATE, m), "shape"),
        (lambda m: render([0.1], RATE, m, seconds=0.2), "more than the shortest delay, 0.218 s"),
        (lambda m: render([0.1], RATE, m, seconds=0), "seconds must be greater than 0"),
        (lambda m: render([0.1], RATE, m, speed=-1), "speed must be greater than 0"),
        (lambda m: render([0.1], RATE, m, without=["reverb"]), "without must hold names from"),
        (lambda m: render([0.1], RATE, m, dry_db=np.inf), "dry_db must be a finite number"),
        (lambda m: render([0.1], RATE, m, seed=-1), "seed must be a whole number"),
        # 192 samples of the pass, 89 of bumps (0.4 of 4.6 ms), 75 of record, limit, and a cell of 16 + 2 + 1
        (lambda m: render([0.1], RATE, m, speed=9.0), "must give delays of 7.79 ms or more"),
        (lambda m: render([0.1], RATE, echo_settings(m), speed=0.2), "must be left out"),
        (lambda m: render([0.1], RATE, m, speed=30.0), "wobbles must be from 0 to 750 Hz"),
        (lambda m: dataclasses.replace(echo_settings(m), heads=(0.04,)), "heads must be a Heads"),
        (lambda m: dataclasses.replace(echo_settings(m), saturation=0.0), "saturation must be greater"),
    ],
)
def test_nonsense_is_refused_in_one_line(machine, call, message):
    with pytest.raises(ValueError, match=message) as refused:
        call(machine)
    assert "\n" not in str(refused.value)


def test_an_echo_that_runs_away_without_a_limit_is_refused(machine, dry):
    hot = with_changes(machine, {"mixer.return_send_db": 20.0})
    with pytest.raises(ValueError, match="return_gain must leave a loop without saturation stable, got 10"):
        render(dry, RATE, hot, without=["saturation"], seconds=20)


def test_reading_ahead_of_the_record_head_is_refused(machine, dry):
    settings = echo_settings(machine)
    layout = dataclasses.replace(echo_layout(settings, RATE), block=10496, size=16384)
    blocks = [np.zeros((1, layout.block))] * 2
    with pytest.raises(AssertionError):
        list(wet_blocks(blocks, settings, layout))


# --- files -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [".wav", ".flac", ".ogg", ".mp3"])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_file_is_rendered_as_it_is_in_memory(tmp_path, machine, dry, ending, channels):
    source = write_sound(tmp_path / "dry.flac", np.column_stack([dry] * channels), RATE)
    done = render_file(machine, source, tmp_path / f"echo{ending}", seconds=2.0, seed=2)
    heard, rate = read_sound(done.path)
    take = render(read_sound(source)[0], RATE, machine, seconds=2.0, seed=2)
    assert (rate, done.seconds, done.clipped, done.notes) == (RATE, 2.0, 0, ())
    if ending in (".wav", ".flac"):
        assert np.abs(heard - take.mix).max() <= 2.0**-23
    assert rms_db(heard) == pytest.approx(rms_db(take.mix), abs=0.5)
    assert done.peak_db == pytest.approx(peak_db(take.mix), abs=1e-3)
    assert str(done).startswith(str(done.path))


def test_the_echo_can_be_had_alone(tmp_path, machine, dry):
    source = write_sound(tmp_path / "dry.wav", dry, RATE)
    done = render_file(machine, source, tmp_path / "echo.wav", wet_only=True, seconds=2.0)
    wet = render(read_sound(source)[0], RATE, machine, seconds=2.0).wet
    assert np.abs(read_sound(done.path)[0] - wet).max() <= 2.0**-23


def test_files_are_the_same_bytes_when_rendered_twice(tmp_path, machine, dry):
    source = write_sound(tmp_path / "dry.wav", dry, RATE)
    one, other = (render_file(machine, source, tmp_path / name, seed=4).path for name in ("a.wav", "b.wav"))
    assert one.read_bytes() == other.read_bytes()


def test_what_is_too_loud_or_was_clipped_before_is_said(tmp_path, machine):
    loud = np.clip(3 * signals.tone(200, 1.0, level_db=0), -1, 1)
    source = write_sound(tmp_path / "dry.wav", loud, RATE)
    done = render_file(machine, source, tmp_path / "echo.wav")
    assert done.peak_db > 0
    assert done.clipped > 0
    assert [note.split()[0] for note in done.notes] == ["The", f"{done.clipped}"]
    assert np.abs(read_sound(done.path)[0]).max() <= 1


def test_a_progress_bar_goes_to_the_terminal(tmp_path, machine, dry, capsys):
    source = write_sound(tmp_path / "dry.wav", dry, RATE)
    render_file(machine, source, tmp_path / "echo.wav", progress=True)
    assert "echo: 100%" in capsys.readouterr().err
    render_file(machine, source, tmp_path / "echo.wav")
    assert capsys.readouterr().err == ""


def write_empty(path):
    path.write_bytes(b"")


def write_words(path):
    path.write_text("no sound at all")


def write_nan(path):
    samples = np.zeros(60000)
    samples[50000] = np.nan
    soundfile.write(path, samples, RATE, subtype="FLOAT")


def write_six_channels(path):
    soundfile.write(path, np.zeros((100, 6)), RATE)


@pytest.mark.parametrize(
    ("write", "message"),
    [
        (write_empty, "in.wav: the file is empty"),
        (write_words, "in.wav: not a sound file"),
        (write_nan, "in.wav: holds samples that are not finite numbers"),
        (write_six_channels, "in.wav: has 6 channels, at most 2"),
        (lambda path: None, "in.wav: there is no such sound file"),
    ],
)
def test_bad_files_are_refused_and_nothing_is_left_behind(tmp_path, machine, write, message):
    write(tmp_path / "in.wav")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(ValueError, match=message):
        render_file(machine, tmp_path / "in.wav", tmp_path / "out.wav")
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize(
    ("target", "options", "message"),
    [
        ("dry.wav", {}, "source and target must be two files"),
        ("out.xyz", {}, "must end in"),
        ("out.wav", {"seconds": 0.1}, "more than the shortest delay"),
    ],
)
def test_bad_wishes_are_refused_and_nothing_is_left_behind(tmp_path, machine, dry, target, options, message):
    source = write_sound(tmp_path / "dry.wav", dry, RATE)
    with pytest.raises(ValueError, match=message):
        render_file(machine, source, tmp_path / target, **options)
    assert [path.name for path in tmp_path.iterdir()] == ["dry.wav"]


@pytest.mark.parametrize("ending", [".wav", ".flac"])
def test_a_full_disk_is_said_in_one_line_and_nothing_is_left_behind(tmp_path, machine, ending):
    resource = pytest.importorskip("resource", reason="limits of file size are POSIX")
    source = write_sound(tmp_path / "dry.wav", white_noise(4.0), RATE)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, limits[1]))
    try:
        with pytest.raises(OSError, match=r"^cannot write [^\n]*: the disk is full"):
            render_file(machine, source, tmp_path / f"out{ending}")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, handler)
    assert [path.name for path in tmp_path.iterdir()] == ["dry.wav"]


def test_memory_does_not_grow_with_the_length_of_the_file(tmp_path, machine):
    def peak(seconds):
        source = write_sound(tmp_path / "dry.wav", np.zeros((seconds * 8000, 2)), 8000)
        tracemalloc.start()
        render_file(machine, source, tmp_path / "out.wav", seconds=seconds)
        _, highest = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return highest

    assert peak(240) < 1.2 * peak(60)


def test_bumps_below_20_hz_are_not_designed_and_none_is_lost(machine):
    # 5 mm at 6 mm/s take 0.833 s: at 20 Hz there are 16.7 poles in a wave, and the last bump is at 16.
    slow = with_changes(
        machine, {"unusual": True, "transport.speeds_ips": None, "transport.speeds_cm_s": [0.6]}
    )
    one_pass, f = slow.one_pass(0.006), np.geomspace(20, 20_000, 4000)
    flat = dataclasses.replace(one_pass, pole_shape="flat")
    assert one_pass.pole_length == pytest.approx(5e-3)
    np.testing.assert_array_equal(one_pass.gain(f), flat.gain(f))
    assert np.abs(one_pass.gain(f / 2) / flat.gain(f / 2) - 1).max() > 0.01
    assert echo_layout(echo_settings(slow, 0.006), RATE).reach == 0
    assert echo_layout(echo_settings(slow, 0.0063), RATE).reach > 0  # 15.9 in a wave


def test_a_very_slow_tape_is_rendered_in_little_memory(machine, dry):
    crawling = with_changes(
        machine,
        {"unusual": True, "transport.speeds_ips": None, "transport.speeds_cm_s": [0.1]}
        | {"playback_heads": [{"spacing_mm": 5.0}], "heads.pole_length_mm": 5.0},
    )
    render(dry[:1000], RATE, machine, seconds=0.3)  # what is made once
    tracemalloc.start()
    render(dry[:1000], RATE, crawling, seconds=6)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 50e6  # once 845 MB, for bumps below 1 Hz


def test_a_flat_pass_needs_no_machine():
    settings = EchoSettings(motion=Motion(speed=0.2), heads=Heads(spacings=(0.02,)), return_gain=0.5)
    click = np.zeros(4800)
    click[100] = 0.5
    wet = render(click, RATE, settings, seconds=0.25).wet
    assert wet[[4900, 9700]] == pytest.approx([0.5, 0.25], rel=0.06)
