"""Put a computer to sleep while it measures, for real: a virtual machine, whose instruments, outside of it, stay awake.

    python -m tests.benchmarks.suspend_in_machine [--only keyed] [--keep FOLDER]

Needs root, QEMU and a Debian kernel; says what is missing. The machine is emulated in software, many times slower than this computer:
give it one that has nothing else to do. Printed of each case: what the run came to, how long the unit was keyed and how soon after waking
it was released, what was measured again, and whether the decisions are those of an undisturbed run on this computer.
"""

from __future__ import annotations

import argparse
import json
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import yaml

from sequencer.frozen import dataclass
from tests.support.cut_lines import CutLines
from tests.support.machine import HOST, PROJECT, Disk, Machine, Missing

SERIAL = "M40-0007"
COMMAND = f"cd /root && {sys.executable} -m sequencer"
TIMEOUT, MAX_KEY_TIME = "5 s", "90 s"
PRESSED = '"event":"PTT to be pressed"'
SENSITIVITY = '"label":"sensitivity'
REST = '"label":"frequency error'
SEQUENCE = """\
sequence: Across a sleep
model_by_default: m40
decision_rule: simple
checks:
  - {check: carrier_power, channel: 20, keyed_for: 12 s}
  - {check: frequency_error, channel: 20}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, tone: 1 kHz, accuracy: 0.5 dB}
"""
SLEEPER = '''\
"""Sleep once a journal has had a line; say when it woke. One process: starting another takes seconds in such a machine."""
import glob, os, sys, time
sees, after_s, sleeps_s, how = sys.argv[1], float(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
def seen():
    return any(sees in open(one, encoding="utf-8").read() for one in glob.glob("/root/results/*.journal"))
while not seen():
    if os.path.exists("/root/over"):
        sys.exit("it ended before")
    time.sleep(0.1)
time.sleep(after_s)
alarm = "/sys/class/rtc/rtc0/wakealarm"
open("/root/sleeps", "w").close()
for text, path in (("0", alarm), (f"+{sleeps_s}", alarm), (how, "/sys/power/state")):
    with open(path, "w") as file:
        file.write(text)
with open("/root/woke", "w") as file:
    file.write(str(time.time()))
'''


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """It sleeps for ``sleeps_s``, ``after_s`` seconds after the journal has had a line with ``sees``."""

    sees: str
    after_s: float = 0.0
    sleeps_s: float = 20.0
    how: str = "mem"
    cuts: bool = False


CASES = {
    "keyed, longer than max_key_time": Case(sees=PRESSED, after_s=3.0, sleeps_s=100.0),
    "keyed, shorter than that": Case(sees=PRESSED, after_s=3.0, sleeps_s=15.0),
    "keyed, and the connections are gone": Case(sees=PRESSED, after_s=3.0, sleeps_s=100.0, cuts=True),
    "receiving": Case(sees=SENSITIVITY, after_s=1.0),
    "receiving, and the connections are gone": Case(sees=SENSITIVITY, after_s=1.0, cuts=True),
    "resting, to idle only": Case(sees=REST, after_s=2.0, how="freeze"),
}


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, CutLines]]:
    """Yield a bench file by which the machine reaches a bench simulated here, and the lines to it; print what its witness saw."""
    near = folder / "near.yaml"
    near.unlink(missing_ok=True)
    serving = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "sequencer",
            "simulate",
            "--bench",
            "sim/bench.yaml",
            "--serial",
            SERIAL,
            "--write-bench",
            str(near),
        ],
        cwd=PROJECT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert serving.stdout is not None
    for line in serving.stdout:  # it says so once all of it is served
        if line.startswith("Ctrl-C"):
            break
    text = near.read_text("utf-8")
    lines = CutLines([int(port) for port in re.findall(r"127\.0\.0\.1::(\d+)::", text)])
    try:
        yield _patient(text, lines), lines
    finally:
        lines.close()
        serving.send_signal(signal.SIGINT)
        said, _ = serving.communicate(timeout=60.0)
        print(
            "  the bench:",
            "; ".join(line for line in said.splitlines() if "witness" in line) or "witness at nought",
            flush=True,
        )


def _patient(text: str, lines: CutLines) -> str:
    """Return a bench file with addresses that the machine reaches, and with the time that it needs, being slow."""
    content = yaml.safe_load(text)
    for entry in content["instruments"].values():
        port = int(entry["address"].split("::")[2])
        entry |= {"address": f"TCPIP0::{HOST}::{lines.at[port]}::SOCKET", "timeout": TIMEOUT}
    content["protection"] |= {"max_key_time": MAX_KEY_TIME}
    return str(yaml.safe_dump(content, sort_keys=False))


