"""The two safe states of a bench, and the way out of both.

A check is handed a `ReceiveSide` or a `TransmitSide`. The receive side holds the generator and no way to key; the
transmit side holds the key and no way to switch the generator on. What each promises (design section 6):

1. No check can key into the generator: the key is pressed only after the generator's output reads off and the switch reads `transmit`.
2. Key-down never outlasts `max_key_time`: before every exchange the longest time it can take, and the longest time a release can take,
   are added to the time already keyed; if the sum would exceed the limit the key is released first, the unit rests for its
   duty, and is keyed again.
3. No level above the receiver's rating is commanded: the level at the antenna connector is refused before the generator hears of it.
4. Leaving a side, however it is left, releases the key and switches the generator off, both read back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal, TypeVar

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, Refused
from drivers.roles import (
    AudioAnalyser,
    Instrument,
    ModulationAnalyser,
    PowerMeter,
    Radio,
    Reading,
    SignalGenerator,
    Supply,
    Switch,
    Voltmeter,
)

GENERATOR_SETTLE_MAX_S = 2.0
WAIT_PART_S = 1.0
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratings:
    """What the bench file's `protection` allows.

    ``max_key_time_s`` above 0; ``key_duty`` above 0 to 1, key-down time over all time; ``max_receiver_input_dbm`` at the antenna connector.
    """

    max_key_time_s: float = 20.0
    key_duty: float = 0.5
    max_receiver_input_dbm: float = 0.0
    max_supply_current_a: float = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeState:
    """How making the bench safe went: ``trouble`` names what could not be confirmed; empty when all was."""

    trouble: tuple[str, ...] = ()

    @property
    def confirmed(self) -> bool:
        """Say whether the unit is unkeyed and the generator off, by their own read-back."""
        return not self.trouble

    def last_line(self) -> str:
        """Return the words a person must read if the bench could not be confirmed safe."""
        if self.confirmed:
            return "The bench is safe: unit unkeyed, generator off, both read back."
        return (
            "THE BENCH COULD NOT BE CONFIRMED SAFE: "
            + "; ".join(self.trouble)
            + ". Remove the supply from the unit now, then look at the generator and the key line."
        )


class Key:
    """The push-to-talk line, with the bench's key-down limits kept by arithmetic before each step."""

    def __init__(self, radio: Radio, clock: Clock, ratings: Ratings, *, release_max_s: float) -> None:
        self._radio = radio
        self._clock = clock
        self._ratings = ratings
        self._release_max_s = release_max_s
        self._pressed_at_s: float | None = None
        self._rested_from_s: float | None = None
        self._owed_rest_s = 0.0

    @property
    def is_down(self) -> bool:
        """Say whether we pressed it and have not released it."""
        return self._pressed_at_s is not None

    def press(self) -> None:
        """Key the unit, after the rest that the duty still owes."""
        self._rest()
        self._pressed_at_s = self._clock.now_s()
        self._radio.key()

    def release(self) -> None:
        """Release the key, confirmed by read-back; tried twice."""
        try:
            self._radio.unkey()
        except InstrumentFault:
            self._radio.unkey()
        if self._pressed_at_s is not None:
            now_s = self._clock.now_s()
            down_s = now_s - self._pressed_at_s
            self._owed_rest_s = down_s * (1.0 / self._ratings.key_duty - 1.0)
            self._rested_from_s = now_s
            self._pressed_at_s = None

    def allow(self, step_max_s: float) -> None:
        """Make sure that a step of at most ``step_max_s`` and a release after it end inside the key-down limit.

        Refused if no key-down is long enough for that.
        """
        needed_s = step_max_s + self._release_max_s
        if needed_s > self._ratings.max_key_time_s:
            raise Refused(
                f"a step that may take {step_max_s:g} s and a release that may take {self._release_max_s:g} s do not fit "
                f"max_key_time {self._ratings.max_key_time_s:g} s; not keyed",
                instrument=self._radio.name,
                address=self._radio.address,
                next_move="Lower 'timeout' of the instruments in the bench file, or raise 'max_key_time' if the unit allows it.",
            )
        if self._pressed_at_s is None:
            self.press()
        elif self._clock.now_s() - self._pressed_at_s + needed_s > self._ratings.max_key_time_s:
            self.release()
            self.press()

    def _rest(self) -> None:
        if self._rested_from_s is None:
            return
        remaining_s = self._owed_rest_s - (self._clock.now_s() - self._rested_from_s)
        if remaining_s > 0:
            self._clock.wait_s(remaining_s)


