"""What the receive side feeds the unit with: the generators, their levels at the unit's antenna connector, dBm."""

from __future__ import annotations

from dataclasses import replace

from drivers.clock import Clock
from drivers.faults import Refused
from drivers.roles import SignalGenerator
from sequencer.safety.control.key import Ratings
from sequencer.safety.control.side import Side, present
from sequencer.safety.receiving.given_signal import Signal

GENERATOR_SETTLE_MAX_S = 2.0
SAME_LEVEL_DB = 0.006  # the last digit that is written, or read back: no generator stands so well
CLEAR_DBM = -70.0  # far above any threshold, and far below overload: workshop's own
PROOF_TONE_HZ, PROOF_DEVIATION_HZ, PROOF_DEPTH_PERCENT = 1000.0, 1200.0, 30.0


class SignalSide(Side):
    """The generators, and no level above the receiver's rating."""

    __slots__ = ("_generator", "_interferer", "_interferes", "_loss_db", "_mode", "_ratings", "_signal")

    def __init__(
        self,
        *,
        generator: SignalGenerator,
        interferer: SignalGenerator | None,
        clock: Clock,
        ratings: Ratings,
        loss_db: float,
        frequency_hz: float,
        mode: str,
    ) -> None:
        super().__init__(clock, frequency_hz)
        self._generator = generator
        self._interferer = interferer
        self._interferes = False
        self._ratings = ratings
        self._loss_db = loss_db
        self._mode = mode
        self._signal = Signal()

    @property
    def level_off_db(self) -> float:
        """How far a generator's level may be from the one asked for because it goes in steps, dB."""
        return max(one.level_off_db for one in (self._generator, self._interferer) if one is not None)

    def apply_carrier(self, level_dbm: float, *, offset_hz: float = 0.0) -> None:
        """Switch an unmodulated carrier on at ``level_dbm``, ``offset_hz`` from the channel. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._generator.disable_all_modulation()
        self._signal = Signal(level_dbm=level_dbm, tone_hz=abs(offset_hz) or None)
        self._generator.configure_rf(self.frequency_hz + offset_hz, level_dbm + self._loss_db)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def apply_am(self, level_dbm: float, *, depth_percent: float, tone_hz: float) -> None:
        """Switch a carrier with AM on at ``level_dbm`` (its unmodulated level). Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._signal = Signal(level_dbm=level_dbm, tone_hz=tone_hz)
        self._generator.configure_rf(self.frequency_hz, level_dbm + self._loss_db)
        self._generator.configure_am(depth_percent, tone_hz)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def apply_fm(self, level_dbm: float, *, deviation_hz: float, tone_hz: float) -> None:
        """Switch a carrier with FM on at ``level_dbm``. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._signal = Signal(level_dbm=level_dbm, tone_hz=tone_hz)
        self._generator.configure_rf(self.frequency_hz, level_dbm + self._loss_db)
        self._generator.configure_fm(deviation_hz, tone_hz)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def shift_carrier(self, level_dbm: float, *, by_hz: float) -> None:
        """Move the signal that is there to ``by_hz`` from the channel, at ``level_dbm``. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._signal = replace(self._signal, level_dbm=level_dbm)
        self._generator.configure_rf(self.frequency_hz + by_hz, level_dbm + self._loss_db)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def set_am(self, *, depth_percent: float, tone_hz: float) -> None:
        """Modulate the carrier that is there with AM."""
        self._refuse_if_left()
        self._generator.configure_am(depth_percent, tone_hz)

    def set_fm(self, *, deviation_hz: float, tone_hz: float) -> None:
        """Modulate the carrier that is there with FM."""
        self._refuse_if_left()
        self._generator.configure_fm(deviation_hz, tone_hz)

    def send_tone_below(self, tone_hz: float, *, deviation_hz: float) -> None:
        """Add FM with a sine by the generator's second source. Refused where it has none."""
        self._refuse_if_left()
        self._generator.configure_second_tone(deviation_hz, tone_hz)

    def send_code_below(self, bits: str, *, bit_rate: float, deviation_hz: float) -> None:
        """Add FM with bits, sent again and again, by the generator's second source. Refused where it has none."""
        self._refuse_if_left()
        self._generator.configure_second_code(deviation_hz, bits, bit_rate)

    def send_nothing_below(self) -> None:
        """Switch the second source off; the modulation by the first stays."""
        self._refuse_if_left()
        self._generator.disable_second()

    def set_level_dbm(self, level_dbm: float) -> float:
        """Change the level, wait until the generator says it stands, and return what it made of it. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        self._signal = replace(self._signal, level_dbm=level_dbm)
        self._generator.set_level_dbm(level_dbm + self._loss_db)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)
        return self._made_dbm(self._generator, level_dbm)

    def remove_modulation(self) -> None:
        """Leave the carrier that is there unmodulated."""
        self._refuse_if_left()
        self._signal = replace(self._signal, tone_hz=None)
        self._generator.disable_all_modulation()

    def remove_signal(self) -> None:
        """Switch the generator off, confirmed."""
        self._refuse_if_left()
        self._signal = replace(self._signal, is_on=False)
        self._generator.configure_output_enabled(False)

    def restore_signal(self) -> None:
        """Switch the generator on again as it was."""
        self._refuse_if_left()
        self._signal = replace(self._signal, is_on=True)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def apply_interferer(
        self,
        level_dbm: float,
        *,
        offset_hz: float,
        deviation_hz: float = 0.0,
        depth_percent: float = 0.0,
        tone_hz: float = 400.0,
    ) -> None:
        """Switch the second generator on, ``offset_hz`` from the channel, with FM, with AM or (both 0) without.

        Its level is at the antenna connector through the same path. Refused above the receiver's rating.
        """
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        second = present(self._interferer, "interferer")
        self._interferes = True
        second.configure_rf(self.frequency_hz + offset_hz, level_dbm + self._loss_db)
        if deviation_hz > 0:
            second.configure_fm(deviation_hz, tone_hz)
        elif depth_percent > 0:
            second.configure_am(depth_percent, tone_hz)
        else:
            second.disable_all_modulation()
        second.configure_output_enabled(True)
        second.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def set_interferer_dbm(self, level_dbm: float) -> float:
        """Change the second generator's level, and return the level that it made. Refused above the receiver's rating."""
        self._refuse_if_left()
        self._refuse_above_rating(level_dbm)
        second = present(self._interferer, "interferer")
        second.set_level_dbm(level_dbm + self._loss_db)
        second.wait_until_settled(GENERATOR_SETTLE_MAX_S)
        return self._made_dbm(second, level_dbm)

    def remove_interferer(self) -> None:
        """Switch the second generator off, confirmed."""
        self._refuse_if_left()
        present(self._interferer, "interferer").configure_output_enabled(False)

    def wait_s(self, seconds: float) -> None:
        """Let time pass on the bench's clock."""
        self._clock.wait_s(seconds)

    def _apply_clear(self, level_dbm: float = CLEAR_DBM) -> None:
        """Give the receiver a tone well above its threshold, as the mode makes one."""
        if self._mode == "FM":
            self.apply_fm(level_dbm, deviation_hz=PROOF_DEVIATION_HZ, tone_hz=PROOF_TONE_HZ)
        elif self._mode == "AM":
            self.apply_am(level_dbm, depth_percent=PROOF_DEPTH_PERCENT, tone_hz=PROOF_TONE_HZ)
        else:
            self.apply_carrier(level_dbm, offset_hz=self._beside * PROOF_TONE_HZ)

    def _apply_clear_interferer(self) -> None:
        """Let the second generator alone give the receiver such a tone."""
        self.remove_signal()
        self.apply_interferer(
            CLEAR_DBM,
            offset_hz=self._beside * PROOF_TONE_HZ,
            deviation_hz=PROOF_DEVIATION_HZ if self._mode == "FM" else 0.0,
            depth_percent=PROOF_DEPTH_PERCENT if self._mode == "AM" else 0.0,
            tone_hz=PROOF_TONE_HZ,
        )

    @property
    def _beside(self) -> float:
        """On which side of the dial an unmodulated carrier makes a tone."""
        return {"USB": 1.0, "LSB": -1.0}.get(self._mode, 0.0)

    def _made_dbm(self, generator: SignalGenerator, asked_dbm: float) -> float:
        """Return the level at the antenna connector that reads back; the one asked for where they are the same, or nobody says."""
        if generator.level_made_dbm is None:
            return asked_dbm
        made_dbm = generator.level_made_dbm - self._loss_db
        return asked_dbm if abs(made_dbm - asked_dbm) < SAME_LEVEL_DB else made_dbm

    def _refuse_above_rating(self, level_dbm: float) -> None:
        # Put this way round because a level that is not a number is not above anything.
        if not level_dbm + self.level_off_db <= self._ratings.max_receiver_input_dbm + 1e-9:
            raise Refused(
                f"{level_dbm:.1f} dBm into the unit refused; max_receiver_input is {self._ratings.max_receiver_input_dbm:g} dBm",
                instrument=self._generator.name,
                address=self._generator.address,
                next_move="Lower the level the check may use.",
            )
