"""One log's bytes → minutes, traces, and a record of everything that could not be kept."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import polars as pl

from pipeline.definitions import Definitions
from pipeline.ingest.cells import Cells, cells_of
from pipeline.ingest.columns import ignored_columns, places, under_our_names
from pipeline.ingest.container import unpack
from pipeline.ingest.encoding import other_encoding
from pipeline.ingest.identity import Identity, export_time, identify, second_preamble
from pipeline.ingest.numbers import TABLE_NAMES
from pipeline.ingest.outcome import Known, ReadLog, nothing_kept, outcome
from pipeline.ingest.page import Page, lay_out, rows_promised
from pipeline.ingest.profile import Profile
from pipeline.ingest.readings import Readings, clean_readings, number_places, read_readings
from pipeline.ingest.recognise import recognise, refuse_no_text
from pipeline.ingest.rules import FAULTS, FileRejected, Rule, no_faults
from pipeline.ingest.sources import SITE_PATTERN
from pipeline.ingest.traces import read_traces, trace_settings
from schemas.errors import CallError
from schemas.lake import MINUTE, TRACE
from schemas.vocabulary import RejectScope

_LOOKED_FOR = (Rule.HEADER_MISSING, Rule.COLUMN_MISSING, Rule.PREAMBLE_MISSING)


def read_log(
    data: bytes,
    name: str,
    profiles: Sequence[Profile],
    definitions: Definitions,
    *,
    profile: str | None = None,
    site: str | None = None,
    digest: str | None = None,
) -> ReadLog:
    """
    Read one exported log.

    A pure function of its arguments. Whatever the bytes are, it gives an answer: the rows that can
    be kept, and a record with line, column and rule for every row and cell that cannot. Always
    `rows_read = rows_kept + rows_rejected`.

    `status` is `loaded` when every row was kept and nothing says that some are missing, `rejected`
    when nothing was kept, `partial` otherwise; `reason` is the sentence that says why, and never
    holds the file's name, for that can hold a patient's. `complete` is what the end line says: true,
    false, or null without one. Where nothing in a layout says when the export was made, the last
    minute of the log stands for that. Columns no profile names are left alone.

    Parameters
    ----------
    data
        The file as it was given, packed or not.
    name
        Last part of its path; some profiles find the device or the date in it.
    profile
        Name of the profile to use; without it the only one whose `match` fits.
    site
        Used where the file itself does not name one; goes before the profile's.
    digest
        SHA-256 of the data, where it is known already.

    Raises
    ------
    CallError
        When there is no such profile, or `site` cannot be a site's name. Never for bad content.
    """
    if site is not None and not re.fullmatch(SITE_PATTERN, site):
        raise CallError("A site's name is 1 to 40 of a-z, 0-9, _ and -; write --site like that.")
    known = Known(digest or hashlib.sha256(data).hexdigest())
    plain = b""
    try:
        unpacked = unpack(data, definitions.plausible.file_most)
        plain = unpacked.data
        chosen = recognise(plain, profiles, profile)
        known = replace(known, profile=chosen)
        refuse_no_text(plain, chosen)
        page = lay_out(unpacked.data, chosen, unpacked.cut_off, definitions.plausible.line_most)
        identity = identify(page, chosen, name, site, definitions.plausible.earliest_year)
        known = replace(known, identity=identity)
        return _read_rows(page, known, chosen, identity, definitions)
    except FileRejected as rejection:
        return nothing_kept(known, _with_its_cause(rejection, plain, known.profile))


def _with_its_cause(rejection: FileRejected, data: bytes, profile: Profile | None) -> FileRejected:
    """Where something was looked for and not found, another encoding than the profile's is told with it."""
    if profile is None or rejection.rule not in _LOOKED_FOR:
        return rejection
    cause = other_encoding(data, profile.encoding)
    if cause is None:
        return rejection
    reason = f"{rejection.reason} {cause}"
    return FileRejected(
        rejection.rule, reason, column=rejection.column, line=rejection.line, value=rejection.value
    )


