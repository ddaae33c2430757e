"""Carrier power: what the unit gives into 50 ohm at its antenna connector; in SSB its peak envelope power."""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.limits import PowerLimit
from sequencer.checks.shared.budgets.level_budget import ReadError
from sequencer.checks.shared.budgets.parts import HalfWidth
from sequencer.checks.shared.readings.settle import agreeing, settle
from sequencer.checks.shared.transmit.drive_response import (
    AGAIN_KEYED_FORECAST_S,
    RESPONSE_FORECAST_S,
    falls_by_db,
    hold_to_drive,
)
from sequencer.checks.shared.transmit.keyed_readings import (
    SETTLED_DB,
    Drive,
    Tone,
    numbers,
    power_finding,
    power_needs,
)
from sequencer.files.fields import TimeS, between
from sequencer.inputs.bench import longest_release_s
from sequencer.inputs.stated import AUDIO_LEAD
from sequencer.problems import FieldProblem
from sequencer.safety.transmit import TransmitSide
from sequencer.units.format import format_quantity

SIDEBANDS = ("USB", "LSB")


def _two(tones_hz: tuple[float, ...]) -> tuple[float, ...]:
    # a type of two items would be refused in words that no person who writes a file knows
    if len(tones_hz) != 2 or tones_hz[0] == tones_hz[1]:
        said = "the two tones are one" if len(tones_hz) == 2 else f"{len(tones_hz)} tones"
        raise FieldProblem(said, allowed="two different tones, such as [700 Hz, 1900 Hz]")
    return tones_hz


class CarrierPowerSettings(CheckSettings):
    """Settings of `carrier_power`."""

    check: Literal["carrier_power"]
    """Which check this is."""
    limit: PowerLimit = PowerLimit.unstated()
    """Lowest and highest power that is right; in SSB, of the peak envelope power."""
    keyed_for_s: Annotated[TimeS, AfterValidator(between(0.0, 600.0, "s"))] = 0.0
    """How long the unit transmits, in one go, before the readings: no longer than `max_key_time` leaves room for. 0 reads at once."""
    readings: Annotated[int, AfterValidator(between(2, 50, ""))] = 4
    """How many readings are averaged once the power stands. A person reads a dial once, unless this is stated."""
    drive_v: Drive | None = None
    """SSB only: level of each of the two tones at the microphone input, V rms."""
    tones_hz: Annotated[tuple[Tone, ...], AfterValidator(_two)] = (700.0, 1900.0)
    """SSB only: the two equal tones; not in a simple ratio, so that their products fall apart."""


