"""What a check was told to do, as it is kept with a result: frozen values, whatever the check's own model looked like."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Self

from typing_extensions import TypeAliasType

from sequencer.frozen import dataclass

SettingValue = TypeAliasType(
    "SettingValue", "bool | int | float | str | Settings | tuple[SettingValue, ...] | None"
)
"""What a setting may be: a number in the unit of its name, a word, several, or settings that belong together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting, by the name of its field: the unit stands in it (``tone_hz``)."""

    name: str
    value: SettingValue


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings in the order of their check's model."""

    entries: tuple[Setting, ...] = ()

    @classmethod
    def of(cls, plain: Mapping[str, Any]) -> Self:
        """Return what `as_plain` was made of. ValueError for what no setting can be."""
        return cls(entries=tuple(Setting(name=str(name), value=_frozen(one)) for name, one in plain.items()))

    def as_plain(self) -> dict[str, Any]:
        """Return them for JSON, by name."""
        return {one.name: value_as_plain(one.value) for one in self.entries}

    def find(self, name: str) -> SettingValue:
        """Return one of them; None also where there is none of that name."""
        return next((one.value for one in self.entries if one.name == name), None)

    @property
    def names(self) -> tuple[str, ...]:
        """Their names, in order."""
        return tuple(one.name for one in self.entries)

    def __iter__(self) -> Iterator[Setting]:
        return iter(self.entries)

    def __len__(self) -> int:
        return len(self.entries)


def value_as_plain(value: SettingValue) -> Any:
    """Return a setting for JSON."""
    if isinstance(value, Settings):
        return value.as_plain()
    return [value_as_plain(one) for one in value] if isinstance(value, tuple) else value


def _frozen(plain: Any) -> SettingValue:
    if plain is None or isinstance(plain, bool | int | float | str):
        return plain
    if isinstance(plain, Mapping):
        return Settings.of(plain)
    if isinstance(plain, list | tuple):
        return tuple(map(_frozen, plain))
    raise ValueError(f"no setting can be a {type(plain).__name__}")
