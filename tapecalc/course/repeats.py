"""How repeats fade or pile up in the loop, and where it runs away."""

from dataclasses import asdict
from typing import Any

from tapecalc.calc import loop as loops
from tapecalc.calc.units import amplitude_to_db, from_si, to_si
from tapecalc.course.deck import DECK, FAST
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.panels.panel import Panel

_FULL_DB = DECK.saturation_dbu(FAST) - DECK.levels.machine_reference_dbu
#: What the panels know of the bench deck.
FACTS: dict[str, Any] = {
    "delay_ms": round(from_si(DECK.delays(FAST)[0], "ms")),
    "longest_ms": 250,
    "start_db": round(-_FULL_DB),
    "hiss_db": round(DECK.levels.tape_noise_db - _FULL_DB),
    "return_send_db": DECK.mixer.return_send_db,
    "separation_um": DECK.heads.spacing_loss_um,
    "low_cut_hz": DECK.heads.low_cut_hz,
    "one_pass": asdict(DECK.one_pass(FAST)),
}


def fading_panel() -> Panel:
    """Return the panel of the repeats' level over time, with the hiss below and the full tape above."""
    return Panel("repeats", "fadingPanel", FACTS)


def runaway_panel() -> Panel:
    """Return the panel of the loop gain over frequency, and of the arrow that comes back."""
    return Panel("repeats", "runawayPanel", FACTS)


# ---- exercises ----

#: The prediction: repeats at half the amplitude down to -60 dB; a guess may be a quarter off.
first_guess = Guess(loops.repeats_heard(amplitude_to_db(0.5), -60), "", tolerance_percent=25).hints(
    "Halve again and again: a half, a quarter, an eighth; when is a thousandth reached?",
    (500, "Halves do not take away the same amount each time: each takes half of what is left."),
    ((30, None), "Halving is quicker than that: two repeats leave a quarter, three an eighth."),
    (20, "Doubled: each repeat takes 6 dB away, not 3."),
)


def _per_repeat(gain: float) -> Exercise:
    """Ask what one repeat loses."""
    lost_db = -amplitude_to_db(gain)
    return Exercise(lost_db, "dB").hints(
        "Twenty times the logarithm of the loop gain, and leave the minus away.",
        (lost_db / 2, "An amplitude takes 20 log10; 10 log10 is for powers."),
        (100 * (1 - gain), "So many percent are taken away, but decibels count in logarithms."),
        (1 - gain, "That is the share that is lost; turn the gain itself into decibels."),
    )


per_repeat = _per_repeat(0.7)
per_repeat_again = Question(
    "A loop has a gain of {gain:g}: by how many decibels is each repeat quieter?",
    _per_repeat,
    "20 log10 of {gain:g}, without its minus: {answer}.",
    {"gain": (0.35, 0.4, 0.45, 0.55, 0.6, 0.65, 0.75, 0.85, 0.9)},
)


def _counted_margin(repeat: float, down_db: float) -> Exercise:
    """Ask for the margin from counting repeats, without ever going near the edge."""
    steps = repeat - 1
    return Exercise(-loops.gain_for_repeats_db(repeat, -down_db), "dB").hints(
        "How much does each repeat lose? The send may go up by just as much.",
        (down_db / repeat, "From the first repeat on, the steps are one fewer than the repeats."),
        (steps * down_db, "You multiplied; the steps share the decibels."),
        (steps / down_db, "Upside down: decibels divided by steps."),
        (60 / steps, "Mind how far down the repeat is: not sixty decibels."),
    )


counted_margin = _counted_margin(8, 30)
counted_again = Question(
    "Of a click, repeat number {repeat:g} stands {down_db:g} dB below the first: by how many decibels may "
    "the return send go up before the howl?",
    _counted_margin,
    "Repeat {repeat:g} is one step fewer behind the first; the steps share {down_db:g} dB: {answer} each. "
    "So much is left to the edge.",
    {"repeat": (4, 5, 6, 9, 11), "down_db": (20, 25, 35)},
)

#: Seconds after the first repeat until the poet may go on.
_eight_tenths_db = amplitude_to_db(0.8)
_fades = loops.decay_time(to_si(218, "ms"), _eight_tenths_db, -30)
pause = Exercise(_fades, "s").hints(
    "First the decibels of one repeat, then how many repeats, then the delay times that.",
    (2 * _fades, "That is twice too long: wait for 30 dB, not 60, and take 20 log10 of an amplitude."),
    (-30 / _eight_tenths_db, "That is the number of steps; how long does each take?"),
    (1 - 30 / _eight_tenths_db, "That is which repeat stands there; how long is it after the first?"),
)

#: The lowest tone of an inverting loop of 200 ms.
lowest_inverted = Exercise(0.5 / 0.2, "Hz").hints(
    "The delay must add half a turn, so that with the half turn of the return it makes a whole one.",
    (1 / 0.2, "That tone comes back a whole turn late, and the inverting return adds half a turn."),
    (0.2 * 0.5, "A frequency is turns divided by time."),
)

#: Hiss in the long run at a loop gain of 0.9.
_hiss = loops.noise_build_up_db(amplitude_to_db(0.9))
hiss = Exercise(_hiss, "dB", tolerance_percent=4).hints(
    "Powers add: one divided by one minus the square of the loop gain, in decibels.",
    (20, "So much a steady tone piles up, whose repeats are alike. Hiss adds as power: square the gain."),
    (10, "You took the loop gain itself; the power of a repeat goes with its square."),
    (2 * _hiss, "A power takes 10 log10; 20 log10 is for amplitudes."),
)

#: How long a howl takes from a quiet room to a dangerous one.
climb = Exercise(30 / loops.growth_db_per_s(to_si(300, "ms"), amplitude_to_db(1.1)), "s").hints(
    "Decibels in one round, divided by the length of a round, is decibels in a second.",
    (30 / amplitude_to_db(1.1), "That is the number of rounds; each takes three tenths of a second."),
    (30 * 0.3 / 1.1, "Turn the loop gain into decibels first: so much it gains in each round."),
    (30 * 0.3 / 10, "Ten percent more amplitude is not ten decibels."),
)

#: Where the tape holds a loop that is 2 dB past the edge, against a full tape.
_held = amplitude_to_db(loops.settling_level(2.0, 1.0))
held = Exercise(_held, "dB", tolerance_percent=3).hints(
    "Ask settling_level with a saturation of one, and turn the amplitude into decibels.",
    (_held - 2.0, "That is the level on the tape; we ask for the one before it, at the record head."),
    (2.0, "It goes up not by the excess, but until the tape has eaten the excess up."),
    (loops.settling_level(2.0, 1.0), "That is the amplitude against a full tape; turn it into decibels."),
)
