"""A step that is a question to a person, and what its answer means for the steps that follow."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sequencer.checks.check import SquelchPosition
from sequencer.checks.unit.confirm import ConfirmSettings, squelch_wanted
from sequencer.planning.step import Step
from sequencer.results.model import Confirmation
from sequencer.run.interrupt import Stopper
from sequencer.run.people.confirm import Confirmer


def confirmed_by_person(step: Step, confirmer: Confirmer, stopper: Stopper) -> Confirmation:
    """Ask what the step asks, and once more after a no: a knob that stands wrong is no fault of the unit, it can be set."""
    assert isinstance(step.settings, ConfirmSettings)
    text = step.settings.text
    yes = confirmer.confirm(text)
    stopper.check()
    if not yes:
        yes = confirmer.confirm(f"Please set it now: {text}")
    # A prompt library may take Ctrl-C for an answer.
    stopper.check()
    return Confirmation(
        text=text,
        confirmed=yes,
        how=confirmer.how,
        when=datetime.now().astimezone(),
        who=getattr(confirmer, "who", ""),
        knob=step.settings.knob or "",
    )


def squelch_after(step: Step, steps: Sequence[Step]) -> SquelchPosition:
    """Return where the squelch stands once a person has confirmed the step; ``steps`` are those of the whole plan."""
    assert isinstance(step.settings, ConfirmSettings)
    return squelch_wanted(
        step.settings, ((later.check, later.settings) for later in steps if later.index > step.index)
    )
