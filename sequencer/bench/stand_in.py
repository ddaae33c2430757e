"""The unit of a dry run on a real bench: a sound specimen that has the sequence's modes, programmed with its channels.

A specimen of the shipped shelf is taken by its serial; for any other serial the first sound one that has the modes and works near the
plan's frequencies stands in for the unit that is not there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.shipped import shipped_files

if TYPE_CHECKING:
    from sim.radio.unit import Specimen

NEAR = 1.3  # a plan this many times above or below a specimen's channels is another band's


def find_stand_in(serial: str, *, modes: frozenset[str], frequencies_hz: Mapping[int, float]) -> Specimen:
    """Return the specimen that stands in for unit ``serial``; an FM mobile where nothing else is asked.

    It has ``modes``, and ``frequencies_hz`` by channel in its memory.
    """
    from sim.radio.unit import Specimen

    suited = None
    for specimen in _shipped():
        if specimen.serial == serial:
            return specimen
        sound = not specimen.fault and modes <= set(specimen.modes)
        if suited is None and sound and _is_near(specimen, frequencies_hz):
            suited = specimen
    return replace(_programmed(suited or Specimen(serial=serial), frequencies_hz), serial=serial)


def _shipped() -> Iterator[Specimen]:
    from sim.radio.unit import Specimen

    # the FM mobiles first, and by number: the first of a family is its sound one
    for path in sorted(shipped_files("unit"), key=lambda path: (not path.name.startswith("m40"), path.name)):
        yield read_dataclass(path, Specimen).model


def _is_near(specimen: Specimen, wanted: Mapping[int, float]) -> bool:
    stored = [specimen.memory.channel_frequency_hz(number) for number in specimen.memory.numbers]
    return all(min(stored) / NEAR <= frequency_hz <= max(stored) * NEAR for frequency_hz in wanted.values())


def _programmed(specimen: Specimen, wanted: Mapping[int, float]) -> Specimen:
    """Return the specimen with the plan's channels in its memory, and free to transmit on them."""
    from sim.radio.unit import ChannelMemory
    from sim.radio.unit_modes import Tuning

    memory, tuning = specimen.memory, specimen.tuning
    if not wanted or all(
        number in memory.numbers and memory.channel_frequency_hz(number) == frequency_hz
        for number, frequency_hz in wanted.items()
    ):
        return specimen
    if not all(tuning.transmits(frequency_hz) for frequency_hz in wanted.values()):
        tuning = Tuning()
    return replace(
        specimen,
        memory=ChannelMemory(plan="own", frequency_hz=dict(wanted)),
        channel=min(wanted),
        tuning=tuning,
    )
