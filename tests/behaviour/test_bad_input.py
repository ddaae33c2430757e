"""Hostile input: whatever is wrong is said on standard error with status 2, and nothing is left behind."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from sequencer.cli.main import main
from sequencer.files.read import read_text
from sequencer.inputs.bench_models import bench_model
from sequencer.inputs.load_bench import load_bench
from sequencer.planning.loading.sequence import sequence_model
from sequencer.problems import FileProblems

SHIPPED_SEQUENCE = (
    Path(__file__).parents[1] / "data" / "whole-sequence.yaml"
)  # states all by itself, as sequences did before models
SHIPPED_BENCH = load_bench("bench").path
SEQUENCE = SHIPPED_SEQUENCE.read_text(encoding="utf-8")
BENCH = SHIPPED_BENCH.read_text(encoding="utf-8").replace(
    "unit: units ", f"unit: {SHIPPED_BENCH.parent}/units "
)
PROFILE = Path(SHIPPED_BENCH.parent.parent, "drivers/profiles/signal_generator/scpi-1999.yaml")


def _invoke(folder: Path, *arguments: str) -> Result:
    before = Path.cwd()
    os.chdir(folder)
    try:
        return CliRunner().invoke(main, arguments)
    finally:
        os.chdir(before)


def _run(folder: Path, *, sequence: str = SEQUENCE, bench: str = BENCH, **options: str) -> Result:
    (folder / "s.yaml").write_text(sequence, encoding="utf-8")
    (folder / "b.yaml").write_text(bench, encoding="utf-8")
    # a model that is no file's: nothing fills in what these files leave out
    chosen = {"bench": "b.yaml", "serial": "M40-0007", "model": "-", "results": "out/of/this"} | options
    named = [word for name, text in chosen.items() for word in (f"--{name}", text)]
    return _invoke(folder, "run", chosen.pop("sequence_name", "s.yaml"), "--confirmed", *named)


def _refused(result: Result, folder: Path, *texts: str, kept: tuple[str, ...] = ()) -> None:
    """Assert status 2, the texts on standard error, nothing on standard output, no traceback and nothing left."""
    assert isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    for text in texts:
        assert text in result.stderr
    left = {one.name for one in folder.rglob("*")} - {"s.yaml", "b.yaml", *kept}
    assert left == set()


def _changed(text: str, old: str, new: str) -> str:
    assert text.count(old) >= 1
    return text.replace(old, new, 1)


BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{name}: &{name} [{','.join([f'*{before}'] * 9)}]\n"
    for before, name in zip("abcdefghi", "bcdefghij", strict=True)
)
WRONG_SEQUENCES: dict[str, tuple[Callable[[str], str], tuple[str, ...]]] = {
    "empty": (lambda _: "", ("s.yaml:1:1: the file is empty",)),
    "a list": (lambda _: "- 1\n- 2\n", ("not a mapping",)),
    "text": (lambda _: "hello", ("not a mapping",)),
    "not YAML": (lambda s: s + "\n  ]: [", ("not YAML",)),
    "wrong unit": (
        lambda s: _changed(s, "max: 4 W}", "max: 4 V}"),
        ("s.yaml:13:28: '4 V' is not a power", "for a voltage"),
    ),
    "bare number": (
        lambda s: _changed(s, "max: 4 W}", "max: 4}"),
        ("s.yaml:13:28: '4' has no unit", "as in '4 W'"),
    ),
    "unknown key": (
        lambda s: _changed(s, "tone: 1 kHz", "tones: 1 kHz"),
        ("unknown key 'tones'", "did you mean 'tone'?"),
    ),
    "duplicate key": (
        lambda s: _changed(s, "mode: FM", "mode: FM\nmode: AM"),
        ("s.yaml:5:1: key 'mode' appears twice",),
    ),
    "alias bomb": (lambda _: BOMB, ("the aliases up to", "expand to too much")),
    "over 1 MiB": (lambda s: s + "#" + "x" * (1 << 20), ("too many to be written by hand", "1 MiB")),
    "too deep": (lambda _: "a: " + "[" * 5000, ("s.yaml",)),
    "channel not in plan": (
        lambda s: _changed(s, "[1, 20, 40]", "[1, 20, 41]"),
        ("s.yaml:12:22: channel 41 is not in the plan",),
    ),
    "contradictory limits": (
        lambda s: _changed(s, "{min: 3 W, max: 4 W}", "{min: 5 W, max: 4 W}"),
        ("contradictory limits: min 5 W is above max 4 W",),
    ),
    "no plan named": (
        lambda s: _changed(s, "channels: plans/cept-40.yaml\n", ""),
        ("names no channel plan",),
    ),
    "plan missing": (
        lambda s: _changed(s, "cept-40", "cept-41"),
        ("s.yaml:3:11: no such plan file", "did you mean 'cept-40.yaml'?"),
    ),
    "wrong mode": (
        lambda s: _changed(s, "mode: FM", "mode: USB"),
        (
            "peak envelope power needs a drive",
            "frequency_error is not for USB",
            "peak_deviation is not for USB",
        ),
    ),
    "unknown check": (
        lambda s: _changed(s, "check: s9_point", "check: s9point"),
        ("check 's9point' is unknown", "'s9_point'?"),
    ),
    "no checks": (lambda s: s[: s.index("checks:")] + "checks: []\n", ("s.yaml",)),
    "power above the path's rating": (
        lambda s: _changed(s, "rated_power: 4.5 W", "rated_power: 60 W"),
        ("above the rating",),
    ),
    "tone beyond hearing": (lambda s: _changed(s, "tone: 1 kHz", "tone: 10 GHz"), ("is out of range",)),
    "rule unknown": (
        lambda s: _changed(s, "decision_rule: simple", "decision_rule: strict"),
        ("decision rule 'strict'",),
    ),
    "level above the receiver's rating": (
        lambda s: _changed(s, "limit: {max: -113 dBm}", "levels: {max: 10 dBm}"),
        ("10 dBm is above the receiver's rating", "at most 0 dBm"),
    ),
    "level outside the generator's range": (
        lambda s: _changed(s, "limit: {max: -113 dBm}", "levels: {min: -150 dBm}"),
        ("outside what the generator offers",),
    ),
}


@pytest.mark.parametrize("case", WRONG_SEQUENCES)
def test_a_wrong_sequence_is_refused_with_its_place(case: str, tmp_path: Path) -> None:
    """Every way a sequence can be wrong has a complaint that names place, finding and what is allowed."""
    change, texts = WRONG_SEQUENCES[case]
    _refused(_run(tmp_path, sequence=change(SEQUENCE)), tmp_path, "s.yaml", *texts)


def _without(pattern: str) -> Callable[[str], str]:
    def change(text: str) -> str:
        changed, count = re.subn(pattern, "", text, flags=re.DOTALL)
        assert count == 1
        return changed

    return change


WRONG_BENCHES: dict[str, tuple[Callable[[str], str], tuple[str, ...]]] = {
    "empty": (lambda _: "", ("b.yaml:1:1: the file is empty",)),
    "missing role": (
        _without(r"  voltmeter:.*?accuracy[^\n]*\n"),
        ("s9_point needs voltmeter", "bench 'Demonstration bench' (b.yaml) has none"),
    ),
    "no path described": (
        _without(r"  transmit: \{.*?\}\n"),
        ("carrier_power needs the transmit path, and b.yaml describes none",),
    ),
    "supply asked for and absent": (
        _without(r"  supply:.*?max_voltage[^\n]*\n    accuracy[^\n]*\n"),
        ("13.2 V is asked for", "has no supply"),
    ),
    "power above the meter": (
        lambda b: _changed(b, "100 mW", "1 mW"),
        ("is more than max_power of power_meter", "at most 1.02 W"),
    ),
    "unknown key": (
        lambda b: _changed(b, "max_voltage", "max_voltag"),
        ("unknown key 'max_voltag'", "did you mean 'max_voltage'?"),
    ),
    "two on one address": (
        lambda b: _changed(b, "192.0.2.12", "192.0.2.11"),
        ("has the address of signal_generator",),
    ),
    "range upside down": (
        lambda b: _changed(b, "min: -137 dBm", "min: 20 dBm"),
        ("min 20 dBm is not below max 13 dBm",),
    ),
    "date that is none": (
        lambda b: _changed(b, "2027-06-30", "2027-06-31"),
        ("b.yaml:14:47:", "allowed: a date"),
    ),
    "role that is none": (
        lambda b: _changed(b, "  voltmeter:", "  voltmetre:"),
        ("did you mean 'voltmeter'?",),
    ),
    "profile that is none": (
        lambda b: _changed(b, "    vswr: 1.3\n", "    vswr: 1.3\n    profile: scpi-1998\n"),
        ("no such profile file: 'scpi-1998'", "scpi-1999"),
    ),
    "no unit on the shelf": (lambda b: _changed(b, "/units ", "/unitz "), ("b.yaml:5:7: no such unit file",)),
}


@pytest.mark.parametrize("case", WRONG_BENCHES)
def test_a_wrong_bench_is_refused_with_its_place(case: str, tmp_path: Path) -> None:
    """Every way a bench can be wrong, or too little for the sequence, is said before anything is sent."""
    change, texts = WRONG_BENCHES[case]
    _refused(_run(tmp_path, bench=change(BENCH)), tmp_path, *texts)


def test_everything_wrong_with_a_file_is_said_at_once(tmp_path: Path) -> None:
    """Five mistakes on five lines are five complaints, in the order of the file."""
    wrong = SEQUENCE
    for old, new in (
        ("mode: FM", "mode: XX"),
        ("max: 4 W}", "max: 4}"),
        ("drive: 100 mV", "drive: 100"),
        ("deviation: 1.2 kHz", "deviatoin: 1.2 kHz"),
        ("check: s9_point", "check: s9"),
    ):
        wrong = _changed(wrong, old, new)
    result = _run(tmp_path, sequence=wrong)
    _refused(result, tmp_path)
    lines = [int(found) for found in re.findall(r"^s\.yaml:(\d+):", result.stderr, re.MULTILINE)]
    assert lines == sorted(lines)
    assert len(set(lines)) == 5


def test_a_profile_of_one_s_own_with_an_unknown_command_is_refused(tmp_path: Path) -> None:
    """A command that its role does not have is named with the nearest that it has."""
    own = _changed(PROFILE.read_text(encoding="utf-8"), "\n  level:", "\n  levle:")
    (tmp_path / "own.yaml").write_text(own, encoding="utf-8")
    bench = _changed(BENCH, "    vswr: 1.3\n", "    vswr: 1.3\n    profile: own.yaml\n")
    _refused(_run(tmp_path, bench=bench), tmp_path, "own.yaml:", "levle", "level", kept=("own.yaml",))


@pytest.mark.parametrize("folder", ["s.yaml", "s.yaml/below", "/proc/none", "/dev/null", "x" * 300])
def test_a_results_folder_that_cannot_be_written_is_refused(folder: str, tmp_path: Path) -> None:
    """A file in its place, a place where nothing can be made, a name too long: said, with the way out."""
    result = _run(tmp_path, results=folder)
    _refused(result, tmp_path, "results cannot be written here", "name another with --folder")


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="changes to another user, which only root may"
)
def test_a_read_only_results_folder_is_refused(tmp_path: Path) -> None:
    """For a user who may not write there, a results folder is refused before the run, in another process as nobody."""
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o755)
    for one in (tmp_path, *tmp_path.parents[:2]):
        one.chmod(one.stat().st_mode | 0o055)
    # Everything is read as root: the project may lie where nobody else may read. Only the record is begun as nobody.
    code = (
        "import os, sys; from datetime import datetime; from pathlib import Path\n"
        "import sequencer.results.store.upgrade, sqlalchemy.dialects.sqlite\n"
        "from sequencer.problems import FileProblems\n"
        "from sequencer.inputs.load_bench import load_bench\n"
        "from sequencer.planning.load import load_sequence\n"
        "from sequencer.planning.plan import make_plan\n"
        "from sequencer.run.record import Record, RunFacts\n"
        "plan = make_plan(load_sequence('fm-mobile-acceptance'), load_bench('bench'))\n"
        "facts = RunFacts(run='r', time=datetime.now().astimezone(), serial='s', model='', simulated=True, bench_name='b', plan=plan)\n"
        f"Record(Path({str(tmp_path / 'first')!r}), facts).__exit__(None, None, None)  # and all is imported\n"
        "os.setgid(65534); os.setuid(65534)\n"
        "try:\n"
        f"    Record(Path({str(folder)!r}), facts)\n"
        "except FileProblems as problems:\n"
        "    print(problems); sys.exit(2)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 2, done.stdout + done.stderr
    assert "results cannot be written here: Permission denied" in done.stdout
    assert "name another with --folder" in done.stdout
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize(
    "serial", ["a/b", "../x", "", " ", "a\x1b[31m", "a\nb", "x" * 4000, "a\u202eb", "a:b"]
)
def test_a_serial_that_names_no_file_is_refused(serial: str, tmp_path: Path) -> None:
    """A serial becomes part of a file's name: slashes, control characters and endless ones are refused in few words."""
    result = _run(tmp_path, serial=serial)
    _refused(result, tmp_path, "--serial", "1 to 64 printable characters")
    assert len(result.stderr) < 500
    assert "\x1b" not in result.stderr


