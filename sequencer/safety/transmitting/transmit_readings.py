"""What the transmit side reads a keyed unit by: power, modulation, and what it draws."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace

from typing_extensions import override

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, NotSettled
from drivers.roles import ModulationAnalyser, PeakSide, PowerMeter, RangeState, Reading, Samples, Supply
from sequencer.safety.control.key import Key
from sequencer.safety.control.side import present
from sequencer.safety.control.supply import SupplyLine
from sequencer.safety.proofs.plausible import Span
from sequencer.safety.proofs.release import (
    CURRENT,
    ENVELOPE,
    FREQUENCY,
    IDLE_CURRENT,
    POWER,
    SILENT_DBM,
    still,
)
from sequencer.safety.proofs.watch import LastReading
from sequencer.safety.transmitting.carriers import Carriers
from sequencer.safety.transmitting.transmit_key import KeyedSide

LOOKS_S = (0.0, 0.05, 0.1, 0.2)
"""Pauses before each look for the carrier: a transmitter comes up, and a meter averages. Common practice, no source."""

MOST_COMING = 3
"""How often a recording is made anew in which the carrier was still coming up."""

RECORDED_FALL_DB = 10.0
"""What the recorded power falls by at least once the unit is released: a carrier is far above all else. Common practice, no source."""
NOTHING_RECORDED = 1e-30


class ShownBefore(NotConfirmed):
    """The power meter shows a carrier before PTT was pressed: it does not respond, or the unit transmits by itself."""


class TransmitReadings(KeyedSide):
    """The keyed unit, and the instruments that read it. Powers are at the unit's antenna connector, dBm."""

    __slots__ = ("_carrier_seen", "_looked", "_loss_db", "_meter", "_note_unseen", "_supply")

    def __init__(
        self,
        *,
        key: Key,
        meter: PowerMeter | None,
        analyser: ModulationAnalyser | None,
        supply: Supply | None,
        clock: Clock,
        loss_db: Callable[[float], float],
        frequency_hz: float,
        supply_line: SupplyLine,
        bounds_s: dict[str, float],
        spans: Callable[[float], Mapping[str, Span]],
        has_carrier: bool,
        carriers: Carriers | None,
        spacing_hz: float | None,
        note_unseen: Callable[[], None] | None = None,
    ) -> None:
        super().__init__(
            key=key,
            analyser=analyser,
            clock=clock,
            frequency_hz=frequency_hz,
            supply_line=supply_line,
            bounds_s=bounds_s,
            spans=spans,
            has_carrier=has_carrier,
            carriers=carriers,
            spacing_hz=spacing_hz,
        )
        self._meter = meter
        self._supply = supply
        self._loss_db = loss_db
        self._note_unseen = note_unseen or (lambda: None)
        self._looked = False
        self._carrier_seen: bool | None = None

    @property
    @override
    def _reads_by_hand(self) -> bool:
        return all(one is None or one.manual for one in (self._meter, self._analyser))

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

    @property
    def bandwidth_made_hz(self) -> float | None:
        """The bandwidth of the last selective reading, Hz, by the analyser's own word; None where it does not say."""
        return self._analysing().bandwidth_made_hz

    def capture_audio(self, seconds: float, rate_hz: float) -> Samples:
        """Record the demodulated audio, in Hz of deviation or percent of depth."""
        analyser = self._analysing()
        self._refuse_if_left()
        self._allow("modulation_analyser", seconds + 4.0 * self._bounds_s.get("modulation_analyser", 2.0))
        self._unseen = self._unfed = True
        return self._watch.record(
            "demodulated audio", analyser, lambda: analyser.capture_audio(seconds, rate_hz)
        )

    def capture_baseband(self, seconds: float, rate_hz: float) -> Samples:
        """Record complex samples about the channel's frequency, V peak, of a carrier that was there from the first of them.

        A recording in which the carrier was still coming up is made anew, and further presses wait as long as it took. Raises NotSettled
        where it still is in the third.
        """
        analyser = self._analysing()
        step_s = seconds + 4.0 * self._bounds_s.get("modulation_analyser", 2.0)
        lacked_s = 0.0
        for _ in range(MOST_COMING):
            self._refuse_if_left()
            self._allow("modulation_analyser", step_s)
            self._unseen = self._unfed = True
            samples = self._watch.record(
                "baseband", analyser, lambda: analyser.capture_baseband(seconds, rate_hz)
            )
            lacked_s = self._still_coming_s(samples)
            if lacked_s <= 0.0:
                return samples
            self._key.note_coming(len(samples.content) / samples.rate_hz - lacked_s)
        raise NotSettled(
            f"the carrier was still coming up in {MOST_COMING} recordings after another, in the last of them for {lacked_s * 1e3:.3g} ms",
            instrument=analyser.name,
            address=analyser.address,
            next_move="See by 'time_to_power' how long the unit takes, and whether its power comes back by itself while PTT is pressed.",
        )

    def _still_coming_s(self, samples: Samples) -> float:
        """Return for how long of a recording the carrier was still coming up, s: without a carrier (SSB) nothing says so."""
        if not self._has_carrier:
            return 0.0
        from sequencer.dsp.keying import still_coming_s

        return still_coming_s(samples.content, samples.rate_hz)

    def confirm_baseband_falls(self, keyed: Samples) -> None:
        """Record once more with PTT released: what was recorded ``keyed`` is of the unit where it has gone with it.

        Raises UnexpectedReply where the recorded power has not fallen by `RECORDED_FALL_DB`.
        """
        analyser = self._analysing()
        self._unkey()
        seconds = len(keyed.content) / keyed.rate_hz
        with analyser.unkeyed():
            released = self._watch.record(
                "baseband", analyser, lambda: analyser.capture_baseband(seconds, keyed.rate_hz)
            )
        before_db, after_db = _recorded_db(keyed), _recorded_db(released)
        if not before_db - after_db >= RECORDED_FALL_DB:
            taken = LastReading(instrument=analyser, number=before_db, again=lambda: Reading(number=after_db))
            raise still("baseband", taken, f"{after_db:.1f} dB where {before_db:.1f} dB was recorded")

    def read_idle_current_a(self) -> Reading:
        """Return the supply current while unkeyed, A."""
        self._unkey()
        supply = present(self._supply, "supply")
        span = self._spans(self.frequency_hz).get(CURRENT)
        return self._watch.read(IDLE_CURRENT, supply, supply.read_current_a, span=span)

    def read_supply_current_a(self) -> Reading:
        """Return the supply current while keyed, A."""
        supply = present(self._supply, "supply")
        return self._keyed("supply", CURRENT, supply, supply.read_current_a)

    def _analysing(self) -> ModulationAnalyser:
        return present(self._analyser, "modulation_analyser")

    def _at_connector(self, reading: Reading) -> Reading:
        if reading.number is None:
            return reading
        return replace(reading, number=reading.number + self._loss_db(self.frequency_hz))

    def _power(self, name: str, meter: PowerMeter, read: Callable[[], Reading]) -> Reading:
        reading = self._keyed("power_meter", name, meter, lambda: self._noted(self._at_connector(read())))
        if reading.state is RangeState.OVER_RANGE:
            self._unkey()
            self._key.bar(
                "the power meter read over range twice: PTT is not pressed for it any more",
                "Put more attenuation before the power meter, or look at the unit.",
            )
        return reading

    def _noted(self, reading: Reading) -> Reading:
        """Note whether the power meter sees the unit's carrier."""
        if (shows := self._shows_carrier(reading)) is not None:
            self._carrier_seen = bool(self._carrier_seen) or shows
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

    def _prove_path(self, step_max_s: float) -> None:
        """See that the power meter shows nothing before the run's first key-down, and the carrier as soon as PTT is pressed.

        A unit whose relay closes late is given as long after each press from then on.

        A contact that stuck reads back as it was set: then the unit is keyed for these few readings and not for the check's. What shows
        nothing in SSB without a tone, to a person, or within a `max_key_time` without room, is left to the check's own readings.
        """
        meter, bound_s = self._meter, self._bounds_s.get("power_meter", 2.0)
        if self._key.path_is_proved or self._looked or meter is None or meter.manual:
            return
        self._looked = True
        if self._key.presses == 0:
            self._confirm_silence(meter)
        if not self._has_carrier or step_max_s + 2.0 * bound_s > self._key.longest_step_s:
            return
        self._key.allow(step_max_s + bound_s)
        seen: bool | None = None
        is_late = False
        for pause_s in LOOKS_S:
            if seen or not self._key.has_room(step_max_s + pause_s + bound_s):
                break
            self._clock.wait_s(pause_s)
            try:
                is_late = seen is False
                seen = self._shows_carrier(self._at_connector(meter.read_power_dbm()))
            except InstrumentFault:  # a meter that fails has seen nothing and missed nothing
                return
        if seen is False:
            self._looked = False
            self._key.release()
            self._key.note_carrier(seen=False)
            self._note_unseen()
            raise NotSettled(
                "PTT was pressed and it saw nothing of the unit, so that PTT was released at once; the switch's own word says nothing of a "
                "contact that stuck",
                instrument=meter.name,
                address=meter.address,
                next_move="Follow the cable from the unit through the path switch to the load and the meter, see that the switch moves and "
                "that the meter responds; then check whether the unit transmits.",
            )
        if seen:
            if is_late:
                self._key.note_late()
            self._key.note_carrier(seen=True)
            self._carrier_seen = True

    def _confirm_silence(self, meter: PowerMeter) -> None:
        """Raise ShownBefore where the power meter shows a carrier before PTT was ever pressed: what it shows later is not the unit's."""
        reading = Reading(number=None)
        for pause_s in LOOKS_S:
            self._clock.wait_s(pause_s)
            try:
                reading = self._at_connector(meter.read_power_dbm())
            except InstrumentFault:
                return
            if not self._shows_carrier(reading):
                return
        shown = reading.state.value if reading.number is None else f"{reading.number:.1f} dBm"
        raise ShownBefore(
            f"it shows {shown} at the antenna connector before PTT was pressed: it does not respond to the unit, or something "
            "transmits already; PTT was not pressed",
            instrument=meter.name,
            address=meter.address,
            reply=reading.raw,
            next_move="Check whether its display moves, whether the unit transmits by itself, and what else is connected.",
        )

    @staticmethod
    def _shows_carrier(reading: Reading) -> bool | None:
        """Say whether a power, dBm at the antenna connector, is that of a transmitter; None for no measurement."""
        if reading.number is not None:
            return reading.number > SILENT_DBM
        return None if reading.state is RangeState.NO_MEASUREMENT else reading.state is RangeState.OVER_RANGE

    @property
    def carrier_seen(self) -> bool | None:
        """Say whether the power meter saw the unit while it was keyed; None where it was not asked."""
        return self._carrier_seen


def _recorded_db(samples: Samples) -> float:
    """Return the mean power of a recording, dB; not a number where it holds what is none."""
    import numpy as np

    return 10.0 * math.log10(float(np.mean(np.abs(samples.content) ** 2)) + NOTHING_RECORDED)
