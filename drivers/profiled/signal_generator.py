"""An RF signal generator on a command profile."""

from __future__ import annotations

import math

from typing_extensions import override

from drivers.faults import Refused
from drivers.profiled.base import ProfiledInstrument
from drivers.profiled.kept_settings import Setting
from drivers.roles import SignalGenerator

LEVEL_TOLERANCE_DB = 0.051  # a generator that rounds to 0.1 dB is right
COARSEST_STEP_DB = 1.0  # one that rounds to a decibel and says so is used, with its step in the budgets; one further off was not set
FREQUENCY_TOLERANCE_HZ = 1.0
_UNMODULATED = (
    Setting(name="fm_state", position=False, optional=True),
    Setting(name="am_state", position=False, optional=True),
    Setting(name="second_state", position=False, optional=True),
)
TONE_SHARE = 0.002  # of a sub-audible tone: its neighbour is 1.45 % away
RATE_SHARE = 0.001


class ProfiledSignalGenerator(ProfiledInstrument, SignalGenerator):
    """An RF signal generator; level 0 dBm is 1 mW into 50 ohm at its own connector."""

    @property
    @override
    def highest_dbm(self) -> float:
        high_dbm = self._limits.level_max_dbm
        return math.inf if high_dbm is None else high_dbm

    def prepare(self) -> None:
        """Start with the RF output off, whatever the reset of this make does."""
        self.configure_output_enabled(False)

    def disable(self) -> None:
        """Switch the RF output off, confirmed by read-back."""
        self.configure_output_enabled(False)

    def configure_rf(self, frequency_hz: float, level_dbm: float) -> None:
        """Set carrier frequency and level; the level is refused, unsent, outside the bench file's range."""
        self._refuse_level(level_dbm)
        self._set("frequency", frequency_hz, tolerance=FREQUENCY_TOLERANCE_HZ)
        self._make_level(level_dbm)

    def set_level_dbm(self, level_dbm: float) -> None:
        """Set the level; refused, unsent, outside the bench file's range."""
        self._refuse_level(level_dbm)
        self._make_level(level_dbm)

    def _make_level(self, level_dbm: float) -> None:
        self.level_made_dbm = None
        made_dbm = self._set("level", level_dbm, tolerance=COARSEST_STEP_DB / 2.0 + LEVEL_TOLERANCE_DB)
        if (off_db := abs(made_dbm - level_dbm)) > LEVEL_TOLERANCE_DB:
            self.level_off_db = max(self.level_off_db, off_db)
        self.level_made_dbm = made_dbm

    def read_level_dbm(self) -> float:
        """Return the level it says it is set to."""
        return self._read_number("level")

    def configure_output_enabled(self, enabled: bool) -> None:
        """Switch the RF output, confirmed by read-back."""
        self._set_switch("output", enabled)

    def read_output_enabled(self) -> bool:
        """Return whether the RF output is on."""
        return self._read_switch("output")

    def set_start_state(self) -> None:
        """Switch the RF output and all modulation off, each read back."""
        super().set_start_state()
        self._set_together(
            Setting(name="output", position=False), *_UNMODULATED, before=self._set_message("modulation_off")
        )

    def disable_all_modulation(self) -> None:
        """Leave the carrier unmodulated, FM and AM read back."""
        self._set_together(*_UNMODULATED, before=self._set_message("modulation_off"))

    def configure_fm(self, deviation_hz: float, tone_hz: float) -> None:
        """Frequency-modulate with a sine of ``tone_hz`` to ``deviation_hz`` peak; any other modulation is switched off."""
        self.disable_all_modulation()
        self._set("fm_deviation", deviation_hz, tolerance=0.005 * deviation_hz + 1.0)
        self._set("fm_tone", tone_hz, tolerance=FREQUENCY_TOLERANCE_HZ)
        self._set_switch("fm_state", True)

    def configure_am(self, depth_percent: float, tone_hz: float) -> None:
        """Amplitude-modulate with a sine of ``tone_hz`` to ``depth_percent``; any other modulation is switched off."""
        self.disable_all_modulation()
        self._set("am_depth", depth_percent, tolerance=0.1)
        self._set("am_tone", tone_hz, tolerance=FREQUENCY_TOLERANCE_HZ)
        self._set_switch("am_state", True)

    @override
    def configure_second_tone(self, deviation_hz: float, tone_hz: float) -> None:
        self._begin_second("tone", deviation_hz)
        self._set("second_tone", tone_hz, tolerance=TONE_SHARE * tone_hz)
        self._set_switch("second_state", True)

    @override
    def configure_second_code(self, deviation_hz: float, bits: str, bit_rate: float) -> None:
        self._begin_second("code", deviation_hz)
        self._set_word("second_bits", bits)
        self._set("second_bit_rate", bit_rate, tolerance=RATE_SHARE * bit_rate)
        self._set_switch("second_state", True)

    @override
    def disable_second(self) -> None:
        self._refuse_without("second_state")
        self._set_switch("second_state", False)

    def _begin_second(self, shape: str, deviation_hz: float) -> None:
        needed = ("second_tone",) if shape == "tone" else ("second_shape", "second_bits", "second_bit_rate")
        for name in ("second_state", "second_deviation", *needed):
            self._refuse_without(name)
        self._set_switch("second_state", False)
        if self._has("second_shape"):
            self._set_word("second_shape", shape)
        self._set("second_deviation", deviation_hz, tolerance=0.005 * deviation_hz + 1.0)

    def _refuse_without(self, name: str) -> None:
        if not self._has(name):
            raise self._cannot(f"modulate so with a second source of FM: its profile has no {name!r}")

    def wait_until_settled(self, max_s: float) -> None:
        """Wait for its own word that level and frequency stand, where it has one, and for the settling time of the bench file."""
        if self._has("settling"):
            self._wait_while("settling", max_s)
        self._clock.wait_s(self._settle_s)

    def _refuse_level(self, level_dbm: float) -> None:
        low, high = self._limits.level_min_dbm, self._limits.level_max_dbm
        least = -math.inf if low is None else low
        most = math.inf if high is None else high
        if not least - 1e-9 <= level_dbm <= most + 1e-9:  # written so that nan is refused too
            raise Refused(
                f"level {level_dbm:.1f} dBm refused; it offers {least:+.1f} to {most:+.1f} dBm",
                instrument=self.name,
                address=self.address,
                next_move="Change the level asked for, or 'level' in the bench file if it misstates the instrument.",
            )
