"""Which format the times of an unknown export are written in: tried on all of them, told by their steps."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import product

import polars as pl

from pipeline.ingest.sources import RFC_3339

DATES = (
    "%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%Y.%m.%d", "%d-%m-%Y", "%m-%d-%Y", "%Y%m%d",
    "%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%y/%m/%d", "%y-%m-%d", "%d-%b-%Y", "%d %b %Y", "%b %d %Y",
)  # fmt: skip
TIMES = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H.%M.%S", "%H.%M", "%H:%M:%S%.f", "%H%M%S", "%H%M")
_OFFSETS = ("", "%z", " %z")
_SHARE = 0.98  # of the cells that a format must read
_MINUTE_US = 60_000_000
_YEARS = (1970, 2100)
_SHORTEST = 11  # signs of a day with a time, as 1.1.31 12:00


@dataclass(frozen=True)
class Format:
    """
    A format that reads a column of times.

    `steps`: the share of neighbouring rows that lie a minute apart or less, by this reading; `rival`:
    another format that reads them as well and steps as evenly, for instance with day and month exchanged.
    """

    format: str
    steps: float
    rival: str | None


def moment_format(texts: Sequence[str]) -> Format | None:
    """The format of a column of days with times; null where it is no such column."""
    if not texts or len(texts[0]) < _SHORTEST:
        return None
    return _best(texts, _candidates(texts[0]))


def day_format(texts: Sequence[str]) -> str | None:
    """The format of a column of days alone: the first of `DATES` that reads it; null where none does."""
    return next((form for form in DATES if _reads([f"{t} 12:00" for t in texts], f"{form} %H:%M")), None)


def time_formats(texts: Sequence[str]) -> list[str]:
    """Formats of a column of times of day alone."""
    return [form for form in TIMES if _reads([f"2031-01-01 {t}" for t in texts], f"%Y-%m-%d {form}")]


def parted_format(days: Sequence[str], times: Sequence[str]) -> Format | None:
    """The format of days and times in two columns, joined by a blank."""
    texts = [f"{day} {time}" for day, time in zip(days, times, strict=True)]
    return _best(texts, _candidates(texts[0]))


def single_format(text: str, dates_alone: bool = True) -> list[str]:
    """Formats (strptime's of Python, or RFC 3339) that read one date of export."""
    try:
        if len(text) > _SHORTEST and datetime.fromisoformat(text).tzinfo is not None:
            return [RFC_3339]
    except ValueError:
        pass
    forms = [
        f"{day}{between}{time}"
        for day, between, time in product(DATES, (" ", "T", ""), TIMES)
        if "%.f" not in time
    ]
    forms += DATES if dates_alone else []
    found = []
    for form in forms:
        try:
            moment = datetime.strptime(text, form)
        except ValueError:
            continue
        if moment.strftime(form).casefold() == text.casefold() and _YEARS[0] <= moment.year <= _YEARS[1]:
            found.append(form)
    return found


def _candidates(text: str) -> list[str]:
    """Formats that read this one text: a day's and a time's, with what stands between them."""
    found = []
    for between in re.finditer(r", | |T", text):
        days = [form for form in DATES if _reads([f"{text[: between.start()]} 12:00"], f"{form} %H:%M")]
        if days:
            hours = [time + offset for time, offset in product(TIMES, _OFFSETS)]
            hours = [h for h in hours if _reads([f"2031-01-01 {text[between.end() :]}"], f"%Y-%m-%d {h}")]
            found += [f"{day}{between.group()}{hour}" for day, hour in product(days, hours)]
    return found


def _best(texts: Sequence[str], formats: Sequence[str]) -> Format | None:
    said = [text for text in texts if text]
    if not said:
        return None
    few = [*said[:20], *said[-5:]]
    fitting = [(_steps(said, form), form) for form in formats if _reads(few, form) and _reads(said, form)]
    if not fitting:
        return None
    most = max(steps for steps, _ in fitting)
    best = [form for steps, form in fitting if steps == most]
    apart = [form for form in best if _moments(few, form) != _moments(few, best[0])]
    return Format(best[0], most, apart[0] if apart else None)


def parsed(texts: Sequence[str], form: str) -> pl.Series | None:
    """The texts as times by a format, null where it does not read one; null where it is none."""
    try:
        read = pl.Series(texts).str.to_datetime(form, time_unit="us", strict=False)
    except pl.exceptions.PolarsError:
        return None
    return read.dt.replace_time_zone(None)


def _moments(texts: Sequence[str], form: str) -> list[datetime | None]:
    read = parsed(texts, form)
    return [] if read is None else read.to_list()


def _reads(texts: Sequence[str], form: str) -> bool:
    read = parsed(texts, form)
    if read is None or len(read) == 0:
        return False
    years = read.dt.year()  # two signs of a year read as a year of four would be the year 31
    return int(((years >= _YEARS[0]) & (years <= _YEARS[1])).sum()) >= _SHARE * len(read)


def _steps(texts: Sequence[str], form: str) -> float:
    """Share of neighbours up to a minute apart; of one row it is 0."""
    read = parsed(texts, form)
    if read is None or len(read) < 2:
        return 0.0
    apart = read.drop_nulls().diff().drop_nulls().dt.total_microseconds()
    return int(apart.is_between(0, _MINUTE_US).sum()) / max(len(apart), 1)
