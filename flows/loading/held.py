"""What the ledger holds already of a file: when it was loaded, how read, and what a load would do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from types import MappingProxyType
from typing import Any

from flows.loading.outcome import READ_AGAIN
from flows.loading.reading import to_be_read_again
from flows.loading.request import Request
from pipeline.store import Home
from schemas.lake import LOAD_FILE
from schemas.vocabulary import FileStatus

_DIGITS = 12  # of a digest, as every command prints them
_ASKED = (
    "file_sha256",
    "status",
    "profile",
    "read_with",
    "rows_read",
    "rows_kept",
    "exported_at",
    "loaded_at",
)


@dataclass(frozen=True)
class Held:
    """
    A file as the ledger holds it; `again`: why the next load reads it again, a word of `READ_AGAIN`.

    `waits` where all of it was rejected: given again it is read again, for its profile may be there now.
    """

    file_sha256: str
    status: str
    profile: str | None
    rows_read: int
    rows_kept: int
    exported_at: datetime | None
    loaded_at: datetime
    again: str | None = None

    @property
    def waits(self) -> bool:
        """Whether the ledger has the bytes and no rows of them."""
        return self.status == FileStatus.REJECTED.value

    @property
    def in_force(self) -> bool:
        """Whether its rows count."""
        return not self.waits and self.status != FileStatus.WITHDRAWN.value

    @property
    def sentence(self) -> str:
        """What is known of the file, and what a load would do with it."""
        since = f"{self.file_sha256[:_DIGITS]}, loaded {self.loaded_at:%Y-%m-%d %H:%M} UTC"
        if self.waits:
            return f"known ({since}) and rejected then."
        if self.status == FileStatus.WITHDRAWN.value:
            return f"known ({since}) and withdrawn; it stays so, `load --take-back` takes it in again."
        kept = f"known ({since}), {self.rows_kept} of {self.rows_read} rows kept"
        if self.again is not None:
            return f"{kept}; a load reads it again, {READ_AGAIN[self.again]}."
        return f"{kept}; a load passes it over."

    def told(self) -> dict[str, Any]:
        """The same for a script."""
        return asdict(self)


NOTHING_HELD: Mapping[str, Held] = MappingProxyType({})


def held_files(home: Home, request: Request) -> Mapping[str, Held]:
    """What the ledger holds, by digest; nothing where there is no ledger yet."""
    if not home.exists():
        return NOTHING_HELD
    rows, plain = home.lake.scan(LOAD_FILE).select(_ASKED).collect(), request.plain
    return {
        row["file_sha256"]: Held(
            **{name: row[name] for name in _ASKED if name != "read_with"},
            again=to_be_read_again(row, plain),
        )
        for row in rows.iter_rows(named=True)
    }
