"""`simulate`: serves a simulated bench over TCP on this machine, for a client that speaks to it as to real gear."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import yaml

from sequencer.bench.simulation import specimen_for
from sequencer.cli.common.bench import any_serial
from sequencer.files.write import write_new
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.problems import FileProblems, about_file
from sequencer.run.interrupt import Interrupted, stoppable

if TYPE_CHECKING:
    from sim.serve.network import Served

HOST = "127.0.0.1"
LOOK_S = 0.1
LAST_PORT = 65535


def simulate_command(bench_name: str, *, serial: str, port: int, write_bench: Path | None) -> int:
    """Serve a simulated bench until interrupted; returns the exit status."""
    loaded = load_bench(bench_name)
    return serve_bench(loaded, serial=serial or any_serial(loaded), port=port, write_bench=write_bench)


def serve_bench(loaded: LoadedBench, *, serial: str, port: int, write_bench: Path | None) -> int:
    """Serve until Ctrl-C or SIGTERM; prints where, and at the end what the witness recorded. Returns 0.

    It runs at a bench's own pace and no faster: a client waits by its own clock, so that a second that it keeps the unit
    keyed would be ten for a bench ten times as fast, and its key-down limit passed. Raises FileProblems for ports that are taken.
    """
    from sequencer.bench.simulation import simulate

    lock = threading.RLock()
    specimen = specimen_for(loaded, serial, dry_run=loaded.bench.visa != "sim")
    bench = simulate(loaded.bench, specimen, virtual=False, lock=lock, profiles=loaded.profiles)
    bench.confirm_knobs()
    devices = {name: bench.devices[entry.address] for name, entry in loaded.bench.instruments.items()}
    with suppress(Interrupted), stoppable() as stopper, _served(devices, port, lock) as addresses:
        if write_bench is not None:
            write_served(write_bench, loaded, addresses)
        click.echo(f"{loaded.bench.bench} (simulated), unit {specimen.serial}, on this machine only:")
        for name, address in addresses.items():
            click.echo(f"  {name}: {address}")
        click.echo("Ctrl-C ends it.")
        while True:
            # Looked at again and again: a signal may reach the process in a server's thread, which does not wake this one.
            stopper.check()
            time.sleep(LOOK_S)
    for hazard in bench.hazards:
        click.echo(f"witness: {hazard}", err=True)
    return 0


def _served(devices: Mapping[str, Any], port: int, lock: Any) -> Served:
    from sim.serve.network import serve

    last = port + len(devices) - 1
    if port and last > LAST_PORT:
        raise _no_ports(f"{len(devices)} ports from {port} on end at {last}", f"at most {LAST_PORT}")
    ports = {name: port + number for number, name in enumerate(devices)} if port else None
    try:
        return serve(devices, HOST, ports=ports, lock=lock)
    except OSError as error:
        wanted = f"ports {port} to {last}" if port else "ports"
        raise _no_ports(
            f"{wanted} cannot all be taken: {error.strerror}", "free ports, or 0 to take any"
        ) from error


def _no_ports(message: str, allowed: str) -> FileProblems:
    return about_file("--port", message, allowed=allowed)


def write_served(path: Path, loaded: LoadedBench, addresses: dict[str, str]) -> None:
    """Write the bench file again with the addresses of the served instruments and `visa: py`."""
    text: dict[str, Any] = yaml.safe_load(loaded.path.read_text(encoding="utf-8"))
    for key in (
        "unit",
        "clock",
        "seed",
        "connected",
        "worn",
    ):  # the simulation's own, and in the one that is served
        text.pop(key, None)
    text["bench"] = f"{loaded.bench.bench}, over sockets"
    text["visa"] = "py"
    text["simulated"] = True
    for name, address in addresses.items():
        entry = text["instruments"][name]
        entry["address"] = address
        beside = loaded.path.parent / loaded.bench.instruments[name].profile
        if beside.is_file():  # a profile of the user's own: the new file may stand elsewhere
            entry["profile"] = str(beside.resolve())
    for key in ("bench_check", "golden_unit"):  # as for profiles
        named = (text.get(key) or {}).get("sequence", "")
        if named and (loaded.path.parent / named).is_file():
            text[key]["sequence"] = str((loaded.path.parent / named).resolve())
    for name, table in loaded.tables.items():  # as for profiles
        text["paths"][name]["loss"] = str(table.path.resolve())
    try:
        write_new(path, yaml.safe_dump(text, sort_keys=False, allow_unicode=True).encode())
    except FileExistsError as error:
        raise about_file(
            path,
            "there is a file of this name already; nothing was written",
            hint="name another, or remove that",
        ) from error
    except OSError as error:
        raise about_file(
            path,
            f"cannot be written: {error.strerror}",
            allowed="a file that can be written",
        ) from error
