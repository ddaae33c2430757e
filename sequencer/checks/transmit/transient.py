"""Transient: the carrier's frequency and power while it comes up after push-to-talk, and while it goes after its release.

The windows are those of land mobile standards: t1 and t2 from the moment at which the carrier is there, t3 up to the moment at which it is
gone (47 CFR 90.214 from 150 to 174 MHz: 5, 20 and 5 ms). Here the carrier is there while its power is above a stated level below the steady
one: 30 dB (EN 300 086, from memory); 90.214 goes by how a test signal is suppressed. Differences count from the channel's frequency.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator
from typing_extensions import override

from drivers.profiled.commands import Need
from drivers.roles import Reading
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.shared.asked.limits import TimeLimit
from sequencer.checks.shared.asked.time_windows import ReleaseWindow, Window
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.spectrum import keyed_carrier as keyed
from sequencer.checks.shared.spectrum.keyed_carrier import Came, KeyedSettings
from sequencer.checks.shared.spectrum.traces import Untrusted
from sequencer.dsp.samples import SamplesError
from sequencer.files.fields import RatioDb, between
from sequencer.frozen import dataclass
from sequencer.problems import FieldProblem
from sequencer.results.model import Point
from sequencer.safety.transmit import TransmitSide
from sequencer.uncertainty.budget import Contribution
from sequencer.uncertainty.contributions import repeatability
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import short_quantity

if TYPE_CHECKING:
    from sequencer.dsp.keying import CarrierInTime

AGREE_HZ, AGREE_S = 150.0, 5e-4  # what key-downs of a steady unit agree to: common practice, no source
LOW_DB, HIGH_DB = -10.0, -0.4576  # 10 % and 90 % of the power
NOISE_SCATTERS = 3.0  # standard deviations of noise that the farthest point of a stretch holds at most
SHOWN_AFTER_S = 0.005
LEAST_RATE_TO_LIMIT = 2.5  # times the widest window's limit: beyond 0.4 of the rate nothing is shown
Above = Annotated[RatioDb, AfterValidator(between(10.0, 60.0, "dB"))]
RISE, FALL, RELEASE = "rise time of the power", "fall time of the power", "frequency difference, release"


class TransientSettings(KeyedSettings):
    """Settings of `transient`."""

    check: Literal["transient"]
    """Which check this is."""
    windows: Annotated[tuple[Window, ...], Field(min_length=1, max_length=8)] = (
        Window(from_s=0.0, to_s=0.005),
        Window(from_s=0.005, to_s=0.025),
    )
    """The windows after the carrier came, t1, t2 and so on: each begins where the one before ends."""
    release: ReleaseWindow = ReleaseWindow()
    """The window before the carrier has gone (t3)."""
    above_db: Above = 30.0
    """The carrier is there while its power is less than this below the steady one."""
    rise: TimeLimit = TimeLimit.unstated()
    """How long the power may take from 10 % to 90 %."""
    fall: TimeLimit = TimeLimit.unstated()
    """How long the power may take from 90 % to 10 %."""

    @model_validator(mode="after")
    def _adjoin(self) -> TransientSettings:
        end_s = 0.0
        for at, one in enumerate(self.windows):
            if abs(one.from_s - end_s) > 1e-9:
                what = "nothing is held" if one.from_s > end_s else "two windows hold"
                low_s, high_s = sorted((end_s, one.from_s))
                raise FieldProblem(
                    f"{what} from {low_s * 1e3:g} ms to {high_s * 1e3:g} ms",
                    at=("windows", at, "from"),
                    allowed=f"'from: {end_s * 1e3:g} ms', where the one before ends",
                )
            end_s = one.to_s
        if self.watched_for_s < end_s / (1.0 - keyed.STEADY_SHARE) + keyed.LEAD_S:
            needed_s = end_s / (1.0 - keyed.STEADY_SHARE) + keyed.LEAD_S
            raise FieldProblem(
                f"a recording of {self.watched_for_s * 1e3:g} ms after PTT is too short for windows up to {end_s * 1e3:g} ms",
                at=("watched_for",) if "watched_for_s" in self.model_fields_set else ("windows",),
                allowed=f"'watched_for: {needed_s * 1e3:.0f} ms' or longer: the carrier comes after PTT, and has to stand at the end",
            )
        return self._reaches()

    def _reaches(self) -> TransientSettings:
        widest_hz = max(self.release.max_hz or 0.0, *(one.max_hz or 0.0 for one in self.windows))
        if self.rate_hz < LEAST_RATE_TO_LIMIT * widest_hz:
            raise FieldProblem(
                f"samples at {self.rate_hz / 1e3:g} kHz do not show {widest_hz / 1e3:g} kHz to either side",
                at=("rate",) if "rate_hz" in self.model_fields_set else (),
                allowed=f"'rate: {LEAST_RATE_TO_LIMIT * widest_hz / 1e3:g} kHz' or more",
            )
        return self

    @property
    def wanted(self) -> tuple[tuple[str, str, Limits], ...]:
        """The quantities, their units and limits."""
        return (
            *(
                (f"frequency difference, t{at}", "Hz", Limits(upper=one.max_hz))
                for at, one in enumerate(self.windows, 1)
            ),
            (RELEASE, "Hz", Limits(upper=self.release.max_hz)),
            (RISE, "s", self.rise.limits),
            (FALL, "s", self.fall.limits),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One key-down: its carrier as it came, and as it went."""

    up: Came
    down: Came


