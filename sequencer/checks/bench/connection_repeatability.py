"""Connection repeatability: by how much the unit's power at the meter scatters when its connector is undone and made anew.

The uncertainty of a standard deviation from n values is 1 / sqrt(2 (n - 1)) of it (JCGM 100:2008 (GUM) E.4.3, first order): a third
with six connections.
"""

import math
import statistics
from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.roles import Reading
from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.readings.settle import agreeing, settle
from sequencer.checks.shared.transmit.keyed_readings import SETTLED_DB, not_read, numbers
from sequencer.files.fields import between
from sequencer.frozen import dataclass
from sequencer.safety.proofs.plausible import shown_step
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Budget, Contribution
from sequencer.uncertainty.contributions import FINEST_DB
from sequencer.units.format import short_quantity

QUANTITY = "connection repeatability"
ANEW_S = 0.63  # PTT seen released, supply off and on, channel: measured on the simulated bench
ONE_SIDED = 1.645  # 95 % of the normal distribution lie below


class ConnectionRepeatabilitySettings(CheckSettings):
    """Settings of `connection_repeatability`."""

    check: Literal["connection_repeatability"]
    """Which check this is."""
    connections: Annotated[int, AfterValidator(between(3, 20, ""))] = 6
    """How often the unit's connection is made, the one that is there at the start included."""
    readings: Annotated[int, AfterValidator(between(3, 20, ""))] = 4
    """How many readings of the power are averaged for each connection."""
    limit: RatioLimit = RatioLimit.unstated()
    """Highest standard deviation that is right."""


