"""The unit of a dry run on a real bench: what stands in, and that every shipped sequence runs on it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.bench.stand_in import find_stand_in
from sequencer.planning.load import LoadedSequence, load_sequence
from sim.radio.unit import Specimen


def _stand_in(sequence: LoadedSequence, serial: str) -> Specimen:
    return find_stand_in(serial, modes=sequence.modes, frequencies_hz=sequence.frequencies_hz)


@pytest.mark.parametrize(
    ("name", "family", "mode"),
    [
        ("fm-mobile-acceptance", "M40", "FM"),
        ("multimode-27mhz", "MX40", "AM"),
        ("hf-ssb-transceiver", "H10", "USB"),
        ("vhf-fm-handheld", "V5", "FM"),
    ],
)
def test_a_stand_in_has_the_sequence_s_modes_and_channels(name: str, family: str, mode: str) -> None:
    """A sound specimen of the right kind gets the serial; its memory holds every channel of the plan."""
    sequence = load_sequence(name)
    unit = _stand_in(sequence, "NEW-1")
    assert (unit.serial, unit.model, unit.fault) == ("NEW-1", family, "")
    assert mode in unit.modes
    assert sequence.plan is not None
    for number, frequency_hz in sequence.plan.frequencies_hz.items():
        assert unit.memory.channel_frequency_hz(number) == frequency_hz


def test_a_shipped_serial_is_that_specimen() -> None:
    """A developer tries a faulty unit against a real bench file by its serial."""
    assert _stand_in(load_sequence("fm-mobile-acceptance"), "M40-0011").fault


def test_a_plan_of_one_s_own_is_programmed(tmp_path: Path) -> None:
    """A plan that no specimen holds is put into the memory of one that works near it; without a sequence it is the FM mobile."""
    (tmp_path / "own.yaml").write_text(
        "plan: Own\nsource: workshop's own\nband: {min: 150 MHz, max: 151 MHz}\n"
        "channels: {3: 150.1 MHz, 7: 150.2 MHz}\n"
    )
    (tmp_path / "s.yaml").write_text(
        "sequence: X\nchannels: own.yaml\nmode: FM\nsupply: 7.4 V\nchecks:\n  - {check: sensitivity, channel: 3}\n"
    )
    unit = _stand_in(load_sequence(str(tmp_path / "s.yaml")), "NEW-2")
    assert (unit.model, unit.memory.numbers, unit.channel) == ("V5", (3, 7), 3)
    assert unit.memory.channel_frequency_hz(7) == 150.2e6
    assert unit.tuning.transmits(150.1e6)
    assert find_stand_in("NEW-3", modes=frozenset(), frequencies_hz={}).model == "M40"
