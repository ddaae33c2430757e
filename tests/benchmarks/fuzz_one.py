"""One target under atheris, in a process of its own; called by `fuzz.py`: `fuzz_one NAME SCRATCH CORPUS LIBFUZZER-OPTION ...`."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["sequencer", "drivers"]):
    from tests.support.fuzz_targets import targets

    NAME, SCRATCH = sys.argv[1], Path(sys.argv[2])
    TARGET = targets()[NAME]
    for sample in TARGET.samples():  # imports what is imported late, so that its branches count too
        with suppress(*TARGET.allowed):
            TARGET.take(sample, SCRATCH)


def main() -> None:
    """Run the target on what libFuzzer makes."""

    def take(content: bytes) -> None:
        with suppress(*TARGET.allowed):
            TARGET.take(content, SCRATCH)

    atheris.Setup([sys.argv[0], *sys.argv[3:]], take)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
