"""`worker`: puts the bench of this machine at the queue's service."""

from __future__ import annotations

import os
import re
import socket
import sys
from contextlib import suppress
from datetime import datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import click

from drivers.faults import InstrumentFault
from sequencer.bench.locks import BenchBusy
from sequencer.bench.open_bench import BenchUnsafe
from sequencer.bench.simulation import shelf_serials
from sequencer.cli.common.bench import bench_title
from sequencer.cli.common.outlet import reader_may_be_gone
from sequencer.cli.fleet.measuring import JobBench
from sequencer.cli.run import Asked
from sequencer.files.find import file_hash, file_named_in
from sequencer.fleet.keeper import BenchTaken
from sequencer.fleet.line import ServerAway
from sequencer.fleet.member import Member, OwnCheckDaily
from sequencer.fleet.needs import can_of, needs_of
from sequencer.fleet.worker import Worker
from sequencer.inputs.bench_parts.bench_health import OwnCheck, bench_serial
from sequencer.inputs.load_bench import LoadedBench, load_bench
from sequencer.planning.load import load_sequence
from sequencer.problems import option_problem, printable
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.run.interrupt import Interrupted, stoppable
from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.status import ExitStatus

_LOCAL_ZONE = Path("/etc/localtime")


@stoppable()
def worker_command(
    bench_name: str,
    *,
    confirmed: bool,
    dry_run: bool,
    units: tuple[str, ...],
    once: bool,
    drain: bool,
    lease_s: float,
    own_check_at: str,
    zone: str,
    folder: Path,
    store: str,
) -> int:
    """Work until it is stopped; returns the exit status."""
    if sys.platform == "win32":  # it has no signal by which one thread stops a run of another
        raise option_problem("worker", "it does not run on Windows", allowed="Linux, or another Unix")
    loaded = load_bench(bench_name)
    own = _own_check(loaded, own_check_at, zone)
    place = find_place(folder, store)
    _refuse_without_units(loaded, units, dry_run=dry_run)
    try:
        found, _ = set_up(place)
    except StoreProblem as problem:
        if not problem.may_pass:
            raise
        _say(
            str(problem)
        )  # a machine that started before its server: whoever begins the worker begins it again
        return int(ExitStatus.BENCH_FAILED)
    sys.stdin = Path(os.devnull).open(encoding="utf-8")  # noqa: SIM115 - a worker asks nobody: whoever sits at its terminal reads only
    asked = Asked(
        sequence_name="",
        bench_name=bench_name,
        serial="",
        confirmed=confirmed,
        dry_run=dry_run,
        folder=folder,
        store=store,
    )
    member = Member(
        bench=loaded.bench.bench,
        host=socket.gethostname(),
        can=can_of(loaded, confirmed=confirmed, units=_at_hand(loaded, units, dry_run=dry_run)),
        lease_s=lease_s,
        own_check=own,
    )
    teller = BenchTeller(
        place,
        bench=bench_title(loaded, dry_run=dry_run),
        simulated=dry_run or loaded.bench.simulated,
        program="worker",
    )
    bench = JobBench(asked, loaded, place, teller, units=units)
    with stoppable() as stopper, teller:
        worker = Worker(found, member, bench, stopper, _say, once=once, drain=drain)
        try:
            return int(_worked(worker, bench, member))
        finally:
            with stopper.held():
                state = bench.close()
                if state is not None:
                    with reader_may_be_gone(sys.stderr):
                        click.echo(state.last_line(), err=True)


def _worked(worker: Worker, bench: JobBench, member: Member) -> ExitStatus:
    try:
        worker.lock_bench()
        try:
            state = bench.open_first()
        except BaseException:
            worker.let_go()
            raise
        if bench.left_keyed:
            _say(bench.left_keyed)
        if not state.confirmed:
            worker.let_go()
            return ExitStatus.BENCH_FAILED
        bench.waits()
        _say(f"bench {member.bench} on {member.host} takes jobs, lease {member.lease_s:g} s")
        return worker.go()
    except BenchTaken:
        _say(
            f"another worker has bench {member.bench} already: end that one first, or give this bench a name of its own in its file; "
            "nothing was sent to it"
        )
        return ExitStatus.BENCH_FAILED
    except ServerAway as away:
        _say(f"the server cannot be reached: {away}")
        return ExitStatus.BENCH_FAILED
    except (BenchBusy, BenchUnsafe, InstrumentFault) as problem:
        _say(str(problem))
        return ExitStatus.BENCH_FAILED
    except Interrupted:
        return ExitStatus.INTERRUPTED


def _say(text: str) -> None:
    """Write a line for the log of whoever runs the worker, with its time."""
    with suppress(OSError):
        click.echo(f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S %z}  {printable(text)}", err=True)


def _refuse_without_units(loaded: LoadedBench, units: tuple[str, ...], *, dry_run: bool) -> None:
    if units or dry_run or loaded.bench.visa == "sim":
        return
    raise option_problem(
        "--unit",
        "nobody connects units to this bench for a worker, so that it must be told which one is connected",
        allowed="--unit SERIAL for the unit that is connected; a simulated bench has its whole shelf",
        hint="where a person or a handler changes units, 'sequencer line' measures them one after another",
    )


def _at_hand(loaded: LoadedBench, units: tuple[str, ...], *, dry_run: bool) -> tuple[str, ...]:
    """Return the units that the bench can have: its shelf where it is simulated, any (none named) on a dry run."""
    if dry_run:
        return ()
    own = (bench_serial(loaded.bench.bench),)
    return (*own, *(shelf_serials(loaded) if loaded.bench.visa == "sim" else units))


def _own_check(loaded: LoadedBench, at: str, zone: str) -> OwnCheckDaily | None:
    """Return the bench's check of itself each day; None where none is asked for. Raises InputError."""
    if not at:
        return None
    of_day = re.fullmatch(r"(\d{1,2}):(\d{2})", at)
    if of_day is None or int(of_day[1]) > 23 or int(of_day[2]) > 59:
        raise option_problem(
            "--own-check-at", "not a time of day", found=at[:20], allowed="00:00 to 23:59, such as 06:00"
        )
    stated = loaded.bench.bench_check
    name = (stated or OwnCheck()).sequence
    if stated is not None and "sequence" in stated.model_fields_set:
        name = str(file_named_in(name, "sequence", loaded.path, loaded.source, ("bench_check", "sequence")))
    sequence = load_sequence(name)
    return OwnCheckDaily(
        sequence=name,
        sequence_hash=file_hash(sequence.path),
        serial=bench_serial(loaded.bench.bench),
        at=time(int(of_day[1]), int(of_day[2])),
        zone=_zone(zone),
        needs=needs_of(sequence, bench=loaded.bench.bench),
    )


def _zone(named: str) -> str:
    """Return the name of the zone, this machine's where none is given. Raises InputError where it is not known."""
    name = named or os.environ.get("TZ", "").removeprefix(":")
    if not name:
        target = str(_LOCAL_ZONE.resolve())
        name = target.partition("/zoneinfo/")[2] or "UTC"
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise option_problem(
            "--zone",
            "not a zone that this machine knows",
            found=name[:60],
            allowed="a name such as Europe/Lisbon, or UTC",
        ) from None
    return name
