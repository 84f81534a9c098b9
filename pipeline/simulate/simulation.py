"""A whole simulated fleet in a folder: logs, registry, annotations, and the truth behind them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.definitions import load_definitions
from pipeline.simulate.device import Export, Part, device_rows, exports, with_conflicts
from pipeline.simulate.layouts import TraceFormat, compressed, write_north, write_v1
from pipeline.simulate.paperwork import Paperwork, Truth
from pipeline.simulate.plan import draw_plan
from pipeline.simulate.pressure import traces
from pipeline.simulate.sites import SITES, Site
from pipeline.simulate.study_layouts import UPLAND_TRACE, write_harbour, write_upland
from pipeline.simulate.therapy import Therapy
from pipeline.simulate.ward import Draw, Shift, device_shift, slots_of
from schemas.errors import CallError

TRACE_FORM = TraceFormat(rate_hz=10.0, factor=0.1)
# Layouts that hold traces, and at which rate.
_TRACE_HZ = {"v1": TRACE_FORM.rate_hz, "upland": UPLAND_TRACE.rate_hz}
# What the invented device remembers; longer stays need several exports to be whole.
_MEMORY = timedelta(days=5)


@dataclass(frozen=True)
class Simulation:
    """
    Where a simulated fleet lies.

    Parameters
    ----------
    logs
        Folder of log files, a folder a site below it.
    registries, annotations
        Files, in the order in which they were exported.
    truth
        Folder with `minute/*.parquet` (one row a minute, UTC, one file a drain), `drain.parquet`,
        `device.parquet` and `file.parquet`.
    """

    root: Path
    logs: Path
    log_files: tuple[Path, ...]
    registries: tuple[Path, ...]
    annotations: tuple[Path, ...]
    truth: Path
    drains: int


def simulate(
    out: Path,
    drains: int,
    seed: int,
    start: date = date(2031, 1, 1),
    traces_every_min: int | None = None,
    days: int = 365,
    sites: Sequence[Site] = SITES,
    draw: Draw = draw_plan,
    on_drain: Callable[[int], None] | None = None,
) -> Simulation:
    """
    Simulate a fleet of drains and write its logs, registry, annotations and truth.

    Device by device, so memory holds one device's patients at a time. Deterministic: the same
    arguments give the same bytes, and drain k of a site is the same however many are asked for.

    Parameters
    ----------
    out
        Folder to write to; made where it is missing, and must not hold anything yet.
    drains
        Therapies; a shared use adds a second registry row to its own.
    start, days
        Drains begin within `days` days from `start`.
    traces_every_min
        A 30 s pressure trace every so many minutes where the layout has them; none where left out.
    draw
        What draws a drain's plan: a ward's mix, or `scenarios.draw_hard_plan`.
    on_drain
        Called with the number of drains done, for a progress bar.

    Raises
    ------
    CallError
        When a number makes no sense or the folder is not empty.
    """
    _check_call(out, drains, seed, days, traces_every_min, sites)
    definitions = load_definitions()
    truth = Truth(out / "truth")
    wards: list[Paperwork] = []
    slots = slots_of(days)
    done = 0
    for place, site in enumerate(sites):
        numbers = list(range(place, drains, len(sites)))
        folder = out / "logs" / site.name
        folder.mkdir(parents=True)
        paper = Paperwork(site)
        finish = _tracer(traces_every_min, _TRACE_HZ.get(site.layout))
        for device_no, first in enumerate(range(0, len(numbers), slots), start=1):
            on_it = numbers[first : first + slots]
            shift = device_shift(
                seed, site, device_no, on_it, start, max(1, days // slots), definitions, finish, draw
            )
            truth.files += _write_logs(folder, shift, seed, device_no)
            truth.add_shift(shift)
            paper.add_shift(shift)
            done += len(shift.stays)
            if on_drain is not None:
                on_drain(done)
        wards.append(paper)
    exported = start + timedelta(days=days + 30)
    registries = tuple(path for paper in wards for path in paper.write_registry(out / "registry", exported))
    annotations = tuple(paper.write_annotations(out / "annotations", exported) for paper in wards)
    truth.write()
    log_files = tuple(out / "logs" / row["site"] / row["name"] for row in truth.files)
    return Simulation(out, out / "logs", log_files, registries, annotations, truth.folder, drains)


def _check_call(
    out: Path, drains: int, seed: int, days: int, every: int | None, sites: Sequence[Site]
) -> None:
    if seed < 0:
        raise CallError(f"simulate: seed {seed}; it must be 0 or more.")
    if drains < 1 or days < 1 or not sites or (every is not None and every < 1):
        raise CallError(
            "simulate: drains, days and minutes between traces must be 1 or more, with a site at least."
        )
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise CallError(f"simulate: {out} already holds something; name a new or empty folder.")


def _tracer(every_min: int | None, rate_hz: float | None) -> Callable[[Therapy], Therapy]:
    def finish(lived: Therapy) -> Therapy:
        if every_min is None or rate_hz is None:
            return lived
        return traces(lived, every_min, rate_hz=rate_hz)

    return finish


def _write_logs(folder: Path, shift: Shift, seed: int, device_no: int) -> list[dict[str, Any]]:
    """Write each device's exports; return one row of truth a file."""
    files: list[dict[str, Any]] = []
    for serial, parts in sorted(shift.parts.items()):
        number = int(serial.rsplit("-", 1)[1])

        def stream(*key: int, number: int = number) -> np.random.Generator:
            return np.random.default_rng(
                np.random.SeedSequence(seed, spawn_key=(4, shift.site.number, device_no, number, *key))
            )

        rows = device_rows(parts, shift.clock, shift.first_record, shift.with_record)
        faulty = stream(0).random() < 0.08
        # Each use's exports and each file's form have their own stream: they do not hang on later patients.
        times = [_export_times(stream(1, place), one) for place, one in enumerate(parts) if one.log.height]
        by_day = {instant.date(): instant for instant in sorted(instant for use in times for instant in use)}
        for place, export in enumerate(exports(rows, sorted(by_day.values()), _MEMORY)):
            conflicts = faulty and place % 2 == 1
            given = with_conflicts(export, 997) if conflicts else export
            name, data = _file(shift, serial, given, stream(2, export.at.toordinal()))
            (folder / name).write_bytes(data)
            files.append(
                {
                    "site": shift.site.name,
                    "name": name,
                    "device": serial,
                    "exported_at": export.at,
                    "rows": export.rows.height,
                    "bytes": len(data),
                    "conflicting": conflicts,
                }
            )
    return files


