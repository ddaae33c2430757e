"""The proof that a generator that reads off is off: the loudspeaker's tone, counted a moment before, has gone."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed
from drivers.roles import Reading, SignalGenerator
from sequencer.safety.watch import Taken

TONE = "tone"
SAME_SHARE = 0.01
"""What is counted within this of the tone twice is the tone: hiss has no frequency that stays. Common practice, no source."""
READINGS = 2  # an instrument may still answer for the moment before
OFF_S, READING_S = 0.3, 0.1


def confirm_tone_gone(
    generator: SignalGenerator,
    read_hz: Callable[[float], Reading],
    taken: Mapping[str, Taken],
    clock: Clock,
    *,
    tone_hz: float | None,
) -> bool | None:
    """Switch the generator off and say whether the tone has gone; None where it was not heard before, or nothing answers.

    ``taken`` holds the tone as it was last counted, ``tone_hz`` is what it should be. Raises NotConfirmed where it is heard as before.
    """
    last = taken.get(TONE)
    if last is None or tone_hz is None or not _is_near(last.number, tone_hz):
        return None
    generator.configure_output_enabled(False)
    clock.wait_s(OFF_S)
    heard_hz = 0.0
    for _ in range(READINGS):
        try:
            reading = read_hz(READING_S)
        except InstrumentFault:
            return None
        if reading.number is None or not _is_near(reading.number, tone_hz):
            return True
        heard_hz = reading.number
    raise NotConfirmed(
        f"its output reads off, and the unit still hears its tone of {heard_hz:.0f} Hz",
        instrument=generator.name,
        address=generator.address,
        next_move="Take the cable off the generator; nothing is keyed before it is silent.",
    )


def _is_near(found_hz: float, tone_hz: float) -> bool:
    return abs(found_hz - tone_hz) <= SAME_SHARE * tone_hz
