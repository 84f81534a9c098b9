"""Cells turned into a minute's readings: our units, our signs, our words; what cannot be is recorded."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl
from polars.datatypes import DataType

from pipeline.definitions import Definitions
from pipeline.ingest.alerts import read_alerts
from pipeline.ingest.layout import MEASURED, Clock
from pipeline.ingest.numbers import Measured, measured_columns, plain_number
from pipeline.ingest.profile import Profile
from pipeline.ingest.row_faults import reject_rows
from pipeline.ingest.rules import FAULTS, Rule, no_faults
from schemas.table import FLAG, REAL, TEXT, TEXTS, WALL_CLOCK, WHOLE
from schemas.vocabulary import RejectScope

# Directives of a clock format that tell no seconds.
_TO_THE_MINUTE = set("YymbBdejHkIlMpPzFR")
_FEW_WORDS = 12  # one comparison each is several times as fast as a look into a table
_PRESSURES = ("pressure_min", "pressure_mean", "pressure_max")


@dataclass(frozen=True)
class Readings:
    """
    Parameters
    ----------
    rows
        The rows kept: `line`, `device` where a column names it, then `record`, `clock`, `session`,
        `state`, the measured columns, `mains` and `alerts`, under the names of the log.
    faults
        A record for each row rejected and each cell of a kept row made null.
    """

    rows: pl.DataFrame
    faults: pl.DataFrame


def read_readings(
    texts: pl.DataFrame,
    profile: Profile,
    definitions: Definitions,
    timezone: str,
    exported_at: datetime | None,
) -> Readings:
    """
    Turn text cells into readings, column by column, a whole file at once.

    A number is converted to our unit and sign, rounded to its resolution and checked against its
    column's bounds and what is plausible. A bad clock, session, state or device costs the row; any
    other bad cell becomes null. Where minimum, mean and maximum of a minute contradict one another
    nobody can say which is wrong: both cells of each contradicting pair become null.

    Parameters
    ----------
    texts
        `line` and a text column under our name for each column the file has; empty is null.
    exported_at
        In UTC; rows dated later than this and the slack are rejected. Null: not checked.
    """
    measured = measured_columns(profile, definitions)
    if "alerts" in texts.columns:
        texts = texts.with_columns(pl.col("alerts").fill_null(""))
    seen = _trimmed(texts, profile.missing) if profile.missing else texts
    values = _values(seen, profile, measured, timezone)
    if not profile.missing and any(_lost(seen, values, measured).values()):
        # Blanks around a value are no fault of it. Only files in which something failed are looked at twice.
        seen = _trimmed(texts, profile.missing)
        values = _values(seen, profile, measured, timezone)
    kept = reject_rows(seen, values, definitions.plausible, exported_at)
    if kept.faults.height:
        seen, values = seen.filter(kept.sound), values.filter(kept.sound)
    unreadable = _unreadable(seen, values, profile, measured)
    values, contradicting = _without_contradictions(seen, values, measured, definitions.plausible.order_slack)
    return Readings(values, pl.concat([kept.faults, *unreadable, *contradicting]))


def clean_readings(
    cells: pl.DataFrame,
    profile: Profile,
    definitions: Definitions,
    timezone: str,
    exported_at: datetime | None,
) -> Readings | None:
    """
    The same for cells already read as numbers; null where any cell needs a look at its text.

    Most logs have no fault at all. For those the texts of numbers are never made.
    """
    measured = measured_columns(profile, definitions)
    if "alerts" in cells.columns:
        cells = cells.with_columns(pl.col("alerts").fill_null(""))
    values = _values(cells, profile, measured, timezone)
    if any(_lost(cells, values, measured).values()):
        return None
    if reject_rows(cells, values, definitions.plausible, exported_at).faults.height:
        return None
    values, contradicting = _without_contradictions(
        cells, values, measured, definitions.plausible.order_slack
    )
    return None if contradicting else Readings(values, no_faults())


def number_places(at: Mapping[str, tuple[int, ...]], profile: Profile) -> dict[int, DataType]:
    """Places in the header of plain numbers; none where a layout writes commas or missing-value words."""
    if profile.decimal != "." or profile.missing:
        return {}
    types: dict[str, DataType] = {"record": WHOLE, "session": WHOLE, **dict.fromkeys(MEASURED, REAL)}
    return {where[0]: types[ours] for ours, where in at.items() if ours in types}


def _trimmed(texts: pl.DataFrame, missing: tuple[str, ...]) -> pl.DataFrame:
    """Blanks taken off; blank cells and missing-value words are null, but a blank alerts cell: none rang."""
    columns = [name for name in texts.columns if name not in ("line", "trace", "exported_at")]
    blank_words = {name: list(missing) if name == "alerts" else ["", *missing] for name in columns}
    trimmed = texts.with_columns(pl.col(columns).str.strip_chars())
    return trimmed.with_columns(
        pl.when(~pl.col(name).is_in(words)).then(pl.col(name)).alias(name)
        for name, words in blank_words.items()
    )


def _values(
    seen: pl.DataFrame, profile: Profile, measured: tuple[Measured, ...], timezone: str
) -> pl.DataFrame:
    """Every column of a minute; null where the text is missing or is no value of the column."""
    states = {word: state.value for word, state in profile.states.items()}
    readers: dict[str, tuple[str, pl.Expr, DataType]] = {
        "record": ("record", pl.col("record").cast(WHOLE, strict=False), WHOLE),
        "clock": ("clock", _clock(profile.clock, timezone), WALL_CLOCK),
        "session": ("session", pl.col("session").cast(WHOLE, strict=False), WHOLE),
        "state": ("state", _word("state", states, TEXT), TEXT),
        **{column.name: (column.source, column.rounded(profile.decimal), REAL) for column in measured},
        "mains": ("mains", _word("mains", profile.mains, FLAG), FLAG),
    }
    constants = profile.constants.said()
    values = seen.select(
        pl.col("^line|device$"),
        *(
            (reader if source in seen.columns else pl.lit(constants.get(name), dtype=dtype)).alias(name)
            for name, (source, reader, dtype) in readers.items()
        ),
    ).with_columns(
        pl.when(pl.col("record") >= 0).then(pl.col("record")), *(column.bounded() for column in measured)
    )
    if "alerts" not in seen.columns:
        return values.with_columns(alerts=pl.lit(None, dtype=TEXTS))
    return values.with_columns(read_alerts(seen["alerts"], profile.alerts).alias("alerts"))


def _clock(clock: Clock, timezone: str) -> pl.Expr:
    """The wall clock at the minute's start; seconds, where a layout writes them, are dropped."""
    read = pl.col("clock").str.to_datetime(clock.format, time_unit="us", strict=False, cache=False)
    if clock.has_offset:
        read = read.dt.convert_time_zone(timezone).dt.replace_time_zone(None)
    directives = set(re.findall(r"%[^A-Za-z]*([A-Za-z])", clock.format))
    return read if directives <= _TO_THE_MINUTE else read.dt.truncate("1m")


