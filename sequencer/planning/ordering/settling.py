"""What a stated `settle` costs a step."""

from __future__ import annotations

from sequencer.checks.check import AnyCheck
from sequencer.checks.finding import Conditions
from sequencer.checks.settings import CheckSettings
from sequencer.inputs.bench import BenchFile

GENERATOR = "signal_generator"
SWITCH_S = 0.02
"""The settling time of the simulated bench's switch, which every forecast holds already."""
WAITED_ANYHOW_S = 0.15
"""About how long a receiver is waited for after a change in any case: an instrument that settles sooner costs nothing."""


def settling_s(check: AnyCheck, settings: CheckSettings, conditions: Conditions) -> tuple[float, float]:
    """Return how much longer the check takes for what the bench file states as `settle`, s, and how much of it with PTT pressed."""
    bench, side = conditions.bench, check.side_of(settings)
    is_receive, waits = side == "receive", dict(check.waits_of(settings, conditions))
    released_s = 0.0
    if side == "transmit":  # the audio analyser is a source there, and the power meter sees the carrier go
        waits = {"power_meter": 1.0, **waits, "audio_analyser": 0.0}
        released_s = max(_settle_s(bench, role) for role, times in waits.items() if times > 0.0)
    anyhow_s = max(WAITED_ANYHOW_S, _settle_s(bench, GENERATOR)) if is_receive else 0.0
    extra_s = waits.get(GENERATOR, 0.0) * _settle_s(bench, GENERATOR)
    # what is waited for one reader has passed for the next
    for role, times in sorted(waits.items(), key=lambda one: _settle_s(bench, one[0])):
        if role != GENERATOR:
            extra_s += times * max(0.0, _settle_s(bench, role) - anyhow_s)
            anyhow_s = max(anyhow_s, _settle_s(bench, role))
    keyed_s = max(0.0, extra_s - released_s) if side == "transmit" else 0.0
    return extra_s + max(0.0, _settle_s(bench, "switch") - SWITCH_S), keyed_s


def _settle_s(bench: BenchFile, role: str) -> float:
    named = bench.with_role(role)
    return 0.0 if named is None else named[1].settling_s
