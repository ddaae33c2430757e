"""A run in a file of its own becomes a test on another desk; nothing in such a file becomes a path, a command or a traceback."""

from __future__ import annotations

import gzip
import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.cli.main import main
from sequencer.problems import InputError
from sequencer.run.keeping.inputs import is_place
from sequencer.run.replay import keep
from sequencer.run.replay.replay import replay
from sequencer.run.replay.trace_file import TEST, TEST_NAME, read_trace
from tests.support.running import run_checks

TRACES = Path(__file__).parents[1] / "data" / "traces"


def call(*words: str) -> Result:
    """Call the command line; an exception of the program's own fails the test."""
    return CliRunner().invoke(main, list(words), catch_exceptions=False)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short run as `--as-test` writes it, not packed."""
    folder = tmp_path_factory.mktemp("kept")
    run_checks(folder, "M40-0007", "{check: frequency_error, channel: 20, limit: {within: 600 Hz}}")
    done = call(
        "replay",
        "last",
        "--folder",
        str(folder / "results"),
        "--as-test",
        str(folder / "run.json"),
        "--mask-serial",
    )
    assert done.exit_code == 0, done.output
    return folder / "run.json"


@pytest.fixture(scope="module")
def plain(kept: Path) -> dict[str, Any]:
    """What that file holds."""
    return dict(json.loads(kept.read_text(encoding="utf-8")))


def written(folder: Path, plain: Any) -> Path:
    """Write a changed file."""
    file = folder / "changed.json"
    file.write_text(json.dumps(plain), encoding="utf-8")
    return file


def test_a_kept_run_is_a_test_of_its_own(kept: Path) -> None:
    """pytest finds the file that was written beside it, and it passes; a result that was changed is named."""
    folder = kept.parent
    words = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-n",
        "0",
        "-p",
        "no:cacheprovider",
        "--rootdir",
        str(folder),
        str(folder),
    ]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stdout
    assert "1 passed" in done.stdout
    assert (folder / TEST_NAME).read_text() == TEST
    changed = json.loads(kept.read_text())
    changed["checks"][-1]["results"][0]["value"] += 1.0
    replayed = replay(read_trace(written(folder / "..", changed)))
    assert "frequency_error frequency error: differs" in replayed.described()


def test_the_shipped_test_of_kept_traces_is_the_one_that_is_written() -> None:
    """The releases' own traces are held by the same test that a customer's run gets."""
    assert (TRACES / TEST_NAME).read_text() == TEST
    assert sum(one.stat().st_size for one in TRACES.glob("*.json.gz")) < 300_000


def test_serials_and_names_are_masked(kept: Path) -> None:
    """Neither the unit's serial nor an instrument's, nor who confirmed, is in the file; it replays all the same."""
    text = kept.read_text()
    assert "M40-0007" not in text
    for instrument in json.loads(text)["instruments"]:
        assert instrument["serial"].startswith("MASKED-")
    done = call("replay", str(kept))
    assert done.exit_code == 0, done.output
    assert "MASKED-" in done.output


@pytest.fixture(scope="module")
def with_numbers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run, not masked, whose serials are short or made of digits, and whose operator is called as a limit is."""
    folder = tmp_path_factory.mktemp("numbers")
    run_checks(folder, "M40-0007", "{check: carrier_power, channel: 20, limit: {max: 4.5 W}}")
    whole = folder / "whole.json"
    done = call("replay", "last", "--folder", str(folder / "results"), "--as-test", str(whole))
    assert done.exit_code == 0, done.output
    text = whole.read_text(encoding="utf-8").replace("M40-0007", "985")
    numbers = ("005", "7", "27.2", "1200", "12E3", "0", "13", "500")
    instruments = json.loads(text)["instruments"]
    assert len(instruments) == len(numbers)
    for one, number in zip(instruments, numbers, strict=True):
        text = text.replace(one["serial"], number)
    changed = {**json.loads(text), "operator": "max"}
    file = written(folder, changed)
    assert "27.005 MHz" in file.read_text()
    return file


