"""Measures the runs whose traces are kept in ``tests/data/traces`` on the simulated bench, and writes them anew: ``make traces``.

Only where a change is meant to ask something else: see "Kept traces" in DEVELOPERS.md.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from click.testing import CliRunner

from sequencer.cli.main import main

TRACES = Path(__file__).parents[1] / "data" / "traces"
KEPT = {
    "fm-mobile-acceptance": ("fm-mobile-acceptance", "M40-0007"),
    "fm-mobile-over-deviated-quickest": ("fm-mobile-acceptance", "M40-0013", "--order", "quickest"),
    "multimode-27mhz": ("multimode-27mhz", "MX40-0101"),
}
"""File, sequence, serial of the specimen, options."""


def keep(name: str) -> None:
    """Measure one run and write its trace over the old one."""
    sequence, serial, *options = KEPT[name]
    file = TRACES / f"{name}.json.gz"
    with tempfile.TemporaryDirectory() as folder:
        at = ("--folder", folder)
        new = Path(folder) / file.name
        for words in (
            ("run", sequence, "--bench", "bench", "--serial", serial, "--confirmed", *options, *at),
            ("replay", "last", "--as-test", str(new), "--mask-serial", *at),
        ):
            done = CliRunner().invoke(main, list(words), catch_exceptions=False)
            if not new.exists() and words[0] == "replay":
                raise SystemExit(done.output)
        file.write_bytes(new.read_bytes())
    print(done.output.splitlines()[1], file.name)


if __name__ == "__main__":
    for kept in KEPT:
        keep(kept)
