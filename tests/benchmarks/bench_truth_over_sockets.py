"""Count how often a specimen's truth lies within U of what a run over TCP in real time states: receivers, what they let out, the spectrum.

    python -m tests.benchmarks.bench_truth_over_sockets [--seeds 2] [--only blocking]

A sample of `bench_receive_truth` and `bench_spectrum`, whose cases and truths these are, with the bench served by a process of its own.
Each run must end safe, and the server's witness must have seen nothing (asserted). How a transmitter comes up and goes:
`bench_keying --sockets`.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from math import log10
from pathlib import Path
from typing import Any

from sequencer.frozen import dataclass
from tests.benchmarks import bench_receive_truth as receive
from tests.benchmarks import bench_spectrum as spectrum
from tests.sequencer.checks.receive import test_receiver_emissions as emissions
from tests.sequencer.checks.receive import test_signalling_received as signalling
from tests.support.over_sockets import run_over_sockets
from tests.support.spectral import write_files
from tests.support.truth import INTERFERER, write_bench

HEAD = (
    "sequence: test\nchannels: plans/cept-40.yaml\nmode: {mode}\nsupply: 13.2 V\nprepare: [{{confirm: knobs right}}]\n"
    "checks:\n  - {{{check}}}\n"
)
Judge = Callable[[Mapping[str, Any]], bool | None]
"""Whether a result holds; None where it states no number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """One run over sockets, and what is known of its results by quantity."""

    name: str
    serial: str
    write: Callable[[Path, int], None]
    judges: Mapping[str, Judge]


def within(true: float, result: Mapping[str, Any]) -> bool | None:
    """Say whether a truth lies within U of a result."""
    if result["value"] is None or result["uncertainty"] is None:
        return None
    return bool(abs(result["value"] - true) <= result["uncertainty"])


def within_dbm(true_dbm: float, result: Mapping[str, Any]) -> bool | None:
    """Say the same of a power, as dB of 1 mW."""
    if result["value"] is None or result["uncertainty"] is None:
        return None
    wide_db = 10.0 * log10(1.0 + result["uncertainty"] / result["value"])
    return bool(abs(10.0 * log10(result["value"] * 1e3) - true_dbm) <= wide_db)


def holds(true: float, result: Mapping[str, Any]) -> bool | None:
    """Say whether a figure of the spectrum, which may be a bound, holds."""
    how = spectrum.how_it_lies(result["value"], result["uncertainty"], result["bound"], true)
    return None if how == "not measured" else how != "beyond"


def received() -> Iterator[Served]:
    """Yield the cases of `bench_receive_truth` with two signals or one: a run for each check."""
    runs: dict[tuple[str, str, str], dict[str, Judge]] = defaultdict(dict)
    for case, (check, mode, quantity, truth) in receive.CASES.items():
        serial = receive.OF_OTHERS.get(case, receive.SERIAL)
        runs[serial, check, mode][quantity] = partial(within, truth())
    for (serial, check, mode), judges in runs.items():

        def write(folder: Path, seed: int, check: str = check, mode: str = mode) -> None:
            write_bench(folder, seed=seed, interferer=INTERFERER)
            text = HEAD.format(mode=mode, check=f"check: {check}")
            (folder / "sequence.yaml").write_text(text, encoding="utf-8")

        yield Served(name=f"{check.partition(',')[0]}", serial=serial, write=write, judges=judges)


def opening() -> Iterator[Served]:
    """Yield decoders, which want a generator with two sources."""
    for serial, kind in (("M40-0091", "tone"), ("M40-0093", "tone"), ("M40-0094", "code")):
        levels = {
            quantity: partial(
                within, signalling.true_level_dbm(serial, kind, closing=quantity == signalling.CLOSES)
            )
            for quantity in (signalling.OPENS, signalling.CLOSES)
        }

        def write(folder: Path, seed: int, kind: str = kind) -> None:
            signalling.write_bench(folder, seed)
            text = HEAD.format(mode="FM", check=signalling.KINDS[kind])
            (folder / "sequence.yaml").write_text(text, encoding="utf-8")

        yield Served(name=f"signalling_received, {kind}", serial=serial, write=write, judges=levels)


def let_out() -> Iterator[Served]:
    """Yield what receivers let out: of the sound one its oscillator, of the faulty one the line above it too."""
    for serial, known in (
        ("M40-0041", {emissions.FIRST: -78.0}),
        ("M40-0044", {emissions.FIRST: -52.0, emissions.HIGH: -52.0}),
    ):
        yield Served(
            name="receiver_emissions",
            serial=serial,
            write=partial(_spectral, (emissions.CHECK,)),
            judges={quantity: partial(within_dbm, dbm) for quantity, dbm in known.items()},
        )


def sent() -> Iterator[Served]:
    """Yield the spectra of transmitters, by the analyser and from samples."""
    for serial in spectrum.SERIALS:
        judges: dict[str, Judge] = {
            quantity: partial(holds, true) for quantity, true in spectrum.truths(serial).items()
        }
        yield Served(name="spectrum", serial=serial, write=partial(_spectral, spectrum.DRIVEN), judges=judges)


def _spectral(checks: tuple[str, ...], folder: Path, seed: int) -> None:
    write_files(folder, checks, seed=seed)


def main() -> int:
    """Print a line for each run's quantities; return 1 where less than 90 % of them hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--only", default="", help="of the runs those whose name holds this")
    asked = parser.parse_args()
    held_of_all = stated_of_all = 0
    for one in (*received(), *opening(), *let_out(), *sent()):
        if asked.only not in one.name:
            continue
        held: dict[str, list[bool | None]] = defaultdict(list)
        for seed in range(1, asked.seeds + 1):
            with tempfile.TemporaryDirectory() as name:
                one.write(Path(name), seed)
                results = run_over_sockets(Path(name), one.serial)
            for result in results:
                if result["quantity"] in one.judges:
                    held[result["quantity"]].append(one.judges[result["quantity"]](result))
        missing = set(one.judges) - set(held)
        assert not missing, f"{one.name}, {one.serial}: no result of {', '.join(sorted(missing))}"
        counts = [sum(found is True for found in some) for some in held.values()]
        stated = [sum(found is not None for found in some) for some in held.values()]
        held_of_all, stated_of_all = held_of_all + sum(counts), stated_of_all + sum(stated)
        unmeasured = sum(map(len, held.values())) - sum(stated)
        poor = ", ".join(
            f"{quantity} {count} of {many}"
            for (quantity, _), count, many in zip(held.items(), counts, stated, strict=True)
            if count < many
        )
        print(
            f"{one.serial}  {one.name:28} {sum(counts):3d} of {sum(stated):3d} hold, {unmeasured} not measured{'; ' if poor else ''}{poor}",
            flush=True,
        )
    print(f"{held_of_all} of {stated_of_all} hold")
    return int(held_of_all < 0.9 * stated_of_all)


if __name__ == "__main__":
    raise SystemExit(main())
