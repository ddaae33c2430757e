"""Adjusting on the simulated bench: as found and as left by the ordinary check, a person with a screwdriver between, nothing unsafe."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.checks.live import LiveView
from sequencer.uncertainty.decision import Decision
from sim.bench import SimulatedBench
from tests.support.running import Ran, run_checks
from tests.support.turning import Turner

POWER = "{check: adjust, preset: power, of: carrier_power, channel: 20, turn: RV4 beside the driver, to: 3.8 W, within: 0.1 W}"


class Rig:
    """A run with a person at it."""

    def __init__(self, folder: Path, serial: str, checks: str, *, keeps: bool = True, **other: str) -> None:
        self.person: Turner | None = None

        def person(simulation: SimulatedBench) -> Turner:
            self.person = Turner(simulation.turn_preset, keeps=keeps)
            return self.person

        self.ran: Ran = run_checks(folder, serial, checks, live=person, **other)

    @property
    def looks(self) -> list[LiveView]:
        """All that was shown."""
        assert self.person is not None
        return self.person.looks

    def value(self, quantity: str, stage: str) -> float:
        """Return the value of a quantity as found or as left."""
        (result,) = (
            one for one in self.ran.outcome.results if (one.quantity, one.stage) == (quantity, stage)
        )
        assert result.value is not None, result.note
        return result.value


@pytest.fixture(scope="module")
def power(tmp_path_factory: pytest.TempPathFactory) -> Rig:
    """A power trimmer with backlash, brought to its target."""
    return Rig(tmp_path_factory.mktemp("power"), "M40-0031", POWER)


def test_power_is_brought_into_its_band(power: Rig) -> None:
    """As found it is low and fails; as left it lies within 0.1 W of 3.8 W, as the simulated emission itself does within U."""
    found, left = power.value("carrier power", "as found"), power.value("carrier power", "as left")
    assert found < 3.0
    assert left == pytest.approx(3.8, abs=0.1)
    stages = [
        (one.stage, one.decision) for one in power.ran.outcome.results if one.quantity == "carrier power"
    ]
    assert stages == [("as found", Decision.FAIL), ("as left", Decision.PASS)]