class ReceiveSide:
    """Unit unkeyed, path on the generator, generator usable. Levels are at the unit's antenna connector, dBm."""

    __slots__ = ("_audio", "_clock", "_generator", "_loss_db", "_ratings", "_voltmeter", "frequency_hz")

    def __init__(
        self,
        *,
        generator: SignalGenerator,
        audio: AudioAnalyser | None,
        voltmeter: Voltmeter | None,
        clock: Clock,
        ratings: Ratings,
        loss_db: float,
        frequency_hz: float,
    ) -> None:
        self._generator = generator
        self._audio = audio
        self._voltmeter = voltmeter
        self._clock = clock
        self._ratings = ratings
        self._loss_db = loss_db
        self.frequency_hz = frequency_hz

    def apply_carrier(self, level_dbm: float) -> None:
        """Switch an unmodulated carrier on at ``level_dbm``. Refused above the receiver's rating."""
        self._refuse_above_rating(level_dbm)
        self._generator.disable_all_modulation()
        self._generator.configure_rf(self.frequency_hz, level_dbm + self._loss_db)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def apply_fm(self, level_dbm: float, *, deviation_hz: float, tone_hz: float) -> None:
        """Switch a carrier with FM on at ``level_dbm``. Refused above the receiver's rating."""
        self._refuse_above_rating(level_dbm)
        self._generator.configure_rf(self.frequency_hz, level_dbm + self._loss_db)
        self._generator.configure_fm(deviation_hz, tone_hz)
        self._generator.configure_output_enabled(True)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def set_level_dbm(self, level_dbm: float) -> None:
        """Change the level and wait until the generator says it stands. Refused above the receiver's rating."""
        self._refuse_above_rating(level_dbm)
        self._generator.set_level_dbm(level_dbm + self._loss_db)
        self._generator.wait_until_settled(GENERATOR_SETTLE_MAX_S)

    def read_sinad_db(self, reading_s: float) -> Reading:
        """Return SINAD of the loudspeaker audio, dB."""
        return _present(self._audio, "audio_analyser").read_sinad_db(reading_s)

    def read_audio_v(self, reading_s: float) -> Reading:
        """Return the loudspeaker level, V rms."""
        return _present(self._audio, "audio_analyser").read_level_v(reading_s)

    def read_meter_v(self, reading_s: float) -> Reading:
        """Return the voltage on the signal-meter line, V."""
        return _present(self._voltmeter, "voltmeter").read_voltage_v(reading_s)

    def wait_s(self, seconds: float) -> None:
        """Let time pass on the bench's clock."""
        self._clock.wait_s(seconds)

    def now_s(self) -> float:
        """Return the bench's clock, s."""
        return self._clock.now_s()

    def _refuse_above_rating(self, level_dbm: float) -> None:
        if level_dbm > self._ratings.max_receiver_input_dbm + 1e-9:
            raise Refused(
                f"{level_dbm:.1f} dBm into the unit refused; max_receiver_input is {self._ratings.max_receiver_input_dbm:g} dBm",
                instrument=self._generator.name,
                address=self._generator.address,
                next_move="Lower the level the check may use.",
            )


