"""What is noted with a result that was measured again after a fault."""

from __future__ import annotations

from drivers.faults import InstrumentFault, SettingLost
from sequencer.safety.proofs.standstill import StoodStill


def again_after(fault: InstrumentFault) -> str:
    """Return why it was measured again."""
    if isinstance(fault, StoodStill):
        return f"measured again, because {fault.what}"
    failed = "lost a setting" if isinstance(fault, SettingLost) else "failed once"
    return f"measured again, because {fault.instrument} {failed}: {fault.what}"
