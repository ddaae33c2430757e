"""What cannot be read hides nothing that the plan proves of the rest: one look tells all."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.planning.load_both import load_both
from sequencer.problems import FileProblems

BENCH = Path(__file__).parents[3] / "sim" / "bench.yaml"
HEAD = "sequence: S\nchannels: plans/cept-40.yaml\nmode: FM\nsupply: 13.2 V\n"
BAD_UNIT = "  - {check: carrier_power, channel: 20, limit: {min: 3}}\n"
NO_CHANNEL = "  - {check: frequency_error, channel: [1, 99]}\n"
TOO_HIGH = "  - {check: receive_distortion, channel: 20, level: 10 dBm}\n"
NOT_FM = "  - {check: modulation_depth, channel: 20}\n"


def _told(folder: Path, sequence: str, bench: str = "bench") -> list[str]:
    (folder / "s.yaml").write_text(sequence, encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        load_both(str(folder / "s.yaml"), bench, serial="M40-0007")
    return [f"{Path(one.file).name}:{one.line} {one.message}" for one in caught.value.complaints]


def _told_by(told: list[str], *pieces: str) -> None:
    """Hold each complaint against the place and the words it must have; there are no others."""
    assert len(told) == len(pieces), told
    for one, piece in zip(told, pieces, strict=True):
        place, _, words = piece.partition(" ")
        assert one.startswith(place + " "), told
        assert words in one, told


def test_a_check_that_cannot_be_read_hides_nothing_of_the_others(tmp_path: Path) -> None:
    """A missing unit, a channel that is not in the plan, a level above the rating, another mode: in one look, in the file's order."""
    told = _told(tmp_path, HEAD + "checks:\n" + NO_CHANNEL + BAD_UNIT + TOO_HIGH + NOT_FM)
    _told_by(
        told,
        "s.yaml:6 channel 99",
        "s.yaml:7 ",
        "s.yaml:8 above the receiver's rating",
        "s.yaml:9 not for FM",
    )


def test_one_line_is_parted_as_several_are(tmp_path: Path) -> None:
    """Checks that stand on one line are told apart by their columns."""
    items = ", ".join(one.strip()[2:] for one in (BAD_UNIT, NO_CHANNEL))
    _told_by(_told(tmp_path, HEAD + f"checks: [{items}]\n"), "s.yaml:5 ", "s.yaml:5 channel 99")


def test_a_key_beside_the_checks_is_left_out_without_a_false_word(tmp_path: Path) -> None:
    """A supply without its unit: nothing is said of a supply that is missing, and the checks are proved."""
    head = HEAD.replace("13.2 V", "13.2")
    _told_by(_told(tmp_path, head + "checks:\n" + NO_CHANNEL), "s.yaml:4 ", "s.yaml:6 channel 99")


@pytest.mark.parametrize("spoilt", ["mode: FN", "mdoe: AM"])
def test_nothing_is_proved_of_checks_whose_meaning_is_not_known(tmp_path: Path, spoilt: str) -> None:
    """Without the mode that was meant the checks would be held against another one."""
    told = _told(tmp_path, HEAD.replace("mode: FM", spoilt) + "checks:\n" + NO_CHANNEL)
    _told_by(told, "s.yaml:3 ")


def test_a_bench_that_cannot_be_read_hides_no_channel_and_no_mode(tmp_path: Path) -> None:
    """What needs no bench is proved without it, of a sequence with a spoilt check too."""
    text = BENCH.read_text(encoding="utf-8").replace("unit: units ", f"unit: {BENCH.parent}/units ")
    (tmp_path / "b.yaml").write_text(text.replace("max_key_time: 40 s", "max_key_time: 40"), encoding="utf-8")
    told = _told(
        tmp_path, HEAD + "checks:\n" + NO_CHANNEL + BAD_UNIT + TOO_HIGH + NOT_FM, str(tmp_path / "b.yaml")
    )
    _told_by(told[:3], "s.yaml:6 channel 99", "s.yaml:7 ", "s.yaml:9 not for FM")
    assert [one.partition(":")[0] for one in told[3:]] == ["b.yaml"]


def test_a_plan_that_cannot_be_read_leaves_the_rest_proved(tmp_path: Path) -> None:
    """Its own mistake, and the check of another mode; nothing of channels that nobody knows."""
    (tmp_path / "p.yaml").write_text("plan: P\nchannels: {1: 27 dB}\n", encoding="utf-8")
    head = HEAD.replace("plans/cept-40.yaml", "p.yaml")
    told = _told(tmp_path, head + "checks:\n" + NO_CHANNEL + NOT_FM)
    assert {one.partition(":")[0] for one in told} == {"s.yaml", "p.yaml"}
    _told_by([one for one in told if one.startswith("s.yaml")], "s.yaml:7 not for FM")