def _export_times(rng: np.random.Generator, use: Part) -> list[datetime]:
    """After the use, and on mornings of it where it outlasts the device's memory or the ward is keen."""
    first, last = use.log["minute"][0], use.log["minute"][-1]
    each = 1 if rng.random() < 0.08 else 4
    morning = first.replace(hour=0, minute=0) + timedelta(days=each, hours=int(rng.integers(5, 9)))
    times = [last + timedelta(minutes=int(rng.choice([35, 150, 1700])))]
    while morning < last:
        times.append(morning)
        morning += timedelta(days=each)
    return times


def _file(shift: Shift, serial: str, export: Export, rng: np.random.Generator) -> tuple[str, bytes]:
    site = shift.site
    local = site.local(export.at)
    if site.layout == "north":
        return f"{site.name}_{serial}_{local:%Y%m%d}.csv", write_north(export.rows, local)
    if site.layout == "harbour":
        return f"{site.name}_{serial}_{local:%Y%m%dT%H%M}.csv", write_harbour(export.rows, serial, local)
    if site.layout == "upland":
        utc = export.at.astimezone(UTC)
        return f"{site.name}_{serial}_{utc:%Y%m%dT%H%M%S}.tsv", write_upland(
            export.rows, serial, f"{local:%z}"
        )
    traced = "samples_cmh2o" in export.rows.columns
    newline = "\r\n" if rng.random() < 0.2 else "\n"
    data = write_v1(
        export.rows, serial, local, site.timezone, site.name, TRACE_FORM if traced else None, newline
    )
    name = f"{site.name}_{serial}_{local:%Y%m%dT%H%M}.csv"
    return (f"{name}.gz", compressed(data)) if rng.random() < 0.5 else (name, data)
