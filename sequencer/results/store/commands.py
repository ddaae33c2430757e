"""Commands in a sentence, whole: with the folder and the store that they need where those are not what a command takes by itself."""

from __future__ import annotations

import shlex
from contextlib import suppress
from pathlib import Path

from sequencer.results.journal_lines import ENDING, LONGEST_HEAD
from sequencer.results.store.place import STORE_NAME, StorePlace

_OWN_FOLDER = Path("results")
"""Where a command looks that is told of no folder."""


def options_of(place: StorePlace) -> str:
    """Return the options that lead to a store, each after a blank; empty for that of the folder where a command looks by itself."""
    if place.path is None:
        return f" --store {_word(str(place))}"
    if place.path.name == STORE_NAME:
        return _folder_option(place.path.parent)
    return f" --store {_word(str(place.path))}"


def resume_command(run: str, folder: Path, place: StorePlace) -> str:
    """Return in quotes what carries on a run whose journal lies in ``folder``.

    A store that is a file is found by the journal; the address of a server is not in it.
    """
    server = options_of(place) if place.path is None else ""
    return f"'sequencer resume {run}{_folder_option(folder)}{server}'"


def resume_where_found(run: str, folder: Path, place: StorePlace) -> str:
    """Return the same of a run whose journal may lie elsewhere: by ``folder`` where it does lie there, else by one that is to be named."""
    if _has_journal(folder, run):
        return resume_command(run, folder, place)
    return f"{resume_command(run, _OWN_FOLDER, place)} with --folder, the folder where its journal lies,"


def _folder_option(folder: Path) -> str:
    return "" if folder == _OWN_FOLDER else f" --folder {_word(str(folder))}"


def _word(text: str) -> str:
    return shlex.quote(text)


def _has_journal(folder: Path, run: str) -> bool:
    """Say whether a journal in the folder is that of the run."""
    with suppress(OSError):
        return any(
            f'"{run}"'.encode() in _head(one)
            for one in folder.iterdir()
            if one.name.endswith(ENDING) and one.is_file()
        )
    return False


def _head(journal: Path) -> bytes:
    try:
        with journal.open("rb") as file:
            return file.readline(LONGEST_HEAD)
    except OSError:
        return b""
