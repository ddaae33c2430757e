"""The reference: pages on checks, roles and profiles made from the code itself, and pages that a person wrote.

All are Markdown in the folder `pages`, which travels with the package. Three of them are made from the models and docstrings
(`sequencer reference --into sequencer/reference/pages --force` writes them anew; a test fails where they differ).

Imports planning, checks, inputs and files, whose models it describes; no run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from sequencer.files.write import write_all
from sequencer.problems import about_file, did_you_mean, listed

MARK = "a page of the radio-bench-sequencer reference"
"""Stands in every page and picture, where a reader does not see it: only what carries it may be written over."""

WRITTEN = (
    "first-bench",
    "bench-health",
    "sequences",
    "model-files",
    "setting-a-radio-up",
    "repeat-compare-history",
    "replay",
    "unattended",
    "line",
    "jobs",
    "many-benches",
    "batches",
    "watch",
    "gauge-and-risk",
    "stopping",
    "interrupted",
    "readings-and-recordings",
    "export",
    "search",
    "troubleshooting",
    "editor",
    "library",
    "write-a-check",
    "write-a-driver",
)
"""The pages a person wrote, in the order in which they are listed."""


def _checks() -> str:
    from sequencer.reference.checks_page import checks_page

    return checks_page()


def _roles() -> str:
    from sequencer.reference.roles_page import roles_page

    return roles_page()


def _profiles() -> str:
    from sequencer.reference.profiles_page import profiles_page

    return profiles_page()


GENERATED: Mapping[str, Callable[[], str]] = {"checks": _checks, "roles": _roles, "profiles": _profiles}
"""What each page made from the code is called, and what makes it; each imports what it needs when it is asked for."""

NAMES = (*WRITTEN, *GENERATED)
"""Every page, in the order in which they are listed."""


def page_text(name: str) -> str:
    """Return a page. One made from the code holds what is installed now. Raises FileProblems for an unknown name."""
    if name in GENERATED:
        return f"{GENERATED[name]()}\n<!-- {MARK} -->\n"
    if name not in WRITTEN:
        raise about_file(
            name, "no such reference page", found=name, allowed=listed(NAMES), hint=did_you_mean(name, NAMES)
        )
    return _folder().joinpath(f"{name}.md").read_text(encoding="utf-8")


def page_titles() -> dict[str, str]:
    """Return what each page is headed, by its name."""
    return {
        name: _folder().joinpath(f"{name}.md").read_text(encoding="utf-8").partition("\n")[0].lstrip("# ")
        for name in NAMES
    }


def write_pages(folder: Path, *, force: bool = False) -> list[Path]:
    """Write every page and picture into ``folder`` and return their paths; what it holds already is left as it is.

    Raises FileProblems, and writes nothing, where something else stands under such a name (``force`` writes over other pages of this
    reference), and for a folder that cannot be written.
    """
    contents = {folder / name: content for name, content in _everything()}
    return write_all(contents, kind="a page of this reference", force=force, is_own=is_page)


def is_page(path: Path) -> bool:
    """Say whether ``path`` holds a page or picture of this reference, by the mark that each carries; or nothing at all."""
    with suppress(OSError):
        content = path.read_bytes() if path.is_file() else b"?"
        return not content or MARK.encode() in content
    return False


def _everything() -> Iterator[tuple[str, bytes]]:
    for name in NAMES:
        yield f"{name}.md", page_text(name).encode()
    for entry in sorted(_folder().iterdir(), key=lambda one: one.name):
        if entry.name.endswith((".svg", ".png")):
            yield entry.name, entry.read_bytes()


def _folder() -> Traversable:
    return files("sequencer.reference").joinpath("pages")
