"""A program of its own, called by its path: tells notification services, and answers which took the message. Imports nothing of ours.

Apart because the library keeps 15 MB and is slow to import, logs addresses with their tokens below WARNING [measured: 2.3.0], and may
wait for a network longer than a bench should. Standard input: JSON with ``addresses``, and ``title`` and ``text``, or ``check``.
Standard output: JSON, for each address the service's name and whether it took the message (or, to check, is known).
"""

from __future__ import annotations

import json
import logging
import os
import sys
from typing import Any


def main() -> None:
    """Do what standard input asks."""
    asked = json.load(sys.stdin)
    answer = os.fdopen(os.dup(1), "w", encoding="utf-8")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):  # whatever the library or one of its services prints may hold an address
        os.dup2(nowhere, stream)
    logging.disable(logging.CRITICAL)
    answer.write(json.dumps([_told(address, asked) for address in asked["addresses"]]))
    answer.flush()


def _told(address: str, asked: dict[str, Any]) -> tuple[str, bool]:
    from apprise import Apprise

    service = Apprise.instantiate(address)
    if service is None:
        return "unknown service", False
    name = str(getattr(service, "service_name", None) or type(service).__name__)
    if asked.get("check"):
        return name, True
    several = Apprise()
    several.add(service)
    return name, bool(several.notify(title=asked["title"], body=asked["text"], body_format="text"))


if __name__ == "__main__":
    main()
