"""The one reader of the store for all open pages: a thread that asks whether somebody has written, and shows it to whoever watches."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress

from sequencer.results.store.changes import StoreChanges
from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.store import Store

POLL_S = 0.25
EVERY_S = 5.0
"""How often a state is worked out anew although nobody wrote: that a bench fell silent nobody writes."""

Part = Callable[[Store], str]
"""Works out the part of a page that lives."""


class Opened:
    """The store, opened when it is needed and anew where it was away. `store` raises StoreProblem."""

    def __init__(self, place: StorePlace) -> None:
        self.place = place
        self._store: Store | None = None
        self._lock = threading.Lock()

    def store(self) -> Store:
        """Return the store, which cannot be written to through it."""
        with self._lock:
            if self._store is not None:
                try:
                    self._store.look_whether_there()
                except StoreProblem:
                    self._store.close()
                    self._store = None
            if self._store is None:
                self._store = Store.open_to_watch(self.place)
            return self._store

    def close(self) -> None:
        """Close the store, where it is open."""
        with self._lock:
            if self._store is not None:
                self._store.close()
                self._store = None


class Reader:
    """Works out the parts that open pages show, whenever the store was written to. ``tell`` takes a topic and its part, in this thread.

    ``topics`` returns what is shown now, ``part_of`` who works a topic out, ``worded`` says in words why the store cannot be read.
    """

    def __init__(
        self,
        opened: Opened,
        *,
        topics: Callable[[], Iterable[str]],
        part_of: Callable[[str], Part],
        worded: Callable[[StoreProblem], str],
        tell: Callable[[str, str], None],
    ) -> None:
        self._opened = opened
        self._topics = topics
        self._part_of = part_of
        self._worded = worded
        self._tell = tell
        self._asked = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._read_on, name="watch reader", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def ask(self) -> None:
        """Have every topic worked out now: somebody shows one for the first time."""
        self._asked.set()

    def close(self) -> None:
        """End the thread; wait 2 s for it at most."""
        self._over.set()
        self._asked.set()
        self._thread.join(2.0)

    def _read_on(self) -> None:
        changes: StoreChanges | None = None
        waited_s = EVERY_S
        while not self._over.is_set():
            topics = tuple(self._topics())
            asked = self._asked.is_set()
            self._asked.clear()
            try:
                changes = changes or (StoreChanges(self._opened.place) if topics else None)
                due = asked or waited_s >= EVERY_S
                if changes is not None and topics and (changes.seen() or due):
                    waited_s = 0.0
                    self._show({topic: self._part_of(topic) for topic in topics})
            except StoreProblem as problem:
                if changes is not None:
                    changes.close()
                    changes = None
                for topic in topics:
                    self._tell_safely(topic, self._worded(problem))
            self._asked.wait(POLL_S)
            waited_s += POLL_S
        if changes is not None:
            changes.close()

    def _show(self, parts: Mapping[str, Part]) -> None:
        store = self._opened.store()
        for topic, part in parts.items():
            self._tell_safely(topic, part(store))

    def _tell_safely(self, topic: str, part: str) -> None:
        with suppress(RuntimeError):  # the server's loop has ended
            self._tell(topic, part)
