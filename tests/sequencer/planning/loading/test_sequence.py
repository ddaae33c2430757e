"""The sequence file: what is read, and what every way of writing it wrong is told."""

from __future__ import annotations

import pytest

from sequencer.files.read import read_text
from sequencer.planning.loading.sequence import Sequence, sequence_model
from sequencer.problems import FileProblems

HEAD = "sequence: Test\nchannels: plans/cept-40.yaml\nchecks:\n"


def _read(text: str) -> Sequence:
    return read_text(text, sequence_model(), file="s.yaml").model


def _complaints(text: str) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        _read(text)
    return [str(one) for one in caught.value.complaints]


def test_checks_keep_their_order_and_kind() -> None:
    """The list is a program: it is run in its own order, each entry as the check it names."""
    sequence = _read(
        HEAD + "  - {check: s9_point, channel: 1, target: 1 V}\n  - {check: carrier_power, channel: 2}\n"
    )
    assert [type(one).__name__ for one in sequence.checks] == ["S9PointSettings", "CarrierPowerSettings"]
    assert [one.channels for one in sequence.checks] == [(1,), (2,)]


@pytest.mark.parametrize(
    ("rule", "text"),
    [
        ("simple", "simple (w = 0)"),
        ("guarded", "guarded (w = U)"),
        ("0.83", "guard factor 0.83 (w = 0.83 U)"),
    ],
)
def test_the_rule_is_said_in_full(rule: str, text: str) -> None:
    """simple, guarded or a factor; printed with its guard band (ILAC-G8:09/2019)."""
    assert str(_read(f"decision_rule: {rule}\n{HEAD}  - {{check: carrier_power, channel: 1}}\n").rule) == text


def test_one_wrong_check_is_not_called_an_empty_list() -> None:
    """A sequence whose only check has a bare number is told of the number alone."""
    found = _complaints(HEAD + "  - {check: carrier_power, channel: 1, limit: {max: 4}}\n")
    assert len(found) == 1
    assert "'4' has no unit" in found[0]


@pytest.mark.parametrize("text", ["checks: []\n", "checks:\n  - {check: carrier_power, channel: []}\n"])
def test_an_empty_list_is_refused(text: str) -> None:
    """No checks, or a check on no channel, is a slip, not a wish."""
    assert any("at least one" in one for one in _complaints(HEAD.replace("checks:\n", text)))


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("{check: carrier_power, channel: 0}", "0 is out of range"),
        ("{check: carrier_power, channel: 1.5}", "'1.5' is not allowed here"),
        ("{check: carrier_power, channel: 1, readings: 1}", "1 is out of range"),
        ("{check: carrier_power, channel: 1, keyed_for: -1 s}", "'-1 s' is too small"),
        ("{check: carrier_power, channel: 1, keyed_for: 601 s}", "601 s is out of range"),
        ("{check: sensitivity, channel: 1, target: 50 dB SINAD}", "cannot be found with confidence"),
        ("{check: sensitivity, channel: 1, target: 12 dB}", "is not a target for sensitivity"),
        ("{check: sensitivity, channel: 1, accuracy: 0 dB}", "0 dB is out of range"),
        ("{check: sensitivity, channel: 1, limit: {nominal: -73 dBm}}", "'nominal' needs 'within' beside it"),
        (
            "{check: sensitivity, channel: 1, limit: {nominal: -73 dBm, within: 6 dB, max: 1 dBm}}",
            "limits are given twice",
        ),
        ("{check: sensitivity, channel: 1, levels: {min: -10 dBm, max: -20 dBm}}", "nothing lies between"),
        ("{check: frequency_error, channel: 1, limit: {within: -1 Hz}}", "is below 0"),
        ("{check: frequency_error, channel: 1, limit: {within: 600}}", "'600' has no unit"),
        ("{check: peak_deviation, channel: 1}", "key 'drive' is missing"),
        ("{check: s9_point, channel: 1, target: 1 V, meter: needel}", "did you mean 'needle'?"),
        ("{chek: carrier_power, channel: 1}", "key 'check' is missing"),
        ("carrier_power", "found"),
    ],
)
def test_a_wrong_setting_is_told_what_is_allowed(line: str, text: str) -> None:
    """Each setting has a range, and says so where it is left."""
    found = _complaints(f"{HEAD}  - {line}\n")
    assert text in "\n".join(found) or (text == "found" and found)
    assert all(one.startswith("s.yaml:4:") for one in found)


def test_a_supply_of_nothing_is_refused() -> None:
    """0 V feeds nothing: the complaint says which voltages a unit is fed with."""
    (found,) = _complaints("supply: 0 V\n" + HEAD + "  - {check: carrier_power, channel: 1}\n")
    assert "0 V is out of range" in found
    assert "allowed: 500 mV to 60 V" in found
