"""A preset that is turned above a rating, or given up: PTT is released, nothing is measured into it, and the run has not passed."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from sequencer.checks.live import LiveView, Press
from sequencer.run.status import ExitStatus
from sim.bench import SimulatedBench
from sim.wiring.witness import HazardKind
from tests.support.running import Ran, run_checks
from tests.support.turning import Turner

POWER = "{check: adjust, preset: power, of: carrier_power, channel: 20, turn: RV4 beside the driver, to: 3.8 W, within: 0.1 W}"
AFTER = "{check: carrier_power, channel: 20}"
OVER = frozenset({HazardKind.PATH_OVERLOADED, HazardKind.LOAD_OVERLOADED})


class Heavy(Turner):
    """A person who turns up without looking; asked to turn back, does so where ``yields``, and says so in either case."""

    yields = False

    def __init__(self, simulation: SimulatedBench) -> None:
        super().__init__(simulation.turn_preset)
        self.simulation = simulation
        self.asked: list[bool] = []

    def show(self, view: LiveView) -> Press | None:
        """Turn up by a hundredth of a turn at every reading."""
        self.looks.append(view)
        if "above the rating of the transmit path" in view.note:
            self.asked.append(self.simulation.unit.keyed)
            if self.yields:
                self.simulation.turn_preset("power", -0.2)
            return Press.KEEP
        if view.value is None:
            return None
        if self.asked:
            return Press.KEEP
        self.simulation.turn_preset("power", 0.02)
        return None


class Careful(Heavy):
    """Turns back when asked."""

    yields = True


class Gone(Heavy):
    """Walks away when asked."""

    def show(self, view: LiveView) -> Press | None:
        """Press nothing."""
        press = super().show(view)
        return None if press is Press.KEEP else press


def run_rated(folder: Path, kind: type[Heavy]) -> tuple[Ran, Heavy]:
    """Run on the demonstration bench with a transmit path rated for 5 W."""
    people: list[Heavy] = []

    def person(simulation: SimulatedBench) -> Heavy:
        people.append(kind(simulation))
        return people[0]

    bench = folder / "bench.yaml"
    text = Path("sim/bench.yaml").read_text(encoding="utf-8")
    units = Path("sim/units").resolve()
    text = text.replace("rating: 50 W", "rating: 5 W").replace("unit: units ", f"unit: {units} ")
    bench.write_text(text, encoding="utf-8")
    ran = run_checks(folder, "M40-0031", f"{POWER}\n{AFTER}", bench=str(bench), live=person, hazards=OVER)
    return ran, people[0]


@pytest.mark.provokes_hazards
@pytest.mark.parametrize("kind", [Heavy, Gone])
def test_a_unit_that_stays_above_the_rating_is_not_keyed_any_more(tmp_path: Path, kind: type[Heavy]) -> None:
    """Above 5 W PTT is released and the rating named; once more above it, or nobody there, nothing is measured into it: status 3."""
    ran, person = run_rated(tmp_path, kind)
    assert not any(person.asked)
    assert person.asked
    over = [one for one in ran.simulation.hazards if one.kind is HazardKind.PATH_OVERLOADED]
    assert 1 <= len(over) <= (2 if kind is Heavy else 1)
    lefts = [one for one in ran.outcome.results if one.stage == "as left"]
    assert {one.value for one in lefts} == {None}
    assert "above the rating of the transmit path and its load (5 W)" in lefts[0].note
    (after,) = (one for one in ran.outcome.results if one.check == "carrier_power")
    assert after.value is None
    assert ran.outcome.status is ExitStatus.BENCH_FAILED


@pytest.mark.provokes_hazards
def test_who_turns_back_goes_on(tmp_path: Path) -> None:
    """Turned back below the rating it is read again, kept, and measured as left; the path was above its rating once."""
    ran, person = run_rated(tmp_path, Careful)
    assert person.asked == [False]
    (left,) = (one for one in ran.outcome.results if one.stage == "as left")
    assert left.value is not None
    assert left.value < 5.0
    assert len([one for one in ran.simulation.hazards if one.kind is HazardKind.PATH_OVERLOADED]) == 1


def test_a_preset_given_up_is_not_passed(tmp_path: Path) -> None:
    """An extreme that was skipped has no limit to miss: the run says that it was not adjusted, and ends with status 3."""
    check = "{check: adjust, preset: front_end, of: sinad, channel: 20, level: -118 dBm, turn: L3 then L4, to: maximum}"
    ran = run_checks(
        tmp_path, "MX40-0131", check, live=lambda simulation: Turner(simulation.turn_preset, keeps=False)
    )
    assert ran.found("adjusted: front_end").note.startswith("not adjusted: skipped, because no key")
    assert ran.outcome.status is ExitStatus.BENCH_FAILED


def test_what_nobody_adjusted_makes_nothing_old(tmp_path: Path) -> None:
    """With nobody there nothing was turned, so that no earlier result is told to be old."""
    ran = run_checks(tmp_path, "M40-0031", f"{AFTER}\n{POWER}")
    assert not any("measure again" in one.note for one in ran.outcome.results)


BIAS = "{check: adjust, preset: bias, of: supply_current, channel: 20, write: %s, range: [0, 255], to: 1.6 A, within: 20 mA}"


def test_a_setting_that_the_radio_has_not_is_named(tmp_path: Path) -> None:
    """A name that the radio does not know is told by that name, without a word about the tool's own code."""
    ran = run_checks(tmp_path, "MX40-0131", BIAS % "DEV")
    (left,) = (one for one in ran.outcome.results if one.stage == "as left" and "transmit" in one.quantity)
    assert "this radio has no setting DEV" in left.note
    assert ran.outcome.status is ExitStatus.BENCH_FAILED


def test_interrupted_while_a_setting_is_read(tmp_path: Path) -> None:
    """Ctrl-C while the tool first writes: the run is interrupted, and the number before stands."""

    def before(simulation: SimulatedBench) -> None:
        store = simulation.unit.store_preset
        calls: list[int] = []

        def stored(name: str, value: int) -> None:
            calls.append(value)
            store(name, value)
            if len(calls) == 1:
                signal.raise_signal(signal.SIGINT)

        simulation.unit.store_preset = stored  # type: ignore[method-assign]

    ran = run_checks(tmp_path, "MX40-0131", BIAS % "tx_bias", before=before)
    assert ran.outcome.status is ExitStatus.INTERRUPTED
    assert not any("the check itself failed" in one.note for one in ran.outcome.results)
    assert ran.outcome.problems == ()
    assert ran.simulation.unit.stored_preset("tx_bias") == 204
