"""Drawings against time: what they say, and the mask that they draw, from results as they are kept."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from sequencer.cli.main import main


def test_a_report_draws_frequency_under_its_mask_and_power(tmp_path: Path, monkeypatch) -> None:
    """The chirping specimen's report: both masks in words with their windows, and the limit of the time to power."""
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    ran = runner.invoke(
        main, ["run", "keying-vhf-fm", "--bench", "spectrum-bench", "--serial", "V5-0353", "--confirmed"]
    )
    assert ran.exit_code == 1, ran.output
    assert runner.invoke(main, ["report", "last", "page.html"]).exit_code == 0
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "±12.5 kHz from 0 ms to 5 ms, ±6.25 kHz from 5 ms to 25 ms" in page
    assert "±12.5 kHz from -5 ms to 0 ms" in page or "±12.5 kHz from −5 ms to 0 ms" in page
    assert "red line: the limit, 25 ms" in page
    assert "the power from pressing PTT to releasing it, as the power meter reads it" in page
    assert "stored before there were such facts" not in page
