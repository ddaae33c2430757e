"""Each specimen through the shipped sequence: the checks its fault calls for fail, and only they; no hazard is left."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import pytest

from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.loading.model_file import Wanted
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import Plan, make_plan
from sequencer.results.model import Result
from sequencer.run.events import CheckEnded, Event
from sequencer.run.people.confirm import GivenBeforehand
from sequencer.run.record import Record, RunFacts
from sequencer.run.runner import Runner
from sequencer.run.status import ExitStatus
from sequencer.uncertainty.decision import Decision
from sim.bench import SimulatedBench

SEQUENCE = load_sequence("fm-mobile-acceptance")
INTERMITTENT = "M40-0017"


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """One run of one specimen."""

    plan: Plan
    status: ExitStatus
    results: tuple[Result, ...]
    events: tuple[Event, ...]
    simulation: SimulatedBench

    @property
    def failed(self) -> list[tuple[str, int | None]]:
        """Quantities, with their channels, of which the decision is neither pass nor no limit."""
        right = (Decision.PASS, Decision.NO_LIMIT)
        return [(one.quantity, one.channel) for one in self.results if one.decision not in right]

    def found(self, quantity: str) -> Result:
        """Return the only result of a quantity."""
        (result,) = (one for one in self.results if one.quantity == quantity)
        return result


def _bench(seed: int) -> LoadedBench:
    loaded = load_bench("bench")
    return replace(loaded, bench=loaded.bench.model_copy(update={"seed": seed}))


def _accept(
    folder: Path, serial: str, *, seed: int = 1, sequence: str = "", leave_knobs: bool = False
) -> Accepted:
    file = SEQUENCE.path
    if sequence:
        file = folder / "s.yaml"
        file.write_text(sequence, encoding="utf-8")
    loaded = load_sequence(str(file), Wanted(serial=serial))
    bench = _bench(seed)
    plan = make_plan(loaded, bench, serial=serial)
    parts = bench_parts(bench, serial=serial, dry_run=False)
    assert parts.simulation is not None
    if leave_knobs:
        parts.simulation.confirm_knobs = lambda **_: None  # type: ignore[method-assign]
    facts = RunFacts(
        run="r1",
        time=datetime.now().astimezone(),
        serial=serial,
        model="",
        simulated=True,
        bench_name="bench (simulated)",
        plan=plan,
    )
    events: list[Event] = []
    with Record(folder / f"{serial}-{seed}-{len(sequence)}", facts) as record:
        outcome = Runner(plan, parts, record, GivenBeforehand(), [events.append]).run()
    assert outcome.safe_state.confirmed
    # Readings of an intermittent joint contradict one another, each time in another way: then they leave a result without a value.
    undecided = [one.note for one in outcome.results if one.decision is Decision.NOT_MEASURED]
    assert all(serial == INTERMITTENT and one.rstrip(".") in undecided for one in outcome.problems)
    assert parts.simulation.hazards == ()
    return Accepted(
        plan=plan,
        status=outcome.status,
        results=outcome.results,
        events=tuple(events),
        simulation=parts.simulation,
    )


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_the_sound_unit_passes_on_every_bench(seed: int, tmp_path: Path) -> None:
    """Five benches with other hidden errors: the sound unit passes everything on each."""
    accepted = _accept(tmp_path, "M40-0007", seed=seed)
    assert accepted.failed == []
    assert accepted.status is ExitStatus.PASSED
    assert len(accepted.results) == 13


@pytest.mark.parametrize("seed", [11, 12, 13, 14, 15])
def test_the_found_sensitivity_agrees_with_the_unit_s_own(seed: int, tmp_path: Path) -> None:
    """The level at which the simulated receiver itself has 12 dB SINAD lies within the stated expanded uncertainty.

    The truth is found by bisection on the unit's mean SINAD, without bench, instruments, search or budget. At 95 % one case in
    twenty may lie outside; these five seeds are fixed.
    """
    accepted = _accept(tmp_path, "M40-0007", seed=seed)
    result = accepted.found("sensitivity, 12 dB SINAD")
    truth_dbm = _true_sensitivity_dbm("M40-0007")
    assert result.value is not None
    assert result.uncertainty is not None
    assert result.uncertainty < 1.2
    assert abs(result.value - truth_dbm) <= result.uncertainty


def _true_sensitivity_dbm(serial: str) -> float:
    """Return the level at which the specimen's mean SINAD is 12 dB, from the physics alone (a fresh bench, fed and on its channel)."""
    from sim.rf_signal import RfSignal

    bench = _bench(1)
    simulation = bench_parts(bench, serial=serial, dry_run=False).simulation
    assert simulation is not None
    unit = simulation.unit
    unit.confirm_knobs()
    unit.set_supply_v(13.2)
    unit.set_channel(20)
    low_dbm, high_dbm = -130.0, -90.0
    for _ in range(40):
        middle_dbm = 0.5 * (low_dbm + high_dbm)
        unit.apply_rf(
            RfSignal(level_dbm=middle_dbm, frequency_hz=27.205e6, fm_deviation_hz=1200.0, tone_hz=1000.0)
        )
        if unit.mean_sinad_db() < 12.0:
            low_dbm = middle_dbm
        else:
            high_dbm = middle_dbm
    return 0.5 * (low_dbm + high_dbm)