def test_a_serial_that_lies_on_no_shelf_is_refused(tmp_path: Path) -> None:
    """A simulated bench has the specimens it has; the nearest is named."""
    _refused(
        _run(tmp_path, serial="M40-0008"),
        tmp_path,
        "no specimen with serial 'M40-0008'",
        "did you mean M40-00",
    )


def test_a_model_with_an_escape_sequence_is_refused(tmp_path: Path) -> None:
    """What would act on the terminal is refused where it enters."""
    _refused(_run(tmp_path, model="\x1b[2J"), tmp_path, "--model")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("fm-mobile-acceptnce", "did you mean 'fm-mobile-acceptance.yaml'?"),
        ("no/such.yaml", "no such sequence file"),
        ("", "no such sequence file"),
        (".", "this is a directory, not a file"),
        ("/dev/zero", "this is not an ordinary file"),
        ("x" * 4000, "no such sequence file"),
        ("x" * 5000, "a text of 5000 characters"),
        ("a\nb\x1b[2J", "no such sequence file"),
    ],
)
def test_a_name_that_is_no_file_is_refused(name: str, text: str, tmp_path: Path) -> None:
    """An unknown shipped name is told the nearest; a directory, a device and nonsense are told what they are."""
    (tmp_path / "b.yaml").write_text(BENCH, encoding="utf-8")
    result = _invoke(tmp_path, "run", name, "--bench", "b.yaml", "--serial", "M40-0007", "--confirmed")
    _refused(result, tmp_path, text)
    assert "\x1b" not in result.stderr


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="changes to another user, which only root may"
)
def test_an_unreadable_file_is_refused(tmp_path: Path) -> None:
    """A sequence that this user may not read is said to be that."""
    secret = tmp_path / "secret.yaml"
    secret.write_text(SEQUENCE, encoding="utf-8")
    secret.chmod(0o000)
    for one in (tmp_path, *tmp_path.parents[:2]):
        one.chmod(one.stat().st_mode | 0o055)
    code = (
        "import difflib, os, sys\n"  # the interpreter's own files may be closed to that user: loaded beforehand
        "from sequencer.files.read import read_utf8; from sequencer.problems import FileProblems\n"
        "os.setgid(65534); os.setuid(65534)\n"
        f"try:\n    read_utf8({str(secret)!r})\nexcept FileProblems as problems:\n    print(problems); sys.exit(2)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 2, done.stderr
    assert "you may not read this file" in done.stdout


def test_nobody_to_ask_is_refused_before_anything_is_sent(tmp_path: Path) -> None:
    """Without a terminal and without --confirmed a sequence with confirmations does not start."""
    (tmp_path / "s.yaml").write_text(SEQUENCE, encoding="utf-8")
    (tmp_path / "b.yaml").write_text(BENCH, encoding="utf-8")
    result = _invoke(
        tmp_path, "run", "s.yaml", "--bench", "b.yaml", "--serial", "M40-0007", "--folder", "out"
    )
    _refused(result, tmp_path, "asks for 1 confirmation, and there is no terminal to ask at", "--confirmed")


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("run",),
        ("run", "x"),
        ("run", "x", "--bench", "bench", "--serial"),
        ("schema", "benches"),
        ("nonsense",),
        ("trace", "last", "--step", "one"),
        ("simulate", "--bench", "bench", "--port", "70000"),
        ("run", "x", "--nonsense"),
    ],
)
def test_a_wrong_command_line_has_status_2(arguments: tuple[str, ...], tmp_path: Path) -> None:
    """Usage errors say what is missing or unknown, on standard error."""
    result = _invoke(tmp_path, *arguments)
    assert result.exit_code == 2
    assert result.stderr != ""
    assert "Traceback" not in result.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("command", "text"),
    [
        (("results",), "there is no store here"),
        (("results", "last"), "there is no store here"),
        (("trace", "last"), "there is no store here"),
        (("schema", "--into", "/proc/none"), "cannot be written"),
        (("identify", "--bench", "bnch"), "no such bench file"),
        (("validate", "nope", "--bench", "bench"), "no such sequence file"),
        (("simulate", "--bench", "bench", "--serial", "nope"), "no specimen with serial 'nope'"),
    ],
)
def test_other_commands_refuse_what_they_cannot_do(
    command: tuple[str, ...], text: str, tmp_path: Path
) -> None:
    """Every command says in words what it lacks, with status 2 and nothing left behind."""
    _refused(_invoke(tmp_path, *command), tmp_path, text)


