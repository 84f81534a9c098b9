"""
Delta tables on a disk, opened once and again only when their log has become another.

Opening a table reads its log from the last checkpoint on, which costs more than reading a small table's
rows, and a load asks some tables a dozen times. What a log says depends on its entries alone: as long as
these are the very files they were, a table that was opened over them still says what they say.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pipeline.store.place import Place, speaking_of

if TYPE_CHECKING:
    from deltalake import DeltaTable

Log = frozenset[tuple[str, int, int, int]]  # as `Place.log_entries`

_MOST = 64  # tables kept open: those of two homes; which one goes is of no matter
_OPENED: dict[str, tuple[Log, DeltaTable]] = {}


def open_newest(place: Place) -> DeltaTable:
    """
    The table at a place as it stands; for reading, since the same one is given to whoever asks next.

    In an object store it is always opened anew: asking for its log's entries takes as long.
    """
    from deltalake import DeltaTable

    # Looked at before the table is opened: an entry that comes in between makes it stale, never wrong.
    log, address = place.log_entries(), place.address
    kept = _OPENED.get(address)
    if kept is not None and kept[0] == log:
        return kept[1]
    with speaking_of(place):
        table = DeltaTable(address, storage_options=place.engine)
    if log is not None:
        _keep(address, log, table)
    return table


@contextmanager
def opened_for_change(place: Place) -> Iterator[DeltaTable | str]:
    """
    The table at a place, to commit to within; it stands as the newest afterwards.

    Its address alone where no table is there yet, or where it lies in an object store. If something fails, or
    another process commits meanwhile, the next who asks opens it anew.
    """
    from deltalake.exceptions import TableNotFoundError

    address = place.address
    if not place.log_entries():
        yield address
        return
    try:
        table = open_newest(place)
    except TableNotFoundError:
        yield address
        return
    _OPENED.pop(address, None)
    yield table
    log = place.log_entries()
    entries = {name for name, *_ in log or ()}
    version = table.version()
    if log and _entry(version) in entries and _entry(version + 1) not in entries:
        _keep(address, log, table)


def _keep(address: str, log: Log, table: DeltaTable) -> None:
    _OPENED.pop(address, None)
    while len(_OPENED) >= _MOST:
        _OPENED.pop(next(iter(_OPENED)), None)
    _OPENED[address] = log, table


def _entry(version: int) -> str:
    return f"{version:020}.json"