FAULTS: dict[str, list[tuple[str, int | None]]] = {
    "M40-0011": [("sensitivity, 12 dB SINAD", 20)],
    "M40-0012": [("frequency error", channel) for channel in (1, 23, 24, 40)],
    "M40-0013": [
        ("peak deviation, positive, 20 dB above", 20),
        ("peak deviation, negative, 20 dB above", 20),
    ],
    "M40-0014": [("carrier power after 20 s", 20)],
    "M40-0016": [("frequency error", 23), ("frequency error", 24)],
    "M40-0019": [],
}


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("serial", FAULTS)
def test_a_fault_fails_its_own_check_and_no_other(serial: str, seed: int, tmp_path: Path) -> None:
    """Deaf, off frequency, over-deviated, weak when hot, wrong memory, knobs set right: each is told from the others."""
    accepted = _accept(tmp_path, serial, seed=seed)
    assert accepted.failed == FAULTS[serial]
    assert accepted.status is (ExitStatus.FAILED if FAULTS[serial] else ExitStatus.PASSED)


def test_the_deaf_unit_is_about_as_deaf_as_its_noise_figure_says(tmp_path: Path) -> None:
    """15 dB more noise figure costs 15 dB of sensitivity (Friis; noise power is proportional to the noise factor)."""
    deaf = _accept(tmp_path, "M40-0011").found("sensitivity, 12 dB SINAD")
    sound = _accept(tmp_path, "M40-0007").found("sensitivity, 12 dB SINAD")
    assert deaf.value is not None
    assert sound.value is not None
    assert deaf.value - sound.value == pytest.approx(15.0, abs=1.5)


