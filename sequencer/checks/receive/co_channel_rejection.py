"""Co-channel rejection: how strong another station on the same frequency may be before it spoils reception in FM.

The ratio is negative or about nought: the weaker signal is suppressed by the limiter, and the less room the receiver needs between
the two, the nearer to nought it is. Other modes suppress no weaker signal.

Land-mobile standards ask for -12 to 0 dB at 12.5 kHz and -8 to 0 dB at 25 kHz spacing, the wanted signal at -107 dBm (+6 dBuV emf), down
to 14 dB SINAD weighted by a psophometer; all from memory of EN 300 086.
"""

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
from sequencer.checks.shared.two_signal.search import ON_CHANNEL
from sequencer.checks.shared.two_signal.settings import SecondSignalSettings, ratio_quantities
from sequencer.files.fields import FrequencyDifferenceHz, FrequencyHz, between
from sequencer.safety.receive import ReceiveSide

QUANTITY = "co-channel rejection"


class CoChannelRejectionSettings(SecondSignalSettings):
    """Settings of `co_channel_rejection`. The interferer's 400 Hz and 60 % are from memory of EN 300 086."""

    check: Literal["co_channel_rejection"]
    """Which check this is."""
    interferer_tone_hz: Annotated[FrequencyHz, AfterValidator(between(20.0, 20_000.0, "Hz"))] = 400.0
    """Modulating tone of the interferer: another than that of the wanted signal, so that it counts as noise."""
    interferer_deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = (
        1200.0
    )
    """Peak deviation of the interferer; 60 % of the permitted maximum is customary."""


class CoChannelRejection(Check[CoChannelRejectionSettings]):
    """Raise a modulated interferer on the channel itself until SINAD of the wanted signal has fallen back to its target."""

    name: ClassVar[str] = "co_channel_rejection"
    summary: ClassVar[str] = (
        "ratio of a modulated signal on the same frequency to the wanted one that spoils reception (FM)"
    )
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"signal_generator", "audio_analyser"})
    modes: ClassVar[frozenset[str]] = frozenset({"FM"})
    generators: ClassVar[int] = 2
    depends_on: ClassVar[DependsOn] = frozenset()
    settings = CoChannelRejectionSettings

    @override
    def quantities(self, settings: CoChannelRejectionSettings) -> tuple[tuple[str, str], ...]:
        return ratio_quantities(QUANTITY, settings)

    def needs(self, settings: CoChannelRejectionSettings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return (*settings.two_signal_needs(conditions), "interferer.deviation", "interferer.tone")

    def demands(self, settings: CoChannelRejectionSettings, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove; two tones that are one cannot be told apart."""
        demands = settings.two_signal_demands(conditions)
        if abs(settings.interferer_tone_hz - settings.tone_hz) < 0.1 * settings.tone_hz:
            told = (
                f"the interferer's {settings.interferer_tone_hz:g} Hz cannot be told from the wanted signal's "
                f"{settings.tone_hz:g} Hz"
            )
            demands.append(
                Demand(
                    at=("interferer_tone",), refused=told, allowed="a tone 10 % or more away, such as 400 Hz"
                )
            )
        return demands

    def commands(self, settings: CoChannelRejectionSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        modulated = commands.generator_modulation(conditions.mode, interferer=True)
        return commands.sensitivity(settings, conditions.mode) | modulated

    def readings(self, settings: CoChannelRejectionSettings, conditions: Conditions) -> float:
        """Return about how many readings it takes by hand."""
        return beside_another(1, wanted_is_stated=settings.wanted_dbm is not None)

    @override
    def waits_of(self, settings: CoChannelRejectionSettings, conditions: Conditions) -> Mapping[str, float]:
        return settings.two_signal_waits(10.0)

    @override
    def forecast_s(self, settings: CoChannelRejectionSettings, conditions: Conditions) -> float:
        return settings.two_signal_forecast_s(conditions)

    @override
    def receive(
        self, side: ReceiveSide, settings: CoChannelRejectionSettings, conditions: Conditions
    ) -> list[Finding]:

        def apply(level_dbm: float, offset_hz: float) -> None:
            side.apply_interferer(
                level_dbm,
                offset_hz=offset_hz,
                deviation_hz=settings.interferer_deviation_hz,
                tone_hz=settings.interferer_tone_hz,
            )

        interference = Interference(
            places=places_of(QUANTITY, settings), apply=apply, usual=ON_CHANNEL, errors=_errors(conditions)
        )
        return find_ratios(side, settings, conditions, interference)


def _errors(conditions: Conditions) -> tuple[ReadError, ...]:
    """Return what the interferer's modulation may put the ratio off by, dB: at most decibel for decibel. Common practice, no source.

    Both carriers stand in the flat middle of the channel filter, so that their frequencies count nothing beside that.
    """
    errors: list[ReadError] = []
    for key in ("deviation", "tone"):
        if (stated := HalfWidth.of(conditions.bench, "interferer", key)) is not None:
            errors.append((f"interferer, {key}", stated.in_db(), "dB"))
    return tuple(errors)
