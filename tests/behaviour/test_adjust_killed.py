"""An adjusting that is killed outright: what was found, what stands in the unit and what stood there is told from the journal."""

from __future__ import annotations

import json
import os
import shutil
import signal
from pathlib import Path

import pytest

from sequencer.results.journal import read_journal
from tests.support.crashed import call, killed, lines_of

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="killed processes are forked")
SEQUENCE = """\
sequence: Bias
channels: cept-40
supply: 13.2 V
checks:
  - {check: adjust, preset: bias, of: supply_current, channel: 20, write: tx_bias, range: [0, 255], to: 1.6 A, within: 20 mA}
"""


def words(sequence: Path, folder: Path) -> tuple[str, ...]:
    """Return the command that runs it."""
    return ("run", str(sequence), "--bench", "bench", "--serial", "MX40-0131", "--folder", str(folder))


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sequence and, in `cut`, what a run leaves that was killed after its first number was written and read back."""
    folder = tmp_path_factory.mktemp("killed")
    (folder / "bias.yaml").write_text(SEQUENCE, encoding="utf-8")
    done = call(*words(folder / "bias.yaml", folder / "whole"))
    assert done.exit_code == 0, done.output
    lines = lines_of(folder / "whole")
    assert read_journal(next((folder / "whole").glob("*.journal"))).adjusting == ()  # nothing is left to say
    at = next(one["number"] for one in lines if one["event"] == "setting written")
    how = killed(words(folder / "bias.yaml", folder / "cut"), lambda number: number == at)
    assert os.WTERMSIG(how) == signal.SIGKILL
    return folder


@pytest.fixture
def left(cut: Path, tmp_path: Path) -> Path:
    """A copy of what the killed run left."""
    shutil.copytree(cut / "cut", tmp_path / "cut")
    return tmp_path / "cut"


def test_the_journal_says_what_was_found_and_what_stood_before(cut: Path) -> None:
    """The transmit current as found, the number before, and the one that was written last, which was read back."""
    (one,) = read_journal(next((cut / "cut").glob("*.journal"))).adjusting
    found = {each.quantity: each.value for each in one.found}
    assert found["supply current, transmit"] == pytest.approx(2.24, abs=0.1)
    (setting,) = one.settings
    assert (setting.setting, setting.before, setting.is_read_back) == ("tx_bias", 204, True)
    assert setting.number != 204


def test_import_kept_tells_it(left: Path) -> None:
    """Whoever takes the journal into a store reads what stands in the unit."""
    done = call("import-kept", str(next(left.glob("*.journal"))), "--folder", str(left))
    assert done.exit_code == 0, done.output
    assert "As found: supply current, receive" in done.stderr
    assert "tx_bias stood at 204 before" in done.stderr
    assert "write 204 to have the unit as it was" in done.stderr


def test_resume_tells_it_and_the_results_keep_it(left: Path) -> None:
    """It is adjusted anew, from what stands now; the result as found says what was found, and stood, before the run was killed."""
    done = call("resume", "--folder", str(left))
    assert done.exit_code == 0, done.output
    assert "tx_bias stood at 204 before" in done.stderr
    words = " ".join(done.stdout.split())
    assert "setting tx_bias, as 204" in words  # wrapped; the number, and no yes or no
    assert "setting tx_bias: yes" not in words
    shown = json.loads(call("results", "--json", "last", "--folder", str(left)).stdout)
    notes = [one["note"] for one in shown["results"] if one["stage"] == "as found"]
    assert any("as found before that: " in one and "2.2" in one and "204 before" in one for one in notes)
    assert not any("as found before" in one["note"] for one in shown["results"] if one["stage"] != "as found")
    assert read_journal(next(left.glob("*.journal"))).adjusting == ()


def test_where_the_file_is_gone_it_is_told_all_the_same(cut: Path, tmp_path: Path) -> None:
    """`sequencer adjust` works on a file that it makes; without it nothing is carried on, and what stands is said."""
    file = tmp_path / "bias.yaml"
    file.write_text(SEQUENCE, encoding="utf-8")
    at = next(one["number"] for one in lines_of(cut / "whole") if one["event"] == "setting to be written")
    assert os.WTERMSIG(killed(words(file, tmp_path / "cut"), lambda number: number == at)) == signal.SIGKILL
    file.unlink()
    done = call("resume", "--folder", str(tmp_path / "cut"))
    assert done.exit_code == 2, done.output
    assert "an adjusting is not carried on" in done.stderr
    assert "As found: supply current, receive" in done.stderr
