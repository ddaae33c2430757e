"""The golden unit: what a run found of it, against what earlier runs found of it on this bench."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, model_validator
from typing_extensions import override

from sequencer.analysis.own_history import BASELINE, FEWEST_CHECKS, Expected, expected
from sequencer.analysis.where_to_look import BenchFound, where_to_look
from sequencer.checks import find_check
from sequencer.checks.check import Check, Side
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.files.fields import between
from sequencer.inputs.bench_parts.bench_health import bench_serial
from sequencer.problems import Complaint, FieldProblem
from sequencer.results.model import BENCH_HEALTH, Result
from sequencer.results.stages import counting
from sequencer.uncertainty.decision import Decision

REPEATS_BETTER_THAN = 0.02
"""Of its uncertainty: no result is believed to repeat better than a fiftieth of that (workshop's own)."""
RECENT_S = 86_400.0
"""How old the bench's own check may be to say anything, where the bench file names no other time."""
_BY_SIDE = {"receive": {"signal_generator"}, "transmit": {"power_meter"}}
_NOT_HELD = frozenset({"confirm", "enter_reading", "channel_memory", "record_audio", "adjust"})


class GoldenUnitSettings(CheckSettings):
    """Settings of `golden_unit`."""

    check: Literal["golden_unit"]
    """Which check this is."""
    fewest: Annotated[int, AfterValidator(between(3, 100, ""))] = FEWEST_CHECKS
    """How many earlier runs there must be before control limits are said to exist."""
    baseline: Annotated[int, AfterValidator(between(3, 1000, ""))] = BASELINE
    """Of how many runs, the first ones, control limits are made at most."""

    @model_validator(mode="after")
    def _in_order(self) -> "GoldenUnitSettings":
        if self.fewest > self.baseline:
            raise FieldProblem(
                f"control limits of {self.baseline} runs at most would need {self.fewest} at least",
                at=("fewest",),
                allowed="'fewest' at or below 'baseline'",
            )
        return self


class GoldenUnit(Check[GoldenUnitSettings]):
    """Hold what the checks before it found of the bench's golden unit against that unit's own history on this bench.

    For the last place of a sequence, on the unit that the bench file names (`golden_unit: {serial: …}`). Each result is held against
    control limits of the first `baseline` of its earlier ones (individuals and moving range), measured under the same settings and with the
    same instruments; before there are `fewest` of them nothing is said. The rows stand under the bench's serial ("golden unit: carrier
    power"). Whether bench or unit has changed neither can tell alone: what is off is held beside the bench's own last check
    (`bench_check`).
    """

    name: ClassVar[str] = "golden_unit"
    summary: ClassVar[str] = "the bench's golden unit against its own history"
    side: ClassVar[Side] = "none"
    of_bench: ClassVar[bool] = True
    limit_keys: ClassVar[Mapping[str, str]] = MappingProxyType({})
    settings = GoldenUnitSettings

    @override
    def quantities(self, settings: GoldenUnitSettings) -> tuple[tuple[str, str], ...]:
        return (("golden unit", ""),)

    @override
    def complaints(self, settings: GoldenUnitSettings, conditions: Conditions) -> list[Complaint]:
        unit = conditions.bench.golden_unit
        if unit is not None and conditions.serial in ("", unit.serial):
            return []
        named = "names no golden unit" if unit is None else f"names {unit.serial} as its golden unit"
        on = "no unit" if not conditions.serial else conditions.serial
        return [
            Complaint(
                file="golden_unit",
                message=f"bench {conditions.bench.bench!r} {named}, and this run is of {on}",
                allowed="a run of the unit that the bench file names with 'golden_unit: {serial: …}'",
                hint="'sequencer check-bench --golden' makes one",
            )
        ]

    @override
    def inspect(self, settings: GoldenUnitSettings, conditions: Conditions) -> list[Finding]:
        held = [one for one in counting(conditions.results_so_far()) if _is_held(one)]
        if not held:
            return [
                Finding(
                    quantity="golden unit",
                    value=None,
                    unit="",
                    note="no check before it found anything of the unit",
                )
            ]
        own = conditions.find_earlier(conditions.serial, "")
        stated = conditions.bench.golden_unit
        since = stated.since if stated is not None else None
        found: list[tuple[Result, Expected]] = []
        for one in held:
            past = own.past_of(own.alike(one), _roles(one), since)
            least = REPEATS_BETTER_THAN * (one.uncertainty or 0.0)
            should = expected(
                one.value or 0.0,
                one.unit,
                past,
                fewest=settings.fewest,
                baseline=settings.baseline,
                least_sigma=least,
                called="runs",
            )
            found.append((one, should))
        moved = {
            find_check(one.check).side
            for one, should in found
            if not should.limits.contains(one.value or 0.0)
        }
        where = where_to_look(
            _bench_found(conditions), receive="receive" in moved, transmit="transmit" in moved
        )
        unread = f"its history cannot be read: {own.unreadable}" if own.unreadable else ""
        return [_finding(one, should, where, unread) for one, should in found]


def _finding(one: Result, should: Expected, where: str, unread: str) -> Finding:
    wrong = "" if should.limits.contains(one.value or 0.0) else where
    note = should.note.replace(
        "held against nothing: not all accuracies are stated", "so that nothing is said yet"
    )
    return Finding(
        quantity=f"golden unit: {one.quantity}",
        value=one.value,
        unit=one.unit,
        exact=True,
        channel=one.channel,
        frequency_hz=one.frequency_hz,
        limits=should.limits,
        note="; ".join(filter(None, (note, unread, wrong))),
    )


def _is_held(one: Result) -> bool:
    return one.value is not None and one.unit != "" and one.check not in _NOT_HELD and not _is_of_bench(one)


def _is_of_bench(one: Result) -> bool:
    return one.check == BENCH_HEALTH or find_check(one.check).of_bench


def _roles(one: Result) -> frozenset[str]:
    check = find_check(one.check)
    return check.roles | _BY_SIDE.get(check.side, set())


def _bench_found(conditions: Conditions) -> BenchFound:
    """Return what the bench's own last check found, if it is recent enough to say anything."""
    rows = conditions.find_earlier(bench_serial(conditions.bench.bench), "bench_check").rows
    newest = [one for one in rows if one.run == rows[-1].run and one.counts]
    policy = conditions.bench.bench_check
    oldest = datetime.now().astimezone() - timedelta(seconds=policy.every_s if policy else RECENT_S)
    if not newest or newest[-1].time < oldest:
        return "unknown"
    wrong = any(one.decision in (Decision.FAIL, Decision.NOT_MEASURED) for one in newest)
    return "changed" if wrong else "as it was"