@pytest.mark.parametrize(
    ("sequence", "bench", "said", "offered"),
    [
        (
            "quick-check",
            "quick-check",
            "quick-check: this is a sequence file, not a bench file",
            "bench.yaml",
        ),
        ("bench", "bench", "bench: this is a bench file, not a sequence file", "quick-check.yaml"),
        ("cept-40", "bench", "cept-40: this is a plan file, not a sequence file", "quick-check.yaml"),
        (
            "quick-check",
            "m40-0007",
            "m40-0007: this is a unit file, not a bench file",
            "two-signal-bench.yaml",
        ),
        (
            "quick-check",
            "s.yaml",
            "s.yaml:1:1: this is a sequence, not a bench file",
            "two-signal-bench.yaml",
        ),
        ("b.yaml", "b.yaml", "this is a bench file, not a sequence", "quick-check.yaml"),
    ],
)
def test_a_file_of_another_kind_is_said_to_be_that(
    sequence: str, bench: str, said: str, offered: str, tmp_path: Path
) -> None:
    """Who takes one kind of file for another is told what it is, in one complaint, and which files would do."""
    (tmp_path / "s.yaml").write_text("sequence: Mine\nmode: FM\nchecks: []\n", encoding="utf-8")
    (tmp_path / "b.yaml").write_text(BENCH, encoding="utf-8")
    result = _invoke(tmp_path, "validate", sequence, "--bench", bench)
    _refused(result, tmp_path, said, offered)
    assert result.stderr.count("not a ") == 1
    assert "unknown key" not in result.stderr


