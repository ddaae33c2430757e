"""A bench that stays open: two units one after another give what they give alone, and nothing of the first is the second's."""

from __future__ import annotations

import uuid
from datetime import datetime
from pathlib import Path

import pytest

from drivers.trace import Direction
from sequencer.bench.open_bench import BenchUnsafe
from sequencer.bench.stand_in import find_stand_in
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from sequencer.run.line.kept_bench import KeptBench
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record, RunFacts
from sequencer.run.runner import Runner, RunOutcome
from sequencer.run.status import ExitStatus
from sim.wiring.witness import HazardKind

SEQUENCE = """
sequence: one check
channels: cept-40
mode: FM
supply: 13.2 V
prepare: [{confirm: knobs right}]
checks:
  - {check: frequency_error, channel: 20, limit: {within: 3 kHz}}
"""


class Line:
    """A station without a person: units one after another on one bench."""

    def __init__(self, folder: Path, bench: str = "bench") -> None:
        file = folder / "two.yaml"
        file.write_text(SEQUENCE, encoding="utf-8")
        self.folder = folder
        self.loaded: LoadedBench = load_bench(bench)
        self.sequence = load_sequence(str(file))
        self.bench = KeptBench(self.loaded)
        self.said: list[list[str]] = []

    def plan(self, serial: str) -> Plan:
        """Return the plan for a unit."""
        return make_plan(self.sequence, self.loaded, serial=serial)

    def measure(self, serial: str) -> RunOutcome:
        """Measure a unit as a station does."""
        plan = self.plan(serial)
        facts = RunFacts(
            run=f"r-{uuid.uuid4().hex[:8]}",
            time=datetime.now().astimezone(),
            serial=serial,
            model="",
            simulated=True,
            bench_name="bench (simulated)",
            plan=plan,
        )
        opened = self.bench.take(serial, self.sequence)
        assert self.bench.parts is not None
        with Record(self.folder / "results", facts) as record:
            said: list[str] = []
            keep = record.keep

            def kept(index, results, exchanges, **more):  # type: ignore[no-untyped-def]
                said.extend(
                    one.content.decode("ascii", "replace").strip()
                    for one in exchanges
                    if one.direction is Direction.SENT
                )
                keep(index, results, exchanges, **more)

            record.keep = kept  # type: ignore[method-assign]
            outcome = Runner(
                plan, self.bench.parts, record, GivenBeforehand(), cables=None, bench=opened
            ).run()
        self.said.append(said)
        return outcome


@pytest.fixture(scope="module")
def two_units(tmp_path_factory: pytest.TempPathFactory) -> tuple[Line, list[RunOutcome]]:
    """Two units on one bench, then the first once more."""
    line = Line(tmp_path_factory.mktemp("line"))
    return line, [line.measure(serial) for serial in ("M40-0007", "M40-0012", "M40-0007")]


def test_the_bench_is_opened_once_and_left_safe_after_each_unit(
    two_units: tuple[Line, list[RunOutcome]],
) -> None:
    """PTT, generator and supply are read back as off before the unit is touched; no instrument is asked who it is again."""
    line, outcomes = two_units
    assert line.bench.openings == 1
    assert all(one.safe_state.confirmed for one in outcomes)
    assert all({"PTT released", "generator off", "supply off"} <= set(one.safe_state.off) for one in outcomes)
    assert any("*IDN?" in text for text in line.said[0])
    assert not any("*IDN?" in text or "*RST" in text for text in [*line.said[1], *line.said[2]])
    assert line.bench.parts is not None
    assert line.bench.parts.simulation is not None
    assert line.bench.parts.simulation.hazards == ()


def test_each_unit_s_results_are_its_own(two_units: tuple[Line, list[RunOutcome]], tmp_path: Path) -> None:
    """The second unit, which is off frequency, is told from the first; the first comes back within what it repeats by."""
    _, (first, second, again) = two_units
    alone = Line(tmp_path).measure("M40-0012")
    *offsets_hz, alone_hz = [
        next(result.value for result in one.results if result.check == "frequency_error")
        for one in (first, second, again, alone)
    ]
    assert all(value is not None for value in offsets_hz)
    assert offsets_hz[1] == pytest.approx(alone_hz, abs=8.0)
    assert offsets_hz[0] == pytest.approx(offsets_hz[2], abs=8.0)
    assert offsets_hz[1] != pytest.approx(offsets_hz[0], abs=100.0)


def test_a_bench_on_which_ptt_is_pressed_no_more_is_opened_anew(tmp_path: Path) -> None:
    """What was seen of the bench is not forgotten with the unit: it is closed, and proved from the start."""
    line = Line(tmp_path)
    assert line.measure("M40-0007").status is ExitStatus.PASSED
    opened = line.bench.take("M40-0011", line.sequence)
    with opened.safe.transmit_side(channel=20, mode="FM", frequency_hz=27.2e6, roles=frozenset()):
        pass
    opened.safe._key().bar("its contact stuck", "Look at the switch.")
    assert not line.bench.is_open
    assert line.measure("M40-0007").status is ExitStatus.PASSED
    assert line.bench.openings == 2


def test_an_open_bench_is_made_safe_again_before_the_next_unit(tmp_path: Path) -> None:
    """A generator that somebody switched on between two units is off before the next is fed; one that will not go off stops it."""
    line = Line(tmp_path)
    assert line.measure("M40-0007").status is ExitStatus.PASSED
    assert line.bench.parts is not None
    simulation = line.bench.parts.simulation
    assert simulation is not None
    generator = simulation.devices["TCPIP0::192.0.2.11::5025::SOCKET"]
    generator.output_on = True  # type: ignore[attr-defined]
    opened = line.bench.take("M40-0007", line.sequence)
    opened.open()
    assert generator.output_on is False  # type: ignore[attr-defined]
    radio = opened.instruments["radio"]
    radio.read_keyed = lambda: True  # type: ignore[attr-defined]
    with pytest.raises(BenchUnsafe, match="PTT"):
        opened.open()


@pytest.mark.provokes_hazards
def test_the_witness_sees_a_unit_that_is_changed_with_its_supply_on(tmp_path: Path) -> None:
    """The simulated bench is not forgiving: what a person would do to a live connector is a hazard."""
    line = Line(tmp_path)
    line.bench.take("M40-0007", line.sequence)
    assert line.bench.parts is not None
    simulation = line.bench.parts.simulation
    assert simulation is not None
    simulation.wiring.set_supply_v(13.2)
    simulation.change_unit(find_stand_in("M40-0011", modes=frozenset({"FM"}), frequencies_hz={}))
    assert {one.kind for one in simulation.hazards} == {HazardKind.CONNECTOR_TOUCHED_LIVE}
    assert simulation.unit.specimen.serial == "M40-0011"
