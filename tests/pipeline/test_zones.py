"""A clock that keeps standard time all year shows the same offset whoever is asked."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from pipeline.course.zones import minutes_of, zone_of
from pipeline.zones import to_utc


@pytest.mark.parametrize(
    "zone", ["Europe/Zurich", "America/Halifax", "Australia/Lord_Howe", "Africa/Casablanca", "Europe/Dublin", "Asia/Kolkata"]
)  # fmt: skip
def test_standard_time_of_a_date_of_export_is_that_of_the_minutes(zone: str) -> None:
    first = datetime(2026, 1, 15, 12)
    for local in (first + timedelta(days=73 * step) for step in range(25)):
        wall = minutes_of(local)
        apart = (local.replace(tzinfo=UTC) - to_utc(local, zone, summer_time=False)) / timedelta(minutes=1)
        assert apart == zone_of(zone).standard(wall)
