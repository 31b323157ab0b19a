"""Wow and flutter from tones of a make-believe deck."""

import functools

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.calc.flutter import weighting_db
from tapecalc.calc.parts import TurningPart, fingerprint
from tapecalc.measuring import CannotTell

RATE = 44100
MIXED = ((0.0011, 0.55, 0.3), (0.0007, 4.3, 1.0), (0.0004, 9.7, 2.0), (0.00015, 28, 1.0))


def truth(wobbles, duration=200):
    """Weighted two-sigma, and unweighted rms, of the deck's own wobbles."""
    t = np.arange(0, duration, 1e-3)
    plain = sum(m * np.sin(2 * np.pi * f * t + p) for m, f, p in wobbles)
    shaped = sum(m * 10 ** (weighting_db(f) / 20) * np.sin(2 * np.pi * f * t + p) for m, f, p in wobbles)
    return np.quantile(np.abs(shaped), 0.9545), np.std(plain)


@functools.cache
def reading(wobbles, duration=30, snr_db=40, record_mode="test tape", delay=None, **tone):
    deck = generator.Deck(wobbles=wobbles)
    samples = generator.tone(duration, RATE, deck, through=record_mode == "simultaneous", **tone)
    samples = generator.soiled(samples, snr_db=snr_db, seed=3)
    recording = measure.open_recording(samples, sample_rate=RATE)
    return measure.measure_flutter(recording, record_mode=record_mode, delay=delay)


@pytest.mark.parametrize("depth", [0.0002, 0.002, 0.02])
@pytest.mark.parametrize("rate", [0.3, 1.0, 4.0, 20.0, 60.0])
def test_a_single_wobble_is_read_within_a_percent_at_40_db(depth, rate):
    found = reading(((depth, rate, 1.0),), duration=60 if rate < 1 else 20)
    weighted, rms = truth(((depth, rate, 1.0),))
    assert found.weighted.value == pytest.approx(weighted, rel=0.01)
    assert found.unweighted_rms.value == pytest.approx(rms, rel=0.01)
    assert found.lines[0].rate.covers(rate)
    assert found.lines[0].depth.value == pytest.approx(depth, rel=0.01)


def test_a_mixture_is_read_within_a_percent_and_its_lines_are_told_apart():
    found = reading(MIXED, duration=60)
    weighted, rms = truth(MIXED)
    assert found.weighted.value == pytest.approx(weighted, rel=0.01)
    assert found.unweighted_rms.value == pytest.approx(rms, rel=0.01)
    assert [round(line.rate.value, 2) for line in found.lines[:4]] == [0.55, 4.3, 9.7, 28.0]
    assert [round(1e5 * line.depth.value) for line in found.lines[:4]] == [110, 70, 40, 15]


def test_a_steady_tone_with_noise_reads_next_to_nothing():
    found = reading((), snr_db=40)
    assert found.weighted.value < 2e-5
    assert not found.lines
    assert found.weighted.value <= found.weighted.plus_minus or found.weighted.value < 1e-5


def test_the_noise_taken_off_is_the_noise_that_was_there():
    # At 40 dB below the tone over half the sample rate, the deviation's noise up to 200 Hz is
    # sqrt(2 * 10^-4 / (rate / 2) * integral of f^2 df / 2) / f0.
    found = reading((), snr_db=40)
    expected = np.sqrt(1e-4 / (RATE / 2) * 200**3 / 3) / 3150
    assert found.noise == pytest.approx(expected, rel=0.1)


def test_a_test_tape_tells_the_speed_error():
    found = reading(((0.0005, 4.0, 0.0),), frequency=3150 * 1.007)
    assert found.speed_error.covers(0.007)
    assert found.record_mode == "test tape"


def test_a_tone_taken_through_shows_the_comb_and_is_corrected_line_by_line():
    wobbles = ((0.0005, 1.1, 0.0), (0.0005, 2.5, 0.3), (0.0005, 5.0, 1.0))
    found = reading(wobbles, duration=40, record_mode="simultaneous", delay=0.2)
    by_rate = {round(line.rate.value, 1): line for line in found.lines}
    # Half of the delay's frequency doubles a wobble, the delay's frequency hides it. Source: comb.
    assert by_rate[2.5].comb == pytest.approx(2.0, abs=1e-3)
    assert by_rate[2.5].depth.value == pytest.approx(0.001, rel=0.01)
    assert by_rate[2.5].element_depth.value == pytest.approx(0.0005, rel=0.01)
    assert by_rate[1.1].element_depth.value == pytest.approx(0.0005, rel=0.01)
    assert 5.0 not in by_rate or by_rate[5.0].element_depth is None
    assert any("5.00" in sentence and "does not show" in sentence for sentence in found.sentences)
    assert any("nothing about the tape's speed" in sentence for sentence in found.sentences)
    assert found.speed_error is None


