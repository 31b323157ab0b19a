"""What a notebook shows by a script while it runs, and what stands there for those who only read it."""

from collections.abc import Mapping
from typing import Any

import anywidget
import traitlets


class Shown(anywidget.AnyWidget):
    """A widget by its script and style; `still` is what a page has of it, its `repr` what a terminal has."""

    _esm = traitlets.Unicode(read_only=True).tag(sync=True)
    _css = traitlets.Unicode(read_only=True).tag(sync=True)

    def __init__(self, script: str, css: str, *, own: Mapping[str, Any] | None = None, **known: Any) -> None:
        """Give it script, style and what else of its `own` only we may set, then what is `known`."""
        for name, value in {"_esm": script, "_css": css, **(own or {})}.items():
            self.set_trait(name, value)
        super().__init__(**known)

    def still(self) -> str:
        """What it shows where no script runs, as HTML."""
        raise NotImplementedError

    def _repr_mimebundle_(self, **_: object) -> tuple[dict[str, Any], dict[str, Any]]:
        """What is live, and what is not where there is no kernel: a page shows one of them."""
        data, metadata = super()._repr_mimebundle_() or ({}, {})
        return {**data, "text/html": self.still(), "text/plain": repr(self)}, metadata
