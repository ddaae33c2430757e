"""Files of a megabyte: how long each takes to be checked, against what yaml's own C loader takes for the same text in the same run.

Target: a legal file of one megabyte, the most that is read, is checked within two seconds of processor time. The whole command is shown
beside it: start-up, the plan's proof and a line for each step are in it.
Run on a quiet machine: python tests/benchmarks/bench_files.py
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import yaml

TOP = Path(__file__).parents[2]
sys.path.insert(0, str(TOP))

from sequencer.files.read import LARGEST_BYTES, read_file  # noqa: E402 - the folder comes first
from sequencer.inputs.bench import BenchFile  # noqa: E402
from sequencer.inputs.bench_parts.loss_table import LossTable  # noqa: E402
from sequencer.inputs.channel_plan import PlanFile  # noqa: E402
from sequencer.planning.loading.sequence import sequence_model_for  # noqa: E402

ROUNDS = 5
TARGET_S = 2.0
BENCH = (
    (TOP / "sim" / "bench.yaml").read_text(encoding="utf-8").replace("unit: units", f"unit: {TOP}/sim/units")
)
LOSSES = "{27 MHz: 0.42 dB, 28 MHz: 0.43 dB}"


def _filled(head: str, line: Callable[[int], str], tail: str = "") -> str:
    """Return a text of nearly the largest size, with as many lines as there is room for."""
    room, lines = LARGEST_BYTES - len((head + tail).encode()) - 1, list[str]()
    for number in range(LARGEST_BYTES):
        room -= len(line(number))
        if room < 0:
            break
        lines.append(line(number))
    return head + "".join(lines) + tail


def _files(folder: Path) -> Iterator[tuple[str, str, Any, list[str]]]:
    """Yield name, text, the model it is read as, and the arguments of the command that checks it."""
    plan = "plan: large\nsource: own\nband: {min: 1 MHz, max: 900 MHz}\n"
    losses = _filled(
        "loss_table: large\ndate: 2026-11-01\nloss:\n", lambda n: f"  {1000 + n} kHz: 0.{n % 100:02d} dB\n"
    )
    head, _, tail = BENCH.partition("paths:")
    yield (
        "sequence",
        _filled(
            "sequence: large\nchannels: plans/cept-40.yaml\nsupply: 13.2 V\nchecks:\n",
            lambda n: f"  - {{check: carrier_power, channel: {n % 40 + 1}, limit: {{max: 4 W}}}}\n",
        ),
        sequence_model_for,
        ["sequence.yaml", "--bench", "bench"],
    )
    yield (
        "bench, instruments",
        _filled(
            head,
            lambda n: (
                f"  volts_{n}: {{role: voltmeter, address: TCPIP0::192.0.2.77::{n + 1}::SOCKET, accuracy: {{voltage: 1 %}}}}\n"
            ),
            f"paths:{tail}",
        ),
        BenchFile,
        ["quick-check", "--bench", "bench, instruments.yaml"],
    )
    room = LARGEST_BYTES - len(BENCH)
    many = ", ".join(f"{1000 + n} kHz: 0.{n % 100:02d} dB" for n in range(room // 20))
    yield (
        "bench, losses",
        BENCH.replace(LOSSES, f"{{{many}}}", 1),
        BenchFile,
        ["quick-check", "--bench", "bench, losses.yaml"],
    )
    (folder / "with table.yaml").write_text(BENCH.replace(LOSSES, "loss table.yaml", 1), encoding="utf-8")
    yield "loss table", losses, LossTable, ["quick-check", "--bench", "with table.yaml"]
    (folder / "on plan.yaml").write_text(
        "sequence: on it\nchannels: channel plan.yaml\nsupply: 13.2 V\nchecks:\n  - {check: carrier_power, channel: 20}\n",
        encoding="utf-8",
    )
    yield (
        "channel plan",
        _filled(plan + "channels:\n", lambda n: f"  {n}: {1000 + n} kHz\n"),
        PlanFile,
        ["on plan.yaml", "--bench", "bench"],
    )
    rule = "rule:\n  first: 1 MHz\n  step: 1 kHz\n  count: 10000\n  skip:\n"
    yield (
        "plan by rule",
        _filled(plan + rule, lambda n: f"  - {2000 + n} kHz\n"),
        PlanFile,
        [],
    )


def _took_s(work: Callable[[], Any]) -> float:
    began_s = time.process_time()
    work()
    return time.process_time() - began_s


def _command_s(folder: Path, arguments: list[str]) -> float:
    """Return the processor time of `validate` in a process of its own, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "sequencer", "validate", *arguments]
    environment = {"PYTHONPATH": str(TOP), "PATH": "/usr/bin:/bin"}
    subprocess.run(command, cwd=folder, env=environment, stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print medians in processor seconds, as ratios to yaml's own load, and whether the target was reached."""
    slowest_s = 0.0
    with tempfile.TemporaryDirectory(prefix="bench_files_") as name:
        folder = Path(name)
        for what, text, model, arguments in _files(folder):
            file = folder / f"{what}.yaml"
            file.write_text(text, encoding="utf-8")
            taken = [
                (
                    _took_s(lambda text=text: yaml.load(text, Loader=yaml.CSafeLoader)),  # type: ignore[misc]
                    _took_s(lambda file=file, model=model: read_file(file, model)),  # type: ignore[misc]
                )
                for _ in range(ROUNDS)
            ]
            own_s, read_s = (statistics.median(each) for each in zip(*taken, strict=True))
            slowest_s = max(slowest_s, read_s)
            said = f"; the whole command {_command_s(folder, arguments):5.2f} s" if arguments else ""
            size = file.stat().st_size
            print(
                f"{what:18} {size:8d} bytes: yaml's load {own_s:5.2f} s, checked {read_s:5.2f} s ({read_s / own_s:4.2f} times){said}"
            )
    reached = "reached" if slowest_s <= TARGET_S else "MISSED"
    print(
        f"target: each checked within {TARGET_S:g} s of processor time: {reached} (slowest {slowest_s:.2f} s)"
    )


if __name__ == "__main__":
    main()
