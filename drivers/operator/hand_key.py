"""The key of a unit that a person presses: what is known of it, and reading a dial in the same breath.

No program can release a key that a person holds. What it can do, and does: say in the prompt how long, count from the prompt to the
answer, and ask where that took longer than the bench allows. Where what is read next is read by a person too (``in_one_go``: somebody reads
something on the transmit side), key, look and release are one prompt, and nothing is ever keyed while a person reads a text. For an
instrument that reads by itself PTT is asked for before the reading and its release after it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from drivers.faults import NotConfirmed
from drivers.operator.prompt import Prompter
from drivers.roles import Radio, Reading

T = TypeVar("T")


class HandKey:
    """``held`` is True or False as the person said last, None where nobody has said, or a question was left unanswered."""

    def __init__(self, *, max_key_time_s: float, in_one_go: bool) -> None:
        self.max_key_time_s = max_key_time_s
        self.in_one_go = in_one_go
        self.held: bool | None = None
        self.twin: Radio | None = None
        self.pressed_at_s = 0.0
        self._idle_from_s: float | None = None
        self._keep_s = 0.0
        self._releases = False

    @property
    def is_armed(self) -> bool:
        """Say whether the next reading is to be taken keyed."""
        return self._idle_from_s is not None

    @property
    def releases_with_reading(self) -> bool:
        """Say whether the person holds PTT for the next reading and lets go with it."""
        return self._releases and self.held is True

    def release_with_reading(self) -> None:
        """Have the person who holds PTT by now let go of it with the next reading: the rest is as with `arm`."""
        self._releases = self.in_one_go

    def arm(self, now_s: float) -> None:
        """Have the unit keyed with the next reading."""
        self._idle_from_s, self._keep_s, self._releases = now_s, 0.0, False

    def keep(self, seconds: float) -> None:
        """Have the unit kept keyed for so long before the next reading is taken: the person does the waiting."""
        self._keep_s = seconds

    def disarm(self) -> None:
        """Have the next reading taken unkeyed."""
        self._idle_from_s, self._releases = None, False

    def read(self, prompter: Prompter, what: str, ask: Callable[[str, float], Reading]) -> Reading:
        """Have PTT pressed, a dial read, PTT released, and the reading typed, in one prompt.

        Where it is held already (`releases_with_reading`) the person reads, releases and types. NotConfirmed where the person says
        that PTT was pressed for longer than the bench allows.
        """
        if self.releases_with_reading:
            reading = ask(f"Read {what}, RELEASE push-to-talk (PTT), then type what you read", 0.0)
            self._releases = False
            if self.twin is not None:
                self.twin.unkey()
            self._released(prompter, self.pressed_at_s)
            return reading
        began_s = prompter.clock.now_s()
        # A check that let time pass "keyed" before this reading means the unit to be warm: the person must do that.
        idle_s = began_s - self._idle_from_s if self._idle_from_s is not None else 0.0
        keep_s, self._keep_s = max(idle_s, self._keep_s), 0.0
        keep = f"keep it held for {keep_s:.0f} s (Enter counts them down), " if keep_s >= 1.0 else ""
        self.held = None  # until it is answered
        reading = ask(
            f"Hold push-to-talk (PTT), {keep}read {what}, RELEASE it ({self.max_key_time_s:g} s at most), then type what you read",
            keep_s,
        )
        self._released(prompter, began_s)
        return reading

    def _released(self, prompter: Prompter, began_s: float) -> None:
        self.held = False
        self._idle_from_s = prompter.clock.now_s()
        took_s = self._idle_from_s - began_s
        if took_s > self.max_key_time_s:
            prompter.note(f"{took_s:.0f} s from prompt to answer; max_key_time is {self.max_key_time_s:g} s")
            if prompter.answered(
                f"That took {took_s:.0f} s. Was PTT held for more than {self.max_key_time_s:g} s?"
            ):
                raise NotConfirmed(
                    f"PTT was held for more than max_key_time {self.max_key_time_s:g} s; the reading is not used",
                    instrument=prompter.name,
                    address=prompter.address,
                    next_move="Let the unit cool, then run the check again.",
                )

    def while_keyed(self, look: Callable[[], T], wait_s: Callable[[float], None]) -> T:
        """Look at a simulated dial as the person will see it: keyed, where the person will key, and for as long."""
        if not self.is_armed or self.twin is None:
            return look()
        self.twin.key()
        try:
            wait_s(self._keep_s)
            return look()
        finally:
            self.twin.unkey()
