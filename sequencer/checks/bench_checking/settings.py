"""What a sequence says of `bench_check`."""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from sequencer.analysis.own_history import BASELINE, FEWEST_CHECKS
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.files.fields import FrequencyHz, LevelDbm, RatioDb, VoltageV, between
from sequencer.inputs.bench_parts.paths import CheckPath
from sequencer.problems import FieldProblem


class BenchCheckSettings(CheckSettings):
    """Settings of `bench_check`."""

    check: Literal["bench_check"]
    """Which check this is."""
    through: Literal["switch", "hand"] = "switch"
    """How generator and power meter are joined: by the switch (`paths: {check: …}` of the bench file), or by a person with a cable."""
    levels_dbm: Annotated[tuple[LevelDbm, ...], *SOME] = Field(default=(0.0, -10.0, -20.0), alias="levels")
    """Levels at the generator's connector."""
    frequencies_hz: Annotated[tuple[FrequencyHz, ...], *SOME] | None = Field(
        default=None, alias="frequencies"
    )
    """Where it is checked; without it where the bench file states the loss of the check path."""
    readings: Annotated[int, AfterValidator(between(2, 20, ""))] = 4
    """Readings of each level at each frequency."""
    connectors_db: Annotated[RatioDb, AfterValidator(between(0.0, 10.0, "dB"))] = 0.03
    """By hand: half-width of what making a connector anew may change (0.03 dB: common practice, no source)."""
    supply_v: Annotated[VoltageV, AfterValidator(between(0.5, 60.0, "V"))] | None = None
    """What the supply is set to while its terminals are read; without it the sequence's `supply`, and without that it is not checked."""
    zero_v: Annotated[VoltageV, AfterValidator(between(0.0, 1.0, "V"))] = 0.01
    """How far from nought the voltmeter may read on the line of a unit without supply (10 mV: common practice, no source)."""
    audio_v: Annotated[VoltageV, AfterValidator(between(1e-4, 5.0, "V"))] = 0.1
    """Level of the audio source, where the switch joins it to the audio meter."""
    fewest: Annotated[int, AfterValidator(between(3, 100, ""))] = FEWEST_CHECKS
    """How many earlier results there must be before control limits are said to exist."""
    baseline: Annotated[int, AfterValidator(between(3, 1000, ""))] = BASELINE
    """Of how many results, the first ones, control limits are made at most."""
    ignore_db: Annotated[RatioDb, AfterValidator(between(0.0, 3.0, "dB"))] = 0.05
    """How far off its mean a result may be however little it scatters: a tenth of what a generator may be off (workshop's own)."""
    then: Literal["stop", "go on"] = "stop"
    """What happens to the rest of the sequence where the bench is not as it was."""

    @model_validator(mode="after")
    def _in_order(self) -> "BenchCheckSettings":
        if self.fewest > self.baseline:
            raise FieldProblem(
                f"control limits of {self.baseline} results at most would need {self.fewest} at least",
                at=("fewest",),
                allowed="'fewest' at or below 'baseline'",
            )
        return self

    @property
    def is_by_hand(self) -> bool:
        """Whether a person joins generator and power meter."""
        return self.through == "hand"

    def frequencies_of(self, path: CheckPath | None) -> tuple[float, ...]:
        """Return where it is checked, Hz."""
        return self.frequencies_hz or (() if path is None else tuple(path.loss))
