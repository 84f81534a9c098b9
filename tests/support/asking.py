"""A published database asked as the pages ask it, and the cohort's page of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.query.reader import reader
from pipeline.report import Ask
from pipeline.report.cohort_page import cohort_page
from pipeline.report.worth_looking import worth_looking


@contextmanager
def asking(database: Path) -> Iterator[Ask]:
    """Asks it for as long as it is open."""
    with reader(database) as connection:

        def ask(sql: str, *values: Any) -> pl.DataFrame:
            answer: pl.DataFrame = connection.sql(sql, params=list(values)).pl()
            return answer

        yield ask


def cohort_html(database: Path, rules: tuple[str, ...] = ()) -> str:
    """The cohort's page, with links to five drains that stand out."""
    with asking(database) as ask:
        drains = worth_looking(ask, 5)
        links = {drain: f"drains/{drain}.html" for drain in drains["drain_id"].to_list()}
        return cohort_page(ask, drains, links, how_chosen="for what stands out", rules=rules)
