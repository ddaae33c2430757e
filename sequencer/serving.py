"""Serves a simulated bench over TCP on this machine, for a client that speaks to it as to real gear."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import click
import yaml

from sequencer.complaint import Complaint, FileProblems
from sequencer.loading import LoadedBench, specimen_for
from sequencer.signals import Interrupted, stoppable

HOST = "127.0.0.1"


def serve_bench(loaded: LoadedBench, *, serial: str, port: int, write_bench: Path | None) -> int:
    """Serve until Ctrl-C or SIGTERM; prints where. Returns 0."""
    from sequencer.loading import simulate
    from sim.network import serve

    lock = threading.RLock()
    specimen = specimen_for(loaded, serial, dry_run=not loaded.bench.simulated)
    bench = simulate(loaded.bench, specimen, virtual=False, lock=lock)
    bench.confirm_knobs()
    devices = {name: bench.devices[entry.address] for name, entry in loaded.bench.instruments.items()}
    ports = {name: port + number for number, name in enumerate(devices)} if port else None
    try:
        served = serve(devices, HOST, ports=ports, lock=lock)
    except OSError as error:
        raise FileProblems(
            [
                Complaint(
                    file="--port",
                    line=0,
                    column=0,
                    message=f"port {port} and those after it cannot be taken: {error.strerror}",
                    allowed="free ports, or 0 to take any",
                )
            ]
        ) from error
    with served as addresses, stoppable():
        try:
            if write_bench is not None:
                _write(write_bench, loaded, addresses)
            click.echo(f"{loaded.bench.bench} (simulated), unit {specimen.serial}, on this machine only:")
            for name, address in addresses.items():
                click.echo(f"  {name}: {address}")
            click.echo("Ctrl-C ends it.")
            threading.Event().wait()
        except Interrupted:
            pass
    for hazard in bench.hazards:
        click.echo(f"witness: {hazard}", err=True)
    return 0


def _write(path: Path, loaded: LoadedBench, addresses: dict[str, str]) -> None:
    """Write the bench file again with the addresses of the served instruments and `visa: py`."""
    text: dict[str, Any] = yaml.safe_load(loaded.path.read_text(encoding="utf-8"))
    for key in ("unit", "clock", "seed"):
        text.pop(key, None)
    text["bench"] = f"{loaded.bench.bench} (simulated, over sockets)"
    text["visa"] = "py"
    for name, address in addresses.items():
        text["instruments"][name]["address"] = address
    try:
        path.write_text(yaml.safe_dump(text, sort_keys=False, allow_unicode=True), encoding="utf-8")
    except OSError as error:
        raise FileProblems(
            [
                Complaint(
                    file=str(path),
                    line=0,
                    column=0,
                    message=f"cannot be written: {error.strerror}",
                    allowed="a file that can be written",
                )
            ]
        ) from error
