"""A measurement as one page to print: the verdict and what to do first, then figures and all sentences."""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from tapecalc import __version__, words
from tapecalc.calc.standards import FLUTTER_LIMITS
from tapecalc.machine import Machine
from tapecalc.measuring.machine_file import part_wobbles
from tapecalc.measuring.session import Measurement
from tapecalc.plot.templates import Picture, filled
from tapecalc.report.measurement import Change, Figure, changes, measurement_figures, merged
from tapecalc.report.plan_text import CAUTIONS

MOST_ROWS = 14  # of the first page's table


class Step(NamedTuple):
    """One thing to do, why, and how; the steps stand in the order in which they are to be done."""

    title: str
    why: str
    how: Sequence[str]


def measurement_page(
    found: Measurement,
    pictures: Sequence[Picture],
    *,
    machine: Machine | None = None,
    before: Mapping[str, Figure] | None = None,
    notes: Sequence[str] = (),
) -> str:
    """Write the page as HTML that needs nothing else; `notes` are said below the sentences of the takes."""
    units = "inches" if machine is None else machine.units
    figures = measurement_figures(found, machine, units=units)
    changed = tuple(changes(figures, before or {}))
    lesser = ("speed 2 over", "flutter, unweighted", "drop-outs", "noise, A")
    main = [one for one in figures if one.plus_minus is not None or one.planned is not None]
    main = [one for one in main if not one.name.startswith(lesser)][:MOST_ROWS]
    bad = [light for light in found.lights if light.light != "good"]
    wobbles = () if machine is None else part_wobbles(found, machine)
    return filled(
        "report",
        "measurement_page.html.jinja",
        name="a machine" if machine is None else machine.name,
        version=__version__,
        answer=(*answer(found, figures), *_compared(changed)),
        planned=machine is not None,
        first=[_row(one, machine) for one in main],
        others=[_row(one, machine) for one in figures if one not in main],
        changed=[(one.real, one[:4]) for one in changed if one.change and not one.name.startswith(lesser)],
        bad_takes=[
            (one.light == "useless", (one.kind, str(one.place), one.light, " ".join(one.sentences)))
            for one in bad
        ],
        wobbles=[
            (False, (part.name, words.amount(part.wobble, "percent", ".3f"), HOW[part.how]))
            for part in wobbles
        ],
        steps=steps(found, figures),
        cautions=CAUTIONS[:3],
        pictures=pictures,
        sentences=(*merged(found.notes), *notes),
    )


#: How the wobble of a part is known.
HOW = {
    "measured": "measured",
    "at most": "at most: the machine file says more, which would have been seen",
    "not to be seen": "as the machine file says: so little could not be seen",
}


def _row(one: Figure, machine: Machine | None) -> tuple[bool, Sequence[str]]:
    """A row of the table, and whether it is off."""
    told = (one.name, one.text)
    return one.off, told if machine is None else (*told, "" if one.planned is None else one.planned.text)


def _compared(changed: Sequence[Change]) -> Iterator[str]:
    """What is no longer as it was before."""
    if changed:
        real = [f"{one.name} ({one.change})" for one in changed if one.real]
        rest = "All else is as it was, within chance."
        yield (
            f"Changed since before: {words.listed(real)}. {rest}"
            if real
            else "Nothing has changed but by chance."
        )


