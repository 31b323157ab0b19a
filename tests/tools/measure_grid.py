"""A seeded grid of make-believe recordings: for each, what was stated and what is true.

Every function yields ``(what, estimate, truth)``; a test counts how often the stated
interval covers the truth.
"""

from __future__ import annotations

import dataclasses

import deck_generator as generator
import numpy as np
from scipy.interpolate import CubicSpline

from tapecalc import measuring as measure
from tapecalc.calc.flutter import weighting_db
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.measuring.response import APART

HEAD = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6, track_width=2e-3, azimuth_angle=0)
RATES = (44100, 48000, 96000)
CLOCK = 1e-4  # an interface's clock is anywhere within this of its nominal rate


def random_deck(rng, lowest=0.8):
    """A deck with two to four wobbles at common rates and depths, and a random one beside them."""
    speed = rng.choice([0.1905, 0.09525]) * rng.uniform(0.97, 1.03)
    count = rng.integers(2, 5)
    rates = np.exp(rng.uniform(np.log(lowest), np.log(25), count))
    depths = 10 ** rng.uniform(-4, -3, count) / np.maximum(1, rates / 5)
    wobbles = tuple(zip(depths, rates, rng.uniform(0, 2 * np.pi, count), strict=True))
    random = (10 ** rng.uniform(-5, -3.5), int(rng.integers(1 << 30)))
    return generator.Deck(spacing=rng.uniform(0.02, 0.05), speed=speed, wobbles=wobbles, random=random)


def some_rate(rng):
    """A sample rate that interfaces use; the highest takes longest and comes least often."""
    return int(rng.choice(RATES, p=(0.45, 0.45, 0.1)))


def coupling(low_cut):
    """Gain of a path with a coupling capacitor."""
    return lambda f: 1j * f / (low_cut + 1j * f)


def head_bump(middle, size, sharpness):
    """Gain of a bell at `middle` Hz, `size` times as loud there."""

    def gain(f):
        s = 1j * np.maximum(f, 1e-3) / middle
        return (s * s + size * s / sharpness + 1) / (s * s + s / sharpness + 1)

    return gain


def beyond_a_null(gain, null):
    """Gain of a path that cancels `null` Hz, and lifts the treble by up to 12 dB."""
    return lambda f: gain(f) * np.sinc(f / null) * np.minimum(1 + (f / 3000) ** 2, 4)


def soil(samples, rng, *, loudest_db=50):
    """Noise, offset, and rounding, as they may come."""
    return generator.soiled(
        samples,
        snr_db=rng.uniform(25, loudest_db),
        seed=int(rng.integers(1 << 30)),
        offset=rng.choice([0.0, 0.02, -0.01]),
        bits=int(rng.choice([16, 24])),
    )


def speech(rng, duration=6, rate=48000):
    """Some seconds of speech, from anywhere in it."""
    words = generator.voice(30, rate)
    begin = int(rng.uniform(0, 30 - duration) * rate)
    return words[begin : begin + duration * rate], rate


def clipped(samples, rng):
    """Samples whose peaks a converter cut off."""
    ceiling = rng.uniform(0.4, 0.95) * np.abs(samples).max()
    return np.clip(samples, -ceiling, ceiling)


def some_equalizers(rng, speed, low_cut):
    """A pass over a machine as they are sold, with dirt."""
    aligned = dataclasses.replace(
        HEAD,
        gap=rng.uniform(3e-6, 5e-6),
        separation=rng.uniform(0.2e-6, 1e-6),
        coating_thickness=rng.uniform(8e-6, 14e-6),
        surface_share=rng.uniform(0.1, 0.5),
    )
    today = dataclasses.replace(aligned, separation=aligned.separation + rng.uniform(0, 1e-6))
    contact = {"speed": speed, "today": today, "aligned": aligned}
    return OnePass(
        **contact, boost_db=rng.uniform(19, 29), low_cut=low_cut, pole_length=rng.uniform(3e-3, 7e-3)
    )


