"""What `tc.playable` calls: the notebook's packages are loaded, or missed, when a tape is asked for."""

from typing import TYPE_CHECKING

from tapecalc.machine import Machine

if TYPE_CHECKING:
    from tapecalc.live.widget import Playable
else:
    Playable = object  # for those who ask for the types when no notebook is there


def playable(machine: Machine) -> Playable:
    """Show a machine in a notebook: its heads can be dragged along the tape, and heard.

    >>> from tapecalc.machine import example_machine
    >>> tape = playable(example_machine())
    >>> tape.spacing_mm = 50.0
    >>> tape.machine.playback_heads[0].spacing_mm, tape.setting["heads"][0]["spacing_mm"]
    (50.0, 50.0)
    """
    try:
        from tapecalc.live import widget
    except ModuleNotFoundError as error:
        raise ImportError(
            f"a notebook's playable tape needs the package {error.name}, which is not there: type make lab, "
            "or pip install 'tapecalc[lab]'; without it, python -m tapecalc try writes it as a page"
        ) from None
    return widget.Playable(machine)
