"""Whether a home's nights are scheduled, and when the next one is."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

SERVED = "served.json"  # in the private store: which schedule is kept, and by which process


def served_now(private: Path) -> dict[str, Any] | None:
    """Schedule and process of whoever serves a home; null where nobody does."""
    try:
        served = json.loads((private / SERVED).read_text(encoding="utf-8"))
        os.kill(int(served["process"]), 0)
    except PermissionError:
        return dict(served)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return dict(served)


def next_run(cron: str, timezone: str, now: datetime) -> datetime | None:
    """
    The next moment of a schedule after `now`, in UTC; null where there is none.

    Examples
    --------
    >>> str(next_run("30 2 * * *", "Europe/Zurich", datetime(2031, 3, 14, 12, tzinfo=UTC)))
    '2031-03-15 01:30:00+00:00'
    """
    from cronsim import CronSim, CronSimError

    try:
        return next(CronSim(cron, now.astimezone(ZoneInfo(timezone)))).astimezone(UTC)
    except (CronSimError, StopIteration):
        return None


def upcoming(private: Path, now: datetime) -> dict[str, Any] | None:
    """What is served and when it runs next, as plain values; null where nothing is."""
    served: Mapping[str, Any] | None = served_now(private)
    if served is None:
        return None
    return dict(served) | {"next": next_run(served["cron"], served["timezone"], now)}
