"""The transmit side: the key and no generator; the unit is keyed for as long as readings need it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from weakref import WeakMethod, ref

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotSettled, Refused
from drivers.roles import (
    AudioAnalyser,
    Emission,
    Instrument,
    ModulationAnalyser,
    PeakSide,
    PowerMeter,
    RangeState,
    Reading,
    Samples,
    Supply,
)
from sequencer.safety.key import Key
from sequencer.safety.plausible import Span
from sequencer.safety.release import CURRENT, ENVELOPE, FREQUENCY, IDLE_CURRENT, POWER, SILENT_DBM
from sequencer.safety.side import Side, present
from sequencer.safety.supply import SupplyFacts, SupplyLine
from sequencer.safety.watch import Taken, Watch

WAIT_PART_S = 1.0
SUPPLY_READINGS = 2  # a second one where the first is none


class TransmitSide(Side):
    """Generator off, path on load and meters; the unit is keyed for as long as readings need it."""

    __slots__ = (
        "_analyser",
        "_audio",
        "_bounds_s",
        "_carrier_seen",
        "_in_one_go",
        "_key",
        "_loss_db",
        "_meter",
        "_select",
        "_spans",
        "_supply",
        "_supply_line",
        "_under_load",
        "_unseen",
        "_watch",
    )

    def __init__(
        self,
        *,
        key: Key,
        meter: PowerMeter | None,
        analyser: ModulationAnalyser | None,
        audio: AudioAnalyser | None,
        supply: Supply | None,
        clock: Clock,
        loss_db: Callable[[float], float],
        frequency_hz: float,
        supply_line: SupplyLine,
        select: Callable[[int], None],
        bounds_s: dict[str, float],
        spans: Callable[[float], Mapping[str, Span]] = lambda frequency_hz: {},
    ) -> None:
        super().__init__(clock, frequency_hz)
        self._key = key
        self._meter = meter
        self._analyser = analyser
        self._audio = audio
        self._supply = supply
        self._loss_db = loss_db
        # Weak, so that no path of attributes leads from a side to the bench and its generator.
        self._supply_line = ref(supply_line)
        self._select = WeakMethod(select)
        self._bounds_s = bounds_s
        self._spans = spans
        self._watch = Watch()
        self._carrier_seen: bool | None = None
        self._in_one_go = False
        self._under_load = False  # whether the terminals were read with this voltage and the unit keyed
        self._unseen = False  # whether the analyser has read since it last counted the carrier

    def read_power_dbm(self) -> Reading:
        """Return the power at the unit's antenna connector, dBm: the meter's answer plus the transmit path's loss."""
        meter = present(self._meter, "power_meter")
        return self._power(POWER, meter, meter.read_power_dbm)

    def read_peak_envelope_dbm(self) -> Reading:
        """Return the peak envelope power at the unit's antenna connector, dBm."""
        meter = present(self._meter, "power_meter")
        return self._power(ENVELOPE, meter, meter.read_peak_envelope_dbm)

    def read_frequency_hz(self) -> Reading:
        """Return the carrier frequency, Hz."""
        return self._analysed(FREQUENCY, self._analysing().read_frequency_hz)

    def read_deviation_hz(self, side: PeakSide) -> Reading:
        """Return the peak deviation of one side of the carrier, Hz."""
        analyser = self._analysing()
        return self._analysed(f"deviation, {side}", lambda: analyser.read_deviation_hz(side))

    def read_rms_deviation_hz(self) -> Reading:
        """Return the rms deviation, Hz."""
        return self._analysed("rms deviation", self._analysing().read_rms_deviation_hz)

    def read_depth_percent(self, side: PeakSide) -> Reading:
        """Return the peak AM depth of one side of the carrier, percent."""
        analyser = self._analysing()
        return self._analysed(f"depth, {side}", lambda: analyser.read_depth_percent(side))

    def read_rms_depth_percent(self) -> Reading:
        """Return the rms AM depth, percent."""
        return self._analysed("rms depth", self._analysing().read_rms_depth_percent)

    def configure_analyser(
        self,
        emission: Emission,
        *,
        high_pass_hz: float | None = None,
        low_pass_hz: float | None = None,
        deemphasis_s: float | None = None,
    ) -> None:
        """Choose demodulator and audio filters of the analyser; the key is released first: nothing is read here."""
        self.rest()
        analyser = self._analysing()
        analyser.configure_demodulator(emission)
        analyser.configure_filters(
            high_pass_hz=high_pass_hz, low_pass_hz=low_pass_hz, deemphasis_s=deemphasis_s
        )

    def read_distortion_percent(self) -> Reading:
        """Return distortion and noise of the demodulated audio, percent of the whole."""
        return self._analysed("distortion", self._analysing().read_distortion_percent)

    def read_selective_dbm(self, offset_hz: float, bandwidth_hz: float) -> Reading:
        """Return the level of what lies ``offset_hz`` from the channel's frequency, dBm at the unit's antenna connector."""
        analyser, at_hz = self._analysing(), self.frequency_hz + offset_hz
        return self._keyed(
            "modulation_analyser",
            f"selective level at {offset_hz:+g} Hz",
            analyser,
            lambda: self._at_connector(analyser.read_selective_dbm(at_hz, bandwidth_hz)),
            answers=3.0,
        )

    def capture_audio(self, seconds: float, rate_hz: float) -> Samples:
        """Record the demodulated audio, in Hz of deviation or percent of depth."""
        analyser = self._analysing()
        self._refuse_if_left()
        self._allow("modulation_analyser", seconds + 4.0 * self._bounds_s.get("modulation_analyser", 2.0))
        self._unseen = True
        return self._watch.record(
            "demodulated audio", analyser, lambda: analyser.capture_audio(seconds, rate_hz)
        )

    def capture_baseband(self, seconds: float, rate_hz: float) -> Samples:
        """Record complex samples about the channel's frequency, V peak."""
        analyser = self._analysing()
        self._refuse_if_left()
        self._allow("modulation_analyser", seconds + 4.0 * self._bounds_s.get("modulation_analyser", 2.0))
        self._unseen = True
        return self._watch.record("baseband", analyser, lambda: analyser.capture_baseband(seconds, rate_hz))

    def set_supply(self, voltage_v: float) -> None:
        """Feed the unit with another voltage, unkeyed. Refused above the supply's `max_voltage`."""
        self.rest()
        self._under_load = False
        if (line := self._supply_line()) is not None:
            line.feed(voltage_v)

    def supply_facts(self) -> SupplyFacts | None:
        """Return with what the unit is fed, and whether the terminals were read; None where nobody stated it."""
        return line.facts if (line := self._supply_line()) is not None else None

    def select(self, channel: int, frequency_hz: float) -> None:
        """Go to another channel, unkeyed; meters and losses follow to ``frequency_hz``."""
        self.rest()
        if (choose := self._select()) is not None:
            choose(channel)
        self._frequency_hz = frequency_hz
        if self._meter is not None:
            self._meter.set_correction_frequency_hz(frequency_hz)
        if self._analyser is not None:
            self._analyser.tune_hz(frequency_hz)

    def read_idle_current_a(self) -> Reading:
        """Return the supply current while unkeyed, A."""
        self.rest()
        supply = present(self._supply, "supply")
        span = self._spans(self.frequency_hz).get(CURRENT)
        return self._watch.read(IDLE_CURRENT, supply, supply.read_current_a, span=span)

    def read_supply_voltage_v(self) -> Reading:
        """Return the voltage at the supply's terminals while keyed, V."""
        supply = present(self._supply, "supply")
        return self._keyed("supply", "supply voltage", supply, supply.read_voltage_v)

    def read_supply_current_a(self) -> Reading:
        """Return the supply current while keyed, A."""
        supply = present(self._supply, "supply")
        return self._keyed("supply", CURRENT, supply, supply.read_current_a)

    def apply_audio(self, *, tone_hz: float, level_v: float) -> None:
        """Drive the microphone input with ``level_v`` V rms at ``tone_hz``; the key is released if it might last too long."""
        self._refuse_if_left()
        audio = present(self._audio, "audio_analyser")
        self._release_unless_room(3.0 * self._bounds_s.get("audio_analyser", 2.0))
        audio.configure_source(tone_hz, level_v)
        audio.configure_source_enabled(True)

    def apply_two_tones(self, *, tones_hz: tuple[float, float], level_v: float) -> None:
        """Drive the microphone input with two equal tones, each ``level_v`` V rms; the key is released first."""
        self.rest()
        audio = present(self._audio, "audio_analyser")
        audio.configure_second_tone(tones_hz[1], level_v)
        audio.configure_source(tones_hz[0], level_v)
        audio.configure_source_enabled(True)

    def remove_second_tone(self) -> None:
        """Take the second tone away; the key is released first."""
        self.rest()
        present(self._audio, "audio_analyser").configure_second_tone(1000.0, 0.0)

    def remove_audio(self) -> None:
        """Switch the audio source off, so that the carrier is unmodulated; the key is released if it might last too long."""
        self._refuse_if_left()
        self._release_unless_room(2.0 * self._bounds_s.get("audio_analyser", 2.0))
        present(self._audio, "audio_analyser").configure_source_enabled(False)

    def wait_s(self, seconds: float) -> None:
        """Let time pass keyed, on the bench's clock; a long wait is keyed in parts, with the rests that the duty owes."""
        self._refuse_if_left()
        if not math.isfinite(seconds):
            raise ValueError(f"cannot wait {seconds} s")
        # Half, because the press before it takes its share.
        longest_s = min(WAIT_PART_S, self._key.longest_step_s / 2.0)
        if longest_s <= 0.0:
            self._key.allow(WAIT_PART_S)  # refuses, and says why
        remaining_s = seconds
        while remaining_s > 0:
            part_s = min(remaining_s, longest_s)
            self._allow("waiting", part_s)
            self._clock.wait_s(part_s)
            remaining_s -= part_s

    def hold_keyed_s(self, seconds: float) -> None:
        """Key the unit and keep it keyed for ``seconds`` in one go; the readings until the next `rest` belong to the same key-down.

        Room is kept for a power reading and the release. Refused where no key-down may last so long. A reading for which the same
        key-down has no room any more raises NotSettled: a fresh key-down would meet a unit that has cooled.
        """
        self.rest()
        if self._key.is_by_hand:  # the person is told how long; see `drivers.operator.hand_key`
            self.wait_s(seconds)
            return
        self._key.allow(seconds + self._bounds_s.get("power_meter", 2.0))
        self._see_supply(seconds + self._bounds_s.get("power_meter", 2.0))
        self._in_one_go = True
        until_s = self._clock.now_s() + seconds
        while (remaining_s := until_s - self._clock.now_s()) > 0.0:
            self._clock.wait_s(min(remaining_s, WAIT_PART_S))

    def pause_s(self, seconds: float) -> None:
        """Let time pass unkeyed, on the bench's clock."""
        self.rest()
        self._clock.wait_s(seconds)

    def rest(self) -> None:
        """Release the key until the next reading; before that the analyser shows that it still sees the carrier it read by."""
        self._refuse_if_left()
        self._in_one_go = False
        if self._key.is_down:
            try:
                self.confirm_carrier()
            finally:
                self._key.release()

    def confirm_carrier(self) -> None:
        """Count the carrier once more where the analyser has read something else, while the unit is still keyed.

        The one figure that is known beforehand: an analyser that gives another, by now, has not read what it was asked before either.
        Raises UnexpectedReply for one that cannot be. An analyser that does not count, or finds no carrier to count (SSB), proves nothing.
        """
        analyser, bound_s = self._analyser, self._bounds_s.get("modulation_analyser", 2.0)
        is_due = self._unseen and self._key.is_down and self._key.has_room(2.0 * bound_s)
        if analyser is None or analyser.manual or not is_due:
            return
        self._unseen = False
        span = self._spans(self.frequency_hz).get(FREQUENCY)
        with suppress(Refused):
            self._watch.read(FREQUENCY, analyser, analyser.read_frequency_hz, span=span, proves=True)

    def _analysing(self) -> ModulationAnalyser:
        return present(self._analyser, "modulation_analyser")

    def _at_connector(self, reading: Reading) -> Reading:
        if reading.number is None:
            return reading
        return replace(reading, number=reading.number + self._loss_db(self.frequency_hz))

    @property
    def taken(self) -> Mapping[str, Taken]:
        """The last number of each kind that was read, for the proof that it came from the unit."""
        return self._watch.taken

    @property
    def carrier_seen(self) -> bool | None:
        """Say whether the power meter saw the unit while it was keyed; None where it was not asked."""
        return self._carrier_seen

    @property
    def stands_still(self) -> bool:
        """Say whether an instrument gave the same answer each time."""
        return bool(self._watch.always_alike())

    def _power(self, name: str, meter: PowerMeter, read: Callable[[], Reading]) -> Reading:
        reading = self._keyed("power_meter", name, meter, lambda: self._noted(self._at_connector(read())))
        if reading.state is RangeState.OVER_RANGE:
            self.rest()
            self._key.bar(
                "the power meter read over range twice: PTT is not pressed for it any more",
                "Put more attenuation before the power meter, or look at the unit.",
            )
        return reading

    def _noted(self, reading: Reading) -> Reading:
        """Note whether the power meter sees the unit's carrier."""
        if reading.number is not None:
            self._carrier_seen = bool(self._carrier_seen) or reading.number > SILENT_DBM
        elif reading.state is not RangeState.NO_MEASUREMENT:
            self._carrier_seen = bool(self._carrier_seen) or reading.state is RangeState.OVER_RANGE
        return reading

    def _analysed(self, name: str, read: Callable[[], Reading]) -> Reading:
        reading = self._keyed("modulation_analyser", name, self._analysing(), read)
        if reading.number is None and self._carrier_seen is None:
            self._ask_meter()
        return reading

    def _ask_meter(self) -> None:
        """Ask the power meter too, where the analyser sees nothing: a unit elsewhere in frequency is still seen by it."""
        if self._meter is None or self._meter.manual:
            return
        with suppress(InstrumentFault):  # a meter that fails has seen nothing and missed nothing
            self._allow("power_meter", self._bounds_s.get("power_meter", 2.0))
            self._noted(self._at_connector(self._meter.read_power_dbm()))

    def _keyed(
        self,
        role: str,
        name: str,
        instrument: Instrument,
        read: Callable[[], Reading],
        *,
        answers: float = 1.0,
    ) -> Reading:
        """Read keyed; ``answers`` is how many answers the reading waits for."""
        self._refuse_if_left()
        if instrument is self._analyser:
            self._unseen = name != FREQUENCY

        def keyed() -> Reading:
            self._allow(role, answers * self._bounds_s.get(role, 2.0))
            return read()

        span = self._spans(self.frequency_hz).get(name.partition(" at ")[0])
        return self._watch.read(name, instrument, keyed, span=span, again=read)

    def _allow(self, role: str, step_max_s: float) -> None:
        if self._in_one_go and not self._key.has_room(step_max_s):
            self.rest()
            raise NotSettled(
                "the unit has transmitted as long as 'max_key_time' allows, and the readings were not done; PTT was released",
                instrument=role,
                address="while PTT was pressed",
                next_move="Lower 'keyed_for' or 'readings', or raise 'max_key_time' if the unit allows it.",
            )
        self._key.allow(step_max_s)
        self._see_supply(step_max_s)

    def _see_supply(self, step_max_s: float) -> None:
        """See once with each voltage that the terminals give it under load, where there is time for that before the step."""
        if self._under_load or self._in_one_go or (line := self._supply_line()) is None:
            return
        if self._key.has_room(step_max_s + SUPPLY_READINGS * self._bounds_s.get("supply", 2.0)):
            line.confirm_voltage()
            self._under_load = True

    def _release_unless_room(self, step_max_s: float) -> None:
        if self._key.is_down and not self._key.has_room(step_max_s):
            self._key.release()