@pytest.mark.parametrize("words", [("--only", "nope"), ("--again",), ("--entered", "x"), ()])
def test_no_complaint_points_to_a_line_that_is_none(words: tuple[str, ...], tmp_path: Path) -> None:
    """A complaint about an option or a missing file carries no line, in words and in JSON."""
    sequence = "quick-check" if words else "nope"
    command = ("validate", "--json") if not words or words[0] == "--only" else ("run", "--serial", "M40-0007")
    result = _invoke(tmp_path, command[0], sequence, "--bench", "bench", *command[1:], *words)
    assert result.exit_code == 2
    assert ":0:0" not in result.stderr
    for one in json.loads(result.stdout)["complaints"] if "--json" in command else ():
        assert (one["line"], one["column"]) == (None, None)


def _mutated(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines(keepends=True)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(("delete", "double", "swap", "letter", "cut", "insert"))):
            case "delete" if len(lines) > 1:
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "swap":
                other = draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
            case "letter":
                place = draw(st.integers(0, max(0, len(lines[at]) - 1)))
                letter = draw(st.sampled_from(list("0159-.:{}[]&*!|>'\"#%@ \tabWzµ\x00\x1b\ufeff\u2028é🦉")))
                lines[at] = lines[at][:place] + letter + lines[at][place + 1 :]
            case "insert":
                lines[at] = lines[at].replace(
                    " ", draw(st.sampled_from(("  ", "", " -", " 1e999 ", " ~ "))), 1
                )
            case _:
                lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
    return "".join(lines)


