"""The definitions as rows, so that SQL reads a threshold instead of repeating it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import polars as pl

from schemas.published import DEFINITION

if TYPE_CHECKING:  # whoever asks the published database need not wait for the checks of every figure
    from pipeline.definitions import Definitions, Section

_UNSAID = ("", "", "")  # values that came without their words, as from an extract's manifest


def figures(definitions: Definitions) -> pl.DataFrame:
    """
    Every figure under its section and name, as in `definitions.toml`, with what is said of it there.

    Of sections that come several times (definitions of a prolonged leak) the first is the published
    one and stands under the section's name alone; the others carry their own name in between.

    Returns
    -------
    Rows of the table `definition`: `name`, `value` (a yes is 1, a no is 0), `unit`, `meaning`, `source`.
    Words and figures that a definition leaves out have no row.

    Examples
    --------
    >>> from pipeline.definitions import load_definitions
    >>> rows = {row[0]: row[1:3] for row in figures(load_definitions()).iter_rows()}
    >>> rows["prolonged_leak.threshold"], rows["prolonged_leak.more_than_7_days.threshold"]
    ((120.0, 'h'), (168.0, 'h'))
    """
    rows = [(name, value, *(definitions.said(entry) or _UNSAID)) for name, value, entry in _rows(definitions)]
    return pl.DataFrame(sorted(rows), schema=DEFINITION.dtypes, orient="row")


def _rows(definitions: Definitions) -> Iterator[tuple[str, float, str]]:
    """Published name, value, and the name of the entry that the figure stands in."""
    for name, body in definitions:
        if isinstance(body, tuple):
            for place, one in enumerate(body):
                published = place == 0 and name == "prolonged_leak"
                for figure, value in _figures(one):
                    entry = f"{name}.{one.name}.{figure}"
                    yield f"{name}.{figure}" if published else entry, value, entry
        else:
            for figure, value in _figures(body):
                yield f"{name}.{figure}", value, f"{name}.{figure}"


def _figures(section: Section) -> Iterator[tuple[str, float]]:
    for figure, value in section:
        if isinstance(value, bool | int | float):
            yield figure, float(value)