def test_the_wrong_memory_is_read_off_the_plan(tmp_path: Path) -> None:
    """Channel 23 stored as 27.235 MHz is 20 kHz low, channel 24 as 27.245 MHz 10 kHz high (plan: ECC/DEC/(11)03)."""
    accepted = _accept(tmp_path, "M40-0016")
    errors = {one.channel: one.value for one in accepted.results if one.quantity == "frequency error"}
    assert errors[23] == pytest.approx(-20e3, abs=50.0)
    assert errors[24] == pytest.approx(10e3, abs=50.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_meter_one_s_unit_out_is_found_where_it_is(seed: int, tmp_path: Path) -> None:
    """S9 at -67 dBm is on the limit itself, so either decision is right; the level must agree, and 3 dB must fail it."""
    accepted = _accept(tmp_path, "M40-0015", seed=seed)
    s9 = accepted.found("S9 point")
    assert s9.value is not None
    assert s9.uncertainty is not None
    assert abs(s9.value - -67.0) <= s9.uncertainty
    assert set(accepted.failed) <= {("S9 point", 20)}
    own = "check: s9_point\n    limit: {nominal: -73 dBm, within: 3 dB}"
    stricter = SEQUENCE.path.read_text(encoding="utf-8").replace("check: s9_point", own)
    assert _accept(tmp_path, "M40-0015", seed=seed, sequence=stricter).failed == [("S9 point", 20)]


@pytest.mark.parametrize("seed", [1, 4, 12, 14])
def test_an_intermittent_joint_never_ends_in_a_wrong_level(seed: int, tmp_path: Path) -> None:
    """What comes and goes may pass between its gaps; a level that is stated is the unit's own, or none is stated."""
    accepted = _accept(tmp_path, INTERMITTENT, seed=seed)
    result = accepted.found("sensitivity, 12 dB SINAD")
    if result.value is None:
        assert result.note
        assert result.decision is Decision.NOT_MEASURED
    else:
        assert abs(result.value - _true_sensitivity_dbm(INTERMITTENT)) <= 1.5


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_segments_have_two_s9_points(seed: int, tmp_path: Path) -> None:
    """Segment 9 lights at -73.4 dBm and goes out 1.5 dB below; the serial chooses the model file that says it has segments."""
    accepted = _accept(tmp_path, "M40-0018", seed=seed)
    assert accepted.failed == []
    rising, falling = accepted.found("S9 point, rising"), accepted.found("S9 point, falling")
    hysteresis = accepted.found("S9 hysteresis")
    for found, truth_dbm in ((rising, -73.4), (falling, -74.9)):
        assert found.value is not None
        assert found.uncertainty is not None
        assert abs(found.value - truth_dbm) <= found.uncertainty
    assert hysteresis.value == pytest.approx(1.5, abs=0.8)


def test_knobs_left_wrong_read_wrong(tmp_path: Path) -> None:
    """Without anybody setting them right, RF gain down, squelch and blanker cost sensitivity and S9; the same unit passes when set."""
    wrong = _accept(tmp_path, "M40-0019", leave_knobs=True)
    assert {quantity for quantity, _ in wrong.failed} == {"sensitivity, 12 dB SINAD", "S9 point"}
    assert _accept(tmp_path, "M40-0019", seed=2).failed == []


@pytest.mark.parametrize("serial", ["M40-0007", "M40-0011", "M40-0012", "M40-0014"])
def test_the_forecast_is_within_a_factor_of_two(serial: str, tmp_path: Path) -> None:
    """Each step takes at most twice and at least half of what was forecast, on the simulated bench; the whole within a fifth."""
    accepted = _accept(tmp_path, serial)
    took_s = {event.index: event.bench_s for event in accepted.events if isinstance(event, CheckEnded)}
    for step in accepted.plan.steps:
        if step.check.side != "none":
            ratio = took_s[step.index] / step.forecast_s
            # a stage that sags settles later, and nobody knows it beforehand; its channel is counted once, and it rests for that too
            assert 0.5 <= ratio <= (2.6 if serial == "M40-0014" else 2.0), (step.label, ratio)
    assert sum(took_s.values()) == pytest.approx(accepted.plan.forecast_s, rel=0.2)


def test_the_same_seed_gives_the_same_run(tmp_path: Path) -> None:
    """A run on a simulated bench is repeated figure by figure by its seed, and not by another."""
    first, again = _accept(tmp_path, "M40-0007", seed=7), _accept(tmp_path / "again", "M40-0007", seed=7)
    other = _accept(tmp_path, "M40-0007", seed=8)
    assert [one.value for one in first.results] == [one.value for one in again.results]
    assert [one.value for one in first.results] != [one.value for one in other.results]
