"""What is sent to open pages as it happens: server-sent events (WHATWG HTML, 9.2), each the whole state of its topic.

An event's number begins with the epoch of this server, so that a page which comes back from before a restart is sent everything. Of a
page that takes nothing the oldest events are dropped: the newest says all. `Pages` is used in the server's event loop only.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable

from sequencer.frozen import dataclass

KEEP_ALIVE_S = 15.0
RETRY_MS = 1000
MOST_WAITING = 4
"""Events that wait for a page; of more, the oldest is dropped."""
MOST_PAGES = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """The state of a topic: the number of its event, and the part of the page that shows it."""

    number: str
    part: str

    def as_event(self) -> bytes:
        """Return it as it goes over the line."""
        lines = "".join(f"data: {line}\n" for line in self.part.splitlines())
        return f"id: {self.number}\nevent: state\n{lines}\n".encode()


class Pages:
    """The open pages, by the topic that each shows. ``ask`` is called with a topic that nobody has shown before."""

    def __init__(self, ask: Callable[[], None] = lambda: None) -> None:
        self._ask = ask
        self._epoch = secrets.token_hex(4)
        self._count = 0
        self._last: dict[str, Said] = {}
        self._open: dict[str, set[asyncio.Queue[Said | None]]] = {}
        self._is_over = False

    @property
    def topics(self) -> tuple[str, ...]:
        """What open pages show."""
        return tuple(self._open)

    @property
    def count(self) -> int:
        """How many pages are open."""
        return sum(map(len, self._open.values()))

    @property
    def is_full(self) -> bool:
        """Whether no more pages are served."""
        return self._is_over or self.count >= MOST_PAGES

    def tell(self, topic: str, part: str) -> None:
        """Send the state of a topic to those who show it, if it is another than before."""
        last = self._last.get(topic)
        if topic not in self._open or (last is not None and last.part == part):
            return
        self._count += 1
        said = self._last[topic] = Said(number=f"{self._epoch}-{self._count}", part=part)
        for waiting in self._open[topic]:
            if waiting.full():
                waiting.get_nowait()
            waiting.put_nowait(said)

    async def stream(
        self, topic: str, last_seen: str, *, keep_alive_s: float = KEEP_ALIVE_S
    ) -> AsyncIterator[bytes]:
        """Yield what a page is sent, from the state that it lacks on, until it goes or the server ends."""
        waiting: asyncio.Queue[Said | None] = asyncio.Queue(MOST_WAITING)
        self._open.setdefault(topic, set()).add(waiting)
        try:
            yield f"retry: {RETRY_MS}\n\n".encode()
            last = self._last.get(topic)
            if last is None:
                self._ask()
            elif last.number != last_seen:
                yield last.as_event()
            while not self._is_over:
                try:
                    said = await asyncio.wait_for(waiting.get(), keep_alive_s)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if said is None:
                    return
                yield said.as_event()
        finally:
            self._open[topic].discard(waiting)
            if not self._open[topic]:
                del self._open[topic]
                self._last.pop(topic, None)

    def close(self) -> None:
        """End every stream: a server that is asked to stop would wait for them."""
        self._is_over = True
        for queues in self._open.values():
            for waiting in queues:
                if waiting.full():
                    waiting.get_nowait()
                waiting.put_nowait(None)
