"""What the command line says of what is missing."""

from __future__ import annotations

from click.testing import CliRunner

from sequencer.cli.main import main


def _refused(*words: str) -> str:
    result = CliRunner().invoke(main, list(words))
    assert result.exit_code == 2
    return result.output


def test_everything_missing_is_named_at_once() -> None:
    """`run` without anything wants three things, and says so in one line."""
    said = _refused("run")
    assert "Missing SEQUENCE, --bench, --serial." in said


def test_a_mistyped_sequence_is_told_beside_a_missing_bench() -> None:
    """Who forgot --bench and mistyped the sequence is told both, with the nearest name that there is."""
    said = _refused("run", "fm-moble-acceptance.yaml", "--serial", "M40-0007")
    assert "Missing --bench." in said
    assert "fm-moble-acceptance.yaml" in said
    assert "did you mean 'fm-mobile-acceptance.yaml'?" in said


def test_a_sequence_that_is_there_is_not_complained_about() -> None:
    """A sound name adds nothing to the one complaint."""
    said = _refused("validate", "quick-check.yaml")
    assert said.rstrip().endswith("Missing --bench.")