def answer(found: Measurement, figures: Sequence[Figure]) -> Iterator[str]:
    """Say the few things that matter most, a sentence each."""
    useless = sum(light.light == "useless" for light in found.lights)
    if useless:
        of = len(found.lights)
        yield f"{useless} of {of} takes told nothing: what to do about that stands below."
    delays = [one for one in figures if one.name.startswith("delay, ")]
    if delays:
        told = words.listed(f"{one.text} ({one.name.removeprefix('delay, ')})" for one in delays[:4])
        yield f"The echo comes after {told}."
    judged = [
        one
        for one in figures
        if one.planned is not None and one.value is not None and one.plus_minus is not None
    ]
    if off := [one for one in judged if one.off]:
        what = words.listed(
            f"{one.name} ({one.text}; the file says {one.planned.text})" for one in off[:3] if one.planned
        )
        yield f"Not as the machine file says: {what}{', and more' if len(off) > 3 else ''}."
    elif judged:
        count = len(judged)
        yield f"{count} of {count} figures are as the machine file says, within what both may be off."
    for at, reading in sorted(found.flutter.items()):
        limit = FLUTTER_LIMITS["hi-fi"]
        low, high = (reading.weighted.value + sign * reading.weighted.plus_minus for sign in (-1, 1))
        verdict = "less than" if high < limit else "more than" if low > limit else "about"
        yield (
            f"Wow and flutter at speed {at + 1}, weighted, is {reading.weighted.text('percent')}: {verdict} "
            f"the {words.amount(limit, 'percent', '.1f')} that a good machine for the home may have."
        )
    for at, repeats in sorted(found.repeats.items()):
        below = -repeats.upper_db
        margin = (
            f"{below:.1f} dB or more below running away" if below > 0 else "not surely below running away"
        )
        highest = repeats.loop_gain_db.text()
        yield f"The loop gain at speed {at + 1} is {highest} where it is highest, {margin}."


# ---- what to do ----


def steps(found: Measurement, figures: Sequence[Figure]) -> Sequence[Step]:
    """What is likely, and what to do about it, the harmless first; nothing where nothing asks for it."""
    named = {name for fits in found.what_ifs.values() for fit in fits[:2] for name in fit.parts}
    off = [one for one in figures if one.off and one.planned is not None]
    dull = any(
        one.name.startswith("treble") and one.planned and (one.value or 1e9) < 0.85 * (one.planned.value or 0)
        for one in figures
    )
    noisy = any(one.name.startswith("noise") and one.differs(one.planned) > 0 for one in off if one.planned)
    slow = [one.name for one in off if one.name.startswith("speed ")]
    every_verdict = [v for verdicts in found.suspects.values() for v in verdicts]
    accused = {v.part.name: v for v in sorted(every_verdict, key=lambda v: v.sure) if v.part is not None}
    said = [fits[0] for fits in found.what_ifs.values() if fits and fits[0].parts]
    every = []
    if said or dull or noisy or accused:
        dirt = "dirt is the likeliest cause where treble is missing"
        every.append(Step("Clean", dirt if said or dull else "it costs nothing to rule out", (CLEAN,)))
    if said or dull or noisy:
        every.append(Step("Demagnetize", "a magnetized head takes treble and adds noise", (DEMAGNETIZE,)))
    if accused:
        sure = {name: words.amount(verdict.sure, "percent") for name, verdict in accused.items()}
        how = [f"{words.sentence(name)} ({sure[name]} sure): {v.advice}" for name, v in accused.items()]
        title = "Look at belts and rollers, machine off and unplugged"
        every.append(Step(title, f"the flutter points to {words.listed(accused)}", how))
    if named & {"azimuth", "gap"} or slow or dull:
        what = words.listed([*slow, *(["the treble"] if named or dull else [])])
        every.append(Step("Play a test tape", f"it tells machine from recording: {what}", (TEST_TAPE,)))
        every.append(Step("Have it aligned by somebody trained", "if all that has not helped", (TRAINED,)))
    return every


CLEAN = (
    "Machine off and unplugged: wipe heads, guides, capstan and pinch roller with alcohol on lint-free "
    "cotton until it stays white, and let all dry. Then measure again, and give this measurement as --before."
)
DEMAGNETIZE = (
    "Machine off and unplugged, tapes out of reach: lead the demagnetizer slowly along heads and guides and "
    "slowly away, and switch it on and off at arm's length only."
)
TEST_TAPE = "Play a test tape of known speed with --tone-taken test-tape. Nobody turns anything before that."
TRAINED = (
    "Azimuth, height, equalization and the speed inside the chassis are for a trained person with a test "
    "tape. No screwdriver goes into a running machine."
)
