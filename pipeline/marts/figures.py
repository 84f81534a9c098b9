"""The definitions as rows, so that SQL reads a threshold instead of repeating it."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipeline.definitions import Definitions, Section
from schemas.published import DEFINITION


def figures(definitions: Definitions) -> pl.DataFrame:
    """
    Every figure under its section and name, as in `definitions.toml`.

    Of sections that come several times (definitions of a prolonged leak) the first is the published
    one and stands under the section's name alone; the others carry their own name in between.

    Returns
    -------
    Rows of the table `definition`: `name`, `value`; a yes is 1, a no is 0. Words are left out.

    Examples
    --------
    >>> from pipeline.definitions import load_definitions
    >>> rows = dict(figures(load_definitions()).iter_rows())
    >>> rows["prolonged_leak.threshold"], rows["prolonged_leak.more_than_7_days.threshold"]
    (120.0, 168.0)
    """
    rows = sorted(_rows(definitions))
    return pl.DataFrame(rows, schema=DEFINITION.dtypes, orient="row")


def _rows(definitions: Definitions) -> Iterator[tuple[str, float]]:
    for name, body in definitions:
        if isinstance(body, Section):
            yield from _figures(name, body)
        else:
            for place, one in enumerate(body):
                published = place == 0 and name == "prolonged_leak"
                yield from _figures(name if published else f"{name}.{one.name}", one)


def _figures(name: str, section: Section) -> Iterator[tuple[str, float]]:
    for figure, value in section:
        if isinstance(value, bool | int | float):
            yield f"{name}.{figure}", float(value)