def test_without_the_delay_nothing_is_corrected_and_it_says_so():
    found = reading(((0.0005, 2.5, 0.3),), record_mode="simultaneous")
    assert found.lines[0].element_depth is None
    assert any("Give the delay" in sentence for sentence in found.sentences)
    assert found.peaks()[0] == (found.lines[0].rate.value, found.lines[0].depth.value)


def test_a_tone_played_later_is_never_corrected():
    found = reading(((0.0005, 2.5, 0.3),), record_mode="later", delay=0.2)
    assert found.lines[0].element_depth is None
    assert any("0 to 2 times" in sentence for sentence in found.sentences)


def test_the_suspect_is_the_part_that_turns_at_the_line():
    roller = TurningPart(name="pinch roller", diameter=0.038)
    capstan = TurningPart(name="capstan", diameter=0.008)
    found = reading(((0.0008, 0.1905 / (np.pi * 0.038), 0.0),))
    verdict = fingerprint(found.peaks(), (roller, capstan), 0.1905, resolution=1 / found.duration)[0]
    assert verdict.part.name == "pinch roller"


def test_a_dropout_is_bridged():
    deck = generator.Deck(wobbles=((0.001, 4.0, 0.0),))
    samples = generator.tone(20, RATE, deck)
    samples[9 * RATE : 9 * RATE + RATE // 20] *= 0.05
    samples = generator.soiled(samples, snr_db=50)
    found = measure.measure_flutter(
        measure.open_recording(samples, sample_rate=RATE), record_mode="test tape"
    )
    assert found.weighted.value == pytest.approx(0.000997, rel=0.03)


def test_of_a_recording_longer_than_two_minutes_the_loudest_two_are_read():
    rate = 16000
    samples = generator.soiled(generator.tone(150, rate, generator.Deck(wobbles=MIXED)), snr_db=40)
    found = measure.measure_flutter(
        measure.open_recording(samples, sample_rate=rate), record_mode="test tape"
    )
    assert found.weighted.value == pytest.approx(truth(MIXED)[0], rel=0.01)
    assert found.drift.covers(0.0)
    assert found.duration == pytest.approx(120, abs=0.5)


def test_a_machine_that_slows_down_shows_a_drift():
    rate, duration = 16000, 150
    t = np.arange(duration * rate) / rate
    samples = 0.5 * np.sin(2 * np.pi * 3150 * (t - 1e-5 * t**2 / 2))
    found = measure.measure_flutter(
        measure.open_recording(samples, sample_rate=rate), record_mode="test tape"
    )
    assert found.drift.value == pytest.approx(-1e-5, rel=0.02)


def test_wrong_material_gets_a_reason_and_never_a_number():
    def refused(samples, reason):
        with pytest.raises(CannotTell, match=reason):
            measure.measure_flutter(measure.open_recording(samples, sample_rate=RATE))

    deck = generator.Deck()
    refused(np.zeros(10 * RATE), "empty")
    refused(generator.noise(6, RATE), "no steady tone")
    refused(generator.plucked(6, RATE), "no steady tone")
    refused(generator.tone(3, RATE, deck), "it takes 5 s")
    for seconds in (0.1, 0.5, 1.0, 2.0):
        late = generator.tone(seconds, RATE, deck)
        refused(np.append(1e-6 * generator.noise(6, RATE), late), "cannot tell")
    refused(generator.tone(10, RATE, deck, frequency=150), "outside 700")


@pytest.mark.parametrize("option", [{"record_mode": "twice"}, {"delay": -1.0}])
def test_options_out_of_range_are_refused(option):
    samples = generator.tone(6, RATE, generator.Deck())
    with pytest.raises(ValueError, match=next(iter(option))):
        measure.measure_flutter(measure.open_recording(samples, sample_rate=RATE), **option)


def test_readings_go_into_a_plain_dict():
    plain = reading(MIXED, duration=60).to_dict()
    assert plain["weighted"]["value"] > 0
    assert plain["lines"][0]["element_depth"]["value"] > 0
    assert plain["record_mode"] == "test tape" and "deviation" not in plain


# ---- takes of one machine ----

SLOW = 16000


def fast_tone(wobbles, seconds=20, frequency=3150.0, seed=1, noise=1e-3):
    """A tone that wobbles, from the closed form of its phase."""
    t = np.arange(int(seconds * SLOW)) / SLOW
    swing = (m * np.sin(2 * np.pi * f * t + p) / (2 * np.pi * f) for m, f, p in wobbles)
    when = t + sum(swing, np.zeros(len(t)))
    tone = 0.5 * np.sin(2 * np.pi * frequency * when)
    return tone + noise * np.random.default_rng(seed).standard_normal(len(t))


def read(samples, record_mode="test tape", **options):
    tape = measure.open_recording(samples, sample_rate=SLOW)
    return measure.measure_flutter(tape, record_mode=record_mode, **options)


FIGURES = ("weighted", "weighted_rms", "unweighted", "unweighted_rms")


def agree(one, other):
    """Whether two estimates of one thing differ by no more than both leave open."""
    return abs(one.value - other.value) <= np.hypot(one.plus_minus, other.plus_minus)


def take(seed, seconds):
    """A take of one machine: three steady wobbles in any phases, and another piece of a random one."""
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, 3)
    wobbles = tuple(zip((9e-4, 7e-4, 4e-4), (0.81, 4.4, 7.3), phases, strict=True))
    deck = generator.Deck(wobbles=wobbles, random=(4e-4, seed))
    return generator.soiled(generator.tone(seconds, SLOW, deck), snr_db=45, seed=seed)


