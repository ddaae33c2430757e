"""Makes the radios of a bench that are controlled by lines of text.

On a simulated bench such a radio answers on a pseudo-terminal, in the lines of its profile.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

from drivers.clock import Clock
from drivers.faults import Refused
from drivers.registry import find_driver
from drivers.text.line import TextLine, make_line
from drivers.text.profile import ENDS, TextProfile
from drivers.trace import Trace
from sequencer.bench.tape import Tape
from sequencer.bench.tape_links import TapedLine
from sequencer.bench.text_translation import TextTranslation
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.shipped import find_file
from sequencer.inputs.bench import open_timeout_s
from sequencer.inputs.bench_parts.instrument_drivers import TextRadio

if TYPE_CHECKING:
    from sim.bench import SimulatedBench


def make_text_radio(
    name: str,
    entry: TextRadio,
    profile: TextProfile,
    *,
    clock: Clock,
    trace: Trace,
    stack: ExitStack,
    simulation: SimulatedBench | None,
    tape: Tape | None = None,
) -> Any:
    """Return the radio ``name``, not yet open; what a simulation starts for it ends with ``stack``."""
    address, port = entry.address, None
    if simulation is not None:
        address, port = _simulated_line(profile, name, entry, simulation, stack)
    line: TextLine = (
        make_line(address, profile, name=name, open_timeout_s=open_timeout_s(entry), serial_class=port)
        if tape is None
        else TapedLine(tape, name)
    )
    driver: Any = find_driver("text", entry.role)
    return driver(
        line,
        profile,
        clock,
        name=name,
        address=address,
        timeout_s=entry.timeout_s,
        trace=trace,
        ptt=entry.ptt,
        sense=entry.ptt_sense,
    )


def _simulated_line(
    profile: TextProfile, name: str, entry: TextRadio, simulation: SimulatedBench, stack: ExitStack
) -> tuple[str, Any]:
    """Return the device of a simulated radio, and the port that stands in where push-to-talk hangs on a control line."""
    from sim.serve.text_radio import TextRadioLanguage, TextRadioOnPty, port_with_key_line

    spoken = _spoken()
    hear = None if profile.commands == spoken.commands else TextTranslation(profile, spoken).hear
    try:
        radio = TextRadioOnPty(
            TextRadioLanguage(simulation.wiring, hear=hear),
            end=ENDS[profile.sends],
            answers=ENDS[profile.answers],
            echo=profile.echo,
        )
    except (AttributeError, ImportError, OSError) as error:
        raise Refused(
            f"a text radio cannot be simulated here ({error})",
            instrument=name,
            address=entry.address,
            next_move="Pseudo-terminals are needed: Linux or macOS.",
        ) from error
    stack.enter_context(radio)
    return radio.path, None if entry.ptt == "command" else port_with_key_line(simulation.wiring, entry.ptt)


def _spoken() -> TextProfile:
    """Return the profile whose lines the simulated radio speaks."""
    return read_dataclass(find_file("hollinbrook-line", "profile", within="radio"), TextProfile).model
