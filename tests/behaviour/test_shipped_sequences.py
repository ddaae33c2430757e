"""Every shipped sequence on a sound specimen passes whole, and on a faulty one fails in the checks its fault calls for, and only there.

Which decision a fault should cause stands in the head of the specimen's own file. Limits name their source in the sequences.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.files.shipped import shipped_names

RUNS = [
    ("fm-mobile-acceptance", "M40-0007", set()),
    ("quick-check", "M40-0007", set()),
    ("quick-check", "M40-0011", {"sensitivity"}),
    ("quick-check", "M40-0012", {"frequency_error"}),
    ("multimode-27mhz", "MX40-0101", set()),
    ("multimode-27mhz", "MX40-0102", {"modulation_depth"}),
    ("multimode-27mhz", "MX40-0103", {"channel_sweep"}),
    ("vhf-fm-handheld", "V5-0301", set()),
    ("vhf-fm-handheld", "V5-0304", {"channel_sweep"}),
    ("vhf-fm-handheld", "V5-0305", {"squelch", "residual_modulation"}),
    ("hf-ssb-transceiver", "H10-0201", set()),
    ("hf-ssb-transceiver", "H10-0202", {"carrier_power"}),
    ("hf-ssb-transceiver", "H10-0203", {"ssb_suppression"}),
    ("two-signal-receiver", "M40-0007", set()),
    ("two-signal-receiver", "M40-0011", {"sensitivity"}),
    ("two-signal-receiver", "M40-0020", {"selectivity"}),
    ("two-signal-receiver", "M40-0021", {"selectivity", "blocking"}),
    ("receiver-rejections", "M40-0061", set()),
    ("receiver-rejections", "M40-0062", {"blocking", "spurious_response", "intermodulation"}),
    ("pre-check-fm-27mhz", "M40-0041", set()),
    ("pre-check-fm-27mhz", "M40-0042", {"harmonics", "spurious_emissions"}),
    ("pre-check-fm-27mhz", "M40-0043", {"adjacent_channel_power"}),
    ("pre-check-fm-27mhz", "M40-0044", {"receiver_emissions"}),
    ("pre-check-vhf-fm", "V5-0341", set()),
    ("pre-check-hf-ssb", "H10-0201", set()),
    ("keying-vhf-fm", "V5-0351", set()),
    ("keying-vhf-fm", "V5-0352", {"time_to_power"}),
    ("keying-vhf-fm", "V5-0353", {"transient"}),
    ("keying-vhf-fm", "V5-0354", {"transient"}),
    ("keying-vhf-fm", "V5-0355", {"power_over_time"}),
    ("signalling-tone", "M40-0071", set()),
    ("signalling-tone", "M40-0073", {"signalling_sent"}),
    ("signalling-code", "M40-0072", set()),
    ("signalling-code", "M40-0074", {"signalling_sent"}),
    ("signalling-dual-tone", "M40-0075", set()),
    ("signalling-dual-tone", "M40-0076", {"signalling_sent"}),
    ("signalling-tone-received", "M40-0091", set()),
    ("signalling-tone-received", "M40-0092", {"signalling_received"}),
    ("signalling-tone-received", "M40-0093", {"signalling_received"}),
    ("signalling-tone-received", "M40-0096", {"signalling_received"}),
    ("signalling-tone-received", "M40-0097", {"signalling_received"}),
    ("signalling-tone-received", "M40-0098", {"signalling_received"}),
    ("signalling-code-received", "M40-0094", set()),
    ("signalling-code-received", "M40-0095", {"signalling_received"}),
    ("over-temperature", "M40-0082", {"frequency_error"}),
    ("own-check", "M40-0007", set()),
    ("golden-unit", "M40-0007", set()),
]
BENCHES = {
    "two-signal-receiver": "sim/two-signal-bench.yaml",
    "receiver-rejections": "sim/two-signal-bench.yaml",
    "pre-check-fm-27mhz": "sim/spectrum-bench.yaml",
    "pre-check-vhf-fm": "sim/spectrum-bench.yaml",
    "keying-vhf-fm": "sim/spectrum-bench.yaml",
    "pre-check-hf-ssb": "sim/spectrum-bench.yaml",
    "signalling-tone-received": "sim/signalling-bench.yaml",
    "signalling-code-received": "sim/signalling-bench.yaml",
    "over-temperature": "sim/chamber-bench.yaml",
    "own-check": "sim/self-checking-bench.yaml",
    "golden-unit": "sim/self-checking-bench.yaml",
}
"""The bench of a sequence that one generator, or no spectrum analyser, is not enough for, and of those of the bench itself."""


@pytest.mark.parametrize(("sequence", "serial", "failing"), RUNS)
def test_a_shipped_sequence_finds_what_its_specimen_has(
    tmp_path: Path, sequence: str, serial: str, failing: set[str]
) -> None:
    """The checks with a decision other than pass or no limit are those that the fault calls for; the witness saw no hazard."""
    bench = BENCHES.get(sequence, "sim/bench.yaml")
    words = ["run", sequence, "--bench", bench, "--serial", serial, "--confirmed", "--json"]
    ran = CliRunner().invoke(main, [*words, "--folder", str(tmp_path)])
    found = json.loads(ran.stdout)
    wrong = {one["check"] for one in found["results"] if one["decision"] not in ("pass", "no limit")}
    assert wrong == failing
    assert "the table ends there" not in ran.output  # its bench states its losses wherever it measures
    assert ran.exit_code == (1 if failing else 0)
    assert found["bench_safe"] is True
    for one in found["results"]:
        _is_read_by_a_person(one["note"])
    if sequence.startswith("pre-check") and not failing:
        _says_what_it_is(tmp_path)


def _is_read_by_a_person(note: str) -> None:
    """Hold a note to figures without an exponent, and to five of them but for frequencies."""
    assert not re.search(r"\d[eE][-+]?\d", note), note
    for figure in re.findall(r"(?<![\w.])\d+\.\d+\b(?! [kM]Hz)", note):
        assert len(figure.replace(".", "").lstrip("0")) <= 5, note


def _says_what_it_is(folder: Path) -> None:
    """Hold the report of a pre-check to what its first page must say, before any result."""
    written = CliRunner().invoke(
        main, ["report", "--folder", str(folder), "--plots", "none", "last", str(folder / "r.html")]
    )
    assert written.exit_code == 0, written.output
    first = " ".join((folder / "r.html").read_text(encoding="utf-8").partition(">Results<")[0].split())
    for said in (
        "This pre-check is no conformity assessment. Missing for one are radiated measurements",
        "accreditation of the laboratory",
        "ambient and extreme conditions",
    ):
        assert said in first, said


def test_every_shipped_sequence_is_run_here_or_by_hand() -> None:
    """No sequence is shipped that no test runs: the manual one is run by a person at a pseudo-terminal in test_manual_bench.py, the one
    that adjusts by a simulated person in test_set_up.py.
    """
    by_hand = {"manual-bench", "set-up-fm-mobile"}
    assert {name.removesuffix(".yaml") for name in shipped_names("sequence")} == {
        one[0] for one in RUNS
    } | by_hand
