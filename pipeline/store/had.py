"""Which rows of a derived table are to go when others come: a predicate in Delta Lake's words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Had:
    """
    Rows of a derived table that are to go: all of some owners, and of others those of some uses.

    Parameters
    ----------
    owners
        Owners of whom all rows go.
    uses
        Uses of other owners of whom all rows go; null where the table knows no uses.
    """

    owners: frozenset[str]
    uses: frozenset[str] | None = None

    @property
    def nothing(self) -> bool:
        """Whether no row can be there."""
        return not self.owners and not self.uses

    def predicate(self, rows: pl.DataFrame) -> str:
        """What holds of every row that is to go and, as Delta Lake demands, of every row that comes."""
        if self.uses is None:
            return among("owner", sorted({*self.owners, *rows["owner"].unique()}))
        uses = among("use_id", sorted({*self.uses, *rows["use_id"].unique()}))
        return f"({uses} OR {among('owner', sorted(self.owners))})" if self.owners else uses


def among(column: str, values: Sequence[str] | Sequence[int]) -> str:
    """A predicate of Delta Lake: the column holds one of the values."""
    quoted = [str(v) if isinstance(v, int) else "'" + v.replace("'", "''") + "'" for v in values]
    return f"{column} IN ({', '.join(quoted)})"