def delays(
    count,
    seed,
    duration=6,
    sound=None,
    *,
    feedback=False,
    heads=False,
    clip=False,
    null=False,
    equalizers=False,
):
    """Delays against the deck's spacing over speed, the interface's clock off by up to 100 ppm.

    `sound` gives (dry, sample rate) from a random generator; without it, noise and plucked strings.
    With `feedback` the playback goes round again, with `heads` a fainter one is heard beside the
    first, with `clip` the peaks of both channels are cut off, and with `null` a gap far too long
    turns the treble over, which an equalizer lifts. With `equalizers` the path is that of a machine with its
    record and playback amplifiers.
    """
    rng = np.random.default_rng(seed)
    for k in range(count):
        if sound is None:
            rate = some_rate(rng)
            dry = (generator.noise, generator.plucked)[k % 2](duration, rate, seed=int(rng.integers(1 << 30)))
        else:
            dry, rate = sound(rng)
        deck = random_deck(rng)
        clock, low_cut = rng.uniform(-CLOCK, CLOCK), rng.uniform(15, 45)
        path = {"gain": coupling(low_cut), "clock": clock}
        if null:
            path["gain"] = beyond_a_null(coupling(low_cut), rng.uniform(5000, 10000))
        if equalizers:
            path["gain"] = some_equalizers(rng, deck.speed, low_cut).gain
        around = {"return_gain": rng.uniform(0.2, 0.7), "passes": 12} if feedback else {}
        playback = generator.echo(dry, rate, deck, **path, **around)
        if heads:
            second = dataclasses.replace(deck, spacing=rng.uniform(1.3, 2.5) * deck.spacing)
            playback += rng.uniform(0.2, 0.8) * generator.echo(dry, rate, second, **path)
        playback = soil(playback, rng)
        if clip:
            dry, playback = clipped(dry, rng), clipped(playback, rng)
        both = np.stack([dry, playback], axis=1)
        track = measure.measure_delay(measure.open_recording(both, sample_rate=rate))
        true = deck.delay(track.time / (1 + clock)) * (1 + clock)
        # The mean is one under a bell; between windows that were used it is along a straight line.
        place = np.round((track.time - track.time[0]) / 0.05)
        bell = np.sin(np.pi * np.arange(1, place[-1] + 2) / (place[-1] + 2)) ** 2
        mean = float(bell @ np.interp(np.arange(len(bell)), place, true) / bell.sum())
        yield "delay", track.delay, mean
        yield "delay, clock and wander", track.total, deck.spacing / deck.speed
        yield "drift", track.drift, 0.0
        # What all windows share stands in the uncertainty of the delay.
        common = np.median(track.track - true)
        for value, spread, truth in zip(
            track.track[::20], track.track_plus_minus[::20], true[::20] + common, strict=True
        ):
            yield "track", measure.Estimate(value, spread), truth


def shaped(deck, t, gain):
    """The deck's deviation from mean speed, each rate with its gain."""
    out = sum(m * gain(np.array([f]))[0] * np.sin(2 * np.pi * f * t + p) for m, f, p in deck.wobbles)
    if deck.random is None:
        return out
    dense = np.arange(0, generator.RANDOM_PERIOD, 1 / generator.RANDOM_KNOTS)
    spectrum = np.fft.rfft(generator.random_speed(*deck.random)[0](dense))
    spectrum *= gain(np.fft.rfftfreq(len(dense), dense[1]))
    return out + CubicSpline(dense, np.fft.irfft(spectrum))(t)


def weighted(rate):
    """The weighting, 0 below the range of flutter."""
    return np.where(rate >= 0.1, 10 ** (weighting_db(np.maximum(rate, 0.1)) / 20), 0.0)


def plain(rate):
    """No weighting."""
    return np.where(rate >= 0.1, 1.0, 0.0)


