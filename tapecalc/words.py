"""Numbers with units as people read them: the only place where they are put into words.

Everything comes in SI and leaves as text in trade units, in a terminal, on a page, in a figure.
"""

import math
from collections.abc import Iterable

from tapecalc.calc.quantity import finite, known_name, non_negative, positive
from tapecalc.calc.units import from_si

#: How units are written, where not as their key.
SIGNS = {
    "m_s": "m/s",
    "cm_s": "cm/s",
    "hz": "Hz",
    "khz": "kHz",
    "um": "\N{MICRO SIGN}m",
    "percent": "%",
    "arcmin": "'",
    "v": "V",
    "mv": "mV",
    "nwb_m": "nWb/m",
}
UNIT_SYSTEMS = ("metric", "inches")


def amount(value: float, unit: str, form: str = ".0f") -> str:
    """Write an SI `value` in a trade `unit` with a format such as ``".1f"`` or ``"+.1f"``.

    >>> amount(0.2178, "ms"), amount(-0.0041, "ms", "+.1f")
    ('218 ms', '-4.1 ms')
    """
    return f"{from_si(value, unit):{form}} {SIGNS.get(unit, unit)}"


def speed(value: float, units: str = "inches") -> str:
    """Write a tape speed, m/s, as people say it: ``"7.5 ips"`` or ``"19.05 cm/s"``."""
    return amount(value, "cm_s" if known_name("units", units, UNIT_SYSTEMS) == "metric" else "ips", ".4g")


def speed_twice(value: float, units: str = "inches") -> str:
    """Write a tape speed in both units, the owner's first: ``"7.5 ips (19.05 cm/s)"``."""
    other = "metric" if units == "inches" else "inches"
    return f"{speed(value, units)} ({speed(value, other)})"


def length(value: float, units: str = "metric") -> str:
    """Write a length of the size of a head spacing, or of a loop of tape: ``"41.5 mm"``, ``"1.63 in"``."""
    inches = known_name("units", units, UNIT_SYSTEMS) == "inches"
    return amount(value, "in" if inches else "m" if value >= 0.9995 else "mm", ".3g")


def frequency(value: float, digits: int | None = None) -> str:
    """Write a frequency, Hz: to one hertz or a tenth of a kilohertz, or to so many significant digits.

    >>> frequency(459.3), frequency(15840.0), frequency(4231.0, digits=2)
    ('459 Hz', '15.8 kHz', '4.2 kHz')
    """
    if digits is None:
        return amount(value, "khz", ".1f") if value >= 1000 else amount(value, "hz")
    rounded = float(f"{float(positive('frequency', value, 'Hz')):.{digits}g}")
    return amount(rounded, "khz", "g") if rounded >= 1000 else amount(rounded, "hz", "g")


def level(value_db: float, unit: str = "dB") -> str:
    """Write a level with its sign: ``"+3.0 dB"``, ``"-0.5 dBu"``, and no minus before a zero."""
    return f"{round(value_db, 1) + 0.0:+.1f} {unit}"


def margin(margin_db: float, *, at_least: bool = False) -> str:
    """Write how far a loop is from running away, to the tenth below, or past that, to the tenth above.

    A margin above 0 never reads as none, unless it is only the least that there is.

    >>> margin(4.58), margin(0.04), margin(0.04, at_least=True), margin(-1.02), margin(0)
    ('4.5 dB', 'less than 0.1 dB', '0.0 dB', '1.1 dB', '0.1 dB')
    """
    if margin_db <= 0:
        return f"{max(math.ceil(-10 * margin_db - 1e-6) / 10, 0.1):.1f} dB"
    least_db = math.floor(10 * margin_db + 1e-6) / 10
    return f"{least_db:.1f} dB" if least_db > 0 or at_least else "less than 0.1 dB"


def duration(value: float) -> str:
    """Write a time of the day, s: ``"48 min"``, ``"2 h"``."""
    return amount(value, "h") if value >= 3600 else f"{math.floor(value / 60):.0f} min"


def with_uncertainty(value: float, plus_minus: float, unit: str = "") -> str:
    """Write a value and how far it may be off, both in `unit`, to the digits that the latter leaves.

    The plus/minus is rounded up, never down: to two digits where they are 10 to 35, else to one.
    Source: JCGM 100:2008, 7.2.6, two digits at most.

    >>> with_uncertainty(217.85, 6.82, "ms"), with_uncertainty(0.19051, 0.00138, "m/s")
    ('218 ms +/- 7 ms', '0.1905 m/s +/- 0.0014 m/s')
    """
    value = float(finite("value", value))
    plus_minus = float(non_negative("plus_minus", plus_minus))
    unit = f" {unit}" if unit else ""
    if plus_minus == 0:
        return f"{value:.4g}{unit}"
    first = math.floor(math.log10(plus_minus))
    last = first - 1 if plus_minus < 3.5000001 * 10.0**first else first
    rounded = math.ceil(plus_minus / 10.0**last - 1e-6) * 10.0**last
    places = max(0, -last)
    shown = round(value, -last) + 0.0  # no minus before a zero
    return f"{shown:.{places}f}{unit} +/- {rounded:.{places}f}{unit}"


def with_article(noun: str) -> str:
    """Write a noun with its indefinite article: ``"an eighth"``, ``"a quarter"``; for notes and the like."""
    return f"{'an' if noun[0] in 'aeio' else 'a'} {noun}"


def sentence(text: str) -> str:
    """Begin a text as a sentence begins, and leave the rest as it is: ``"Reel B"`` of ``"reel B"``."""
    return text[:1].upper() + text[1:]


def listed(texts: Iterable[str]) -> str:
    """Join texts as a sentence does: ``"a, b and c"``."""
    *most, last = texts
    return f"{', '.join(most)} and {last}" if most else last
