"""Columns of a registry's header that its layout does not have, and what each may have been meant as."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.cohort.cells import RegistryRule
from pipeline.ingest.rules import VALUE_LENGTH
from pipeline.meant import nearest
from schemas.vocabulary import RejectScope

_MOST = 6  # named in a file's reason
_FAULT = {"line": pl.Int32} | dict.fromkeys(("scope", "column", "rule", "value"), pl.String)


@dataclass(frozen=True)
class UnreadColumn:
    """
    One such column.

    Parameters
    ----------
    name
        As the header has it; private, for what stands there may be a patient's.
    place
        In the header, counted from 1.
    meant
        The column of the layout that is likest and that the header lacks; null where none is like it.
    """

    name: str
    place: int
    meant: str | None


def unread_columns(header: Sequence[str], known: Sequence[str]) -> list[UnreadColumn]:
    """
    The columns of a header that are not of the layout, in their order.

    Examples
    --------
    >>> unread_columns(["drain_key", "procedur_end_at", "x"], ["drain_key", "procedure_end_at"])
    [UnreadColumn(name='procedur_end_at', place=2, meant='procedure_end_at'), \
UnreadColumn(name='x', place=3, meant=None)]
    """
    spare = [name for name in known if name not in header]
    return [
        UnreadColumn(name, place, nearest(name, spare))
        for place, name in enumerate(header, start=1)
        if name not in known
    ]


def unread_sentence(unread: Sequence[UnreadColumn]) -> str:
    """
    How many columns were not read, by place and by what each may have meant; empty without any.

    Not by the names they have, for the sentence is published.
    """
    if not unread:
        return ""
    places = [
        f"no. {one.place}" + ("" if one.meant is None else f", did you mean {one.meant}?")
        for one in unread[:_MOST]
    ]
    if len(unread) > _MOST:
        places.append(f"and {len(unread) - _MOST} more")
    said = (
        "1 column of the header is not of the layout and was not read"
        if len(unread) == 1
        else f"{len(unread)} columns of the header are not of the layout and were not read"
    )
    return f"{said} ({'; '.join(places)})"


def unread_faults(unread: Sequence[UnreadColumn]) -> pl.DataFrame:
    """
    A record for each column that was probably meant as one of the layout, and one for all others together.

    `column` is what was meant, `value` the name in the file, which goes to the private store.
    """
    meant = {one.meant: one.name for one in unread if one.meant is not None}
    others = ", ".join(one.name for one in unread if meant.get(one.meant or "") != one.name)
    named: list[tuple[str | None, str]] = [
        *meant.items(),
        *([(None, others[:VALUE_LENGTH])] if others else []),
    ]
    rows = [(None, RejectScope.FILE.value, to, RegistryRule.COLUMN_UNKNOWN.value, name) for to, name in named]
    return pl.DataFrame(rows, schema=_FAULT, orient="row")
