"""A person at a bench of the simulation, in this process: answers by the simulated dials, and counts what is asked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from sequencer.checks.live import LivePerson
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.load import load_sequence
from sequencer.planning.parts import bench_parts
from sequencer.planning.plan import make_plan
from sequencer.run.events import Listener
from sim.bench import SimulatedBench
from tests.support.running import Ran, run_plan

ROOT = Path(__file__).resolve().parents[2]
_DIAL = re.compile(r"\(simulated dial: ([^)]*)\)")
_ADDRESS = re.compile(r"^ {4}(?:address|profile|timeout|settle): .*\n", re.MULTILINE)


@dataclass(slots=True)
class Attentive:
    """Does what is asked and types what the dial shows. ``answer`` may answer some questions otherwise (None: as always)."""

    answer: Callable[[str], str | None] = lambda question: None
    asked: list[str] = field(default_factory=list)
    typed: list[str] = field(default_factory=list)
    limits_s: list[float | None] = field(default_factory=list)

    def ask(self, text: str, *, within_s: float | None = None) -> str | None:
        """Answer at once."""
        self.asked.append(text)
        self.limits_s.append(within_s)
        typed = self.answer(text)
        if typed is None:
            dial = _DIAL.search(text)
            typed = dial[1] if dial else "done" if "Type done" in text else ""
        self.typed.append(typed)
        return typed

    def stop(self, why: str) -> None:
        """Nothing in these runs asks for a stop."""
        raise AssertionError(why)

    @property
    def counts(self) -> Mapping[str, int]:
        """How many prompts there were, and of what kind."""
        kinds = Counter(_kind(text, typed) for text, typed in zip(self.asked, self.typed, strict=True))
        return {"prompts": len(self.asked), **kinds}


def _kind(text: str, typed: str) -> str:
    return "done typed" if typed == "done" else "readings" if typed else "Enter"


def by_hand(bench: str, roles: Sequence[str], extra: Mapping[str, str] | None = None) -> str:
    """Return the text of a bench file with the instruments of ``roles`` in a person's hands; ``extra`` adds a key to an entry."""
    changed = bench
    for role in roles:
        entry = re.search(rf"^  {role}:.*\n(?: {{4}}.*\n)+", changed, re.MULTILINE)
        assert entry is not None, role
        head, _, rest = entry.group().partition("\n")
        keys = f"    driver: operator\n{(extra or {}).get(role, '')}"
        kept = _ADDRESS.sub("", rest)
        changed = changed.replace(entry.group(), f"{head}\n{keys}{kept}")
    return changed.replace("unit: units ", f"unit: {ROOT}/sim/units ").replace(
        "unit: units\n", f"unit: {ROOT}/sim/units\n"
    )


def run_by_hand(
    folder: Path,
    sequence: str,
    bench: str,
    *,
    serial: str = "M40-0007",
    person: Attentive | None = None,
    listeners: Sequence[Listener] = (),
    live: Callable[[SimulatedBench], LivePerson] | None = None,
) -> tuple[Ran, Attentive]:
    """Run a sequence on the bench whose file has the text ``bench``."""
    file = folder / "bench-by-hand.yaml"
    file.write_text(bench, encoding="utf-8")
    person = person or Attentive()
    loaded = load_bench(str(file))
    plan = make_plan(load_sequence(sequence), loaded, serial=serial)
    parts = replace(bench_parts(loaded, serial=serial, dry_run=False), person=person)
    turner = None if live is None or parts.simulation is None else live(parts.simulation)
    return run_plan(folder, serial, plan, parts, listeners, live=turner), person
