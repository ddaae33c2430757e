"""The receive side: the generator and no key. Levels are at the unit's antenna connector, dBm.

Its signal stands in `sequencer.safety.receive_signal`, its readings in `receive_readings`; here it proves that they follow each other.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.faults import Refused, UnexpectedReply
from drivers.roles import Reading
from sequencer.safety.plausible import tone_span
from sequencer.safety.receive_readings import METER, ReceiveReadings
from sequencer.safety.release import still
from sequencer.safety.silence import TONE, confirm_tone_gone

SILENCE_V = 1e-3  # below it a loudspeaker is muted: common practice, no source
RESPONSE_S = 0.3  # until receiver and meter have followed: common practice, no source
STRONG_DBM = -40.0
PROOF_READING_S = 0.1


class ReceiveSide(ReceiveReadings):
    """Unit unkeyed, path on the generator, generator usable. Levels are at the unit's antenna connector, dBm."""

    __slots__ = ()

    def confirm_level_counts(
        self,
        quantity: str,
        read: Callable[[], Reading],
        *,
        is_same: Callable[[float], bool],
        levels_dbm: tuple[float, float],
        settle_s: float,
    ) -> None:
        """Raise UnexpectedReply where the reading stays the same (``is_same``) at the second of two levels as at the first.

        A generator may say that it stands at a level and stand at another: where a check reads at one level only, nothing else
        would tell. Read twice, because an instrument may still answer for the level before.
        """
        if self._generator.manual:
            return
        self.set_level_dbm(levels_dbm[1])
        self._clock.wait_s(settle_s)
        for _ in range(2):
            reading = read()
            if reading.number is None or not is_same(reading.number):
                return
        self.remove_signal()
        self._clock.wait_s(settle_s)
        silent = read()
        if silent.number is not None and is_same(silent.number):
            raise still(
                quantity,
                self._watch.taken[quantity],
                silent.raw,
                while_="with the generator off as with its signal",
            )
        raise UnexpectedReply(
            f"{quantity}: it reads the same at {levels_dbm[1]:g} dBm as at {levels_dbm[0]:g} dBm, so that it does not follow the "
            "level, which reads back as it was set",
            instrument=self._generator.name,
            address=self._generator.address,
            reply=reading.raw or f"{reading.number:g}",
            next_move="Measure its level with a power meter; look at its attenuator, at the path between it and the unit, and at "
            "whether the audio analyser's display moves.",
        )

    def confirm_response(self) -> None:
        """Raise UnexpectedReply for an instrument that does not respond to the unit, or gives what cannot be of it.

        One that gave one answer throughout gives it with the generator off too; the signal meter's line stays, to the last digit,
        where it was, with no signal as with a strong one; a tone that is known beforehand is none.
        """
        if self._generator.manual:
            return
        self._confirm_tone()
        self._confirm_line()
        self._confirm_alike()

    def confirm_silent(self) -> bool | None:
        """Switch the generator off and say whether its tone has gone; None where nothing can tell. NotConfirmed where it is still heard."""
        if (
            (audio := self._audio) is None
            or audio.manual
            or self._generator.manual
            or not self._signal.is_clear
        ):
            return None
        return confirm_tone_gone(
            self._generator,
            audio.read_audio_frequency_hz,
            self._watch.taken,
            self._clock,
            tone_hz=self._signal.tone_hz,
        )

    def _confirm_alike(self) -> None:
        standing = self._watch.always_alike()
        if not standing:
            return
        self._generator.configure_output_enabled(False)
        self._clock.wait_s(RESPONSE_S)
        for name in standing:
            taken = [one for one in self._watch.taken.items() if one[1].instrument.name == name]
            if all(one.number < SILENCE_V for quantity, one in taken if quantity == "audio level"):
                taken = [
                    one for one in taken if one[0] != "audio level"
                ]  # a muted receiver stands still, and is told as such
            readings = [(quantity, one, one.again()) for quantity, one in taken if not one.instrument.manual]
            if readings and all(again.number == one.number for _, one, again in readings):
                quantity, one, again = readings[0]
                raise still(quantity, one, again.raw, while_="with the generator off as with its signal")

    def _confirm_tone(self) -> None:
        """Count the loudspeaker's tone where the audio analyser was read, on the signal there is or on a strong one.

        The one figure that is known beforehand. A receiver that hears nothing hisses, within the band of speech too, or is silent.
        """
        audio = self._audio
        if audio is None or audio.manual or not self._watch.has_read(audio):
            return
        with suppress(Refused):
            if not self._signal.is_clear:
                self._apply_clear()
                self._clock.wait_s(RESPONSE_S)
            span = tone_span(self._signal.tone_hz)
            self._watch.read(
                TONE,
                audio,
                lambda: audio.read_audio_frequency_hz(PROOF_READING_S),
                span=span,
                patient=False,
                proves=True,
            )

    def _confirm_line(self) -> None:
        """Read the signal meter's line with no signal, and, where it stands as before, with a strong one."""
        meter, last = self._voltmeter, self._watch.taken.get(METER)
        if meter is None or meter.manual or last is None:
            return
        for strong in (False, True):
            if strong:
                self.apply_carrier(min(STRONG_DBM, self._ratings.max_receiver_input_dbm - self.level_off_db))
            else:
                self.remove_signal()
            self._clock.wait_s(RESPONSE_S)
            again = self.read_meter_v(PROOF_READING_S)
            if again.number is None or again.number != last.number:
                return
        raise still(METER, last, again.raw, while_="with no signal and with a strong one")
