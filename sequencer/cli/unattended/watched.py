"""Says in the store what a series does between its runs, for a page that somebody watches."""

from __future__ import annotations

from sequencer.run.keeping.bench_now import BenchTeller
from sequencer.run.series.events import RunCame, Waits


class WatchedSeries:
    """Hears a series, and tells what its runs do not."""

    def __init__(self, teller: BenchTeller) -> None:
        self._teller = teller

    def __call__(self, event: object) -> None:
        """Take one event of the series."""
        match event:
            case Waits():
                begins = event.begins.isoformat(sep=" ", timespec="minutes")
                self._teller.tell(phase="waiting", notes=(f"{event.turn} begins at {begins}",))
            case RunCame():
                self._teller.tell(phase="waiting")
            case _:
                pass
