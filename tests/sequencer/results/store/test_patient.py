"""Connections to a server that takes what it is asked and never answers: each wait has an end, and a stop does not wait for it."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest

from sequencer.results.queue.connect import connected
from sequencer.results.store import patient, server_line
from sequencer.results.store.bench_now import BenchNowWriter
from sequencer.results.store.engine import make_engine
from sequencer.results.store.patient import PatientConnection
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.store import Store
from sequencer.results.store.writer import StoreWriter
from sequencer.run.interrupt import Interrupted, stoppable
from sequencer.run.keeping.store_queue import StoreQueue
from tests.support.cut_line import CutLine
from tests.support.postgres_server import PostgresServer


@pytest.fixture
def line(postgres: PostgresServer) -> Iterator[CutLine]:
    """A line to the server that a test may hold up."""
    made = CutLine(postgres)
    yield made
    made.close()


@pytest.fixture
def place(postgres: PostgresServer, line: CutLine) -> StorePlace:
    """A store by this line."""
    return find_place(Path("unused"), line.address(postgres.address()))


def test_a_server_that_never_answers_is_given_up(place: StorePlace, line: CutLine) -> None:
    """Its machine acknowledges all, so that no setting of the line ends the wait; the connection is of no use afterwards."""
    with closing(connected(place, autocommit=True)) as connection:
        assert isinstance(connection, PatientConnection)
        connection.answer_s = 0.2
        line.hold_up()
        with pytest.raises(psycopg.OperationalError, match=r"the server has not answered for 0\.2 s"):
            connection.execute("select 1")
        assert connection.closed


def test_a_slow_answer_is_no_silence(place: StorePlace, line: CutLine) -> None:
    """Bytes that move begin the time anew: an answer may take longer than that in all."""
    with closing(connected(place, autocommit=True)) as connection:
        assert isinstance(connection, PatientConnection)
        connection.answer_s = 0.5
        line.delay_s = 0.02
        row = connection.execute("select length(repeat('x', 3000000)), repeat('x', 3000000)").fetchone()
        assert row is not None
        assert row[0] == len(row[1]) == 3_000_000


def test_an_interruption_leaves_at_once(place: StorePlace, line: CutLine) -> None:
    """psycopg's own handling asks the server to cancel first, over the same line, and waits for that."""
    with closing(connected(place, autocommit=True)) as connection, stoppable():
        line.hold_up()
        threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGTERM)).start()
        with pytest.raises(Interrupted):
            connection.execute("select 1")
        assert connection.closed


def test_a_write_under_way_is_given_up_where_a_stop_is_asked(
    place: StorePlace, line: CutLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also while signals are held; what it wrote waits, and nothing else is tried until the bench is safe, when all of it goes in."""
    monkeypatch.setattr(patient, "STOP_S", 0.2)
    queue = StoreQueue(place, power_safe=True)
    written: list[int] = []

    def ask(writer: StoreWriter, again: bool) -> None:
        writer.count_rows("none")
        written.append(len(written))

    assert queue.write(ask) is None
    line.hold_up()
    asked = threading.Event()
    threading.Timer(0.2, asked.set).start()
    with server_line.hurried(asked.is_set):
        problem = queue.write(ask)
        assert problem is not None
        assert "asked to stop" in str(problem)
        assert problem.may_pass
        assert queue.write(ask) is not None
        line.mend()
        assert queue.write(ask) is not None
        assert written == [0]
    assert queue.write(ask) is None
    assert written == [0, 1, 2, 3, 4]
    queue.close()


def test_every_connection_has_the_lines_settings_and_a_deadline(
    place: StorePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As libpq gives them back; whoever writes for a run has the shortest deadline, who moves a store has none."""
    with StoreWriter.open(place) as writer, Store.open_to_read(place) as reader:
        teller = BenchNowWriter(place)
        assert teller._engine is not None
        engines = {
            server_line.WRITE_S: (writer._engine, teller._engine),
            server_line.READ_S: (reader._engine,),
            None: (make_engine(place),),
        }
        for answer_s, made in engines.items():
            for engine in made:
                bare: Any = engine.raw_connection()
                assert bare.dbapi_connection.answer_s == answer_s
                _has_settings(bare.dbapi_connection)
                bare.close()
                engine.dispose()
        teller.close()
    with closing(connected(place)) as connection:
        _has_settings(connection)


def _has_settings(connection: Any) -> None:
    given = connection.info.get_parameters()
    for name, number in server_line.LINE.items():
        if name not in ("connect_timeout", "keepalives"):  # given back where they are not the default
            assert given[name] == str(number), name


def test_opening_by_a_silent_line_ends(
    place: StorePlace, line: CutLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine that takes the connection and says nothing."""
    monkeypatch.setitem(server_line.LINE, "connect_timeout", 2)  # the least that libpq takes
    line.hold_up()
    with pytest.raises(StoreProblem) as caught:
        StoreWriter.open(place)
    assert caught.value.may_pass
