"""The file of a gauge study: which units, which operators, how often, and by which checks of a sequence."""

import random
import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from sequencer.files.fields import PRINTABLE, FileModel, between
from sequencer.files.find import file_named_in
from sequencer.files.read import read_file
from sequencer.frozen import dataclass
from sequencer.inputs.names.line_name import allowed_name, wrong_with_name
from sequencer.inputs.names.serial import SERIAL_ALLOWED, wrong_with_serial
from sequencer.problems import FieldProblem, FileProblems

MOST_READINGS = 2000
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,59}", re.ASCII)


def _name(text: str) -> str:
    if _NAME.fullmatch(text) is None:
        raise FieldProblem(
            "this is no name of a study",
            allowed="1 to 60 letters, digits, blanks, - and _, which a file is named after",
        )
    return text


def _each_once(names: tuple[str, ...]) -> tuple[str, ...]:
    for at, name in enumerate(names):
        if name.casefold() in {other.casefold() for other in names[:at]}:
            raise FieldProblem(f"'{name}' stands there twice", at=(at,), allowed="each once")
    return names


def _operators(names: tuple[str, ...]) -> tuple[str, ...]:
    for at, name in enumerate(names):
        if wrong := wrong_with_name("operator", name):
            raise FieldProblem(wrong, at=(at,), allowed=allowed_name())
    return _each_once(names)


def _serials(serials: tuple[str, ...]) -> tuple[str, ...]:
    for at, serial in enumerate(serials):
        if wrong := wrong_with_serial(serial) or (
            "there are blanks around it" if serial != serial.strip() else ""
        ):
            raise FieldProblem(wrong, at=(at,), allowed=SERIAL_ALLOWED)
    return _each_once(serials)


_Text = Annotated[str, Field(min_length=1, max_length=64, pattern=PRINTABLE)]


class GaugeFile(FileModel):
    """A gauge study: each operator measures each unit several times, in an order drawn by lot."""

    gauge: Annotated[str, AfterValidator(_name)]
    """The study's name; what was measured is kept under it."""
    sequence: str = Field(max_length=1000)
    """The sequence whose checks measure: a shipped one, or a path beside this file."""
    checks: Annotated[tuple[_Text, ...], AfterValidator(_each_once)] = Field(min_length=1, max_length=20)
    """Which of its checks, by their names."""
    units: Annotated[tuple[_Text, ...], AfterValidator(_serials)] = Field(min_length=2, max_length=50)
    """The serials of the units; they should spread as the production does. Ten are customary."""
    operators: Annotated[tuple[_Text, ...], AfterValidator(_operators)] = Field(min_length=2, max_length=20)
    """Who measures, or what else changes from one to the other: a fixture, a cable. Three are customary."""
    trials: Annotated[int, AfterValidator(between(2, 20, ""))] = 3
    """How often each operator measures each unit."""
    order: Literal["random", "by operator"] = "random"
    """random: in each round every unit by every operator in random order; by operator: in each round one operator after another."""
    seed: Annotated[int, AfterValidator(between(0, 2**31 - 1, ""))] | None = None
    """What the order is drawn with; without it one is drawn when the study begins, and kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One measurement that is planned: ``number`` counts from 1 in the order they are made, ``trial`` from 1."""

    number: int
    unit: str
    operator: str
    trial: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedGauge:
    """A study's file, where it stands, and the path of its sequence."""

    file: GaugeFile
    path: Path
    sequence: Path


def load_gauge(path: Path) -> "LoadedGauge":
    """Return the study in the file. Raises FileProblems."""
    read = read_file(path, GaugeFile)
    file = read.model
    if (many := len(file.units) * len(file.operators) * file.trials) > MOST_READINGS:
        wrong = f"{len(file.units)} units x {len(file.operators)} operators x {file.trials} trials are {many} measurements"
        raise FileProblems([read.source.complain(("units",), wrong, allowed=f"at most {MOST_READINGS}")])
    sequence = file_named_in(file.sequence, "sequence", path, read.source, ("sequence",))
    return LoadedGauge(file=file, path=path, sequence=sequence)


def planned_cells(file: GaugeFile, seed: int) -> "tuple[Cell, ...]":
    """Return the measurements of a study in the order drawn with ``seed``: all of a trial's before the next trial's."""
    draw = random.Random(seed)
    found: list[tuple[str, str, int]] = []
    for trial in range(1, file.trials + 1):
        if file.order == "random":
            both = [(unit, operator, trial) for unit in file.units for operator in file.operators]
            draw.shuffle(both)
            found += both
            continue
        for operator in draw.sample(file.operators, len(file.operators)):
            found += [(unit, operator, trial) for unit in draw.sample(file.units, len(file.units))]
    return tuple(
        Cell(number=number, unit=unit, operator=operator, trial=trial)
        for number, (unit, operator, trial) in enumerate(found, start=1)
    )
