"""Asking every instrument who it is: simulated, dry, over real sockets, with silent ones among them; never by discovery.

Outside the project: the kinds of resource name are VPP-4.3's (from memory); sockets are the operating system's.
"""

from __future__ import annotations

import dataclasses
import json
import socket
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from click.testing import CliRunner

from drivers.profiled.commands import commands_of
from drivers.profiled.profile import Profile
from drivers.registry import find_driver
from sequencer.bench.open_bench import BenchParts
from sequencer.cli.main import main
from sequencer.cli.setting_up.identify import identify_bench
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.parts import bench_parts
from sim.bench import Place, SimulatedBench
from sim.clock import WallClock
from sim.radio.unit import Specimen
from sim.scpi.faults import Fault, FaultKind
from sim.serve.network import serve
from sim.wiring.witness import WitnessLimits

REAL = """\
bench: Real gear of several kinds
instruments:
  signal_generator: {address: "TCPIP0::192.0.2.11::5025::SOCKET", level: {min: -137 dBm, max: 13 dBm}}
  power_meter: {address: "GPIB0::5::INSTR", max_power: 100 mW}
  modulation_analyser: {address: "TCPIP0::192.0.2.13::hislip0::INSTR"}
  audio_analyser: {address: "USB0::0x1234::0x5678::SN01::INSTR"}
  voltmeter: {address: "ASRL1::INSTR"}
  supply: {address: "TCPIP0::192.0.2.16::inst0::INSTR"}
  switch: {address: "GPIB0::7::INSTR"}
  radio: {address: "ASRL2::INSTR"}
paths:
  receive: {loss: {27 MHz: 0.42 dB}}
  transmit: {loss: {27 MHz: 30.1 dB}, rating: 50 W}
"""
MODELS = ["SG-2", "PM-1", "MA-4", "AA-3", "DV-5", "PS-30", "SW-2", "RB-1"]


@pytest.fixture
def real_bench(tmp_path: Path) -> Path:
    """A bench file of real gear with addresses of several kinds."""
    path = tmp_path / "real.yaml"
    path.write_text(REAL, encoding="utf-8")
    return path


def _parts(name: str, *, dry_run: bool = False) -> BenchParts:
    return bench_parts(load_bench(name), serial="M40-0007", dry_run=dry_run)


def test_every_instrument_of_the_simulated_bench_answers() -> None:
    """In the bench file's order each gives its identity and an answer to every harmless command of its profile."""
    parts = _parts("sim/bench.yaml")
    found = identify_bench(parts)
    assert [each.name for each in found] == list(parts.bench.instruments)
    for each, model in zip(found, MODELS, strict=True):
        assert each.sound, each.problems
        assert model in each.identity
        asked = {name for name, _ in each.answers}
        harmless = {name for name, spec in commands_of(each.role).items() if spec.harmless}
        assert asked == (harmless & set(parts.profiles[each.name].commands)) - {"identity", "error"}


def test_identifying_moves_nothing() -> None:
    """No relay closes, nothing is keyed, no output comes on, no reading is taken; the witness has nothing."""
    parts = _parts("sim/bench.yaml")
    assert parts.simulation is not None
    said: list[str] = []
    for device in parts.simulation.devices.values():
        taken = device.submit
        device.submit = lambda message, taken=taken: said.append(message.decode()) or taken(message)  # type: ignore[method-assign, func-returns-value]
    identify_bench(parts)
    assert said
    assert not [each for each in said if "READ?" in each or "STATe 1" in each or "CLOSe (" in each]
    assert parts.simulation.hazards == ()
    assert not parts.simulation.unit.keyed


def test_the_key_is_released_before_anything_else_is_touched() -> None:
    """A unit that a crashed run left keyed is unkeyed before the switch is reset: no contact moves under power."""
    parts = _parts("sim/bench.yaml")
    simulation = parts.simulation
    assert simulation is not None
    simulation.wiring.set_supply_v(13.2)
    simulation.wiring.connect("transmit")
    simulation.clock.wait_s(1.0)
    simulation.wiring.key()
    simulation.clock.wait_s(1.0)
    assert all(each.sound for each in identify_bench(parts))
    assert simulation.hazards == ()


@pytest.mark.parametrize("command", ["identify", "run"])
def test_real_gear_of_every_kind_of_address_is_dry_run(
    real_bench: Path, tmp_path: Path, command: str
) -> None:
    """SOCKET, HiSLIP, VXI-11, GPIB, USB and serial addresses all work with --dry-run, and nothing is opened for real."""
    words = [command, "--bench", str(real_bench), "--dry-run", "--json"]
    if command == "run":
        words[1:1] = ["quick-check"]
        words += ["--serial", "M40-0100", "--confirmed", "--folder", str(tmp_path / "results")]
    outcome = CliRunner().invoke(main, words)
    assert outcome.exit_code == 0, outcome.output
    found = json.loads(outcome.stdout)
    if command == "run":
        assert found["simulated"] is True
        assert {row["decision"] for row in found["results"]} <= {"pass", "no limit"}
    else:
        assert found["simulated"] is True
        assert [each["problems"] for each in found["instruments"]] == [[]] * 8
        assert [each["address"] for each in found["instruments"]][1] == "GPIB0::5::INSTR"


