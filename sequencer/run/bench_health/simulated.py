"""What a run may not be once the instruments have said that they are simulated and its bench file had not."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.problems import printable
from sequencer.run.facts import RunFacts


def refused_as_simulated(facts: RunFacts, said: Sequence[str]) -> tuple[str, str] | None:
    """Return why a run that began as one on a real bench ends here, and how its outcome is called; None where it goes on, marked.

    ``said`` are the instruments that say so. A repeat takes the place of real results, and a batch was asked for as one of a real bench.
    """
    who = f"{', '.join(said)} of this bench say that they are simulated"
    if facts.again is not None:
        why = (
            f"{who}, and run {facts.again.run} was on a real one: a simulated result cannot take its place. "
            "Write 'simulated: true' into the bench file to repeat simulated runs."
        )
        return why, "stopped: a simulated bench cannot repeat a run on a real one"
    if facts.line.batch:
        why = (
            f"{who}, and its bench file does not, so that batch '{printable(facts.line.batch)}' took it for a real one: the two are never "
            "counted together. Write 'simulated: true' into the bench file; where the batch has real units already, name another."
        )
        return why, "stopped: a simulated bench cannot test units for a real one's batch"
    return None
