"""What does not add up by the published database: one count and one wording for load, night and `status`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.query.rows import Rows, plain_rows

if TYPE_CHECKING:  # whoever only wants the words does without the engine
    import duckdb

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

NONE = Rows((), (), False, ())
Findings = tuple[tuple[str, int], ...]


def findings_by_site(connection: duckdb.DuckDBPyConnection) -> Rows:
    """
    What `data_quality` found, a row a site and finding, with one of them as an example.

    None where the table cannot be read: what asks for them has something else to say as well.
    """
    import duckdb

    try:
        return plain_rows(connection.sql(_BY_SITE)) or NONE
    except duckdb.Error:
        return NONE


def findings_of(home: Home) -> Findings:
    """Each finding of the published database with how many there are, by name; none if it is unreadable."""
    from pipeline.query.reader import reader
    from schemas.errors import LedgerError

    count: dict[str, int] = {}
    if home.database.exists():
        try:
            with reader(home.database) as connection:
                for row in findings_by_site(connection).dicts():
                    count[row["finding"]] = count.get(row["finding"], 0) + row["findings"]
        except (LedgerError, OSError):
            return ()
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
