"""Serves a simulated bench as `sequencer simulate` does, with a generator that says what it is told and gives something else.

python -m tests.support.serve_disobedient interferer 'goes 12 MHz off' --bench two-signal-bench …
"""

from __future__ import annotations

import sys
from typing import Any

from sequencer.bench import simulation
from sequencer.cli.main import main
from sim.bench import SimulatedBench
from tests.support.disobedient import disobey


def serve(name: str, kind: str, words: list[str]) -> None:
    """Serve the bench that ``words`` name, until interrupted; its instrument ``name`` disobeys."""
    made = simulation.simulate

    def simulate(bench: Any, *arguments: Any, **options: Any) -> SimulatedBench:
        simulated = made(bench, *arguments, **options)
        disobey(simulated.devices[bench.instruments[name].address], kind)
        return simulated

    simulation.simulate = simulate
    main(["simulate", *words])


if __name__ == "__main__":
    serve(sys.argv[1], sys.argv[2], sys.argv[3:])
