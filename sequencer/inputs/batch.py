"""The batch file: units that are tested for one purpose, with one sequence, and the rules that hold among them."""

import json
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from sequencer.files.fields import PRINTABLE, FileModel, Percent, between
from sequencer.files.find import file_named_in
from sequencer.files.ordinary import is_ordinary
from sequencer.files.read import read_file, read_utf8
from sequencer.files.yaml_tree import compose
from sequencer.frozen import dataclass
from sequencer.inputs.bench_parts.bench_health import NamedFile
from sequencer.inputs.bench_parts.connections import Connections
from sequencer.inputs.names.line_name import allowed_name, wrong_with_name
from sequencer.inputs.names.serial import SERIAL_ALLOWED, looks_like_formula, wrong_with_serial
from sequencer.inputs.names.serial_pattern import SerialPattern
from sequencer.problems import FieldProblem

MOST_UNITS = 1_000_000
MOST_LISTED = 10_000
"""Serials that a batch file lists at most."""
_Text = Annotated[str, Field(min_length=1, max_length=64, pattern=PRINTABLE)]


def _is_batch_name(text: str) -> str:
    if wrong := wrong_with_name("batch", text, names_files=True):
        raise FieldProblem(wrong, allowed=allowed_name(names_files=True))
    return text


def _is_serial(text: str) -> str:
    wrong = wrong_with_serial(text)
    if not wrong and looks_like_formula(text):
        wrong = "the serial begins as a spreadsheet's formula does"
    if wrong:
        raise FieldProblem(wrong, allowed=SERIAL_ALLOWED)
    return text


class Retest(FileModel):
    """Whether a unit that has a verdict may be tested again."""

    attempts: Annotated[int, AfterValidator(between(1, 100, ""))] | None = None
    """How often a unit may be tested in all, first pass included; without it as often as one likes. Retests never count as new units."""
    reason: Literal["required", "optional"] = "optional"
    """Whether somebody must say why a unit is tested again."""


class YieldRule(FileModel):
    """Stops where too few units pass at their first attempt."""

    below_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))]
    """The batch stops where even the upper end of the 95 % interval of the first-pass yield lies below this."""
    after: Annotated[int, AfterValidator(between(2, 100_000, ""))] = 10
    """How many units must have been tested before it is looked at."""


class ChartRule(FileModel):
    """Stops where a control chart says that something has changed."""

    checks: Annotated[tuple[_Text, ...], Field(min_length=1, max_length=50)]
    """The checks whose results are watched, an individuals chart each."""
    after: Annotated[int, AfterValidator(between(8, 100_000, ""))] = 25
    """From how many units its limits are worked out; nothing is looked at before."""


class StopRules(FileModel):
    """When the batch stops itself: the bench is suspected before the units."""

    failures_in_a_row: Annotated[int, AfterValidator(between(2, 1000, ""))] | None = None
    """So many units one after another fail the same check."""
    first_pass: YieldRule | None = None
    """Too low a first-pass yield."""
    chart: ChartRule | None = None
    """A control chart out of control."""


class BatchFile(FileModel):
    """A batch file."""

    batch: Annotated[_Text, AfterValidator(_is_batch_name)]
    """Its name, as it stands on the results."""
    sequence: NamedFile
    """The sequence that every unit of it is tested with: a shipped one's name, or a path beside this file."""
    model: _Text | None = None
    """The model that its units are of; without it the serial of each chooses."""
    target: Annotated[int, AfterValidator(between(1, MOST_UNITS, ""))] | None = None
    """How many units it is to have."""
    serials: SerialPattern | None = None
    """Which serials belong to it: a pattern that the whole serial fits, such as 'M40-\\d{4}'."""
    units: Annotated[
        tuple[Annotated[str, AfterValidator(_is_serial)], ...] | None,
        Field(min_length=1, max_length=MOST_LISTED),
    ] = None
    """The serials that belong to it, one by one, in place of a pattern."""
    retest: Retest = Retest.unstated()
    """Whether a unit may be tested again."""
    stop: StopRules = StopRules.unstated()
    """When the batch stops itself."""
    connections: Connections = Connections.unstated()
    """What wears with each unit, as its maker rates it; the bench file may say so too, and the smaller number holds."""

    @model_validator(mode="after")
    def _says_once_which(self) -> "BatchFile":
        if self.serials is not None and self.units is not None:
            raise FieldProblem(
                "both 'serials' and 'units' say which belong to it", at=("units",), allowed="one of the two"
            )
        if self.units is not None and len(set(self.units)) < len(self.units):
            twice = next(one for one in self.units if self.units.count(one) > 1)
            raise FieldProblem(f"the serial '{twice}' stands there twice", at=("units",), allowed="each once")
        return self

    def holds(self, serial: str) -> bool:
        """Say whether a unit of this serial belongs to the batch, as far as the file says."""
        if self.units is not None:
            return serial in self.units
        return self.serials is None or self.serials.fits(serial)

    def as_rules(self) -> str:
        """Return the file's content as JSON, for the store."""
        return self.model_dump_json(by_alias=False, exclude_none=True)

    @classmethod
    def of_rules(cls, rules: str) -> "BatchFile | None":
        """Return what `as_rules` was made of; None for nothing. ValueError for what no sequencer wrote."""
        return cls.model_validate(json.loads(rules)) if rules else None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedBatch:
    """A batch file, and the sequence file that it names."""

    path: Path
    file: BatchFile
    sequence: Path


def batch_file(name: str) -> "LoadedBatch | None":
    """Return the batch file that ``name`` is, if it is one: YAML with the key `batch`. Raises FileProblems for one that is wrong."""
    if not name.endswith((".yaml", ".yml")) or not is_ordinary(name):
        return None
    text = read_utf8(name)
    if "batch" not in text:  # a long sequence is composed once, by those who read it
        return None
    source, _ = compose(text, name)
    is_one = source is not None and source.root.kind == "mapping" and "batch" in source.root.entries
    return load_batch(Path(name)) if is_one else None


def load_batch(path: Path) -> "LoadedBatch":
    """Read a batch file and find its sequence. Raises FileProblems."""
    read = read_file(path, BatchFile)
    sequence = file_named_in(read.model.sequence, "sequence", path, read.source, ("sequence",))
    return LoadedBatch(path=path, file=read.model, sequence=sequence)
