"""What the plan's page and the setup card have in common: templates, and text as it is set in type."""

import base64
import re
from typing import Any

import jinja2

#: Units that stay on the line of their number.
_UNITS = r"(?:ms|s|min|h|Hz|kHz|dB|dBu|dB\(A\)|mm|cm/s|ips|in|m|%|bpm|V|mV|nWb/m|nWb|\N{MICRO SIGN}m)"


def typeset(text: str) -> str:
    r"""Set text in type: ``±``, a true minus, and no line that ends between a number and its unit.

    >>> typeset("-6 dB +/- 1 dB, 2 heads")
    '−6\xa0dB ±\xa01\xa0dB, 2 heads'
    """
    text = re.sub(r"(?<![\w.])-(?=\d)", "\N{MINUS SIGN}", text)
    text = text.replace("+/- ", "\N{PLUS-MINUS SIGN}\N{NO-BREAK SPACE}").replace("+/-", "\N{PLUS-MINUS SIGN}")
    return re.sub(rf"(?<=\d) (?={_UNITS}(?!\w))", "\N{NO-BREAK SPACE}", text)


def html_page(template: str, **values: Any) -> str:
    """Fill a template of this room: names are escaped, and a value that is not there is refused.

    Type and colors are those of the figures.
    """
    from tapecalc.plot import style  # which loads what draws

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tapecalc.report", ""),
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
