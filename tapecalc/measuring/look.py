"""Look at a take as a whole before anything is measured from it: what it holds, what is wrong, what to do.

What is certain is mended: swapped channels, a wrong sample rate, what comes after the tape has stopped. Every
figure is then read from the mended take. Where the playback is not the tape, nothing is read.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import fft

from tapecalc import words
from tapecalc.calc.units import amplitude_to_db
from tapecalc.measuring.dsp import Array, Bools, power_spectrum
from tapecalc.measuring.estimate import CannotTell
from tapecalc.measuring.lag import Lag, find_lag, refuse_doubtful
from tapecalc.measuring.recording import Recording, channel_health
from tapecalc.measuring.test_signal import find_signal
from tapecalc.sound.test_signal import SIGNAL_LENGTH

#: What a take may hold.
KINDS = {
    "program": "any sound on the dry channel, what the machine made of it on the other",
    "test signal": "the test signal, dry and played back",
    "tone": "a steady tone, played back",
    "silence": "the machine playing a tape recorded with nothing",
    "repeats": "a sound and its repeats, the return send up",
    "tracks": "one sound on two tracks of a tape, both played back",
}
#: The traffic light of a take: all told; mended, or told in part; nothing told.
LIGHTS = ("good", "usable", "useless")


@dataclass(eq=False)
class Look:
    """What a take holds that can be measured, by name, after mending, and what was noticed.

    Names are kinds of takes; a test signal has "program" (its noise), "tone", "silence", "sweeps" and
    "reference". `spoiled` says why a piece that is there is not to be read.
    """

    recording: Recording
    pieces: dict[str, Recording] = field(default_factory=dict)
    spoiled: dict[str, str] = field(default_factory=dict)
    sentences: list[str] = field(default_factory=list)
    light: str = LIGHTS[0]
    lag: Lag | None = None  # of the program, where it was looked for

    def say(self, text: str, light: str = "usable", spoils: Sequence[str] = (), why: str = "") -> None:
        """Note what was noticed, how bad it is, and the pieces that it spoils."""
        self.sentences.append(text)
        self.light = max(self.light, light, key=LIGHTS.index)
        self.spoiled |= dict.fromkeys(spoils, why)


def look(recording: Recording, kind: str = "program") -> Look:
    """Look at a take of a kind of `KINDS`; a useless one has no pieces."""
    seen = Look(recording)
    try:
        _look_at_channels(seen, kind)
        _look_at_signal(seen) if kind == "test signal" else _look_at_sound(seen, kind)
    except CannotTell as refusal:
        seen.pieces.clear()
        seen.say(f"Nothing can be told of this take, because {refusal.reason}.")
    if not seen.pieces.keys() - {"reference"}:
        seen.light = LIGHTS[-1]
    return seen


def _look_at_channels(seen: Look, kind: str) -> None:
    """Say what is wrong with each channel by itself; one that is empty is refused, or taken for not there."""
    recording = seen.recording
    names = ("playback",) if recording.dry is None else ("playback", "dry")
    found = {name: channel_health(recording, name) for name in names}
    for name, health in found.items():
        for text in () if health.empty else health.sentences():
            seen.say(text, "usable" if health.clipped else "good")
        if health.empty and kind not in ("tone", "silence"):
            if name == "playback" or kind in ("program", "tracks"):
                raise CannotTell(f"the {name} channel is empty: look at its lead and its input")
            seen.say("The dry channel is empty: without what goes in, no delay is told.")
            seen.recording = replace(recording, dry=None)
        peak_db = amplitude_to_db(max(health.peak, 1e-9))
        if peak_db < -40 and not health.empty and kind != "silence":
            seen.say(f"The {name} channel is far too quiet, it peaks at {peak_db:.0f} dB: record it louder.")
    if kind == "silence" and recording.dry is not None and found["playback"].rms < 1e-7 < found["dry"].rms:
        _exchange(seen)


def _look_at_sound(seen: Look, kind: str) -> None:
    """A take that is of one piece."""
    recording = seen.recording
    if recording.dry is None:
        if kind == "program":
            raise CannotTell("a delay needs the dry sound beside the playback, and there is one channel only")
    elif kind == "tone":
        _which_tone(seen)
    elif recording.common_start and kind not in ("tracks", "silence"):
        lag = _which_is_which(seen, recording)
        if kind == "program":
            refuse_doubtful(lag)
            _look_along(seen, lag, seen.recording)
    seen.pieces[kind] = seen.recording


def _look_at_signal(seen: Look) -> None:
    """A take of the test signal: its parts, and what they say of the rest."""
    try:
        found = find_signal(seen.recording)
    except CannotTell as refusal:
        seen.say(f"{words.sentence(refusal.reason)}; it is taken as any other sound.")
        _look_at_sound(seen, "program")
        return
    if found.rate_ratio != 1:
        stated, true = (round(seen.recording.sample_rate * ratio) for ratio in (1, found.rate_ratio))
        seen.say(
            f"The file says {stated} Hz, but the test signal in it runs at {true} Hz, and was read so: set "
            "interface and program to one sample rate."
        )
        seen.recording = replace(seen.recording, sample_rate=true)
    before, noise = seen.recording, found.parts.get("noise")
    if before.dry is not None and before.common_start and noise is not None:
        lag = _which_is_which(seen, noise)
        _look_along(seen, lag, noise if seen.recording is before else noise.swapped())
        if seen.recording is not before:
            found = find_signal(seen.recording)
    if found.missing:
        seen.say(
            f"Of the test signal not all of {words.listed(found.missing)} is there: record all of it, "
            f"{SIGNAL_LENGTH:.0f} s, with nothing stopped between."
        )
    names = ("tone", "silence") if before.dry is None else ("reference", "noise", "sweeps", "tone", "silence")
    there = {name: found.parts[name] for name in names if name in found.parts}
    seen.pieces |= {"program" if name == "noise" else name: part for name, part in there.items()}


def _exchange(seen: Look) -> None:
    """Exchange the channels."""
    seen.recording = seen.recording.swapped()
    seen.say("The channels are swapped: the one called dry comes later. They were exchanged for all figures.")


def _which_is_which(seen: Look, piece: Recording) -> Lag:
    """Find the lag of a piece of the take; exchange the channels if the playback leads."""
    seen.lag = lag = find_lag(piece)
    if not lag.rivals and lag.seconds < -1e-3:
        _exchange(seen)
        seen.lag = lag = replace(lag, seconds=-lag.seconds)
    if lag.polarity < 0:
        seen.say("The machine turns the polarity over; this harms nothing.", "good")
    return lag


def _which_tone(seen: Look) -> None:
    """Of two channels with a tone the steadier is what went in; two as steady are not from a tape."""
    sways = {name: _sway(seen.recording, name) for name in ("playback", "dry")}
    # An interface's clock holds a tone within some 1e-7, a tape not within 1e-5.
    if sways["playback"] < 3e-6:
        if sways["dry"] < 3e-5 or sways["dry"] == np.inf:
            raise CannotTell("the tone is too steady to come from a tape: switch the monitor to tape")
        _exchange(seen)


def _sway(recording: Recording, name: str) -> float:
    """How far a tone's frequency sways from tenth to tenth of a second, rms, as a fraction; inf if silent."""
    step = recording.sample_rate // 10
    count = min(recording.count // step, 120) * step
    samples = recording.read(name, (recording.count - count) // 2, count)
    if count == 0 or np.std(samples) < 1e-5:
        return float(np.inf)
    spectrum = power_spectrum(fft.rfft(samples * np.hanning(count)))
    line = max(int(np.argmax(spectrum)), 1) / count
    turned = (samples * np.exp(-2j * np.pi * line * np.arange(count))).reshape(-1, step) @ np.hanning(step)
    return float(np.std(np.diff(np.unwrap(np.angle(turned[2:-2]))))) / (2 * np.pi * line * step)


def _look_along(seen: Look, lag: Lag, clear: Recording) -> None:
    """Look for what leaks or comes again in a clear piece, and what stops or is leveled in all."""
    if lag.rivals:
        return
    leak, again = _other_ways(clear, lag.seconds)
    monitored, returned = "the dry sound itself is in the playback", "the echo's echo is in the playback"
    for strength, what, do in (
        (leak, monitored, "turn direct monitoring and the mixer's dry channel off"),
        (again, returned, "pull the return send down"),
    ):
        if strength > 0.01:
            spoils = ("tone", "silence", "sweeps") if strength > 0.05 else ()
            said = f"{words.sentence(what)}, about {amplitude_to_db(strength):+.0f} dB against the echo"
            seen.say(f"{said}: {do}, and record again.", spoils=spoils, why=what)
    dry, played, block = _levels(seen.recording, lag.seconds)
    sounds = dry > 0.03 * np.quantile(dry, 0.95) if len(dry) else dry > 0
    if not played[sounds].any():
        return
    gain = played[sounds] / dry[sounds]
    dead = gain < 0.1 * np.median(gain[gain > 0.01 * gain.max(initial=0.0)])
    last = len(dead) - int(np.argmin(dead[::-1])) if not dead.all() else 0
    if np.count_nonzero(dead[last:]) * block > 1.0:
        stop = float(np.flatnonzero(sounds)[last]) * block
        stopped = "nothing comes from the tape: it had stopped, or run out; record again"
        if stop < 1.0:  # of so little nothing would be told
            raise CannotTell(f"from {stop:.1f} s on {stopped}")
        seen.say(f"From {stop:.1f} s on {stopped}.")
        seen.recording = seen.recording.part(0, stop - 0.3)
    elif (slope := _leveled(dry, played, sounds)) > 0.5:
        why = "an automatic level control is on"
        said = f"The quieter the sound, the more it is turned up, by {slope:.0%} of the difference"
        seen.say(
            f"{said}: {why}. Turn it off in recorder and computer.", spoils=("silence", "sweeps"), why=why
        )


def _other_ways(recording: Recording, lag: float) -> tuple[float, float]:
    """How strong the sound comes at once, and after twice the lag, against the echo; 0 if it is not seen."""
    rate = recording.sample_rate
    size = 2 ** int(np.ceil(np.log2(rate * (2.2 * lag + 0.5))))
    frequency = fft.rfftfreq(2 * size, 1 / rate)
    # Deep enough that wow does not put the echo out of step.
    band = np.exp(-((np.log(np.maximum(frequency, 1.0) / 220) / 0.6) ** 2))
    cross, power = np.zeros(size + 1, dtype=complex), np.full(size + 1, 1e-30)
    for first in range(0, min(recording.count, 30 * rate) - size // 2, size // 2):
        spectrum = fft.rfft(np.hanning(size) * recording.read("dry", first, size), 2 * size)
        cross += np.conj(spectrum) * fft.rfft(recording.read("playback", first, 2 * size))
        power += power_spectrum(spectrum)
    answer = fft.irfft(band * cross / (power + 1e-3 * np.average(power, weights=band))) ** 2
    reach = int(min(0.003, lag / 4) * rate)

    def around(lags: float) -> float:
        return float(np.roll(answer, reach - round(lags * lag * rate))[: 2 * reach + 1].sum())

    usual = max(np.quantile([around(whole + part / 20) for part in range(6, 15)], 0.9) for whole in (0, 1))
    leak, again = (np.sqrt(here / around(1)) if (here := around(n)) > 10 * usual else 0.0 for n in (0, 2))
    return float(leak), float(again)


def _levels(recording: Recording, lag: float) -> tuple[Array, Array, float]:
    """Rms of the dry sound and of its echo in blocks of 50 ms, and how long these are, s."""
    size, shift = recording.sample_rate // 20, round(lag * recording.sample_rate)
    count = (recording.count - shift) // size

    def channel(name: str, first: int) -> Array:
        many = range(0, count, 200)
        pieces = (recording.read(name, first + k * size, min(200, count - k) * size) for k in many)
        return np.concatenate([np.std(piece.reshape(-1, size), axis=1) for piece in pieces] or [np.zeros(0)])

    return channel("dry", 0), channel("playback", shift), size / recording.sample_rate


def _leveled(dry: Array, played: Array, sounds: Bools) -> float:
    """By how much of a difference in level what is quiet is turned up, from 0 to 1."""
    # What is near the noise of the playback says nothing.
    clear = sounds & (played > 10 * np.quantile(played, 0.05)) if len(played) else sounds
    level_db, gain_db = 20 * np.log10(dry[clear]), 20 * np.log10(played[clear] / dry[clear])
    steps = np.round(level_db / 3)
    used = [step for step in np.unique(steps) if np.sum(steps == step) >= 8]
    if len(used) < 3 or 3 * (used[-1] - used[0]) < 9:
        return 0.0
    gains = np.array([np.median(gain_db[steps == step]) for step in used])
    return max(0.0, -float(np.polyfit(3 * np.array(used), gains, 1)[0]))