def flutter(count, seed, duration=16, through=False, clip=False):
    """Readings of a test tape against what the deck's wobbles would read in a very long take."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, generator.RANDOM_PERIOD, 1e-3)
    for _ in range(count):
        rate, clock = some_rate(rng), rng.uniform(-CLOCK, CLOCK)
        deck = random_deck(rng)
        off = rng.uniform(-0.01, 0.01)
        tone = generator.tone(duration, rate, deck, frequency=3150 * (1 + off), clock=clock, through=through)
        soiled = soil(tone, rng, loudest_db=60)
        recording = measure.open_recording(clipped(soiled, rng) if clip else soiled, sample_rate=rate)
        mode = "simultaneous" if through else "test tape"
        delay = deck.spacing / deck.speed
        try:
            reading = measure.measure_flutter(recording, record_mode=mode, delay=delay if through else None)
        except measure.CannotTell:
            assert clip  # for most of the time
            continue
        if not through:
            for name, gain in (("weighted", weighted), ("unweighted", plain)):
                deviation = shaped(deck, t, gain)
                two_sigma = np.quantile(np.abs(deviation), 0.9545)
                yield name, getattr(reading, name), two_sigma
                yield f"{name} rms", getattr(reading, f"{name}_rms"), np.sqrt(np.mean(deviation**2))
            yield "speed error", reading.speed_error, off
        yield "tone", reading.tone, 3150 * (1 + off) / (1 + clock)
        yield "drift of speed", reading.drift, 0.0
        rates = np.array([f for _, f, _ in deck.wobbles])
        for line in reading.lines:
            away = np.abs(rates - line.rate.value)
            nearest = int(np.argmin(away))
            if away[nearest] < 0.1 and np.sort(np.abs(rates - rates[nearest]))[1] > 0.5:
                depth, true_rate, _ = deck.wobbles[nearest]
                yield "line rate", line.rate, true_rate
                if not through:
                    yield "line depth", line.depth, depth
                elif line.element_depth is not None:
                    yield "machine's own depth", line.element_depth, depth


#: What may have become of a head, and the range of it today.
TODAY = {"separation": (0.5e-6, 4e-6), "gap": (4.5e-6, 12e-6), "azimuth": (5e-4, 6e-3)}


def responses(count, seed, duration=6, *, part="separation", material=generator.noise, clip=False):
    """Levels in every fifth band, and the part of `TODAY` that explains them."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        rate = some_rate(rng)
        deck = random_deck(rng)
        today = rng.uniform(*TODAY[part])
        # A real head has some of another trouble beside what is worst.
        beside = "azimuth" if part == "separation" else "separation"
        parts = {part: today, beside: TODAY[beside][0] + rng.choice([0.0, 0.3]) * np.ptp(TODAY[beside])}
        fields = {"azimuth_angle" if name == "azimuth" else name: value for name, value in parts.items()}
        one_pass = OnePass(
            speed=deck.speed, today=dataclasses.replace(HEAD, **fields), aligned=HEAD, boost_db=12, low_cut=30
        )
        dry = material(duration, rate, seed=int(rng.integers(1 << 30)))
        playback = soil(generator.echo(dry, rate, deck, gain=one_pass.gain), rng, loudest_db=45)
        playback = clipped(playback, rng) if clip else playback
        recording = measure.open_recording(np.stack([dry, playback], axis=1), sample_rate=rate)
        response = measure.measure_response(recording, measure.measure_delay(recording))
        bands = slice(0, None, 5)
        level = one_pass.level_db(response.frequency)
        zero = np.mean((level - response.level_db)[np.abs(response.frequency - 1000) < 300])
        for value, spread, truth in zip(
            response.level_db[bands], response.plus_minus_db[bands], level[bands] - zero, strict=True
        ):
            yield "level", measure.Estimate(value, spread), truth
        # Real heads depart from the model by 0.1 dB or so, which the fit allows for.
        uneven = response.level_db + rng.normal(0, 0.1, len(response.level_db))
        response = dataclasses.replace(response, level_db=uneven)
        fits = measure.fit_what_ifs(response, one_pass)
        # What it really is must be among what cannot be told apart from the best explanation.
        close = [fit for fit in fits if fit.chi2 - fits[0].chi2 < APART and part in fit.parts]
        yield "verdict", measure.Estimate(0.0 if close else 2.0, 1.0), 0.0
        for fit in close[:1]:
            yield part, fit.parts[part], today


