"""The RF paths of a bench file: their loss by frequency, and how far beyond its table a loss holds."""

import itertools
import math
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator

from sequencer.files.fields import PRINTABLE, FileModel, FrequencyHz, PowerW, RatioDb, between
from sequencer.inputs.bench_parts.accuracy import HalfWidthDb
from sequencer.inputs.bench_parts.instrument_roles import Vswr
from sequencer.inputs.bench_parts.loss_table import LossDb
from sequencer.problems import FieldProblem

ConnectionDb = Annotated[RatioDb, AfterValidator(between(0.0, 3.0, "dB"))]
Made = Annotated[int, AfterValidator(between(3, 1000, ""))]
LOWEST_LOSS_DB = -0.1
"""Of a path without an amplifier: the loss of a short lead, as measured, may come out a little below 0."""
MOST_BEYOND = 0.05
"""How far beyond its ends a loss table holds, as a share of the frequency. The loss of a cable goes about with the root of the frequency
(skin effect): 2.5 % of itself, 0.01 dB of 0.42 dB. Farther off a switch or a pad may end. Workshop's own."""


class LossyPath(FileModel):
    """A path that loses some of what it is given."""

    loss_or_table: (
        Mapping[FrequencyHz, LossDb] | Annotated[str, Field(min_length=1, max_length=300, pattern=PRINTABLE)]
    ) = Field(alias="loss")
    """Loss at one or more frequencies (interpolated between; the nearest holds up to 5 % beyond), or a table that `path_loss` wrote."""
    amplifier: Literal["yes", "no"] = "no"
    """Whether an amplifier stands in it, so that it may have a gain: a loss below 0 dB."""
    uncertainty_db: HalfWidthDb | None = None
    """Expanded uncertainty (k = 2) of the loss; without it that of the table, if there is one. Stated here it holds against the table's."""
    input_vswr: Vswr | None = None
    """Match of the path's input: the unit's end of the transmit path, the generator's of the others."""
    output_vswr: Vswr | None = None
    """Match of the path's output: the unit's end of the receive path, the power meter's of the others."""

    @field_validator("loss_or_table")
    @classmethod
    def _not_empty(cls, loss: Mapping[float, float] | str) -> Mapping[float, float] | str:
        if isinstance(loss, str):
            return loss
        if not loss:
            raise FieldProblem("no loss is given", allowed="at least one, such as {27 MHz: 0.42 dB}")
        return dict(sorted(loss.items()))

    @model_validator(mode="after")
    def _loses(self) -> "LossyPath":
        """Refuse a loss with a minus before it: a sign the wrong way round moves every level by twice the loss, and looks right."""
        if self.amplifier == "yes" or isinstance(self.loss_or_table, str):
            return self
        for loss_db in self.loss_or_table.values():
            if loss_db < LOWEST_LOSS_DB:
                raise FieldProblem(
                    f"a loss of {loss_db:g} dB is a gain",
                    at=("loss",),
                    allowed=f"a loss from 0 dB up, such as {-loss_db:g} dB; or 'amplifier: yes' beside it, where one stands in the path",
                )
        return self

    @property
    def table(self) -> str | None:
        """The loss table it names and that was not put in yet, if it names one."""
        return self.loss_or_table if isinstance(self.loss_or_table, str) else None

    @property
    def loss(self) -> Mapping[float, float]:
        """Loss by frequency, dB by Hz. `load_bench` has put a named table in."""
        assert not isinstance(self.loss_or_table, str), f"the loss table {self.loss_or_table} was not read"
        return self.loss_or_table

    def end_taken_hz(self, frequency_hz: float) -> float | None:
        """Return the end of the table whose loss stands in for that of a frequency beyond it; None where the table holds there.

        It holds up to `MOST_BEYOND` beyond its ends.
        """
        low_hz, high_hz = min(self.loss), max(self.loss)
        if frequency_hz < low_hz * (1.0 - MOST_BEYOND):
            return low_hz
        return high_hz if frequency_hz > high_hz * (1.0 + MOST_BEYOND) else None

    def loss_db(self, frequency_hz: float) -> float:
        """Return the loss at ``frequency_hz``, dB, interpolated over the logarithm of frequency; beyond the table that of its end."""
        points = list(self.loss.items())
        if frequency_hz <= points[0][0]:
            return points[0][1]
        for (low_hz, low_db), (high_hz, high_db) in itertools.pairwise(points):
            if frequency_hz <= high_hz:
                share = math.log(frequency_hz / low_hz) / math.log(high_hz / low_hz)
                return low_db + share * (high_db - low_db)
        return points[-1][1]


class RfPath(LossyPath):
    """A path between the unit's antenna connector and the instruments."""

    unit_vswr: Vswr | None = None
    """Match of the unit's antenna connector."""
    connection_repeatability_db: ConnectionDb | None = None
    """Standard deviation of what undoing and making the unit's connection anew changes. It is one
    error within a run and another in the next: without it nothing is said of a difference between two runs."""
    connections_made: Made | None = None
    """How many times the connection was made when its repeatability was worked out; without it it is taken as well known."""


class TransmitPath(RfPath):
    """The path from the unit's antenna connector through load or pad to the meters."""

    rating_w: Annotated[PowerW, AfterValidator(between(1e-3, 1e5, "W"))]
    """The most power the load or pad may be given."""


class NotchPath(LossyPath):
    """A filter that takes the carrier out, between the transmit path and the spectrum analyser; the power meter hangs before it.

    Its loss stands at the carrier's frequencies too. What lies beside the carrier is then seen with less attenuation before the mixer, and
    bands for which 4 nW are asked come within reach.
    """


class CheckPath(LossyPath):
    """From generator to power meter through the switch, while the unit's connector is open: the way of the bench's check of itself."""

    rating_w: Annotated[PowerW, AfterValidator(between(1e-9, 1e5, "W"))]
    """The most it may be given."""
    audio: Literal["joined", "apart"] = "apart"
    """Whether the switch then joins the audio source to the audio meter as well."""


class Paths(FileModel):
    """The RF paths."""

    receive: RfPath | None = None
    """Generator to unit."""
    transmit: TransmitPath | None = None
    """Unit to load and meters."""
    notch: NotchPath | None = None
    """Transmit path to spectrum analyser, where a filter that takes the carrier out stands there."""
    check: CheckPath | None = None
    """Generator to power meter, where the switch can join them."""
