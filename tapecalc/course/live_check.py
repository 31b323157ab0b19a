"""A live check of the wiring, in a notebook: level, channel, tape or source, and the delay with its doubt."""

from tapecalc.live.modules import joined
from tapecalc.live.shown import Shown

#: What stands in a page until its script, or a kernel, puts the check there.
STILL = (
    '<div class="live-check"><p>Where scripts run, a live check of the wiring stands here: it sends a soft '
    "hiss out, listens in, and says within ten seconds what comes back: the level, the channel, whether it "
    "is the tape or the source, and the delay. Nothing leaves the computer.</p></div>"
)
_RENDER = "\nexport default { render: ({ el }) => mountCheck(el) };\n"
#: Of a notebook and of a page.
STYLE = """
.check-row { display: flex; flex-wrap: wrap; gap: 0.5rem 1rem; align-items: center; }
.check-row button { min-height: 44px; padding: 0 1rem; font: inherit; color: inherit; background: none;
  border: 1px solid currentColor; border-radius: 4px; cursor: pointer; }
.check-row button:disabled { opacity: 0.6; border-style: dashed; cursor: default; }
.check-row meter { width: 12rem; height: 1.25rem; vertical-align: middle; }
.check-says { min-height: 3em; }
"""


class LiveCheck(Shown):
    """The check, where the notebook runs."""

    def __init__(self) -> None:
        super().__init__(joined("check") + _RENDER, STYLE)

    def __repr__(self) -> str:
        return "A live check of the wiring: level, channel, tape or source, and the delay."

    def still(self) -> str:
        """A sentence about it, in the place for it."""
        return STILL
