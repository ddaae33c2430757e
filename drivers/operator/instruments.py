"""Instruments that a person reads: the abstract roles, at a prompt. Those that drive the unit are in sources.py.

``twin`` is the same instrument on a simulated bench: "done" sets it as asked, and a reading's prompt shows what its dial shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import field, replace
from typing import Any, Generic, Literal, TypeVar

from drivers.frozen import dataclass
from drivers.operator import dial as dials
from drivers.operator.dial import Dial
from drivers.operator.gathered import Step
from drivers.operator.hand_key import HandKey
from drivers.operator.prompt import Prompter
from drivers.roles import (
    AudioAnalyser,
    Identity,
    Instrument,
    Limits,
    ModulationAnalyser,
    PowerMeter,
    RangeState,
    Reading,
    Voltmeter,
)

R = TypeVar("R", bound=Instrument)
MAKER = "operator"
BY_HAND = "by hand"
"""What stands behind the model of an instrument that the bench file names: it was not asked who it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorSettings:
    """What the bench file says of an instrument that a person sets or reads.

    ``dial`` is the unit on it, empty for its role's own. ``s9_v`` and ``s_unit_v`` belong to a signal meter read in S-units. ``most_w``,
    ``most_v`` and ``most_a`` bound what a reading can be. ``make``, ``model`` and ``serial`` are what stands on it, empty where
    nobody said.
    """

    dial: str = ""
    settle_s: float = 0.0
    limits: Limits = field(default_factory=Limits)
    s9_v: float | None = None
    s_unit_v: float | None = None
    most_w: float = 1e4
    most_v: float = 100.0
    most_a: float = 50.0
    make: str = ""
    model: str = ""
    serial: str = ""


class Operated(Generic[R]):
    """What every instrument at a prompt shares. ``hand`` is the key where a person holds it too."""

    manual = True
    noun = "instrument"

    def __init__(
        self,
        prompter: Prompter,
        settings: OperatorSettings,
        *,
        hand: HandKey | None = None,
        twin: R | None = None,
    ) -> None:
        self.name = prompter.name
        self.address = prompter.address
        self._prompter = prompter
        self._settings = settings
        self._hand = hand
        self._twin: Any = twin
        self._last: dict[str, float] = {}
        self._looked: tuple[Dial, Callable[[Any], Reading] | None] | None = None
        self._is_unkeyed = False

    def open(self) -> Identity:
        """Nothing to open: the state is unknown until the person has said something."""
        stated = self._settings
        if not (stated.make or stated.model or stated.serial):
            return Identity(maker=MAKER, model=self.noun, serial="", firmware="")
        model = f"{stated.model or self.noun} ({BY_HAND})"
        return Identity(maker=stated.make, model=model, serial=stated.serial, firmware="")

    def close(self) -> None:
        """Nothing to let go of."""

    def disable(self) -> None:
        """Make safe: nothing to do for an instrument that drives nothing."""

    def gather_steps(self, allowed: bool) -> None:
        """Let steps wait for the next reading, or ask for those that wait."""
        self._prompter.gathered.allowed = allowed
        if not allowed:
            self._prompter.finish()

    def forget_steps(self) -> None:
        """Forget the steps that wait."""
        self._prompter.gathered.allowed = False
        self._prompter.gathered.drop_all()

    def read_errors(self) -> list[str]:
        """A person has no error queue."""
        return []

    @contextmanager
    def unkeyed(self) -> Iterator[None]:
        """Ask for readings until it ends with the word that the unit does not transmit."""
        self._is_unkeyed = True
        try:
            yield
        finally:
            self._is_unkeyed = False

    def _read(self, what: str, dial: Dial, look: Callable[[Any], Reading] | None = None) -> Reading:
        """Ask for a reading; ``look`` reads the simulated twin for the prompt."""
        key = f"{what}, {dial.quantity}"
        self._looked = dial, look
        seen = self._seen(dial, look)
        if self._is_unkeyed:  # no leap beside a reading with PTT pressed is a slip
            return self._prompter.read(
                f"PTT stays RELEASED, the unit does not transmit. Read {what} once more (none: it shows nothing)",
                dial,
                beside=seen,
            )
        if self._hand is not None and (self._hand.is_armed or self._hand.releases_with_reading):
            reading = self._hand.read(
                self._prompter,
                what,
                lambda text, keep_s: self._prompter.read(
                    text, dial, self._last.get(key), beside=seen, keep_s=keep_s
                ),
            )
        else:
            reading = self._prompter.read(f"Read {what}", dial, self._last.get(key), beside=seen)
        if reading.number is not None:
            self._last[key] = reading.number
        return reading

    def glance(self) -> str:
        """Return what a simulated dial shows now of what was read last, for somebody who watches it; empty for a real one."""
        return "" if self._looked is None else self._seen(*self._looked)

    def _seen(self, dial: Dial, look: Callable[[Any], Reading] | None) -> str:
        if self._twin is None or look is None:
            return ""
        shown = (
            self._hand.while_keyed(lambda: look(self._twin), self._prompter.clock.wait_s)
            if self._hand is not None
            else look(self._twin)
        )
        return (
            f" (simulated dial: {dial.show(shown.number) if shown.number is not None else shown.state.value})"
        )


