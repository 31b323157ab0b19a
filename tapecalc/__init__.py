"""Plan, understand and teach tape echo.

The rooms, ground floor first; each is imported when it is first named, so that
``import tapecalc`` stays as quick as the calculators it is used for:

``units``, ``standards``, ``transport``, ``tempo``, ``levels``, ``response``,
``flutter``, ``loop``, ``heads``, ``machine``, ``plan``, ``audio``, ``show``.

======  ========  =======  =============
symbol  name      SI unit  typical value
======  ========  =======  =============
--      --        --       --
======  ========  =======  =============
"""

from importlib import import_module as _import_module

__version__ = "0.1.0"

__all__ = [
    "audio",
    "flutter",
    "heads",
    "levels",
    "loop",
    "machine",
    "plan",
    "response",
    "show",
    "standards",
    "tempo",
    "transport",
    "units",
]


def __getattr__(name):
    if name in __all__:
        return _import_module(f"{__name__}.{name}")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__():
    return sorted([*globals(), *__all__])