def test_a_serial_of_digits_is_never_taken_out_of_a_number(with_numbers: Path, tmp_path: Path) -> None:
    """Serials like 005 go where a serial stands alone: frequencies, limits, answers and JSON's own numbers stay, and the file replays."""
    file = tmp_path / "masked.json"
    done = call("replay", str(with_numbers), "--as-test", str(file), "--mask-serial")
    assert done.exit_code == 0, done.output + done.stderr
    before, after = (json.loads(one.read_text()) for one in (with_numbers, file))
    assert after["serial"].startswith("MASKED-")
    assert after["operator"].startswith("MASKED-")
    told = {one["serial"] for one in after["instruments"]}
    assert all(one == "0" or one.startswith("MASKED-") for one in told)
    said = [one["content"] for check in after["checks"] for one in check["exchanges"]]
    assert sum("MASKED-" in one for one in said) == sum(
        one["direction"] == "received" and one["content"].count(",") >= 3 and ",0," not in one["content"]
        for check in before["checks"]
        for one in check["exchanges"]
    )
    assert [one["content"] for one in before["inputs"]] == [one["content"] for one in after["inputs"]]
    assert call("replay", str(file)).exit_code == 0
    assert "Left in it where they may be something else" in done.stderr
    assert "max" in done.stderr.rpartition("Left in it")[2]


def test_a_serial_in_the_bench_file_is_masked_and_the_file_replays(tmp_path: Path) -> None:
    """A bench file that names a serial has another hash without it: the run holds that one then."""
    folder = tmp_path
    run_checks(folder, "M40-0007", "{check: frequency_error, channel: 20}")
    whole, masked = folder / "whole.json", folder / "masked.json"
    assert call("replay", "last", "--folder", str(folder / "results"), "--as-test", str(whole)).exit_code == 0
    plain = json.loads(whole.read_text())
    bench = next(one for one in plain["inputs"] if one["kind"] == "bench")
    bench["content"] += "# the golden unit is M40-0007\n"
    plain["bench_hash"] = hashlib.sha256(bench["content"].encode("latin-1")).hexdigest()[:16]
    done = call("replay", str(written(folder, plain)), "--as-test", str(masked), "--mask-serial")
    assert done.exit_code == 0, done.output + done.stderr
    assert "M40-0007" not in masked.read_text()


