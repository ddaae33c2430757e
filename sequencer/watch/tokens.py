"""The token that opens the page from another machine: shown once when it is made, kept as its hash.

A token has 256 random bits, so that no slow hash is needed: nobody can try them out. Who has shown it gets a cookie that says until when it
holds, under a signature made with the hash; a new token ends all cookies of the one before it.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import time
from contextlib import suppress
from pathlib import Path

from sequencer.frozen import dataclass

NAME = "watch-token.json"
HOLDS_S = 90 * 86_400.0
"""How long a screen stays signed in."""
LONGEST = 200
"""Characters of what may be a token."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TokenFile:
    """The file with the token's hash, in a folder that belongs to this user."""

    path: Path

    @classmethod
    def within(cls, folder: Path) -> TokenFile:
        """Return the file in ``folder``."""
        return cls(path=folder / NAME)

    def make(self) -> str:
        """Make a new token in place of any before it, and return it: it stands nowhere else. OSError."""
        token = secrets.token_urlsafe(32)
        content = json.dumps({"sha256": _hashed(token), "made": int(time.time())})
        beside = self.path.with_name(f".{self.path.name}-{secrets.token_hex(4)}")
        self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(content + "\n")
            beside.replace(self.path)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
        return token

    def hashed(self) -> str:
        """Return the hash of the token that holds now; empty where there is none, or where others can read the file."""
        try:
            if os.name != "nt" and self.path.stat().st_mode & 0o077:
                return ""
            found = json.loads(self.path.read_text(encoding="utf-8"))["sha256"]
        except (OSError, ValueError, KeyError, TypeError):
            return ""
        return found if isinstance(found, str) and len(found) == 64 else ""

    def is_token(self, given: str) -> bool:
        """Say whether this is the token."""
        hashed = self.hashed()
        return bool(hashed) and len(given) <= LONGEST and hmac.compare_digest(_hashed(given), hashed)

    def cookie(self, *, now_s: float | None = None) -> str:
        """Return what a browser keeps of having shown the token."""
        until = str(int((time.time() if now_s is None else now_s) + HOLDS_S))
        return f"{until}.{self._signed(until)}"

    def is_cookie(self, given: str, *, now_s: float | None = None) -> bool:
        """Say whether a browser has shown the token that holds now, not too long ago."""
        until, _, signature = given[:LONGEST].partition(".")
        if not (self.hashed() and until.isascii() and until.isdecimal() and len(until) < 16):
            return False
        is_ours = hmac.compare_digest(signature.encode("utf-8", "replace"), self._signed(until).encode())
        return is_ours and int(until) > (time.time() if now_s is None else now_s)

    def _signed(self, until: str) -> str:
        return hmac.new(self.hashed().encode(), f"watch {until}".encode(), hashlib.sha256).hexdigest()


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
