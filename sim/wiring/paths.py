"""The RF switch and the cables: what arrives where, with the losses that are really there.

A loss table is interpolated linearly in dB over the logarithm of frequency and held flat beyond its ends
(common practice, no source). The bench file states nominal losses; ``receive_error_db`` and
``transmit_error_db`` are how far the truth lies from them, ``ripple_db`` a mismatch ripple along frequency
of period ``ripple_period_hz`` (its size for two VSWRs: 20·log(1 ± ρ1·ρ2), the usual mismatch formula).

Not modelled: phase, drift of a cable with temperature, contact wear and bounce (the contact is open while
it moves).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, replace
from functools import lru_cache
from math import cos, isfinite, log, pi

import numpy as np

from sim.frozen import dataclass
from sim.lag import SimClock
from sim.radio.fm_receiver import level_dbm
from sim.radio.transmitter import Emission
from sim.rf_signal import RfSignal

RECEIVE, TRANSMIT, CHECK, OPEN = "receive", "transmit", "check", "open"
POSITIONS = (RECEIVE, TRANSMIT, CHECK, OPEN)
"""Where the switch stands. On check it joins generator and power meter, and the unit's connector is open."""
NORMAL, DIRECT, CABLE = "normal", "direct", "cable"
BY_HAND = (NORMAL, DIRECT, RECEIVE, TRANSMIT, CABLE)
"""How a person has connected the bench: as it should be, or generator to power meter directly, through a path, through a cable or pad."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PathLosses:
    """Losses of both paths: frequency (Hz) to loss (dB, positive); isolation is past an open contact.

    ``cable_db`` is that of a loose cable or pad, which a person puts between generator and power meter: a 20 dB pad that is not quite one.
    ``notch_db`` is that of a filter that stands before the spectrum analyser alone, where there is one.
    ``check_db`` is that of the path from generator to power meter through the switch. ``generator_cable_db`` is what the cable from
    generator to switch has got worse by, in all paths that begin there; ``meter_cable_db`` that from switch to power meter.
    """

    receive_db: Mapping[float, float]
    transmit_db: Mapping[float, float]
    receive_error_db: float = 0.0
    transmit_error_db: float = 0.0
    check_db: Mapping[float, float] = field(default_factory=lambda: {1e6: 0.0})
    check_error_db: float = 0.0
    notch_db: Mapping[float, float] | None = None
    notch_error_db: float = 0.0
    generator_cable_db: float = 0.0
    meter_cable_db: float = 0.0
    cable_db: Mapping[float, float] = field(default_factory=lambda: {1e6: 19.93, 1e9: 20.41})
    ripple_db: float = 0.0
    ripple_period_hz: float = 2e6
    isolation_db: float = 80.0

    def __post_init__(self) -> None:
        tables = (
            ("receive_db", self.receive_db),
            ("transmit_db", self.transmit_db),
            ("cable_db", self.cable_db),
            ("check_db", self.check_db),
            *((("notch_db", self.notch_db),) if self.notch_db is not None else ()),
        )
        for name, table in tables:
            good = bool(table) and all(isfinite(f) and f > 0 and isfinite(loss) for f, loss in table.items())
            if not good:
                raise ValueError(
                    f"{name}: {dict(table)} is not allowed; give finite losses at frequencies above 0"
                )

    def receive_loss_db(self, frequency_hz: float) -> float:
        """Return the true loss from the generator's connector to the unit, dB."""
        nominal_db = interpolate_db(self.receive_db, frequency_hz)
        return nominal_db + self.receive_error_db + self.generator_cable_db + self._ripple(frequency_hz)

    def transmit_loss_db(self, frequency_hz: float) -> float:
        """Return the true loss from the unit to the meter's connector, dB."""
        nominal_db = interpolate_db(self.transmit_db, frequency_hz)
        return nominal_db + self.transmit_error_db + self.meter_cable_db + self._ripple(frequency_hz)

    def notch_loss_db(self, frequency_hz: float) -> float:
        """Return the true loss of the filter before the spectrum analyser, dB; 0 where there is none."""
        return (
            0.0
            if self.notch_db is None
            else interpolate_db(self.notch_db, frequency_hz) + self.notch_error_db
        )

    def check_loss_db(self, frequency_hz: float) -> float:
        """Return the true loss from the generator's connector to the meter's, through the switch, dB."""
        nominal_db = interpolate_db(self.check_db, frequency_hz)
        return nominal_db + self.check_error_db + self.generator_cable_db + self.meter_cable_db

    def cable_loss_db(self, frequency_hz: float) -> float:
        """Return the true loss of the loose cable or pad, dB."""
        return interpolate_db(self.cable_db, frequency_hz)

    def _ripple(self, frequency_hz: float) -> float:
        return self.ripple_db * cos(2.0 * pi * frequency_hz / self.ripple_period_hz)


def interpolate_db(table: Mapping[float, float], frequency_hz: float) -> float:
    """Return the loss at ``frequency_hz``: linear in dB over log frequency, flat beyond the ends."""
    if not frequency_hz > 0:
        raise ValueError(f"a loss at {frequency_hz} Hz is not possible; frequencies are above 0")
    known_hz = sorted(table)
    return float(np.interp(log(frequency_hz), [log(f) for f in known_hz], [table[f] for f in known_hz]))


