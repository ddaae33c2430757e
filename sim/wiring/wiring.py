"""The bench as it is wired: generator, switch, unit, load and meter in one place, watched by the witness.

The simulated instruments change the bench only through these methods and read it only through them, so that
no instrument can act past the witness. It holds no physics of its own.

Not modelled: instruments. They have their own file.
"""

from __future__ import annotations

from sim.lag import SimClock
from sim.radio.fm_receiver import level_dbm
from sim.radio.simulated_unit import SimulatedUnit
from sim.radio.transmitter import Emission
from sim.rf_signal import RfSignal
from sim.wiring.paths import CHECK, NORMAL, OPEN, Paths
from sim.wiring.witness import BenchState, Witness


class Wiring:
    """Unit, paths and witness, wired together on one clock."""

    def __init__(self, unit: SimulatedUnit, paths: Paths, witness: Witness, clock: SimClock) -> None:
        self.unit = unit
        self.paths = paths
        self.witness = witness
        self._clock = clock
        self.audio_joined = False
        """Whether the switch joins audio source and audio meter where it joins generator and power meter."""
        self._generator: RfSignal | None = None
        self._interferer: RfSignal | None = None
        self._seen_arrival_s = paths.arrives_s
        self._seen: tuple[object, ...] | None = None
        self.update()

    # What instruments do

    def set_generator(self, signal: RfSignal | None) -> None:
        """Set what the generator delivers at its own connector; None is its output off."""
        self.update()
        self._generator = signal
        self.update()

    def set_interferer(self, signal: RfSignal | None) -> None:
        """Set what a second generator, combined into the receive path, delivers; None is its output off."""
        self.update()
        self._interferer = signal
        self.update()

    def connect(self, position: str) -> None:
        """Send the switch to receive, transmit, check or open."""
        self.update()
        self.paths.connect(position)
        self.update()

    def key(self) -> None:
        """Close the push-to-talk line."""
        self.update()
        self.unit.key()
        self.update()

    def unkey(self) -> None:
        """Open the push-to-talk line."""
        self.update()
        self.unit.unkey()
        self.update()

    def connect_by_hand(self, connection: str, error_db: float = 0.0) -> None:
        """Let a person move the cables: see `sim.wiring.paths.Paths.connect_by_hand`."""
        self.update()
        self.paths.connect_by_hand(connection, error_db)
        self.update()

    def make_unit_connection(self, error_db: float) -> None:
        """Let a person undo and make the unit's own connection: see `sim.wiring.paths.Paths.make_unit_connection`."""
        self.update()
        self.paths.make_unit_connection(error_db)
        self.update()

    def change_unit(self, unit: SimulatedUnit, error_db: float) -> None:
        """Let a person connect another unit; the witness sees with what on. It is fed with what the one before was fed with."""
        self.make_unit_connection(error_db)
        unit.set_supply_v(self.unit.supply_v)
        unit.climate = self.unit.climate
        self.unit = unit
        self.witness.forget_unit()
        self.update()

    def set_supply_v(self, supply_v: float | None) -> None:
        """Feed the unit; None or 0 takes the supply away."""
        self.update()
        self.unit.set_supply_v(supply_v)
        self.update()

    def turn_preset(self, name: str, turns: float) -> None:
        """Let a person turn a trimmer of the unit by so many turns, clockwise above 0."""
        self.update()
        self.unit.turn_preset(name, turns)
        self.update()

    def store_preset(self, name: str, value: int) -> None:
        """Store a setting in the unit; ValueError for one it does not take."""
        self.update()
        self.unit.store_preset(name, value)
        self.update()

    # What instruments see

    @property
    def joins_audio(self) -> bool:
        """Whether audio source and audio meter are joined now."""
        return self.audio_joined and self.paths.position == CHECK

    def emission(self) -> Emission | None:
        """Return what leaves the unit now; None unkeyed or without supply."""
        self.update()
        return self.unit.emission()

    def leaks(self) -> tuple[tuple[float, float], ...]:
        """Return the lines that the unit's receiver lets out, Hz and dBm at its connector."""
        self.update()
        return self.unit.leaks()

    def at_meter_dbm(self) -> float | None:
        """Return the level at the power meter's and modulation analyser's connector, dBm; None with no power there."""
        emission = self.emission()
        by_hand_dbm = self.paths.generator_at_meter_dbm(self._generator)
        return self.paths.at_meter_dbm(emission) if by_hand_dbm is None else by_hand_dbm

    def analyser_loss_db(self, frequency_hz: float) -> float | None:
        """Return what the unit's emission loses before power meter and modulation analyser, dB; None where no path leads there."""
        return self.paths.carrier_loss_db(frequency_hz)

    def meter_loss_db(self, frequency_hz: float) -> float | None:
        """Return what the unit's emission loses at ``frequency_hz`` before the meters, dB; None where no path leads there."""
        return self.paths.meter_loss_db(frequency_hz)

    def at_meter_peak_dbm(self) -> float | None:
        """Return the peak envelope level at the same connector, dBm; None unkeyed."""
        emission, average_dbm = self.emission(), self.at_meter_dbm()
        if emission is None or average_dbm is None:
            return average_dbm
        return average_dbm + level_dbm(emission.peak_w) - level_dbm(emission.power_w)

    def sinad_db(self, reading_s: float, notch_hz: float = 1_000.0) -> float:
        """Return one SINAD reading over the ``reading_s`` that begin now, dB."""
        self.update()
        return self.unit.sinad_db(reading_s, notch_hz)

    def audio_level_v(self, reading_s: float) -> float:
        """Return one loudspeaker voltage over the ``reading_s`` that begin now, V rms."""
        self.update()
        return self.unit.audio_level_v(reading_s)

    def meter_volts(self, reading_s: float) -> float:
        """Return one signal-meter voltage over the ``reading_s`` that begin now, V."""
        self.update()
        return self.unit.meter_volts(reading_s)

    def squelch_is_open(self) -> bool:
        """Return whether the squelch is open now."""
        self.update()
        return self.unit.squelch_is_open()

    def supply_current_a(self) -> float:
        """Return the current that the unit draws now, A."""
        self.update()
        return self.unit.supply_current_a()

    def update(self) -> None:
        """Bring unit and witness up to now; called by every method, and by whoever reads the unit itself."""
        arrived_s = self.paths.arrives_s
        if arrived_s > self._seen_arrival_s and arrived_s <= self._clock.now_s():
            self._seen_arrival_s = arrived_s
            self._see(arrived_s)
        self._see()

    def _see(self, at_s: float | None = None) -> None:
        """Let unit and witness see what arrives at the antenna connector since ``at_s`` (default now), unless they have seen just that."""
        if self._to_be_seen(at_s) == self._seen:
            return
        generator = self.paths.at_antenna(self._generator)
        interferer = self.paths.at_antenna(self._interferer)
        self.unit.apply_rf(generator, interferer, at_s)
        levels_dbm = [signal.level_dbm for signal in (generator, interferer) if signal is not None]
        self.witness.observe(self._state(max(levels_dbm, default=None)), at_s)
        self._seen = self._to_be_seen(at_s)

    def _to_be_seen(self, at_s: float | None) -> tuple[object, ...]:
        now_s, unit = self._clock.now_s() if at_s is None else at_s, self.unit
        signals = (self._generator, self._interferer)
        return (now_s, signals, unit, unit.inputs, self.paths.stands, self.witness.limits)

    def _state(self, at_antenna_dbm: float | None) -> BenchState:
        emission, paths = self.unit.emission(), self.paths
        by_hand_dbm = paths.generator_at_meter_dbm(self._generator)
        return BenchState(
            keyed=self.unit.keyed,
            unfed=self.unit.supply_v <= 0.0,
            transmit_w=emission.power_w if emission else 0.0,
            position=paths.position if paths.by_hand == NORMAL else OPEN,
            moving=paths.moving,
            generator_on=self._generator is not None or self._interferer is not None,
            at_antenna_dbm=at_antenna_dbm,
            into_generator_dbm=paths.at_generator_dbm(emission),
            at_meter_dbm=by_hand_dbm if by_hand_dbm is not None else paths.at_meter_dbm(emission),
            at_load_w=paths.at_load_w(emission),
            supply_v=self.unit.supply_v,
            supply_a=self.unit.supply_current_a(),
            by_hand=paths.by_hand,
            connections_made=paths.connections_made,
        )
