"""The plan as one page that opens offline: the answer, a picture and a player, and all else folded below.

The page carries its pictures and its sound inside, names are escaped, and a content policy forbids it to
load anything from elsewhere. The setup card lies beside it.
"""

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tapecalc import __version__, words
from tapecalc.calc.units import from_si
from tapecalc.files import replacing_folder, write_file
from tapecalc.plan import EchoPlan
from tapecalc.plot import style
from tapecalc.plot.catalog import draw
from tapecalc.plot.kit import Drawn
from tapecalc.plot.player import Clip, compare
from tapecalc.plot.templates import Picture, filled, picture
from tapecalc.report.plan_data import plan_data
from tapecalc.report.plan_text import (
    CAUTIONS,
    Table,
    band_text,
    headlines,
    heard_text,
    margin_text,
    runs_text,
    tables,
)
from tapecalc.report.setup_card import findings, setup_card_page
from tapecalc.report.try_page import try_page
from tapecalc.sound.files import write_sound
from tapecalc.sound.render import EchoSound, render
from tapecalc.sound.signals import phrase

SAMPLE_RATE = 44_100
PREVIEW_SECONDS = 7.0  # one bar of the phrase and room for its echo; a runaway is cut there
MOST_SENTENCES = 4  # of the answer, which a phone shows with a picture and a player
LONGEST_SENTENCE = 300  # characters of its first
MOST_ROWS = 20  # of a table that prints unopened; the setup card has the delays, however many
HERO = "tape_path"
#: One size for all screens: its type can be read on a phone, and lines and names have room.
PROFILE = replace(
    style.PROFILES["page"],
    name="plan",
    width_in=130 * style.MM,
    height_in=88 * style.MM,
    text_pt=10.5,
    line_pt=1.8,
)


class Topic(NamedTuple):
    """What folds together: tables that print and others, by their keys, and pictures, by their names."""

    key: str
    title: str
    prints: tuple[str, ...]
    others: tuple[str, ...] = ()
    pictures: tuple[str, ...] = ()


TOPICS = (
    Topic("delays", "Delays", ("delays",), (), ("delay_map",)),
    Topic("songs", "Tempo and notes", ("fits", "songs", "range"), ("exact", "set", "tempos"), ("tempo_map",)),
    Topic("repeats", "Repeats and margin", ("repeats",), (), ("decay_of_repeats", "runaway_frequency")),
    Topic(
        "tone",
        "Tone, hiss and wobble",
        (),
        ("tone", "hiss", "wobble"),
        ("repeats_response", "flutter_fingerprint"),
    ),
    Topic("levels", "Levels", ("levels",), (), ("level_ladder",)),
    Topic("tape", "Tape", (), ("tape",)),
    Topic("omissions", "What the plan leaves out", (), ("omissions",)),
    Topic("assumed", "What was assumed", (), ("assumed",)),
)


class Fold(NamedTuple):
    """One topic of a plan as it folds: its main finding, its tables, and its pictures."""

    key: str
    title: str
    finding: str
    prints: tuple[Table, ...]
    others: tuple[Table, ...]
    pictures: tuple[Picture, ...]


def plan_figures(plan: EchoPlan, *, profile: str | style.Profile = PROFILE) -> dict[str, Drawn]:
    """Draw the figures of a plan, by the name of their files, in reading order."""
    machine = plan.machine
    names = [HERO, *(name for topic in TOPICS for name in topic.pictures)]
    if plan.bpm is None:
        names.remove("tempo_map")
    if not any(part.wobble > 0 for part in machine.turning_parts):
        names.remove("flutter_fingerprint")
    if not any(head.feeds_return for head in machine.playback_heads):
        names.remove("runaway_frequency")
    page = style.as_profile(profile)
    rows = replace(page, height_in=page.height_in * (0.66 + 0.04 * min(8, len(machine.spacings))))
    return {name: draw(name, machine=machine, profile=rows if name == HERO else page) for name in names}


