"""Alert cells turned into lists of our codes; codes without a counterpart of ours are kept as `other:`."""

from __future__ import annotations

import re

import polars as pl

from pipeline.ingest.layout import Alerts
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


def _codes(text: str, alerts: Alerts) -> list[str] | None:
    found: set[str] = set()
    for part in text.split(alerts.separator):
        code = part.strip()
        if not code:
            continue
        bare = code.removeprefix(OTHER_ALERT_PREFIX)
        if code in alerts.codes:
            found.add(alerts.codes[code])
        elif _CODE.fullmatch(bare):
            found.add(OTHER_ALERT_PREFIX + bare)
        else:
            return None
    return sorted(found)
