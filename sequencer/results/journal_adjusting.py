"""What a journal says of an adjusting that was cut short: what was found before, and which stored settings may stand otherwise.

Nothing can find it again: the unit is no more as it was found.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.frozen import dataclass
from sequencer.problems import printable
from sequencer.units.format import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class AsFound:
    """A figure as found, before anything was turned or written."""

    check_index: int
    quantity: str
    value: float | None
    unit: str

    @property
    def text(self) -> str:
        """The figure in words."""
        value = "not measured" if self.value is None else format_quantity(self.value, printable(self.unit))
        return f"{printable(self.quantity)} {value}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingLeft:
    """A setting of the unit that was written: ``before`` stood first, ``number`` was sent last; ``is_read_back``: it stands there."""

    setting: str
    before: int
    number: int
    is_read_back: bool

    @property
    def text(self) -> str:
        """What stands, and what stood, in words."""
        name = printable(self.setting)
        stands = f"{self.number} was written last and read back"
        if not self.is_read_back:
            stands = f"{self.number} was sent last, and nobody has read it back"
        return f"the unit's setting {name} stood at {self.before} before; {stands}"


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustingCut:
    """An adjusting that was cut short: what it had found, and the settings that it had written and not put back."""

    check_index: int
    found: tuple[AsFound, ...] = ()
    settings: tuple[SettingLeft, ...] = ()

    @property
    def note(self) -> str:
        """What a result of the check, measured anew, must say of it."""
        found = ", ".join(one.text for one in self.found)
        parts = [f"as found before that: {found}"] if found else []
        return "; ".join([*parts, *(one.text for one in self.settings)])

    @property
    def said(self) -> Iterator[str]:
        """Yield what a person must know, a line each."""
        if self.found:
            found = ", ".join(one.text for one in self.found)
            yield (
                f"The run was cut short while it adjusted (check {self.check_index}). As found: {found}. "
                "What was turned stands as it was left."
            )
        for one in self.settings:
            yield (
                f"Check {self.check_index}: {one.text}. Adjust it again, or write {one.before} to have the unit as it was."
            )


class AdjustingLines:
    """Gathers the lines of adjustings that have not ended."""

    def __init__(self) -> None:
        self._found: dict[int, list[AsFound]] = {}
        self._settings: dict[int, dict[str, SettingLeft]] = {}
        self._index = -1

    def begin(self, index: int) -> None:
        """Take it that the check ``index`` is under way; what it had found before, in a part of the run that was cut short, stands."""
        self._index = index

    def take_found(self, line: Mapping[str, Any]) -> None:
        """Take what was found: the first time counts."""
        index = int(line["check_index"])
        told = [
            AsFound(
                check_index=index,
                quantity=str(one["quantity"]),
                value=None if one["value"] is None else float(one["value"]),
                unit=str(one["unit"]),
            )
            for one in line["found"]
        ]
        held = self._found.setdefault(index, [])
        held += [one for one in told if one.quantity not in {each.quantity for each in held}]

    def take_setting(self, line: Mapping[str, Any], *, is_read_back: bool) -> None:
        """Take a setting that is to be written, or was read back."""
        held = self._settings.setdefault(self._index, {})
        name = str(line["setting"])
        before = held[name].before if name in held else int(line["before"])
        held[name] = SettingLeft(
            setting=name, before=before, number=int(line["value"]), is_read_back=is_read_back
        )

    def end(self, index: int) -> None:
        """Take it that a check has ended: its results say what there is to say; what was not put back stands only for one cut short."""
        self._found.pop(index, None)
        self._settings.pop(index, None)

    def cut(self) -> tuple[AdjustingCut, ...]:
        """Return the adjustings that have not ended."""
        return tuple(
            AdjustingCut(
                check_index=index,
                found=tuple(self._found.get(index, ())),
                settings=tuple(
                    one
                    for one in self._settings.get(index, {}).values()
                    if one.number != one.before or not one.is_read_back
                ),
            )
            for index in sorted({*self._found, *self._settings})
        )
