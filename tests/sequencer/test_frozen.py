"""Frozen values behave as the standard library's: each promise is asked of a class of either kind."""

from __future__ import annotations

import copy
import dataclasses
import pickle
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import FrozenInstanceError, asdict, field, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

import pytest

import drivers.frozen
import sequencer.frozen
import sim.frozen
from drivers.trace import Exchange

TOP = Path(__file__).parents[2]
_KINDS: list[Any] = [
    dataclasses.dataclass,
    sequencer.frozen.dataclass,
    sim.frozen.dataclass,
    drivers.frozen.dataclass,
]


def _in_list() -> list[int]:
    return [1]


@sequencer.frozen.dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A value that can be found by its name, as pickling needs."""

    level_dbm: float
    points: tuple[float, ...] = ()


def _made(decorator: Callable[..., Any]) -> dict[str, Any]:
    """Return classes of one kind that use all that the engine uses."""

    @decorator(frozen=True, slots=True, kw_only=True)
    class Base:
        """A base."""

        kind: ClassVar[str] = "base"
        level_dbm: float
        note: str = "none"
        found: list[int] = field(default_factory=_in_list)

    @decorator(frozen=True, slots=True, kw_only=True)
    class Derived(Base):
        """One that adds a field, hides one, and checks itself."""

        secret: str = field(default="s", repr=False, compare=False)
        twice: float = field(init=False, default=0.0)

        def __post_init__(self) -> None:
            if self.level_dbm > 20:
                raise ValueError("level_dbm: too much")
            object.__setattr__(self, "twice", 2 * self.level_dbm)

    @decorator(frozen=True, slots=True)
    class Positional:
        """One whose fields are given in order, with words of its own."""

        first: float
        rest: Mapping[str, float] = field(default_factory=dict)

        def __repr__(self) -> str:
            return "mine"

        def __hash__(self) -> int:
            return 7

    @decorator(frozen=True, slots=True, eq=False)
    class Itself:
        """One that equals nothing but itself."""

        only: float = float("nan")

    @decorator(frozen=True, slots=True)
    class Single:
        """One with one field."""

        only: float = float("nan")

    return {one.__name__: one for one in (Base, Derived, Positional, Itself, Single)}


def _refused(change: Callable[[], object]) -> tuple[type[Exception], str]:
    with pytest.raises(Exception, match=r".") as caught:
        change()
    return type(caught.value), str(caught.value)


def _told(made: dict[str, Any]) -> list[Any]:
    """Return all that can be told of values of these classes."""
    base, derived, positional, itself, single = made.values()
    nan = float("nan")
    value, same = derived(level_dbm=1.0, note="x"), derived(level_dbm=1.0, note="x", secret="other")
    return [
        repr(value),
        repr(base(level_dbm=2.0)),
        repr(positional(1.0)),
        value == same,
        value == base(level_dbm=1.0, note="x"),
        value != derived(level_dbm=1.5),
        value == "text",
        value.twice,
        value.secret,
        base.kind,
        base(level_dbm=1.0).found is base(level_dbm=1.0).found,
        hash(positional(1.0)),
        positional(1.0, {"a": 1.0}) == positional(1.0, {"a": 1.0}),
        itself() == itself(),
        single(nan) == single(nan),
        single(nan) == single(float("nan")),
        hash(single(1.0)) == hash(single(1.0)),
        asdict(value),
        replace(value, level_dbm=3.0).twice,
        [one.name for one in fields(derived)],
        is_dataclass(derived),
        copy.deepcopy(value) == value,
        copy.copy(value).twice,
        positional.__match_args__,
        derived.__match_args__,
        derived.__slots__,
        hasattr(value, "__dict__"),
        derived.__doc__,
        _refused(lambda: hash(value))[0],  # it holds a list
        _refused(base),
        _refused(lambda: base(level_dbm=1.0, other=2)),
        _refused(lambda: base(1.0)),
        _refused(lambda: derived(level_dbm=21.0)),
        _refused(lambda: setattr(value, "note", "y")),
        _refused(lambda: delattr(value, "note")),
        _refused(lambda: replace(value, twice=1.0))[0],
        _refused(lambda: setattr(value, "unknown", 1))[0] in (FrozenInstanceError, TypeError, AttributeError),
    ]


@pytest.mark.parametrize("made_before", [0, 120], ids=["filled", "compiled"])
@pytest.mark.parametrize("kind", _KINDS[1:])
def test_values_are_as_the_standard_library_makes_them(kind: Callable[..., Any], made_before: int) -> None:
    """Comparing, hashing, printing, copying, defaults, checks of one's own, and what is refused, word for word."""
    ours, theirs = _made(kind), _made(_KINDS[0])
    for one in ours.values():
        for _ in range(made_before):
            one(**{fields(one)[0].name: 1.0})
    assert _told(ours) == _told(theirs)


