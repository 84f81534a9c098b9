"""
Delta Lake tables of a home.

Two kinds live side by side. Tables *as loaded* only grow, partitioned by month where they are large.
*Derived* tables are replaced owner by owner (a device or a drain); they are partitioned into buckets by a
hash of the owner so that a scattered night rewrites little, and every row carries the digest of what made it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl
from deltalake import DeltaTable, WriterProperties

from schemas.errors import LedgerError
from schemas.table import TEXT, Table

BUCKETS = 16
# Versions that an extract was made from must stay readable, so neither the log nor old files expire.
_KEEP = {
    "delta.logRetentionDuration": "interval 36500 days",
    "delta.deletedFileRetentionDuration": "interval 36500 days",
}
_WRITER = WriterProperties(compression="ZSTD", compression_level=3)
_DERIVED = {"owner": TEXT, "made_from": TEXT, "bucket": pl.Int32()}


def bucket_of(owner: str) -> int:
    """
    The bucket of an owner, the same on every machine.

    Examples
    --------
    >>> 0 <= bucket_of("lakeside:DV-0001") < BUCKETS
    True
    """
    return int.from_bytes(hashlib.sha256(owner.encode()).digest()[:4], "big") % BUCKETS


@dataclass(frozen=True)
class Lake:
    """The Delta tables below one folder."""

    root: Path

    def path(self, table: Table) -> Path:
        """Folder of the table."""
        return self.root / table.name

    def has(self, table: Table) -> bool:
        """Whether anything was ever written to the table."""
        return (self.path(table) / "_delta_log").is_dir()

    def scan(self, table: Table) -> pl.LazyFrame:
        """The table's rows in its contract's columns, in no order."""
        return self._scan_whole(table).select(table.names)

    def scan_owners(self, table: Table, owners: Sequence[str]) -> pl.LazyFrame:
        """Rows of a derived table that belong to these owners."""
        buckets = sorted({bucket_of(owner) for owner in owners})
        return (
            self._scan_whole(table, derived=True)
            .filter(pl.col("bucket").is_in(buckets) & pl.col("owner").is_in(list(owners)))
            .select(table.names)
        )

    def _scan_whole(self, table: Table, *, derived: bool = False) -> pl.LazyFrame:
        if not self.has(table):
            extra = _DERIVED if derived else {}
            return pl.LazyFrame(schema=table.dtypes | extra)
        try:
            return pl.scan_delta(str(self.path(table)))
        except Exception as error:  # the many exceptions of a broken Delta log are not one family
            raise LedgerError(
                f"lake table {table.name}: cannot be opened ({error}); run `drainledger rebuild`."
            ) from error

    def append(self, table: Table, frame: pl.DataFrame) -> None:
        """Add rows to a table as loaded; an empty frame adds nothing and no version."""
        if frame.height == 0 and self.has(table):
            return
        options: dict[str, object] = {"configuration": _KEEP, "writer_properties": _WRITER}
        if "month" in table.names:
            options["partition_by"] = ["month"]
        table.conform(frame).write_delta(
            str(self.path(table)),
            mode="append",
            delta_write_options=options,
        )

    def replace(self, table: Table, made: dict[str, str], frame: pl.DataFrame, owner: pl.Expr) -> None:
        """
        Put the rows of some owners in place of what these owners had, in one commit.

        Parameters
        ----------
        made
            Owner → digest of what its rows were made from; an owner without rows loses what it had.
        frame
            Rows of these owners only.
        owner
            Expression over the frame that gives a row's owner.
        """
        if not made or (frame.height == 0 and not self.has(table)):
            return
        rows = table.conform(frame).with_columns(owner=owner.cast(pl.String))
        keys = pl.DataFrame(
            {
                "owner": list(made),
                "made_from": list(made.values()),
                "bucket": [bucket_of(o) for o in made],
            },
            schema=_DERIVED,
        )
        rows = rows.join(keys, on="owner", how="left", maintain_order="left")
        assert rows["bucket"].null_count() == 0, "rows of an owner that was not named"
        if not self.has(table):
            rows.write_delta(
                str(self.path(table)),
                mode="append",
                delta_write_options={
                    "partition_by": ["bucket"],
                    "configuration": _KEEP,
                    "writer_properties": _WRITER,
                },
            )
            return
        predicate = _among("bucket", sorted(set(keys["bucket"]))) + " AND " + _among("owner", sorted(made))
        if rows.height == 0:
            DeltaTable(self.path(table)).delete(predicate)
            return
        rows.write_delta(
            str(self.path(table)),
            mode="overwrite",
            delta_write_options={"predicate": predicate, "writer_properties": _WRITER},
        )

    def remove(self, table: Table, column: str, values: Iterable[str]) -> None:
        """Delete the rows whose column holds one of the values, in one commit."""
        wanted = sorted(set(values))
        if wanted and self.has(table):
            DeltaTable(self.path(table)).delete(_among(column, wanted))

    def version(self, table: Table) -> int | None:
        """Version of the table; null where nothing was ever written."""
        return DeltaTable(self.path(table)).version() if self.has(table) else None

    def files(self, table: Table) -> list[str]:
        """Absolute paths of the Parquet files that make the table now, in order."""
        if not self.has(table):
            return []
        return sorted(DeltaTable(self.path(table).resolve()).file_uris())

    def size_bytes(self) -> int:
        """Bytes below the folder."""
        return sum(p.stat().st_size for p in self.root.rglob("*") if p.is_file())


def _among(column: str, values: Sequence[str] | Sequence[int]) -> str:
    quoted = [str(v) if isinstance(v, int) else "'" + v.replace("'", "''") + "'" for v in values]
    return f"{column} IN ({', '.join(quoted)})"
