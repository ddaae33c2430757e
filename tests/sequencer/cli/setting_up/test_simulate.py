"""Serving a simulated bench: where it answers, the bench file it writes, how it ends, what it says of ports.

Outside the project: plain sockets of the standard library speak to it; IEEE 488.2's ``*IDN?`` (from memory).
"""

from __future__ import annotations

import os
import re
import signal
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from sequencer.cli.setting_up.simulate import serve_bench, write_served
from sequencer.files.shipped import find_file
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.problems import FileProblems

SERIAL = "M40-0007"


def _ask(address: str, message: str) -> str:
    """Speak to a SOCKET resource without any VISA."""
    _, host, port, _ = address.split("::")
    with socket.create_connection((host, int(port)), timeout=5) as peer, peer.makefile("rwb") as stream:
        stream.write(message.encode() + b"\n")
        stream.flush()
        return stream.readline().decode().rstrip("\n") if "?" in message else ""


def _serve(
    loaded: LoadedBench,
    folder: Path,
    visit: Callable[[dict[str, str]], None] = lambda addresses: None,
    *,
    by: int = signal.SIGTERM,
    port: int = 0,
) -> tuple[int, dict[str, str]]:
    """Serve in this thread, let another visit, and end it by a signal; returns status and addresses."""
    written = folder / "served.yaml"
    seen: dict[str, str] = {}
    trouble: list[BaseException] = []

    def visitor() -> None:
        try:
            deadline_s = time.monotonic() + 20
            while not (written.is_file() and written.read_text().endswith("\n")):
                assert time.monotonic() < deadline_s, "no bench file was written"
                time.sleep(0.01)
            found = yaml.safe_load(written.read_text(encoding="utf-8"))
            seen.update({name: entry["address"] for name, entry in found["instruments"].items()})
            visit(seen)
        except BaseException as error:  # told by the test, in its own thread
            trouble.append(error)
        finally:
            os.kill(os.getpid(), by)

    thread = threading.Thread(target=visitor)
    thread.start()
    status = serve_bench(loaded, serial=SERIAL, port=port, write_bench=written)
    thread.join()
    assert trouble == []
    return status, seen


@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGINT])
def test_it_serves_until_it_is_told_to_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], by: int
) -> None:
    """Every instrument answers who it is; Ctrl-C and SIGTERM end it with status 0, its ports closed, nothing of the witness."""
    names: list[str] = []

    def visit(addresses: dict[str, str]) -> None:
        names.extend(_ask(address, "*IDN?").split(",")[1] for address in addresses.values())

    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    status, addresses = _serve(load_bench("sim/bench.yaml"), tmp_path, visit, by=by)
    assert status == 0
    assert names == ["SG-2", "PM-1", "MA-4", "AA-3", "DV-5", "PS-30", "SW-2", "RB-1"]
    assert {number: signal.getsignal(number) for number in before} == before
    with pytest.raises(ConnectionRefusedError):
        _ask(addresses["radio"], "*IDN?")
    said = capsys.readouterr()
    assert said.err == ""
    for name, address in addresses.items():
        assert f"{name}: {address}" in said.out
    assert SERIAL in said.out
    assert all(address.startswith("TCPIP0::127.0.0.1::") for address in addresses.values())


@pytest.mark.provokes_hazards
def test_the_witness_speaks_at_the_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A client that keyed without a load is told of when the bench is switched off; the status is still 0."""

    def visit(addresses: dict[str, str]) -> None:
        _ask(addresses["supply"], ":CURR 6;:VOLT 13.2;:OUTP 1;*OPC?")
        _ask(addresses["radio"], ":CONT:KEY:STAT 1;:CONT:KEY:STAT?")
        _ask(addresses["radio"], ":CONT:KEY:STAT 0;:CONT:KEY:STAT?")

    status, _ = _serve(load_bench("sim/bench.yaml"), tmp_path, visit)
    assert status == 0
    assert re.search(r"witness: .* PTT pressed with the antenna connector open", capsys.readouterr().err)


def test_the_written_bench_is_the_same_bench_over_sockets(tmp_path: Path) -> None:
    """What is written loads as real gear, with the addresses served and everything else as it was."""
    loaded = load_bench("sim/bench.yaml")
    _, addresses = _serve(loaded, tmp_path)
    again = load_bench(str(tmp_path / "served.yaml")).bench
    assert (again.visa, again.simulated, again.unit) == (
        "py",
        True,
        None,
    )  # reached as real gear is, and said to be none
    assert again.bench.endswith(", over sockets")
    assert again.paths == loaded.bench.paths
    assert again.protection == loaded.bench.protection
    for name, entry in again.instruments.items():
        assert entry.address == addresses[name]
        assert entry == loaded.bench.instruments[name].model_copy(update={"address": addresses[name]})


def test_a_profile_beside_the_bench_file_is_still_found(tmp_path: Path) -> None:
    """A bench with a profile of the user's own is written so that it loads from another folder too."""
    own = tmp_path / "mine"
    own.mkdir()
    shipped = find_file("scpi-1999", "profile", within="voltmeter").read_text(encoding="utf-8")
    (own / "volts.yaml").write_text(shipped.replace(":READ?", ":MEASure:VOLTage:DC?"), encoding="utf-8")
    text = Path("sim/bench.yaml").read_text(encoding="utf-8")
    text = text.replace("unit: units ", f"unit: {Path('sim/units').resolve()} ")
    text = text.replace("  voltmeter: ", "  voltmeter:\n    profile: volts.yaml ")
    (own / "bench.yaml").write_text(text, encoding="utf-8")
    _serve(load_bench(str(own / "bench.yaml")), tmp_path)
    again = load_bench(str(tmp_path / "served.yaml"))
    assert again.profiles["voltmeter"].commands["voltage"].query == ":MEASure:VOLTage:DC?"


