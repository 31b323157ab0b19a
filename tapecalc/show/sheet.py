"""The plan as one page that opens offline, with its figures and a preview to hear.

The page carries its pictures and its sound inside, names are escaped, and a
content policy forbids it to load anything from elsewhere.

======  ===========  =======  =================================
symbol  name         SI unit  typical value
======  ===========  =======  =================================
--      ``plan``     --       an `EchoPlan`
--      ``folder``   --       ``"out"``
--      ``drawn``    --       figures by name
--      ``preview``  --       an `EchoSound`, or None for none
======  ===========  =======  =================================
"""

from __future__ import annotations

import base64
import json
import re
from importlib import resources
from pathlib import Path

import jinja2
from markupsafe import Markup

from tapecalc import __version__
from tapecalc.audio.render import render_echo
from tapecalc.audio.sound import phrase, write_sound
from tapecalc.files import write_file
from tapecalc.plan import CAUTIONS
from tapecalc.show import diagrams, figures, style
from tapecalc.show.listen import compare

__all__ = ["plan_figures", "plan_page", "plan_preview", "write_plan"]

SAMPLE_RATE = 44_100
PREVIEW_SECONDS = 6.0

#: Which pictures stand above which table, by the beginning of the table's title.
PLACES = {
    "Delays": ("tape_path", "delay_map"),
    "Fit to the song": ("tempo_map",),
    "Repeats": ("loop_diagram", "decay_of_repeats", "runaway_frequency"),
    "Tone": ("repeats_response",),
    "Wobble": ("flutter_fingerprint",),
    "Levels": ("level_ladder",),
}


def plan_figures(plan):
    """Draw the figures of a plan.

    Parameters
    ----------
    plan : EchoPlan
        The plan.

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
    machine = plan.machine
    first = plan.delays[0]
    units = "inches" if machine.transport.speeds_ips is not None else "metric"
    shared = {"profile": "page"}
    echo = machine.echo_loop(first.speed)
    drawn = {
        "tape_path": diagrams.tape_path(spacings=machine.spacings, speed=first.speed, units=units, **shared),
        "delay_map": figures.delay_map(
            spacings=machine.spacings, speeds=machine.speeds, units=units, **shared
        ),
    }
    if plan.bpm is not None:
        drawn["tempo_map"] = figures.tempo_map(
            delays=[one.delay for one in plan.delays], bpm=plan.bpm, **shared
        )
    drawn["loop_diagram"] = diagrams.loop_diagram(**shared)
    gains_db = sorted({round(one.gain_db, 1) for one in plan.loops}, reverse=True)
    drawn["decay_of_repeats"] = figures.decay_of_repeats(
        delay=first.delay, gains_db=gains_db, repeats=max(plan.wanted_repeats, 6), **shared
    )
    drawn["runaway_frequency"] = figures.runaway_frequency(loop=echo, **shared)
    drawn["repeats_response"] = figures.repeats_response(
        one_pass=echo.one_pass, repeats=min(max(plan.wanted_repeats, 2), 8), **shared
    )
    wobbling = [part for part in machine.turning_parts if part.wobble > 0]
    if wobbling:
        drawn["flutter_fingerprint"] = figures.flutter_fingerprint(
            parts=wobbling, speed=first.speed, delay=first.delay, **shared
        )
    drawn["level_ladder"] = figures.level_ladder(
        stages=machine.level_stages, source_dbu=machine.levels.instrument_dbu, **shared
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
    EchoSound
        Dry phrase, echo and mix.

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
    return render_echo(dry, SAMPLE_RATE, plan.machine, speed=speed, seed=1)


def plan_page(plan, drawn, preview=None):
    """Write the page as text.

    Parameters
    ----------
    plan : EchoPlan
        The plan.
    drawn : dict of str to Drawn
        Its figures, as `plan_figures` makes them.
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
    >>> page.count("<h1>"), "http" in page
    (1, False)
    """
    template = resources.files("tapecalc.show").joinpath("sheet.html.jinja").read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    return environment.from_string(template).render(
        plan=plan,
        version=__version__,
        cautions=CAUTIONS,
        sections=[_section(table, drawn) for table in plan.tables()],
        listening=None if preview is None else Markup(_players(plan, preview)),
    )


def write_plan(plan, folder):
    """Write page, data, figures and preview of a plan into a folder.

    Everything is worked out before the first file is written, and the page comes
    last: a page that is there has its figures beside it.

    Parameters
    ----------
    plan : EchoPlan
        The plan.
    folder : str or os.PathLike
        Where to; made if it is not there yet.

    Returns
    -------
    list of pathlib.Path
        The page, the data, the sound, and the folder of figures.

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
    folder = Path(folder)
    data = json.dumps(plan.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    write_file(folder / "plan.json", data)
    drawn, preview = plan_figures(plan), plan_preview(plan)
    page = plan_page(plan, drawn, preview)
    for name, picture in drawn.items():
        picture.save(folder / "figures" / name)
    write_sound(folder / "preview.wav", preview.mix, preview.sample_rate)
    write_file(folder / "plan.html", page)
    return [folder / "plan.html", folder / "plan.json", folder / "preview.wav", folder / "figures"]


def _section(table, drawn):
    """A table with its anchor and the pictures that stand above it."""
    names = next((names for title, names in PLACES.items() if table.title.startswith(title)), ())
    return {
        "table": table,
        "anchor": re.sub(r"[^a-z]+", "-", table.title.lower()).strip("-"),
        "figures": table.holds_figures,
        "pictures": [_picture(drawn[name]) for name in names if name in drawn],
    }


def _picture(drawn):
    """A figure as an image that cannot run anything, with its words."""
    svg = style.figure_bytes(drawn.figure, "svg", alt=drawn.alt)
    width, height = (round(96 * inches) for inches in drawn.figure.get_size_inches())
    return {
        "source": "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii"),
        "alt": drawn.alt,
        "caption": drawn.caption,
        "width": width,
        "height": height,
    }


def _players(plan, preview):
    """The phrase, its echo and the mix, side by side."""
    clips = {"Phrase": preview.dry, "Echo alone": preview.wet, "Phrase and echo": preview.mix}
    listen_for = (
        "Where the first repeat falls against the phrase, and how each later one is darker and softer."
    )
    return compare(clips, preview.sample_rate, listen_for=listen_for).html
