"""What adjusting is made of beside the turning: the ordinary check of a preset, its figure, its band, and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError

from sequencer.checks import find_check
from sequencer.checks.adjusting.readers import QUIET
from sequencer.checks.adjusting.turning import Goal
from sequencer.checks.check import AnyCheck
from sequencer.checks.finding import Conditions, Finding
from sequencer.checks.live import Aim
from sequencer.checks.settings import CheckSettings
from sequencer.files.fields import key_of
from sequencer.frozen import dataclass
from sequencer.inputs.preset import Preset
from sequencer.problems import FieldProblem, did_you_mean, listed
from sequencer.results.model import Stage
from sequencer.uncertainty.budget import Budget
from sequencer.uncertainty.decision import Limits
from sequencer.units.format import format_quantity

NOTHING: Mapping[str, Any] = MappingProxyType({})
CLEARLY = 5.0  # times what a figure scatters by at least: 1 dB, or 1 % of distortion
LEFT_ALONE = "not adjusted: in its band as found"
_FIGURES = {
    ("ssb_suppression", "carrier"): "carrier suppression",
    ("ssb_suppression", "sideband"): "unwanted sideband suppression",
    ("supply_current", "transmit"): "supply current, transmit",
    ("supply_current", "receive"): "supply current, receive",
    ("audio_output", "power"): "audio output power",
    ("sinad", ""): "SINAD, analyser",
    ("squelch", ""): "squelch opens",
}
"""Which of a check's findings is meant, where it has several; else the largest of all, or the only one."""


