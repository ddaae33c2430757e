"""The check side: generator into power meter through the switch's own path, and no unit: its connector is open.

It is a loss side on which nobody moves anything. While it is held the unit is unkeyed, its PTT read open, and without supply; no key is in
anybody's reach here, and the generator is off before the switch moves and after. That it is off is not taken from its own word alone: the
power meter that is joined to it is read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any, NoReturn

from typing_extensions import override

from drivers.faults import InstrumentFault, Refused, UnexpectedReply
from drivers.roles import AudioAnalyser, PowerMeter, Reading, Supply, Voltmeter
from sequencer.safety.control.side import present
from sequencer.safety.control.supply import SUPPLY_SETTLE_S
from sequencer.safety.guard import GuardedBench
from sequencer.safety.loss import LossSide
from sequencer.safety.proofs.plausible import Span

AUDIO_SETTLE_S = 0.2
MOST_V = 1000.0
HALF_WITHIN = 0.05  # source's and meter's linearity together: common practice, no source


class CheckSide(LossSide):
    """Unit unkeyed, unfed and off the switch; generator usable into the power meter, audio source into the audio meter.

    Levels are at the generator's connector, dBm; audio voltages V rms.
    """

    __slots__ = ("_audio", "_fed", "_unfed", "_voltmeter")

    def __init__(
        self,
        *,
        audio: AudioAnalyser | None,
        voltmeter: Voltmeter | None,
        unfed: bool,
        fed: Callable[[float], AbstractContextManager[Supply]],
        **loss: Any,
    ) -> None:
        super().__init__(confirm=lambda text: False, connected=lambda connection: None, **loss)
        self._connection = "through"  # by the switch, which was read
        self._audio = audio
        self._voltmeter = voltmeter
        self._unfed = unfed
        self._fed = fed

    @override
    def connect(self, *_: Any) -> NoReturn:
        raise self._refused(
            "nobody moves cables on the check path", "Use the loss side for what a person connects."
        )

    @property
    def unit_is_unfed(self) -> bool:
        """Say whether the unit's supply reads off: not where somebody else feeds it."""
        return self._unfed

    def read_idle_voltage_v(self, reading_s: float) -> Reading:
        """Return what the voltmeter reads on the line of a unit without supply, V. Refused where the unit may be fed."""
        self._refuse_if_left()
        voltmeter = present(self._voltmeter, "voltmeter")
        if not self._unfed:
            raise Refused(
                "the unit may be fed, so that its line need not be at nought",
                instrument=voltmeter.name,
                address=voltmeter.address,
                next_move="Let the bench have the unit's supply, or leave the voltmeter out.",
            )
        return self._line_v(voltmeter, reading_s)

    def read_fed_line_v(self, voltage_v: float, reading_s: float) -> Reading:
        """Return what the voltmeter reads on that line with the unit fed with ``voltage_v``, PTT open and the generator off, V."""
        self.remove_signal()
        voltmeter = present(self._voltmeter, "voltmeter")
        with self._fed(voltage_v):
            return self._line_v(voltmeter, reading_s)

    def _line_v(self, voltmeter: Voltmeter, reading_s: float) -> Reading:
        span = Span(low=-MOST_V, high=MOST_V, unit="V", why="what a voltmeter can read")
        return self._watch.read("voltage", voltmeter, lambda: voltmeter.read_voltage_v(reading_s), span=span)

    def read_audio_v(self, tone_hz: float, level_v: float, *, count: int, reading_s: float) -> list[Reading]:
        """Return what the audio meter reads of the source at ``tone_hz`` and ``level_v``, V rms, ``count`` times; then it is off.

        Raises UnexpectedReply where the meter does not follow the source to half of that.
        """
        self._refuse_if_left()
        audio = present(self._audio, "audio_analyser")
        span = Span(low=0.0, high=MOST_V, unit="V", why="what an audio meter can read")
        audio.configure_source(tone_hz, level_v)
        audio.configure_source_enabled(True)

        def read() -> Reading:
            return self._watch.read("audio", audio, lambda: audio.read_level_v(reading_s), span=span)

        try:
            self.wait_s(AUDIO_SETTLE_S)
            found = [read() for _ in range(count)]
            audio.configure_source(tone_hz, level_v / 2.0)
            self.wait_s(AUDIO_SETTLE_S)
            self._confirm_halved(audio, found[-1], read())
            return found
        finally:
            audio.configure_source_enabled(False)

    @staticmethod
    def _confirm_halved(audio: AudioAnalyser, whole: Reading, half: Reading) -> None:
        """Raise UnexpectedReply where the meter does not follow its source; no number says nothing."""
        if whole.number is None or half.number is None or whole.number <= 0.0:
            return
        if abs(half.number / whole.number - 0.5) > HALF_WITHIN:
            raise UnexpectedReply(
                f"the audio source was set to half, and the audio meter reads {half.number:.4g} V after {whole.number:.4g} V",
                instrument=audio.name,
                address=audio.address,
                reply=half.raw,
                next_move="Look whether its display follows the source, and whether the switch joins them ('audio: joined').",
            )

    def read_supply_v(self, voltage_v: float, *, count: int) -> list[Reading]:
        """Feed the unit with ``voltage_v``, PTT open and the generator off, read the terminals ``count`` times, and take it off again, V.

        Refused above the supply's `max_voltage`. NotConfirmed where the terminals stay live.
        """
        self.remove_signal()
        with self._fed(voltage_v) as supply:
            return [supply.read_voltage_v() for _ in range(count)]


class SelfCheckingBench(GuardedBench):
    """An open bench that can join its own generator and power meter."""

    @contextmanager
    def check_side(self, *, rating_dbm: float) -> Iterator[CheckSide]:
        """Hand over the check side: unit unkeyed and confirmed, its supply off and confirmed, the switch on `check` and read.

        ``rating_dbm`` is what the path bears. The switch is read once more at the end; the unit is fed again as it was.
        """
        generator = self._interlock.generator()
        meter = present(self._find(PowerMeter), "power_meter")
        with self._one_side():
            fed_v = self._supply.fed_v
            try:
                self._interlock.unkey()
                self._interlock.generators_off()
                self._interlock.audio_off()
                self.cables.refuse_if_moved(generator)
                supply = self._find(Supply)
                if supply is not None:
                    self.remove_supply()
                self._interlock.route("check")
                side = CheckSide(
                    generator=generator,
                    meter=meter,
                    clock=self._clock,
                    max_dbm=min(self._ratings.max_meter_dbm, rating_dbm),
                    audio=self._find(AudioAnalyser),
                    voltmeter=self._find(Voltmeter),
                    unfed=supply is not None,
                    fed=self._unit_fed,
                    see_silent=self._interlock.see_silent,
                )
                try:
                    yield side
                    side.remove_signal()
                    self._interlock.confirm_path("check")
                except InstrumentFault as fault:
                    side.remove_signal_after(fault)  # where it is still on, leaving says so with it
                    raise
                finally:
                    side.leave()
            finally:
                self._interlock.generators_off()
                self._interlock.audio_off()
                if fed_v is not None:
                    self._supply.feed(fed_v)
                    self._clock.wait_s(SUPPLY_SETTLE_S)

    @contextmanager
    def _unit_fed(self, voltage_v: float) -> Iterator[Supply]:
        supply = present(self._find(Supply), "supply")
        try:
            self._supply.feed(voltage_v)
            self._clock.wait_s(SUPPLY_SETTLE_S)
            yield supply
        finally:
            self.remove_supply()
