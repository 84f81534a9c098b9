"""Propose a profile for an export nobody has described: never a guess without its doubt beside it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.ingest.container import unpack
from pipeline.ingest.layout import MEASURED
from pipeline.ingest.pattern import literal
from pipeline.ingest.rules import FileRejected
from pipeline.ingest.sources import SITE_PATTERN
from pipeline.ingest.suggest.clock import clock_of, times_of
from pipeline.ingest.suggest.columns import Column, Found, assigned, columns_of, is_missing_word
from pipeline.ingest.suggest.draft import FILL_IN, Draft
from pipeline.ingest.suggest.identities import device_of, end_of, export_of
from pipeline.ingest.suggest.measures import decimal_sign, sign_of, unit_of
from pipeline.ingest.suggest.sheet import Sheet, sheet_of
from pipeline.ingest.suggest.signals import alerts_of, mains_of, states_of
from pipeline.zones import is_zone
from schemas.errors import CallError, InputError

_MOST_BYTES = 256 * 2**20
_MATCHED = 3  # names of columns that tell a layout from others
_ABOUT = (
    "Proposed from one file: a draft, no profile yet. FILL IN: nobody can tell from the file. DOUBT: likely,",
    "and may be wrong. Read it beside the site's own words; then: drainledger check FILE --profile THIS.toml",
    "What that understood is confirmed by somebody who knows the device. All keys: shared/profiles/README.md",
)


@dataclass(frozen=True)
class Suggestion:
    """
    A drafted profile.

    `text`: TOML; `to_fill`: keys without which it cannot be used; `doubts`: keys that may be wrong; `unread`:
    columns nothing was found for.
    """

    text: str
    to_fill: tuple[str, ...]
    doubts: tuple[str, ...]
    unread: tuple[str, ...]


def suggest(
    data: bytes, file_name: str, name: str = "draft", *, site: str | None = None, timezone: str | None = None
) -> Suggestion:
    """
    Propose a profile for an export.

    Looks at the column names, at up to 5 000 rows, at the lines above and below them and at the file's name.
    What these show is written down; what is likely is written with its doubt beside it; what nobody can tell
    from the file is left to be filled in, in a way no load accepts. No value of a cell goes into the text but
    words for states, alerts, power and unknown: cells can hold what is a patient's.

    Parameters
    ----------
    data
        The file as it was given, packed or not.
    name
        What the profile is to be called.
    site, timezone
        Where somebody knows them: no file says its zone, few their site.

    Raises
    ------
    InputError
        When the file holds no table of minutes.
    CallError
        When `name`, `site` or `timezone` cannot be one.

    Examples
    --------
    >>> rows = [f"13.03.2031 06:{minute:02};4;run;0,1" for minute in range(9)]
    >>> log = "\\n".join(["When;Patient;Mode;Leak (L/min)", *rows])
    >>> made = suggest(log.encode(), "DV-7.csv", site="mill", timezone="Europe/Zurich")
    >>> made.to_fill
    ()
    >>> 'format = "%d.%m.%Y %H:%M"' in made.text and 'air_leak = "L/min"' in made.text
    True
    """
    for what, said in (("name", name), ("site", site)):
        if said is not None and not re.fullmatch(SITE_PATTERN, said):
            raise CallError(
                f"profile suggest: {said!r} is no {what}: write --{what} as 1 to 40 of a-z, 0-9, _ and -."
            )
    if timezone is not None and not is_zone(timezone):
        raise CallError(
            f'profile suggest: "{timezone}" is not an IANA time zone; write one like Europe/Zurich.'
        )
    try:
        plain = unpack(data, _MOST_BYTES).data
    except FileRejected as rejection:
        raise InputError(f"profile suggest: {str(rejection)[:1].lower()}{str(rejection)[1:]}") from None
    if b"\0" in plain[:4096] and not plain.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(
            "profile suggest: the file is no text; export the log as text (CSV) and name that file."
        )
    sheet = sheet_of(plain)
    columns = columns_of(sheet)
    draft = Draft(list(_ABOUT))
    clocks, form = clock_of(columns)
    rest = [column for column in columns if column.name not in clocks]
    decimal = decimal_sign(rest)

    draft.say("", "name", name)
    _page(draft, sheet, columns, decimal)
    end_of(draft, sheet)
    draft.say(
        "",
        "site",
        site or FILL_IN,
        None if site else "its name, like mill; or delete the line and say --site at each load",
    )
    in_column = device_of(draft, sheet, rest, file_name)
    export_of(draft, sheet, rest, clocks, file_name)
    taken = {in_column, *(e.value for e in draft.entries if (e.table, e.key) == ("exported_at", "column"))}
    found = assigned([column for column in rest if column.name not in taken])
    times_of(draft, sheet, columns, clocks, form, timezone)
    _columns(draft, found, clocks)
    _constants(draft, found)
    _units(draft, found, decimal or ".")
    states_of(draft, found.columns.get("state"), found.columns.get("pressure_mean"), decimal or ".")
    used = {in_column, *taken, *clocks, *(column.name for column in found.columns.values())}
    used |= set(alerts_of(draft, found.columns.get("alerts"), [c for c in rest if c.name not in used]))
    mains_of(draft, found.columns.get("mains"))
    _trace(draft, found.columns.get("trace"))
    unread = tuple(column.name for column in columns if column.name not in used and column.name)
    if unread:
        draft.remark("columns", "Read by nobody: " + ", ".join(f'"{one}"' for one in unread))
    return Suggestion(draft.text(), tuple(draft.asked(filled=False)), tuple(draft.asked(filled=True)), unread)


def _page(draft: Draft, sheet: Sheet, columns: Sequence[Column], decimal: str | None) -> None:
    names = sheet.header.split(sheet.delimiter)
    head = sheet.delimiter.join(names[:_MATCHED])
    # In another encoding the same name reads otherwise: a match that holds one fits in this encoding alone.
    accented = next((place for place, name in enumerate(names) if not name.isascii()), None)
    matched = sheet.delimiter.join(names[: max(_MATCHED, (accented or 0) + 1)])
    alone = "must fit this layout and no other; exactly one profile may fit a file"
    if accented is None and not sheet.is_ascii:
        alone += "; no column's name has an accent, so that the draft of a file in another encoding fits too"
    draft.say("", "match", "^" + literal(matched) + literal(sheet.delimiter), alone)
    if sheet.encoding != "utf-8":
        doubt = (
            "it is not UTF-8; look whether accents come out right"
            if sheet.encoding == "windows-1252"
            else None
        )
        draft.say("", "encoding", sheet.encoding, doubt)
    draft.say("", "delimiter", sheet.delimiter)
    if (
        decimal is None
        and any("." in n for c in columns for n in c.numbers)
        and any("," in n for c in columns for n in c.numbers)
    ):
        draft.say(
            "",
            "decimal",
            FILL_IN,
            "numbers with . and numbers with , stand in the file; which is the decimal sign?",
        )
    else:
        draft.say(
            "",
            "decimal",
            decimal or ("." if sheet.delimiter != "." else ","),
            None if decimal else "no number has one",
        )
    if sheet.comment is not None:
        draft.say("", "comment", sheet.comment)
    elif any(line.strip() for line in sheet.above):
        draft.say("", "header_starts", head)
    if sheet.below:
        draft.say("", "skip_below_header", sheet.below, "these lines hold no number, as if they named units")
    words = sorted(
        {odd for column in columns if column.is_number for odd in column.odd if is_missing_word(odd)}
    )
    if words:
        draft.say("", "missing", words, "they stand where numbers are expected, and are taken for unknown")


def _columns(draft: Draft, found: Found, clocks: tuple[str, ...]) -> None:
    if clocks:
        draft.say("columns", "clock", clocks[0] if len(clocks) == 1 else list(clocks))
    else:
        draft.say(
            "columns", "clock", FILL_IN, "which column is the minute's time? two for a day and a time apart"
        )
    for ours, column in found.columns.items():
        if ours != "mains" or column.filled:
            draft.say("columns", ours, column.name, found.doubts.get(ours))
    if "pressure_mean" not in found.columns:
        draft.remark(
            "columns",
            "DOUBT: no mean pressure was recognised: without pressure_mean no shortfall of suction is told, "
            "and an open line only where the device's own alert says it",
        )


def _constants(draft: Draft, found: Found) -> None:
    if "session" not in found.columns:
        draft.say(
            "constants",
            "session",
            FILL_IN,
            "no column counts patients: name one in [columns]; or write 0: all patients of a drain are one",
        )
    if "state" not in found.columns:
        draft.say(
            "constants",
            "state",
            FILL_IN,
            "no column tells running from paused: name one in [columns]; or write run: no pause is seen",
        )


def _units(draft: Draft, found: Found, decimal: str) -> None:
    by_key: dict[str, list[Column]] = {}
    for ours, column in found.columns.items():
        if ours in MEASURED:
            by_key.setdefault(MEASURED[ours][0], []).append(column)
    for key, columns in by_key.items():
        unit = unit_of(key, columns, decimal)
        draft.say("units", key, unit.unit or FILL_IN, unit.doubt)
    for key, columns in (
        ("ordered", by_key.get("set_pressure", [])),
        ("measured", by_key.get("pressure", [])),
    ):
        if columns:
            sign, share = sign_of(columns, decimal)
            doubt = (
                None
                if sign and share > 0.95
                else "no reading shows it"
                if sign is None
                else f"{share:.0%} of the readings"
            )
            draft.say("suction", key, sign or FILL_IN, doubt)
    written = {e.key: e.value for e in draft.entries if e.table == "suction"}
    if written.get("measured") == "positive" and {"pressure_min", "pressure_max"} & set(found.columns):
        draft.remark(
            "suction",
            "DOUBT: of strengths the least is read as the weakest suction; see [suction] in the README.",
        )


def _trace(draft: Draft, column: Column | None) -> None:
    if column is None:
        return
    counts = {len(cell.split()) for cell in column.filled}
    usual = int(np.median([len(cell.split()) for cell in column.filled]))
    draft.say(
        "trace",
        "rate_hz",
        FILL_IN,
        f"samples a second; a cell holds {usual} of them{'' if len(counts) == 1 else ' mostly'}",
    )
    draft.say("trace", "factor", FILL_IN, "pressure = origin + factor x number")
    draft.say("trace", "origin", FILL_IN, "see factor; mostly 0")
    draft.say("trace", "unit", FILL_IN, "of that pressure, like cm[H2O]")
