"""Naming a run: whole, by as much of its beginning as no other has, or as the last."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.analysis.runs import find_run
from sequencer.problems import FileProblems
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store
from tests.support.stored_results import RUN

NAMES = (
    "20270102T100000-abc123",
    "20270102T100000-abd456",
    "20270102T100000-abd456-simulated",
    "20270103T090000-ffffff",
    "20270103T090000_x%",
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[tuple[Store, StorePlace]]:
    """A store with runs of these names."""
    place = StorePlace(path=tmp_path / "results.sqlite")
    with Store.open(place) as opened:
        for name in NAMES:
            opened.write_run(replace(RUN, run=name))
        yield opened, place


@pytest.mark.parametrize(
    ("name", "run"),
    [
        ("20270102T100000-abc123", "20270102T100000-abc123"),
        ("20270102T100000-abc", "20270102T100000-abc123"),
        ("20270103T090000-", "20270103T090000-ffffff"),
        ("20270103T090000_", "20270103T090000_x%"),  # no wildcard of a database
        ("20270102T100000-abd456", "20270102T100000-abd456"),  # a whole name, though another begins with it
        ("20270102T100000-abd456-", "20270102T100000-abd456-simulated"),
    ],
)
def test_a_beginning_that_no_other_has_names_a_run(
    store: tuple[Store, StorePlace], name: str, run: str
) -> None:
    """What fits one run alone is that run; the whole name is always that one."""
    assert find_run(name, *store, None).run == run


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("20270102", "several runs begin with '20270102'"),
        ("20270102T100000-ab", "20270102T100000-abc123"),
        ("20270102t", "no run '20270102t'"),
        ("%", "no run '%'"),
        ("", "no run ''"),
    ],
)
def test_a_beginning_of_several_or_of_none_is_refused(
    store: tuple[Store, StorePlace], name: str, words: str
) -> None:
    """Those that begin so are named; letters count in their case, on every database."""
    with pytest.raises(FileProblems, match=words):
        find_run(name, *store, None)
