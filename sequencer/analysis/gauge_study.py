"""Where a gauge study is kept, by whatever it is named."""

from __future__ import annotations

from pathlib import Path

from sequencer.files.ordinary import is_ordinary
from sequencer.inputs.gauge_file import load_gauge
from sequencer.problems import did_you_mean, listed, option_problem
from sequencer.results.gauge_log import ENDING, gauge_path


def study_path(name: str, folder: Path, *, option: str) -> Path:
    """Return the file that a study is kept in, which is given itself, by the file that plans the study, or by the study's name.

    Raises InputError for a name that no study in ``folder`` has; ``option`` is what it was given with.
    """
    path = _path_of(name, folder)
    if is_ordinary(path) or name.endswith(ENDING):
        return path
    there = sorted(one.stem for one in folder.glob(f"*{ENDING}"))[:30] if folder.is_dir() else []
    raise option_problem(
        option,
        f"no gauge study '{name}' is kept in {folder}",
        found=name,
        allowed=listed(there) or "a study that was begun; there is none here",
        hint=did_you_mean(name, there),
    )


def _path_of(name: str, folder: Path) -> Path:
    if name.endswith(ENDING):
        return Path(name)
    if name.endswith((".yaml", ".yml")):
        return gauge_path(folder, load_gauge(Path(name)).file.gauge)
    return gauge_path(folder, name)
