"""What files are called, for the house: names stand in the private store alone."""

from __future__ import annotations

import polars as pl

from flows.loading.naming import names_apart
from pipeline.store import Home
from pipeline.store.seen import read_sights
from schemas.lake import FILE_NAME


def file_names(home: Home) -> pl.DataFrame:
    """One name a file, of those it was given under the first in the alphabet: `file_sha256`, `name`."""
    return home.private_lake.scan(FILE_NAME).group_by("file_sha256").agg(pl.col("name").min()).collect()


def names_told_apart(home: Home) -> pl.DataFrame:
    """The same; of several files with one name, each by the end of its path where a night saw it lie."""
    names = file_names(home)
    shared = set(names.filter(pl.col("name").is_duplicated())["file_sha256"])
    if not shared:
        return names
    places = {s.digest: s.path for s in read_sights(home.private).values() if s.digest in shared}
    apart = names_apart(places.values())
    called = pl.DataFrame(
        [(digest, apart[path]) for digest, path in places.items()],
        schema={"file_sha256": pl.String, "apart": pl.String},
        orient="row",
    )
    found = names.join(called, on="file_sha256", how="left")
    return found.select("file_sha256", name=pl.coalesce("apart", "name"))