def test_eight_takes_of_one_machine_hold_each_other_and_the_machine():
    readings = [read(take(seed, 21)) for seed in range(8)]
    # By hand: sum of m^2 / 2, and the square of the random wobble.
    machine = np.sqrt((9e-4**2 + 7e-4**2 + 4e-4**2) / 2 + 4e-4**2)
    assert sum(found.unweighted_rms.covers(machine) for found in readings) >= 7
    for name in FIGURES:
        figures = [getattr(found, name) for found in readings]
        pairs = [agree(one, other) for n, one in enumerate(figures) for other in figures[:n]]
        assert len(pairs) == 28 and sum(pairs) >= 26, name
        # 2 % to 15 %: no digits that the next take would not share, and not all of them either.
        assert all(0.02 < figure.plus_minus / figure.value < 0.15 for figure in figures), name


def test_two_halves_of_one_long_take_agree():
    whole = take(11, 50)
    one, other = (read(half) for half in np.array_split(whole, 2))
    assert all(agree(getattr(one, name), getattr(other, name)) for name in FIGURES)


@pytest.mark.parametrize("rate", [0.2, 0.63, 100.0])
def test_a_pure_sine_reads_its_analytic_values_within_the_interval(rate):
    found = read(fast_tone(((1e-3, rate, 1.0),), seconds=30))
    assert found.unweighted_rms.covers(1e-3 / np.sqrt(2))
    assert found.unweighted.covers(1e-3 * np.sin(np.pi / 2 * 0.9545))
    assert found.unweighted.plus_minus < 1e-5


# ---- what else a tone tells ----


@pytest.mark.parametrize(("mean", "off"), [(3150 * 1.02, 0.02), (3000 * 1.005, 0.005), (990.0, -0.01)])
def test_a_test_tape_is_recognized(mean, off):
    assert read(fast_tone(((1e-3, 4.0, 0.0),), 8, mean)).speed_error.covers(off)


def test_a_tone_between_two_test_tapes_or_on_none_is_said():
    between = read(fast_tone((), 6, 3060))
    assert any("if 3150 Hz is on its label" in sentence for sentence in between.sentences)
    assert read(fast_tone((), 6, 2000)).speed_error is None


@pytest.mark.parametrize(("other", "level"), [(3300, 1.0), (3300, 0.25), (1000, 0.7)])
def test_two_tones_are_refused(other, level):
    both = fast_tone((), 8) + level * fast_tone((), 8, other, noise=0)
    with pytest.raises(CannotTell, match="swells and fades|not one alone"):
        read(both)


