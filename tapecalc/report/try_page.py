"""The playable tape as one file to keep or to send: a machine, its plan folded below, nothing loaded."""

import os
from pathlib import Path

from tapecalc import __version__
from tapecalc.files import write_file
from tapecalc.live.facts import playable_facts
from tapecalc.live.pages import page_script, policy, still, style_sheet
from tapecalc.plan import EchoPlan
from tapecalc.plot.templates import filled
from tapecalc.report.plan_text import CAUTIONS, headlines


def try_page(plan: EchoPlan) -> str:
    """Write the page as HTML that needs nothing else; it plays the plan's machine."""
    lines = headlines(plan)
    script = page_script(playable_facts(plan.machine) | {"plan": list(lines)}, level=1)
    return filled(
        "live",
        "page.html.jinja",
        name=plan.machine.name,
        version=__version__,
        policy=policy(script),
        style=style_sheet(),
        still=still(plan.machine),
        script=script,
        headlines=lines,
        cautions=CAUTIONS,
    )


def write_try_page(plan: EchoPlan, path: str | os.PathLike[str]) -> Path:
    """Write the page to a file, in one step, and give its path back."""
    return write_file(path, try_page(plan))
