"""What does not add up by the published database: one count and one wording for load, night and `status`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # whoever only wants the words does without the engine
    import polars as pl

    from pipeline.store import Home

DOES_NOT_ADD_UP = "What does not add up"
# The rows that are counted, and no others.
EVERY_FINDING = "SELECT * FROM data_quality WHERE finding IS NOT NULL"

_BY_SITE = """
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

Findings = tuple[tuple[str, int], ...]


def findings_by_site(home: Home) -> pl.DataFrame:
    """What `data_quality` found, a row a site and finding, with one of them as an example; reads only.

    None where the database cannot be read: what asks for them has done its work, which stands.
    """
    import duckdb
    import polars as pl

    from pipeline.marts.reader import reader, rows_of
    from schemas.errors import LedgerError

    if not home.database.exists():
        return pl.DataFrame()
    try:
        with reader(home.database) as connection:
            return rows_of(connection.sql(_BY_SITE))
    except (duckdb.Error, LedgerError, OSError):
        return pl.DataFrame()


def findings_of(home: Home) -> Findings:
    """Each finding of the published database with how many there are, by name."""
    count: dict[str, int] = {}
    for row in findings_by_site(home).iter_rows(named=True):
        count[row["finding"]] = count.get(row["finding"], 0) + row["findings"]
    return tuple(sorted(count.items()))


def findings_words(findings: Sequence[tuple[str, int]]) -> str:
    """
    How many of each finding, by the names that `data_quality` and `status` have for them.

    Examples
    --------
    >>> findings_words([("dates_far_off", 1), ("drain_without_log", 3)])
    '1 dates_far_off, 3 drain_without_log'
    """
    return ", ".join(f"{number} {finding}" for finding, number in findings)
