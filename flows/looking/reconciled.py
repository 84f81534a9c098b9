"""What was put right in a ledger on purpose: files withdrawn, and what was erased."""

from __future__ import annotations

from collections.abc import Iterable

from flows.keeping.withdrawals import withdrawals
from pipeline.query.rows import Rows
from pipeline.store import Home
from pipeline.store.erasures import read_erasures

_WITHDRAWN = ("digest", "name", "kind", "withdrawn_on", "why")
_ERASURE = ("record", "erased_on", "asked", "rows", "files", "done")


def withdrawn(home: Home, among: Iterable[str]) -> Rows:
    """Files of these digests that do not count any more, the latest first."""
    found = [tuple(getattr(one, name) for name in _WITHDRAWN) for one in withdrawals(home, among)]
    return Rows(_WITHDRAWN, [False] * len(_WITHDRAWN), False, found)


def erased(home: Home) -> Rows:
    """What was erased, a row a record; none of them names anybody."""
    found = [
        (one.name, one.erased_on, one.asked, one.counts.get("rows"), one.counts.get("files"), one.done)
        for one in read_erasures(home.private)
    ]
    return Rows(_ERASURE, [name in ("rows", "files") for name in _ERASURE], False, found)
