"""Intermodulation: how strong two signals beside the channel may be before their product of third order is heard on it.

A plain carrier stands at the spacing from the channel and a modulated one at twice that, both at the same level: 2 f1 - f2 falls on the
channel, with the modulation of the second. Both are raised until the product gives the SINAD that the sensitivity is defined by; the
ratio is that level to the sensitivity. With two generators there is no wanted signal beside them, as standards with three generators
have it: 65 dB for mobiles and 70 dB for base stations, from memory of EN 300 086 and TIA-603, are held against that with care.

The product rises by 3 dB for each dB of both (cubic characteristic), so that two thirds of the interferer's level error count and a third
of the generator's. A product made where the two are combined looks the same: a pad of 3 dB before the unit lowers one made in the unit
by 9 dB and one made before it by 3 dB.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import Field
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import beside_another
from sequencer.checks.settings import SOME
from sequencer.checks.shared import commands
from sequencer.checks.shared.asked.levels import LevelWindow
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.budgets.level_budget import how_found, reading_step, why_not
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts, find_entry
from sequencer.checks.shared.level_search.sensitivity import (
    SensitivityFound,
    SensitivitySettingsBase,
    find_sensitivity,
    sensitivity_reader,
)
from sequencer.checks.shared.level_search.sensitivity_reader import (
    REPEAT_S,
    SWITCH_S,
    SensitivityReader,
    reading_needs,
)
from sequencer.checks.shared.level_search.stepper import Stepper
from sequencer.checks.shared.level_search.wanted_signal import apply_wanted, find_tone_hz
from sequencer.checks.shared.two_signal.generator_noise import Hidden, hidden_by_noise
from sequencer.checks.shared.two_signal.listening import places_proof_s
from sequencer.checks.shared.two_signal.search import PRODUCT, PRODUCT_ORDER, Receiver, product_search
from sequencer.checks.shared.two_signal.second_place import SecondProof, prove_second
from sequencer.checks.shared.two_signal.settings import (
    SECOND_LEVEL_S,
    SECOND_PROOF_S,
    Offset,
    highest_dbm,
    offset_name,
)
from sequencer.frozen import dataclass
from sequencer.inputs.bench import INTERFERER
from sequencer.inputs.stated import BOTH_GENERATORS, own_pairs
from sequencer.results.model import FaultFacts
from sequencer.safety.receive import ReceiveSide
from sequencer.search.curve_belief import Expected
from sequencer.search.protocol import Crossing, find_crossing
from sequencer.uncertainty.contributions import instrument_accuracy, search_interval
from sequencer.uncertainty.decision import Bound
from sequencer.units.format import format_quantity

QUANTITY = "intermodulation"
BOTH_DB = 3.02  # two signals are twice the power of each; rounded up
ABOVE_DB = 2.0  # above the sensitivity both generators are compared: SINAD scatters less there
PRODUCT_BEFORE = (
    "a product made in the generators or where they are combined fails a unit as well: a pad of 3 dB before the unit lowers one made in "
    "the unit by 9 dB, and one made before it by 3 dB"
)
HEARD_WITHIN_DB = 3.0  # of SINAD: common practice, no source
SHARES = {"signal_generator": 1.0, INTERFERER: 2.0}
"""How often each signal enters the product."""


class IntermodulationSettings(SensitivitySettingsBase):
    """Settings of `intermodulation`."""

    check: Literal["intermodulation"]
    """Which check this is."""
    spacings_hz: Annotated[tuple[Offset, ...], *SOME] = (50e3, -50e3)
    """How far the plain carrier stands from the channel; the modulated one stands twice as far. 50 kHz: from memory of EN 300 086."""
    unwanted_levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels both may have; without a max 3 dB below 0 dBm, or below the receiver's rating, for there are two of them."""
    limit: RatioLimit = RatioLimit.unstated()
    """The ratio of both to the sensitivity: usually a min."""

    def bounds_dbm(self, conditions: Conditions) -> tuple[float, float]:
        """Return the levels that both generators offer, and that are no more for the receiver than one may be."""
        first = self.unwanted_levels.bounds_dbm(conditions, highest_dbm=highest_dbm(conditions))
        second = self.unwanted_levels.bounds_dbm(
            conditions, interferer=True, highest_dbm=highest_dbm(conditions)
        )
        return max(first[0], second[0]), min(first[1], second[1]) - BOTH_DB