def _read_rows(
    page: Page, known: Known, profile: Profile, identity: Identity, definitions: Definitions
) -> ReadLog:
    plausible = definitions.plausible
    if page.body.count(b"\n") > plausible.rows_most:
        raise FileRejected(
            Rule.FILE_TOO_LARGE,
            f"The log has more than {plausible.rows_most} lines; split it, or raise plausible.rows_most.",
        )
    at = places(page.header, profile)
    cells = cells_of(
        page, profile.delimiter, profile.comment, plausible.line_most, number_places(at, profile)
    )
    _refuse_two_logs_in_one(cells, profile)
    texts = under_our_names(cells.rows, at, profile)
    exports: dict[str, datetime] = {}
    if "exported_at" in at:
        exports = _exports(texts["exported_at"], profile, identity, plausible.earliest_year)
        identity = replace(identity, exported_at=max(exports.values()))
    readings: Readings | None = None
    if any(dtype.is_numeric() for name, dtype in texts.schema.items() if name != "line"):
        readings = clean_readings(texts, profile, definitions, identity.timezone, identity.exported_at)
        if readings is None:
            cells = cells_of(page, profile.delimiter, profile.comment, plausible.line_most)
            texts = under_our_names(cells.rows, at, profile)
    if readings is None:
        readings = read_readings(texts, profile, definitions, identity.timezone, identity.exported_at)
    _refuse_second_header(readings.faults, profile)
    last = readings.rows["clock"].max()
    if identity.exported_at is None and isinstance(last, datetime):
        identity = replace(identity, exported_at=profile.clock.in_utc(last, identity.timezone))
    minutes = _minutes(readings.rows, known.digest, identity)
    traces, trace_faults = _traces(texts, minutes, page, profile, definitions)
    faults = [cells.faults, readings.faults, trace_faults]
    if "exported_at" in at:
        faults.append(_unreadable_exports(texts, minutes, exports))
    read = outcome(
        replace(known, identity=identity),
        minutes,
        traces,
        pl.concat(faults),
        cut_off=page.cut_off,
        rows_promised=page.rows_promised,
        rows_after_end=any(rows_promised(text, profile) is not None for _, text in cells.remarks),
    )
    return read.with_ignored(ignored_columns(page.header, at))


def _refuse_two_logs_in_one(cells: Cells, profile: Profile) -> None:
    """The rows behind a second preamble are another device's; they must not be filed under the first."""
    for line, text in cells.remarks:
        if second_preamble(text, profile):
            raise FileRejected(
                Rule.SECOND_PREAMBLE,
                f"A second preamble begins in line {line}, so these are two logs; split the file there.",
                line=line,
            )


def _refuse_second_header(faults: pl.DataFrame, profile: Profile) -> None:
    """Likewise where a layout has no remarks: the second header is a row whose clock is the column's name."""
    if profile.device.column is not None or not faults.height:
        return
    again = faults.filter(pl.col("column") == "clock", pl.col("value") == " ".join(profile.columns.clock))
    if again.height:
        line = int(again["line"].sort()[0])
        raise FileRejected(
            Rule.SECOND_PREAMBLE,
            f"A second header stands in line {line}, so these are two logs; split the file there.",
            line=line,
        )


def _exports(
    texts: pl.Series, profile: Profile, identity: Identity, earliest_year: int
) -> dict[str, datetime]:
    """Each different text of a column of export dates that can be read, and what it means."""
    said = {
        text: export_time(text, profile, identity.timezone, earliest_year)
        for text in texts.drop_nulls().unique()
    }
    exports = {text: instant for text, instant in said.items() if instant is not None}
    if not exports:
        raise FileRejected(
            Rule.EXPORTED_AT_UNREADABLE,
            "No row has a date of export that can be read; mend the column or the profile's [exported_at].",
            column="exported_at",
        )
    return exports


def _unreadable_exports(
    texts: pl.DataFrame, minutes: pl.DataFrame, exports: Mapping[str, datetime]
) -> pl.DataFrame:
    bad = texts.drop_nulls("exported_at").filter(~pl.col("exported_at").is_in(list(exports)))
    kept = bad.join(minutes.select("line"), on="line", how="semi")
    return kept.select(
        "line",
        scope=pl.lit(RejectScope.CELL.value),
        column=pl.lit("exported_at"),
        rule=pl.lit(Rule.EXPORTED_AT_UNREADABLE.value),
        value="exported_at",
    ).cast(FAULTS)  # type: ignore[arg-type]


def _minutes(rows: pl.DataFrame, digest: str, identity: Identity) -> pl.DataFrame:
    # A log has few months: their names are made once each, not once a row.
    clock = pl.col("clock").dt
    numbers = rows.select(clock.year() * 100 + clock.month()).to_series()
    months = numbers.unique()
    names = pl.Series([f"{number // 100:04d}-{number % 100:02d}" for number in months], dtype=pl.String)
    return MINUTE.conform(
        rows.rename(TABLE_NAMES).with_columns(
            file_sha256=pl.lit(digest),
            site=pl.lit(identity.site),
            device=pl.col("device") if identity.device is None else pl.lit(identity.device),
            month=numbers.replace_strict(months, names, return_dtype=pl.String()),
        )
    )


def _traces(
    texts: pl.DataFrame, minutes: pl.DataFrame, page: Page, profile: Profile, definitions: Definitions
) -> tuple[pl.DataFrame, pl.DataFrame]:
    if "trace" not in texts.columns or texts["trace"].null_count() == texts.height:
        return TRACE.empty(), no_faults()
    cells = texts.select("line", "trace").drop_nulls().join(minutes.select("line"), on="line", how="semi")
    read = read_traces(cells, trace_settings(page, profile), profile.missing, definitions.plausible)
    carried = minutes.select("file_sha256", "line", "site", "device", "session", "record", "clock", "month")
    return TRACE.conform(read.rows.join(carried, on="line", how="left", maintain_order="left")), read.faults
