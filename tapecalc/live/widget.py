"""The playable tape in a notebook: moving it moves values in Python, and setting those moves it."""

from collections.abc import Mapping, Sequence
from typing import Any

import traitlets

from tapecalc.live.facts import playable_facts
from tapecalc.live.modules import joined
from tapecalc.live.pages import sentence, still, style_sheet
from tapecalc.live.setting import checked_setting, machine_of_setting
from tapecalc.live.shown import Shown
from tapecalc.machine import Machine
from tapecalc.plan import EchoPlan, make_plan
from tapecalc.sound.line import line_address

#: The values that stand out of a setting.
_VALUES = ("spacing_mm", "speed_ips", "return_send_db", "bpm")


class Playable(Shown):
    """A machine whose heads can be dragged, and heard; `tc.playable` makes one.

    `setting` is all that a person moves. Of it `spacing_mm` (a number for one head, else a list),
    `speed_ips`, `return_send_db` and `bpm` stand out: they follow it, and it follows them. A value that the
    machine cannot have is refused with a `ValueError`, and all stays as it was.
    """

    setting = traitlets.Dict().tag(sync=True)
    facts = traitlets.Dict(read_only=True).tag(sync=True)
    worklet = traitlets.Unicode(read_only=True).tag(sync=True)
    phrase = traitlets.Unicode(read_only=True).tag(sync=True)
    spacing_mm = traitlets.Any()
    speed_ips = traitlets.Float()
    return_send_db = traitlets.Float()
    bpm = traitlets.Float()

    def __init__(self, machine: Machine) -> None:
        self._machine, facts = machine, playable_facts(machine)
        front_end = f"{joined('widget')}\nexport default {{ render }};\n"
        phrase = line_address(facts["setting"]["bpm"])
        own = {"facts": facts, "worklet": joined("worklet"), "phrase": phrase}
        super().__init__(front_end, style_sheet(), own=own, setting=facts["setting"])

    @property
    def machine(self) -> Machine:
        """The machine as it is set now."""
        return machine_of_setting(self._machine, self.setting)

    @property
    def plan(self) -> EchoPlan:
        """The plan of the machine as it is set now."""
        return make_plan(self.machine)

    def reset(self) -> None:
        """Move everything back to where the machine's file has it."""
        self.setting = self.facts["setting"]

    @traitlets.validate("setting")
    def _check_setting(self, proposal: Mapping[str, Any]) -> dict[str, Any]:
        return checked_setting(self.facts, proposal["value"])

    @traitlets.validate(*_VALUES)
    def _check_value(self, proposal: Any) -> Any:
        """Refuse what the setting would refuse."""
        name = proposal["trait"].name
        return _value(name, checked_setting(self.facts, self._with(name, proposal["value"])))

    @traitlets.observe("setting")
    def _follow_setting(self, _: object) -> None:
        for name in _VALUES:
            self.set_trait(name, _value(name, self.setting))

    @traitlets.observe(*_VALUES)
    def _follow_value(self, change: Any) -> None:
        if change["new"] != _value(change["name"], self.setting):
            self.setting = self._with(change["name"], change["new"])

    def _with(self, name: str, value: Any) -> dict[str, Any]:
        """The setting with one of the values changed."""
        if name != "spacing_mm":
            return {**self.setting, name: value}
        heads = self.setting["heads"]
        spacings = [value] if len(heads) == 1 else value
        if isinstance(spacings, str) or not isinstance(spacings, Sequence) or len(spacings) != len(heads):
            raise ValueError(f"spacing_mm must be {len(heads)} numbers, one for each head, got {value!r}")
        moved = [{**head, "spacing_mm": mm} for head, mm in zip(heads, spacings, strict=True)]
        return {**self.setting, "heads": moved}

    def _shown(self) -> Machine:
        """The machine for those who see no scene: that of the file where no head is on."""
        try:
            return self.machine
        except ValueError:
            return self._machine

    def __repr__(self) -> str:
        return sentence(self._shown())

    def still(self) -> str:
        """A picture of the tape's way and a sentence, as HTML."""
        return still(self._shown())


def _value(name: str, setting: Mapping[str, Any]) -> Any:
    """One of the values that stand out of a setting."""
    if name != "spacing_mm":
        return setting[name]
    spacings = [head["spacing_mm"] for head in setting["heads"]]
    return spacings[0] if len(spacings) == 1 else spacings
