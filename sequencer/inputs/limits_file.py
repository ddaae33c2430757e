"""Files of limits: the rows of one published document, each with where it stands there and on what it rests.

    - check: adjacent_channel_power
      drive: 10 mV
      limits_from: {file: en-300-433, row: adjacent channel power}

A row is of one check; what it sets holds where the sequence says nothing itself. What is from memory says so, and so do the results
that are held against it.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from sequencer.files.fields import FileModel
from sequencer.inputs.greatest_uncertainty import GreatestUncertainty

Line = Annotated[str, Field(min_length=1, max_length=300)]


class LimitRow(FileModel):
    """One row of a document: a check, and what the document sets of it."""

    check: Line
    """Which check it is of."""
    clause: Line
    """Where it stands in the document; `clause not seen` where nobody had it at hand."""
    basis: Literal["seen", "from memory", "derived"]
    """Whether the figure was seen in a public text, is from memory, or was worked out from one that was seen."""
    source: Line
    """Where it was seen, or what is doubtful about it."""
    settings: Mapping[str, Any] = Field(alias="set", min_length=1)
    """What it sets of the check: its limits, and how the document has it measured."""

    greatest_uncertainty: GreatestUncertainty | None = None
    """How uncertain a result may be that is held against it, where the document says so."""

    @property
    def said(self) -> str:
        """Clause and basis, as a result says it."""
        return f"{self.clause}, figure {self.basis}"


class LimitsFile(FileModel):
    """The limits of one published document."""

    limits: Line
    """What they are of."""
    document: Line
    """The document, as it is called."""
    edition: Line
    """Its edition."""
    looked_at: Line
    """When that was looked up."""
    note: Line
    """What a reader must know of all of it."""
    rows: Mapping[Line, LimitRow] = Field(min_length=1)
    """The rows, by name."""

    def said(self, row: str) -> str:
        """Return document, edition, clause and basis of a row, as a result says it."""
        return f"limit of {self.document}, {self.edition}: {self.rows[row].said}"
