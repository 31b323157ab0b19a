"""Noise and hum from made-up silence."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.measuring import CannotTell


def hum(mains, rate=48000, seconds=10):
    t = np.arange(seconds * rate) / rate
    return 0.01 * np.sin(2 * np.pi * mains * t) + 0.003 * np.sin(2 * np.pi * 3 * mains * t)


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_is_found_and_told_from_hiss(mains):
    hiss = 0.002 * np.random.default_rng(1).standard_normal(480000)
    found = measure.measure_noise(measure.open_recording(hum(mains) + hiss, sample_rate=48000))
    assert found.mains == mains
    assert found.hum_db.value == pytest.approx(10 * np.log10((0.01**2 + 0.003**2) / 2), abs=0.05)
    assert found.to_dict()["hum_db"]["unit"] == "dB"
    # Hiss is white to 24 kHz, of which 20 Hz to 20 kHz counts.
    assert found.hiss_db.value == pytest.approx(20 * np.log10(0.002) + 10 * np.log10(19980 / 24000), abs=0.1)
    assert any("Hum" in sentence for sentence in found.sentences)
    assert found.to_dict()["mains"] == mains


def lines(mains, levels_db, seconds=10, rate=48000):
    """Multiples of the mains with rms levels in dB, by their number."""
    t = np.arange(seconds * rate) / rate
    return sum(
        10 ** (level / 20) * np.sqrt(2) * np.sin(2 * np.pi * k * mains * t + k)
        for k, level in levels_db.items()
    )


HISS_DB = -60 + 10 * np.log10(19980 / 24000)  # of white noise up to 24 kHz, from 20 Hz to 20 kHz


def read(sound, seconds=10):
    hiss = 1e-3 * np.random.default_rng(1).standard_normal(seconds * 48000)
    return measure.measure_noise(measure.open_recording(hiss + sound, sample_rate=48000))


def test_hum_on_the_tape_is_found_off_speed():
    levels = {1: -58.0, 2: -70.0, 3: -64.6, 5: -72.0}
    found = read(lines(48.6, levels))
    assert found.mains == pytest.approx(48.6, abs=0.05)
    assert [level for _, level in found.hum_lines] == pytest.approx(list(levels.values()), abs=0.3)
    assert found.hiss_db.covers(HISS_DB)
    assert any("-2.8 % off the mains" in sentence for sentence in found.sentences)


def test_buzz_to_a_kilohertz_is_hum_and_not_hiss():
    levels = {k: -58 - 0.8 * k for k in range(1, 21)}
    found = read(lines(60.0, levels))
    assert found.mains == 60.0 and len(found.hum_lines) == 20 and found.whistles == ()
    assert found.hum_db.covers(10 * np.log10(sum(10 ** (level / 10) for level in levels.values())))
    assert found.hiss_db.covers(HISS_DB)


@pytest.mark.parametrize("frequency", [110.0, 150.0, 1000.0, 15625.0])
def test_a_whistle_is_neither_hum_nor_hiss(frequency):
    found = read(lines(frequency, {1: -60.0}))
    assert found.mains is None and found.hum_db is None
    assert found.whistles == (pytest.approx((frequency, -60), abs=0.2),)
    assert found.hiss_db.covers(HISS_DB)
    assert any("whistle" in sentence for sentence in found.sentences)


@pytest.mark.parametrize(("frequency", "weighting"), [(1000, 0.0), (100, -19.1), (10000, -2.5)])
def test_the_weighted_level_follows_the_published_weighting(frequency, weighting):
    # Source: IEC 61672-1, A weighting to a tenth of a decibel.
    t = np.arange(240000) / 48000
    tone = 0.01 * np.sqrt(2) * np.sin(2 * np.pi * frequency * t)
    found = measure.measure_noise(measure.open_recording(tone, sample_rate=48000))
    assert found.weighted_db.value == pytest.approx(-40 + weighting, abs=0.15)


def test_noise_is_counted_from_a_reference_when_there_is_one():
    hiss = 0.001 * np.random.default_rng(1).standard_normal(480000)
    full = measure.measure_noise(measure.open_recording(hiss, sample_rate=48000))
    against = measure.measure_noise(measure.open_recording(hiss, sample_rate=48000), reference=0.1)
    assert against.level_db.value - full.level_db.value == pytest.approx(20)
    assert full.mains is None and full.hum_db is None


def test_noise_that_changes_is_called_unsteady():
    rng = np.random.default_rng(1)
    samples = np.concatenate([1e-4 * rng.standard_normal(240000), 1e-2 * rng.standard_normal(240000)])
    found = measure.measure_noise(measure.open_recording(samples, sample_rate=48000))
    assert any("not steady" in sentence for sentence in found.sentences)


def test_what_is_not_noise_is_refused():
    def refused(samples, reason):
        with pytest.raises(CannotTell, match=reason):
            measure.measure_noise(measure.open_recording(samples, sample_rate=48000))

    refused(np.zeros(480000), "digital silence")
    refused(generator.noise(10, 48000) * 5, "not silence")
    refused(1e-3 * np.random.default_rng(1).standard_normal(48000), "takes 3 s")
    with pytest.raises(ValueError, match="reference"):
        measure.measure_noise(measure.open_recording(hum(50), sample_rate=48000), reference=0)