def test_a_value_goes_through_pickle() -> None:
    """A value comes back as it was."""
    assert pickle.loads(pickle.dumps(Kept(level_dbm=-1.0, points=(2.0,)))) == Kept(
        level_dbm=-1.0, points=(2.0,)
    )


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """A value of the standard kind, as a package of somebody's own may define it."""

    at_s: float
    text: str


@pytest.mark.parametrize("base", [Standard, Exchange])
def test_a_class_adds_fields_to_a_base_from_elsewhere(base: Any) -> None:
    """To one of the standard library's kind, and to one of `drivers`, which has the same decorator in a file of its own."""

    @sequencer.frozen.dataclass(frozen=True, slots=True, kw_only=True)
    class Stored(base):  # type: ignore[misc]
        """A message with its number."""

        id: int

    given = {one.name: one.name for one in fields(base)}
    value = Stored(**given, id=1)
    assert asdict(value) == {**given, "id": 1}
    with pytest.raises(FrozenInstanceError):
        value.id = 2  # type: ignore[misc]


def test_what_is_not_frozen_is_refused() -> None:
    """The decorator makes frozen values alone."""
    decorator: Any = sequencer.frozen.dataclass
    with pytest.raises(TypeError, match="not frozen"):
        decorator(slots=True)


def test_defining_a_class_compiles_nothing() -> None:
    """That is what it costs little by: nothing is compiled for the first values, and only ``__init__`` once they are many."""
    code = (
        "import sys, dataclasses, reprlib, operator; sys.path.insert(0, sys.argv[1]); compiled = []\n"
        "from sequencer.frozen import dataclass\n"
        "sys.addaudithook(lambda event, said: compiled.append(said) if event == 'compile' else None)\n"
        "class A:\n    'A value.'\n    level: float\n    note: str = ''\n"
        "A = dataclass(frozen=True, slots=True, kw_only=True)(A)\n"
        "assert len(compiled) == 0, compiled\n"
        "[A(level=1.0) for _ in range(90)]; assert len(compiled) == 0, compiled\n"
        "[A(level=1.0) for _ in range(90)]; assert len(compiled) == 1, compiled\n"
        "class B:\n    'A value.'\n    level: float\n"
        "dataclasses.dataclass(frozen=True, slots=True, kw_only=True)(B)\n"
        "assert len(compiled) > 4  # so that this test would see it\n"
    )
    subprocess.run([sys.executable, "-c", code, str(TOP)], check=True, timeout=60)


@pytest.mark.parametrize("other", ["sim", "drivers"])
def test_the_three_packages_have_the_same_file(other: str) -> None:
    """They may not import each other, and the rules of one must not drift from the others'."""
    assert (TOP / other / "frozen.py").read_bytes() == (TOP / "sequencer" / "frozen.py").read_bytes()


def test_the_standard_library_makes_a_frozen_value_upon_one_of_these() -> None:
    """Whoever writes a check or a test of his own adds fields with the decorator that he knows."""

    @dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
    class Named(Kept):
        name: str = ""

    value = Named(level_dbm=1.0, name="a")
    assert replace(value, name="b") == Named(level_dbm=1.0, name="b")
    assert asdict(value) == {**asdict(Kept(level_dbm=1.0)), "name": "a"}
    with pytest.raises(FrozenInstanceError):
        value.name = "c"  # type: ignore[misc]