def undisturbed(folder: Path) -> dict[str, Any]:
    """Return a run on this computer, as `run --json` gives it."""
    (folder / "sequence.yaml").write_text(SEQUENCE, encoding="utf-8")
    words = [
        "run",
        str(folder / "sequence.yaml"),
        "--bench",
        "sim/bench.yaml",
        "--serial",
        SERIAL,
        "--confirmed",
        "--json",
        "--folder",
        str(folder / "sound"),
    ]
    ran = subprocess.run(
        [sys.executable, "-m", "sequencer", *words], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    return dict(json.loads(ran.stdout))


def slept(machine: Machine, case: Case, lines: CutLines) -> tuple[dict[str, Any], str, float]:
    """Make one run across a sleep; return what it said, its journal, and when the machine woke (seconds of its time of day)."""
    run = f"{COMMAND} run sequence.yaml --bench served.yaml --serial {SERIAL} --confirmed --json --folder results"
    words = f"'{case.sees}' {case.after_s} {case.sleeps_s:.0f} {case.how}"
    machine.run("rm -rf /root/results /root/said /root/over /root/woke /root/sleeps")
    machine.run(f"{sys.executable} -S /root/sleeper.py {words} > /root/sleeper.log 2>&1 &")
    machine.run(f"({run} > /root/said 2> /root/errors; echo $? > /root/over) > /dev/null 2>&1 &")
    machine.run("until [ -e /root/sleeps ] || [ -e /root/over ]; do sleep 0.3; done", within_s=1200.0)
    began_s = time.monotonic()
    if case.cuts:
        time.sleep(5.0)
        print(f"  {lines.cut()} connections cut while it sleeps")
    machine.run("until [ -s /root/woke ] || [ ! -e /root/sleeps ]; do sleep 0.1; done")
    woke = machine.run("cat /root/woke || echo 0").said
    machine.run("until [ -e /root/over ]; do sleep 0.5; done", within_s=1200.0)
    ended = machine.run("cat /root/said")
    journal = machine.run("cat /root/results/*.journal").said
    if not ended.said:
        print(machine.run("cat /root/errors /root/over").said)
    print(f"  slept {case.sleeps_s:g} s ({time.monotonic() - began_s:.0f} s until its end)")
    return json.loads(ended.said), journal, float(woke)


def tell(found: dict[str, Any], journal: str, woke_s: float, sound: dict[str, Any]) -> bool:
    """Print what a run came to; return whether its decisions are those of the undisturbed one, and it ended safe."""
    print(f"  status {found['status']}, {found['verdict']} {found['last_line']}")
    for line in journal.splitlines():
        event = json.loads(line)
        at_s = (
            time.mktime(time.strptime(event["time"][:19], "%Y-%m-%dT%H:%M:%S"))
            - time.timezone
            + float("0" + event["time"][19:23])
        )
        if event["event"] == "PTT released" and event["down_s"] > 6.0 and at_s >= woke_s - 2.0:
            print(f"  PTT released {at_s - woke_s:.1f} s after waking, keyed for {event['down_s']:.1f} s")
        if event["event"] in ("watchdog", "PTT held too long") and at_s > woke_s - 2.0:
            print(f"  watchdog: {event.get('said')}")
    for one in found["results"]:
        if "suspended" in one["note"] or one["decision"] == "not measured":
            print(f"  {one['check']}, {one['quantity']}: {one['decision']}; {one['note'][:300]}")
    for one in found["problems"]:
        print(f"  problem: {one}")
    wanted = [(one["check"], one["channel"], one["quantity"], one["decision"]) for one in sound["results"]]
    came = [(one["check"], one["channel"], one["quantity"], one["decision"]) for one in found["results"]]
    same = wanted == came and found["bench_safe"] and found["status"] == sound["status"]
    print(
        "  decisions as in an undisturbed run, bench safe"
        if same
        else f"  OTHER THAN UNDISTURBED: {sorted(set(wanted) ^ set(came))}"
    )
    return same


def main() -> int:
    """Print what each case came to; return 1 if one is not as it should be, 2 where something is missing."""
    options = argparse.ArgumentParser()
    options.add_argument("--only", default="")
    options.add_argument("--keep", type=Path)
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = chosen.keep or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        sound, bad = undisturbed(folder), 0
        try:
            with Machine(Disk(folder), folder) as machine:
                machine.put("/root/sequence.yaml", SEQUENCE)
                machine.put("/root/sleeper.py", SLEEPER)
                for name, case in CASES.items():
                    if chosen.only not in name:
                        continue
                    print(f"{name}:", flush=True)
                    with served(folder) as (bench, lines):
                        machine.put("/root/served.yaml", bench)
                        bad += not tell(*slept(machine, case, lines), sound)
        except Missing as lacks:
            print(f"cannot be tried here: {lacks}", file=sys.stderr)
            return 2
    print(f"{bad} not as they should be")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