class Paths:
    """The switch between the unit and either the generator or the load; it begins open, and moves in time."""

    def __init__(self, losses: PathLosses, clock: SimClock, *, switching_s: float = 0.015) -> None:
        if switching_s < 0:
            raise ValueError(f"switching_s: {switching_s} is not allowed; 0 or above")
        self.losses = losses
        # asked at each look of an instrument, at few frequencies
        self._receive_db = lru_cache(maxsize=64)(losses.receive_loss_db)
        self._transmit_db = lru_cache(maxsize=64)(losses.transmit_loss_db)
        self._clock = clock
        self._switching_s = switching_s
        self._commanded = OPEN
        self._arrives_s = clock.now_s()
        self._by_hand = NORMAL
        self._by_hand_db = 0.0
        self._unit_db = 0.0
        self._connections_made = 0

    @property
    def connections_made(self) -> int:
        """How often the unit's own connection was made."""
        return self._connections_made

    def make_unit_connection(self, error_db: float) -> None:
        """Make the unit's own connection: ``error_db`` is what it loses this time, on both paths, against one that is as the tables say."""
        self._unit_db = error_db
        self._connections_made += 1

    def connect_by_hand(self, connection: str, error_db: float = 0.0) -> None:
        """Let a person connect generator and power meter: one of `BY_HAND`. Unless it is normal the unit hangs on nothing.

        ``error_db`` is what this time's connectors and mismatch add to the loss.
        """
        if connection not in BY_HAND:
            raise ValueError(f"connection {connection!r} refused; there are {', '.join(BY_HAND)}")
        self._by_hand = connection
        self._by_hand_db = error_db

    @property
    def by_hand(self) -> str:
        """How a person has connected the bench."""
        return self._by_hand

    def connect(self, position: str) -> None:
        """Send the switch to receive, transmit, check or open; nothing moves if it is there or on its way."""
        if position not in POSITIONS:
            raise ValueError(f"switch position {position!r} refused; it has {', '.join(POSITIONS)}")
        if position != self._commanded:
            self._commanded = position
            self._arrives_s = self._clock.now_s() + self._switching_s

    @property
    def commanded(self) -> str:
        """Where the switch was last sent."""
        return self._commanded

    @property
    def arrives_s(self) -> float:
        """When, on the clock, the switch stands or stood where it was last sent."""
        return self._arrives_s

    @property
    def stands(self) -> tuple[object, ...]:
        """All that the losses hang on beside frequency and time."""
        made = (self._by_hand_db, self._unit_db, self._connections_made)
        return (self._commanded, self._arrives_s, self._by_hand, made)

    @property
    def moving(self) -> bool:
        """Whether the contact is on its way, hence open."""
        return self._clock.now_s() < self._arrives_s

    @property
    def position(self) -> str:
        """Where the contact is now."""
        return OPEN if self.moving else self._commanded

    def generator_at_meter_dbm(self, generator: RfSignal | None) -> float | None:
        """Return what of the generator arrives at the power meter that the switch, or a person, has connected to it, dBm; else None."""
        if generator is None or (self._by_hand == NORMAL and self.position != CHECK):
            return None
        if self._by_hand == NORMAL:
            return generator.level_dbm - self.losses.check_loss_db(generator.frequency_hz)
        losses_db = {
            DIRECT: lambda frequency_hz: 0.0,
            RECEIVE: self._receive_loss_db,
            TRANSMIT: self._transmit_loss_db,
            CABLE: self.losses.cable_loss_db,
        }
        return generator.level_dbm - losses_db[self._by_hand](generator.frequency_hz) - self._by_hand_db

    def _receive_loss_db(self, frequency_hz: float) -> float:
        isolation_db = 0.0 if self.position == RECEIVE else self.losses.isolation_db
        return self._receive_db(frequency_hz) + isolation_db + self._at_unit_db

    def _transmit_loss_db(self, frequency_hz: float) -> float:
        isolation_db = 0.0 if self.position == TRANSMIT else self.losses.isolation_db
        return self._transmit_db(frequency_hz) + isolation_db + self._at_unit_db

    @property
    def _at_unit_db(self) -> float:
        return self._unit_db if self._by_hand == NORMAL else 0.0

    def at_antenna(self, generator: RfSignal | None) -> RfSignal | None:
        """Return what of the generator's signal arrives at the unit's connector, leakage included."""
        if generator is None or self._by_hand != NORMAL:
            return None
        loss_db = self._receive_loss_db(generator.frequency_hz)
        return replace(generator, level_dbm=generator.level_dbm - loss_db)

    def at_meter_dbm(self, emission: Emission | None) -> float | None:
        """Return the level at the power meter's and analyser's connector, dBm; None unkeyed."""
        if emission is None or self._by_hand != NORMAL:
            return None
        return level_dbm(emission.power_w) - self._transmit_loss_db(emission.frequency_hz)

    def carrier_loss_db(self, frequency_hz: float) -> float | None:
        """Return the loss between unit and power meter at ``frequency_hz``, dB; None where a person has connected them otherwise."""
        return None if self._by_hand != NORMAL else self._transmit_loss_db(frequency_hz)

    def meter_loss_db(self, frequency_hz: float) -> float | None:
        """Return the loss between unit and spectrum analyser at ``frequency_hz``, dB; None where a person has connected them otherwise."""
        if self._by_hand != NORMAL:
            return None
        return self._transmit_loss_db(frequency_hz) + self.losses.notch_loss_db(frequency_hz)

    def at_load_w(self, emission: Emission | None) -> float:
        """Return the power that the load (the attenuator on the transmit path) takes, W."""
        reached = self.position == TRANSMIT and self._by_hand == NORMAL
        return emission.power_w if emission is not None and reached else 0.0

    def at_generator_dbm(self, emission: Emission | None) -> float | None:
        """Return what of the unit's emission flows back into the generator, dBm; None unkeyed."""
        if emission is None or self._by_hand != NORMAL:
            return None
        return level_dbm(emission.power_w) - self._receive_loss_db(emission.frequency_hz)
