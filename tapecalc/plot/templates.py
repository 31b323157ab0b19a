"""What all pages have in common: templates, type and colors, pictures, and text as it is set in type."""

import base64
import re
from typing import Any, NamedTuple

import jinja2

from tapecalc.plot import style
from tapecalc.plot.kit import Drawn

#: Units that stay on the line of their number.
_UNITS = r"(?:ms|s|min|h|Hz|kHz|dB|dBu|dB\(A\)|mm|cm/s|ips|in|m|%|bpm|V|mV|nWb/m|nWb|\N{MICRO SIGN}m)"


class Picture(NamedTuple):
    """A figure as a page shows it: drawn on the light ground, with its size in pixels and its words."""

    svg: bytes
    width: int
    height: int
    alt: str
    caption: str

    @property
    def light(self) -> str:
        """The figure inside an address, as a picture that cannot run anything."""
        return "data:image/svg+xml;base64," + base64.b64encode(self.svg).decode("ascii")

    @property
    def dark(self) -> str:
        """The same on the dark ground."""
        return self._replace(svg=style.on_ground(self.svg, "dark")).light


def picture(drawn: Drawn) -> Picture:
    """Give a figure to a page."""
    width, height = (round(96 * inches) for inches in drawn.figure.get_size_inches().tolist())
    svg = style.figure_bytes(drawn.figure, "svg", alt=drawn.alt)
    return Picture(svg, width, height, drawn.alt, drawn.caption)


def typeset(text: str) -> str:
    r"""Set text in type: ``±``, a true minus, and no line that ends between a number and its unit.

    >>> typeset("-6 dB +/- 1 dB, 2 heads")
    '−6\xa0dB ±\xa01\xa0dB, 2 heads'
    """
    text = re.sub(r"(?<![\w.])-(?=\d)", "\N{MINUS SIGN}", text)
    text = text.replace("+/- ", "\N{PLUS-MINUS SIGN}\N{NO-BREAK SPACE}").replace("+/-", "\N{PLUS-MINUS SIGN}")
    return re.sub(rf"(?<=\d) (?={_UNITS}(?!\w))", "\N{NO-BREAK SPACE}", text)


def filled(room: str, template: str, **values: Any) -> str:
    """Fill a template of a room: names are escaped, and a value that is not there is refused.

    Type and colors are those of the figures.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader(f"tapecalc.{room}", ""),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["typeset"] = typeset
    environment.globals |= {"type_css": style.type_css(), "family": style.FAMILY}
    environment.globals |= {name: style.GROUNDS[name] for name in ("light", "dark")}
    environment.filters["base64"] = lambda content: base64.b64encode(content).decode("ascii")
    return environment.get_template(template).render(**values)
