"""What a sequence says of a check with a second signal, and what the plan works out of it."""

from collections.abc import Sequence
from typing import Annotated

from pydantic import AfterValidator, Field
from typing_extensions import override

from sequencer.checks.finding import Conditions, Demand
from sequencer.checks.settings import SOME
from sequencer.checks.shared.asked.levels import LevelWindow
from sequencer.checks.shared.asked.limits import RatioLimit
from sequencer.checks.shared.budgets.parts import HalfWidth
from sequencer.checks.shared.level_search.sensitivity import SensitivitySettingsBase
from sequencer.checks.shared.level_search.sensitivity_reader import REPEAT_S, REPEATS, reading_needs
from sequencer.checks.shared.level_search.wanted_signal import tone_s
from sequencer.checks.shared.two_signal.listening import places_proof_s
from sequencer.files.fields import FrequencyDifferenceHz, LevelDbm, RatioDb, between
from sequencer.inputs.bench import INTERFERER
from sequencer.inputs.stated import BOTH_GENERATORS, FAR_PATH
from sequencer.problems import FieldProblem
from sequencer.units.format import format_quantity

HIGHEST_DBM = (
    0.0  # for the interferer, unless the file says otherwise; the receiver's rating bounds it as ever
)
SECOND_PROOF_S = 1.25  # what the second generator's proof takes at the end
SECOND_LEVEL_S = 1.5  # and that of its level before: 1.2 s where SINAD follows the level at once, measured on the simulated bench
SECOND_BESIDE_S = 0.4  # and one reading more, beside the channel
SECOND_PLACE_S = (
    0.7  # and one for each place on a channel that the unit is set to, or one near its own for all others
)
UNSTATED_DB = 1.0  # what a generator's level is off by at the most, where the bench file does not say: common practice, no source


def highest_dbm(conditions: Conditions) -> float:
    """Return the highest level where the file gives none: what the receiver is rated for, less what the interferer may be off by, dBm."""
    stated = HalfWidth.of(conditions.bench, INTERFERER, "level")
    off_db = UNSTATED_DB if stated is None or stated.figure is None else stated.figure
    return min(HIGHEST_DBM, conditions.bench.protection.max_receiver_input_dbm) - off_db


ALIKE_WITHIN = 0.05
"""How far from the channel, as a share of its frequency, one path loses as much: as a loss table holds beyond its ends."""


def is_alike(conditions: Conditions, offset_hz: float) -> bool:
    """Say whether path and unit treat both signals alike, so that loss and match cancel in the ratio."""
    return abs(offset_hz) <= ALIKE_WITHIN * conditions.carrier_hz


def _beside(offset_hz: float) -> float:
    if abs(offset_hz) < 1e3:
        raise FieldProblem(
            f"{offset_hz:g} Hz is on the channel itself", allowed="1 kHz or more to either side"
        )
    return offset_hz


Offset = Annotated[FrequencyDifferenceHz, AfterValidator(between(-1e9, 1e9, "Hz")), AfterValidator(_beside)]
Offsets = Annotated[tuple[Offset, ...], *SOME]


