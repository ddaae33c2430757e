"""A climatic chamber that a person sets and reads."""

from __future__ import annotations

from typing import Any

from typing_extensions import override

from drivers.climate import Chamber
from drivers.operator import dial as dials
from drivers.operator.instruments import Operated
from drivers.roles import Reading


class OperatorChamber(Operated[Chamber], Chamber):
    """A chamber at a prompt: a person sets it, and types what its display shows."""

    noun = "chamber"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._wanted_c: float | None = None
        self._output: bool | None = None  # None: nobody has said

    @override
    def configure_temperature_c(self, temperature_c: float) -> None:
        moved = self._wanted_c != temperature_c
        self._wanted_c = temperature_c
        if self._output and moved:
            self._ask_settings()

    @override
    def configure_output_enabled(self, enabled: bool) -> None:
        if enabled and not self._output:
            self._output = None
            self._ask_settings()
            self._output = True
        elif not enabled and self._output is not False:
            self._output = None
            self._prompter.confirm(f"Stop {self._prompter.called}, so that it neither heats nor cools.")
            if self._twin is not None:
                self._twin.configure_output_enabled(False)
            self._output = False

    @override
    def read_temperature_c(self) -> Reading:
        return self._read(
            f"the temperature of the air on {self._prompter.called}",
            dials.temperature_dial(),
            lambda twin: twin.read_temperature_c(),
        )

    def _ask_settings(self) -> None:
        self._prompter.tell(
            f"Set {self._prompter.called} to {self._wanted_c:g} °C, running, with the unit in it and the door closed."
        )
        if self._twin is not None and self._wanted_c is not None:
            self._twin.configure_temperature_c(self._wanted_c)
            self._twin.configure_output_enabled(True)