class Intermodulation(Check[IntermodulationSettings]):
    """Raise two signals beside the channel together until their product is heard as the sensitivity has it."""

    name: ClassVar[str] = "intermodulation"
    summary: ClassVar[str] = (
        "ratio of two signals beside the channel, whose product is heard, to the sensitivity (FM)"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    generators: ClassVar[int] = 2
    depends_on: ClassVar[DependsOn] = frozenset()
    settings = IntermodulationSettings

    @override
    def quantities(self, settings: IntermodulationSettings) -> tuple[tuple[str, str], ...]:
        return tuple((offset_name(QUANTITY, spacing_hz), "dB") for spacing_hz in settings.spacings_hz)

    def needs(self, settings: IntermodulationSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        read = reading_needs(settings.target.kind, conditions.mode)
        return ("signal_generator.level", "interferer.level", BOTH_GENERATORS, *read)

    def demands(self, settings: IntermodulationSettings, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove."""
        demands = settings.sensitivity_demands(conditions)
        for interferer in (False, True):
            demands += settings.unwanted_levels.demands(
                conditions, key="unwanted_levels", interferer=interferer, highest_dbm=highest_dbm(conditions)
            )
        if settings.target.kind != "SINAD":
            refused = f"{settings.target} cannot be read of a product that comes and goes with both signals"
            demands.append(Demand(at=("target",), refused=refused, allowed="12 dB SINAD"))
        for spacing_hz in settings.spacings_hz:
            if conditions.carrier_hz + 2.0 * spacing_hz <= 0:
                carrier = format_quantity(conditions.carrier_hz, "Hz")
                refused = f"{format_quantity(2.0 * spacing_hz, 'Hz')} from {carrier} is not a frequency"
                demands.append(Demand(at=("spacings",), refused=refused, allowed="spacings such as 50 kHz"))
        return demands

    def commands(self, settings: IntermodulationSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.sensitivity(settings, conditions.mode)

    def readings(self, settings: IntermodulationSettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand."""
        spacings = len(settings.spacings_hz)
        return spacings + beside_another(spacings, wanted_is_stated=False)

    @override
    def waits_of(self, settings: IntermodulationSettings, conditions: Conditions) -> Mapping[str, float]:
        each = 9.0 * len(settings.spacings_hz)
        return {"signal_generator": 6.0 + each, "audio_analyser": 3.0 + each}

    @override
    def forecast_s(self, settings: IntermodulationSettings, conditions: Conditions) -> float:
        finer = max(0.6, float((0.5 / settings.accuracy_db) ** 1.5))
        each_s = 1.2 + 0.8 * finer + 3.0 * SWITCH_S + REPEAT_S
        return (
            settings.sensitivity_forecast_s(conditions)
            + SECOND_PROOF_S
            + SECOND_LEVEL_S
            + places_proof_s(conditions, settings.spacings_hz)
            + len(settings.spacings_hz) * each_s
        )

    @override
    def receive(
        self, side: ReceiveSide, settings: IntermodulationSettings, conditions: Conditions
    ) -> list[Finding]:
        found = find_sensitivity(side, settings, conditions)
        crossing = found.crossing
        if crossing is None or not crossing.found or crossing.level_db is None:
            why = found.why_not_found or ("not found" if crossing is None else why_not(crossing))
            return [
                _nothing(spacing_hz, settings, f"sensitivity: {why}") for spacing_hz in settings.spacings_hz
            ]
        tone_hz = find_tone_hz(side, settings, conditions, weighting=settings.weighting)
        reader = sensitivity_reader(side, settings, conditions, tone_hz or settings.tone_hz)
        second = prove_second(
            side,
            settings,
            conditions,
            reader,
            level_dbm=crossing.level_db + ABOVE_DB,
            first_db=None,
            places_hz=settings.spacings_hz,
        )
        if (fault := second.fault) is not None:
            nothing = [_nothing(spacing_hz, settings, str(fault)) for spacing_hz in settings.spacings_hz]
            return [replace(one, fault=FaultFacts.of(fault)) for one in nothing]
        heard = _Heard(
            found=found, crossing=crossing, sensitivity_dbm=crossing.level_db, reader=reader, second=second
        )
        return [_find(spacing_hz, heard, side, settings, conditions) for spacing_hz in settings.spacings_hz]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """The sensitivity that the product is held against, and what reads SINAD."""

    found: SensitivityFound
    crossing: Crossing
    sensitivity_dbm: float
    reader: SensitivityReader
    second: SecondProof


def _nothing(spacing_hz: float, settings: IntermodulationSettings, note: str) -> Finding:
    quantity = offset_name(QUANTITY, spacing_hz)
    return Finding(quantity=quantity, value=None, unit="dB", limits=settings.limit.limits, note=note)


def _find(
    spacing_hz: float,
    heard: _Heard,
    side: ReceiveSide,
    settings: IntermodulationSettings,
    conditions: Conditions,
) -> Finding:
    """Raise both until their product gives the target, look whether one alone does, and return the ratio."""
    low_dbm, high_dbm = settings.bounds_dbm(conditions)
    search = product_search(
        Receiver.of(settings, conditions.mode),
        target_db=settings.target.ratio_db,
        expected=Expected(level_db=heard.sensitivity_dbm + PRODUCT.above_db, sd_db=PRODUCT.sd_db),
        window_dbm=(low_dbm, high_dbm),
        accuracy_db=settings.accuracy_db,
    )
    start_dbm = search.ask.level_db if search.ask is not None else low_dbm

    def set_both_dbm(level_dbm: float) -> float:
        second_dbm = side.set_interferer_dbm(level_dbm)
        return (side.set_level_dbm(level_dbm) + 2.0 * second_dbm) / PRODUCT_ORDER

    apply_wanted(side, settings, conditions, low_dbm)
    side.shift_carrier(start_dbm, by_hz=2.0 * spacing_hz)
    side.apply_interferer(start_dbm, offset_hz=spacing_hz)
    stepper = Stepper(side, conditions, heard.reader.read, unit="dB", set_level=set_both_dbm)
    crossing = find_crossing(search, stepper.measure)
    if not crossing.found or crossing.level_db is None:
        side.remove_interferer()
        note = f"{why_not(crossing)}; both may go from {low_dbm:.1f} to {high_dbm:.1f} dBm"
        return _nothing(spacing_hz, settings, note)
    set_both_dbm(crossing.level_db)
    side.remove_interferer()
    side.wait_s(3.0 * SWITCH_S)
    alone = heard.reader.read(REPEAT_S).number
    both_hz = {"signal_generator": 2.0 * spacing_hz, INTERFERER: spacing_hz}
    hidden = hidden_by_noise(
        conditions,
        both_hz,
        level_dbm=crossing.level_db,
        heard_dbm=heard.sensitivity_dbm,
        target_db=settings.target.ratio_db,
    )
    ratio_db = crossing.level_db - heard.sensitivity_dbm - hidden.off_db
    lower_db = settings.limit.limits.lower
    fails = lower_db is not None and ratio_db < lower_db
    notes = [
        f"sensitivity {heard.sensitivity_dbm:.1f} dBm, both {crossing.level_db:.1f} dBm at {settings.target.ratio_db:g} dB SINAD",
        how_found(crossing),
        hidden.said(passes=not fails),
    ]
    bound: Bound = "at least" if hidden.is_bound else ""
    if alone is None or alone > settings.target.ratio_db - HEARD_WITHIN_DB:
        shown = "no SINAD" if alone is None else f"{alone:.1f} dB SINAD"
        notes.append(f"the modulated signal alone gives {shown}: no product stands out")
        bound = "at least"
    # a product stands out where both are where they say; without one nothing shows that
    notes.append(heard.second.said(spacing_hz) if bound else "")
    note = "; ".join(filter(None, notes))
    if alone is None or (bound and fails):
        return _nothing(spacing_hz, settings, f"{note}; {ratio_db:.1f} dB as a bound decides nothing")
    if fails:
        note = f"{note}; {PRODUCT_BEFORE}"
    quantity = offset_name(QUANTITY, spacing_hz)
    return Finding(
        quantity=quantity,
        value=ratio_db,
        bound=bound,
        unit="dB",
        limits=settings.limit.limits,
        budget=_parts(heard, crossing, conditions, hidden).budget(quantity, "dB", ratio_db),
        note=note,
        points=tuple(stepper.points),
        target=settings.target.ratio_db,
        target_unit=settings.target.unit,
        slope=crossing.slope,
        axis="spacing of the interferer",
        axis_value=spacing_hz,
        axis_unit="Hz",
        levels_as_made=True,
    )


def _parts(heard: _Heard, crossing: Crossing, conditions: Conditions, hidden: Hidden) -> Parts:
    """Return the ratio's parts, dB.

    The generator's error at the sensitivity is taken as another than at the level of the product, some 80 dB higher. A match is the same
    at both, and so counts by what is left of it. What SINAD is off by moves both levels: the difference counts.
    """
    bench, parts = conditions.bench, Parts(conditions.bench)
    parts.add(search_interval("search of the product, 95 % interval", crossing.half_width_db, unit="dB"))
    name = "sensitivity's search, 95 % interval"
    parts.add(search_interval(name, heard.crossing.half_width_db, unit="dB", coefficient=-1.0))
    parts.add(*reading_step(crossing))
    if not hidden.is_bound:
        hides = "generators' own noise, hides part of the product"
        parts.add(instrument_accuracy(hides, hidden.db / 2.0, unit="dB"))
    for role, enters in SHARES.items():
        if (named := find_entry(bench, role)) is None:
            continue
        half_width, share = HalfWidth.of(bench, role, "level"), enters / PRODUCT_ORDER
        parts.accuracy(f"{named[0]}, level accuracy", half_width, unit="dB", coefficient=share)
        left = share if role == INTERFERER else share - 1.0
        parts.mismatches(own_pairs(bench, named, conditions.carrier_hz), coefficient=left)
    at_sensitivity = HalfWidth.of(bench, "signal_generator", "level")
    parts.accuracy(
        "generator, level accuracy at the sensitivity", at_sensitivity, unit="dB", coefficient=-1.0
    )
    parts.loss("receive path, loss, common to all", "receive", conditions.frequency_hz, coefficient=0.0)
    if crossing.slope and heard.crossing.slope:
        moves = 1.0 / abs(crossing.slope) - 1.0 / abs(heard.crossing.slope)
        for source, half_width, unit in heard.reader.read_errors:
            parts.accuracy(source, half_width, unit=unit, coefficient=moves)
    return parts