def test_ports_are_taken_in_order_from_the_one_named(tmp_path: Path) -> None:
    """With a first port, the instruments of the bench file follow each other."""
    port = _free_ports(8)
    _, addresses = _serve(load_bench("sim/bench.yaml"), tmp_path, port=port)
    assert [int(address.split("::")[2]) for address in addresses.values()] == list(range(port, port + 8))


def _free_ports(count: int) -> int:
    """The first of ``count`` ports in a row that nobody has just now."""
    for first in range(20_000, 30_000, 50):
        try:
            for port in range(first, first + count):
                with socket.socket() as probe:
                    probe.bind(("127.0.0.1", port))
        except OSError:
            continue
        return first
    raise AssertionError("no free ports")


def test_a_taken_port_is_refused_in_words() -> None:
    """One port of the row is taken: the complaint names the option and the ports, and no other port stays open."""
    port = _free_ports(8)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port + 3))
        taken.listen()
        with pytest.raises(
            FileProblems, match=rf"--port.*ports {port} to {port + 7} cannot all be taken.*in use"
        ):
            serve_bench(load_bench("sim/bench.yaml"), serial=SERIAL, port=port, write_bench=None)
    with pytest.raises(ConnectionRefusedError):
        _ask(f"TCPIP0::127.0.0.1::{port}::SOCKET", "*IDN?")


def test_ports_beyond_the_last_are_refused_in_words() -> None:
    """Eight ports from 65533 do not exist."""
    with pytest.raises(FileProblems, match="8 ports from 65533 on end at 65540"):
        serve_bench(load_bench("sim/bench.yaml"), serial=SERIAL, port=65533, write_bench=None)


def test_a_bench_file_that_cannot_be_written_ends_it(tmp_path: Path) -> None:
    """Where the bench file cannot be written, nothing is served, and the complaint names the file."""
    with pytest.raises(FileProblems, match=r"nowhere.*cannot be written"):
        serve_bench(
            load_bench("sim/bench.yaml"), serial=SERIAL, port=0, write_bench=tmp_path / "nowhere" / "b.yaml"
        )


def test_a_serial_that_is_not_on_the_shelf_is_refused() -> None:
    """A specimen that does not exist is refused with the nearest that does."""
    with pytest.raises(
        FileProblems, match=r"no specimen with serial 'M40-0007x'(.|\n)*did you mean M40-0007"
    ):
        serve_bench(load_bench("sim/bench.yaml"), serial="M40-0007x", port=0, write_bench=None)


def test_what_is_the_simulations_own_is_not_in_the_file_that_is_written(tmp_path: Path) -> None:
    """The served bench is worn, seeded and connected as its file says; the file of who reaches it over sockets may say none of that."""
    (tmp_path / "own.yaml").write_bytes(find_file("own-check", "sequence").read_bytes())
    text = find_file("self-checking-bench", "bench").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^bench_check:.*\n", "", text)
    said = "connected: 3\nworn: {generator_cable: 1 dB}\nbench_check: {sequence: own.yaml}\n"
    (tmp_path / "worn.yaml").write_text(f"{text}{said}", encoding="utf-8")
    loaded = load_bench(str(tmp_path / "worn.yaml"))
    (tmp_path / "elsewhere").mkdir()
    written = tmp_path / "elsewhere" / "served.yaml"
    write_served(written, loaded, {name: one.address for name, one in loaded.bench.instruments.items()})
    served = load_bench(str(written)).bench
    assert (served.visa, served.simulated, served.connected) == ("py", True, 1)
    assert not served.worn.model_fields_set
    assert served.bench_check is not None
    assert Path(served.bench_check.sequence) == tmp_path / "own.yaml"
