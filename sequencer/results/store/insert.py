"""All that one check left, as rows of the store."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from drivers.trace import Exchange
from sequencer.results.line import CheckSeconds
from sequencer.results.model import Result
from sequencer.results.store import rows as store_rows
from sequencer.results.store.transaction import Writing, write_seconds


class CheckRows:
    """All that one check left, as rows that are made before the transaction begins, so that it holds the store shortly."""

    def __init__(
        self,
        run: str,
        check_index: int,
        found: Sequence[Result],
        said: Iterable[Exchange],
        seconds: CheckSeconds | None = None,
    ) -> None:
        self._found = found
        self._rows = [store_rows.result_row(result, check_index) for result in found]
        self._lines = [store_rows.exchange_row(run, check_index, exchange) for exchange in said]
        self._seconds = None if seconds is None else store_rows.seconds_row(run, check_index, seconds)

    def insert(self, transaction: Writing) -> None:
        """Insert the rows, in order."""
        for result, row in zip(self._found, self._rows, strict=True):
            result_id = transaction.one("result", row)
            transaction.many("reading", store_rows.reading_rows(result_id, result))
        transaction.many("exchange", self._lines)
        if self._seconds is not None:
            write_seconds(transaction, self._seconds)
