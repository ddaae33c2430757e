"""What every instrument on the bench can do, whatever its role; the roles stand in `drivers.roles`.

Every method may raise `drivers.faults.InstrumentFault`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from contextlib import AbstractContextManager, nullcontext

from drivers.faults import Refused
from drivers.values import Identity

__all__ = ["Instrument"]


class Instrument(ABC):
    """Anything on the bench that is set or read."""

    name: str
    address: str
    manual: bool = False
    """Whether a person sets or reads it at a prompt: few readings then, and none longer than a look."""

    def _cannot(self, what: str) -> Refused:
        """Return the refusal of something that this instrument, or its driver, does not offer."""
        return Refused(
            f"it cannot {what}",
            instrument=self.name,
            address=self.address,
            next_move="Use an instrument or a driver that can, or take the check that needs it out of the sequence.",
        )

    @abstractmethod
    def open(self) -> Identity:
        """Open the link, prove it and bring the instrument to a known state."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the instrument. Never raises for a link that is already gone."""

    @abstractmethod
    def disable(self) -> None:
        """Make safe: no output, PTT released, confirmed by read-back (IVI: Disable)."""

    def set_start_state(self) -> None:  # noqa: B027  # a driver from elsewhere need not have it
        """Set what a check may have changed back to where every check starts, each confirmed by read-back.

        Nothing to do for an instrument whose every setting is made anew by whoever uses it.
        """

    def confirm_settings(self) -> None:  # noqa: B027  # a driver from elsewhere need not have it
        """Ask again for what was set and read back. Raises SettingLost where it reads otherwise now.

        Nothing to ask of an instrument that cannot tell, or that a person set.
        """

    def unkeyed(self) -> AbstractContextManager[None]:
        """Say that what is read until it ends is read with PTT released: a person at a prompt is told so."""
        return nullcontext()

    def gather_steps(self, allowed: bool) -> None:  # noqa: B027  # only a person's steps can wait
        """Let steps that hurry nobody wait for the next reading; all that a person works on one bench share this.

        Not ``allowed``: those that wait are asked for now. Nothing to do for an instrument that no person works.
        """

    def forget_steps(self) -> None:  # noqa: B027  # only a person's steps can wait
        """Let no step wait any more, and forget those that do."""

    @abstractmethod
    def read_errors(self) -> list[str]:
        """Drain the instrument's error queue, at most 32 entries."""
