"""Which files the ledger was given and what became of them: logs apart from registries and notes."""

from __future__ import annotations

from datetime import datetime

import polars as pl
from markupsafe import Markup

from pipeline.cohort.paper import RegistryKind
from pipeline.report.ask import Ask
from pipeline.report.table import Col, table

# A log names its device, or was rejected by a site's profile; a registry or a file of notes has a kind of its
# own, and a file without a row names nothing.
# A site is fresh by its logs in force alone: a registry comes on though no log does.
_FILES = """
SELECT
  site,
  count(*) AS files,
  count(*) FILTER (WHERE status = 'loaded') AS loaded,
  count(*) FILTER (WHERE status = 'partial') AS partial,
  count(*) FILTER (WHERE status = 'rejected') AS rejected,
  count(*) FILTER (WHERE status = 'withdrawn') AS withdrawn,
  sum(rows_read)::BIGINT AS rows_read,
  sum(rows_rejected)::BIGINT AS rows_rejected,
  max(exported_at) FILTER (
    WHERE status IN ('loaded', 'partial') AND device IS NOT NULL
  ) AS last_export
FROM load_file
WHERE {log}
GROUP BY site
ORDER BY site
"""

_PAPERS = """
SELECT
  CASE
    WHEN profile IN ({papers}) THEN profile
    WHEN status = 'rejected' THEN 'unread'
    ELSE 'empty'
  END AS kind,
  site,
  count(*) AS files,
  count(*) FILTER (WHERE status = 'loaded') AS loaded,
  count(*) FILTER (WHERE status = 'partial') AS partial,
  count(*) FILTER (WHERE status = 'rejected') AS rejected,
  count(*) FILTER (WHERE status = 'withdrawn') AS withdrawn,
  sum(rows_read)::BIGINT AS rows_read,
  max(exported_at) FILTER (WHERE status IN ('loaded', 'partial')) AS last_export
FROM load_file
WHERE NOT {log}
GROUP BY kind, site
ORDER BY kind IN ('unread', 'empty'), kind DESC, site
"""
_KINDS = ", ".join(f"'{kind.value}'" for kind in RegistryKind)
_LOG = f"""(device IS NOT NULL
  OR (status = 'rejected' AND profile IS NOT NULL AND profile NOT IN ({_KINDS})))"""
_WORDS = {
    RegistryKind.DRAINS.value: "registry of drains",
    RegistryKind.ANNOTATIONS.value: "notes by staff",
    "unread": "a file nobody could tell what it is",
    "empty": "a file without rows",
}


def files_held(ask: Ask) -> list[Markup]:
    """
    Two tables: the logs by site, and the files that are no logs by kind and site.

    A site's latest export is that of its logs in force: a registry that still comes does not make a silent
    site look fresh. An empty or unknown file stands among those that are no logs.

    Parameters
    ----------
    ask
        Reads `load_file`.
    """
    logs, papers = (ask(sql.format(papers=_KINDS, log=_LOG)) for sql in (_FILES, _PAPERS))
    return [_files(logs), _papers(papers)]


def log_reach(ask: Ask) -> tuple[datetime | None, int]:
    """
    When the latest log in force was exported, and how many there are.

    Parameters
    ----------
    ask
        Reads `load_file`.
    """
    latest, logs = ask(
        "SELECT max(exported_at), count(*) FROM load_file "
        "WHERE status IN ('loaded', 'partial') AND device IS NOT NULL"
    ).row(0)
    return latest, int(logs)


def _files(files: pl.DataFrame) -> Markup:
    return table(
        files,
        {
            "site": Col("site", null="site not told"),
            "files": Col("log files"),
            "loaded": Col("whole"),
            "partial": Col("in part"),
            "rejected": Col("rejected"),
            "withdrawn": Col("withdrawn"),
            "rows_read": Col("rows read"),
            "rows_rejected": Col("rows rejected"),
            "last_export": Col("latest export in use, UTC", null="none"),
        },
        "Log files by site, and what became of them; registries and notes stand apart",
        name="files",
        empty="No log has been loaded yet.",
    )


def _papers(papers: pl.DataFrame) -> Markup:
    return table(
        papers,
        {
            "kind": Col("what", words=_WORDS),
            "site": Col("site", null="several, or not told"),
            "files": Col("files"),
            "loaded": Col("whole"),
            "partial": Col("in part"),
            "rejected": Col("rejected"),
            "withdrawn": Col("withdrawn"),
            "rows_read": Col("rows read"),
            "last_export": Col("latest in use made, UTC", null="–"),
        },
        "Files that are no logs: registries, notes, and what could not be told",
        name="papers",
        empty="No file but logs.",
    )