def test_a_file_that_would_not_replay_is_refused(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a mask spoils the run after all nothing is written, and it is said what its replay came to."""
    file = tmp_path / "spoilt.json"
    whole = keep.content_of
    monkeypatch.setattr(
        keep,
        "content_of",
        lambda plain, file: whole(plain, file).replace(b"27.205 MHz", b"27.MASKED-1 MHz"),
    )
    done = call("replay", str(kept), "--as-test", str(file), "--mask-serial")
    assert done.exit_code == 2, done.output
    assert "nothing was written: without its serials and names the run does not replay" in done.stderr
    assert "'27.MASKED-1 MHz' is not a frequency" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_kept_run_is_put_into_a_store_and_replayed_from_there(kept: Path, tmp_path: Path) -> None:
    """The file is a kept run like any other: `import-kept` takes it, with its files."""
    assert call("import-kept", str(kept), "--folder", str(tmp_path)).exit_code == 0
    done = call("replay", "last", "--folder", str(tmp_path))
    assert done.exit_code == 0, done.output
    assert "every message as it was" in done.output


def test_a_trace_is_written_over_nothing(kept: Path, tmp_path: Path) -> None:
    """A file that is there, a folder that is not: said with status 2, and nothing is lost."""
    before = kept.read_bytes()
    for target in (kept, tmp_path / "missing" / "x.json"):
        done = call("replay", str(kept), "--as-test", str(target))
        assert done.exit_code == 2, done.output
    assert kept.read_bytes() == before


def test_a_kept_run_is_written_over_by_force_and_nothing_else_is(kept: Path, tmp_path: Path) -> None:
    """What stands there is said to be what it is before anything is replayed; --force takes a kept run alone."""
    file = tmp_path / "run.json.gz"
    assert call("replay", str(kept), "--as-test", str(file)).exit_code == 0
    again = call("replay", str(kept), "--as-test", str(file))
    assert (again.exit_code, again.stdout) == (2, "")
    assert "there is a kept run of this name already" in again.stderr
    assert "--force writes over it" in again.stderr
    file.write_bytes(kept.read_bytes())
    assert call("replay", str(kept), "--as-test", str(file), "--force").exit_code == 0
    assert file.read_bytes().startswith(b"\x1f\x8b")
    file.write_text("notes\n")
    other = call("replay", str(kept), "--as-test", str(file), "--force")
    assert (other.exit_code, file.read_text()) == (2, "notes\n")
    assert "what stands here is not a kept run" in other.stderr
    alone = call("replay", str(kept), "--force")
    assert (alone.exit_code, "--force: no file is written" in alone.stderr) == (2, True)


@pytest.mark.parametrize(
    "place", ["/tmp/x.yaml", "../x.yaml", "a/../../x", "a//b", "", "a\\b", "c:/x", "a\nb", "x" * 301, "./a"]
)
def test_a_place_leads_nowhere_else(plain: dict[str, Any], tmp_path: Path, place: str) -> None:
    """A file of the run that would stand anywhere but below its own folder is refused, and none is written."""
    assert not is_place(place)
    changed = {**plain, "inputs": [{**one, "place": place} for one in plain["inputs"]]}
    done = call("replay", str(written(tmp_path, changed)))
    assert done.exit_code == 2
    assert list(tmp_path.iterdir()) == [tmp_path / "changed.json"]


def test_a_kept_sequence_names_no_file_of_this_machine(plain: dict[str, Any], tmp_path: Path) -> None:
    """A channel plan, a loss table or a channel list that stands elsewhere is not read: it may be anything."""
    secret = tmp_path / "secret.yaml"
    secret.write_text("plan: secret-of-the-house\n")
    for kind, old, new in (
        ("sequence", "channels: cept-40", f"channels: {secret}"),
        ("bench", "profile: scpi-1999", f"profile: {secret}"),
    ):
        inputs = [
            {**one, "content": one["content"].replace(old, new)} if one["kind"] == kind else one
            for one in plain["inputs"]
        ]
        if inputs == plain["inputs"]:
            inputs = [
                {
                    **one,
                    "content": one["content"].replace(
                        "  power_meter:\n", f"  power_meter:\n    profile: {secret}\n"
                    ),
                }
                if one["kind"] == kind
                else one
                for one in plain["inputs"]
            ]
        assert inputs != plain["inputs"]
        done = call("replay", str(written(tmp_path, {**plain, "inputs": inputs})))
        assert done.exit_code == 2, done.output
        assert "secret-of-the-house" not in done.output + done.stderr
        assert "does not stand beside it" in done.stderr


def test_words_in_a_kept_run_are_words(plain: dict[str, Any], tmp_path: Path) -> None:
    """Markup and terminal escapes in a unit's, a bench's or a sequence's name are shown as text."""
    changed = {**plain, "bench": "[red]x[/red]\x1b[2J", "model": "<b>\x07", "sequence": "=1+1\x1b]0;x\x07"}
    for check in changed["checks"]:
        for result in check["results"]:
            result["note"] = "\x1b[31m[bold]"
    done = call("replay", str(written(tmp_path, changed)))
    assert "\x1b" not in done.output + done.stderr
    assert "[red]x[/red]" in done.output


def test_a_packed_file_is_bounded(tmp_path: Path) -> None:
    """A gzip file of zeros that would unpack to a gigabyte, one that is cut short, one of garbage: each refused with status 2."""
    bomb = gzip.compress(b"\0" * 1024)[:10] + gzip.compress(b"\0" * 80_000_000, 9)[10:]
    whole = (TRACES / "fm-mobile-acceptance.json.gz").read_bytes()
    for content in (bomb, whole[: len(whole) // 2], b"\x1f\x8bgarbage", b"", b"{", b"[" * 100_000):
        file = tmp_path / "x.json.gz"
        file.write_bytes(content)
        done = call("replay", str(file))
        assert done.exit_code == 2, content[:20]


_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(allow_nan=False),
    st.text(max_size=20),
    st.just([]),
    st.just({}),
)


def _paths(plain: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return where values stand in a file, the first few of each list."""
    found = [path]
    if isinstance(plain, dict):
        for key, one in plain.items():
            found += _paths(one, (*path, key))
    elif isinstance(plain, list):
        for at, one in enumerate(plain[:40]):
            found += _paths(one, (*path, at))
    return found


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_spoilt_file_is_refused_or_replayed_and_never_a_traceback(
    plain: dict[str, Any], tmp_path: Path, data: st.DataObject
) -> None:
    """Any value of the file replaced by any other: what is wrong is said, or what differs is."""
    copied = json.loads(json.dumps(plain))
    path = data.draw(st.sampled_from(_paths(copied)[1:]))
    inner = copied
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = data.draw(_VALUES)
    try:
        replayed = replay(read_trace(written(tmp_path, copied)))
    except InputError:
        return
    assert replayed.counts()
