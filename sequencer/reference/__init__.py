"""The reference pages: what there is of checks, roles and profiles, as Markdown made from the models and docstrings themselves.

`pages/checks.md`, `pages/roles.md` and `pages/profiles.md` are written by `sequencer reference --into
sequencer/reference/pages`; a test fails where they differ.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from sequencer.problems import about_file
from sequencer.reference.checks_page import checks_page
from sequencer.reference.profiles_page import profiles_page
from sequencer.reference.roles_page import roles_page

PAGES: Mapping[str, Callable[[], str]] = {
    "checks": checks_page,
    "roles": roles_page,
    "profiles": profiles_page,
}
"""What each page is called, and what makes it."""


def write_pages(folder: Path) -> list[Path]:
    """Write every page into ``folder`` and return their paths. Raises FileProblems for a folder that cannot be written."""
    written = []
    for name, page in PAGES.items():
        path = folder / f"{name}.md"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path.write_text(page(), encoding="utf-8")
        except OSError as error:
            raise about_file(
                path,
                f"cannot be written: {error.strerror}",
                allowed="a folder that can be written",
            ) from error
        written.append(path)
    return written