class CarrierPower(Check[CarrierPowerSettings]):
    """Key the unit without modulation (SSB: with two equal tones), wait until the power stands, average."""

    name: ClassVar[str] = "carrier_power"
    summary: ClassVar[str] = "carrier power into 50 ohm; SSB: peak envelope power with two tones"
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"power_meter"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    settings = CarrierPowerSettings

    @override
    def quantities(self, settings: CarrierPowerSettings) -> tuple[tuple[str, str], ...]:
        # what is driven is SSB: the plan refuses a drive in any other mode
        driven = "FM" if settings.drive_v is None else "USB"
        return ((_quantity(settings, settings.mode or driven), "W"),)

    def roles_of(self, settings: CarrierPowerSettings) -> frozenset[str]:
        """Return the meter, and what drives the unit where it is driven."""
        return self.roles if settings.drive_v is None else self.roles | {"audio_analyser"}

    def needs(self, settings: CarrierPowerSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        drive = ("audio_analyser.voltage", AUDIO_LEAD) if conditions.mode in SIDEBANDS else ()
        return (*power_needs(conditions), *drive)

    def demands(self, settings: CarrierPowerSettings, conditions: Conditions) -> list[Demand]:
        """Return the highest power it expects of the unit: the path must bear it; and in SSB the drive it needs."""
        asked = (("max", settings.limit.max_w), ("min", settings.limit.min_w))
        demands = [
            Demand(at=("limit", name), power_w=power_w) for name, power_w in asked if power_w is not None
        ][:1]
        if conditions.mode in SIDEBANDS and settings.drive_v is None:
            demands.append(
                Demand(
                    refused="peak envelope power needs a drive",
                    allowed="'drive: 5 mV', the level of each tone",
                )
            )
        if conditions.mode not in SIDEBANDS and settings.drive_v is not None:
            demands.append(
                Demand(
                    at=("drive",),
                    refused=f"carrier power is measured without modulation in {conditions.mode}",
                    allowed="no 'drive', or 'mode: USB' or LSB for peak envelope power",
                )
            )
        demands += _key_time(settings, conditions)
        return demands

    def commands(self, settings: CarrierPowerSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return (
            commands.of("power_meter", "peak_power")
            | commands.of("audio_analyser", "second_tone", "second_level")
            if conditions.mode in SIDEBANDS and settings.drive_v is not None
            else frozenset()
        )

    @override
    def waits_of(self, settings: CarrierPowerSettings, conditions: Conditions) -> Mapping[str, float]:
        return {"power_meter": 2.0 if settings.drive_v is None else 4.0}

    def forecast_s(self, settings: CarrierPowerSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: two or three readings until it stands, those averaged, and in SSB one at a lower drive."""
        lower_s = RESPONSE_FORECAST_S + AGAIN_KEYED_FORECAST_S if conditions.mode in SIDEBANDS else 0.0
        return settings.keyed_for_s + _readings_s(settings) + lower_s

    @override
    def may_join_key(self, settings: CarrierPowerSettings) -> bool:
        return settings.drive_v is None

    @override
    def hold_s(self, settings: CarrierPowerSettings) -> float:
        return settings.keyed_for_s

    @override
    def transmit(
        self, side: TransmitSide, settings: CarrierPowerSettings, conditions: Conditions
    ) -> list[Finding]:
        read, note = side.read_power_dbm, ""
        if conditions.mode in SIDEBANDS and settings.drive_v is not None:
            low_hz, high_hz = settings.tones_hz
            side.apply_two_tones(tones_hz=(low_hz, high_hz), level_v=settings.drive_v)
            read = side.read_peak_envelope_dbm
            note = f"two tones, {low_hz:g} and {high_hz:g} Hz, each {format_quantity(settings.drive_v, 'V')}"
        if settings.keyed_for_s:
            side.hold_keyed_s(settings.keyed_for_s)
        readings = settle(read, side.wait_s, within=SETTLED_DB)
        if readings[-1].number is not None:
            readings += [
                read() for _ in range(_count(settings, by_hand=readings[-1].by_hand) - len(readings))
            ]
            readings = agreeing(readings, read, within=SETTLED_DB)
        side.rest()
        quantity = _quantity(settings, conditions.mode)
        further = [_drive_error(conditions)] if conditions.mode in SIDEBANDS else []
        found = power_finding(
            quantity,
            readings,
            settings.limit.limits,
            conditions,
            note,
            further=further,
            drive_exponent=2.0 if further else 0.0,
        )
        findings = [replace(found, axis="time transmitting", axis_value=settings.keyed_for_s, axis_unit="s")]
        if conditions.mode in SIDEBANDS:
            findings = _held(side, findings, numbers(readings), settings, conditions)
            side.remove_second_tone()
        return findings


def _held(
    side: TransmitSide,
    findings: list[Finding],
    levels_dbm: list[float] | None,
    settings: CarrierPowerSettings,
    conditions: Conditions,
) -> list[Finding]:
    """Return the envelope power's findings, without values where it does not follow the drive of both tones."""
    if settings.drive_v is None:
        return findings
    low_hz, high_hz = settings.tones_hz
    return hold_to_drive(
        side,
        findings,
        side.read_peak_envelope_dbm,
        before=None if levels_dbm is None else levels_dbm[-1],
        tone_hz=low_hz,
        level_v=settings.drive_v,
        conditions=conditions,
        follows=falls_by_db,
        apply=lambda level_v: side.apply_two_tones(tones_hz=(low_hz, high_hz), level_v=level_v),
    )


def _count(settings: CarrierPowerSettings, *, by_hand: bool) -> int:
    """Return how many readings are averaged: of a person one, unless the sequence asks for more."""
    return 1 if by_hand and "readings" not in settings.model_fields_set else settings.readings


def _readings_s(settings: CarrierPowerSettings) -> float:
    """Return about how long the readings take, s: two or three until the power stands, and those that are averaged."""
    return 0.15 + 0.04 * settings.readings


def _key_time(settings: CarrierPowerSettings, conditions: Conditions) -> list[Demand]:
    """Return the refusal of a time that does not fit into one key-down: after a rest the stage would be cooler than was asked."""
    bench, radio = conditions.bench, conditions.bench.with_role("radio")
    if not settings.keyed_for_s or radio is None:
        return []
    besides_s = 0.0
    if not radio[1].manual:
        meter = bench.with_role("power_meter")
        answer_s = meter[1].timeout_s if meter is not None else 0.0
        besides_s = longest_release_s(radio[1]) + answer_s + 2.0 * _readings_s(settings)
    limit_s = bench.protection.max_key_time_s
    needed_s, most_s = settings.keyed_for_s + besides_s, limit_s - besides_s
    if needed_s <= limit_s:
        return []
    shorter = f"at most {math.floor(most_s * 10.0) / 10.0:g} s here, or " if most_s >= 0.1 else ""
    return [
        Demand(
            at=("keyed_for",),
            refused=f"{settings.keyed_for_s:g} s of transmitting in one go, the readings and a release of PTT that may take "
            f"{besides_s:.3g} s do not fit into max_key_time {limit_s:g} s",
            allowed=f"{shorter}'max_key_time' of at least {math.ceil(needed_s):g} s in the bench file, if the unit bears it, "
            "or a shorter 'timeout' of radio and power meter",
        )
    ]


def _drive_error(conditions: Conditions) -> ReadError:
    """Return what the audio source may put the peak envelope power off by, dB: it follows the drive in full below the ALC."""
    volts = HalfWidth.of(conditions.bench, "audio_analyser", "voltage")
    return "audio source, level", None if volts is None else volts.in_db(), "dB"


def _quantity(settings: CarrierPowerSettings, mode: str) -> str:
    name = "peak envelope power" if mode in SIDEBANDS else "carrier power"
    return f"{name} after {settings.keyed_for_s:g} s" if settings.keyed_for_s else name
