"""A live check of the wiring, in a notebook: level, channel, tape or source, and the delay with its doubt."""

from typing import Any

import anywidget
import traitlets

from tapecalc.live.modules import joined

#: What stands in a page until its script, or a kernel, puts the check there.
STILL = (
    '<div class="live-check"><p>Where scripts run, a live check of the wiring stands here: it sends a soft '
    "hiss out, listens in, and says within ten seconds what comes back: the level, the channel, whether it "
    "is the tape or the source, and the delay. Nothing leaves the computer.</p></div>"
)
_RENDER = "\nexport default { render: ({ el }) => mountCheck(el) };\n"
_STYLE = """
.check-row { display: flex; flex-wrap: wrap; gap: 8px 16px; align-items: center }
.check-row button { min-height: 44px; padding: 0 16px }
.check-row meter { width: 200px; height: 20px }
.check-says { min-height: 3em }
"""


class LiveCheck(anywidget.AnyWidget):
    """The check, where the notebook runs."""

    _esm = traitlets.Unicode(read_only=True).tag(sync=True)
    _css = traitlets.Unicode(_STYLE, read_only=True).tag(sync=True)

    def __init__(self) -> None:
        self.set_trait("_esm", joined("check") + _RENDER)
        super().__init__()

    def __repr__(self) -> str:
        return "A live check of the wiring: level, channel, tape or source, and the delay."

    def _repr_mimebundle_(self, **_: object) -> tuple[dict[str, Any], dict[str, Any]]:
        """The live check, and a sentence where there is no kernel."""
        data, metadata = super()._repr_mimebundle_() or ({}, {})
        return {**data, "text/html": STILL, "text/plain": repr(self)}, metadata
