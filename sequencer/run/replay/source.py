"""A stored run as a replay needs it, whole: from the store, or from a file that holds one run."""

from __future__ import annotations

import json

from sequencer.bench.taped import Taped
from sequencer.frozen import dataclass
from sequencer.problems import InputError, about_file
from sequencer.results.model import (
    NOT_ENDED,
    BenchInstrument,
    Confirmation,
    Result,
    RunInput,
    RunRecord,
)
from sequencer.results.store.place import StorePlace
from sequencer.results.store.spill import KeptRun
from sequencer.results.store.store import Store
from sequencer.results.stored import StoredRun


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A stored run with all that it left, and the files it was made from. ``where`` is the store or the file that holds it."""

    where: str
    run: RunRecord
    results: tuple[tuple[int, Result], ...]
    entries: tuple[Taped, ...]
    inputs: tuple[RunInput, ...] = ()
    place: StorePlace | None = None
    instruments: tuple[BenchInstrument, ...] = ()

    @property
    def confirmations(self) -> tuple[Confirmation, ...]:
        """What was confirmed or not, in order."""
        return tuple(
            one
            for _, result in self.results
            if result.check == "confirm"
            for one in result.confirmations[-1:]
        )

    @property
    def was_stopped(self) -> bool:
        """Whether the run was interrupted, or ended without a word."""
        return self.run.was_interrupted or self.run.outcome == NOT_ENDED

    @property
    def only(self) -> tuple[str, ...]:
        """The checks that were chosen; none for the whole sequence."""
        return tuple(one for one in self.run.part.split(", ") if one)

    def asked(self, name: str) -> str:
        """Return what was asked for beside the files ("order", "share_key", "model"); empty where that was not kept."""
        try:
            found = json.loads(self.run.asked or "{}")
        except ValueError:
            return ""
        text = found.get(name, "") if isinstance(found, dict) else ""
        return text if isinstance(text, str) else ""


def source_in_store(run: StoredRun, store: Store, place: StorePlace | None = None) -> Source:
    """Return a run of the store. Raises InputError where nothing of it can be gone through."""
    results = store.read_results(run.run)
    if (cleared := store.read_cleared(run.run)) is not None:
        raise about_file(
            f"run {run.run}",
            f"cannot be replayed: its trace {cleared}",
            allowed="a run that 'sequencer trace' shows",
        )
    return _usable(
        Source(
            where=store.where,
            run=run,
            results=tuple((one.check_index, one) for one in results),
            entries=tuple(
                Taped(exchange=one, check_index=one.check_index) for one in store.read_exchanges(run.run)
            ),
            inputs=tuple(store.read_inputs(run.run)),
            place=place,
            instruments=run.instruments,
        )
    )


def source_of_kept(kept: KeptRun, where: str) -> Source:
    """Return a run that stands in a file by itself. Raises InputError where nothing of it can be gone through."""
    return _usable(
        Source(
            where=where,
            run=kept,
            results=tuple((check.check_index, one) for check in kept.checks for one in check.results),
            entries=tuple(
                Taped(exchange=one.as_exchange(), check_index=check.check_index)
                for check in kept.checks
                for one in check.exchanges
            ),
            inputs=tuple(one.as_input() for one in kept.inputs),
            instruments=kept.instruments,
        )
    )


def _usable(source: Source) -> Source:
    run = source.run
    if run.evaluated_from:
        raise _refused(
            source,
            "nothing was measured in this run: it is a re-evaluation",
            f"the run that it judges anew: {run.evaluated_from}",
        )
    if not source.entries:
        raise _refused(
            source, "the run has no trace: nothing was exchanged in it", "a run that 'sequencer trace' shows"
        )
    if run.outcome == NOT_ENDED and not source.results:
        raise _refused(
            source, "the run did not end, and no check of it did", "a run of which at least one check ended"
        )
    return source


def _refused(source: Source, message: str, allowed: str) -> InputError:
    return about_file(f"run {source.run.run}", f"cannot be replayed: {message}", allowed=allowed)
