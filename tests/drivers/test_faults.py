"""The tree of instrument faults."""

from __future__ import annotations

import copy
import json
import pickle

import pytest

from drivers import faults

LEAVES = [
    kind
    for kind in vars(faults).values()
    if isinstance(kind, type) and issubclass(kind, faults.InstrumentFault)
]


@pytest.mark.parametrize("kind", LEAVES)
def test_a_fault_names_everything_in_text_and_attributes(kind: type[faults.InstrumentFault]) -> None:
    """Instrument, address, what happened, command, reply and next move are all there."""
    fault = kind(
        "no answer", instrument="meter", address="A::1", command="READ?", reply="\x00", next_move="Look."
    )
    assert str(fault) == "meter (A::1): no answer; sent 'READ?'; got '\\x00'. Look."
    assert (fault.instrument, fault.address, fault.command, fault.reply) == ("meter", "A::1", "READ?", "\x00")


@pytest.mark.parametrize("kind", LEAVES)
def test_a_fault_is_told_as_data(kind: type[faults.InstrumentFault]) -> None:
    """Its kind and attributes go into JSON and come back, a long reply whole, and make the same fault again."""
    fault = kind(
        "no answer", instrument="meter", address="A::1", command="READ?", reply="x" * 200, next_move="Look."
    )
    told = json.loads(json.dumps(fault.facts()))
    assert told.pop("fault") == kind.__name__
    twin = kind(told.pop("what"), **told)
    assert vars(twin) == vars(fault)
    assert str(twin) == str(fault)


@pytest.mark.parametrize("kind", LEAVES)
def test_a_fault_survives_pickling_and_copying(kind: type[faults.InstrumentFault]) -> None:
    """A fault crosses a process border whole."""
    fault = kind(
        "no answer", instrument="meter", address="A::1", command="READ?", reply="1", next_move="Look."
    )
    for twin in (pickle.loads(pickle.dumps(fault)), copy.copy(fault)):
        assert type(twin) is kind
        assert str(twin) == str(fault)
        assert vars(twin) == vars(fault)


def test_a_long_reply_is_shown_short_and_kept_whole() -> None:
    """The text stays readable, the attribute loses nothing."""
    fault = faults.UnexpectedReply("too long", instrument="meter", address="A::1", reply="x" * 70000)
    assert len(str(fault)) < 300
    assert "69880 more characters" in str(fault)
    assert len(fault.reply) == 70000
