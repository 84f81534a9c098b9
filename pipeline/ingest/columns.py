"""Which place in a file's header is which of our columns."""

from __future__ import annotations

from collections import Counter

import polars as pl

from pipeline.ingest.alerts import joined_flags
from pipeline.ingest.profile import Profile
from pipeline.ingest.rules import FileRejected, Rule
from pipeline.meant import nearest

_MOST_NAMED = 6


def places(header: tuple[str, ...], profile: Profile) -> dict[str, tuple[int, ...]]:
    """
    Our name of each column the file has → its places in the header (several for a clock in parts, and for
    alerts with a column each).

    Columns the profile does not name are left alone. A column it names must be there, once: a
    renamed one would otherwise pass for a site that does not measure.

    Raises
    ------
    FileRejected
        When a column is missing (names the nearest one the file has) or there twice.
    """
    wanted: dict[str, tuple[str, ...]] = {"clock": profile.columns.clock}
    wanted |= {ours: (theirs,) for ours, theirs in profile.columns.named().items()}
    if profile.alerts.flags:
        wanted["alerts"] = tuple(profile.alerts.flags)
    if profile.device.column is not None:
        wanted["device"] = (profile.device.column,)
    if profile.exported_at is not None and profile.exported_at.column is not None:
        wanted["exported_at"] = (profile.exported_at.column,)
    counts = Counter(header)
    found: dict[str, tuple[int, ...]] = {}
    for ours, theirs in wanted.items():
        if ours in profile.optional and not any(counts[name] for name in theirs):
            continue
        for name in theirs:
            _check_once(name, ours, counts, profile)
        found[ours] = tuple(header.index(name) for name in theirs)
    return found


def ignored_columns(header: tuple[str, ...], at: dict[str, tuple[int, ...]]) -> list[str]:
    """Names of a header's columns that nobody reads, in order; a delimiter at a line's end makes none."""
    used = {place for where in at.values() for place in where}
    return [name for place, name in enumerate(header) if place not in used and name]


def under_our_names(cells: pl.DataFrame, at: dict[str, tuple[int, ...]], profile: Profile) -> pl.DataFrame:
    """The cells under our names; a clock in several columns is joined by blanks, null if any part is."""
    return cells.select(
        "line",
        *(
            joined_flags(where, profile).alias(ours)
            if ours == "alerts" and profile.alerts.flags
            else pl.col(str(where[0])).alias(ours)
            if len(where) == 1
            else pl.concat_str(
                [pl.col(str(place)).str.strip_chars() for place in where], separator=" "
            ).alias(ours)
            for ours, where in at.items()
        ),
    )


def _check_once(name: str, ours: str, counts: Counter[str], profile: Profile) -> None:
    if counts[name] == 1:
        return
    if counts[name] > 1:
        raise FileRejected(
            Rule.COLUMN_TWICE,
            f"profile '{profile.name}': column \"{name}\" is in the header {counts[name]} times; keep one.",
            column=ours,
        )
    if (other := _other_delimiter(counts, profile)) is not None:
        raise FileRejected(
            Rule.COLUMN_MISSING,
            f"profile '{profile.name}': its columns are parted by {other}, not by {profile.delimiter!r}. "
            "Export it with that sign, or write a profile for it (drainledger profile suggest).",
            column=ours,
        )
    near = nearest(name, counts)
    has = f'; it has "{near[:80]}"' if near is not None else _unnamed(list(counts), profile)
    raise FileRejected(
        Rule.COLUMN_MISSING,
        f"profile '{profile.name}': column \"{name}\" is not in the file{has}. "
        "Export it with that column, or edit the profile's [columns].",
        column=ours,
    )


def _other_delimiter(header: Counter[str], profile: Profile) -> str | None:
    """What parts the columns instead, where the whole header reads as one name."""
    if len(header) != 1:
        return None
    (only,) = header
    signs = {";": "';'", ",": "','", "\t": "tabs", "|": "'|'"}
    return next(
        (said for sign, said in signs.items() if sign != profile.delimiter and only.count(sign) > 2), None
    )


def _unnamed(header: list[str], profile: Profile) -> str:
    """The columns that a file has and the profile does not name: the missing one may be among them."""
    named = {*profile.columns.clock, *profile.columns.named().values(), *profile.alerts.flags}
    others = [f'"{name[:40]}"' for name in header if name and name not in named][:_MOST_NAMED]
    return f"; of those it has the profile does not name {', '.join(others)}" if others else ""
