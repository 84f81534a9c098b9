"""How a page asks the published database."""

from __future__ import annotations

from typing import Any, Protocol

import polars as pl


class Ask(Protocol):
    """Answers one SELECT, its question marks bound in order. What order rows come in must be asked for."""

    def __call__(self, sql: str, *values: Any) -> pl.DataFrame:
        """The rows of the answer, instants in UTC."""