@pytest.mark.parametrize("return_gain", [0.1, 0.2, 0.5])
def test_a_return_send_left_up_is_noticed_in_the_tone(return_gain):
    deck = generator.Deck(wobbles=((1e-3, 1.1, 0), (5e-4, 7.3, 1)), random=(3e-4, 5))
    dry = 0.5 * np.sin(2 * np.pi * 3150 * np.arange(12 * SLOW) / SLOW)
    samples = generator.echo(dry, SLOW, deck, return_gain=return_gain, passes=6)[2 * SLOW :]
    try:
        said = " ".join(read(generator.soiled(samples, snr_db=45), "simultaneous", delay=0.2).sentences)
    except CannotTell as refusal:
        said = refusal.reason
    assert "return send" in said


def test_scrape_flutter_is_read_above_200_hz_and_not_below():
    found = read(fast_tone(((1e-3, 4.0, 0), (2e-3, 350.0, 0)), 10))
    assert found.scrape.covers(2e-3 / np.sqrt(2)) and found.scrape.plus_minus < 5e-4
    assert found.unweighted_rms.covers(1e-3 / np.sqrt(2))
    assert read(fast_tone(((1e-3, 4.0, 0),), 10)).scrape is None
    noisy = read(fast_tone(((1e-3, 4.0, 0),), 10, noise=0.05))
    assert noisy.scrape is None and any("would not have been seen" in text for text in noisy.sentences)


def test_dropouts_are_counted_and_none_is_not_never():
    samples = fast_tone(((1e-3, 4.0, 0),), 20)
    for at in (3, 7, 12):
        samples[at * SLOW : at * SLOW + SLOW // 50] *= 0.1
    found = read(samples)
    assert found.dropouts.covers(9) and found.dropouts.value > 8
    assert found.unweighted_rms.covers(1e-3 / np.sqrt(2))
    none = read(fast_tone((), 20)).dropouts
    assert none.value == 0 and none.covers(9)


def test_an_automatic_level_is_asked_for():
    samples = fast_tone(((1e-3, 4.0, 0),), 10)
    said = read(samples * np.linspace(1, 0.5, len(samples))).sentences
    assert any("automatic level control" in sentence for sentence in said)


def test_what_could_be_seen_is_seen_and_a_null_shows_nothing():
    deck = generator.Deck(wobbles=((8e-4, 1.1, 0.0),), random=(3e-4, 2))
    found = read(generator.tone(20, SLOW, deck, through=True), "simultaneous", delay=0.2)
    assert found.could_see(5.0) == found.could_see(500.0) == np.inf
    least = found.could_see(3.3)
    assert 1e-5 < least < 3e-4
    shown = generator.Deck(wobbles=((8e-4, 1.1, 0.0), (1.1 * least, 3.3, 0.0)), random=(3e-4, 2))
    again = read(generator.tone(20, SLOW, shown, through=True), "simultaneous", delay=0.2)
    assert any(abs(line.rate.value - 3.3) < 0.1 for line in again.lines)
    assert read(fast_tone((), 6), "later").could_see(3.3) == np.inf
    # Beside the line at 1.1 Hz a shallower one would be hidden.
    assert found.could_see(1.15) > 7e-4


def test_a_tone_straight_from_the_source_is_doubted():
    assert any("bounds" in text or "source" in text for text in read(fast_tone((), 8, noise=1e-4)).sentences)


@pytest.mark.parametrize("ceiling", [0.4, 0.45])
def test_the_noise_of_a_clipped_tone_is_not_taken_for_flutter(ceiling):
    deck = generator.Deck(wobbles=((2e-4, 4.0, 0.0),))
    tone = generator.tone(16, 44100, deck)
    clipped = generator.soiled(tone, snr_db=30, seed=3, ceiling=ceiling, bits=16)
    found = measure.measure_flutter(
        measure.open_recording(clipped, sample_rate=44100), record_mode="test tape"
    )
    assert any("clipped" in sentence for sentence in found.sentences)
    assert found.unweighted_rms.covers(2e-4 / np.sqrt(2))
    assert found.unweighted_rms.plus_minus > 0.03 * found.unweighted_rms.value


def test_a_tone_clipped_most_of_the_time_is_refused():
    with pytest.raises(CannotTell, match="clipped for most"):
        read(np.clip(fast_tone((), 6), -0.25, 0.25))