class TransmitSide:
    """Generator off, path on load and meters; the unit is keyed for as long as readings need it."""

    __slots__ = (
        "_analyser",
        "_audio",
        "_bounds_s",
        "_clock",
        "_key",
        "_loss_db",
        "_meter",
        "_supply",
        "frequency_hz",
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
        loss_db: float,
        frequency_hz: float,
        bounds_s: dict[str, float],
    ) -> None:
        self._key = key
        self._meter = meter
        self._analyser = analyser
        self._audio = audio
        self._supply = supply
        self._clock = clock
        self._loss_db = loss_db
        self._bounds_s = bounds_s
        self.frequency_hz = frequency_hz

    def read_power_dbm(self) -> Reading:
        """Return the power at the unit's antenna connector, dBm: the meter's answer plus the transmit path's loss."""
        meter = _present(self._meter, "power_meter")
        reading = self._keyed("power_meter", meter.read_power_dbm)
        if reading.number is None:
            return reading
        return Reading(number=reading.number + self._loss_db, state=reading.state, raw=reading.raw)

    def read_frequency_hz(self) -> Reading:
        """Return the carrier frequency, Hz."""
        return self._keyed(
            "modulation_analyser", _present(self._analyser, "modulation_analyser").read_frequency_hz
        )

    def read_deviation_hz(self, side: Literal["positive", "negative"]) -> Reading:
        """Return the peak deviation of one side of the carrier, Hz."""
        analyser = _present(self._analyser, "modulation_analyser")
        return self._keyed("modulation_analyser", lambda: analyser.read_deviation_hz(side))

    def read_supply_current_a(self) -> Reading:
        """Return the supply current while keyed, A."""
        return self._keyed("supply", _present(self._supply, "supply").read_current_a)

    def apply_audio(self, *, tone_hz: float, level_v: float) -> None:
        """Drive the microphone input with ``level_v`` V rms at ``tone_hz``."""
        audio = _present(self._audio, "audio_analyser")
        bound_s = 2.0 * self._bounds_s.get("audio_analyser", 2.0)
        if self._key.is_down:
            self._key.allow(bound_s)
        audio.configure_source(tone_hz, level_v)
        audio.configure_source_enabled(True)

    def remove_audio(self) -> None:
        """Switch the audio source off, so that the carrier is unmodulated."""
        if self._key.is_down:
            self._key.allow(self._bounds_s.get("audio_analyser", 2.0))
        _present(self._audio, "audio_analyser").configure_source_enabled(False)

    def wait_s(self, seconds: float) -> None:
        """Let time pass keyed, on the bench's clock; a long wait is keyed in parts, with the rests that the duty owes."""
        remaining_s = seconds
        while remaining_s > 0:
            part_s = min(remaining_s, WAIT_PART_S)
            self._key.allow(part_s)
            self._clock.wait_s(part_s)
            remaining_s -= part_s

    def now_s(self) -> float:
        """Return the bench's clock, s."""
        return self._clock.now_s()

    def rest(self) -> None:
        """Release the key until the next reading."""
        if self._key.is_down:
            self._key.release()

    def _keyed(self, role: str, read: Callable[[], _T]) -> _T:
        self._key.allow(self._bounds_s.get(role, 2.0))
        return read()


