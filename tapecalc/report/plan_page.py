"""The plan as one page that opens offline, with its figures and a preview to hear.

The page carries its pictures and its sound inside, names are escaped, and a
content policy forbids it to load anything from elsewhere.
"""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from importlib import resources

import jinja2
import numpy as np
from markupsafe import Markup

from tapecalc import __version__
from tapecalc.files import alone_in, write_file
from tapecalc.plan import CAUTIONS
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG
from tapecalc.plot.flutter import flutter_fingerprint
from tapecalc.plot.levels import level_ladder
from tapecalc.plot.loop import decay_of_repeats, loop_diagram, runaway_frequency
from tapecalc.plot.player import compare
from tapecalc.plot.response import repeats_response
from tapecalc.plot.tempo import tempo_map
from tapecalc.sound.files import write_sound
from tapecalc.sound.render import render
from tapecalc.sound.signals import phrase

__all__ = [
    "plan_figures",
    "plan_page",
    "plan_preview",
    "write_plan",
]


SAMPLE_RATE = 44_100
PREVIEW_SECONDS = 7.0  # one bar of the phrase and room for its echo; a runaway is cut there

#: Which pictures stand above which table, by the beginning of the table's title.
PLACES = {
    "Delays": ("tape_path", "delay_map"),
    "Fit to the song": ("tempo_map",),
    "Repeats": ("loop_diagram", "decay_of_repeats", "runaway_frequency"),
    "Tone": ("repeats_response",),
    "Wobble": ("flutter_fingerprint",),
    "Levels": ("level_ladder",),
}


def plan_figures(plan, *, profile="page"):
    """Draw the figures of a plan.

    Parameters
    ----------
    plan : EchoPlan
        The plan.
    profile : str or Profile, optional
        Size and ground.

    Returns
    -------
    dict of str to Drawn
        Figures by the name of their files, in reading order.

    Notes
    -----
    Source: the functions in `show.figures` and `show.diagrams`. Notebook: workbench.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> from tapecalc.plan import make_plan
    >>> list(plan_figures(make_plan(example_machine())))[:2]
    ['tape_path', 'delay_map']
    """
    machine, first = plan.machine, plan.delays[0]
    echo = machine.echo_loop(first.speed)
    drawn = {
        name: CATALOG[name].function(**CATALOG[name].arguments(machine), profile=profile)
        for name in ("tape_path", "delay_map")
    }
    if plan.bpm is not None:
        drawn["tempo_map"] = tempo_map(
            delays=[one.delay for one in plan.delays], bpm=plan.bpm, profile=profile
        )
    drawn["loop_diagram"] = loop_diagram(profile=profile)
    if not plan.runs_away:
        gain_db = round(plan.loops[0].gain_db, 1)
        drawn["decay_of_repeats"] = decay_of_repeats(
            delay=first.delay, gains_db=[gain_db], repeats=plan.wanted_repeats, profile=profile
        )
    drawn["runaway_frequency"] = runaway_frequency(loop=echo, profile=profile)
    drawn["repeats_response"] = repeats_response(
        one_pass=echo.one_pass, repeats=min(max(plan.wanted_repeats, 2), 8), profile=profile
    )
    wobbling = [part for part in machine.turning_parts if part.wobble > 0]
    if wobbling:
        drawn["flutter_fingerprint"] = flutter_fingerprint(
            parts=wobbling, speed=first.speed, delay=first.delay, profile=profile
        )
    drawn["level_ladder"] = level_ladder(
        stages=machine.level_stages, source_dbu=machine.levels.instrument_dbu, profile=profile
    )
    return drawn


def plan_preview(plan):
    """Play the phrase through the planned machine.

    Parameters
    ----------
    plan : EchoPlan
        The plan; the best fitting speed is taken, or the first without a tempo.

    Returns
    -------
    EchoSound or None
        Dry phrase, echo and mix, turned down together if they would go beyond full scale.
        None if the echo comes too soon to be rendered, or not within the preview.

    Notes
    -----
    Source: `audio.render`. Notebook: workbench.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> from tapecalc.plan import make_plan
    >>> preview = plan_preview(make_plan(example_machine()))
    >>> preview.sample_rate, preview.mix.shape == preview.dry.shape
    (44100, True)
    """
    speed = plan.tempos[0].delay.speed if plan.tempos else plan.machine.speeds[0]
    dry = phrase(SAMPLE_RATE, bpm=plan.bpm or 76.0, seconds=PREVIEW_SECONDS)
    try:
        sound = render(dry, SAMPLE_RATE, plan.machine, speed=speed, seconds=PREVIEW_SECONDS, seed=1)
    except ValueError:
        return None
    peak = max(np.abs(sound.wet).max(), np.abs(sound.mix).max(), 1.0)
    return replace(sound, dry=sound.dry / peak, wet=sound.wet / peak, mix=sound.mix / peak)


