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
