"""Sounds in a lesson: where the notebook runs they share one play head, elsewhere they stand side by side."""

from typing import Any

import traitlets
from numpy.typing import ArrayLike

from tapecalc.live.modules import joined
from tapecalc.live.shown import Shown
from tapecalc.plot import player as plain

_RENDER = """
export default { render: ({ model, el }) => {
  el.innerHTML = model.get("page");
  mountSwitch(el.firstElementChild);
} };
"""
#: Of a notebook and of a page; a choice is as large as a finger.
STYLE = """
fieldset.switch { border: 0; margin: 0; padding: 0; }
fieldset.switch input { width: 1.5rem; height: 44px; margin: 0 0.5rem 0 0; }
fieldset.switch label { display: inline-flex; align-items: center; min-height: 44px; margin-right: 1.5rem; }
"""


class Sounds(Shown):
    """The players of `listening`."""

    page = traitlets.Unicode(read_only=True).tag(sync=True)

    def __init__(self, listening: plain.Listening) -> None:
        self.listening = listening
        super().__init__(joined("switch") + _RENDER, STYLE, own={"page": listening.html})

    def __repr__(self) -> str:
        return repr(self.listening)

    def still(self) -> str:
        """The players side by side."""
        return str(self.page)

    def _ipython_display_(self) -> None:
        """Show the picture, and below it the players; either is worth having without the other."""
        from IPython.display import display

        for data, metadata in (self.listening.picture, self._repr_mimebundle_()):
            display(data, raw=True, metadata=metadata)


def player(samples: ArrayLike, sample_rate: int, **words: Any) -> Sounds:
    """Return a player for one sound, with the words that `tapecalc.plot.player.player` takes."""
    return Sounds(plain.player(samples, sample_rate, **words))


def compare(clips: dict[str, ArrayLike], sample_rate: int, **words: Any) -> Sounds:
    """Return players for sounds by title, with the words that `tapecalc.plot.player.compare` takes."""
    return Sounds(plain.compare(clips, sample_rate, **words))
