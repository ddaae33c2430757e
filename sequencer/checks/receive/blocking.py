"""Blocking: how much stronger a plain carrier far from the channel may be before it desensitises the receiver."""

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator
from typing_extensions import override

from drivers.profiled.commands import Need
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.people import beside_another
from sequencer.checks.shared import commands
from sequencer.checks.shared.two_signal.budget import Interference, places_of
from sequencer.checks.shared.two_signal.ratios import find_ratios
from sequencer.checks.shared.two_signal.search import FAR
from sequencer.checks.shared.two_signal.settings import Offsets, TwoSignalSettings, ratio_quantities
from sequencer.files.fields import RatioDb, between
from sequencer.safety.receive import ReceiveSide

QUANTITY = "blocking"


class BlockingSettings(TwoSignalSettings):
    """Settings of `blocking`. The interferer is not modulated, and far from the channel: 1 to 10 MHz from memory of EN 300 086."""

    check: Literal["blocking"]
    """Which check this is."""
    offsets_hz: Offsets = (1e6, -1e6)
    """How far the interferer stands from the channel, one measurement each."""
    fall_db: Annotated[RatioDb, AfterValidator(between(1.0, 20.0, "dB"))] | None = None
    """Criterion by a fall: SINAD falls by so much from what the wanted signal alone gives; without it, until it is back at the target."""


class Blocking(Check[BlockingSettings]):
    """Raise a plain carrier far from the channel until SINAD of the wanted signal has fallen."""

    name: ClassVar[str] = "blocking"
    summary: ClassVar[str] = (
        "ratio of a plain carrier far from the channel to the wanted signal that desensitises"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    generators: ClassVar[int] = 2
    depends_on: ClassVar[DependsOn] = frozenset()
    settings = BlockingSettings

    @override
    def quantities(self, settings: BlockingSettings) -> tuple[tuple[str, str], ...]:
        return ratio_quantities(QUANTITY, settings)

    def needs(self, settings: BlockingSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budgets ask of the bench file."""
        return settings.two_signal_needs(conditions, by_fall=settings.fall_db is not None)

    def demands(self, settings: BlockingSettings, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove."""
        return settings.two_signal_demands(conditions)

    def commands(self, settings: BlockingSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return commands.sensitivity(settings, conditions.mode)

    def readings(self, settings: BlockingSettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand."""
        return beside_another(len(settings.offsets_hz), wanted_is_stated=settings.wanted_dbm is not None)

    @override
    def waits_of(self, settings: BlockingSettings, conditions: Conditions) -> Mapping[str, float]:
        return settings.two_signal_waits(8.0)

    @override
    def forecast_s(self, settings: BlockingSettings, conditions: Conditions) -> float:
        return settings.two_signal_forecast_s(conditions)

    @override
    def receive(self, side: ReceiveSide, settings: BlockingSettings, conditions: Conditions) -> list[Finding]:

        def apply(level_dbm: float, offset_hz: float) -> None:
            side.apply_interferer(level_dbm, offset_hz=offset_hz)

        return find_ratios(
            side,
            settings,
            conditions,
            Interference(
                places=places_of(QUANTITY, settings), apply=apply, usual=FAR, fall_db=settings.fall_db
            ),
        )