class OperatorPowerMeter(Operated[PowerMeter], PowerMeter):
    """An RF power meter that a person reads, in W or dBm."""

    noun = "power meter"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._frequency_hz: float | None = None

    def set_correction_frequency_hz(self, frequency_hz: float) -> None:
        """Remember the carrier, for the prompt."""
        self._frequency_hz = frequency_hz
        if self._twin is not None:
            self._twin.set_correction_frequency_hz(frequency_hz)

    def read_power_dbm(self) -> Reading:
        """Return the average power at its own connector, dBm; no power at all is under range."""
        dial = dials.power_dial(self._settings.dial or "W", self._settings.most_w)
        at = f" at {mhz_text(self._frequency_hz)}" if self._frequency_hz is not None else ""
        reading = self._read(f"the power on {self._prompter.called}{at}", dial, _seen_power_w)
        if reading.number is None:
            return reading
        if reading.number <= 0.0:
            return replace(reading, number=None, state=RangeState.UNDER_RANGE)
        level_dbm = dials.dbm_from_w(reading.number)
        step_db = dials.dbm_from_w(reading.number + reading.step) - level_dbm
        return replace(reading, number=level_dbm, step=step_db)

    def zero(self) -> None:
        """Zero the sensor; RF must be off."""
        self._prompter.tell(f"Zero {self._prompter.called}, RF off.")


class OperatorModulationAnalyser(Operated[ModulationAnalyser], ModulationAnalyser):
    """A modulation analyser, or a counter and a deviation meter, that a person reads."""

    noun = "modulation analyser"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._tuned_hz: float | None = None  # what it is read as
        self._stands_hz: float | None = None  # where it was said to stand

    def tune_hz(self, frequency_hz: float) -> None:
        """Ask for it to be tuned, where it stands elsewhere."""
        if frequency_hz == self._stands_hz:
            self._prompter.drop("tuning")
            return
        if self._twin is not None:
            self._twin.tune_hz(frequency_hz)
        self._tuned_hz = frequency_hz
        self._last.clear()

        def stands(on_hz: float | None) -> None:
            self._stands_hz = on_hz

        text = f"Tune {self._prompter.called} to {mhz_text(frequency_hz)}."
        self._prompter.later(
            "tuning", Step(text=text, begun=lambda: stands(None), done=lambda: stands(frequency_hz))
        )

    def read_frequency_hz(self) -> Reading:
        """Return the carrier frequency, Hz."""
        return self._read(
            f"the carrier frequency on {self._prompter.called}",
            dials.frequency_dial(self._tuned_hz),
            lambda twin: twin.read_frequency_hz(),
        )

    def read_deviation_hz(self, side: Literal["positive", "negative"]) -> Reading:
        """Return the peak FM deviation of one side, Hz."""
        return self._read(
            f"the {side} peak deviation on {self._prompter.called}",
            dials.deviation_dial(),
            lambda twin: twin.read_deviation_hz(side),
        )