class NotStated(FieldProblem):
    """What the ordinary check needs and nobody states: a model may still say it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjusted:
    """One preset under its name, with the check that reads it and the settings that check is made with."""

    name: str
    preset: Preset
    check: AnyCheck
    settings: CheckSettings

    @classmethod
    def of(cls, name: str, preset: Preset, of_model: Mapping[str, Any] = NOTHING) -> Adjusted:
        """Return a preset with its check; ``of_model`` are settings that the model states for whoever leaves them out.

        Raises FieldProblem where the check cannot be made with what stands beside it, NotStated where something is missing.
        """
        check = find_check(preset.of)
        return cls(name=name, preset=preset, check=check, settings=_settings(preset, check, of_model))

    @property
    def band(self) -> Limits:
        """The figures that are right; none for an extreme."""
        ends = self.preset.band
        return Limits() if ends is None else Limits(lower=ends[0], upper=ends[1])

    def figure(self, findings: Sequence[Finding]) -> Finding | None:
        """Return the finding that is brought to the target; the larger of two peaks. None where one of them was not measured."""
        named = _FIGURES.get((self.preset.of, self.preset.figure))
        if named is not None:
            return next((one for one in findings if one.quantity == named), None)
        if self.preset.of not in ("peak_deviation", "modulation_depth"):
            return findings[0] if findings else None
        if lost := next((one for one in findings if one.value is None), None):
            return lost
        return max(findings, key=lambda one: one.value or 0.0, default=None)

    def staged(
        self, findings: Sequence[Finding], stage: Stage, *, note: str = "", best: float | None = None
    ) -> list[Finding]:
        """Return findings as those before or after adjusting; the figure is held to its band, and beside a best to that."""
        figure = self.figure(findings)
        limits = self.band if best is None else self._beside(best)
        return [
            replace(
                one,
                stage=stage,
                limits=_held_to(one, figure, limits),
                note="; ".join(part for part in (one.note, note if one is figure else "") if part),
            )
            for one in findings
        ]

    def _beside(self, best: float) -> Limits:
        tolerance = self.preset.tolerance
        if self.preset.best is None or tolerance is None:
            return self.band
        if self.preset.best == "maximum":
            return Limits(lower=best - tolerance)
        return Limits(upper=best + tolerance)

    def is_right(self, findings: Sequence[Finding]) -> bool:
        """Say whether the figure lies in its band; False for an extreme, which nobody knows before it was looked for."""
        figure = self.figure(findings)
        if figure is None or figure.value is None or self.preset.band is None:
            return False
        return self.band.contains(figure.value)

    def goal(self, figure: Finding) -> Goal:
        """Return what is to be seen while it is turned."""
        preset = self.preset
        aim: Aim = preset.best or "band"
        return Goal(
            preset=self.name,
            text=preset.turn or "",
            quantity=figure.quantity,
            unit=figure.unit,
            aim=aim,
            low=self.band.lower,
            high=self.band.upper,
            quiet=QUIET.get(figure.unit, 0.0),
            advice=self.advice(figure),
        )

    def advice(self, figure: Finding) -> str:
        """Say to where, and whether the bench can tell so fine a band."""
        aim = (
            f"to its {self.preset.best}"
            if self.preset.best
            else f"to {self.preset.to} ± {self.preset.within}"
        )
        return "; ".join(part for part in (f"{figure.quantity} {aim}", self.too_fine(figure)) if part)

    def behind(self, findings: Sequence[Finding], best: float | None) -> str:
        """Return in words that a preset was left clearly short of the ``best`` that was seen, which is the luckiest of many; or nothing."""
        figure = self.figure(findings)
        if best is None or self.preset.best is None or figure is None or figure.value is None:
            return ""
        short = best - figure.value if self.preset.best == "maximum" else figure.value - best
        expanded = None if figure.budget is None else figure.budget.expanded
        if short <= max(2.0 * (expanded or 0.0), CLEARLY * QUIET.get(figure.unit, 0.0)):
            return ""
        return f"{format_quantity(best, figure.unit)} was seen while it was turned: it was not left at its {self.preset.best}"

    def too_fine(self, figure: Finding) -> str:
        """Return in words that the band is narrower than the uncertainty of the figure; nothing where it is not."""
        if figure.budget is None or not (narrower := self.narrower_than(figure.budget)):
            return ""
        return (
            f"the {narrower}: it cannot be set that well; widen 'within', or state or use a better instrument"
        )

    def narrower_than(self, budget: Budget) -> str:
        """Return in words that the band is narrower than the uncertainty of ``budget``; nothing where it is not, or where U is unknown."""
        tolerance = self.preset.tolerance
        if tolerance is None or self.preset.best is not None or budget.unstated:
            return ""
        if budget.expanded is None or budget.expanded <= tolerance:
            return ""
        unit = self.preset.tolerance_unit
        width, expanded = (format_quantity(one, unit) for one in (tolerance, budget.expanded))
        return f"band of ±{width} is narrower than U = {expanded}"


def _held_to(finding: Finding, figure: Finding | None, limits: Limits) -> Limits:
    if finding is figure:
        return limits
    same_kind = figure is not None and finding.quantity.split(",")[0] == figure.quantity.split(",")[0]
    if same_kind and figure is not None and finding.unit == figure.unit and "peak" in finding.quantity:
        return Limits(upper=limits.upper)  # the smaller of two peaks may be as small as it likes
    return finding.limits


def _settings(preset: Preset, check: AnyCheck, of_model: Mapping[str, Any]) -> CheckSettings:
    """Return the settings of the ordinary check. Raises FieldProblem for one that it has not, or that it needs."""
    fields = check.settings.model_fields
    stated: dict[str, Any] = {"check": preset.of, **preset.settings}
    if unknown := next((name for name in stated if name not in fields), None):
        keys = [key_of(name) for name in fields if name not in ("check", "limit")]
        raise FieldProblem(
            f"{preset.of} has no setting '{key_of(unknown)}'",
            at=(key_of(unknown),),
            allowed=listed(keys),
            hint=did_you_mean(key_of(unknown), keys),
        )
    taken = {name: value for name, value in of_model.items() if name in fields}
    if preset.of == "carrier_power" and not of_model.get("in_ssb"):
        taken.pop("drive_v", None)  # a carrier is read without modulation
    stated = taken | stated
    try:
        return check.settings.model_validate(stated, by_name=True, by_alias=False)  # type: ignore[no-any-return]
    except ValidationError as error:
        raise _not_made(preset, error) from error


def _not_made(preset: Preset, error: ValidationError) -> FieldProblem:
    first = error.errors()[0]
    key = key_of(str(first["loc"][0])) if first["loc"] else ""
    if first["type"] == "missing":
        return NotStated(
            f"{preset.of} needs '{key}', and neither the preset nor the model states it",
            at=(),
            allowed=f"'{key}:' beside 'of'",
        )
    problem = first.get("ctx", {}).get("error")
    allowed = getattr(problem, "allowed", "")
    return FieldProblem(getattr(problem, "message", first["msg"]), at=(key,) if key else (), allowed=allowed)


def as_left_unmeasured(adjusted: Adjusted, conditions: Conditions, why: str) -> list[Finding]:
    """Return the findings as left of what could not be measured, because nothing could be moved."""
    return [
        Finding(quantity=quantity, value=None, unit=unit, stage="as left", untouched=True, note=why)
        for quantity, unit in adjusted.check.quantities(adjusted.settings)
    ]