@st.composite
def _mutations(draw: st.DrawFn, text: str) -> str:
    return _mutated(draw, text)


_MANY = settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _problems(text: str, model: type[BaseModel]) -> FileProblems | None:
    try:
        read_text(text, model, file="x.yaml")
    except FileProblems as problems:
        return problems
    return None


@pytest.mark.parametrize("kind", ["sequence", "bench"])
@_MANY
@given(data=st.data())
def test_a_spoilt_file_is_valid_or_complained_of(kind: str, data: st.DataObject) -> None:
    """Lines lost, doubled, swapped and letters changed: the reader returns a model or `FileProblems`, nothing else."""
    text, model = (SEQUENCE, sequence_model()) if kind == "sequence" else (BENCH, bench_model())
    problems = _problems(data.draw(_mutations(text)), model)
    if problems is not None:
        assert problems.complaints
        assert all(one.message and one.file == "x.yaml" for one in problems.complaints)
        assert "\x1b" not in str(problems)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(sequence=_mutations(SEQUENCE), bench=_mutations(BENCH))
def test_spoilt_files_never_end_a_proof_in_a_traceback(tmp_path: Path, sequence: str, bench: str) -> None:
    """`validate` of spoilt files ends with 0 or 2, and with a complaint if with 2."""
    (tmp_path / "s.yaml").write_text(sequence, encoding="utf-8")
    (tmp_path / "b.yaml").write_text(bench, encoding="utf-8")
    result = _invoke(tmp_path, "validate", "s.yaml", "--bench", "b.yaml")
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code in (0, 2)
    assert (result.exit_code == 2) == bool(result.stderr)
