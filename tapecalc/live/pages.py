"""The playable tape as it stands in a page: one script that needs nothing else, and a picture before it runs.

A page runs the one script that its policy names by its digest, and the sound's own, which a browser takes
from an address only. Where scripts are off a picture of the tape's way and a sentence stand there.
"""

import base64
import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any

from tapecalc import words
from tapecalc.calc.units import from_si
from tapecalc.live.modules import joined
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.catalog import draw
from tapecalc.plot.templates import filled, picture
from tapecalc.sound.line import line_address

#: What the page's element is called; its style reaches no farther.
PLACE = "tape-page"
#: The picture's size: its type can be read on a phone.
_PROFILE = replace(
    style.PROFILES["page"], name="still", width_in=6.3, height_in=3.6, text_pt=10.5, line_pt=1.8
)


def page_script(facts: Mapping[str, Any], *, level: int = 2) -> str:
    """Write the script of a page: what it must know, all modules as one, and the call that begins.

    `level` is that of its title among the page's headings. The setting goes into the page's address.
    """
    phrase = line_address(facts["setting"]["bpm"])
    known = {"FACTS": facts, "WORKLET_SOURCE": joined("worklet"), "PHRASE": phrase}
    constants = [f"const {name} = {in_script(value)};" for name, value in known.items()]
    options = f"{{ workletSource: WORKLET_SOURCE, phrase: PHRASE, address: true, level: {level} }}"
    start = f'mount(document.querySelector(".{PLACE}"), FACTS, {options});'
    return "\n".join(["", *constants, joined("page"), start, ""])


def in_script(value: object) -> str:
    r"""Write a value as JSON that may stand in a page's script, whatever its texts hold.

    >>> in_script({"name": "</script>"})
    '{"name": "\\u003c/script>"}'
    """
    return json.dumps(value, allow_nan=False).replace("<", "\\u003c")


def digest(script: str) -> str:
    """The source expression by which a content policy names a script that stands in a page."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode('ascii')}'"


def policy(script: str) -> str:
    """The content policy of a page with this script and nothing from elsewhere.

    The browser takes the sound's script from a ``data:`` address, and what was recorded from a ``blob:``.
    """
    return (
        f"default-src 'none'; script-src {digest(script)} data:; style-src 'unsafe-inline'; font-src data:; "
        "img-src data:; media-src data: blob:; base-uri 'none'; form-action 'none'"
    )


@cache
def style_sheet() -> str:
    """The style of the playable tape, in the figures' type and colors."""
    return f"{style.type_css()}\n{filled('live', 'style.css.jinja')}"


def still(machine: Machine) -> str:
    """A picture of the tape's way and a sentence, as HTML: what there is without scripts."""
    return filled(
        "live",
        "still.html.jinja",
        picture=picture(draw("tape_path", machine=machine, profile=_PROFILE)),
        sentence=sentence(machine),
    )


def sentence(machine: Machine) -> str:
    """What is to be seen and done, for those for whom nothing moves.

    >>> from tapecalc.machine import example_machine
    >>> sentence(example_machine())
    'Bench deck answers after 218 ms at 7.5 ips (19.05 cm/s), its playback head 41.5 mm behind the record \
head. Where scripts run, the head can be dragged along the tape, and the echo seen and heard to follow.'
    """
    speed, spacings = machine.speeds[0], [f"{from_si(mm, 'mm'):.4g}" for mm in machine.spacings]
    delays = words.listed(f"{from_si(delay, 'ms'):.0f}" for delay in machine.delays(speed))
    head, each = ("head", "the head") if len(spacings) == 1 else ("heads", "each head")
    where = f"its playback {head} {words.listed(spacings)} mm behind the record head"
    return (
        f"{machine.name} answers after {delays} ms at {words.speed_twice(speed, machine.units)}, {where}. "
        f"Where scripts run, {each} can be dragged along the tape, and the echo seen and heard to follow."
    )
