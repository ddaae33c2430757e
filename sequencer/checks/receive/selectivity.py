"""Selectivity: how much stronger a modulated signal beside the channel may be before it spoils reception."""

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import beside_another
from sequencer.checks.shared import commands
from sequencer.checks.shared.budgets.level_budget import ReadError
from sequencer.checks.shared.budgets.parts import HalfWidth
from sequencer.checks.shared.two_signal.budget import Interference, places_of
from sequencer.checks.shared.two_signal.ratios import find_ratios
from sequencer.checks.shared.two_signal.search import ADJACENT
from sequencer.checks.shared.two_signal.settings import TwoSignalSettings, ratio_quantities
from sequencer.files.fields import FrequencyDifferenceHz, FrequencyHz, Percent, between
from sequencer.safety.receive import ReceiveSide

QUANTITY = "selectivity"
SKIRT_DB_PER_HZ = 0.0144
"""How much a signal gains on a filter's skirt for each hertz: 54 dB within 3.75 kHz, a channel filter of shape factor 2. Common practice,
no source; on the safe side for a receiver that is less selective."""


class SelectivitySettings(TwoSignalSettings):
    """Settings of `selectivity`. The interferer's 400 Hz and 60 % are from memory of EN 300 086."""

    check: Literal["selectivity"]
    """Which check this is."""
    interferer_tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] = 400.0
    """FM and AM: modulating tone of the interferer."""
    interferer_deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(0.0, 1e5, "Hz"))] = (
        1200.0
    )
    """FM: peak deviation of the interferer; 60 % of the permitted maximum is customary."""
    interferer_depth_percent: Annotated[Percent, AfterValidator(between(0.0, 100.0, "%"))] = 60.0
    """AM: depth of the interferer. In SSB and CW it is not modulated."""


class Selectivity(Check[SelectivitySettings]):
    """Raise a modulated interferer beside the channel until SINAD of the wanted signal has fallen back to its target."""

    name: ClassVar[str] = "selectivity"
    summary: ClassVar[str] = (
        "ratio of a modulated signal beside the channel to the wanted one that spoils reception"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    generators: ClassVar[int] = 2
    depends_on: ClassVar[DependsOn] = frozenset()
    settings = SelectivitySettings

    @override
    def quantities(self, settings: SelectivitySettings) -> tuple[tuple[str, str], ...]:
        return ratio_quantities(QUANTITY, settings)

    def needs(self, settings: SelectivitySettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return (
            *settings.two_signal_needs(conditions),
            *(need for _, need, _ in _skirt(settings, conditions)),
        )

    def demands(self, settings: SelectivitySettings, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove."""
        return settings.two_signal_demands(conditions)

    def commands(self, settings: SelectivitySettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.sensitivity(settings, conditions.mode) | commands.generator_modulation(
            conditions.mode, interferer=True
        )

    def readings(self, settings: SelectivitySettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand."""
        return beside_another(len(settings.offsets_hz), wanted_is_stated=settings.wanted_dbm is not None)

    @override
    def waits_of(self, settings: SelectivitySettings, conditions: Conditions) -> Mapping[str, float]:
        return settings.two_signal_waits(10.0)

    @override
    def forecast_s(self, settings: SelectivitySettings, conditions: Conditions) -> float:
        return settings.two_signal_forecast_s(conditions)

    @override
    def receive(
        self, side: ReceiveSide, settings: SelectivitySettings, conditions: Conditions
    ) -> list[Finding]:

        def apply(level_dbm: float, offset_hz: float) -> None:
            side.apply_interferer(
                level_dbm,
                offset_hz=offset_hz,
                deviation_hz=settings.interferer_deviation_hz if conditions.mode == "FM" else 0.0,
                depth_percent=settings.interferer_depth_percent if conditions.mode == "AM" else 0.0,
                tone_hz=settings.interferer_tone_hz,
            )

        interference = Interference(
            places=places_of(QUANTITY, settings),
            apply=apply,
            usual=ADJACENT,
            errors=_errors(settings, conditions),
        )
        return find_ratios(side, settings, conditions, interference)


def _skirt(settings: SelectivitySettings, conditions: Conditions) -> list[tuple[str, str, float]]:
    """Return what stands on the skirt of the channel filter: its name, what the bench file must state of it, and its frequency, Hz."""
    found = [
        ("generator, frequency", "signal_generator.frequency", conditions.carrier_hz),
        ("interferer, frequency", "interferer.frequency", conditions.carrier_hz),
    ]
    if conditions.mode == "FM" and settings.interferer_deviation_hz:
        found.append(("interferer, deviation", "interferer.deviation", settings.interferer_deviation_hz))
    if conditions.mode == "AM" and settings.interferer_depth_percent:
        # a sideband's level goes with the depth: no frequency, and dB for dB
        found.append(("interferer, depth", "interferer.depth", 0.0))
    if conditions.mode in ("FM", "AM"):
        found.append(("interferer, tone", "interferer.tone", settings.interferer_tone_hz))
    return found


def _errors(settings: SelectivitySettings, conditions: Conditions) -> tuple[ReadError, ...]:
    """Return what frequencies and modulation of the interferer may put the ratio off by, dB, through the steepest usual skirt."""
    errors: list[ReadError] = []
    for source, need, frequency_hz in _skirt(settings, conditions):
        role, _, key = need.partition(".")
        stated = HalfWidth.of(conditions.bench, role, key)
        if stated is None:
            continue
        relative = 1e-6 if key == "frequency" else 1e-2
        in_db = stated.in_db() if key == "depth" else stated.times(relative * frequency_hz * SKIRT_DB_PER_HZ)
        errors.append((source, in_db, "dB"))
    return tuple(errors)
