"""What a sequence says of an adjusting: a preset of the model, several of them, or one that it states itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, PrivateAttr, model_validator

from sequencer.checks.adjusting.presets import LIVE, Adjusted
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.files.fields import TimeS, between
from sequencer.inputs.preset import Preset, PresetName, aim_problems, way_problems
from sequencer.problems import FieldProblem, FieldProblems, listed


class AdjustSettings(CheckSettings, Preset):
    """Settings of `adjust`. What stands beside `of` are settings of that check, as in a model file's presets."""

    check: Literal["adjust"]
    """Which check this is."""
    preset: PresetName | None = None
    """Which preset of the model; with `of` beside it, what this one is called."""
    presets: Annotated[tuple[PresetName, ...], *SOME] | None = None
    """Several presets of the model that work on each other: it comes round until all are in their bands."""
    rounds: Annotated[int, AfterValidator(between(1, 10, ""))] = 3
    """How often it comes round to several presets, at most."""
    always: bool = False
    """Whether a preset is turned even where it was found in its band; else it is left alone."""
    away_s: Annotated[TimeS, AfterValidator(between(5.0, 1800.0, "s"))] = 120.0
    """After how long without a key the person counts as gone: PTT is released, and the preset is skipped."""
    of: str = Field(default="", max_length=60)
    """The check that reads it, as found, while it is turned and as left; without it the model's preset of that name."""
    to: str = Field(default="", max_length=60)
    """Where it belongs: a quantity (`3.8 W`), or `maximum` or `minimum` where the best is looked for."""

    _presets: Mapping[str, Preset] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _can_be_adjusted(self) -> Self:
        if problems := self._problems():
            raise FieldProblems(problems)
        return self

    def _problems(self) -> list[FieldProblem]:
        if self.presets is not None and (self.preset is not None or self.of):
            other = "of" if self.of else "preset"
            return [
                FieldProblem(f"'presets' and '{other}' say two things", at=(other,), allowed="one of the two")
            ]
        if not self.of:
            if self.preset is None and self.presets is None:
                allowed = "'preset' (one of the model), 'presets' (several), or 'of', 'turn', 'to' and 'within' here"
                return [FieldProblem("it does not say what is adjusted", allowed=allowed)]
            stated = [name for name in ("to", "within", "turn", "write", "range") if getattr(self, name)]
            return [
                FieldProblem(
                    f"'{name}' is stated without 'of'", at=(name,), allowed="'of' beside it, or neither"
                )
                for name in stated
            ]
        if not self.to:
            return [
                FieldProblem(
                    "the preset has no target", at=("of",), allowed="'to: 3.8 W', with 'within: 0.1 W'"
                )
            ]
        if problems := [*aim_problems(self), *way_problems(self)]:
            return problems
        return _made_problems(self.named())

    def with_presets(self, presets: Mapping[str, Preset]) -> Self:
        """Return these settings with the model's presets, of which they name some."""
        found = self.model_copy()
        found._presets = dict(presets)
        return found

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the presets of the model that it asks for; none where it states its own."""
        if self.of:
            return ()
        return self.presets or ((self.preset,) if self.preset is not None else ())

    def named(self) -> dict[str, Preset]:
        """Return the presets it adjusts, by name; those of the model that nobody has given it are left out."""
        if not self.of:
            return {name: self._presets[name] for name in self.names if name in self._presets}
        stated: dict[str, Any] = {
            name: value for name in Preset.model_fields if (value := getattr(self, name)) is not None
        }
        if not isinstance(stated.get("channel", 0), int):
            del stated["channel"]  # of several, each is a step of its own
        return {self.preset or self.of: Preset.model_construct(**stated)}


def _made_problems(presets: Mapping[str, Preset]) -> list[FieldProblem]:
    """Return what is wrong with presets that a file states: no live reading, or no ordinary check of their settings."""
    problems = []
    for name, preset in presets.items():
        if preset.write is not None and preset.best is not None:
            allowed = "a quantity, with 'within' beside it; a peak is looked for by a person who turns"
            problems.append(
                FieldProblem(
                    f"the tool writes to a target, not to a {preset.best}", at=("to",), allowed=allowed
                )
            )
            continue
        if preset.of not in LIVE:
            problems.append(
                FieldProblem(
                    f"{preset.of} takes too long to be read while a preset is moved",
                    at=("of",),
                    allowed=listed(LIVE),
                )
            )
            continue
        try:
            Adjusted.of(name, preset)
        except FieldProblem as problem:
            problems.append(problem)
    return problems


def adjusted(settings: AdjustSettings) -> list[Adjusted]:
    """Return the presets that the settings adjust, with the checks that read them."""
    return [Adjusted.of(name, preset) for name, preset in settings.named().items()]


def needs_hands(settings: CheckSettings) -> bool:
    """Say whether it is an adjusting in which a person turns something."""
    return isinstance(settings, AdjustSettings) and any(
        one.preset.turn is not None for one in adjusted(settings)
    )


def misfits(settings: AdjustSettings) -> Iterable[tuple[str, str]]:
    """Yield what cannot be done with the presets that were named: refusals, and what is allowed."""
    known = settings.named()
    for name in settings.names:
        if name not in known:
            there = listed(settings._presets) or "none: no model was found that has presets"
            yield f"the model has no preset {name!r}", f"a preset of the model: {there}"
    sides = {one.check.side_of(one.settings) for one in adjusted(settings)}
    if len(sides) > 1:
        yield (
            "presets of the transmitter and of the receiver cannot be adjusted in turn in one check",
            "one 'adjust' for those of each side",
        )
