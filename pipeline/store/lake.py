"""
Delta Lake tables of a home.

Two kinds live side by side. Tables *as loaded* only grow, partitioned by month where they are large.
*Derived* tables are replaced owner by owner (a device or a drain); where an owner's rows lie says `buckets`.
Every row carries the digest of what made it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.store.buckets import bucket_in, bucket_of, by_the_minute
from pipeline.store.encoding import writer_properties
from pipeline.store.engine_words import first_sentence
from pipeline.store.had import Had, among
from pipeline.store.opened import open_newest, opened_for_change
from pipeline.store.place import Place, place_of, speaking_of
from schemas.errors import LakeError, LedgerError
from schemas.table import TEXT, Table

if TYPE_CHECKING:  # these take longer to import than a small table takes to read
    from deltalake import DeltaTable
    from pyarrow.dataset import Dataset

# Versions that an extract was made from must stay readable, so neither the log nor old files expire.
KEPT = {
    "delta.logRetentionDuration": "interval 36500 days",
    "delta.deletedFileRetentionDuration": "interval 36500 days",
}
_DERIVED = {"owner": TEXT, "made_from": TEXT, "bucket": pl.Int32()}


@dataclass(frozen=True)
class Lake:
    """
    The Delta tables below one folder, or below one prefix of an object store.

    Parameters
    ----------
    root
        A folder, or a place in an object store.
    versions
        Table → the version to read it at, for reading only; null: every table as it stands.
    """

    root: Path | Place
    versions: Mapping[str, int] | None = None

    @property
    def place(self) -> Place:
        """Where the tables lie."""
        return place_of(self.root)

    @property
    def anywhere(self) -> Lake:
        """The same lake, found from any working folder: for a process elsewhere that sees the same drive."""
        return replace(self, root=self.root.absolute()) if isinstance(self.root, Path) else self

    def path(self, table: Table) -> Path:
        """Folder of the table, in a lake on a disk; elsewhere ask `address`."""
        if not isinstance(self.root, Path):
            raise LakeError(f"{self.address(table)}: lies in an object store and has no path here.")
        return self.root / table.name

    def address(self, table: Table) -> str:
        """Where the table lies, for people and engines: a path or an object store's address."""
        return self._of(table).address

    def _of(self, table: Table) -> Place:
        return self.place.child(table.name)

    def has(self, table: Table) -> bool:
        """Whether anything was ever written to the table."""
        known = self.versions is None or table.name in self.versions
        return known and self._of(table).has_table()

    def scan(self, table: Table) -> pl.LazyFrame:
        """The table's rows in its contract's columns, in no order."""
        return self._scan_parts(table, None).select(table.names)

    def scan_owners(self, table: Table, owners: Sequence[str]) -> pl.LazyFrame:
        """Rows of a derived table that belong to these owners."""
        buckets = {str(bucket_of(owner)) for owner in owners}
        rows = self._scan_parts(table, buckets if by_the_minute(table) else None)
        return rows.filter(pl.col("owner").is_in(list(owners))).select(table.names)

    def _scan_parts(self, table: Table, buckets: set[str] | None) -> pl.LazyFrame:
        """
        The table's files, of these buckets where any are named, with the month of a partition as a column.

        Read from the names that the Delta log gives below the table: the engines' own scans take the home's
        path for an address and trip over a blank in it.
        """
        derived = table.dtypes | {name: _DERIVED[name] for name in ("owner", "made_from")}
        # A bucket's number is no column of its rows: all buckets are one scan, not one query put together.
        wanted: dict[tuple[str | None, str], list[str]] = {}
        for (partition, value), files in self._parts(table).items():
            if buckets is None or value in buckets:
                wanted.setdefault((partition, "" if partition == "bucket" else value), []).extend(files)
        parts: list[pl.LazyFrame] = []
        for (partition, value), files in wanted.items():
            stored = derived if partition == "bucket" else table.dtypes
            rows = pl.scan_parquet(
                files,
                glob=False,
                hive_partitioning=False,
                storage_options=self.place.scan,
                credential_provider=None,
                schema={name: dtype for name, dtype in stored.items() if name != partition},
                missing_columns="insert",
                extra_columns="ignore",
            )
            if partition in stored:
                rows = rows.with_columns(pl.lit(value).cast(stored[partition]).alias(partition))
            parts.append(rows.select(list(stored)))
        return pl.concat(parts) if parts else pl.LazyFrame(schema=derived)

    def _parts(self, table: Table) -> dict[tuple[str | None, str], list[str]]:
        """Files that make the table now, by the column and value of their partition, in order."""
        if not self.has(table):
            return {}
        try:
            added = pl.DataFrame(self._reading(table).get_add_actions(flatten=True))
        except LedgerError:
            raise
        except Exception as error:  # the many exceptions of a broken Delta log are not one family
            said = first_sentence(error)
            raise LakeError(
                f"lake table {table.name}: cannot be opened ({said}); run `drainledger rebuild`."
            ) from error
        partition = next(
            (c.removeprefix("partition.") for c in added.columns if c.startswith("partition.")), None
        )
        values = added[f"partition.{partition}"].cast(pl.String) if partition else [""] * added.height
        where = self.address(table)
        parts: dict[tuple[str | None, str], list[str]] = {}
        for value, name in sorted(zip(values, added["path"], strict=True)):
            parts.setdefault((partition, value), []).append(f"{where}/{name}")
        return parts

    def open(self, table: Table) -> DeltaTable:
        """The table as Delta Lake sees it, at the version asked for."""
        from deltalake import DeltaTable

        version = None if self.versions is None else self.versions[table.name]
        place = self._of(table)
        with speaking_of(place):
            return DeltaTable(place.address, version=version, storage_options=place.engine)

    def _reading(self, table: Table) -> DeltaTable:
        """The same, for reading alone: one that stands as it stood is not opened twice."""
        return open_newest(self._of(table)) if self.versions is None else self.open(table)

    def append(self, table: Table, frame: pl.DataFrame) -> None:
        """Add rows to a table as loaded; an empty frame adds nothing and no version."""
        if frame.height == 0 and self.has(table):
            return
        self._write(table, table.conform(frame), "month" if "month" in table.names else None)

    def replace(
        self,
        table: Table,
        made: dict[str, str],
        frame: pl.DataFrame,
        owner: pl.Expr,
        had: Had | None = None,
    ) -> None:
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
        had
            Which rows these owners may have that are to go; unsaid: all that they have. Where there can be
            none the new rows are added, and nothing is looked for.
        """
        had = Had(frozenset(made)) if had is None else had
        if not made or (frame.height == 0 and (had.nothing or not self.has(table))):
            return
        rows = table.conform(frame).with_columns(owner=owner.cast(pl.String))
        keys = pl.DataFrame(
            {
                "owner": list(made),
                "made_from": list(made.values()),
                "bucket": [bucket_in(table, o) for o in made],
            },
            schema=_DERIVED,
        )
        rows = rows.join(keys, on="owner", how="left", maintain_order="left")
        assert rows["bucket"].null_count() == 0, "rows of an owner that was not named"
        if had.nothing or not self.has(table):
            self._write(table, rows, "bucket")
            return
        predicate = had.predicate(rows)
        if by_the_minute(table):
            predicate = among("bucket", sorted(set(keys["bucket"]))) + " AND " + predicate
        if rows.height == 0:
            self._delete(table, predicate)
            return
        self._write(table, rows, "bucket", predicate)

    def _write(
        self, table: Table, rows: pl.DataFrame, partition: str | None, predicate: str | None = None
    ) -> None:
        from deltalake import write_deltalake

        # Merged schemas: a later version of the code may bring a column that older files lack.
        place = self._of(table)
        columns = [partition] if partition else None
        with speaking_of(place), opened_for_change(place) as target:
            if predicate is None:
                write_deltalake(
                    target,
                    rows,
                    mode="append",
                    partition_by=columns,
                    schema_mode="merge",
                    configuration=KEPT,
                    writer_properties=writer_properties(table),
                    storage_options=place.engine,
                )
            else:
                write_deltalake(
                    target,
                    rows,
                    mode="overwrite",
                    predicate=predicate,
                    partition_by=columns,
                    schema_mode="merge",
                    writer_properties=writer_properties(table),
                    storage_options=place.engine,
                )

    def _delete(self, table: Table, predicate: str) -> None:
        with speaking_of(self.place), opened_for_change(self._of(table)) as target:
            opened = self.open(table) if isinstance(target, str) else target
            opened.delete(predicate, writer_properties=writer_properties(table))

    def remove(self, table: Table, column: str, values: Iterable[str]) -> None:
        """Delete the rows whose column holds one of the values, in one commit."""
        wanted = sorted(set(values))
        if wanted and self.has(table):
            self._delete(table, among(column, wanted))

    def version(self, table: Table) -> int | None:
        """Version of the table; null where nothing was ever written."""
        return self._reading(table).version() if self.has(table) else None

    def files(self, table: Table) -> list[str]:
        """Addresses of the Parquet files that make the table now, in order: absolute paths, or s3://…"""
        return sorted(name for names in self._parts(table).values() for name in names)

    def dataset(self, table: Table, files: Sequence[str]) -> Dataset:
        """Files of a table, as `files` gave them, as an Arrow dataset in its contract's columns."""
        from pyarrow import dataset

        place = self._of(table)
        files = [name.removeprefix("s3://") for name in files]
        # Texts as DuckDB asks for them (string_view): Arrow compares them with nothing else.
        schema = table.empty().to_arrow(compat_level=pl.CompatLevel.newest()).schema
        return dataset.dataset(files, schema=schema, filesystem=place.filesystem, format="parquet")

    def size_bytes(self) -> int:
        """Bytes of everything below, old versions included."""
        return sum(self.place.sizes().values())

    def set_aside(self) -> str | None:
        """Move a lake that cannot be read to a place beside, never delete it; says where."""
        return self.place.set_aside()
