"""Targets of sensitivity as people write them, and in which modes they mean something."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.checks.receive.sensitivity import SensitivitySettings
from sequencer.checks.shared.asked.target import SensitivityTarget
from sequencer.problems import FileProblems
from tests.support.running import run_checks


def _settings(target: str) -> SensitivitySettings:
    return SensitivitySettings.model_validate({"check": "sensitivity", "channel": 20, "target": target})


@pytest.mark.parametrize(
    ("text", "ratio_db", "kind"),
    [
        ("12 dB SINAD", 12.0, "SINAD"),
        ("20dB sinad", 20.0, "SINAD"),
        ("10 dB (S+N)/N", 10.0, "(S+N)/N"),
        ("10 dB ( S + N ) / N", 10.0, "(S+N)/N"),
        ("20 dB quieting", 20.0, "quieting"),
    ],
)
def test_every_kind_of_target_is_read(text: str, ratio_db: float, kind: str) -> None:
    """Ratio and kind are read as written; the words of a target are its canonical spelling, which reads back to itself."""
    target = _settings(text).target
    assert (target.ratio_db, target.kind) == (ratio_db, kind)
    assert _settings(str(target)).target == target


@pytest.mark.parametrize(
    ("check", "message"),
    [
        ("target: 20 dB quieting, mode: USB", "20 dB quieting does not measure a receiver in USB"),
        ("target: 20 dB quieting, mode: AM", "20 dB quieting does not measure a receiver in AM"),
        ("target: 10 dB (S+N)/N", r"10 dB \(S\+N\)/N does not measure a receiver in FM"),
        ("target: 12 dB", "'12 dB' is not a target for sensitivity"),
        ("target: 12 % SINAD", "'12 % SINAD' is not a target"),
        ("target: 60 dB SINAD", "60 dB SINAD cannot be found with confidence"),
        ("target: -12 dB SINAD", "-12 dB SINAD cannot be found with confidence"),
        ("weighting: A", "weighting"),
        ("read: recordings", "read"),
    ],
)
def test_a_target_that_means_nothing_is_refused_by_the_plan(tmp_path: Path, check: str, message: str) -> None:
    """Before anything is sent, at its place in the file, with what is allowed."""
    with pytest.raises(FileProblems, match=message) as refused:
        run_checks(tmp_path, "MX40-0101", f"{{check: sensitivity, channel: 20, {check}}}")
    assert all(one.line == 8 and one.allowed for one in refused.value.complaints)


def test_samples_of_an_analyser_that_a_person_reads_are_refused(tmp_path: Path) -> None:
    """A person hands over no samples: said by the plan, not by a fault half-way."""
    text = Path("sim/bench.yaml").read_text(encoding="utf-8")
    text = text.replace("unit: units ", f"unit: {Path('sim/units').resolve()} ")
    text = text.replace("address: TCPIP0::192.0.2.14::5025::SOCKET", "driver: operator")
    (tmp_path / "b.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match="read by a person, who hands over no samples"):
        run_checks(
            tmp_path,
            "M40-0007",
            "{check: sensitivity, channel: 20, read: samples}",
            bench=str(tmp_path / "b.yaml"),
        )


def test_the_default_target_is_12_db_sinad() -> None:
    """12 dB SINAD is the usual criterion (public FAQ; TIA-603 from memory)."""
    settings = SensitivitySettings(check="sensitivity", channel=20)
    assert settings.target == SensitivityTarget(ratio_db=12.0)
    assert settings.target_words == "12 dB SINAD"