class SafeBench:
    """The instruments of an open bench behind the two sides; nothing else may switch RF on or key the unit.

    ``roles`` are those the bench file fills: an instrument that it names and that is not among ``instruments`` could not
    be opened, so that its state is unknown.
    """

    def __init__(
        self,
        instruments: Mapping[str, Instrument],
        *,
        roles: frozenset[str],
        clock: Clock,
        ratings: Ratings,
        receive_loss_db: Callable[[float], float],
        transmit_loss_db: Callable[[float], float],
        bounds_s: dict[str, float],
        release_max_s: float,
    ) -> None:
        self._instruments = instruments
        self._roles = roles
        self._clock = clock
        self._ratings = ratings
        self._receive_loss_db = receive_loss_db
        self._transmit_loss_db = transmit_loss_db
        self._bounds_s = bounds_s
        self._release_max_s = release_max_s
        self._key: Key | None = None

    def set_supply(self, voltage_v: float) -> None:
        """Feed the unit with ``voltage_v`` under the bench's current limit."""
        supply = _present(self._find(Supply), "supply")
        supply.configure_voltage(voltage_v, self._ratings.max_supply_current_a)
        supply.configure_output_enabled(True)

    def remove_supply(self) -> None:
        """Take the supply from the unit."""
        _present(self._find(Supply), "supply").configure_output_enabled(False)

    def make_safe(self) -> SafeState:
        """Unkey the unit and switch the generator and the audio source off, each confirmed; removes the supply if the key stays down."""
        trouble: list[str] = []
        unkeyed = self._try(trouble, "the unit could not be confirmed unkeyed", self._unkey)
        self._try(trouble, "the generator could not be confirmed off", self._generator_off)
        ignored: list[str] = []
        self._try(ignored, "", self._audio_off)
        if not unkeyed and (supply := self._find(Supply)) is not None:
            self._try(
                trouble,
                "its supply could not be confirmed off either",
                lambda: supply.configure_output_enabled(False),
            )
        return SafeState(trouble=tuple(trouble))

    @contextmanager
    def receive_side(self, *, channel: int | None, mode: str, frequency_hz: float) -> Iterator[ReceiveSide]:
        """Hand over the receive side: unit unkeyed and confirmed, path on the generator, then the generator."""
        generator = _present(self._find(SignalGenerator), "signal_generator")
        try:
            self._unkey()
            generator.configure_output_enabled(False)
            self._route("receive")
            self._select(channel, mode)
            yield ReceiveSide(
                generator=generator,
                audio=self._find(AudioAnalyser),
                voltmeter=self._find(Voltmeter),
                clock=self._clock,
                ratings=self._ratings,
                loss_db=self._receive_loss_db(frequency_hz),
                frequency_hz=frequency_hz,
            )
        finally:
            generator.configure_output_enabled(False)

    @contextmanager
    def transmit_side(self, *, channel: int | None, mode: str, frequency_hz: float) -> Iterator[TransmitSide]:
        """Hand over the transmit side: generator off and confirmed, path on the load and confirmed; keyed when read."""
        radio = _present(self._find(Radio), "radio")
        key = self._key or Key(radio, self._clock, self._ratings, release_max_s=self._release_max_s)
        self._key = key
        try:
            self._unkey()
            self._generator_off()
            self._route("transmit")
            self._select(channel, mode)
            meter, analyser = self._find(PowerMeter), self._find(ModulationAnalyser)
            if meter is not None:
                meter.set_correction_frequency_hz(frequency_hz)
            if analyser is not None:
                analyser.tune_hz(frequency_hz)
            yield TransmitSide(
                key=key,
                meter=meter,
                analyser=analyser,
                audio=self._find(AudioAnalyser),
                supply=self._find(Supply),
                clock=self._clock,
                loss_db=self._transmit_loss_db(frequency_hz),
                frequency_hz=frequency_hz,
                bounds_s=self._bounds_s,
            )
        finally:
            key.release()
            self._audio_off()

    def _select(self, channel: int | None, mode: str) -> None:
        radio = _present(self._find(Radio), "radio")
        radio.set_mode(_mode(mode))
        if channel is not None:
            radio.set_channel(channel)

    def _route(self, path: Literal["receive", "transmit"]) -> None:
        switch = _present(self._find(Switch), "switch")
        switch.connect(path)
        if (found := switch.read_path()) != path:
            raise NotConfirmed(
                f"path {path} was asked for and the switch stands on {found}",
                instrument=switch.name,
                address=switch.address,
                next_move="Check the switch before anything is keyed.",
            )

    def _unkey(self) -> None:
        if "radio" not in self._roles:
            return
        radio = _present(self._find(Radio), "radio")
        if self._key is not None and self._key.is_down:
            self._key.release()
        else:
            radio.unkey()
        if radio.read_keyed():
            raise NotConfirmed(
                "the key was released and reads closed",
                instrument=radio.name,
                address=radio.address,
                next_move="Remove the supply from the unit, then look for a stuck key line.",
            )

    def _generator_off(self) -> None:
        if "signal_generator" in self._roles:
            _present(self._find(SignalGenerator), "signal_generator")
        for generator in self._instruments.values():
            if isinstance(generator, SignalGenerator):
                generator.configure_output_enabled(False)

    def _audio_off(self) -> None:
        if (audio := self._find(AudioAnalyser)) is not None:
            audio.configure_source_enabled(False)

    def _try(self, trouble: list[str], what: str, step: Callable[[], None]) -> bool:
        for attempt in range(2):
            try:
                step()
            except InstrumentFault as fault:
                if attempt:
                    trouble.append(f"{what} ({fault})")
            else:
                return True
        return False

    def _find(self, role: type[_T]) -> _T | None:
        return next((found for found in self._instruments.values() if isinstance(found, role)), None)


def _present(instrument: _T | None, role: str) -> _T:
    if instrument is None:
        raise Refused(
            f"the bench has no open {role}",
            instrument=role,
            address="not open",
            next_move=f"See why {role} could not be opened ('sequencer identify'), or add it to the bench file.",
        )
    return instrument


def _mode(mode: str) -> Literal["FM", "AM", "USB", "LSB", "CW"]:
    if mode not in ("FM", "AM", "USB", "LSB", "CW"):
        raise ValueError(f"mode {mode!r} is not one of FM, AM, USB, LSB, CW")
    return mode  # type: ignore[return-value]
