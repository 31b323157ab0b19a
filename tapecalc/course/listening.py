"""Sounds in a lesson: where the notebook runs they share one play head, elsewhere they stand side by side."""

from typing import Any

import anywidget
import traitlets
from numpy.typing import ArrayLike

from tapecalc.live.modules import joined
from tapecalc.plot import player as plain

_RENDER = """
export default { render: ({ model, el }) => {
  el.innerHTML = model.get("page");
  mountSwitch(el.firstElementChild);
} };
"""
_STYLE = """
fieldset.switch { border: 0; margin: 0; padding: 0 }
fieldset.switch label { display: inline-block; margin-right: 20px; line-height: 32px }
"""


class Sounds(anywidget.AnyWidget):
    """The players of `listening`."""

    page = traitlets.Unicode(read_only=True).tag(sync=True)
    _esm = traitlets.Unicode(read_only=True).tag(sync=True)
    _css = traitlets.Unicode(_STYLE, read_only=True).tag(sync=True)

    def __init__(self, listening: plain.Listening) -> None:
        self.listening = listening
        self.set_trait("_esm", joined("switch") + _RENDER)
        self.set_trait("page", listening.html)
        super().__init__()

    def __repr__(self) -> str:
        return repr(self.listening)

    def _repr_mimebundle_(self, **_: object) -> tuple[dict[str, Any], dict[str, Any]]:
        """The players under one play head, and as they are where there is no kernel."""
        data, metadata = super()._repr_mimebundle_() or ({}, {})
        return {**data, "text/html": self.page, "text/plain": repr(self)}, metadata

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
