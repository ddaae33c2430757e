"""Loss tables: what `path_loss` measured of a cable, a pad or a path, as a dated file that a bench file reads.

    paths:
      receive: {loss: losses/receive-2026-11.yaml}

Losses in dB by frequency, each with its expanded uncertainty (about 95 %), and who measured it with what.
"""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import FileModel, FrequencyHz, RatioDb, between
from sequencer.files.read import read_file
from sequencer.frozen import dataclass
from sequencer.inputs.bench_parts.accuracy import HalfWidthDb
from sequencer.problems import FieldProblem
from sequencer.units.parse import FREQUENCY

OLD_DAYS = 365
"""An age at which a cable is measured again: common practice, no source."""
LossDb = Annotated[RatioDb, AfterValidator(between(-60.0, 200.0, "dB"))]
_PREFIXES = {"GHz": 9, "MHz": 6, "kHz": 3, "Hz": 0}


class _Plain(yaml.SafeDumper):
    """Writes what stands twice twice: the reader refuses references."""

    def ignore_aliases(self, data: object) -> bool:
        """Say of everything that it is written out in full."""
        return True


class TableInstrument(FileModel):
    """An instrument that the losses were measured with."""

    identity: str
    """Who it said it is."""
    certificate: str = ""
    """The certificate its accuracy rested on; empty where the bench file named none."""
    due: date | None = None
    """The day that certificate ran, or runs, out."""


class LossTable(FileModel):
    """A loss table, as a file."""

    loss_table: str = Field(min_length=1, max_length=100)
    """What was measured."""
    day: date = Field(alias="date")
    """The day it was measured."""
    simulated: bool = False
    """Whether the bench was simulated: then it stands for no real cable."""
    run: str = ""
    """The run that measured it."""
    instruments: Mapping[str, TableInstrument] = {}
    """What it was measured with."""
    loss: Mapping[FrequencyHz, LossDb]
    """Loss at one or more frequencies; between them it is interpolated, up to 5 % beyond them the nearest holds."""
    uncertainty: Mapping[FrequencyHz, HalfWidthDb] | None = None
    """Expanded uncertainty (about 95 %, k = 2) of each; none where the bench that measured did not state all that it rests on."""

    @model_validator(mode="after")
    def _complete(self) -> "LossTable":
        if not self.loss:
            raise FieldProblem(
                "no loss is given", at=("loss",), allowed="at least one, such as 27 MHz: 0.42 dB"
            )
        if self.uncertainty is not None and self.loss.keys() != self.uncertainty.keys():
            raise FieldProblem(
                "losses and uncertainties stand at different frequencies",
                at=("uncertainty",),
                allowed="an uncertainty for each loss",
            )
        return self

    @property
    def uncertainty_db(self) -> float | None:
        """The largest of the expanded uncertainties, dB: it holds between the frequencies too. None where none is stated."""
        return None if self.uncertainty is None else max(self.uncertainty.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedTable:
    """A loss table that a bench file names, and where it stands."""

    table: LossTable
    path: Path

    def is_old(self, today: date) -> bool:
        """Say whether it should be measured again."""
        return self._days(today) > OLD_DAYS

    def _days(self, today: date) -> int:
        return (today - self.table.day).days

    def described(self, today: date) -> str:
        """Return in words from when it is, and what to do about an old one."""
        days = self._days(today)
        age = f"{days} days old" if days >= 0 else "dated in the future: check the clock"
        old = "; older than a year: measure it again" if self.is_old(today) else ""
        simulated = ", simulated" if self.table.simulated else ""
        return f"{self.path} of {self.table.day.isoformat()}{simulated} ({age}{old})"


def load_table(path: Path) -> "LoadedTable":
    """Return the loss table at ``path``. Raises FileProblems with all that is wrong with it."""
    return LoadedTable(table=read_file(path, LossTable).model, path=path)


def table_text(
    *,
    title: str,
    day: date,
    simulated: bool,
    run: str,
    instruments: Mapping[str, Mapping[str, object]],
    losses: Mapping[float, tuple[float, float | None]],
) -> str:
    """Return the text of a loss table; ``losses`` are loss and expanded uncertainty in dB by frequency in Hz.

    Where one uncertainty is None the table states none.
    """
    names = {frequency_hz: frequency_text(frequency_hz) for frequency_hz in sorted(losses)}
    content: dict[str, object] = {
        "loss_table": title,
        "date": day,
        "simulated": simulated,
        "run": run,
        "instruments": {name: dict(one) for name, one in instruments.items()},
        "loss": {name: f"{losses[at][0]:.4f} dB" for at, name in names.items()},
    }
    stated = {name: losses[at][1] for at, name in names.items()}
    known = {name: one for name, one in stated.items() if one is not None}
    if len(known) == len(stated):
        # rounded up: a stated uncertainty is never less than what was found
        content["uncertainty"] = {name: f"{one + 5e-5:.4f} dB" for name, one in known.items()}
    told = "# Measured by path_loss. A bench file reads it: paths: {receive: {loss: losses/this-file.yaml}}\n"
    return told + str(yaml.dump(content, Dumper=_Plain, sort_keys=False, allow_unicode=True))


def frequency_text(frequency_hz: float) -> str:
    """Return a frequency as a file writes it, so that reading gives the same number again."""
    unit = next((unit for unit, power in _PREFIXES.items() if frequency_hz >= 10.0**power), "Hz")
    return f"{float(frequency_hz) / float(FREQUENCY.factors[unit]):.12g} {unit}"
