"""Writes `sample_logs/`: `python -m pipeline.simulate.samples [FOLDER]` makes the same bytes every time."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.simulate.damage import damaged_files
from pipeline.simulate.device import Clock, Export, device_rows, exports, part, with_conflicts
from pipeline.simulate.expected import DRAIN_TRUTH, drain_truth
from pipeline.simulate.layouts import TraceFormat, compressed, write_north, write_v1
from pipeline.simulate.plan import HOUR
from pipeline.simulate.registry import RegistryDrain, write_annotations, write_registry
from pipeline.simulate.sample_paper import readme, registry, staff_notes
from pipeline.simulate.sample_ward import STAYS
from pipeline.simulate.sites import LAKESIDE, NORTH, Site
from pipeline.simulate.therapy import Therapy

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"


@dataclass(frozen=True)
class SampleDevice:
    """
    A device of the samples and its exports.

    Parameters
    ----------
    exports
        (site's wall clock, `gz` / `crlf` / `plain` / `conflicts`, file name or empty for the usual
        one).
    """

    serial: str
    site: Site
    first_record: int
    memory_h: int
    exports: tuple[tuple[str, str, str], ...]
    follows_dst: bool = True


DEVICES: tuple[SampleDevice, ...] = (
    SampleDevice(
        "DV-0001",
        LAKESIDE,
        48211,
        48,
        (("2031-03-28T06:00", "gz", ""), ("2031-03-29T08:00", "gz", ""), ("2031-04-01T17:00", "crlf", "")),
    ),
    SampleDevice(
        "DV-0002", LAKESIDE, 9120, 60, (("2031-03-26T07:00", "gz", ""), ("2031-03-27T20:00", "gz", ""))
    ),
    SampleDevice(
        "DV-0003",
        LAKESIDE,
        77003,
        72,
        (
            ("2031-03-19T07:00", "plain", ""),
            ("2031-03-21T07:00", "conflicts", ""),
            ("2031-03-23T07:00", "gz", ""),
            ("2031-03-25T05:00", "gz", ""),
        ),
    ),
    SampleDevice("DV-0004", LAKESIDE, 300, 72, (("2031-03-30T07:00", "crlf", ""),)),
    SampleDevice("DV-0005", LAKESIDE, 15001, 72, (("2031-03-31T15:00", "gz", ""),)),
    SampleDevice(
        "DV-0006", LAKESIDE, 60210, 50, (("2031-03-22T07:00", "plain", ""), ("2031-03-23T17:00", "gz", ""))
    ),
    SampleDevice(
        "DV-0007",
        LAKESIDE,
        2002,
        72,
        (("2031-03-30T08:00", "gz", ""), ("2031-03-31T09:00", "gz", "")),
        follows_dst=False,
    ),
    SampleDevice(
        "DV-0008",
        LAKESIDE,
        31007,
        72,
        (("2031-03-24T06:00", "gz", ""), ("2031-03-25T12:00", "plain", "bed 4's drain (copy).csv")),
    ),
    SampleDevice("DV-0010", LAKESIDE, 5150, 72, (("2031-03-21T16:00", "plain", ""),)),
    SampleDevice("DV-0011", LAKESIDE, 820, 72, (("2031-03-27T02:00", "gz", ""),)),
    SampleDevice(
        "NK-0101",
        NORTH,
        1,
        96,
        (("2031-03-13T06:00", "", ""), ("2031-03-16T06:00", "", ""), ("2031-03-17T12:00", "", "")),
    ),
    SampleDevice("NK-0102", NORTH, 40400, 96, (("2031-03-14T07:00", "", ""), ("2031-03-15T16:00", "", ""))),
    SampleDevice("NK-0103", NORTH, 48211, 96, (("2031-03-12T06:00", "", ""), ("2031-03-14T07:00", "", ""))),
    SampleDevice("NK-0104", NORTH, 7000, 96, (("2031-03-30T08:00", "", ""), ("2031-03-31T12:00", "", ""))),
)


def write_samples(folder: Path = SAMPLES) -> dict[str, str]:
    """
    Write the sample folder anew: logs of two sites, registry, annotations, damaged files, README.

    Returns
    -------
    Path within the folder → what the file is for, in the README's order.
    """
    lives = {stay.number: stay.live() for stay in STAYS}
    for part_of_it in ("lakeside", "north", "ward"):
        shutil.rmtree(folder / part_of_it, ignore_errors=True)
        (folder / part_of_it).mkdir(parents=True)
    purpose: dict[str, str] = {}
    for name, data, what in (*_logs(lives), *_ward(lives), *damaged_files(lambda *a: _export_of(lives, *a))):
        (folder / name).write_bytes(data)
        purpose[name] = what
    (folder / "README.md").write_text(readme(purpose, sample_truth(lives)), encoding="utf-8")
    return purpose


def sample_truth(lives: dict[int, Therapy] | None = None) -> pl.DataFrame:
    """
    What is true of each sample drain, and what an honest ledger can know of it.

    Returns
    -------
    One row a drain in the columns of `expected.DRAIN_TRUTH`; `drain_key` is null for the unlinked use.
    """
    lived = lives or {stay.number: stay.live() for stay in STAYS}
    known = {row.drain_key: row for row in _standing(*registry(lived))}
    rows: list[dict[str, Any]] = []
    for stay in STAYS:
        uses = [f"{device}/{session}" for device, session, _, _ in stay.on_devices]
        for key in stay.keys or (None,):
            row = None if key is None else known[key]
            rows.append(drain_truth(lived[stay.number], stay.site.name, stay.number, stay.what, uses, row))
    without_log = known["LS-0108"]
    nothing = dict.fromkeys(DRAIN_TRUTH)
    rows.append(
        nothing
        | {
            "site": without_log.site,
            "drain_key": without_log.drain_key,
            "story": "registered, but its log never came",
            "uses": ["DV-0009/2"],
            "expected_prolonged_leak": "unknown",
            "expected_reason": "no_log",
            "occlusions": 0,
        }
    )
    return pl.DataFrame(rows, schema=DRAIN_TRUTH).sort("site", "drain_key", nulls_last=True)


def _standing(first: list[RegistryDrain], corrected: list[RegistryDrain]) -> list[RegistryDrain]:
    return list({row.drain_key: row for row in (*first, *corrected)}.values())


def _logs(lives: dict[int, Therapy]) -> Iterator[tuple[str, bytes, str]]:
    for device in DEVICES:
        rows = _rows(device, lives)
        form = _form(rows)
        stories = "; ".join(
            stay.what for stay in STAYS if any(serial == device.serial for serial, *_ in stay.on_devices)
        )
        for place, (when, kind, usual) in enumerate(device.exports):
            export = _export(device, rows, when)
            what = stories if place == 0 else f"{device.serial} again, overlapping the export before"
            if kind == "conflicts":
                export = with_conflicts(export, 2000)
                what += "; two leak values differ (conflicting minutes)"
            local = device.site.local(export.at)
            if device.site is NORTH:
                yield f"north/north_{device.serial}_{local:%Y%m%d}.csv", write_north(export.rows, local), what
                continue
            newline = "\r\n" if kind == "crlf" else "\n"
            data = write_v1(
                export.rows, device.serial, local, LAKESIDE.timezone, LAKESIDE.name, form, newline
            )
            name = usual or f"lakeside_{device.serial}_{local:%Y%m%dT%H%M}.csv"
            if usual:
                what += "; under a name with a quote and spaces"
            if kind in ("gz", "conflicts"):
                name, data = f"{name}.gz", compressed(data)
            yield f"lakeside/{name}", data, what


def _rows(device: SampleDevice, lives: dict[int, Therapy]) -> pl.DataFrame:
    parts = [
        part(lives[stay.number], session, first * HOUR, until * HOUR)
        for stay in STAYS
        for serial, session, first, until in stay.on_devices
        if serial == device.serial
    ]
    return device_rows(parts, Clock(device.site.timezone, device.follows_dst), device.first_record)


def _form(rows: pl.DataFrame) -> TraceFormat | None:
    return TraceFormat() if "samples_cmh2o" in rows.columns else None


def _export(device: SampleDevice, rows: pl.DataFrame, when: str) -> Export:
    at = datetime.fromisoformat(when)
    instant = device.site.at(at.date(), at.hour + at.minute / 60)
    return exports(rows, [instant], timedelta(hours=device.memory_h))[0]


def _export_of(lives: dict[int, Therapy], serial: str, when: str) -> bytes:
    """One more export of a version 1 device, for `damaged_files` to spoil."""
    device = next(known for known in DEVICES if known.serial == serial)
    rows = _rows(device, lives)
    export = _export(device, rows, when)
    local = device.site.local(export.at)
    return write_v1(export.rows, serial, local, LAKESIDE.timezone, LAKESIDE.name, _form(rows))


def _ward(lives: dict[int, Therapy]) -> Iterator[tuple[str, bytes, str]]:
    first, corrected = registry(lives)
    at = datetime.fromisoformat("2031-04-07T08:00:00+02:00")
    later = datetime.fromisoformat("2031-04-14T08:00:00+02:00")
    yield "ward/registry.csv", write_registry(first, at), "registry of both sites"
    yield (
        "ward/registry_correction.csv",
        write_registry(corrected, later),
        "a row that comes again, with removal time and reason",
    )
    yield (
        "ward/annotations.csv",
        write_annotations(staff_notes(lives), at),
        "what staff wrote beside the logs",
    )


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES
    written = write_samples(target)
    size = sum((target / name).stat().st_size for name in written)
    print(f"{target}: {len(written)} files, {size} bytes")
