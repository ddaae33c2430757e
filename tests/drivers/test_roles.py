"""Roles: who an instrument says that it is."""

from __future__ import annotations

import pytest

from drivers.roles import Identity


@pytest.mark.parametrize(
    ("model", "firmware", "simulated"),
    [
        ("SG-2", "1.4 (simulated)", True),
        ("SG-2 (simulated)", "1.4", True),
        ("SG-2", "1.4", False),
        ("Simulated Fader 3", "1.4", False),
        ("CS-8 Channel Simulator", "sim 2.0", False),
        ("SIM-900", "1.4-simulated", False),
        ("SG-2 (simulated) B", "1.4", False),
    ],
)
def test_only_the_last_word_in_brackets_says_simulated(model: str, firmware: str, simulated: bool) -> None:
    """A real fading or channel simulator names itself so and is none (names invented); the mark ends model or firmware, in brackets."""
    who = Identity(
        maker="Simulated Instruments (simulated)", model=model, serial="(simulated)", firmware=firmware
    )
    assert who.simulated is simulated
