"""What does not add up in a ledger, and what was put right on purpose: the end of `status`."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import duckdb
import polars as pl

from flows.keeping.withdrawals import withdrawals
from pipeline.marts.reader import reader, rows_of
from pipeline.store import Home
from pipeline.store.erasures import read_erasures
from schemas.errors import LedgerError
from schemas.lake import LOAD_FILE
from schemas.vocabulary import FileStatus

_FINDINGS = """
SELECT
  site,
  finding,
  count(*) AS findings,
  count(DISTINCT drain_id) AS drains,
  count(DISTINCT device) AS devices,
  sum(minutes)::BIGINT AS minutes,
  any_value(detail ORDER BY detail) AS for_example
FROM data_quality
WHERE finding IS NOT NULL
GROUP BY ALL
ORDER BY ALL
"""
_WITHDRAWN = ("digest", "name", "kind", "withdrawn_on", "why")
_ERASURE = {
    "record": pl.String(),
    "erased_on": pl.String(),
    "asked": pl.String(),
    "rows": pl.Int64(),
    "files": pl.Int64(),
    "done": pl.Boolean(),
}


@dataclass(frozen=True)
class Reconciled:
    """
    `findings`: what `data_quality` found, a row a site and finding, with one of them as an example.
    `withdrawn`: files that do not count any more. `erasures`: a row a record; none of them names anybody.
    """

    findings: pl.DataFrame
    withdrawn: pl.DataFrame
    erasures: pl.DataFrame


def reconciled(home: Home) -> Reconciled:
    """Look at the published findings and at what was withdrawn and erased; reads only."""
    erasures = [
        {
            "record": erasure.name,
            "erased_on": erasure.erased_on,
            "asked": erasure.asked,
            "rows": erasure.counts.get("rows"),
            "files": erasure.counts.get("files"),
            "done": erasure.done,
        }
        for erasure in read_erasures(home.private)
    ]
    status = pl.col("status") == FileStatus.WITHDRAWN.value
    among = home.lake.scan(LOAD_FILE).filter(status).select("file_sha256").collect()["file_sha256"]
    out = [asdict(one) for one in withdrawals(home, among)]
    return Reconciled(
        _findings(home),
        pl.DataFrame(out, schema=dict.fromkeys(_WITHDRAWN, pl.String())),
        pl.DataFrame(erasures, schema=_ERASURE),
    )


def _findings(home: Home) -> pl.DataFrame:
    if not home.database.exists():
        return pl.DataFrame()
    try:
        with reader(home.database) as connection:
            return rows_of(connection.sql(_FINDINGS))
    except (duckdb.Error, LedgerError):
        return pl.DataFrame()
