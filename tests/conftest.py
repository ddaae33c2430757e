"""A simulated bench for tests of the engine, and the witness at zero over the whole test run.

Every `SimulatedBench` that comes out of `sequencer.bench.simulation.simulate` during a test is asked for its hazards when the test ends. A
test that provokes one on purpose says so with the mark `provokes_hazards`, and fails if it does not.
"""

from __future__ import annotations

import hashlib
import os
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import settings

from drivers.roles import Identity
from drivers.trace import Direction, Exchange
from sequencer.bench import simulation
from sequencer.bench.open_bench import OpenBench
from sequencer.checks.base import Check, KeptFile
from sequencer.inputs.load_bench import load_bench
from sequencer.planning import load as loading
from sequencer.planning.plan import Plan, make_plan
from sequencer.results.model import Result
from sequencer.run.events import Event
from sequencer.run.record import RunFacts
from sequencer.run.runner import Runner, RunOutcome
from sim.bench import SimulatedBench
from sim.scpi.faults import Fault, FaultScript
from tests.support.postgres_server import NoServer, PostgresServer

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
    """Register the mark that the witness asks for."""
    config.addinivalue_line(
        "markers", "provokes_hazards: the simulated bench of this test must record a hazard"
    )


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

    for module in (simulation, loading):  # wherever it is looked up
        monkeypatch.setattr(module, "simulate", kept)
    yield benches
    hazards = [str(hazard) for bench in benches for hazard in bench.hazards]
    if request.node.get_closest_marker("provokes_hazards") is None:
        assert hazards == [], "the witness recorded hazards"
    else:
        assert hazards, "this test says that it provokes a hazard, and the witness saw none"


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


class MemoryRecord:
    """What a run leaves, kept in memory: what a test looks at, and no disk to wait for."""

    def __init__(self, facts: RunFacts) -> None:
        self.facts = facts
        self.trouble: list[str] = []
        self.kept: dict[int, list[Result]] = {}
        self.said: list[Exchange] = []
        self.files: dict[str, bytes] = {}
        self.ended: dict[str, Any] = {}

    def keep_instruments(self, identities: dict[str, Identity]) -> None:
        """Take who answered."""
        self.identities = identities

    def keep(self, index: int, results: Sequence[Result], said: Sequence[Exchange]) -> None:
        """Take what a check left."""
        self.kept.setdefault(index, []).extend(results)
        self.said += said

    def keep_file(self, index: int, name: str, content: bytes) -> KeptFile:
        """Take a file."""
        self.files[name] = content
        return KeptFile(path=Path(f"{index}-{name}"), sha256=hashlib.sha256(content).hexdigest())

    def end(self, **how: Any) -> None:
        """Take how the run ended."""
        self.ended = how


class Nodding:
    """Says yes to everything, or no."""

    how = "nodded"

    def __init__(self, *, answer: bool = True) -> None:
        self.answer = answer
        self.asked: list[str] = []

    def confirm(self, text: str) -> bool:
        """Return the answer."""
        self.asked.append(text)
        return self.answer


class Rig:
    """One run in the making on a simulated bench in virtual time: break it, run it, look at what it left."""

    def __init__(self, plan: Plan, serial: str) -> None:
        self.plan = plan
        self._serial = serial
        self.parts = loading.bench_parts(plan.bench, serial=serial, dry_run=False)
        assert self.parts.simulation is not None
        self.simulation = self.parts.simulation
        self.record = MemoryRecord(
            RunFacts(
                run="test",
                time=datetime.now(UTC),
                serial=serial,
                model="M40",
                simulated=True,
                bench_name="test",
                plan=plan,
            )
        )

    def again(self) -> Rig:
        """Return a rig with the same plan and everything else new: no file is read again."""
        return Rig(self.plan, self._serial)

    def device(self, role: str) -> Any:
        """Return the simulated instrument in ``role``."""
        found = self.plan.bench.bench.with_role(role)
        assert found is not None
        return self.simulation.devices[found[1].address]

    def inject(self, role: str, *faults: Fault) -> None:
        """Give faults to one instrument."""
        for fault in faults:
            self.device(role).faults.add(fault)

    def inject_everywhere(self, *faults: Fault) -> FaultScript:
        """Give faults to the bench as a whole: messages are counted over all its instruments."""
        script = FaultScript(faults)
        for device in self.simulation.devices.values():
            device.faults = script
        return script

    def with_checks(self, *checks: Check[Any]) -> Rig:
        """Take as many of the plan's steps as there are ``checks``, and put those in: a test's own procedures."""
        steps = tuple(
            replace(step, check=check) for step, check in zip(self.plan.steps, checks, strict=False)
        )
        self.plan = replace(self.plan, steps=steps)
        return self

    def run(self, confirmer: Any = None, listeners: Iterable[Callable[[Event], None]] = ()) -> RunOutcome:
        """Run the plan."""
        record: Any = self.record
        return Runner(self.plan, self.parts, record, confirmer or Nodding(), listeners).run()

    def open(self) -> OpenBench:
        """Return the bench, to be opened."""
        return OpenBench(self.parts)

    def sent(self, instrument: str = "") -> list[str]:
        """Return every message the run sent, to one instrument or to all, in order."""
        return [
            exchange.content.decode().strip()
            for exchange in self.record.said
            if exchange.direction is Direction.SENT and instrument in ("", exchange.instrument)
        ]


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
            loading.load_sequence(str(sequence_file(sequence))),
            load_bench(str(bench_file(**changes))),
        )
        return Rig(plan, serial)

    return make


@pytest.fixture
def nodding() -> type[Nodding]:
    """Whoever confirms in a test."""
    return Nodding