class SecondSignalSettings(SensitivitySettingsBase):
    """What the checks with a second signal share."""

    wanted_dbm: LevelDbm | None = None
    """Level of the wanted signal; without it the sensitivity is found first, and `wanted_above` added."""
    wanted_above_db: Annotated[RatioDb, AfterValidator(between(1.0, 60.0, "dB"))] = 3.0
    """How far above the sensitivity found the wanted signal stands; 3 dB from memory of TIA-603."""
    interferer_levels: LevelWindow = Field(default_factory=LevelWindow)
    """The levels the interferer may have; without a max up to 0 dBm or the receiver's rating, less the interferer's accuracy."""
    limit: RatioLimit = RatioLimit.unstated()
    """The ratio of interferer to wanted signal: usually a min."""

    @property
    def places_hz(self) -> tuple[float, ...]:
        """How far from the channel the interferer is measured at, Hz: on the channel itself unless there are offsets."""
        return (0.0,)

    def two_signal_demands(self, conditions: Conditions) -> list[Demand]:
        """Return what the plan has to prove."""
        demands = self.sensitivity_demands(conditions)
        demands += self.interferer_levels.demands(
            conditions, key="interferer_levels", interferer=True, highest_dbm=highest_dbm(conditions)
        )
        if self.wanted_dbm is not None:
            demands.append(Demand(at=("wanted",), level_dbm=self.wanted_dbm))
        if self.target.kind != "SINAD":
            demands.append(
                Demand(
                    at=("target",),
                    refused=f"{self.target} cannot be read beside an interferer",
                    allowed="12 dB SINAD",
                )
            )
        return demands

    def two_signal_needs(self, conditions: Conditions, *, by_fall: bool = False) -> tuple[str, ...]:
        """Return what the bench file must state for a ratio to have an uncertainty; ``by_fall``: against SINAD read just before."""
        stated_level = self.wanted_dbm is not None and not by_fall
        read = reading_needs(self.target.kind, conditions.mode) if stated_level else ()
        far = () if all(is_alike(conditions, one_hz) for one_hz in self.places_hz) else (FAR_PATH,)
        return ("signal_generator.level", "interferer.level", BOTH_GENERATORS, *far, *read)

    def two_signal_waits(self, each: float, places: int | None = None) -> dict[str, float]:
        """Return how often it waits for generator and analyser to settle; ``each``: for the analyser, at one of so many ``places``."""
        own = 3.0 if self.wanted_dbm is None else 0.0
        return {"signal_generator": 3.0 + own, "audio_analyser": each * (places or len(self.places_hz)) + own}

    def two_signal_forecast_s(
        self, conditions: Conditions, offsets_hz: Sequence[float] | None = None
    ) -> float:
        """Return about how long two levels take, each found with the other generator's signal, s; ``offsets_hz`` if not its own."""
        places_hz = self.places_hz if offsets_hz is None else offsets_hz
        first_s = (
            self.sensitivity_forecast_s(conditions) if self.wanted_dbm is None else tone_s(conditions.mode)
        )
        finer = max(0.6, float((0.5 / self.accuracy_db) ** 1.5))
        return (
            first_s
            + REPEATS * REPEAT_S
            + SECOND_PROOF_S
            + SECOND_LEVEL_S
            + SECOND_BESIDE_S
            + places_proof_s(conditions, places_hz)
            + len(places_hz) * (0.9 + 2.5 * finer)
        )


class TwoSignalSettings(SecondSignalSettings):
    """What selectivity and blocking share."""

    offsets_hz: Offsets = (10e3, -10e3)
    """How far the interferer stands from the channel, one measurement each."""

    @property
    @override
    def places_hz(self) -> tuple[float, ...]:
        return self.offsets_hz

    @override
    def two_signal_demands(self, conditions: Conditions) -> list[Demand]:
        demands = super().two_signal_demands(conditions)
        for offset_hz in self.offsets_hz:
            if conditions.carrier_hz + offset_hz <= 0:
                refused = f"{format_quantity(offset_hz, 'Hz')} from {format_quantity(conditions.carrier_hz, 'Hz')} is not a frequency"
                demands.append(
                    Demand(
                        at=("offsets",),
                        refused=refused,
                        allowed="offsets above minus the channel's frequency",
                    )
                )
        return demands


def offset_name(quantity: str, offset_hz: float) -> str:
    """Return what the result at one offset is called: `selectivity, +10 kHz`; on the channel itself by its name alone."""
    if not offset_hz:
        return quantity
    scale, unit = (1e6, "MHz") if abs(offset_hz) >= 1e6 else (1e3, "kHz")
    return f"{quantity}, {offset_hz / scale:+g} {unit}"


def ratio_quantities(quantity: str, settings: SecondSignalSettings) -> tuple[tuple[str, str], ...]:
    """Return the quantities and units of the results."""
    return tuple((offset_name(quantity, offset_hz), "dB") for offset_hz in settings.places_hz)
