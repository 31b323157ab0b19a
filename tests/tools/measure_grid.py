"""A seeded grid of make-believe recordings: for each, what was stated and what is true.

Every function yields ``(what, estimate, truth)``; a test counts how often the stated
interval covers the truth.
"""

from __future__ import annotations

import dataclasses

import deck_generator as generator
import numpy as np

from tapecalc.audio import measure
from tapecalc.flutter import weighting_db
from tapecalc.response import HeadContact, OnePass

HEAD = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6, track_width=2e-3, azimuth_angle=0)
RATES = (32000, 44100, 48000)


def random_deck(rng, lowest=0.8):
    """A deck with two to four wobbles at common rates and depths."""
    speed = rng.choice([0.1905, 0.09525]) * rng.uniform(0.97, 1.03)
    count = rng.integers(2, 5)
    rates = np.exp(rng.uniform(np.log(lowest), np.log(25), count))
    depths = 10 ** rng.uniform(-4, -3, count) / np.maximum(1, rates / 5)
    wobbles = tuple(zip(depths, rates, rng.uniform(0, 2 * np.pi, count), strict=True))
    return generator.Deck(spacing=rng.uniform(0.02, 0.05), speed=speed, wobbles=wobbles)


def soil(samples, rng, *, loudest_db=50):
    """Noise, offset, and rounding, as they may come."""
    return generator.soiled(
        samples,
        snr_db=rng.uniform(25, loudest_db),
        seed=int(rng.integers(1 << 30)),
        offset=rng.choice([0.0, 0.02, -0.01]),
        bits=int(rng.choice([16, 24])),
    )


def delays(count, seed, duration=6):
    """Delays against the deck's spacing over speed, the interface's clock off by up to 100 ppm."""
    rng = np.random.default_rng(seed)
    for k in range(count):
        rate = int(rng.choice(RATES))
        deck = random_deck(rng)
        clock = rng.uniform(-1e-4, 1e-4)
        low_cut = rng.uniform(15, 45)
        dry = (generator.noise, generator.plucked)[k % 2](duration, rate, seed=int(rng.integers(1 << 30)))

        def gain(f, low_cut=low_cut):
            return 1j * f / (low_cut + 1j * f)

        playback = generator.echo(dry, rate, deck, gain=gain, clock=clock)
        both = np.stack([dry, soil(playback, rng)], axis=1)
        track = measure.measure_delay(measure.open_recording(both, sample_rate=rate))
        yield "delay", track.total, deck.spacing / deck.speed
        yield "low cut", track.low_cut, low_cut
        true = deck.delay(track.time / (1 + clock)) * (1 + clock)
        common = np.median(track.track - true)
        for value, spread, truth in zip(
            track.track[::20], track.track_uncertainty[::20], true[::20] + common, strict=True
        ):
            yield "track", measure.Estimate(value, spread), truth


