"""The service files that two pages print, on unattended runs and on jobs: systemd takes them without a word; they call commands of ours.

Outside the project: `systemd-analyze verify`, which ends with status 0 on unknown keys, so that its silence is asked for.
"""

from __future__ import annotations

import configparser
import os
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from sequencer.safety.watchdog.process import IGNORED
from tests.support.page_blocks import PAGES, blocks_of, parse_command

PROGRAM = "/opt/radio-bench/bin/sequencer"


def _files() -> dict[str, str]:
    """Return the text of each file on the page, by its name."""
    found = {}
    for block in (*blocks_of(PAGES["unattended.md"]), *blocks_of(PAGES["jobs.md"])):
        if block.language == "ini":
            named = re.match(r"# /etc/systemd/system/([\w-]+\.(?:service|timer))\n", block.text)
            assert named is not None, block.text
            found[named[1]] = block.text
    return found


def _complaints(folder: Path, files: dict[str, str]) -> str:
    """Return what systemd says of the files; the program they call, which is not installed here, is another that is."""
    if (program := shutil.which("systemd-analyze")) is None:
        if os.environ.get("SEQUENCER_TEST_ALL"):
            pytest.fail("systemd-analyze is not installed; .ci/system-packages does it", pytrace=False)
        pytest.skip("systemd-analyze is not installed")
    for name, text in files.items():
        (folder / name).write_text(text.replace(PROGRAM, "/bin/true"), encoding="utf-8")
    done = subprocess.run(
        [program, "verify", "--man=no", "--recursive-errors=no", *(str(folder / name) for name in files)],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    return done.stdout + done.stderr


def test_systemd_takes_them_without_a_word(tmp_path: Path) -> None:
    """All four, with the timer's service beside it."""
    files = _files()
    assert set(files) == {
        "radio-bench-night.timer",
        "radio-bench-night.service",
        "radio-bench.service",
        "radio-bench-worker.service",
    }
    assert _complaints(tmp_path, files) == ""


@pytest.mark.parametrize("wrong", ["KilMode=mixed", "TimeoutStopSec=3 minuets", "KillMode=controll-group"])
def test_a_mistake_in_one_would_be_seen(tmp_path: Path, wrong: str) -> None:
    """The check can fail: an unknown key, a bad time, a bad value."""
    text = _files()["radio-bench-night.service"].replace("[Service]\n", f"[Service]\n{wrong}\n")
    line = text.splitlines().index(wrong) + 1
    assert f"wrong.service:{line}: " in _complaints(tmp_path, {"wrong.service": text})


@pytest.mark.parametrize("name", [name for name in _files() if name.endswith(".service")])
def test_what_a_service_calls_is_a_command_of_ours_and_shares_the_bench_s_locks(name: str) -> None:
    """Every option exists; and nothing hides /var/tmp, where other processes leave word of the bench."""
    file = configparser.RawConfigParser(strict=False)
    file.optionxform = str  # type: ignore[assignment,method-assign]
    file.read_string(_files()[name])
    service = file["Service"]
    words = shlex.split(service["ExecStart"])
    assert words[0] == PROGRAM
    options = parse_command(words[1:])
    assert options["every"] if words[1] == "run" else service["Restart"] == "always"
    assert str(options["folder"]).startswith(f"/var/lib/{service['StateDirectory']}/")
    assert not {"PrivateTmp", "DynamicUser"} & set(service)
    # all but SIGKILL at once: the watchdog, which ignores SIGTERM, outlives a run that was killed (systemd.kill(5))
    assert (service["KillMode"], service["SuccessExitStatus"]) == ("control-group", "1 4")
    assert "SIGTERM" in IGNORED
    assert re.fullmatch(r"[1-9]\d*min", service["TimeoutStopSec"])
