"""The transmit side: the key and no generator; the unit is keyed for as long as readings need it.

Its key stands in `sequencer.safety.transmitting.transmit_key`, its readings in `transmit_readings`; here is what is set between them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from weakref import WeakMethod

from drivers.clock import Clock
from drivers.faults import Refused
from drivers.roles import (
    AudioAnalyser,
    AudioFilters,
    Emission,
    ModulationAnalyser,
    PowerMeter,
    SpectrumAnalyser,
    Supply,
)
from sequencer.safety.control.key import Key
from sequencer.safety.control.side import present
from sequencer.safety.control.supply import SUPPLY_SETTLE_S, SupplyFacts, SupplyLine
from sequencer.safety.proofs.plausible import Span
from sequencer.safety.transmitting.carriers import Carriers
from sequencer.safety.transmitting.key_recordings import KeyRecordings

NO_FILTERS = AudioFilters()


class TransmitSide(KeyRecordings):
    """Generator off, path on load and meters; the unit is keyed for as long as readings need it."""

    __slots__ = ("_audio", "_remove_supply", "_select")

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
        remove_supply: Callable[[], None],
        bounds_s: dict[str, float],
        spans: Callable[[float], Mapping[str, Span]] = lambda frequency_hz: {},
        has_carrier: bool = True,
        carriers: Carriers | None = None,
        spacing_hz: float | None = None,
        note_unseen: Callable[[], None] | None = None,
        spectrum: SpectrumAnalyser | None = None,
    ) -> None:
        super().__init__(
            spectrum=spectrum,
            key=key,
            meter=meter,
            analyser=analyser,
            supply=supply,
            clock=clock,
            loss_db=loss_db,
            frequency_hz=frequency_hz,
            supply_line=supply_line,
            bounds_s=bounds_s,
            spans=spans,
            has_carrier=has_carrier,
            carriers=carriers,
            spacing_hz=spacing_hz,
            note_unseen=note_unseen,
        )
        self._audio = audio
        # Weak, so that no path of attributes leads from a side to the bench and its generator.
        self._select = WeakMethod(select)
        self._remove_supply = WeakMethod(remove_supply)

    def configure_analyser(self, emission: Emission, filters: AudioFilters = NO_FILTERS) -> None:
        """Choose demodulator and audio filters of the analyser; the key is released first: nothing is read here."""
        self._unkey()
        analyser = self._analysing()
        analyser.configure_demodulator(emission)
        analyser.configure_filters(
            high_pass_hz=filters.high_pass_hz,
            low_pass_hz=filters.low_pass_hz,
            deemphasis_s=filters.deemphasis_s,
        )

    @property
    def filters_made(self) -> AudioFilters | None:
        """What the analyser made of the audio filters, by its own word; None where it does not say."""
        return self._analysing().filters_made

    def set_supply(self, voltage_v: float) -> None:
        """Feed the unit with another voltage, unkeyed, and wait until it stands. Refused above the supply's `max_voltage`.

        Raises NotConfirmed where the terminals do not come to it.
        """
        self._unkey()
        self._under_load = False
        if (line := self._supply_line()) is not None:
            line.feed(voltage_v)
            line.confirm_voltage(patient=True)

    @contextmanager
    def unfed(self) -> Iterator[None]:
        """Take the supply from the unit, PTT released, and feed it again as it was: what is read meanwhile is not the unit's.

        Raises NotConfirmed where the terminals stay live, or do not come back; Refused where nobody stated what feeds it.
        """
        self._unkey()
        line, remove = self._supply_line(), self._remove_supply()
        if line is None or remove is None or line.fed_v is None:
            raise Refused(
                "nobody stated what the unit is fed with, so that it cannot be fed again",
                instrument="supply",
                address="this bench",
                next_move="State 'supply' in the sequence.",
            )
        fed_v = line.fed_v
        remove()
        try:
            yield
        finally:
            line.feed(fed_v)
            self._clock.wait_s(SUPPLY_SETTLE_S)
        line.confirm_voltage(patient=True)

    def supply_facts(self) -> SupplyFacts | None:
        """Return with what the unit is fed, and whether the terminals were read; None where nobody stated it."""
        return line.facts if (line := self._supply_line()) is not None else None

    def select(self, channel: int, frequency_hz: float) -> None:
        """Go to another channel, unkeyed; meters and losses follow to ``frequency_hz``.

        Where a reading was no number, what gave it is first asked for what it was set to: set anew, one that has restarted would
        leave no trace, and the unit would be blamed. Raises SettingLost.
        """
        self._unkey()
        self._goes_itself = True
        for one in (self._meter, self._analyser):
            if one is not None and not one.manual and one.name in self._without_number:
                one.confirm_settings()
        self._without_number.clear()
        if (choose := self._select()) is not None:
            choose(channel)
        self._frequency_hz = frequency_hz
        if self._meter is not None:
            self._meter.set_correction_frequency_hz(frequency_hz)
        if self._analyser is not None:
            self._analyser.tune_hz(frequency_hz)

    def apply_audio(self, *, tone_hz: float, level_v: float) -> None:
        """Drive the microphone input with ``level_v`` V rms at ``tone_hz``; the key is released if it might last too long."""
        self._refuse_if_left()
        audio = present(self._audio, "audio_analyser")
        self._release_unless_room(3.0 * self._bounds_s.get("audio_analyser", 2.0))
        audio.configure_source(tone_hz, level_v)
        audio.configure_source_enabled(True)

    def apply_two_tones(self, *, tones_hz: tuple[float, float], level_v: float) -> None:
        """Drive the microphone input with two equal tones, each ``level_v`` V rms; the key is released first."""
        self._unkey()
        audio = present(self._audio, "audio_analyser")
        audio.configure_second_tone(tones_hz[1], level_v)
        audio.configure_source(tones_hz[0], level_v)
        audio.configure_source_enabled(True)

    def remove_second_tone(self) -> None:
        """Take the second tone away; the key is released first."""
        self._unkey()
        present(self._audio, "audio_analyser").configure_second_tone(1000.0, 0.0)

    def remove_audio(self) -> None:
        """Switch the audio source off, so that the carrier is unmodulated; the key is released if it might last too long."""
        self._refuse_if_left()
        self._release_unless_room(2.0 * self._bounds_s.get("audio_analyser", 2.0))
        present(self._audio, "audio_analyser").configure_source_enabled(False)
