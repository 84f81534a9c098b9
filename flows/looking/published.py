"""What the published database says of itself: whether all of it can be read, and what does not add up."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from flows.loading.findings import NONE, findings_by_site
from pipeline.query.reader import reader, whole
from pipeline.query.rows import Rows
from schemas.errors import LedgerError


@dataclass(frozen=True)
class Published:
    """
    `readable`: whether there is a database and every block of it can be read. `findings`: what its table
    `data_quality` found, a row a site and finding, with one of them as an example.
    """

    readable: bool
    findings: Rows


@contextmanager
def looked_at(database: Path) -> Iterator[Future[Published]]:
    """
    Look at a published database while the caller goes on.

    The engine reads every block, and needs neither frames nor the lake: whoever looks at those as well
    imports and reads them meanwhile.
    """
    with ThreadPoolExecutor(1) as beside:
        yield beside.submit(look_at, database)


def look_at(database: Path) -> Published:
    """Look at a published database; reads only."""
    if not database.exists():
        return Published(False, NONE)
    try:
        with reader(database) as connection:
            if whole(connection):
                return Published(True, findings_by_site(connection))
        # A fault may have spoilt that connection for everything else.
        with reader(database) as connection:
            return Published(False, findings_by_site(connection))
    except LedgerError:
        return Published(False, NONE)
