"""The token of the page: shown once, kept as its hash, and the end of every cookie of the one before it."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest

from sequencer.watch.tokens import HOLDS_S, TokenFile


def test_a_token_opens_and_only_its_hash_is_kept(tmp_path: Path) -> None:
    """What is kept is SHA-256 of the token, readable by this user alone; nothing near it opens."""
    file = TokenFile.within(tmp_path / "of" / "ours")  # folders that are not there yet
    token = file.make()
    assert len(token) >= 43  # 256 bits in base64
    assert file.path.parent.stat().st_mode & 0o777 == 0o700
    content = file.path.read_text()
    assert token not in content
    assert json.loads(content)["sha256"] == hashlib.sha256(token.encode()).hexdigest()
    assert file.path.stat().st_mode & 0o777 == 0o600
    assert file.is_token(token)
    for wrong in ("", token[:-1], token + "x", token.swapcase(), "µ" * 300):
        assert not file.is_token(wrong)
    assert [one.name for one in file.path.parent.iterdir()] == [file.path.name]
    assert not file.is_token("")
    other = file.make()  # where the folder is there already
    assert (file.is_token(token), file.is_token(other)) == (False, True)


def test_a_cookie_holds_for_its_time_and_as_long_as_its_token(tmp_path: Path) -> None:
    """It outlives the server, ends with its time, cannot be lengthened, and a new token ends it."""
    file = TokenFile.within(tmp_path)
    assert not file.is_cookie(file.cookie())
    file.make()
    assert HOLDS_S == 90 * 24 * 60 * 60
    cookie = file.cookie(now_s=1000.0)
    assert TokenFile.within(tmp_path).is_cookie(cookie, now_s=1000.0 + HOLDS_S - 1)
    assert not file.is_cookie(cookie, now_s=1001.0 + HOLDS_S)
    until, _, signature = cookie.partition(".")
    assert not file.is_cookie(f"{int(until) + 1}.{signature}", now_s=1000.0)
    for wrong in ("", ".", until, f".{signature}", f"{until}.", f"{until}.é", "9" * 400):
        assert file.is_cookie(wrong, now_s=1000.0) is False
    assert file.is_cookie(file.cookie(now_s=9e14), now_s=0.0)
    assert not file.is_cookie(
        file.cookie(now_s=1e15), now_s=0.0
    )  # of a time with more than 15 digits none is
    file.make()
    assert not file.is_cookie(cookie, now_s=1000.0)


@pytest.mark.skipif(os.name == "nt", reason="modes of files are POSIX's")
def test_a_file_that_others_can_read_opens_nothing(tmp_path: Path) -> None:
    """A hash that others may have read, or a file that is damaged, lets nobody in."""
    file = TokenFile.within(tmp_path)
    token = file.make()
    file.path.chmod(0o644)
    assert not file.is_token(token)
    file.path.chmod(0o600)
    for content in ("", "[]", "{}", '{"sha256": 7}', '{"sha256": ""}'):
        file.path.write_text(content)
        assert not file.is_token("")
        assert not file.is_cookie(file.cookie())
