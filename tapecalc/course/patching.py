"""Levels: where a chain clips or drowns in hiss, and what a patch makes of a fader."""

import math

import numpy as np
from matplotlib.figure import Figure

from tapecalc.calc import levels, loop
from tapecalc.calc.quantity import between, known_name, non_negative, single
from tapecalc.calc.standards import TRACK_WIDTHS
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.course.deck import DECK, FAST
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.course.panel import Answer, Artists, Panel, choice, empty_line, slider
from tapecalc.machine import with_changes
from tapecalc.plot import style
from tapecalc.plot.levels import treble_lift_db

REFERENCES = {"+4 dBu": 4.0, "-10 dBV": levels.dbv_to_dbu(-10.0)}
SECONDS = 5.0  # of the repeats that are drawn
FAINTEST_DB, LOUDEST_DB = -60.0, 12.0
#: How much earlier 10 kHz meet the limit of the tape than the bass, at the speed where it is most.
LIFT_DB = treble_lift_db(DECK)
PATCH_NAMES = {"with sends": "sends", "one bus": "one bus", "pan as a send": "pan"}


# ---- where the chain clips ----


def staging_panel() -> Panel:
    """Return the panel of signal, clipping level and noise at each stage of the bench deck's chain.

    >>> staging_panel().readout
    'The tape distorts first: 8.0 dB of headroom, 48.2 dB above the noise on tape.'
    """
    voice, gain = DECK.levels.instrument_dbu, DECK.levels.mixer_gain_db
    send, made_for = DECK.mixer.input_send_db, DECK.levels.machine_reference_dbu
    return Panel(
        "gain_staging",
        _build_staging,
        _update_staging,
        slider("instrument_dbu", "voice, at its loudest", voice, low=-50.0, high=4.0, step=1.0, unit="dBu"),
        slider("mixer_gain_db", "gain of channel 1", gain, low=-20.0, high=50.0, step=1.0, unit="dB"),
        slider("input_send_db", "input send", send, low=-30.0, high=6.0, step=1.0, unit="dB"),
        choice("reference_dbu", "machine made for", REFERENCES, made_for),
        question="A quiet voice comes at -40 dBu: which gain keeps 12 dB free and the noise lowest?",
        legend="Solid line, dots: signal. Dashed line, squares: where the stage clips, or the tape distorts "
        "by 3 %; small cross: where it does so at 10 kHz. Dotted line, triangles: noise. Upright line: the "
        "smallest headroom.",
        alt="Line chart of level in dBu over the six stages from mixer input to return send: the signal runs "
        "between the level at which each stage clips and the noise, which jumps up at the tape.",
    )


