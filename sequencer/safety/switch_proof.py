"""Whether a switch that says that it stands on `transmit` has left the generator: the unit, released, tells by what it hears.

Asked once a short key-down has shown the power meter nothing. It cannot be asked beforehand for little: what a unit does not hear proves
nothing of the switch, unless the same signal was heard on the receive path just before.
"""

from __future__ import annotations

from contextlib import suppress

from drivers.clock import Clock
from drivers.faults import InstrumentFault
from sequencer.safety.receive import RESPONSE_S, ReceiveSide
from sequencer.safety.receiving.receive_signal import PROOF_DEPTH_PERCENT, PROOF_DEVIATION_HZ, PROOF_TONE_HZ

FAINT_DBM = -90.0
"""What a working receiver hears well, and what is lost in its noise behind a switch that isolates 50 dB: workshop's own."""
HEARD_DB, READING_S = 10.0, 0.25
"""SINAD with the signal above SINAD without it, at the least. Common practice, no source."""


def hears_generator(side: ReceiveSide, clock: Clock, mode: str) -> bool:
    """Say whether the unit hears a faint signal of the generator, and hears it go; the generator is off afterwards. FM and AM only."""
    if mode not in ("FM", "AM"):
        return False
    found: list[float] = []
    with suppress(InstrumentFault):  # what does not answer tells nothing
        side.configure_audio(tone_hz=PROOF_TONE_HZ)
        if mode == "FM":
            side.apply_fm(FAINT_DBM, deviation_hz=PROOF_DEVIATION_HZ, tone_hz=PROOF_TONE_HZ)
        else:
            side.apply_am(FAINT_DBM, depth_percent=PROOF_DEPTH_PERCENT, tone_hz=PROOF_TONE_HZ)
        found.append(_sinad_db(side, clock))
        side.remove_signal()
        found.append(_sinad_db(side, clock))
    return len(found) == 2 and found[0] - found[1] >= HEARD_DB


def _sinad_db(side: ReceiveSide, clock: Clock) -> float:
    clock.wait_s(RESPONSE_S)
    return side.read_sinad_db(READING_S).number or 0.0
