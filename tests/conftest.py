"""A simulated bench for tests of the engine, and the witness at zero over the whole test run.

Every `SimulatedBench` that comes out of `sequencer.bench.simulation.simulate` during a test is asked for its hazards when the test ends. A
test that provokes one on purpose says so with the mark `provokes_hazards`, and fails if it does not.
"""

from __future__ import annotations

import gc
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import settings

from sequencer.bench import simulation
from sequencer.inputs.load_bench import load_bench
from sequencer.planning import parts as bench_parts_module
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import make_plan
from sim.bench import SimulatedBench
from tests.support.postgres_server import NoServer, PostgresServer
from tests.support.rig import Nodding, Rig

# What is compiled is kept, whatever the shell says: half of the time in which tests are collected, and what each process that a test starts
# would do anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# One thread for the linear algebra of each process: its problems are small, and threads that wait for their part of one keep a core busy.
# With one worker a core that was up to four fifths of the time of a reading from samples [measured]. The workers inherit it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# What tests write lies in memory where there is room for it: on a disk each commit of a store waits 4 ms [measured], and what a test that
# kills a process or a server finds afterwards is the same. TMPDIR says otherwise; the workers, and what a test starts, inherit it.
_MEMORY, _ROOM_BYTES = Path("/dev/shm"), 4 * 2**30
if (
    "TMPDIR" not in os.environ
    and os.access(_MEMORY, os.W_OK)
    and shutil.disk_usage(_MEMORY).free > _ROOM_BYTES
):
    os.environ["TMPDIR"], tempfile.tempdir = str(_MEMORY), None
# What collection leaves stays to the end, and need not be looked through for circles again and again: 2 to 8 % of the time [measured].
gc.set_threshold(20_000, 20, 50)

# A test is deterministic or it is a bug: the same examples each time. SEQUENCER_TEST_RANDOM=1 tries others.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("others", deadline=None)
settings.load_profile("others" if os.environ.get("SEQUENCER_TEST_RANDOM") else "same")

BENCH = Path(__file__).parents[1] / "sim" / "bench.yaml"
SHORT_SEQUENCE = """
sequence: Short
channels: plans/cept-40.yaml
mode: FM
supply: 13.2 V
checks:
  - {check: carrier_power, channel: 20, readings: 2, limit: {max: 4 W}}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, tone: 1 kHz, deviation: 1.2 kHz, accuracy: 3 dB, limit: {max: -113 dBm}}
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
"""


def pytest_configure(config: pytest.Config) -> None:
    """Register the mark that the witness asks for, and let what the tests start be told that its terminal has gone."""
    if hasattr(signal, "SIGHUP"):  # ignored in a suite that `nohup` started, and then by all that it starts
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
    config.addinivalue_line(
        "markers", "provokes_hazards: the simulated bench of this test must record a hazard"
    )


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """Take a worker more than there are cores: what waits for a server, a time-out or a process leaves its core to others."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None
    return (os.cpu_count() or 1) + 1


def pytest_collection_finish() -> None:
    """Leave what was collected out of every later look for circles."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True)
def witnessed(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[list[SimulatedBench]]:
    """Keep every simulated bench of the test, and ask its witness at the end."""
    benches: list[SimulatedBench] = []
    make = simulation.simulate

    def kept(*arguments: Any, **options: Any) -> SimulatedBench:
        benches.append(make(*arguments, **options))
        return benches[-1]

    for module in (simulation, bench_parts_module):  # wherever it is looked up
        monkeypatch.setattr(module, "simulate", kept)
    yield benches
    hazards = [str(hazard) for bench in benches for hazard in bench.hazards]
    if request.node.get_closest_marker("provokes_hazards") is None:
        assert hazards == [], "the witness recorded hazards"
    else:
        assert hazards, "this test says that it provokes a hazard, and the witness saw none"


@pytest.fixture(autouse=True, scope="session")
def locks_of_their_own(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep the tests' locks and marks apart from those of the machine they run on; what a test starts inherits it."""
    os.environ["SEQUENCER_STATE"] = str(tmp_path_factory.mktemp("state"))


@pytest.fixture(autouse=True)
def signals_given_back() -> Iterator[None]:
    """See that whoever took SIGINT and SIGTERM has given them back."""
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = [signal.getsignal(number) for number in numbers]
    yield
    assert [signal.getsignal(number) for number in numbers] == before


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A PostgreSQL server of the tests' own. Without its binaries a test says so, and in CI (SEQUENCER_TEST_ALL) it fails."""
    try:
        import psycopg  # noqa: F401

        server = PostgresServer()
    except (ImportError, NoServer) as missing:
        if os.environ.get("SEQUENCER_TEST_ALL"):
            pytest.fail(f"PostgreSQL cannot be tested: {missing}", pytrace=False)
        pytest.skip(f"PostgreSQL cannot be tested: {missing}")
    yield server
    server.close()


@pytest.fixture
def bench_file(tmp_path: Path) -> Callable[..., Path]:
    """Write a copy of the shipped simulated bench, changed by key: ``protection={"max_key_time": "5 s"}``; None takes away."""

    def write(name: str = "bench.yaml", **changes: Any) -> Path:
        content = yaml.safe_load(BENCH.read_text(encoding="utf-8"))
        content["unit"] = str(BENCH.parent / content["unit"])
        for key, change in changes.items():
            content[key] = _merged(content.get(key), change)
        path = tmp_path / name
        path.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
        return path

    return write


def _merged(old: Any, new: Any) -> Any:
    if not isinstance(old, dict) or not isinstance(new, dict):
        return new
    merged = {**old, **{key: _merged(old.get(key), one) for key, one in new.items()}}
    return {key: one for key, one in merged.items() if one is not None}


@pytest.fixture
def sequence_file(tmp_path: Path) -> Callable[..., Path]:
    """Write a sequence file."""

    def write(content: str = SHORT_SEQUENCE, name: str = "short.yaml") -> Path:
        path = tmp_path / name
        path.write_text(content, encoding="utf-8")
        return path

    return write


@pytest.fixture
def make_rig(bench_file: Callable[..., Path], sequence_file: Callable[..., Path]) -> Callable[..., Rig]:
    """Make a rig: the specimen by ``serial``, the sequence's text, changes of the bench file by key."""

    def make(*, serial: str = "M40-0007", sequence: str = SHORT_SEQUENCE, **changes: Any) -> Rig:
        plan = make_plan(
            load_sequence(str(sequence_file(sequence))),
            load_bench(str(bench_file(**changes))),
        )
        return Rig(plan, serial)

    return make


@pytest.fixture
def nodding() -> type[Nodding]:
    """Whoever confirms in a test."""
    return Nodding
