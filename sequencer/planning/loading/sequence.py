"""The sequence file: an ordered list of checks with limits, as frozen models."""

from functools import cache
from typing import Annotated, Any, Literal, Union

from pydantic import AfterValidator, BeforeValidator, Field, create_model

from sequencer.checks import all_checks, check_names, find_check
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.files.fields import FileModel, PowerW, VoltageV, between
from sequencer.files.yaml_tree import Node
from sequencer.inputs.channel_plan import Mode
from sequencer.inputs.rated import RatedSupply, RatedTemperature
from sequencer.problems import FieldProblem
from sequencer.uncertainty.decision import Rule


class Preparation(FileModel):
    """Something a person sets and confirms before the first check."""

    confirm: str = Field(min_length=1, max_length=500)
    """What must stand how: RF gain fully up, squelch open."""


def _rule(text: Any) -> Any:
    try:
        Rule.parse(text)
    except ValueError as error:
        raise FieldProblem(str(error), allowed="simple, guarded, or a guard factor such as 0.83") from error
    return text


class SequenceBase(FileModel):
    """All of a sequence but its checks, whose kinds depend on what is installed."""

    sequence: str = Field(min_length=1, max_length=100)
    """The sequence's name, as it stands on the results."""
    model: Annotated[str, Field(min_length=1, max_length=300)] | None = None
    """The model of radio that it is for, by its name or the path of its file; without it --model or the unit's serial chooses."""
    model_by_default: Annotated[str, Field(min_length=1, max_length=300)] | None = None
    """The model that fills in what the sequence leaves out where nothing chooses one; the results do not say that the unit is of it."""
    channels: str | None = None
    """The channel plan: a shipped one (plans/cept-40.yaml) or a path of your own."""
    mode: Mode = "FM"
    """The emission all checks are made in."""
    decision_rule: Annotated[
        str | Annotated[float, AfterValidator(between(-1.0, 10.0, ""))], BeforeValidator(_rule)
    ] = "simple"
    """simple, guarded (guard band w = U), or a guard factor; always printed with the results."""
    supply_v: Annotated[VoltageV, AfterValidator(between(0.5, 60.0, "V"))] | None = None
    """What the unit is fed with; without it the supply is left alone."""
    rated_power_w: Annotated[PowerW, AfterValidator(between(1e-3, 1e5, "W"))] | None = None
    """The most carrier power the unit is expected to give; the plan holds it against the path's rating."""
    rated_supply: RatedSupply | None = None
    """The supplies that the unit is rated for, `{min: 10.8 V, max: 15.6 V}`; the plan refuses others."""
    rated_temperature: RatedTemperature | None = None
    """The temperatures that the unit is rated for, `{min: -10 degC, max: 55 degC}`; the plan refuses others."""
    share_key: Literal["yes", "no"] | None = None
    """Whether transmit checks on one channel, one after the other, are made in one key-down: they are, unless it says no."""
    dead_receiver: Literal["measure", "end"] = "measure"
    """end: where the first check of the receive side finds nothing, the others of that side are left out, and said to be; measure: they are
    made all the same."""
    prepare: tuple[Preparation, ...] = ()
    """What a person sets and confirms before the first check."""

    @property
    def rule(self) -> Rule:
        """The decision rule."""
        return Rule.parse(self.decision_rule)


class Sequence(SequenceBase):
    """A sequence as the rest of the engine sees it."""

    checks: tuple[CheckSettings, ...]
    """The checks, in the order they are made."""


ALWAYS = ("confirm", "enter_reading")
"""Checks that the plan itself knows, and that are in every model: pydantic tells apart two kinds or more."""


@cache
def sequence_model(names: frozenset[str] | None = None) -> "type[Sequence]":
    """Return the model of a sequence file, with the settings of its checks told apart by `check`.

    ``names`` are the checks that the file names; without them every installed check is known.
    """
    wanted = all_checks().values() if names is None else map(find_check, sorted(names | set(ALWAYS)))
    kinds = tuple(check.settings for check in wanted)
    union: Any = Annotated[Union[kinds], Field(discriminator="check")]  # noqa: UP007 - made at run time
    checks: Any = Annotated[tuple[union, ...], *SOME]
    return create_model("SequenceFile", __base__=Sequence, __doc__=SequenceBase.__doc__, checks=(checks, ...))


def sequence_model_for(file: Node) -> "type[Sequence]":
    """Return the model that reads a sequence file's tree: with the checks it names, or with all where it names an unknown one."""
    checks = file.entries["checks"][1].items if "checks" in file.entries else []
    named = frozenset(entry.entries["check"][1].text for entry in checks if "check" in entry.entries)
    return sequence_model(named if named <= set(check_names()) else None)
