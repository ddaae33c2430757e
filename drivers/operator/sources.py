"""Generator and supply in a person's hands.

Settings that hurry nobody (levels, modulation) are gathered while the output is off and asked in one prompt when it is switched on.
Whatever is on is asked to be switched off with a prompt that needs the word "done"; a state that was confirmed so holds
until something else is asked for, or a question is left unanswered.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from typing_extensions import override

from drivers.faults import NotConfirmed, Refused
from drivers.operator import dial as dials
from drivers.operator.gathered import Step
from drivers.operator.instruments import Operated, mhz_text, tone_text
from drivers.roles import Reading, SignalGenerator, Supply


class OperatorSignalGenerator(Operated[SignalGenerator], SignalGenerator):
    """An RF signal generator that a person turns; levels as its dial can show them."""

    noun = "signal generator"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._output: bool | None = None  # None: nobody has said
        self._frequency_hz = 0.0
        self._level_dbm = -140.0
        self._modulation = "modulation OFF"
        self._modulate: Callable[[SignalGenerator], None] = lambda twin: twin.disable_all_modulation()
        self._wanted_on = False
        self._set: tuple[str, str] | None = None  # level, and all else, as the person has set it last

    @property
    @override
    def highest_dbm(self) -> float:
        high_dbm = self._settings.limits.level_max_dbm
        return math.inf if high_dbm is None else high_dbm

    def configure_rf(self, frequency_hz: float, level_dbm: float) -> None:
        """Set frequency and level; asked at once only while the output is on."""
        self._check_level(level_dbm)
        self._frequency_hz, self._level_dbm = frequency_hz, self._written(level_dbm)[1]
        self.level_made_dbm = self._level_dbm
        self._ask_if_on()

    def set_level_dbm(self, level_dbm: float) -> None:
        """Set the level, to the nearest that the dial can show."""
        self._check_level(level_dbm)
        self._level_dbm = self.level_made_dbm = self._written(level_dbm)[1]
        self._ask_if_on()

    def read_level_dbm(self) -> float:
        """Return the level that was asked for: what the dial shows."""
        return self._level_dbm

    def configure_output_enabled(self, enabled: bool) -> None:
        """Switch the RF output: on with all that is set, off confirmed by the word "done"."""
        self._wanted_on = enabled
        if enabled:
            self._ask_settings()
            return
        self._prompter.drop("settings")
        if self._output is not False:
            self._output = None
            self._prompter.confirm(f"Switch the RF output of {self._prompter.called} OFF.")
        if self._twin is not None:
            self._twin.configure_output_enabled(False)
        self._output, self._set = False, None

    def read_output_enabled(self) -> bool:
        """Return what the person has said last. NotConfirmed where nobody has."""
        if self._output is None:
            raise NotConfirmed(
                "nobody has said whether its output is on",
                instrument=self.name,
                address=self.address,
                next_move="Look at it.",
            )
        return self._output

    def disable(self) -> None:
        """Switch the RF output off, confirmed."""
        self.configure_output_enabled(False)

    def disable_all_modulation(self) -> None:
        """Leave the carrier unmodulated."""
        self._set_modulation("modulation OFF", lambda twin: twin.disable_all_modulation())

    def configure_fm(self, deviation_hz: float, tone_hz: float) -> None:
        """Frequency-modulate with a sine."""
        text = f"FM, {deviation_hz / 1e3:g} kHz deviation, {tone_text(tone_hz)} tone"
        self._set_modulation(text, lambda twin: twin.configure_fm(deviation_hz, tone_hz))

    def configure_am(self, depth_percent: float, tone_hz: float) -> None:
        """Amplitude-modulate with a sine."""
        text = f"AM, {depth_percent:g} % depth, {tone_text(tone_hz)} tone"
        self._set_modulation(text, lambda twin: twin.configure_am(depth_percent, tone_hz))

    def wait_until_settled(self, max_s: float) -> None:
        """Wait for the settling time of the bench file: the person has said that it stands."""
        self._prompter.clock.wait_s(self._settings.settle_s)
        if self._twin is not None:
            self._twin.wait_until_settled(max_s)

    def _set_modulation(self, text: str, modulate: Callable[[SignalGenerator], None]) -> None:
        if text != self._modulation:
            self._modulation, self._modulate = text, modulate
            self._ask_if_on()

    def _ask_if_on(self) -> None:
        if self._wanted_on:
            self._ask_settings()

    def _ask_settings(self) -> None:
        """Have it set as wanted, and on: what differs from what stands there; nothing where nothing does."""
        if self._twin is not None:
            self._twin.configure_rf(self._frequency_hz, self._level_dbm)
            self._modulate(self._twin)
            self._twin.configure_output_enabled(True)
        level = self._written(self._level_dbm)[0]
        wanted = (level, f"{mhz_text(self._frequency_hz)}, {{level}}, {self._modulation}, RF output ON")
        if self._output and wanted == self._set:
            self._prompter.drop("settings")
            return
        only_level = bool(self._output) and self._set is not None and wanted[1] == self._set[1]
        text = level if only_level else wanted[1].format(level=level)

        def begun() -> None:
            if not only_level:
                self._output = None  # until it is answered it may be either
            self._set = ("", wanted[1]) if only_level else None

        def done() -> None:
            self._output, self._set = True, wanted

        self._prompter.later(
            "settings", Step(text=f"Set {self._prompter.called} to {text}.", begun=begun, done=done)
        )

    def _written(self, level_dbm: float) -> tuple[str, float]:
        return dials.written_level(level_dbm, self._settings.dial or "dBm")

    def _check_level(self, level_dbm: float) -> None:
        low, high = self._settings.limits.level_min_dbm, self._settings.limits.level_max_dbm
        if (low is not None and level_dbm < low - 1e-9) or (high is not None and level_dbm > high + 1e-9):
            raise Refused(
                f"level {level_dbm:.1f} dBm refused; it offers {low:+.1f} to {high:+.1f} dBm",
                instrument=self.name,
                address=self.address,
                next_move="Change the level asked for, or 'level' in the bench file if it misstates the instrument.",
            )


class OperatorSupply(Operated[Supply], Supply):
    """A DC supply that a person sets and reads."""

    noun = "supply"
    reads_voltage = False

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._wanted = (0.0, 0.0)
        self._output: bool | None = None

    def configure_voltage(self, voltage_v: float, current_limit_a: float) -> None:
        """Set voltage and current limit; asked at once only while the output is on."""
        moved = self._wanted != (voltage_v, current_limit_a)
        self._wanted = (voltage_v, current_limit_a)
        if self._output and moved:
            self._ask_settings()

    def configure_output_enabled(self, enabled: bool) -> None:
        """Switch the output; off needs the word "done"."""
        if enabled and not self._output:
            self._output = None
            self._ask_settings()
            self._output = True
        elif not enabled and self._output is not False:
            self._output = None
            self._prompter.confirm(f"Switch {self._prompter.called} OFF, so that the unit has no supply.")
            if self._twin is not None:
                self._twin.configure_output_enabled(False)
            self._output = False

    def read_voltage_v(self) -> Reading:
        """Return the voltage at its terminals, V."""
        return self._read(
            f"the voltage on {self._prompter.called}",
            dials.voltage_dial(0.0, self._settings.most_v),
            lambda twin: twin.read_voltage_v(),
        )

    def read_current_a(self) -> Reading:
        """Return the current it delivers, A."""
        return self._read(
            f"the current on {self._prompter.called}",
            dials.current_dial(self._settings.most_a),
            lambda twin: twin.read_current_a(),
        )

    def _ask_settings(self) -> None:
        voltage_v, current_a = self._wanted
        self._prompter.tell(
            f"Set {self._prompter.called} to {voltage_v:g} V with a current limit of {current_a:g} A, on."
        )
        if self._twin is not None:
            self._twin.configure_voltage(voltage_v, current_a)
            self._twin.configure_output_enabled(True)
