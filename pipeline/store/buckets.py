"""
In which partition of a derived table an owner's rows lie.

Tables with a row a minute are cut into buckets by a hash of the owner, so that a scattered night rewrites
little of them. Every other derived table is one: its rows are so few that a night waits for the number of
files it reads and writes, not for what is in them.
"""

from __future__ import annotations

import hashlib

from schemas.table import Table

BUCKETS = 16


def bucket_of(owner: str) -> int:
    """
    The bucket of an owner in a table by the minute, the same on every machine.

    Examples
    --------
    >>> 0 <= bucket_of("lakeside:DV-0001") < BUCKETS
    True
    """
    return int.from_bytes(hashlib.sha256(owner.encode()).digest()[:4], "big") % BUCKETS


def bucket_in(table: Table, owner: str) -> int:
    """The bucket that an owner's rows of a derived table are written to."""
    return bucket_of(owner) if by_the_minute(table) else 0


def by_the_minute(table: Table) -> bool:
    """
    Whether the rows of an owner are in its bucket and nowhere else.

    Of the other tables a part may lie in buckets: earlier versions cut all of them.
    """
    return "minute" in table.names