class OperatorAudioAnalyser(Operated[AudioAnalyser], AudioAnalyser):
    """An audio source that a person sets, and a SINAD meter or audio voltmeter that a person reads."""

    noun = "audio analyser"

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._tone_hz, self._level_v = 1000.0, 0.0
        self._wanted_on = False
        self._source: str | None = (
            ""  # what it gives; a tone into the microphone of an unkeyed unit hurts nobody: not asked for
        )

    def expect_leap(self) -> None:
        """Take the next readings however far they lie from those before."""
        self._last.clear()

    def configure_source(self, tone_hz: float, level_v: float) -> None:
        """Set tone and level of the source; asked at once only while it is on."""
        self._tone_hz, self._level_v = tone_hz, level_v
        if self._wanted_on:
            self._ask_source()

    def configure_source_enabled(self, enabled: bool) -> None:
        """Switch the source."""
        self._wanted_on = enabled
        if enabled:
            self._ask_source()
            return
        if self._twin is not None:
            self._twin.configure_source_enabled(False)
        self._set_source("", f"Switch the audio source of {self._prompter.called} off.")

    def read_sinad_db(self, reading_s: float) -> Reading:
        """Return SINAD, dB; the person averages by eye, whatever ``reading_s``."""
        return self._read(
            f"SINAD on {self._prompter.called}",
            dials.sinad_dial(),
            lambda twin: twin.read_sinad_db(max(reading_s, 0.5)),
        )

    def read_level_v(self, reading_s: float) -> Reading:
        """Return the audio level, V rms."""
        return self._read(
            f"the audio level (rms) on {self._prompter.called}",
            dials.voltage_dial(0.0, self._settings.most_v),
            lambda twin: twin.read_level_v(max(reading_s, 0.5)),
        )

    def _ask_source(self) -> None:
        level = f"{self._level_v * 1e3:.4g} mV" if self._level_v < 1.0 else f"{self._level_v:.4g} V"
        if self._twin is not None:
            self._twin.configure_source(self._tone_hz, self._level_v)
            self._twin.configure_source_enabled(True)
        given = f"{tone_text(self._tone_hz)}, {level} rms"
        self._set_source(given, f"Set the audio source of {self._prompter.called} to {given}, on.")

    def _set_source(self, given: str, text: str) -> None:
        if given == self._source:
            self._prompter.drop("source")
            return

        def gives(what: str | None) -> None:
            self._source = what

        self._prompter.later("source", Step(text=text, begun=lambda: gives(None), done=lambda: gives(given)))


class OperatorVoltmeter(Operated[Voltmeter], Voltmeter):
    """A voltmeter on the signal-meter line, or the unit's own signal meter read in S-units."""

    noun = "voltmeter"

    def read_voltage_v(self, reading_s: float) -> Reading:
        """Return the voltage, V; of a dial in S-units, the voltage its line has there."""
        return self._read(
            "the unit's signal meter" if self._settings.dial == "S units" else self._prompter.called,
            self._dial(),
            lambda twin: twin.read_voltage_v(max(reading_s, 0.5)),
        )

    def _dial(self) -> Dial:
        settings = self._settings
        if settings.dial != "S units" or settings.s9_v is None:
            return dials.voltage_dial(-settings.most_v, settings.most_v)
        return dials.s_unit_dial(settings.s9_v, settings.s_unit_v or settings.s9_v / 9.0)


def _seen_power_w(twin: PowerMeter) -> Reading:
    reading = twin.read_power_dbm()
    if reading.number is None:
        return reading
    return Reading(number=1e-3 * 10.0 ** (reading.number / 10.0), raw=reading.raw)


def tone_text(tone_hz: float) -> str:
    """Return a tone as it stands on a dial."""
    return f"{tone_hz / 1e3:g} kHz" if tone_hz >= 1e3 else f"{tone_hz:g} Hz"


def mhz_text(frequency_hz: float) -> str:
    """Return a carrier as it stands on a dial."""
    return f"{frequency_hz / 1e6:.6f}".rstrip("0").rstrip(".") + " MHz"
