"""What a sequence says of an adjusting: a preset of the model, several of them, or one that it states itself."""

from collections.abc import Iterable, Mapping
from contextlib import suppress
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, PrivateAttr, model_validator

from sequencer.checks.adjusting.presets import Adjusted, NotStated
from sequencer.checks.settings import SOME, CheckSettings
from sequencer.files.fields import TimeS, between
from sequencer.inputs.model import ModelFile
from sequencer.inputs.preset import Preset, PresetName, preset_problems
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
    _of_model: Mapping[str, Any] = PrivateAttr(default_factory=dict)

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
        if problems := preset_problems(self):
            return problems
        return _made_problems(self.named())

    def with_model(self, model: ModelFile, presets: Mapping[str, Preset], mode: str) -> Self:
        """Return these settings with a model's ``presets``, of which they may name some, and with what else it states in ``mode``.

        Channel and mode are the presets' where none is stated.
        """
        named = [presets[name] for name in self.names if name in presets]
        update: dict[str, Any] = {}
        for key in ("channel", "mode"):
            theirs = {value for one in named if (value := getattr(one, key)) is not None}
            if getattr(self, key) is None and len(theirs) == 1:
                update[key] = theirs.pop()
        found = self.model_copy(update=update)
        found._presets = presets
        found._of_model = of_model(model, found.mode or mode)
        return found

    @property
    def of_model(self) -> Mapping[str, Any]:
        """What the model states for settings of the ordinary check that are left out, by field name."""
        return self._of_model

    @property
    def known_presets(self) -> Mapping[str, Preset]:
        """The model's presets; none without a model."""
        return self._presets

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
    """Return what is wrong with presets that a file states: no ordinary check can be made of their settings."""
    problems = []
    for name, preset in presets.items():
        try:
            Adjusted.of(name, preset)
        except NotStated:  # the model may state it; the plan asks again
            continue
        except FieldProblem as problem:
            problems.append(problem)
    return problems


def of_model(model: ModelFile, mode: str) -> dict[str, Any]:
    """Return what a model states for settings of checks, by field name: the drive, and the signal meter's law."""
    meter, drive_v = model.meter, model.microphone.normal_v
    if mode in ("USB", "LSB"):
        drive_v = model.microphone.ssb_v
    stated: dict[str, Any] = {"drive_v": drive_v, "in_ssb": mode in ("USB", "LSB")}
    if meter is not None:
        stated |= {"target_v": meter.s9_v, "attack_s": meter.attack_s, "decay_s": meter.decay_s}
        stated["meter"] = "segments" if meter.kind == "bar" else "needle"
    return {name: value for name, value in stated.items() if value is not None}


def adjusted(settings: AdjustSettings) -> list[Adjusted]:
    """Return the presets that the settings adjust, with the checks that read them; without those of which something is missing."""
    found = []
    for name, preset in settings.named().items():
        with suppress(FieldProblem):  # told of by `misfits`
            found.append(Adjusted.of(name, preset, settings.of_model))
    return found


def misfits(settings: AdjustSettings) -> Iterable[tuple[str, str]]:
    """Yield what cannot be done with the presets that were named: refusals, and what is allowed."""
    known = settings.named()
    for name in settings.names:
        if name not in known:
            there = listed(settings.known_presets) or "none: no model was found that has presets"
            yield f"the model has no preset {name!r}", f"a preset of the model: {there}"
    for name, preset in known.items():
        try:
            Adjusted.of(name, preset, settings.of_model)
        except FieldProblem as problem:
            yield f"preset {name!r}: {problem.message}", problem.allowed
    sides = {one.check.side_of(one.settings) for one in adjusted(settings)}
    if len(sides) > 1:
        yield (
            "presets of the transmitter and of the receiver cannot be adjusted in turn in one check",
            "one 'adjust' for those of each side",
        )