def plan_preview(plan: EchoPlan) -> EchoSound | None:
    """Play the phrase through the planned machine at the speed that fits best, or the first.

    Dry phrase, echo and mix are turned down together if they would go beyond full scale. None if the echo
    comes too soon to be rendered, or not within the preview.
    """
    dry = phrase(SAMPLE_RATE, bpm=plan.bpm or 76.0, seconds=PREVIEW_SECONDS)
    try:
        sound = render(
            dry, SAMPLE_RATE, plan.machine, speed=_preview_speed(plan), seconds=PREVIEW_SECONDS, seed=1
        )
    except ValueError:
        return None
    peak = max(np.abs(sound.wet).max(), np.abs(sound.mix).max(), 1.0)
    return replace(sound, dry=sound.dry / peak, wet=sound.wet / peak, mix=sound.mix / peak)


def _preview_speed(plan: EchoPlan) -> float:
    if plan.range_speeds:
        return plan.range_speeds[0].speed
    return plan.tempos[0].delay.speed if plan.tempos else plan.machine.speeds[0]


def answer(plan: EchoPlan, lines: tuple[str, ...] | None = None) -> tuple[str, ...]:
    """Give the first sentence of each headline, loops that may run away first, as many as a phone shows.

    `lines` are the plan's headlines, where they are at hand.
    """
    first = [line.partition(". ")[0].rstrip(".") + "." for line in lines or headlines(plan)]
    if len(first[0]) > LONGEST_SENTENCE:
        speeds, heads = len(plan.loops), len(plan.machine.spacings)
        first[0] = f"The {heads} heads answer after {_delays(plan)} at {speeds} speeds."
    alarms = [line for line in first if "AWAY" in line][: MOST_SENTENCES // 2]
    return (*alarms, *(line for line in first if "AWAY" not in line))[:MOST_SENTENCES]


def plan_page(
    plan: EchoPlan,
    pictures: Mapping[str, Picture],
    *,
    preview: EchoSound | None = None,
    playable: bool = False,
) -> str:
    """Write the page as HTML that needs nothing else.

    Parameters
    ----------
    pictures
        Those of `plan_figures`, by name; where one is missing its place stays empty.
    preview
        What `plan_preview` made; without it there are no players.
    playable
        Whether ``try.html`` lies beside the page.

    Notes
    -----
    Source: WCAG 2.2 for structure, contrast and text alternatives.
    """
    lines = headlines(plan)
    return filled(
        "report",
        "plan_page.html.jinja",
        name=plan.machine.name,
        version=__version__,
        answer=answer(plan, lines),
        headlines=lines,
        cautions=CAUTIONS,
        hero=pictures.get(HERO),
        folds=tuple(_folds(plan, pictures)),
        findings=findings(plan),
        players=() if preview is None else _players(preview),
        playable=playable,
        preview_speed=words.speed(_preview_speed(plan), plan.machine.units),
    )


def write_plan(plan: EchoPlan, folder: str | os.PathLike[str]) -> list[Path]:
    """Write pages, data, preview (if there is one) and figures into a folder, and give their paths.

    The folder appears when it is complete, in place of that of an older plan; one that holds anything else is
    refused. Two runs into one folder write one after the other.
    """
    with replacing_folder(folder, "plan") as place:
        drawn = plan_figures(plan)
        pictures = {name: picture(one) for name, one in drawn.items()}
        pngs = {name: style.figure_bytes(one.figure, "png", alt=one.alt) for name, one in drawn.items()}
        preview, tape = plan_preview(plan), _playable(plan)
        files = {
            "plan.html": plan_page(plan, pictures, preview=preview, playable=tape is not None),
            "card.html": setup_card_page(plan),
            "try.html": tape,
            "plan.json": json.dumps(plan_data(plan), indent=2, ensure_ascii=False, allow_nan=False) + "\n",
        }
        texts = {name: text for name, text in files.items() if text is not None}
        for name, text in texts.items():
            write_file(place / name, text)
        for name, one in pictures.items():
            write_file(place / "figures" / f"{name}.svg", one.svg)
            write_file(place / "figures" / f"{name}.png", pngs[name])
        if preview is not None:
            write_sound(place / "preview.wav", preview.mix, preview.sample_rate)
    names = [*texts, *([] if preview is None else ["preview.wav"]), "figures"]
    return [Path(folder) / name for name in names]


def _playable(plan: EchoPlan) -> str | None:
    """The page that plays the machine; None if its heads stand nearer than a page can play them."""
    try:
        return try_page(plan)
    except ValueError:
        return None


def _folds(plan: EchoPlan, pictures: Mapping[str, Picture]) -> Iterator[Fold]:
    """Fold tables and pictures by topic; a table of no topic has one of its own."""
    left = {table.key: table for table in tables(plan)}
    finding = _findings(plan, {key: table.rows for key, table in left.items()})
    for topic in TOPICS:
        found = [left.pop(key) for key in (*topic.prints, *topic.others) if key in left]
        prints = tuple(one for one in found if one.key in topic.prints and len(one.rows) <= MOST_ROWS)
        others = tuple(one for one in found if one not in prints)
        shown = tuple(pictures[name] for name in topic.pictures if name in pictures)
        if found:
            yield Fold(topic.key, topic.title, finding[topic.key], prints, others, shown)
    for table in left.values():
        yield Fold(table.key, table.title, "", (), (table,), ())


def _findings(plan: EchoPlan, rows: Mapping[str, tuple[tuple[str, ...], ...]]) -> dict[str, str]:
    """The main finding of each topic, from the plan and the rows of its tables."""
    first = plan.levels.first_to_clip
    return {
        "delays": _delays(plan),
        "songs": _finding_of_songs(plan),
        "repeats": _finding_of_loops(plan),
        "tone": _finding_of_tone(plan),
        "levels": f"{first.headroom_db:.1f} dB until the {first.name} clips"
        if first.headroom_db >= 0
        else f"too loud for the {first.name} by {-first.headroom_db:.1f} dB",
        "tape": "; ".join(f"{row[1]} at {row[0].partition(' (')[0]}" for row in rows["tape"]),
        "omissions": f"{len(rows.get('omissions', ()))} effects, each with its size",
        "assumed": f"{len(rows.get('assumed', ()))} values that the machine file does not say",
    }


def _delays(plan: EchoPlan) -> str:
    """The shortest and the longest delay."""
    times = [from_si(planned.delay, "ms") for planned in plan.delays]
    low, high = (f"{time:.0f}" for time in (min(times), max(times)))
    return f"{high} ms" if low == high else f"{low} to {high} ms"


def _finding_of_songs(plan: EchoPlan) -> str:
    """How the songs fit, or the song, or what fits."""
    if plan.machine.speed_range is not None:
        songs = {row.song for row in plan.range_speeds}
        if plan.machine.songs:
            return f"{len(songs)} of {len(plan.machine.songs)} songs fit a speed of the range"
        return f"{len(plan.range_speeds)} ways to play a plain note" if plan.bpm else "no song"
    if plan.set_change is not None:
        before = plan.set_change.before
        return f"{before.in_time} of {len(before.choices)} songs in time"
    if plan.tempos:
        best = plan.tempos[0]
        heard = heard_text(best.chance, best.fit.error)
        return f"{words.with_article(best.fit.note.name)} at {best.fit.bpm:g} bpm; heard as off: {heard}"
    return "tempos that the delays like"


def _finding_of_loops(plan: EchoPlan) -> str:
    """How many repeats, and how far from running away, at the worst speed."""
    loops = [loop for loop in plan.loops if loop.return_send_db is not None]
    if not loops:
        return "no head feeds the return"
    if plan.runs_away:
        return runs_text(max(plan.loops, key=lambda loop: (loop.runs_away, not loop.stability.stable)))
    worst = min(loops, key=lambda loop: loop.stability.margin_db)
    margin = f"{margin_text(worst)} from running away"
    if worst.repeats is None:
        return margin
    return f"{worst.repeats} repeat{'s' if worst.repeats != 1 else ''}, {margin}"


def _finding_of_tone(plan: EchoPlan) -> str:
    """What the last repeat that is shown keeps, at the first speed."""
    row = plan.loops[0].tone[-1]
    which = "repeat" if len(plan.machine.spacings) == 1 else "pass"
    return f"{which} {row.repeat} keeps {band_text(row)}"


def _players(preview: EchoSound) -> tuple[Clip, ...]:
    """The mix, the phrase and its echo, as sounds turned down alike."""
    clips = {"Phrase and echo": preview.mix, "Phrase": preview.dry, "Echo alone": preview.wet}
    return compare(clips, preview.sample_rate, listen_for="The first repeat against the phrase.").clips
