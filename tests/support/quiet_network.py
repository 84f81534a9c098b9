"""Loaded into every process of a test: no call leaves this machine, and one that is tried is written down."""

from __future__ import annotations

import os
import sys
from pathlib import Path

SITE = "from tests.support.quiet_network import watch; watch()\n"  # text of a sitecustomize.py
RECORD = "QUIET_NETWORK_RECORD"
_HERE = frozenset({"127.0.0.1", "::1", "localhost", "0.0.0.0", ""})


def watch() -> None:
    """Refuse connections to other machines and note them, and names that are looked up, in the record."""
    record = os.environ.get(RECORD)
    if record is None:
        return

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        host: object = None
        if event == "socket.connect" and isinstance(arguments[1], tuple):
            host = arguments[1][0]
        elif event == "socket.getaddrinfo":
            host = arguments[0]
        else:
            return
        name = host.decode() if isinstance(host, bytes) else str(host or "")
        if name not in _HERE:
            with Path(record).open("a", encoding="utf-8") as file:
                file.write(f"{event} {name}\n")
            raise OSError(101, "no network in the tests")

    sys.addaudithook(hook)
