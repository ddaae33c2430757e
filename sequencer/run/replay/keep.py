"""Keeps a run in a file of its own, and replays what is to stand there before it is said to be kept."""

from __future__ import annotations

from pathlib import Path

from sequencer.files.write import FileMark, whole_file
from sequencer.problems import FileProblems, InputError, about_file
from sequencer.run.interrupt import Interrupted
from sequencer.run.replay.masking import masked
from sequencer.run.replay.replay import Replayed, replay
from sequencer.run.replay.trace_file import content_of, kept_of_source, plain_of, source_in
from sequencer.run.status import ExitStatus


def keep(
    replayed: Replayed, file: Path, *, mask_serial: bool = False, over: FileMark | None = None
) -> tuple[str, ...]:
    """Write the run to ``file``, whole, once its replay from there comes to what ``replayed`` came to.

    ``mask_serial`` takes out the serials of unit and instruments, and the names of those who confirmed. Returns those of them that may
    stand in the file still, where they may be something else.

    Raises InputError where it cannot be written, or does not replay so; Interrupted where its replay is stopped. Nothing is written then.
    """
    kept = kept_of_source(replayed.source)
    plain = plain_of(kept)
    problem = ""
    # A name like "max" stands where a limit does, too: then each goes only where its place alone tells what it is.
    for by_place_alone in (False, True) if mask_serial else (False,):
        mask = masked(kept, plain, by_place_alone=by_place_alone) if mask_serial else None
        content = content_of(plain if mask is None else mask.plain, file)
        if not (problem := _departs(content, file, replayed)):
            with whole_file(file, over=over) as beside:
                beside.write_bytes(content)
            return () if mask is None else mask.left
    raise _refused(file, problem, mask_serial=mask_serial)


def _departs(content: bytes, file: Path, replayed: Replayed) -> str:
    """Return in words what a replay of the content comes to where it is not what ``replayed`` came to; empty where it is."""
    try:
        again = replay(source_in(content, file))
    except InputError as error:
        return str(error)
    if again.outcome.status is ExitStatus.INTERRUPTED and not replayed.source.was_stopped:
        raise Interrupted("SIGINT")
    return "" if _came_to(again) == _came_to(replayed) else again.described()


def _came_to(replayed: Replayed) -> tuple[object, ...]:
    at = replayed.departure
    return (
        None if at is None else (at.place, at.check_index, at.instrument),
        replayed.is_exact,
        [(one.index, one.result.check, one.result.quantity, one.fate) for one in replayed.results],
    )


def _refused(file: Path, problem: str, *, mask_serial: bool) -> FileProblems:
    how = (
        "without its serials and names the run does not replay as it does with them"
        if mask_serial
        else "from a file of its own the run does not replay as it does from where it is"
    )
    return about_file(
        file,
        f"nothing was written: {how}. {problem}",
        allowed="a file that replays as the run itself does",
        hint="write it without --mask-serial, and take out by hand what must not leave the house"
        if mask_serial
        else "",
    )
