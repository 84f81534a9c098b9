"""Who left with the tube is said in one way, whether in SQL or in the computing."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import duckdb
import polars as pl

import pipeline.marts
from pipeline.cohort.removal import came_out
from schemas.vocabulary import RemovalReason

MACRO = Path(str(pipeline.marts.__file__)).parent / "sql" / "removal.sql"


def test_the_macro_and_the_computing_agree_on_every_reason() -> None:
    rows = list(product([None, 1], [None, *(reason.value for reason in RemovalReason)]))
    drains = pl.DataFrame(
        rows, schema={"tube_out_at": pl.Int64(), "removal_reason": pl.String()}, orient="row"
    )
    with duckdb.connect() as connection:
        connection.execute(MACRO.read_text())
        asked = [connection.execute("SELECT came_out(?, ?)", list(row)).fetchone() for row in rows]
    computed = drains.select(came_out()).to_series().to_list()
    assert computed == [found[0] for found in asked if found is not None]
    assert set(computed) == {True, False}
