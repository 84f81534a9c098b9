"""Alert cells turned into lists of our codes; codes without a counterpart of ours are kept as `other:`."""

from __future__ import annotations

import re
from collections.abc import Sequence

import polars as pl

from pipeline.ingest.layout import Alerts
from pipeline.ingest.profile import Profile
from schemas.table import TEXT, TEXTS
from schemas.vocabulary import OTHER_ALERT_PREFIX

_CODE = re.compile(r"[\w.+/-]{1,40}")


def read_alerts(cells: pl.Series, alerts: Alerts) -> pl.Series:
    """
    The alerts of each minute, sorted and without doubles.

    An empty text means that none rang: `[]`. Null, a missing-value word, means that the log does
    not say: null. A cell with something in it that cannot be a code is null too; the caller, who has
    the text, can tell the two apart. Each different text is read once.

    Examples
    --------
    >>> known = Alerts(codes={"battery_low": "battery_low"})
    >>> read_alerts(pl.Series(["", "E7;battery_low", None]), known).to_list()
    [[], ['battery_low', 'other:E7'], None]
    """
    different = cells.unique().drop_nulls()
    meanings = pl.DataFrame(
        {"text": different, "alerts": [_codes(text, alerts) for text in different]},
        schema={"text": TEXT, "alerts": TEXTS},
    )
    return pl.DataFrame({"text": cells}).join(meanings, on="text", how="left", maintain_order="left")[
        "alerts"
    ]


def joined_flags(places: Sequence[int], profile: Profile) -> pl.Expr:
    """
    One text of all alert columns of a row, as `read_alerts` reads it: the codes that rang.

    What a column holds beside the profile's words goes along as `column=word`, which is no code; where a
    column holds a missing-value word, the whole is that word, for the log does not say.

    Parameters
    ----------
    places
        Of the columns in the header, in the order of the profile's flags.
    """
    alerts = profile.alerts
    cells = [pl.col(str(place)).str.strip_chars().fill_null("") for place in places]
    parts = [
        pl.when(cell.is_in(list(alerts.ringing)))
        .then(pl.lit(code))
        .when(cell.is_in(["", *alerts.quiet]))
        .then(pl.lit(""))
        .otherwise(pl.lit(f"{column}=") + cell)
        for cell, (column, code) in zip(cells, alerts.flags.items(), strict=True)
    ]
    joined = pl.concat_str(parts, separator=alerts.separator).str.strip_chars(alerts.separator)
    if not profile.missing:
        return joined
    unsaid = pl.any_horizontal(cell.is_in(list(profile.missing)) for cell in cells)
    return pl.when(unsaid).then(pl.lit(profile.missing[0])).otherwise(joined)


def _codes(text: str, alerts: Alerts) -> list[str] | None:
    found: set[str] = set()
    for part in text.split(alerts.separator):
        code = part.strip()
        if not code:
            continue
        bare = code.removeprefix(OTHER_ALERT_PREFIX)
        if code in alerts.codes:
            found.add(alerts.codes[code])
        elif code in alerts.flags.values():
            found.add(code)
        elif _CODE.fullmatch(bare):
            found.add(OTHER_ALERT_PREFIX + bare)
        else:
            return None
    return sorted(found)
