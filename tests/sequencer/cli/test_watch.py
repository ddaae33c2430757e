"""`watch` on the command line: what it refuses before it listens, the token, TLS, and an end that is no error.

``tests/data/watch-certificate.pem`` and its key are of these tests alone: self-signed, for bench.example and 127.0.0.1.
"""

from __future__ import annotations

import re
import signal
import socket
import ssl
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest
from click.testing import CliRunner

from sequencer.cli.main import main
from sequencer.results.store.store import Store
from tests.support.stored_results import RUN

DATA = Path(__file__).parents[3] / "tests" / "data"
CERTIFICATE, KEY = DATA / "watch-certificate.pem", DATA / "watch-key.pem"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a store, and a state folder of the test's own."""
    with Store.open(tmp_path / "results.sqlite") as store:
        store.write_run(RUN)
    monkeypatch.setenv("SEQUENCER_STATE", str(tmp_path / "state"))
    return tmp_path


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--address", "bench.example"), "--address: not an address"),
        (("--address", "0.0.0.0"), "there is no token"),
        (("--certificate", str(CERTIFICATE)), "--key: it goes with --certificate, and is missing"),
        (("--key", str(KEY)), "--certificate: it goes with --key, and is missing"),
        (("--certificate", "nope.pem", "--key", str(KEY)), "--certificate: there is no such file"),
        (("--certificate", str(KEY), "--key", str(CERTIFICATE)), "cannot be used together"),
        (("--name", "bad name"), "--name: not a host's name"),
        (("--port", "70000"), "0<=x<=65535"),
        (("--address", "192.0.2.1", "--port", "0"), "there is no token"),
    ],
)
def test_wrong_input_is_refused_before_anything_listens(
    folder: Path, words: tuple[str, ...], says: str
) -> None:
    """Where, what, and what would do; status 2."""
    done = CliRunner().invoke(main, ("watch", "--folder", str(folder), *words))
    assert done.exit_code == 2
    assert says in done.output
    assert "Traceback" not in done.output


def test_a_store_that_is_not_there_and_a_port_that_is_taken(folder: Path) -> None:
    """Both are said with the next move."""
    done = CliRunner().invoke(main, ("watch", "--folder", str(folder / "none")))
    assert (done.exit_code, "there is no store here" in done.output) == (2, True)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = CliRunner().invoke(main, ("watch", "--folder", str(folder), "--port", port))
    assert done.exit_code == 2
    assert f"port {port} of 127.0.0.1 cannot be listened on" in done.output


def test_a_token_is_shown_once_and_kept_as_its_hash(folder: Path) -> None:
    """On standard output stands the token alone, for a program to take; in the folder its hash; the next is another."""
    first, second = (CliRunner().invoke(main, ("watch", "token")) for _ in range(2))
    assert (first.exit_code, second.exit_code) == (0, 0)
    tokens = [done.stdout.strip() for done in (first, second)]
    assert tokens[0] != tokens[1]
    assert all(re.fullmatch(r"[\w-]{43}", one) for one in tokens)
    (kept,) = (folder / "state").iterdir()
    assert kept.stat().st_mode & 0o777 == 0o600
    assert not any(one in kept.read_text() for one in tokens)


def test_it_serves_by_tls_and_ends_without_error_when_it_is_asked_to(folder: Path) -> None:
    """The address it prints answers, under the certificate's own name; SIGTERM ends it with status 0."""
    words = (
        "watch",
        "--folder",
        str(folder),
        "--port",
        "0",
        "--certificate",
        str(CERTIFICATE),
        "--key",
        str(KEY),
    )
    log = folder / "log"
    with (
        log.open("w") as said,
        subprocess.Popen(
            [sys.executable, "-m", "sequencer", *words], stdout=subprocess.PIPE, stderr=said, text=True
        ) as process,
    ):
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        assert re.fullmatch(r"https://127\.0\.0\.1:\d+/", address), log.read_text()
        trusted = ssl.create_default_context(cafile=str(CERTIFICATE))
        with urllib.request.urlopen(address, context=trusted, timeout=60) as answer:
            assert "Benches now" in answer.read().decode()
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
    assert log.read_text() == "The page has ended.\n"