def _build_staging(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame; the three lines and the headroom move."""
    axes = style.style_axes(figure.subplots(), profile, y="level (dBu)", grid="y")
    names = [stage.name.replace(" ", "\n") for stage in DECK.level_stages]
    axes.set(xlim=(-0.3, len(names) - 0.7), ylim=(-110, 60))
    axes.set_xticks(range(len(names)), list("123456") if profile.narrow else names)
    return {
        "room": axes.plot([], [], color=profile.ground.text, linewidth=profile.line_pt / 2)[0],
        "most": empty_line(axes, profile, 1, marked=True),
        "treble": empty_line(axes, profile, 1, linestyle="none", marker="x"),
        "noise": empty_line(axes, profile, 2, marked=True),
        "signal": empty_line(axes, profile, 0, marked=True),
    }


def _update_staging(
    artists: Artists, instrument_dbu: float, mixer_gain_db: float, input_send_db: float, reference_dbu: float
) -> Answer:
    """Follow the voice through the chain."""
    changes = {"levels.mixer_gain_db": mixer_gain_db, "mixer.input_send_db": input_send_db}
    changes["levels.machine_reference_dbu"] = reference_dbu
    stages = with_changes(DECK, changes).level_stages
    diagram = levels.level_diagram(stages, instrument_dbu)
    nodes, places = diagram.nodes, np.arange(len(stages))
    artists["most"].set_data(places, [stage.max_dbu for stage in stages])
    artists["treble"].set_data([3], [stages[3].max_dbu - LIFT_DB])
    artists["signal"].set_data(places, [node.dbu for node in nodes])
    artists["noise"].set_data(places, [node.noise_dbu for node in nodes])
    worst, tape = diagram.first_to_clip, nodes[3]
    first, room_db = nodes.index(worst), worst.headroom_db
    artists["room"].set_data([first, first], [worst.dbu, stages[first].max_dbu])
    # 12 dB above the voice as it peaks in rehearsal; the night is louder.
    pad = diagram.pad_needed_db(wanted_headroom_db=12.0)
    state = f"first: {room_db:.1f} dB of headroom" if room_db >= 0 else f"now, {-room_db:.1f} dB too loud"
    does = "distorts" if worst is tape else "clips"  # a tape gives way, ever more
    return f"The {worst.name} {does} {state}, {tape.snr_db:.1f} dB above the noise on tape.", {
        "pad that leaves 12 dB": f"{pad:.1f} dB",
        "level on tape": f"{tape.dbu:+.1f} dBu",
        "headroom of the tape at 10 kHz": f"{tape.headroom_db - LIFT_DB:.1f} dB",
        "at the return send": f"{1000 * nodes[-1].volts:.0f} mV",
    }


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
    """Return the panel of the repeats as they are heard, for three patches and a leak beside the tape.

    >>> patch_panel().readout
    'The first repeat is heard at -3.0 dB, once round is -5.9 dB: 5.9 dB of margin.'
    """
    send, pan = "return send (patch with sends)", "pan of channel 2 (pan as a send)"
    return Panel(
        "three_patches",
        _build_patch,
        _update_patch,
        choice("patch", "patch", PATCH_NAMES, "sends"),
        slider("fader_db", "fader of channel 2", -3.0, low=-20.0, high=6.0, step=0.5, unit="dB"),
        slider("return_send_db", send, -6.0, low=-20.0, high=6.0, step=0.5, unit="dB"),
        slider("pan_percent", pan, 25.0, low=0.0, high=100.0, step=1.0, unit="%"),
        slider("leak_db", "leak beside the tape", -40.0, low=-60.0, high=-6.0, step=1.0, unit="dB"),
        question="In which patches can the first repeat be as loud as the voice and the rest still fade?",
        legend="Dots: the voice at 0 dB and its repeats as the room hears them. Dashed line: as loud as the "
        "voice.",
        alt="Chart of level in dB over time in s: a dot at 0 dB for the voice, then one dot for each repeat; "
        "they fall in a straight line while the loop has a margin and climb once it has none.",
    )


def _build_patch(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the frame and the voice's level; the repeats move."""
    axes = style.style_axes(figure.subplots(), profile, x="time (s)", y="level heard (dB, voice is 0)")
    axes.set(xlim=(-0.1, SECONDS), ylim=(FAINTEST_DB, LOUDEST_DB))
    axes.axhline(0, **style.line_style(profile, 1))
    return {"repeats": empty_line(axes, profile, 0, marked=True, linestyle="none")}


def _update_patch(
    artists: Artists, patch: str, fader_db: float, return_send_db: float, pan_percent: float, leak_db: float
) -> Answer:
    """Work the patch out, and say how far it is from the howl."""
    fader, send = db_to_amplitude(fader_db), db_to_amplitude(return_send_db)
    gains = patch_gains(patch, fader=fader, return_send=send, pan=pan_percent / 100)
    heard_db, back_db = (amplitude_to_db(max(gain, 1e-6)) for gain in gains)  # a pan may be turned away
    up_db, delay = levels.leak_ripple_db(leak_db)[1], DECK.delays(FAST)[0]
    round_db = back_db + up_db
    count = np.arange(1, 1 + math.floor(SECONDS / delay))
    repeats_db = np.clip(heard_db + (count - 1) * round_db, FAINTEST_DB - 10, LOUDEST_DB - 1)
    artists["repeats"].set_data(np.append(0, count * delay), np.append(0, repeats_db))
    levels_heard = f"The first repeat is heard at {heard_db:.1f} dB, once round is {round_db:+.1f} dB"
    rows = {"a leak adds to the loop": f"{up_db:.2f} dB"}
    if round_db < 0:
        rows["repeats heard down to 30 dB"] = f"{loop.repeats_heard(round_db, -30):.0f}"
        return f"{levels_heard}: {-round_db:.1f} dB of margin.", rows
    rows["grows each second by"] = f"{loop.growth_db_per_s(delay, round_db):.1f} dB"
    return f"{levels_heard}: no margin, it howls.", rows


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
