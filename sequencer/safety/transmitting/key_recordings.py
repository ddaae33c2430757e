"""Recordings that are under way while PTT is pressed or released: what the transmitter does in the moment itself.

The recording begins with PTT as it stands, and the order to press or release goes out in its middle. When exactly the radio got the order
is known to within its exchange, and when the recording began to within that of the analyser: both are handed over as they are. PTT is
pressed through the same key as everywhere; whatever fails, the side is left by its way out, which releases it and reads it back.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from drivers.faults import InstrumentFault, NotConfirmed, Refused, UnexpectedReply
from drivers.roles import ModulationAnalyser, Samples
from sequencer.frozen import dataclass
from sequencer.safety.transmitting.spectrum_readings import SpectrumReadings

ANSWERS = 6.0
"""How many answers of the analyser a recording waits for, at most: its settings, its end, its samples."""
QUIET_S = 0.1  # after a release before the next recording: what is left of the carrier before it is gone; common practice, no source
LONG_S, SHORT_S = 0.4, 0.1
"""Two recordings of different lengths: what an analyser takes beside recording is the same in both."""
RATE_SHARE, RATE_S, RATE_TRIES = 0.05, 0.005, 3
"""By what share, and how much beside it, their ends may differ from their lengths; how often it is tried: common practice, no source."""
ON_ITS_RATE = "that the samples lie as far apart as it reads back rests on the analyser's word: it records only while it is asked"
PRESSED, RELEASED = "baseband while PTT is pressed", "baseband while PTT is released"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRecording:
    """A recording during which PTT was pressed or released.

    ``ordered_s`` are the earliest and the latest moment at which the radio can have got the order, s from the first sample.
    """

    samples: Samples
    ordered_s: tuple[float, float]


class KeyRecordings(SpectrumReadings):
    """The unit as it is keyed and released, in samples of the modulation analyser about the channel's frequency, V peak."""

    __slots__ = ()

    def record_press(self, seconds: float, rate_hz: float, *, lead_s: float) -> KeyRecording:
        """Record ``seconds``, and press PTT ``lead_s`` after the recording began; it stays pressed.

        The rest that the duty owes passes before the recording begins.
        """
        analyser = self._analysing()
        self._refuse_if_left()
        step_max_s = seconds + ANSWERS * self._bounds_s.get("modulation_analyser", 2.0)
        self._prove_path(step_max_s)
        self._unkey()
        self._key.rest()
        self._clock.wait_s(QUIET_S)

        def press() -> None:
            self._key.allow(step_max_s)

        return self._recorded(PRESSED, analyser, seconds, rate_hz, lead_s, press)

    def record_release(
        self, seconds: float, rate_hz: float, *, lead_s: float, after_s: float
    ) -> KeyRecording:
        """Key the unit for ``after_s`` or longer, record ``seconds``, and release PTT ``lead_s`` after the recording began.

        What proves the readings taken keyed is read before: afterwards there is nothing to read.
        """
        analyser = self._analysing()
        self._refuse_if_left()
        step_max_s = after_s + seconds + ANSWERS * self._bounds_s.get("modulation_analyser", 2.0)
        self._allow("modulation_analyser", step_max_s)
        self._clock.wait_s(max(0.0, after_s - self._key.down_s))
        self._key.confirm_watched()
        self.confirm_carrier()
        self.confirm_supply()
        if not self._key.is_down:
            raise NotConfirmed(
                "PTT is not pressed any more, so that its release cannot be recorded",
                instrument=analyser.name,
                address=analyser.address,
                next_move="Raise 'max_key_time' if the unit allows it, or lower the instruments' 'timeout' in the bench file.",
            )
        with analyser.unkeyed():
            return self._recorded(RELEASED, analyser, seconds, rate_hz, lead_s, self._key.release)

    def confirm_rate(self, rate_hz: float) -> bool:
        """See by the clock that the samples lie as far apart as the analyser reads back: a longer recording is over so much later.

        PTT stays released. Returns False for an analyser that records only while it is asked: of that nothing tells. Raises UnexpectedReply
        where they do not: every time and frequency that is counted in samples would be false.
        """
        analyser = self._analysing()
        self._unkey()
        late_s = 0.0
        with analyser.unkeyed():
            for _ in range(RATE_TRIES):
                try:
                    long_s, short_s = (self._late_s(analyser, one, rate_hz) for one in (LONG_S, SHORT_S))
                except Refused:
                    return False
                late_s = long_s - short_s
                if abs(late_s) <= RATE_SHARE * (LONG_S - SHORT_S) + RATE_S:
                    return True
        raise UnexpectedReply(
            f"a recording that reads {(LONG_S - SHORT_S) * 1e3:g} ms longer than another was over "
            f"{(LONG_S - SHORT_S + late_s) * 1e3:.3g} ms later: its samples do not lie as far apart as it reads back, "
            "and every frequency and time counted in them would be false",
            instrument=analyser.name,
            address=analyser.address,
            next_move="Compare the profile's 'recording_interval' with the instrument's manual, and see what else uses the line to it.",
        )

    def _late_s(self, analyser: ModulationAnalyser, seconds: float, rate_hz: float) -> float:
        """Return how much later than its length a recording was over."""
        analyser.begin_baseband(seconds, rate_hz)
        begun_s = analyser.finish_baseband().begun_s
        return 0.0 if begun_s is None else begun_s[1] - begun_s[0]

    def _recorded(
        self,
        name: str,
        analyser: ModulationAnalyser,
        seconds: float,
        rate_hz: float,
        lead_s: float,
        order: Callable[[], None],
    ) -> KeyRecording:
        self._in_one_go = False
        self._reads_other = True
        spans: list[tuple[float, float] | None] = []

        def take() -> Samples:
            analyser.begin_baseband(seconds, rate_hz)
            try:
                self._clock.wait_s(lead_s)
                order()
                spans.append(self._key.ordered_s)
            except BaseException:
                if self._key.is_down:
                    self._key.release()
                with suppress(InstrumentFault):  # so that the next question is not asked in the middle of it
                    analyser.finish_baseband()
                raise
            samples = analyser.finish_baseband()
            if self._key.is_down:
                self._key.confirm_watched()
                self._unseen = self._unfed = True
            return samples

        samples = self._watch.record(name, analyser, take)
        begun_s, ordered_s = samples.begun_s, spans[-1]
        if begun_s is None or ordered_s is None:
            raise UnexpectedReply(
                "nothing tells when PTT was ordered: the order had to be given twice"
                if ordered_s is None
                else "its recording does not say when it began",
                instrument=analyser.name,
                address=analyser.address,
                next_move="See why the radio did not answer the first time, then run it again.",
            )
        return KeyRecording(
            samples=replace(samples, begun_s=None),
            ordered_s=(ordered_s[0] - begun_s[1], ordered_s[1] - begun_s[0]),
        )
