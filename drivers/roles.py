"""What each kind of instrument on the bench can do, in SI units and dBm.

Names follow the IVI class specifications where one exists: IviRFSigGen (IVI-4.10), IviPwrMeter (IVI-4.7),
IviDmm (IVI-4.2), IviDCPwr (IVI-4.4), IviSwtch (IVI-4.6), IviSpecAn (IVI-4.8). There is no IVI class for modulation and audio analysers;
they borrow the pattern "every read has a result and, apart from it, a range state".

Every method may raise `drivers.faults.InstrumentFault`.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import Literal

from typing_extensions import override

from drivers.analysers import AudioAnalyser, ModulationAnalyser, SpectrumAnalyser
from drivers.climate import Chamber
from drivers.faults import Refused
from drivers.instrument import Instrument
from drivers.values import (
    SIMULATED,
    AudioFilters,
    Detector,
    Emission,
    Identity,
    Limits,
    PeakSide,
    RangeState,
    Reading,
    Samples,
    Spectrum,
    SpectrumSettings,
    Weighting,
)

__all__ = [
    "SIMULATED",
    "AudioAnalyser",
    "AudioFilters",
    "Chamber",
    "Detector",
    "Emission",
    "Identity",
    "Instrument",
    "Limits",
    "ModulationAnalyser",
    "PeakSide",
    "PowerMeter",
    "Radio",
    "RangeState",
    "Reading",
    "Samples",
    "SignalGenerator",
    "Spectrum",
    "SpectrumAnalyser",
    "SpectrumSettings",
    "Supply",
    "Switch",
    "Voltmeter",
    "Weighting",
]


class SignalGenerator(Instrument):
    """An RF signal generator (IviRFSigGen). Levels are at its own connector, dBm into 50 ohm."""

    level_off_db: float = 0.0
    """How far a level that it made was from the one asked for, at most, dB, by its own word: half the step of a coarse one."""
    level_made_dbm: float | None = None
    """What it made of the level that was set last, dBm, by its own word; None where it, or its driver, does not say."""

    @property
    def highest_dbm(self) -> float:
        """The highest level that it may be set to; without end where nobody has said."""
        return math.inf

    @override
    def set_start_state(self) -> None:
        """Switch the RF output and all modulation off."""
        self.configure_output_enabled(False)
        self.disable_all_modulation()

    @abstractmethod
    def configure_rf(self, frequency_hz: float, level_dbm: float) -> None:
        """Set carrier frequency and level, checked against its own answer."""

    @abstractmethod
    def set_level_dbm(self, level_dbm: float) -> None:
        """Set the level."""

    @abstractmethod
    def read_level_dbm(self) -> float:
        """Return the level it says it is set to."""

    @abstractmethod
    def configure_output_enabled(self, enabled: bool) -> None:
        """Switch the RF output, confirmed by read-back."""

    @abstractmethod
    def read_output_enabled(self) -> bool:
        """Return whether the RF output is on."""

    @abstractmethod
    def disable_all_modulation(self) -> None:
        """Leave the carrier unmodulated."""

    @abstractmethod
    def configure_fm(self, deviation_hz: float, tone_hz: float) -> None:
        """Frequency-modulate with a sine of ``tone_hz`` to ``deviation_hz`` peak."""

    @abstractmethod
    def configure_am(self, depth_percent: float, tone_hz: float) -> None:
        """Amplitude-modulate with a sine of ``tone_hz`` to ``depth_percent``."""

    def configure_second_tone(self, deviation_hz: float, tone_hz: float) -> None:
        """Add FM with a sine of ``tone_hz`` by a second source, beside the FM that is there; what it made before ends."""
        raise self._cannot("modulate with a second source of FM")

    def configure_second_code(self, deviation_hz: float, bits: str, bit_rate: float) -> None:
        """Add FM by a second source with ``bits`` (1 is up), again and again, ``bit_rate`` of them in a second."""
        raise self._cannot("modulate with a second source of FM")

    def disable_second(self) -> None:
        """Switch the second source off; the FM that is there stays."""
        raise self._cannot("modulate with a second source of FM")

    @abstractmethod
    def wait_until_settled(self, max_s: float) -> None:
        """Wait for its own word that level and frequency stand; NotSettled after ``max_s``."""


class PowerMeter(Instrument):
    """An RF power meter (IviPwrMeter)."""

    @abstractmethod
    def set_correction_frequency_hz(self, frequency_hz: float) -> None:
        """Tell the sensor which carrier it measures."""

    @abstractmethod
    def read_power_dbm(self) -> Reading:
        """Return the average power at its own connector, dBm."""

    def read_peak_envelope_dbm(self) -> Reading:
        """Return the peak envelope power at its own connector, dBm."""
        raise self._cannot("read peak envelope power")

    @abstractmethod
    def zero(self) -> None:
        """Zero the sensor; RF must be off."""


class Voltmeter(Instrument):
    """A DC voltmeter (IviDmm), on the signal-meter line."""

    @abstractmethod
    def read_voltage_v(self, reading_s: float) -> Reading:
        """Return the DC voltage, V, averaged over about ``reading_s`` seconds."""


class Supply(Instrument):
    """A DC supply that feeds the unit (IviDCPwr)."""

    reads_voltage: bool = True
    """Whether `read_voltage_v` is a reading of its own, which asks nobody."""

    @abstractmethod
    def configure_voltage(self, voltage_v: float, current_limit_a: float) -> None:
        """Set voltage and current limit."""

    @abstractmethod
    def configure_output_enabled(self, enabled: bool) -> None:
        """Switch the output, confirmed by read-back."""

    @abstractmethod
    def read_voltage_v(self) -> Reading:
        """Return the voltage at its terminals, V."""

    @abstractmethod
    def read_current_a(self) -> Reading:
        """Return the current it delivers, A."""


class Switch(Instrument):
    """The RF path switch (IviSwtch): the unit's connector goes to the generator or to the load and meters."""

    @abstractmethod
    def connect(self, path: Literal["receive", "transmit"]) -> None:
        """Route the unit to ``"receive"`` or ``"transmit"``, confirmed by read-back and debounced."""

    def connect_check(self) -> None:
        """Join generator and power meter, the unit's connector open, confirmed by read-back and debounced. Refused by a switch without."""
        raise self._cannot("join generator and power meter")

    @abstractmethod
    def read_path(self) -> Literal["receive", "transmit", "check", "open", "both"]:
        """Return where the unit's connector goes; ``"check"``: nowhere, generator and power meter are joined.

        ``"both"`` is a fault of the switch that no one may key into.
        """