class Transient(Check[TransientSettings]):
    """Record the carrier over PTT and over its release, hold its frequency against windows of time, and time its power."""

    name: ClassVar[str] = "transient"
    summary: ClassVar[str] = (
        "frequency and power as the carrier comes up with push-to-talk and goes with its release"
    )
    side: ClassVar[Side] = "transmit"
    roles: ClassVar[frozenset[str]] = frozenset({"modulation_analyser", "power_meter", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage", "reference"})
    limit_keys = MappingProxyType(
        {RELEASE: "release", "frequency difference": "windows", RISE: "rise", FALL: "fall"}
    )
    settings = TransientSettings

    @override
    def quantities(self, settings: TransientSettings) -> tuple[tuple[str, str], ...]:
        return tuple((quantity, unit) for quantity, unit, _ in settings.wanted)

    @override
    def limits_of(self, settings: TransientSettings, conditions: Conditions) -> tuple[Limits, ...]:
        return tuple(limits for _, _, limits in settings.wanted)

    def demands(self, settings: TransientSettings, conditions: Conditions) -> list[Demand]:
        """Return why this bench cannot say when PTT was pressed."""
        return keyed.hand_demands(conditions)

    def needs(self, settings: TransientSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (
            "modulation_analyser.frequency",
            "modulation_analyser.step",
            "modulation_analyser.linearity",
        )

    def commands(self, settings: TransientSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return keyed.needed_commands()

    @override
    def waits_of(self, settings: TransientSettings, conditions: Conditions) -> Mapping[str, float]:
        return {"power_meter": 2.0, "modulation_analyser": 2.0 * keyed.RECORDINGS}

    def forecast_s(self, settings: TransientSettings, conditions: Conditions) -> float:
        """Return about how long it takes, s: the power, and three key-downs with a recording at either end."""
        released_s = keyed.AFTER_RELEASE_S + keyed.LEAD_S + keyed.BETWEEN_FORECAST_S
        return keyed.cycles_s(conditions, self.last_keyed_s(settings, conditions), released_s)

    @override
    def keyed_s(self, settings: TransientSettings, conditions: Conditions) -> float:
        return keyed.POWER_FORECAST_S + keyed.RECORDINGS * self.last_keyed_s(settings, conditions)

    @override
    def last_keyed_s(self, settings: TransientSettings, conditions: Conditions) -> float:
        return settings.watched_for_s + _release_lead_s(settings) + 0.13

    @override
    def transmit(
        self, side: TransmitSide, settings: TransientSettings, conditions: Conditions
    ) -> list[Finding]:
        side.remove_audio()
        cycles: list[Cycle] = []
        recorder = keyed.Recorder(side, settings)

        def cycle() -> Cycle:
            up = recorder.press()
            cycles.append(Cycle(up=up, down=recorder.release(lead_s=_release_lead_s(settings))))
            return cycles[-1]

        try:
            level_dbm = keyed.meter_dbm(side)
            first = [cycle() for _ in range(keyed.RECORDINGS)]
            keyed.refuse_another(side, first[-1].up, level_dbm, conditions)
            keyed.refuse_slow([one.up for one in first])
            findings = [
                _finding(at, first, cycle, settings, conditions) for at in range(len(settings.wanted))
            ]
        except Untrusted as error:
            findings = keyed.unmeasured(list(settings.wanted), error.why)
        except SamplesError as error:
            findings = keyed.unmeasured(list(settings.wanted), f"modulation analyser: {error}")
        side.rest()
        return findings


def _release_lead_s(settings: TransientSettings) -> float:
    return max(keyed.LEAD_S, settings.release.before_s + keyed.LEAD_S)


def _there_s(carrier: CarrierInTime, settings: TransientSettings, off_db: float) -> float:
    if (found := carrier.first_above_s(-settings.above_db + off_db)) is None:
        raise SamplesError("the carrier does not come while it is recorded")
    return found


def _gone_s(carrier: CarrierInTime, settings: TransientSettings, off_db: float) -> float:
    if (found := carrier.last_above_s(-settings.above_db + off_db)) is None:
        raise SamplesError("the carrier has not gone while it is recorded")
    return found


def _farthest_hz(
    at: int, one: Cycle, settings: TransientSettings, off_db: float = 0.0, off_s: float = 0.0
) -> float:
    """Return how far the frequency is off in a window; the level at which the carrier is there, and the moment, may be off."""
    above_db = -settings.above_db + off_db
    if at == len(settings.windows):
        gone_s = _gone_s(one.down.carrier, settings, off_db) + off_s
        return one.down.carrier.farthest_hz(gone_s - settings.release.before_s, gone_s, above_db=above_db)
    window, there_s = settings.windows[at], _there_s(one.up.carrier, settings, off_db) + off_s
    return one.up.carrier.farthest_hz(there_s + window.from_s, there_s + window.to_s, above_db=above_db)


def _took_s(one: Cycle, *, falling: bool, low_db: float = LOW_DB, high_db: float = HIGH_DB) -> float:
    """Return how long the power takes between two levels."""
    carrier = one.down.carrier if falling else one.up.carrier
    ends = [
        carrier.last_above_s(level_db) if falling else carrier.first_above_s(level_db)
        for level_db in (low_db, high_db)
    ]
    if ends[0] is None or ends[1] is None:
        raise SamplesError("the power does not pass 10 % and 90 % while it is recorded")
    return abs(ends[1] - ends[0])


def _figure(at: int, settings: TransientSettings) -> Callable[[Cycle], float]:
    """Return what gives the figure of a quantity by its place among those wanted."""
    windows = len(settings.windows)
    if at <= windows:
        return lambda one: _farthest_hz(at, one, settings)
    return lambda one: _took_s(one, falling=at == windows + 2)


def _finding(
    at: int,
    cycles: list[Cycle],
    again: Callable[[], Cycle],
    settings: TransientSettings,
    conditions: Conditions,
) -> Finding:
    quantity, unit, limits = settings.wanted[at]
    figure = _figure(at, settings)

    def read(one: Cycle) -> Reading:
        return keyed.reading_of(lambda: figure(one))

    found, why = keyed.agreed(
        [read(one) for one in cycles], lambda: read(again()), within=AGREE_HZ if unit == "Hz" else AGREE_S
    )
    if not found:
        return keyed.unmeasured([(quantity, unit, limits)], f"modulation analyser: {why}")[0]
    value, last = statistics.fmean(found), cycles[-1]
    parts = (_hz_parts if unit == "Hz" else _time_parts)(at, last, settings, conditions)
    parts.add(repeatability("repeatability", found, unit=unit))
    finding = Finding(
        quantity=quantity,
        value=value,
        unit=unit,
        limits=limits,
        budget=parts.budget(quantity, unit, value),
        note=_note(at, last, settings),
    )
    return replace(finding, points=_points(at, last, settings))


def _hz_parts(at: int, one: Cycle, settings: TransientSettings, conditions: Conditions) -> Parts:
    parts = Parts(conditions.bench)
    reference = HalfWidth.of(conditions.bench, "modulation_analyser", "frequency")
    parts.accuracy(
        "analyser's reference",
        None if reference is None else reference.times(1e-6 * conditions.carrier_hz),
        unit="Hz",
    )
    linearity = keyed.stated_db(conditions, "linearity")
    moved_hz, keys = keyed.shifted(
        lambda off_db: _farthest_hz(at, one, settings, off_db=off_db), linearity, most=settings.above_db / 3.0
    )
    parts.accuracy(
        "analyser, level at which the carrier is there",
        HalfWidth(figure=None if linearity.figure is None else moved_hz, keys=keys),
        unit="Hz",
    )
    is_up = at < len(settings.windows)
    carrier = one.up.carrier if is_up else one.down.carrier
    steady = (
        (0.8 * carrier.time_s[-1], carrier.time_s[-1]) if is_up else (0.0, 0.5 * _release_lead_s(settings))
    )
    here_hz = _farthest_hz(at, one, settings)
    edges_hz = max(
        abs(_farthest_hz(at, one, settings, off_s=sign * carrier.look_s) - here_hz) for sign in (-1.0, 1.0)
    )
    parts.add(
        Contribution.bounded("a look at the samples, at the window's edges", edges_hz, unit="Hz"),
        Contribution.bounded(
            "residual modulation and noise, at the farthest point",
            NOISE_SCATTERS * carrier.scatter_hz(*steady),
            unit="Hz",
        ),
    )
    return parts


def _time_parts(at: int, one: Cycle, settings: TransientSettings, conditions: Conditions) -> Parts:
    parts, falling = Parts(conditions.bench), at == len(settings.windows) + 2
    for source, key, edge, level_db in (
        ("analyser, level of 10 %", "linearity", "low_db", LOW_DB),
        ("analyser, step of level to 90 %", "step", "high_db", HIGH_DB),
    ):
        half_width = keyed.stated_db(conditions, key)

        def took(off_db: float, edge: str = edge, level_db: float = level_db) -> float:
            return _took_s(one, falling=falling, **{edge: min(level_db + off_db, -0.05)})

        moved_s, keys = keyed.shifted(took, half_width, most=6.0)
        parts.accuracy(
            source, HalfWidth(figure=None if half_width.figure is None else moved_s, keys=keys), unit="s"
        )
    look_s = one.up.carrier.look_s
    parts.add(Contribution.bounded("a look at the samples", look_s / 2.0 + 1.0 / settings.rate_hz, unit="s"))
    return parts


def _note(at: int, one: Cycle, settings: TransientSettings) -> str:
    floor_db = max(one.up.carrier.floor_db, one.down.carrier.floor_db)
    floor = f"without a carrier {-floor_db:.0f} dB less is recorded"
    if at < len(settings.windows):
        window = settings.windows[at]
        late_s = _there_s(one.up.carrier, settings, 0.0) - one.up.ordered_middle_s
        return (
            f"from {window.from_s * 1e3:g} to {window.to_s * 1e3:g} ms after the carrier came, "
            f"{short_quantity(late_s, 's')} after the order; there is one within {settings.above_db:g} dB of the steady power; {floor}"
        )
    if at == len(settings.windows):
        late_s = _gone_s(one.down.carrier, settings, 0.0) - one.down.ordered_middle_s
        after = f"{short_quantity(late_s, 's')} after the order"
        return f"in the {settings.release.before_s * 1e3:g} ms before the carrier had gone, {after}; {floor}"
    return f"from {'90 % to 10' if at == len(settings.windows) + 2 else '10 % to 90'} % of the steady power; {floor}"


def _points(at: int, one: Cycle, settings: TransientSettings) -> tuple[Point, ...]:
    """Return the traces: frequency with the first window and with the release, power with rise and fall; of the other windows none."""
    windows, up, down = len(settings.windows), one.up, one.down
    if at == 0:
        span_s = (0.0, settings.windows[-1].to_s + SHOWN_AFTER_S)
        there_s = _there_s(up.carrier, settings, 0.0)
        return keyed.frequency_points(up, there_s, span_s, above_db=-settings.above_db)
    if at == windows:
        gone_s = _gone_s(down.carrier, settings, 0.0)
        return keyed.frequency_points(
            down, gone_s, (-2.0 * settings.release.before_s, 0.0), above_db=-settings.above_db
        )
    if at == windows + 1:
        return keyed.level_points(up, up.ordered_middle_s)
    return keyed.level_points(down, down.ordered_middle_s) if at == windows + 2 else ()
