"""What was put right in a ledger on purpose: files withdrawn, and what was erased."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import polars as pl

from flows.keeping.withdrawals import withdrawals
from pipeline.store import Home
from pipeline.store.erasures import read_erasures
from schemas.lake import LOAD_FILE
from schemas.vocabulary import FileStatus

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
    `withdrawn`: files that do not count any more. `erasures`: a row a record; none of them names anybody.
    """

    withdrawn: pl.DataFrame
    erasures: pl.DataFrame


def reconciled(home: Home) -> Reconciled:
    """Look at what was withdrawn and erased; reads only."""
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
        pl.DataFrame(out, schema=dict.fromkeys(_WITHDRAWN, pl.String())),
        pl.DataFrame(erasures, schema=_ERASURE),
    )