def _word(name: str, words: Mapping[str, object], dtype: DataType) -> pl.Expr:
    if len(words) > _FEW_WORDS:
        return pl.col(name).replace_strict(
            list(words), list(words.values()), default=None, return_dtype=dtype
        )
    meant = pl.lit(None, dtype=dtype)
    for word, meaning in words.items():
        meant = pl.when(pl.col(name) == word).then(pl.lit(meaning, dtype=dtype)).otherwise(meant)
    return meant


def _lost(seen: pl.DataFrame, values: pl.DataFrame, measured: tuple[Measured, ...]) -> dict[str, int]:
    """How many texts of each column gave no value."""
    sources = {column.name: column.source for column in measured}
    names = [name for name in values.columns if sources.get(name, name) in seen.columns]
    return {name: values[name].null_count() - seen[sources.get(name, name)].null_count() for name in names}


def _unreadable(
    seen: pl.DataFrame, values: pl.DataFrame, profile: Profile, measured: tuple[Measured, ...]
) -> list[pl.DataFrame]:
    """A record for each cell of a kept row with a text that is no value of its column."""
    by_name = {column.name: column for column in measured}
    found = []
    for name, count in _lost(seen, values, measured).items():
        if not count:
            continue
        source = by_name[name].source if name in by_name else name
        lost = seen.filter(seen[source].is_not_null() & values[name].is_null())
        is_number = pl.lit(False)
        if name in by_name:
            is_number = plain_number(source, profile.decimal).is_finite().fill_null(False)
        elif name == "record":
            is_number = pl.col("record").cast(WHOLE, strict=False).is_not_null()
        rule = (
            pl.when(is_number)
            .then(pl.lit(Rule.VALUE_OUT_OF_RANGE.value))
            .otherwise(pl.lit(Rule.VALUE_UNREADABLE.value))
        )
        found.append(_cell_faults(lost, source, rule))
    return found


def _without_contradictions(
    seen: pl.DataFrame, values: pl.DataFrame, measured: tuple[Measured, ...], slack: float
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Null both of two pressures that contradict each other, and say so; a mean may be off by `slack`."""
    least, mean, most = (pl.col(name) for name in _PRESSURES)
    # The billionth keeps a difference of exactly the slack on the side of no contradiction.
    below = (least - mean > slack + 1e-9).fill_null(False)
    above = (mean - most > slack + 1e-9).fill_null(False)
    crossed = (least > most).fill_null(False)
    guilty = values.select(
        pressure_min=below | crossed, pressure_mean=below | above, pressure_max=above | crossed
    )
    sources = {column.name: column.source for column in measured}
    concerned = [name for name in _PRESSURES if guilty[name].any()]
    faults = [
        _cell_faults(seen.filter(guilty[name]), sources[name], pl.lit(Rule.VALUES_CONTRADICT.value))
        for name in concerned
    ]
    if not concerned:
        return values, []
    return values.with_columns(
        pl.when(~guilty[name]).then(pl.col(name)).alias(name) for name in concerned
    ), faults


def _cell_faults(rows: pl.DataFrame, column: str, rule: pl.Expr) -> pl.DataFrame:
    return rows.select(
        "line",
        scope=pl.lit(RejectScope.CELL.value),
        column=pl.lit(column),
        rule=rule,
        value=pl.col(column),
    ).cast(FAULTS)  # type: ignore[arg-type]
