"""Every shipped check once, each as the only one of a plan, on one unit and one bench that has all roles."""

from __future__ import annotations

from pathlib import Path

from sequencer.checks import all_checks
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.plan import Plan, make_plan
from tests.support.after_faults import CHECKS, bench_for, serial_of
from tests.support.rig import Rig

EVERY_CHECK = {
    **CHECKS,
    "path_loss": "of: receive, frequencies: [27 MHz], file: receive-loss.yaml",
    "bench_check": "through: hand, frequencies: [27 MHz], levels: [0 dBm]",
    "golden_unit": "fewest: 3",
    "enter_reading": "name: lamp, text: the lamp's current, quantity: current, unit: mA",
    "channel_memory": "file: memory.csv",
    "confirm": "text: squelch open",
}
assert set(all_checks()) == {name.split(" ")[0] for name in EVERY_CHECK}, "a new check is missing here"


def plan_of(folder: Path, name: str) -> Plan:
    """Return the plan of one check, which is its last step; its files are written to ``folder``."""
    squelch = "  - confirm: squelch just closed\n" if name == "squelch" else ""
    (folder / "memory.csv").write_text("channel,frequency_mhz\n1,26.965\n", encoding="utf-8")
    file = folder / "one.yaml"
    file.write_text(
        "sequence: One check\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
        "rated_supply: {min: 8 V, max: 16 V}\nrated_power: 13 W\n"
        f"prepare:\n  - confirm: knobs right\n{squelch}checks:\n"
        f"  - {{check: {name.split(' ', maxsplit=1)[0]}, {EVERY_CHECK[name]}}}\n",
        encoding="utf-8",
    )
    shipped = bench_for(name).resolve()
    (folder / "bench.yaml").write_text(
        shipped.read_text(encoding="utf-8").replace("unit: units", f"unit: {shipped.parent / 'units'}"),
        encoding="utf-8",
    )
    return plan_in(folder, name)


def plan_in(folder: Path, name: str) -> Plan:
    """Return the plan of that check by the files that stand in ``folder``."""
    return make_plan(
        load_sequence(str(folder / "one.yaml")),
        load_bench(str(folder / "bench.yaml")),
        serial=serial_of(name),
    )


def rig_of(folder: Path, name: str) -> Rig:
    """Return a rig of that plan."""
    return Rig(plan_of(folder, name), serial_of(name))
