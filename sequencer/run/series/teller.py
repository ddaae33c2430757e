"""Sends messages over the channels there are, with bounds: a few attempts, growing pauses, and one only once a channel is down."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from sequencer.run.interrupt import Stopper
from sequencer.run.series.notify import TIMEOUT_S, Channel, Message

PAUSES_S = (2.0, 10.0)
"""Before the second attempt and the third, s."""
HURRIED_S = 10.0
"""What an attempt may take once the series is being stopped, s: whoever stopped it waits."""


class Teller:
    """Tells over every channel, within bounds; ``complain`` hears of messages that were not taken. Never raises for a channel."""

    def __init__(
        self,
        channels: Sequence[Channel],
        stopper: Stopper,
        complain: Callable[[str], None],
        *,
        timeout_s: float = TIMEOUT_S,
        pauses_s: Sequence[float] | None = None,
    ) -> None:
        self._channels = list(channels)
        self._stopper = stopper
        self._complain = complain
        self._timeout_s = timeout_s
        self._pauses_s = PAUSES_S if pauses_s is None else tuple(pauses_s)
        self._undelivered: dict[int, int] = {}

    def tell(self, message: Message) -> None:
        """Send a message over each channel; one that took none of the last message is tried once."""
        for number, channel in enumerate(self._channels):
            before = self._undelivered.get(number, 0)
            problem = self._sent(channel, _with_before(message, before), () if before else self._pauses_s)
            self._undelivered[number] = before + 1 if problem else 0
            if problem:
                self._complain(
                    f"nobody was told by {channel.name}: {problem}. The message was: {message.title}"
                )

    def _sent(self, channel: Channel, message: Message, pauses_s: Sequence[float]) -> str:
        problem = ""
        for pause_s in (0.0, *pauses_s):
            if pause_s and self._stopper.requests:
                break
            self._wait(pause_s)
            hurried = bool(self._stopper.requests)
            problem = channel.send(message, min(self._timeout_s, HURRIED_S) if hurried else self._timeout_s)
            if not problem:
                return ""
        return problem

    def _wait(self, seconds: float) -> None:
        ends_s = time.monotonic() + seconds
        while (left_s := ends_s - time.monotonic()) > 0.0 and not self._stopper.requests:
            time.sleep(min(left_s, 0.2))


def _with_before(message: Message, undelivered: int) -> Message:
    if not undelivered:
        return message
    said = f"{message.text}\n\nMessages before this one that could not be delivered: {undelivered}."
    return Message(title=message.title, text=said, facts=message.facts)
