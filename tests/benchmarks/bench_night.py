"""What a night costs that brings little into a loaded year, and which tables it touches."""

from __future__ import annotations

import random
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE
from pipeline.store import Home
from pipeline.store.vault import digest_of
from schemas.derivation import MADE
from schemas.lake import LOAD_FILE, MINUTE, REJECTED_ROW, TRACE
from tests.benchmarks.fleet import Run, copies, drainledger, fleet
from tests.benchmarks.rows import Row

SIMULATED, TIMES = 100, 10
ONE_PERCENT = 0.01
TABLES = (MINUTE, TRACE, REJECTED_ROW, LOAD_FILE, *DEVICE_TABLES, *DRAIN_STAGE, MADE)


def rows() -> Iterator[Row]:
    """A year of drains without traces loaded at once; then the same year but for 1 %, and what was left out."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        given = fleet(folder / "fleet", SIMULATED, traces_every_min=None)
        made = copies(given, folder / "copies", TIMES)
        whole = drainledger(folder / "whole", "load", made.logs, made.registry)
        shutil.rmtree(folder / "whole")
        newest, scattered = held_back(made.files)
        nights = {what: folder / what for what in ("newest", "scattered", "correction")}
        for what, files in (("newest", newest), ("scattered", scattered)):
            nights[what].mkdir()
            for path in files:
                path.rename(nights[what] / path.name)
        nights["correction"].mkdir()
        corrected(made.registry / given.registries[0].name, nights["correction"] / "registry.csv")
        home = folder / "home"
        drainledger(home, "load", made.logs, made.registry)
        drains = f"{SIMULATED * TIMES} drains, {len(made.files)} files loaded in {whole.seconds:.1f} s"

        def night(what: str, at_most: float | None, run: Callable[[], Run], brought: str) -> Row:
            before = versions(home)
            took = run()
            after = versions(home)
            touched = [table for table, version in after.items() if version != before[table]]
            return Row(
                f"{what}: share of the whole load's time",
                100 * took.seconds / whole.seconds,
                "%",
                "the same year loaded at once",
                at_most=at_most,
                detail=f"{brought}: {took.seconds:.1f} s; {drains}; touched {', '.join(touched)}",
            )

        yield night(
            "the newest 1 % of the files",
            5,
            lambda: drainledger(home, "load", nights["newest"]),
            f"{len(newest)} files of {devices_of(newest)} devices",
        )
        yield night(
            "1 % of the files, scattered",
            10,
            lambda: drainledger(home, "load", nights["scattered"]),
            f"{len(scattered)} files of {devices_of(scattered)} devices",
        )
        yield night(
            "one registry row corrected",
            None,
            lambda: drainledger(home, "load", nights["correction"]),
            "1 row",
        )
        digest = digest_of(scattered_path(nights["scattered"]).read_bytes())
        yield night(
            "one file withdrawn",
            None,
            lambda: drainledger(home, "withdraw", digest, "--why", "a bench"),
            "1 file",
        )
        yield night("nothing new", None, lambda: drainledger(home, "load", nights["newest"]), "known files")


def held_back(files: Sequence[Path]) -> tuple[list[Path], list[Path]]:
    """The newest 1 % of the files by their date, and as many of the rest drawn from all devices."""
    some = round(ONE_PERCENT * len(files))
    by_date = sorted(files, key=lambda path: (path.name.split("_")[2], path.name))
    return by_date[-some:], sorted(random.Random(1).sample(by_date[:-some], some))


def devices_of(files: Sequence[Path]) -> int:
    """How many devices wrote these files."""
    return len({path.name.rpartition("_")[0] for path in files})


def scattered_path(folder: Path) -> Path:
    """The first file in a folder."""
    return sorted(folder.iterdir())[0]


def corrected(registry: Path, out: Path) -> None:
    """The first row of a registry again, exported later, on another ward."""
    lines = registry.read_text().splitlines()
    header = next(number for number, line in enumerate(lines) if line.startswith("drain_key"))
    row = dict(zip(lines[header].split(","), lines[header + 1].split(","), strict=True))
    row["unit"] = "T9"
    later = "# exported_at: 2033-01-01T08:00:00+01:00"
    out.write_text("\n".join([lines[0], later, lines[header], ",".join(row.values())]) + "\n")


def versions(home: Path) -> dict[str, int | None]:
    """How often each table of the lake was written, as Delta Lake counts."""
    lake = Home(home).lake
    return {table.name: lake.version(table) for table in TABLES}
