"""What piles up while a fleet is simulated: the wards' registry and notes, and the truth."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import polars.selectors as cs

from pipeline.simulate.device import device_rows
from pipeline.simulate.expected import DRAIN_TRUTH, drain_truth
from pipeline.simulate.registry import Annotation, RegistryDrain, write_annotations, write_registry
from pipeline.simulate.sites import Site
from pipeline.simulate.ward import Shift, Stay

_INSTANT = pl.Datetime("us", "UTC")

_DEVICE_TRUTH = {
    "site": pl.String(),
    "device": pl.String(),
    "timezone": pl.String(),
    "clock_follows_dst": pl.Boolean(),
    "clock_step_at": _INSTANT,
    "clock_step_minutes": pl.Int64(),
    "has_record": pl.Boolean(),
    "counter_resets": pl.Int64(),
}
_FILE_TRUTH = {
    "site": pl.String(),
    "name": pl.String(),
    "device": pl.String(),
    "exported_at": _INSTANT,
    "rows": pl.Int64(),
    "bytes": pl.Int64(),
    "conflicting": pl.Boolean(),
}

_SHOWN = {"device": pl.String(), "minute": _INSTANT, "record": pl.Int64(), "clock": pl.Datetime("us")}


@dataclass
class Paperwork:
    """A site's registry and annotations as they pile up."""

    site: Site
    rows: list[RegistryDrain] = field(default_factory=list)
    corrections: list[RegistryDrain] = field(default_factory=list)
    annotations: list[Annotation] = field(default_factory=list)

    def add_shift(self, shift: Shift) -> None:
        """Take what the ward wrote about one device's drains."""
        for stay in shift.stays:
            self.rows += stay.rows
            self.corrections += stay.corrections
            self.annotations += stay.annotations

    def write_registry(self, folder: Path, exported: date) -> list[Path]:
        """Write the registry, and a later export with the rows that were corrected."""
        folder.mkdir(exist_ok=True)
        written = []
        for number, rows in enumerate((self.rows, self.corrections)):
            path = folder / f"{self.site.name}_registry_{number + 1}.csv"
            made = self.site.local(self.site.at(exported + timedelta(days=number), 8))
            path.write_bytes(write_registry(rows, made))
            written.append(path)
        return written

    def write_annotations(self, folder: Path, exported: date) -> Path:
        """Write the notes."""
        folder.mkdir(exist_ok=True)
        path = folder / f"{self.site.name}_annotations.csv"
        path.write_bytes(write_annotations(self.annotations, self.site.local(self.site.at(exported, 9))))
        return path


class Truth:
    """The truth as it piles up: minutes are written at once, the rest at the end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files: list[dict[str, Any]] = []
        self._drains: list[dict[str, Any]] = []
        self._devices: list[dict[str, Any]] = []
        (folder / "minute").mkdir(parents=True)

    def add_shift(self, shift: Shift) -> None:
        """Write the minutes of one device's stays; keep what is true of each drain and of the device."""
        shown = _shown(shift)
        for stay in shift.stays:
            name = f"{shift.site.name}_{stay.number:06d}.parquet"
            minutes = minute_truth(stay)
            minutes = minutes.join(shown, on=["device", "minute"], how="left", maintain_order="left")
            minutes.write_parquet(self.folder / "minute" / name)
            uses = [f"{serial}/{session}" for serial, session, _, _ in stay.on_devices]
            standing = {row.drain_key: row for row in (*stay.rows, *stay.corrections)}
            known: list[RegistryDrain | None] = [*standing.values()] or [None]
            self._drains += [
                drain_truth(stay.lived, shift.site.name, stay.number, stay.story, uses, row) for row in known
            ]
        self._devices += [
            {
                "site": shift.site.name,
                "device": serial,
                "timezone": shift.clock.timezone,
                "clock_follows_dst": shift.clock.follows_dst,
                "clock_step_at": shift.clock.steps[0][0] if shift.clock.steps else None,
                "clock_step_minutes": shift.clock.steps[0][1] if shift.clock.steps else None,
                "has_record": shift.with_record,
                "counter_resets": sum(one.reset_before for one in parts),
            }
            for serial, parts in sorted(shift.parts.items())
        ]

    def write(self) -> None:
        """Write the tables of drains, devices and files."""
        pl.DataFrame(self._drains, schema=DRAIN_TRUTH).write_parquet(self.folder / "drain.parquet")
        pl.DataFrame(self._devices, schema=_DEVICE_TRUTH).write_parquet(self.folder / "device.parquet")
        pl.DataFrame(self.files, schema=_FILE_TRUTH).write_parquet(self.folder / "file.parquet")


def _shown(shift: Shift) -> pl.DataFrame:
    """What each device showed at a logged minute: `device`, `minute` (UTC) → `record`, `clock`."""
    frames = []
    for serial, parts in sorted(shift.parts.items()):
        bare = [replace(one, log=one.log.select("minute", "lost")) for one in parts]
        rows = device_rows(bare, shift.clock, shift.first_record, shift.with_record)
        frames.append(rows.select(pl.lit(serial).alias("device"), "minute", "record", "clock"))
    return pl.concat(frames) if frames else pl.DataFrame(schema=_SHOWN)


def minute_truth(stay: Stay) -> pl.DataFrame:
    """
    The truth of a stay's minutes that a device was there to log, with device, session and drain key.

    A stay of which there is no log has the same columns and no row.
    """
    frames = []
    keys = [row.drain_key for row in stay.rows]
    for serial, session, first, until in stay.on_devices or (("", 0, 0, 0),):
        frames.append(
            stay.lived.truth[first:until].select(
                pl.lit(stay.site.name).alias("site"),
                pl.lit(serial).alias("device"),
                pl.lit(session, dtype=pl.Int64).alias("session"),
                pl.lit(stay.number, dtype=pl.Int64).alias("number"),
                pl.lit(keys, dtype=pl.List(pl.String)).alias("drain_keys"),
                ~cs.float(),
                # Finer than any reading; the rest of the digits would only fill the disk.
                cs.float().round(3),
            )
        )
    return pl.concat(frames)