def plan_page(plan, drawn, *, narrow=None, preview=None):
    """Write the page as text.

    Parameters
    ----------
    plan : EchoPlan
        The plan.
    drawn : dict of str to Drawn
        Its figures, as `plan_figures` makes them.
    narrow : dict of str to Drawn, optional
        The same figures for a narrow screen; None shows the wide ones there too.
    preview : EchoSound, optional
        What `plan_preview` made; None leaves the players out.

    Returns
    -------
    str
        One HTML file that needs nothing else.

    Notes
    -----
    Source: WCAG 2.2 for structure, contrast and text alternatives. Notebook: workbench.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> from tapecalc.plan import make_plan
    >>> page = plan_page(make_plan(example_machine()), {})
    >>> page.count("<h1>"), "https:" in page
    (1, False)
    """
    template = resources.files("tapecalc.report").joinpath("plan_page.html.jinja").read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    return environment.from_string(template).render(
        plan=plan,
        version=__version__,
        cautions=CAUTIONS,
        sections=[_section(table, drawn, narrow or {}) for table in plan.tables()],
        players=[] if preview is None else [Markup(clip.html) for clip in _clips(preview)],
    )


def write_plan(plan, folder):
    """Write page, data, figures and preview of a plan into a folder.

    Everything is worked out before the first file is written, and the page comes
    last: a page that is there has its figures beside it. Two runs into one folder
    write one after the other, and what an older plan left is replaced or removed.

    Parameters
    ----------
    plan : EchoPlan
        The plan.
    folder : str or os.PathLike
        Where to; made if it is not there yet.

    Returns
    -------
    list of pathlib.Path
        The page, the data, the sound if there is one, and the folder of figures.

    Raises
    ------
    OSError
        If something cannot be written; one line that says what.

    Notes
    -----
    Source: house rule, nothing half written. Notebook: workbench.

    Examples
    --------
    >>> import tempfile
    >>> from tapecalc.machine import example_machine
    >>> from tapecalc.plan import make_plan
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     paths = write_plan(make_plan(example_machine()), folder)
    ...     [path.name for path in paths]
    ['plan.html', 'plan.json', 'preview.wav', 'figures']
    """
    with alone_in(folder) as folder:
        data = json.dumps(plan.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        drawn, narrow = plan_figures(plan), plan_figures(plan, profile="article_single")
        preview = plan_preview(plan)
        page = plan_page(plan, drawn, narrow=narrow, preview=preview)
        files = [folder / "plan.html", folder / "plan.json", folder / "preview.wav", folder / "figures"]
        write_file(files[1], data)
        for name in set(sum(PLACES.values(), ())) - set(drawn):
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


def _section(table, drawn, narrow):
    """A table with its anchor and the pictures that stand above it."""
    names = next((names for title, names in PLACES.items() if table.title.startswith(title)), ())
    return {
        "table": table,
        "anchor": re.sub(r"[^a-z]+", "-", table.title.lower()).strip("-"),
        "figures": table.holds_figures,
        "pictures": [_picture(drawn[name], narrow.get(name)) for name in names if name in drawn],
    }


def _picture(drawn, narrow):
    """A figure as an image that cannot run anything, with its words."""
    width, height = (round(96 * inches) for inches in drawn.figure.get_size_inches())
    return {
        "source": _image(drawn),
        "narrow": None if narrow is None else _image(narrow),
        "alt": drawn.alt,
        "caption": drawn.caption,
        "width": width,
        "height": height,
    }


def _image(drawn):
    """An SVG figure inside an address."""
    svg = style.figure_bytes(drawn.figure, "svg", alt=drawn.alt)
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")


def _clips(preview):
    """The phrase, its echo and the mix, as players."""
    clips = {"Phrase": preview.dry, "Echo alone": preview.wet, "Phrase and echo": preview.mix}
    return compare(clips, preview.sample_rate, listen_for="The first repeat against the phrase.").clips
