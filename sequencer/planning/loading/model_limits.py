"""The model that a model file is read by: what every one may say, with the limits of the checks that it names."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from pydantic import Field, create_model, model_validator

from sequencer.checks import check_names, find_check
from sequencer.checks.check import AnyCheck
from sequencer.checks.settings import CheckSettings
from sequencer.files.fields import FileModel
from sequencer.files.yaml_tree import Node
from sequencer.inputs.model import Mode, ModelFile
from sequencer.problems import FieldProblem, FieldProblems, listed

NOT_OF_A_MODEL = frozenset({"enter_reading", "path_loss", "connection_repeatability"})
"""Checks whose limits are no model's: of a figure that the sequence names, or of the bench."""


@cache
def model_of_files(names: frozenset[str] | None = None) -> type[ModelFile]:
    """Return the model of a model file, with the limits of its checks.

    ``names`` are the checks whose limits the file states; without them every installed check's are known.
    """
    wanted = sorted(names) if names is not None else list(check_names())
    fields: dict[str, Any] = {}
    for name in wanted:
        if (limits := _limits_of(find_check(name))) is not None:
            fields[name] = limits
    limits_model = create_model("Limits", __base__=FileModel, __doc__="Limits by check.", **fields)
    by_check: Any = Field(default_factory=limits_model, description="Limits, by the check that they are of.")
    by_mode: Any = Field(
        default_factory=dict,
        description="Limits in one emission, by check, where they are others than in `limits`: {USB: {carrier_power: {max: 12 W}}}.",
    )
    return create_model(
        "ModelFileWithLimits",
        __base__=_Whole,
        __doc__="A model file: what is particular to a type of radio.",
        limits=(limits_model, by_check),
        limits_in_mode=(dict[Mode, limits_model], by_mode),
    )


def limit_keys(check: AnyCheck) -> tuple[str, ...]:
    """Return the keys of a check's settings under which limits of a model may stand; none where its limits are no model's."""
    return () if check.name in NOT_OF_A_MODEL else tuple(dict.fromkeys(check.limit_keys.values()))


def _limits_of(check: AnyCheck) -> tuple[Any, Any] | None:
    """Return the field of one check's limits: the limit itself, or a mapping of those that it has several of."""
    found = {
        name: (field.annotation, field)
        for name, field in check.settings.model_fields.items()
        if (field.alias or name) in limit_keys(check)
    }
    if not found:
        return None
    said = Field(default=None, description=f"Limits of `{check.name}`: {check.summary}.")
    if list(found) == ["limit"]:
        annotation = found["limit"][0]
        return annotation | None, said
    several = create_model(f"LimitsOf_{check.name}", __base__=FileModel, **found)  # type: ignore[call-overload]
    return several | None, said


class _Whole(ModelFile):
    """What can be said of a model file only where the checks are known."""

    @model_validator(mode="after")
    def _fits_the_checks(self) -> _Whole:
        if problems := list(_preset_problems(self)):
            raise FieldProblems(problems)
        return self


def _preset_problems(model: ModelFile) -> Iterator[FieldProblem]:
    for name, preset in model.presets.items():
        settings: type[CheckSettings] = find_check(preset.of).settings
        for setting in preset.settings:
            if setting not in settings.model_fields:
                key = setting.rpartition("_")[0] if setting not in ("channel", "mode") else setting
                yield FieldProblem(
                    f"{preset.of} has no setting '{key}'",
                    at=("presets", name, key),
                    allowed=listed(field.alias or one for one, field in settings.model_fields.items()),
                )
        if preset.mode is not None and preset.mode not in model.modes:
            yield FieldProblem(
                f"the model has no {preset.mode}", at=("presets", name, "mode"), allowed=listed(model.modes)
            )


def model_of_file(file: Node) -> type[ModelFile]:
    """Return the model that reads a model file's tree: with the limits it states, or with all where it names an unknown check."""
    named: set[str] = set()
    for limits in _limit_nodes(file):
        named |= set(limits.entries)
    return model_of_files(frozenset(named) if named <= set(check_names()) else None)


def _limit_nodes(file: Node) -> Iterator[Node]:
    if "limits" in file.entries:
        yield file.entries["limits"][1]
    if "limits_in_mode" in file.entries:
        for _, limits in file.entries["limits_in_mode"][1].entries.values():
            yield limits
