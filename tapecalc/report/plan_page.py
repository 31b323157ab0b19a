"""The plan as one page that opens offline, with its figures and a preview to hear.

The page carries its pictures and its sound inside, names are escaped, and a content policy forbids it to
load anything from elsewhere.
"""

import base64
import json
import os
from collections.abc import Mapping
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup

from tapecalc import __version__
from tapecalc.files import alone_in, write_file
from tapecalc.plan import EchoPlan
from tapecalc.plot import flutter, loop, response, style
from tapecalc.plot.catalog import draw
from tapecalc.plot.kit import Drawn
from tapecalc.plot.player import compare
from tapecalc.report.plan_data import plan_data
from tapecalc.report.plan_text import CAUTIONS, headlines, tables
from tapecalc.sound.files import write_sound
from tapecalc.sound.render import EchoSound, render
from tapecalc.sound.signals import phrase

SAMPLE_RATE = 44_100
PREVIEW_SECONDS = 7.0  # one bar of the phrase and room for its echo; a runaway is cut there

#: Which pictures stand above which table, by the table's key.
PICTURES = {
    "delays": ("tape_path", "delay_map"),
    "fits": ("tempo_map",),
    "repeats": ("loop_diagram", "decay_of_repeats", "runaway_frequency"),
    "tone": ("repeats_response",),
    "wobble": ("flutter_fingerprint",),
    "levels": ("level_ladder",),
}


def plan_figures(plan: EchoPlan, *, profile: str | style.Profile = "page") -> dict[str, Drawn]:
    """Draw the figures of a plan, by the name of their files, in reading order."""
    machine, first = plan.machine, plan.delays[0]
    look: dict[str, Any] = {"profile": profile}
    echo = machine.echo_loop(first.speed)
    drawn = {name: draw(name, machine=machine, **look) for name in PICTURES["delays"]}
    if plan.bpm is not None:
        drawn["tempo_map"] = draw("tempo_map", machine=machine, **look)
    drawn["loop_diagram"] = draw("loop_diagram", machine=machine, **look)
    if not plan.runs_away:
        drawn["decay_of_repeats"] = loop.decay_of_repeats(machine=machine, speed=first.speed, **look)
    drawn["runaway_frequency"] = loop.runaway_frequency(loop=echo, **look)
    repeats = min(max(plan.wanted_repeats, 2), 8)
    drawn["repeats_response"] = response.repeats_response(one_pass=echo.one_pass, repeats=repeats, **look)
    if wobbling := [part for part in machine.turning_parts if part.wobble > 0]:
        drawn["flutter_fingerprint"] = flutter.flutter_fingerprint(
            parts=wobbling, speed=first.speed, delay=first.delay, **look
        )
    drawn["level_ladder"] = draw("level_ladder", machine=machine, **look)
    return drawn


def plan_preview(plan: EchoPlan) -> EchoSound | None:
    """Play the phrase through the planned machine at the speed that fits best, or the first.

    Dry phrase, echo and mix are turned down together if they would go beyond full scale. None if the echo
    comes too soon to be rendered, or not within the preview.
    """
    speed = plan.tempos[0].delay.speed if plan.tempos else plan.machine.speeds[0]
    dry = phrase(SAMPLE_RATE, bpm=plan.bpm or 76.0, seconds=PREVIEW_SECONDS)
    try:
        sound = render(dry, SAMPLE_RATE, plan.machine, speed=speed, seconds=PREVIEW_SECONDS, seed=1)
    except ValueError:
        return None
    peak = max(np.abs(sound.wet).max(), np.abs(sound.mix).max(), 1.0)
    return replace(sound, dry=sound.dry / peak, wet=sound.wet / peak, mix=sound.mix / peak)


def plan_page(
    plan: EchoPlan,
    drawn: Mapping[str, Drawn],
    *,
    narrow: Mapping[str, Drawn] | None = None,
    preview: EchoSound | None = None,
) -> str:
    """Write the page as HTML that needs nothing else.

    Parameters
    ----------
    drawn
        Figures, as `plan_figures` makes them; where one is missing its place stays empty.
    narrow
        The same figures for a narrow screen; without them the wide ones are shown there too.
    preview
        What `plan_preview` made; without it there are no players.

    Notes
    -----
    Source: WCAG 2.2 for structure, contrast and text alternatives.
    """
    template = resources.files("tapecalc.report").joinpath("plan_page.html.jinja").read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    environment.filters["image"] = _image
    stand = {key: [name for name in names if name in drawn] for key, names in PICTURES.items()}
    return environment.from_string(template).render(
        name=plan.machine.name,
        version=__version__,
        headlines=headlines(plan),
        cautions=CAUTIONS,
        sections=[
            (table, [(drawn[name], (narrow or {}).get(name)) for name in stand.get(table.key, ())])
            for table in tables(plan)
        ],
        players=[] if preview is None else _players(preview),
    )


def write_plan(plan: EchoPlan, folder: str | os.PathLike[str]) -> list[Path]:
    """Write page, data, preview (if there is one) and figures of a plan into a folder; give their paths.

    Everything is worked out before the first file is written, and the page comes last: a page that is
    there has its figures beside it. Two runs into one folder write one after the other, and what an older
    plan left is replaced or removed.
    """
    with alone_in(folder) as folder:
        data = json.dumps(plan_data(plan), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        drawn, narrow = plan_figures(plan), plan_figures(plan, profile="article_single")
        preview = plan_preview(plan)
        page = plan_page(plan, drawn, narrow=narrow, preview=preview)
        files = [folder / "plan.html", folder / "plan.json", folder / "preview.wav", folder / "figures"]
        write_file(files[1], data)
        for name in {name for names in PICTURES.values() for name in names} - set(drawn):
            for form in ("svg", "png"):
                (files[3] / f"{name}.{form}").unlink(missing_ok=True)
        for name, picture in drawn.items():
            picture.save(files[3] / name)
        if preview is None:
            files.pop(2).unlink(missing_ok=True)
        else:
            write_sound(files[2], preview.mix, preview.sample_rate)
        write_file(files[0], page)
    return files


def _image(drawn: Drawn) -> str:
    """A figure inside an address, as a picture that cannot run anything."""
    svg = style.figure_bytes(drawn.figure, "svg", alt=drawn.alt)
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")


def _players(preview: EchoSound) -> list[Markup]:
    """The phrase, its echo and the mix, as players."""
    clips = {"Phrase": preview.dry, "Echo alone": preview.wet, "Phrase and echo": preview.mix}
    listening = compare(clips, preview.sample_rate, listen_for="The first repeat against the phrase.")
    return [Markup(clip.html) for clip in listening.clips]
