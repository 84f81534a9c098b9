"""The invented hospitals whose logs are simulated."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class Site:
    """
    An invented hospital: its layout of logs, zone, and how it numbers devices and drains.

    `clock_zone`: the zone of its devices' clocks where that is not the hospital's.
    """

    name: str
    layout: str
    timezone: str
    device_prefix: str
    key_prefix: str
    units: tuple[str, ...]
    procedures: tuple[str, ...]
    clock_zone: str = ""

    @property
    def number(self) -> int:
        """A number for the site's random streams that does not hang on which other sites are simulated."""
        return int.from_bytes(self.name.encode(), "big") % (2**31)

    def at(self, day: date, hour: float) -> datetime:
        """An instant by the site's wall clock, in UTC."""
        local = datetime.combine(day, time(0), ZoneInfo(self.timezone)) + timedelta(hours=hour)
        return local.astimezone(UTC)

    def local(self, instant: datetime) -> datetime:
        """The same instant with the site's offset, to the minute."""
        return instant.astimezone(ZoneInfo(self.timezone)).replace(second=0, microsecond=0)


LAKESIDE = Site(
    "lakeside",
    "v1",
    "Europe/Zurich",
    "DV-",
    "LS",
    ("T3", "T4"),
    ("lobectomy", "wedge resection", "pneumothorax"),
)
NORTH = Site(
    "north", "north", "Europe/Helsinki", "NK-", "NO", ("Thorax",), ("lobectomy", "decortication", "empyema")
)
HARBOUR = Site(
    "harbour",
    "harbour",
    "America/Halifax",
    "HB-",
    "HB",
    ("West",),
    ("lobectomy", "pneumothorax"),
    # Its devices keep winter time all year.
    clock_zone="Etc/GMT+4",
)
UPLAND = Site(
    "upland", "upland", "Asia/Kathmandu", "UP-", "UP", ("Study",), ("wedge resection", "bullectomy")
)
SITES = (LAKESIDE, NORTH)
ALL_SITES = (LAKESIDE, NORTH, HARBOUR, UPLAND)