class Radio(Instrument):
    """The unit's own controls: channel, mode, push-to-talk. No IVI class exists."""

    @abstractmethod
    def set_channel(self, channel: int) -> None:
        """Select a channel, confirmed by read-back."""

    @abstractmethod
    def set_mode(self, mode: Literal["FM", "AM", "USB", "LSB", "CW"]) -> None:
        """Select ``"FM"``, ``"AM"``, ``"USB"``, ``"LSB"`` or ``"CW"``, confirmed by read-back."""

    def read_channel(self) -> int | None:
        """Return the channel it stands on, by its own word; None where it cannot tell."""
        return None

    def note_supply_was_off(self) -> None:  # nothing to do for a radio that is set anew for each check
        """Take note that the unit was without supply: what was selected on it may be gone."""

    def set_preset(self, name: str, value: int) -> None:
        """Store a setting of the unit, a whole number, under its own name for it; confirmed by read-back. Refused where it cannot."""
        raise self._no_presets()

    def read_preset(self, name: str) -> int:
        """Return a setting of the unit, by its own word. Refused where it cannot be asked."""
        raise self._no_presets()

    def _no_presets(self) -> Refused:
        return Refused(
            "its settings cannot be written by the tool",
            instrument=self.name,
            address=self.address,
            next_move="Let a person turn or set it ('turn' in place of 'write'), or add 'preset' to the radio's profile.",
        )

    @abstractmethod
    def key(self) -> None:
        """Key the transmitter."""

    def keep_keyed(self, seconds: float) -> None:  # the bench keeps time for a radio that it keys
        """Have the person who keys keep PTT pressed for ``seconds`` before what is read next."""

    def hold_key(self) -> None:  # a radio that a person does not key is keyed by then
        """Have PTT pressed by now, for instruments that read by themselves; nothing to do where `key` has pressed it."""

    def release_with_reading(self) -> None:  # a bench that keys by itself releases by itself
        """Have the person who holds PTT let go with the next reading of a dial."""

    @abstractmethod
    def unkey(self) -> None:
        """Release PTT."""

    @property
    def ordered_s(self) -> tuple[float, float] | None:
        """Between which moments of the bench's clock its last order went out and was answered; None where it does not note it."""
        return None

    @abstractmethod
    def read_keyed(self) -> bool:
        """Return whether the push-to-talk line is closed."""