class ConnectionRepeatability(Check[ConnectionRepeatabilitySettings]):
    """Read the carrier's power, have a person take the unit's RF plug off and put it on again, and read anew, n times.

    PTT is released, the carrier seen to be gone and the supply off whenever the connector is touched; keyed into an open connector a unit
    may burn a hand and destroy its own stage. The result is the standard deviation of the n powers in dB, less what the readings scatter
    by themselves. What the unit's power changes by itself from one key-down to the next is in it, which is on the safe side. The note gives
    the lines to write under the path in the bench file. Meter accuracy, loss and mismatch of the bench are the same each time and cancel.
    """

    name: ClassVar[str] = "connection_repeatability"
    summary: ClassVar[str] = "scatter of the unit's connection made anew, for the bench file"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"power_meter"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM", "AM", "CW"})
    settings = ConnectionRepeatabilitySettings

    @override
    def quantities(self, settings: ConnectionRepeatabilitySettings) -> tuple[tuple[str, str], ...]:
        return ((QUANTITY, "dB"),)

    @override
    def moves_cables(self, settings: ConnectionRepeatabilitySettings) -> bool:
        return True

    @override
    def waits_of(
        self, settings: ConnectionRepeatabilitySettings, conditions: Conditions
    ) -> Mapping[str, float]:
        return {"power_meter": 2.6 * settings.connections}

    @override
    def forecast_s(self, settings: ConnectionRepeatabilitySettings, conditions: Conditions) -> float:
        owed_s = self.last_keyed_s(settings, conditions) * (
            100.0 / conditions.bench.protection.key_duty_percent - 1.0
        )
        return self.keyed_s(settings, conditions) + (settings.connections - 1) * max(ANEW_S, owed_s)

    @override
    def keyed_s(self, settings: ConnectionRepeatabilitySettings, conditions: Conditions) -> float:
        return settings.connections * self.last_keyed_s(settings, conditions)

    @override
    def last_keyed_s(self, settings: ConnectionRepeatabilitySettings, conditions: Conditions) -> float:
        return 0.15 + 0.04 * settings.readings

    @override
    def readings(self, settings: ConnectionRepeatabilitySettings, conditions: Conditions) -> int:
        return settings.connections * settings.readings

    @override
    def transmit(
        self, side: TransmitSide, settings: ConnectionRepeatabilitySettings, conditions: Conditions
    ) -> list[Finding]:
        found: list[list[float]] = []
        raws: list[str] = []
        for number in range(1, settings.connections + 1):
            if number > 1:
                conditions.make_connection_anew(_what_to_do(number, settings, conditions))
            readings = _read(side, settings)
            levels_dbm = numbers(readings)
            if levels_dbm is None:
                return [not_read(QUANTITY, "dB", settings.limit.limits, "power meter", readings)]
            found.append(levels_dbm)
            raws += [one.raw for one in readings]
            conditions.say(f"connection {number}: {statistics.fmean(levels_dbm):.3f} dBm")
        scatter = scatter_of(found, step_db=shown_step(raws))
        return [
            Finding(
                quantity=QUANTITY,
                value=scatter.deviation_db,
                unit="dB",
                limits=settings.limit.limits,
                budget=_budget(scatter),
                note=_note(scatter),
            )
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """What the means of several connections scatter by, dB: as found, by the readings' own, and the connections' alone."""

    connections: int
    between_db: float
    own_db: float
    own_dof: float

    @property
    def dof(self) -> int:
        """The degrees of freedom of what was found between the connections."""
        return self.connections - 1

    @property
    def deviation_db(self) -> float:
        """The connections' own standard deviation, dB: as variances, the readings' share taken off, and not below nought."""
        return math.sqrt(max(0.0, self.between_db**2 - self.own_db**2))

    @property
    def standard_db(self) -> float:
        """The standard uncertainty of that, dB.

        First order in the two variances, each known to sqrt(2 / dof) of itself (GUM E.4.3); near nought, where first order has no end,
        the root of the variance's own uncertainty.
        """
        variance = math.hypot(
            math.sqrt(2.0 / self.dof) * self.between_db**2, math.sqrt(2.0 / self.own_dof) * self.own_db**2
        )
        most = math.sqrt(variance)
        return min(most, variance / (2.0 * self.deviation_db)) if self.deviation_db else most

    @property
    def is_seen(self) -> bool:
        """Say whether the connections scatter by more than the readings alone would in 95 of 100 cases.

        The ratio of two variances; its distribution by the cube roots (Paulson; Abramowitz and Stegun 26.6.15, from memory).
        """
        root = math.pow(self.between_db / self.own_db, 2.0 / 3.0)
        one, other = 2.0 / (9.0 * self.dof), 2.0 / (9.0 * self.own_dof)
        return (1.0 - other) * root - (1.0 - one) > ONE_SIDED * math.sqrt(other * root**2 + one)

    @property
    def most_db(self) -> float:
        """What the connections' own may be at most, dB (95 %, one-sided): chi-squared by Wilson and Hilferty's cube (from memory)."""
        one = 2.0 / (9.0 * self.dof)
        return self.between_db / math.pow(1.0 - one - ONE_SIDED * math.sqrt(one), 1.5)


def scatter_of(found: Sequence[Sequence[float]], *, step_db: float = 0.0) -> "Scatter":
    """Return how ``found``, the readings of each connection in dBm, scatter: from one connection to the next, and by themselves.

    ``step_db`` is the last digit shown: readings that are all the same are not believed to be better than that, nor than `FINEST_DB`.
    """
    own_dof = sum(len(one) - 1 for one in found)
    own = sum((len(one) - 1) * statistics.variance(one) for one in found) / own_dof
    of_mean = own / statistics.harmonic_mean([len(one) for one in found])
    shown_db = max(step_db, FINEST_DB) / math.sqrt(12.0)
    return Scatter(
        connections=len(found),
        between_db=statistics.stdev(statistics.fmean(one) for one in found),
        own_db=max(math.sqrt(of_mean), shown_db),
        own_dof=float(own_dof),
    )


def _read(side: TransmitSide, settings: ConnectionRepeatabilitySettings) -> list[Reading]:
    readings = settle(side.read_power_dbm, side.wait_s, within=SETTLED_DB)
    if readings[-1].number is not None:
        readings += [side.read_power_dbm() for _ in range(settings.readings - len(readings))]
        readings = agreeing(readings, side.read_power_dbm, within=SETTLED_DB)
    side.rest()
    return readings


def _what_to_do(number: int, settings: ConnectionRepeatabilitySettings, conditions: Conditions) -> str:
    fed = "PTT is released and the supply is off"
    if conditions.supply_v is None:
        fed = "PTT is released; the unit was switched off before, and is switched on again after this"
    return (
        f"Connection {number} of {settings.connections}: {fed}; the unit's RF plug was taken off and put on again, "
        "tightened as always, and nothing else was moved"
    )


def _budget(scatter: Scatter) -> Budget:
    source = f"standard deviation of {scatter.connections} connections"
    part = Contribution.student(source, scatter.standard_db, scatter.dof, unit="dB")
    return Budget(quantity=QUANTITY, unit="dB", value=scatter.deviation_db, contributions=(part,))


def _note(scatter: Scatter) -> str:
    counted = (
        f"{scatter.connections} connections, {scatter.dof} degrees of freedom; "
        f"readings' own scatter {short_quantity(scatter.own_db, 'dB', 2)} a mean, taken off as variance"
    )
    if not scatter.is_seen:
        most = short_quantity(scatter.most_db, "dB", 2)
        return (
            f"not seen: the readings' own scatter explains it; at most {most} (95 %), which is on the safe side: "
            f"'connection_repeatability: {most}'; {counted}"
        )
    return (
        f"to write under the path in the bench file: 'connection_repeatability: {short_quantity(scatter.deviation_db, 'dB', 2)}' and "
        f"'connections_made: {scatter.connections}'; {counted}"
    )
