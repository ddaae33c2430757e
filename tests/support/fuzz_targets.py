"""What is fuzzed: everything that comes from outside as bytes, each with samples to begin from, and what it may raise.

A target takes any bytes. It may return, or raise what a user is told (`FileProblems`, an `InstrumentFault`); anything else is a defect.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from click.testing import CliRunner

from drivers.faults import InstrumentFault
from drivers.link import scpi
from drivers.profiled.profile import Profile
from sequencer.cli.main import main
from sequencer.files.dataclass_model import read_dataclass
from sequencer.files.read import read_file
from sequencer.inputs.batch import load_batch
from sequencer.inputs.bench_parts.loss_table import load_table
from sequencer.inputs.channel_plan import read_plan
from sequencer.inputs.limits_file import LimitsFile
from sequencer.inputs.lists.channel_list import MemoryColumns, read_channel_list
from sequencer.inputs.lists.unit_list import read_unit_list
from sequencer.planning.load_both import load_both
from sequencer.planning.loading.model_file import load_model
from sequencer.planning.plan import make_plan
from sequencer.problems import FileProblems
from sequencer.results.journal import journal_of
from sequencer.results.store.spill import read_kept
from sequencer.units.parse import LEVEL, POWER, QuantityError, parse_quantity
from sim.scpi.faults import Fault, FaultKind
from tests.support.profiled_bench import ProfiledBench

TOP = Path(__file__).parents[2]
_BATCH = rb"""batch: Week 50
sequence: quick-check
model: M40
target: 100
serials: 'M40-\d{4}'
retest: {attempts: 2, reason: required}
stop: {failures_in_a_row: 3, first_pass: {below: 80 %, after: 10}, chart: {checks: [carrier_power], after: 25}}
connections: {cable: 500, fixture: 10000}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One way in: ``take`` is given bytes and a folder of its own; ``samples`` are what is known to be right."""

    name: str
    take: Callable[[bytes, Path], object]
    samples: Callable[[], tuple[bytes, ...]]
    allowed: tuple[type[BaseException], ...] = (FileProblems,)


def targets() -> dict[str, Target]:
    """Return all of them by name."""
    found = [
        Target(name="sequence", take=_sequence, samples=lambda: _files("sequences/*.yaml")),
        Target(name="bench", take=_bench, samples=lambda: _files("sim/*bench*.yaml")),
        Target(name="batch", take=_from_file("batch.yaml", load_batch), samples=lambda: (_BATCH,)),
        Target(
            name="plan",
            take=_from_file("plan.yaml", read_plan),
            samples=lambda: _files("sequences/plans/*.yaml"),
        ),
        Target(
            name="model",
            take=_from_file("model.yaml", load_model),
            samples=lambda: _files("sequences/models/*.yaml"),
        ),
        Target(
            name="limits",
            take=_from_file("limits.yaml", lambda path: read_file(path, LimitsFile)),
            samples=lambda: _files("sequences/limits/*.yaml"),
        ),
        Target(name="profile", take=_profile, samples=lambda: _files("drivers/profiles/*/scpi-1999.yaml")),
        Target(name="channel list", take=_channel_list, samples=lambda: _LISTS),
        Target(name="loss table", take=_from_file("loss.csv", load_table), samples=lambda: _LOSSES),
        Target(name="unit list", take=_from_file("units.csv", read_unit_list), samples=lambda: _UNITS),
        Target(
            name="journal",
            take=lambda content, folder: journal_of(folder / "j.journal", content),
            samples=_journals,
        ),
        Target(
            name="kept run",
            take=_from_file("kept.json", read_kept),
            samples=lambda: _files("tests/data/*.json"),
        ),
        Target(name="quantity", take=_quantity, samples=lambda: _QUANTITIES, allowed=(QuantityError,)),
        Target(name="reply", take=_reply, samples=lambda: _REPLIES, allowed=(ValueError,)),
        Target(name="instrument", take=_instrument, samples=lambda: _REPLIES, allowed=(InstrumentFault,)),
    ]
    return {one.name: one for one in found}


def _files(pattern: str) -> tuple[bytes, ...]:
    return tuple(path.read_bytes() for path in sorted(TOP.glob(pattern)))


def _from_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes, Path], object]:
    def take(content: bytes, folder: Path) -> object:
        (folder / name).write_bytes(content)
        return read(folder / name)

    return take


def _sequence(content: bytes, folder: Path) -> object:
    """A whole sequence is read and planned on the demonstration bench."""
    (folder / "sequence.yaml").write_bytes(content)
    return make_plan(*load_both(str(folder / "sequence.yaml"), "bench", serial="M40-0007"), serial="M40-0007")


def _bench(content: bytes, folder: Path) -> object:
    """A bench file is read and a shipped sequence planned on it."""
    (folder / "bench.yaml").write_bytes(content)
    return make_plan(
        *load_both("quick-check", str(folder / "bench.yaml"), serial="M40-0007"), serial="M40-0007"
    )


def _profile(content: bytes, folder: Path) -> object:
    (folder / "profile.yaml").write_bytes(content)
    return read_dataclass(folder / "profile.yaml", Profile)


def _channel_list(content: bytes, folder: Path) -> object:
    (folder / "list.csv").write_bytes(content)
    return read_channel_list(folder / "list.csv", MemoryColumns())


def _quantity(content: bytes, folder: Path) -> object:
    text = content.decode("utf-8", "replace")
    return [parse_quantity(text, one) for one in (LEVEL, POWER)]


def _reply(content: bytes, folder: Path) -> None:
    """An answer goes through every reader of answers; what is read is finite or in words."""
    text = content[1:].decode("latin-1")
    raised: ValueError | None = None
    for read in _READERS:
        try:
            read(text)
        except ValueError as error:
            raised = error
    reading = scpi.parse_reading(text)
    assert reading.number is None or abs(reading.number) < 9.9e37
    if raised is not None:
        raise raised


_READERS: tuple[Callable[[str], object], ...] = (
    scpi.parse_number,
    scpi.parse_integer,
    scpi.parse_boolean,
    scpi.parse_string,
    scpi.split_list,
    scpi.parse_identity,
    scpi.is_whole_identity,
    scpi.parse_error,
    scpi.is_no_error,
    lambda text: scpi.parse_block_digits(text.encode("latin-1")),
    lambda text: scpi.parse_block_length(text.encode("latin-1")),
)
_VERBS: tuple[tuple[str, Callable[[ProfiledBench], object]], ...] = (
    ("power_meter", lambda bench: bench.driver("power_meter").read_power_dbm()),
    ("modulation_analyser", lambda bench: bench.driver("modulation_analyser").read_frequency_hz()),
    ("modulation_analyser", lambda bench: bench.driver("modulation_analyser").read_deviation_hz("positive")),
    ("audio_analyser", lambda bench: bench.driver("audio_analyser").read_sinad_db(0.1)),
    ("voltmeter", lambda bench: bench.driver("voltmeter").read_voltage_v(0.1)),
    ("supply", lambda bench: bench.driver("supply").read_current_a()),
    ("signal_generator", lambda bench: bench.driver("signal_generator").set_level_dbm(-73.0)),
    ("radio", lambda bench: bench.driver("radio").read_keyed()),
)


@cache
def _profiled_bench() -> ProfiledBench:
    """One simulated bench for all; every driver is open before the first fault."""
    bench = ProfiledBench()
    for role, _ in _VERBS:
        bench.driver(role)
    return bench


def _instrument(content: bytes, folder: Path) -> None:
    """An instrument answers a driver's question with these bytes; the first chooses the question.

    Nothing is keyed or switched on by what an instrument says, and the next question is answered again.
    """
    bench = _profiled_bench()
    role, verb = _VERBS[(content[0] if content else 0) % len(_VERBS)]
    device = bench.device(role)
    device.faults.add(Fault(kind=FaultKind.GARBAGE, argument=content[1:] or b"\n"))
    bench.trace.clear()
    try:
        verb(bench)
    finally:
        device.faults.clear()
        assert not bench.simulation.unit.keyed, "an answer keyed the unit"
        assert not bench.device("signal_generator").output_on, "an answer switched the generator on"
        verb(bench)  # an instrument that is itself again is understood again


def _journals() -> tuple[bytes, ...]:
    """Return the journal of a simulated run."""
    with tempfile.TemporaryDirectory() as folder:
        words = [
            "run",
            "quick-check",
            "--bench",
            "bench",
            "--serial",
            "M40-0007",
            "--confirmed",
            "--folder",
            folder,
        ]
        CliRunner().invoke(main, words, catch_exceptions=False)
        return tuple(path.read_bytes() for path in Path(folder).glob("*.journal*"))


_LISTS = (
    b"Channel,Name,Frequency MHz,Mode\n1,CH 1,26.965,FM\n2,CH 2,26.975,FM\n",
    "\ufeffKanal;Frequenz\n1;26,965\n2;26,975\n".encode("utf-8"),
    "Memory\tRX kHz\n1\t26 965\n".encode("utf-16"),
)
_LOSSES = (
    b"loss_table: cable\ndate: 2026-11-01\nloss: {26 MHz: 0.41 dB, 28 MHz: 0.43 dB}\nuncertainty: {26 MHz: 0.1 dB, 28 MHz: 0.1 dB}\n",
)
_UNITS = (b"serial,model,comment\nM40-0007,M40,first\nM40-0011,,\n", b"serial\nM40-0007\n")
_QUANTITIES = (
    b"-73 dBm",
    b"0.35 uV emf",
    "12,5 \u00b5V".encode(),
    b"4 W",
    b"1e3 mW",
    b"20 dBm",
    b"-0 dBm",
    b"1_0 W",
)
_REPLIES = (
    b"\x00-73.0\n",
    b"\x019.91E37\n",
    b"\x02+1.2345678E+03\r\n",
    b'\x03+0,"No error"\n',
    b"\x04#216abcdefghijklmnop\n",
    b"\x05Sample Maker,PM-1,SN 7,1.0\n",
    b"\x06-9.9E37;0\n",
    b"\x07NAN\n",
)


def dictionary() -> Iterator[str]:
    """Yield words that mutations may put in: keys of the files, units, words of SCPI, and what has hurt such programs before."""
    words = set(
        re.findall(
            r"[a-z_]{3,}", " ".join(one.decode("utf-8", "replace") for one in _files("sequences/*.yaml"))
        )
    )
    words |= {
        "!!python/object:os.system",
        "<<: *a",
        "&a [*a]",
        "1e999",
        "-0",
        "NaN",
        ".inf",
        "0x7fffffff",
        "\ufeff",
        "\u202e",
    }
    words |= {
        "=HYPERLINK(1)",
        "../../x",
        "'; DROP TABLE run;--",
        "\x1b[2J",
        "[bold]",
        "<script>",
        "9.91E37",
        "#0",
        "#9999999999",
    }
    yield from sorted(words)


def as_text(content: bytes) -> str:
    """Return bytes as one line of JSON, to do it again with."""
    return json.dumps(content.decode("latin-1"))
