"""Levels: where a chain clips or drowns in hiss, and what a patch makes of a fader."""

import math
from dataclasses import asdict
from typing import Any

from tapecalc.calc import levels
from tapecalc.calc.quantity import between, known_name, non_negative, single
from tapecalc.calc.standards import TRACK_WIDTHS
from tapecalc.calc.units import amplitude_to_db
from tapecalc.course.deck import DECK, FAST
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.machine import with_changes
from tapecalc.panels.panel import Panel
from tapecalc.plot.levels import treble_lift_db

REFERENCES = {"+4 dBu": 4.0, "-10 dBV": levels.dbv_to_dbu(-10.0)}
MADE_FOR = "levels.machine_reference_dbu"
#: How much earlier 10 kHz meet the limit of the tape than the bass, at the speed where it is most.
LIFT_DB = treble_lift_db(DECK)
PATCH_NAMES = {"with sends": "sends", "one bus": "one bus", "pan as a send": "pan"}


#: What the panels of this lesson know of the bench deck and the trade.
FACTS: dict[str, Any] = {
    "instrument_dbu": DECK.levels.instrument_dbu,
    "mixer_gain_db": DECK.levels.mixer_gain_db,
    "input_send_db": DECK.mixer.input_send_db,
    "lift_db": LIFT_DB,
    "stages": {
        name: [asdict(stage) for stage in with_changes(DECK, {MADE_FOR: reference}).level_stages]
        for name, reference in REFERENCES.items()
    },
    "patches": PATCH_NAMES,
    "delay": DECK.delays(FAST)[0],
}


def staging_panel() -> Panel:
    """Return the panel of signal, clipping level and noise at each stage of the bench deck's chain."""
    return Panel("patching", "stagingPanel", FACTS)


# ---- what a patch makes of a fader ----


def patch_gains(patch: str, *, fader: float, return_send: float = 0, pan: float = 0) -> tuple[float, float]:
    """Compute how loud the first repeat is heard, and how much goes round, for one patch.

    Amplitudes against the voice, whose own channel is at 1 on both ways, with a tape that plays back as
    loud as it records. With sends ``(e, s)``, the return send taken before the fader; on one bus ``(e, e)``;
    with the pan of channel 2, from 0, left, to 1, right, as a send ``(e cos(90 p), e sin(90 p))``, angles in
    degrees: its power stays the same. Desks differ.

    >>> patch_gains("one bus", fader=0.5)
    (0.5, 0.5)
    """
    fader = single("fader", non_negative("fader", fader))
    return_send = single("return_send", non_negative("return_send", return_send))
    angle = math.pi / 2 * single("pan", between("pan", pan, 0, 1))
    gains = {"sends": (fader, return_send), "one bus": (fader, fader)}
    gains["pan"] = fader * math.cos(angle), fader * math.sin(angle)
    return gains[known_name("patch", patch, gains)]


def patch_panel() -> Panel:
    """Return the panel of the repeats as they are heard, for three patches and a leak beside the tape."""
    return Panel("patching", "patchPanel", FACTS)


# ---- exercises ----

_diagram = levels.level_diagram(DECK.level_stages, DECK.levels.instrument_dbu)

#: The prediction: how far the voice stays below 3 % distortion of the tape.
first_guess = Guess(_diagram.headroom_db, "dB", tolerance_percent=10).hints(
    "Follow the voice to the tape, adding gains; the tape distorts by 3 % at 4 dB above +4 dBu.",
    (4, "That is what the tape has above its reference; the voice arrives 4 dB below the reference."),
    (18, "Count the gain of channel 1: the voice is not at -10 dBu any more when it meets the tape."),
    (20, "So much is left in the electronics. Another stage gives up earlier."),
)

#: From a studio mixer into a domestic machine.
pad = Exercise(levels.pad_db(4.0, levels.dbv_to_dbu(-10.0)), "dB").hints(
    "Both in dBu first, then one less the other.",
    (14, "You subtracted dBV from dBu: first turn -10 dBV into dBu."),
    (6, "Plus four and minus ten are fourteen apart, not six, and then there are two kinds of decibel."),
    (levels.pad_db(4.0, -10.0) + 2.2185, "dBV into dBu: the same voltage reads 2.2 more, not less, in dBu."),
)

#: A pickup into an input that is made for a mixer.
_loading = -levels.loading_loss_db(20e3, 10e3)
loading = Exercise(_loading, "dB").hints(
    "What is left is load divided by source plus load; then 20 log10, and leave the minus off.",
    (-levels.loading_loss_db(10e3, 20e3), "You have exchanged the two: the load is the input."),
    (-amplitude_to_db(0.5), "Half would be left if both were 10 kilo-ohms."),
    (_loading / 2, "A voltage takes 20 log10; 10 log10 is for powers."),
)

#: The limit of a tape, from a data sheet's flux.
mol = Exercise(amplitude_to_db(465 / 250), "dB").hints(
    "How many times the one flux is the other? Then 20 log10 of that.",
    (amplitude_to_db(465 / 250) / 2, "Flux takes 20 log10, as voltages do; 10 log10 is for powers."),
    (amplitude_to_db(465 / 320), "That is above 320 nWb/m; this machine's reference is 250."),
)

#: Two quarter tracks with the same signal.
both_tracks = Exercise(
    levels.track_snr_db(2 * TRACK_WIDTHS["quarter track"], TRACK_WIDTHS["quarter track"]), "dB"
).hints(
    "How much does the signal gain, how much the noise? The rest is yours.",
    (amplitude_to_db(2.0), "The signal does gain so much; but the noise gains, too."),
    (0.1, "The signals are alike and add in step; the two hisses are not and add in power."),
)

#: How loud a leak eats how much margin.
leak = Exercise(levels.leak_ripple_db(-14.0)[1], "dB").hints(
    "Turn the leak into an amplitude, add it to 1, and take 20 log10.",
    (-levels.leak_ripple_db(-14.0)[0], "That is how deep the dip is, out of step. In step the two add."),
    (14, "So much weaker is the leak. How much does it add to a tape that gives back 1?"),
    (0.2, "That is its amplitude; one plus that, in decibels."),
)


def _exposure(level_dba: float) -> Exercise:
    """Ask how long the room may be so loud."""
    excess = level_dba - 85
    return Exercise(levels.allowed_exposure(level_dba) / 60, "min").hints(
        "How many times do three decibels go into the excess over 85? Halve eight hours as often.",
        (8 * 60, "That is for 85 dB(A). Halve it for each 3 dB more."),
        (8 * 60 / excess, "You divided by the decibels; halve once for each 3 dB."),
        (8 * 60 * 2 ** (-excess / 5), "You halved for each 5 dB, an older and laxer rule."),
    )


exposure = _exposure(97.0)
exposure_again = Question(
    "At the listeners' ears it is {level_dba:g} dB(A): how many minutes a day are allowed by the 3 dB rule?",
    _exposure,
    "Eight hours for 85 dB(A), and half of it for each 3 dB up to {level_dba:g}: {answer}.",
    {"level_dba": (88, 91, 94, 100, 103)},
)