@pytest.mark.parametrize("silent", ["signal_generator", "voltmeter", "switch"])
def test_one_silent_instrument_does_not_hide_the_others(silent: str) -> None:
    """A dead instrument is told with its address and the next move; all others answer, and the status is not sound."""
    parts = _parts("sim/bench.yaml")
    assert parts.simulation is not None
    address = parts.bench.instruments[silent].address
    parts.simulation.devices[address].faults.add(Fault(kind=FaultKind.TIMEOUT, times=None))
    found = {each.name: each for each in identify_bench(parts)}
    assert [name for name, each in found.items() if not each.sound and name != "bench"] == [silent]
    assert address in found[silent].problems[0]
    assert "Check" in found[silent].problems[0]
    # a bench whose generator cannot be asked is not called safe
    assert ("bench" in found) is (silent == "signal_generator")
    if silent == "signal_generator":
        assert "COULD NOT BE CONFIRMED SAFE" in found["bench"].problems[0]


def test_one_command_that_fails_does_not_hide_the_others() -> None:
    """A profile's command that the instrument does not know is told by name, and the rest still answers."""
    parts = _parts("sim/bench.yaml")
    assert parts.simulation is not None
    address = parts.bench.instruments["signal_generator"].address
    parts.simulation.devices[address].faults.add(
        Fault(kind=FaultKind.TIMEOUT, match=":SOURce:FM:DEViation?", times=None)
    )
    one = identify_bench(parts)[0]
    assert [text.split(":")[0] for text in one.problems] == ["fm_deviation"]
    assert {"frequency", "am_depth", "settling"} <= {name for name, _ in one.answers}


def test_what_stands_in_the_error_queue_is_told() -> None:
    """Errors that the harmless questions cause are read out, so that a wrong profile shows."""
    parts = _parts("sim/bench.yaml")
    assert parts.simulation is not None
    address = parts.bench.instruments["supply"].address
    parts.simulation.devices[address].faults.add(
        Fault(kind=FaultKind.ERROR, match=":MEASure:CURRent", argument=(-310, "System error;fan"))
    )
    one = next(each for each in identify_bench(parts) if each.name == "supply")
    assert one.problems == ('error queue: -310,"System error;fan"',)


def _with_line(parts: BenchParts, instrument: str, command: str, **fields: Any) -> BenchParts:
    """Return ``parts`` with one line of one profile changed, while the simulated instrument still speaks the shipped one."""
    profile: Profile = parts.profiles[instrument]
    commands = {**profile.commands, command: dataclasses.replace(profile.commands[command], **fields)}
    changed = dataclasses.replace(profile, commands=commands)
    return dataclasses.replace(parts, profiles={**parts.profiles, instrument: changed})


def test_the_error_queues_reason_is_told_before_it_is_cleared() -> None:
    """A question that the instrument does not know is told with its own -113, not as a silence."""
    parts = _with_line(_parts("sim/bench.yaml"), "signal_generator", "frequency", query=":NO:SUCH?")
    one = identify_bench(parts)[0]
    (trouble,) = one.problems
    assert trouble.startswith("frequency: ")
    assert "-113" in trouble
    assert "Undefined header" in trouble


def test_an_optional_command_that_is_not_understood_is_a_note() -> None:
    """An instrument without a command that its role can do without is sound; the note says how to write that down."""
    parts = _with_line(_parts("sim/bench.yaml"), "audio_analyser", "psophometric", query=":NO:SUCH?")
    one = next(each for each in identify_bench(parts) if each.name == "audio_analyser")
    assert one.sound, one.problems
    (note,) = one.notes
    assert "'lacks: [psophometric]'" in note
    assert "-113" in note


@pytest.mark.parametrize(
    ("command", "fields", "said"),
    [
        ("level", {"pattern": "^LV ([-0-9.]+)$"}, "does not match '^LV ([-0-9.]+)$'"),
        ("frequency", {"pattern": "^(.{3})"}, ""),
        ("frequency", {"pattern": r"(E.*)$"}, "expected a number"),
    ],
)
def test_a_pattern_that_cannot_fit_is_told(command: str, fields: dict[str, str], said: str) -> None:
    """Patterns are applied as the drivers apply them; what does not fit the answer is trouble, with the answer."""
    one = identify_bench(_with_line(_parts("sim/bench.yaml"), "signal_generator", command, **fields))[0]
    if not said:
        assert command in dict(one.meanings)
        return
    (trouble,) = (text for text in one.problems if text.startswith(command + ": "))
    assert "cannot fit" in trouble
    assert said in trouble