def flutter(count, seed, duration=16):
    """Readings of a test tape against those of the deck's wobbles in the same time."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.11 * duration, 0.89 * duration, 1 / 1000)
    for _ in range(count):
        rate = int(rng.choice(RATES))
        deck = random_deck(rng)
        samples = soil(generator.tone(duration, rate, deck), rng, loudest_db=60)
        reading = measure.measure_flutter(
            measure.open_recording(samples, sample_rate=rate), taken="test tape"
        )
        plain = deck.speed_ratio(t) - 1
        shaped = sum(
            m * 10 ** (weighting_db(f) / 20) * np.sin(2 * np.pi * f * t + p) for m, f, p in deck.wobbles
        )
        yield "weighted", reading.weighted, np.quantile(np.abs(shaped), 0.9545)
        yield "weighted rms", reading.weighted_rms, np.std(shaped)
        yield "unweighted", reading.unweighted, np.quantile(np.abs(plain), 0.9545)
        yield "unweighted rms", reading.unweighted_rms, np.std(plain)
        yield "mean speed", reading.tone, 3150.0
        for line in reading.lines:
            depth, true_rate, _ = min(deck.wobbles, key=lambda w: abs(w[1] - line.rate.value))
            apart = min(
                (abs(a[1] - b[1]) for a in deck.wobbles for b in deck.wobbles if a is not b), default=9
            )
            if apart > 0.5 and abs(true_rate - line.rate.value) < 0.1:
                yield "line depth", line.depth, depth
                yield "line rate", line.rate, true_rate


def responses(count, seed, duration=6):
    """Levels in every fifth band, and the separation that explains them."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        rate = int(rng.choice(RATES))
        deck = random_deck(rng)
        separation = rng.uniform(0.5e-6, 4e-6)
        one_pass = OnePass(
            speed=deck.speed,
            today=dataclasses.replace(HEAD, separation=separation),
            aligned=HEAD,
            boost_db=12,
            low_cut=30,
        )
        dry = generator.noise(duration, rate, seed=int(rng.integers(1 << 30)))
        playback = soil(generator.echo(dry, rate, deck, gain=one_pass.gain), rng, loudest_db=45)
        recording = measure.open_recording(np.stack([dry, playback], axis=1), sample_rate=rate)
        response = measure.measure_response(recording, measure.measure_delay(recording))
        bands = slice(0, None, 5)
        level = one_pass.level_db(response.frequency)
        zero = np.mean((level - response.level_db)[np.abs(response.frequency - 1000) < 300])
        for value, spread, truth in zip(
            response.level_db[bands], response.uncertainty_db[bands], level[bands] - zero, strict=True
        ):
            yield "level", measure.Estimate(value, spread), truth
        fits = measure.fit_what_ifs(response, deck.speed, aligned=HEAD, boost_db=12)
        yield "separation", next(f.value for f in fits if f.name == "separation"), separation


def repeats(count, seed):
    """Loop gain of a loop with a slight low cut."""
    rng = np.random.default_rng(seed)
    rate = 16000
    for _ in range(count):
        deck = dataclasses.replace(random_deck(rng), spacing=0.03, speed=rng.uniform(0.15, 0.25))
        gain = rng.uniform(0.3, 0.85)
        dry = np.zeros(5 * rate)
        dry[1000 : 1000 + rate // 8] = generator.noise(0.125, rate, seed=int(rng.integers(1 << 30)))
        playback = generator.echo(
            dry, rate, deck, return_gain=gain, passes=int(min(24, 2 + 3 / -np.log10(gain)))
        )
        playback += 10 ** rng.uniform(-5, -3.5) * rng.standard_normal(len(playback))
        recording = measure.open_recording(np.stack([dry, playback], axis=1), sample_rate=rate)
        yield "loop gain", measure.measure_repeats(recording).loop_gain_db, 20 * np.log10(gain)


def noises(count, seed):
    """Level of white noise."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        level = 10 ** rng.uniform(-4, -2)
        samples = level * rng.standard_normal(8 * 44100)
        reading = measure.measure_noise(measure.open_recording(samples, sample_rate=44100))
        yield "noise", reading.level_db, 20 * np.log10(level) + 10 * np.log10(19980 / 22050)


def geometries(count, seed):
    """Spacing and speeds from two delays, a ruler and a stopwatch."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        spacing, first, second = 0.0415, 0.1905, 0.0953
        clock = 1 + rng.uniform(-1e-4, 1e-4)

        def seen(truth, spread):
            return measure.Estimate(truth + spread / 2 * rng.standard_normal(), spread)

        found = measure.solve_geometry(
            [
                measure.Delay(seen(spacing / first * clock, 2e-6), at=0),
                measure.Delay(seen(spacing / second * clock, 4e-6), at=1),
                measure.Ruler(seen(spacing, 0.5e-3)),
                measure.Stopwatch(seen(10.0, 0.01), seen(10 / second, 0.4), at=1),
            ]
        )
        yield "spacing", found.spacings[0], spacing
        yield "speed", found.speeds[0], first
        yield "speed", found.speeds[1], second
        yield "speed ratio", found.speed_ratios[1], second / first
