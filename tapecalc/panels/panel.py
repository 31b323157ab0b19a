"""What-if panels: controls, one picture that follows them, and words with the numbers.

A panel is reckoned and drawn by scripts of the page, in a notebook and on the site alike; Python gives the
facts. Its picture, words and limits at the first setting lie beside the scripts, for those who cannot run
them: `tools/stills.py` writes them, and a test says when they are old.
"""

import json
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

import traitlets

from tapecalc.calc.quantity import known_name
from tapecalc.live.modules import joined
from tapecalc.live.shown import Shown
from tapecalc.plot import style
from tapecalc.plot.templates import filled

#: The profiles in which a picture can be taken along.
TAKEN_AS = ("video_1080", "article_double", "article_single")
#: The size of the picture beside the scripts, px.
STILL = {"width": 800, "height": 460}
#: What a panel says of itself before its still was drawn.
NOT_DRAWN = {"name": "", "question": "", "sentence": "", "legend": "", "alt": "", "controls": [], "rows": []}
_SEEN = resources.files("tapecalc.panels") / "stills"


class Panel(Shown):
    """A panel by its module and the function in it that makes it of `facts`.

    `values` is where the controls stand, `readout` the sentence and `table` the numbers that belong to
    them. What a control does not take is refused with a `ValueError`, and all stays as it was. Until a
    page shows the panel `readout` and `table` are those of the first setting.
    """

    values = traitlets.Dict().tag(sync=True)
    readout = traitlets.Unicode().tag(sync=True)
    table: traitlets.List[Any] = traitlets.List().tag(sync=True)
    facts = traitlets.Dict(read_only=True).tag(sync=True)
    kit = traitlets.Dict(read_only=True).tag(sync=True)

    def __init__(self, module: str, function: str, facts: Mapping[str, Any]) -> None:
        self.module, self.function = module, function
        self.told = told().get(function, NOT_DRAWN)
        show = f"export default {{ render: (given) => showPanel(given, {function}) }};\n"
        script, own = f"{joined('show', module)}\n{show}", {"kit": kit(), "facts": dict(facts)}
        first = {"values": self.first, "readout": self.told["sentence"], "table": self.told["rows"]}
        super().__init__(script, style_sheet(), own=own, **first)

    @property
    def name(self) -> str:
        """What the panel is called, as a file's name."""
        return str(self.told["name"])

    @property
    def first(self) -> dict[str, Any]:
        """Where every control stands at first."""
        return {control["name"]: control["value"] for control in self.told["controls"]}

    @property
    def words(self) -> str:
        """The picture in words."""
        return f"{self.told['alt']} {self.told['sentence']}"

    @traitlets.validate("values")
    def _check_values(self, proposal: Mapping[str, Any]) -> dict[str, Any]:
        controls = {control["name"]: control for control in self.told["controls"]}
        for name, value in proposal["value"].items():
            _check(controls[known_name("control", name, controls)], value)
        return {**self.first, **proposal["value"]}

    def __repr__(self) -> str:
        return f"{self.told['question']}\n{self.told['sentence']}\n{self.told['legend']}"

    def still(self) -> str:
        """Question, picture, sentence and legend at the first setting, as HTML."""
        svg = (_SEEN / f"{self.name}.svg").read_bytes()
        return filled("panels", "still.html.jinja", told=self.told, svg=svg, alt=self.words, **STILL)


def _check(control: Mapping[str, Any], value: Any) -> None:
    """Refuse a value that a control does not take."""
    name, options, first = control["name"], control["options"], control["value"]
    if options:
        known_name(name, value, options)
    elif isinstance(first, bool):
        if not isinstance(value, bool):
            raise ValueError(f"{name} must be True or False, got {value!r}")
    elif isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{name} must be a number, got {value!r}")
    elif not control["low"] <= value <= control["high"]:
        raise ValueError(f"{name} must be from {control['low']:g} to {control['high']:g}, got {value!r}")


@cache
def told() -> dict[str, Any]:
    """What every panel says at its first setting, by the function that makes it."""
    said = json.loads((_SEEN / "told.json").read_text(encoding="utf-8"))
    return dict(said)


@cache
def style_sheet() -> str:
    """The style of panels in a page, in the figures' colors."""
    return f"{style.type_css()}\n{filled('panels', 'style.css.jinja', alone='')}"


def picture_style(alone: str) -> str:
    """The style of a picture that stands alone: on a "light" ground, or on "both"."""
    return filled("panels", "style.css.jinja", alone=alone)


@cache
def kit() -> dict[str, Any]:
    """What a panel needs to give its picture away: sizes in CSS pixels, and their style."""
    sizes = {}
    for name in TAKEN_AS:
        profile = style.PROFILES[name]
        sizes[name] = {
            "width": round(96 * profile.width_in, 2),
            "height": round(96 * profile.height_in, 2),
            "text": round(96 / 72 * profile.text_pt, 2),
            "line": round(96 / 72 * profile.line_pt, 2),
            "scale": profile.dpi / 96,
        }
    return {"sizes": sizes, "style": picture_style("light")}
