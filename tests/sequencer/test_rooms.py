"""Each package says in its first lines what it holds and what it may import; import-linter holds it to that."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
PACKAGES = sorted(
    path.relative_to(TOP).as_posix()
    for root in ("sequencer", "drivers", "sim")
    for path in (TOP / root).rglob("__init__.py")
    if "migrations" not in path.parts and path.parent != TOP / "sequencer"
)


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_says_what_it_holds_and_imports(package: str) -> None:
    """A whole sentence first, then `imports …`."""
    said = ast.get_docstring(ast.parse((TOP / package).read_text(encoding="utf-8"))) or ""
    assert said.split("\n\n")[0].rstrip().endswith((".", ":")), said
    assert "import" in said.casefold(), said
