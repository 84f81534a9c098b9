"""Which parts of a lake are not what its log says they are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.store.lake import Lake
from schemas.errors import StoreError


@dataclass(frozen=True)
class Damage:
    """One thing that is wrong: the table, the part or log (below the lake), and what is wrong with it."""

    table: str
    name: str
    what: str


def damage(lake: Lake) -> Iterator[Damage]:
    """
    Parts that are gone, parts of another size than was written, and logs that cannot be read; in order.

    One listing of the lake, and one reading of each table's log; no part is opened, so bytes that changed
    while their number stayed are not found here but where the part is read.

    Raises
    ------
    StoreError
        When the object store does not answer.
    """
    from deltalake import DeltaTable

    there = lake.place.sizes()
    tables = sorted({name.partition("/")[0] for name in there if "/_delta_log/" in name})
    for table in tables:
        place = lake.place.child(table)
        try:
            opened = DeltaTable(place.address, storage_options=place.engine)
            added = pl.DataFrame(opened.get_add_actions(flatten=True))
        except Exception as error:  # the many exceptions of a broken Delta log are not one family
            said = place.explained(error)
            if isinstance(said, StoreError):
                raise said from error
            yield Damage(table, f"{table}/_delta_log", "its log cannot be read")
            continue
        for part, size in sorted(zip(added["path"], added["size_bytes"], strict=True)):
            name = f"{table}/{part}"
            if name not in there:
                yield Damage(table, name, "is gone")
            elif there[name] != size:
                yield Damage(table, name, f"has {there[name]} bytes instead of {size}")