def test_what_an_answer_means_stands_beside_it() -> None:
    """Scale, offset and unit are applied: a generator that answers 10 MHz as 10 in megahertz would show here."""
    parts = _with_line(_parts("sim/bench.yaml"), "signal_generator", "frequency", scale=1e-6)
    one = identify_bench(parts)[0]
    assert dict(one.answers)["frequency"] == "1.000000000E+08"
    assert dict(one.meanings)["frequency"] == "1e+14 Hz"  # the wrong factor is plain to see
    assert "frequency: 1e+14 Hz  (answered 1.000000000E+08)" in str(one)
    assert dict(one.meanings)["output"] == "off"


def test_over_real_sockets_a_port_without_an_instrument_is_told(tmp_path: Path) -> None:
    """Two instruments answer over sockets; a refused port and a mute listener are told, each by its own words."""
    simulation = SimulatedBench(
        Specimen(serial="x"),
        {role: Place(role=role, address=role) for role in ("voltmeter", "supply")},
        receive_loss_db={27e6: 0.0},
        transmit_loss_db={27e6: 30.0},
        limits=WitnessLimits(),
        clock=WallClock(),
    )
    with (
        serve(simulation.devices) as served,
        socket.create_server(("127.0.0.1", 0)) as mute,
        socket.create_server(("127.0.0.1", 0)) as gone,
    ):
        gone_port = gone.getsockname()[1]
        gone.close()
        bench = tmp_path / "bench.yaml"
        lines = ["bench: b", "instruments:"]
        addresses = {
            "voltmeter": served["voltmeter"],
            "supply": served["supply"],
            "power_meter": f"TCPIP0::127.0.0.1::{mute.getsockname()[1]}::SOCKET",
            "switch": f"TCPIP0::127.0.0.1::{gone_port}::SOCKET",
        }
        for role, address in addresses.items():
            lines += [f"  {role}: {{address: '{address}', timeout: 300 ms}}"]
        bench.write_text("\n".join(lines) + "\n", encoding="utf-8")
        found = {each.name: each for each in identify_bench(_parts(str(bench)))}
    assert found["voltmeter"].sound
    assert found["supply"].sound
    assert "no whole answer in time" in found["power_meter"].problems[0]
    assert str(gone_port) in found["switch"].problems[0]
    assert "bench" not in found  # neither key nor generator is on it: nothing to make safe


def test_nothing_is_ever_discovered(monkeypatch: pytest.MonkeyPatch) -> None:
    """No resource is listed: addresses come from the bench file alone."""

    def listed(*_: Any, **__: Any) -> tuple[str, ...]:
        raise AssertionError("resources were listed")

    monkeypatch.setattr(pyvisa.ResourceManager, "list_resources", listed)
    monkeypatch.setattr(pyvisa.ResourceManager, "list_resources_info", listed)
    assert all(each.sound for each in identify_bench(_parts("sim/bench.yaml")))


def test_a_visa_library_that_cannot_be_loaded_is_told(tmp_path: Path) -> None:
    """A wrong path of a VISA library is one line of trouble, not a traceback; status 3."""
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        REAL.replace("instruments:", "visa: /nowhere/visa.so\ninstruments:", 1), encoding="utf-8"
    )
    outcome = CliRunner().invoke(main, ["identify", "--bench", str(bench)])
    assert outcome.exit_code == 3
    assert "the VISA library cannot be loaded" in outcome.output
    assert outcome.exception is None or isinstance(outcome.exception, SystemExit)


def test_a_driver_that_is_none_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A package that registers something else than a driver is told with its words; the other instruments answer."""
    parts = _parts("sim/bench.yaml")

    def find(driver: str, role: str) -> Any:
        if role == "voltmeter":
            raise TypeError("driver 'own' is 5, not a class of drivers.roles.Instrument")
        return find_driver(driver, role)

    monkeypatch.setattr("sequencer.bench.open_bench.find_driver", find)
    found = {each.name: each for each in identify_bench(parts)}
    assert "not a class" in found["voltmeter"].problems[0]
    assert sum(each.sound for each in found.values()) == 7


def test_a_silent_key_line_holds_the_switch_back_and_nothing_else() -> None:
    """Where the radio's box does not answer, the switch is not reset under what may be power; all others answer."""
    parts = _parts("sim/bench.yaml")
    assert parts.simulation is not None
    address = parts.bench.instruments["radio"].address
    parts.simulation.devices[address].faults.add(Fault(kind=FaultKind.TIMEOUT, times=None))
    found = {each.name: each for each in identify_bench(parts)}
    assert [name for name, each in found.items() if not each.sound] == ["switch", "radio", "bench"]
    assert "may be transmitting" in found["switch"].problems[0]
    assert "COULD NOT BE CONFIRMED SAFE" in found["bench"].problems[0]


def test_a_bench_that_another_process_drives_is_told(tmp_path: Path, real_bench: Path) -> None:
    """While somebody holds the bench, identify says so instead of asking in between."""
    from sequencer.bench.open_bench import OpenBench

    holder = OpenBench(_parts(str(real_bench)))
    holder.prepare()
    try:
        (one,) = identify_bench(_parts(str(real_bench)))
    finally:
        holder.close()
    assert "another process drives" in one.problems[0]
    assert str(one).startswith("bench:")
