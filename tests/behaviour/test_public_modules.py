"""What a package of a user's own imports stays where it is: the pages for library, checks and drivers promise these names."""

from __future__ import annotations

from importlib import import_module

import pytest

PROMISED = {
    "drivers.faults": ("InstrumentFault", "LinkFault", "Refused"),
    "drivers.roles": ("SignalGenerator", "PowerMeter", "ModulationAnalyser"),
    "sequencer.checks.base": ("Check", "Finding"),
    "sequencer.run.record": ("STORE_NAME", "Again", "Record", "RunFacts"),
    "sequencer.run.runner": ("Runner",),
}


@pytest.mark.parametrize("module", PROMISED)
def test_a_public_module_keeps_its_names(module: str) -> None:
    """Rooms move inside the house; these doors do not."""
    found = import_module(module)
    assert [name for name in PROMISED[module] if not hasattr(found, name)] == []
