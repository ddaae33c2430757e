"""Print how much a bench of dials asks of a person: prompts, readings, words typed, by bench and sequence.

    python tests/benchmarks/bench_prompts.py [--show]

``--show`` prints every prompt and what was answered. A person answers by the simulated dials, at once. Where every figure was read four
times and every step was a prompt of its own, the acceptance asked 100 (first bench) and 96 prompts (second).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.support.desk import ROOT, by_hand, run_by_hand

ALL = ("signal_generator", "power_meter", "modulation_analyser", "audio_analyser", "switch", "radio")
BENCHES = {
    "supply and voltmeter networked": ("bench.yaml", ALL),
    "generator and audio networked": (
        "bench.yaml",
        ("power_meter", "modulation_analyser", "voltmeter", "supply", "switch", "radio"),
    ),
    "nothing networked": ("bench.yaml", (*ALL, "voltmeter", "supply")),
    "generator and SINAD by hand": ("manual-bench.yaml", ()),
}


def main() -> None:
    """Run each and print a line."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--show", action="store_true")
    shown = options.parse_args()
    print(
        f"{'bench':32}{'sequence':24}{'results':>8}{'prompts':>8}{'readings':>9}{'Enter':>6}{'done':>5}{'key-downs':>10}"
    )
    for name, (file, roles) in BENCHES.items():
        sequence = "manual-bench" if file.startswith("manual") else "fm-mobile-acceptance"
        text = by_hand((ROOT / "sim" / file).read_text(encoding="utf-8"), roles)
        with tempfile.TemporaryDirectory() as folder:
            ran, person = run_by_hand(Path(folder), sequence, text)
        counts = person.counts
        figures = [counts.get(kind, 0) for kind in ("prompts", "readings", "Enter", "done typed")]
        results = len([one for one in ran.outcome.results if one.unit])
        held = len(
            [text for text in person.asked if "old push-to-talk" in text or "HOLD push-to-talk" in text]
        )
        print(
            f"{name:32}{sequence:24}{results:8}{figures[0]:8}{figures[1]:9}{figures[2]:6}{figures[3]:5}{held:10}"
        )
        if shown.show:
            print(
                "\n".join(
                    f"    {text}{typed}" for text, typed in zip(person.asked, person.typed, strict=True)
                )
            )


if __name__ == "__main__":
    main()
