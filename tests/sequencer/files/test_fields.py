"""Types of file models, checked with an independent reader of JSON Schema (jsonschema)."""

from collections.abc import Iterator
from typing import Annotated

import jsonschema
import pytest
from pydantic import AfterValidator

from sequencer.checks import all_checks
from sequencer.files.fields import (
    TYPE_OF_SUFFIX,
    UNIT_SUFFIXES,
    FileModel,
    FrequencyHz,
    LevelDbm,
    RatioDb,
    TimeS,
    at_least,
    between,
    key_of,
)
from sequencer.files.read import read_text
from sequencer.files.schema import schema_of
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_parts.instruments import ENTRIES
from sequencer.problems import FileProblems


class Part(FileModel):
    """A part of a file."""

    level_dbm: LevelDbm
    """The level."""
    wait_s: Annotated[TimeS, AfterValidator(between(0.0, 10.0, "s"))] = 0.0
    half_width_db: Annotated[RatioDb, AfterValidator(at_least(0.0, "dB"))] = 0.0
    loss_db: dict[FrequencyHz, RatioDb] | None = None


@pytest.mark.parametrize(
    ("instance", "valid"),
    [
        ({"level": "-113 dBm"}, True),
        ({"level": "0.35 µV emf", "wait": "30 ms"}, True),
        ({"level": -113}, False),
        ({"level": "-113"}, False),
        ({"level": "0.35 µV"}, False),
        ({"level_dbm": "-113 dBm"}, False),
        ({"level": "-113 dBm", "wait": "30 mS"}, False),
        ({}, False),
    ],
)
def test_the_schema_judges_as_the_reader_does(instance, valid):
    """An editor that validates by the JSON Schema accepts and refuses the same files as we do."""
    jsonschema.Draft202012Validator.check_schema(Part.model_json_schema())
    assert jsonschema.Draft202012Validator(Part.model_json_schema()).is_valid(instance) is valid
    text = "\n".join(f"{key}: {value}" for key, value in instance.items()) or "{}"
    if valid:
        read_text(text, Part)
    else:
        with pytest.raises(FileProblems):
            read_text(text, Part)


def test_the_schema_documents_keys():
    """Keys carry their description, an example and what is allowed."""
    level = schema_of(Part)["properties"]["level"]
    assert level["description"] == "The level. Allowed: -200 to 100 dBm."
    assert level["examples"] == ["-113 dBm"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("level: 0 dBm\nwait: 11 s", "11 s is out of range"),
        ("level: 0 dBm\nhalf_width: -1 dB", "-1 dB is too small"),
    ],
)
def test_bounds_are_told_in_the_kept_unit(text, said):
    """A figure out of bounds is refused with the bounds."""
    with pytest.raises(FileProblems, match=said):
        read_text(text, Part)


def test_every_suffix_has_its_type():
    """Each unit a field's name may end in has a quantity, and is taken off the key."""
    assert set(TYPE_OF_SUFFIX) == set(UNIT_SUFFIXES)
    assert [key_of("x" + suffix) for suffix in UNIT_SUFFIXES] == ["x"] * len(UNIT_SUFFIXES)
    assert key_of("count") == "count"


def test_two_fields_cannot_share_a_key():
    """A model of which two fields would be read from one key is refused when it is defined."""
    with pytest.raises(TypeError, match="share the key level"):

        class Twice(FileModel):
            """A mistake."""

            level_dbm: LevelDbm
            level_db: RatioDb


def test_models_are_frozen():
    """A model that was read cannot be changed."""
    part = Part(level_dbm=-113.0)
    with pytest.raises(ValueError, match="frozen"):
        part.level_dbm = 0.0


def _defaults(model: type[FileModel], seen: set[type[FileModel]]) -> Iterator[FileModel]:
    """Yield what stands for a part that the file leaves out, in this model and in those below."""
    seen.add(model)
    for field in model.model_fields.values():
        if isinstance(field.default, FileModel):
            yield field.default
            if type(field.default) not in seen:
                yield from _defaults(type(field.default), seen)


def test_what_a_file_leaves_out_is_as_if_it_stated_nothing() -> None:
    """A part that is left out equals the same part stated as empty, which passes every check of its model."""
    models = [BenchFile, *(one for ways in ENTRIES.values() for one in ways)]
    models += [check.settings for check in all_checks().values()]
    seen: set[type[FileModel]] = set()
    found = [one for model in models for one in _defaults(model, seen) if not one.model_fields_set]
    assert len(found) > 40
    for one in found:
        assert one == type(one).model_validate_json("{}", strict=True), type(one).__name__
        assert one.model_dump(mode="json") == type(one)().model_dump(mode="json")


def test_a_part_left_out_costs_no_validator() -> None:
    """The file's model has the part in its own; a file that leaves it out is read without building the part's."""

    class Shelf(FileModel):
        """A part."""

        level_dbm: LevelDbm | None = None

    class Rack(FileModel):
        """A file."""

        shelf: Shelf = Shelf.unstated()

    assert read_text("{}", Rack, file="f").model.shelf.level_dbm is None
    assert not Shelf.__pydantic_complete__
    assert read_text("{shelf: {level: -7 dBm}}", Rack, file="f").model.shelf == Shelf(level_dbm=-7.0)
