"""The baselines that somebody set for the charts, read from a TOML file."""

from __future__ import annotations

import tomllib
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl

from schemas.errors import InputError
from schemas.published import CHART_BASELINE
from shared import SHARED

_NEEDED = {"from", "through", "why"}
_ALLOWED = {"site", *_NEEDED}
FILE = "baselines.toml"


def chart_baselines(folder: Path | None = None) -> pl.DataFrame:
    """
    Baselines as somebody set them: months that a site's chart is held against until somebody moves them.

    Read from `baselines.toml` in the folder given, else from the one shipped in `shared/`, which sets none
    and says how to. An entry without a site holds for every site that has none of its own. Several entries of
    one site follow one another: each holds from its first month until the next begins.

    Returns
    -------
    Rows of the table `chart_baseline`, in order of site (null last) and month.

    Raises
    ------
    InputError
        When the file is no TOML, an entry lacks a key or has an unknown one, a month is none, an entry ends
        before it begins, or two of a site overlap.

    Examples
    --------
    >>> chart_baselines().height
    0
    """
    own = None if folder is None else folder / FILE
    path = own if own is not None and own.is_file() else SHARED / FILE
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML ({error}); mend that line.") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); restore it.") from error
    if unknown := sorted(set(content) - {"baseline"}):
        raise InputError(f"{path}: {unknown[0]!r} is not known; only [[baseline]] entries may stand here.")
    entries = content.get("baseline", [])
    if not isinstance(entries, list):
        raise InputError(f"{path}: [baseline] is one table; write [[baseline]], once for each.")
    rows = [_row(path, number, entry) for number, entry in enumerate(entries, 1)]
    ordered = pl.DataFrame(rows, schema=CHART_BASELINE.dtypes, orient="row").sort(
        "site", "from_month", nulls_last=True
    )
    _follow_one_another(path, ordered)
    return ordered


def _row(path: Path, number: int, entry: dict[str, Any]) -> tuple[str | None, date, date, str]:
    place = f"{path}: baseline {number}"
    if wrong := sorted(set(entry) - _ALLOWED):
        raise InputError(f"{place}: {wrong[0]!r} is not known; an entry has site, from, through and why.")
    if lacking := sorted(_NEEDED - set(entry)):
        raise InputError(f"{place}: {lacking[0]!r} is missing; an entry has site, from, through and why.")
    for key in ("site", "why"):
        if not isinstance(entry.get(key, ""), str):
            raise InputError(f"{place}: {key} is no text; write it in quotation marks.")
    first, last = (_month(place, key, entry[key]) for key in ("from", "through"))
    if last < first:
        raise InputError(
            f"{place}: it ends ({last:%Y-%m}) before it begins ({first:%Y-%m}); mend one of them."
        )
    return entry.get("site"), first, last, entry["why"]


def _month(place: str, key: str, text: Any) -> date:
    try:
        year, month = str(text).split("-")
        if len(year) != 4 or len(month) != 2:
            raise ValueError
        return date(int(year), int(month), 1)
    except ValueError:
        raise InputError(f'{place}: {key} = {text!r} is no month; write it as "2031-01".') from None


def _follow_one_another(path: Path, ordered: pl.DataFrame) -> None:
    for one, other in pairwise(ordered.iter_rows(named=True)):
        if one["site"] == other["site"] and other["from_month"] <= one["through_month"]:
            raise InputError(
                f"{path}: two baselines of {one['site'] or 'every site'} overlap in "
                f"{other['from_month']:%Y-%m}; let one end before the next begins."
            )
