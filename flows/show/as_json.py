"""Values as JSON, for scripts."""

from __future__ import annotations

import json
import math
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from flows.show.plain import prints


def json_text(value: Any) -> str:
    """
    A value as JSON: times ISO 8601, lengths of time in seconds, what is no number null.

    Signs that do not print are escaped: the value stays, and no terminal obeys it.
    """
    text = json.dumps(_finite(value), default=_plain, ensure_ascii=False, indent=2, allow_nan=False)
    return "".join(sign if sign == "\n" or prints(sign) else json.dumps(sign)[1:-1] for sign in text)


def _finite(value: Any) -> Any:
    """JSON has no word for what is no number: null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    return [_finite(item) for item in value] if isinstance(value, list | tuple) else value


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, Path | date | time):
        return str(value)
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, bytes):
        return value.hex()
    if hasattr(value, "to_list"):  # a series: known by what it can, for who prints none has not imported it
        return value.to_list()
    raise TypeError(f"{type(value).__name__} has no JSON form")