def repeats(count, seed, *, real=False):
    """Loop gain, from bursts of noise that go round.

    With `real`, each pass loses bass and treble, the delay, sample rate and clock are any, and there are
    offsets and rounding. The loop gain is then that of the frequency that lasts longest.
    """
    rng = np.random.default_rng(seed)
    for _ in range(count):
        rate = some_rate(rng) if real else 16000
        delay = rng.uniform(0.06, 0.4) if real else 0.03 / rng.uniform(0.15, 0.25)
        deck = dataclasses.replace(random_deck(rng), spacing=0.03, speed=0.03 / delay)
        gain = rng.uniform(0.3, 0.85)
        dry = np.zeros(5 * rate)
        burst = int(min(0.125, delay / 2) * rate)
        sound = generator.noise(0.2, rate, seed=int(rng.integers(1 << 30)))
        dry[1000 : 1000 + burst] = sound[:burst]
        path, highest = {}, gain
        if real:
            low_cut, treble = rng.uniform(15, 45), rng.uniform(4000, 12000)
            bump = rng.uniform(60, 150), rng.uniform(1, 1.5), rng.uniform(0.7, 2)

            def one_pass(f, low_cut=low_cut, treble=treble, bump=bump):
                return coupling(low_cut)(f) * head_bump(*bump)(f) / (1 + 1j * f / treble)

            gain = min(gain, 0.6)
            path = {"gain": one_pass, "clock": rng.uniform(-CLOCK, CLOCK)}
            highest = gain * np.abs(one_pass(np.geomspace(30, 8000, 2000))).max()
        passes = int(min(24, 2 + 3 / -np.log10(gain)))
        playback = generator.echo(dry, rate, deck, return_gain=gain, passes=passes, **path)
        playback += 10 ** rng.uniform(-5, -3.5) * rng.standard_normal(len(playback))
        if real:
            offset, bits = rng.choice([0.0, 0.02]), int(rng.choice([16, 24]))
            playback = generator.soiled(playback, offset=offset, bits=bits)
        recording = measure.open_recording(np.stack([dry, playback], axis=1), sample_rate=rate)
        found = measure.measure_repeats(recording, delay=delay * (1 + rng.uniform(-1e-3, 1e-3)))
        yield "loop gain", found.loop_gain_db, 20 * np.log10(highest)
        # One-sided: how far the upper bound is above the truth, over a half width of one.
        over = max(20 * np.log10(highest) - found.upper_db, 0.0) * 1e3
        yield "upper bound", measure.Estimate(over, 1.0), 0.0
        if not real:
            for _, of_band in found.bands:
                yield "loop gain of a band", of_band, 20 * np.log10(gain)


def noises(count, seed, *, hum=False):
    """Level of white noise; with `hum`, three to eight lines of the mains, a little off, are beside it."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        rate = some_rate(rng)
        level = 10 ** rng.uniform(-4, -2)
        samples = level * rng.standard_normal(8 * rate)
        heard = (min(20000, rate / 2) - 20) / (rate / 2)
        hiss = level**2 * heard
        lines = 0.0
        if hum:
            mains = rng.choice([50, 60]) * (1 + rng.uniform(-5e-4, 5e-4))
            t = np.arange(len(samples)) / rate
            for k in range(1, rng.integers(4, 10)):
                strength = level * 10 ** rng.uniform(-1.3, 0.5)
                samples += strength * np.sin(2 * np.pi * k * mains * t + rng.uniform(0, 6))
                lines += strength**2 / 2
        bits = int(rng.choice([16, 24]))
        samples = generator.soiled(samples, offset=rng.choice([0.0, 0.02]), bits=bits)
        reading = measure.measure_noise(measure.open_recording(samples, sample_rate=rate))
        rounding = 2.0 ** (2 - 2 * bits) / 12 * heard
        yield "noise", reading.level_db, 10 * np.log10(hiss + rounding + lines)
        yield "hiss", reading.hiss_db, 10 * np.log10(hiss + rounding)
        if hum:
            yield "hum", reading.hum_db, 10 * np.log10(lines)


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
