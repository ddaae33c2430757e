"""The model that a bench file is read by: `BenchFile`, with the models of the entries that it may hold."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import create_model

from sequencer.files.tree import Node
from sequencer.inputs.bench import BenchFile
from sequencer.inputs.bench_parts.instrument_roles import ENTRIES, Instrument
from sequencer.inputs.bench_parts.instruments import any_of, entry_model


@cache
def bench_model(entries: frozenset[type[Instrument]] | None = None) -> type[BenchFile]:
    """Return the model of a bench file whose entries are of these models; without them of any."""
    models = [one for models in ENTRIES.values() for one in models] if entries is None else entries
    instruments: Any = (Mapping[str, any_of(models)], BenchFile.model_fields["instruments"])  # type: ignore[misc]  # made at run time
    return create_model(
        BenchFile.__name__,
        __base__=BenchFile,
        __doc__=BenchFile.__doc__,
        __module__=__name__,
        instruments=instruments,
    )


def bench_model_of(file: Node) -> type[BenchFile]:
    """Return the model that reads a bench file's tree: with the models of its own entries, which is a third of the time."""
    instruments = file.entries.get("instruments", (file, file))[1]
    found = set()
    for name, (_, entry) in instruments.entries.items():
        said = {key: entry.entries[key][1].scalar for key in ("role", "driver") if key in entry.entries}
        found.add(entry_model({"role": name, **said}))
    return bench_model(frozenset(found))
