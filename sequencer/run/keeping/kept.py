"""What stands where of a run's results, as it was read back from there: nothing is said to be kept that was not looked up."""

from __future__ import annotations

from pathlib import Path

from sequencer.frozen import dataclass
from sequencer.results.csv_table import lines_of
from sequencer.results.model import Result


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The results of a run, and how many of them, from the first on, its table and its store hold.

    ``beside`` is the file that holds the whole run for `import-kept`; None where there is none, or it does not hold all.
    """

    results: tuple[Result, ...]
    table: Path
    in_table: int
    store: str
    in_store: int
    beside: Path | None

    @property
    def whole(self) -> bool:
        """Whether table and store both hold every result."""
        return self.in_table == self.in_store == len(self.results)

    @property
    def nowhere(self) -> tuple[Result, ...]:
        """The results that stand neither in table nor store nor beside them."""
        return () if self.beside is not None else self.results[max(self.in_table, self.in_store) :]

    def nowhere_as_csv(self) -> str:
        """Return those as a table would hold them, under its header; nothing if there are none."""
        return lines_of(self.nowhere) if self.nowhere else ""

    def as_plain(self) -> dict[str, int | str]:
        """Return for JSON how many results there are, and how many stand where."""
        return {
            "results": len(self.results),
            "table": self.in_table,
            "store": self.in_store,
            "beside": "" if self.beside is None else str(self.beside),
            "nowhere": len(self.nowhere),
        }

    def said(self) -> str:
        """Return in words what stands where."""
        all_of_them = len(self.results)
        text = (
            f"Read back: of {all_of_them} results the table {self.table} holds {self.in_table}, "
            f"the store {self.store} {self.in_store}."
        )
        if self.beside is not None:
            text += (
                f" All of them, with readings and exchanged bytes, stand in {self.beside}, which "
                "'sequencer import-kept' puts into the store once it can be written."
            )
        if self.nowhere:
            text += (
                f" {len(self.nowhere)} are stored nowhere: they are printed with this message, as CSV, and are lost if you do not copy "
                "them from there. Their readings and exchanged bytes are lost."
            )
        return text
