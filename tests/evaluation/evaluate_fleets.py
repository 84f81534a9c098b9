"""Simulated fleets through the ledger's own path, each minute beside what really happened in it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.cohort import (
    claim,
    cuts_of,
    load_rules,
    read_annotations,
    read_registry,
    summarise,
    use_annotations,
)
from pipeline.course import course_of, evidence_of, resolve
from pipeline.definitions import Definitions, load_definitions
from pipeline.ingest import load_profiles, read_log
from pipeline.simulate import Simulation, simulate
from pipeline.simulate.scenarios import draw_hard_plan
from pipeline.simulate.sites import HARBOUR, LAKESIDE, NORTH, UPLAND, Site
from schemas.lake import EVIDENCE, LOAD_FILE, RESOLVED, USE_TABLE
from tests.evaluation.evaluate_truth import gaps_told, named, truth_minutes

# Days over which a device's three patients come; the fleets lie so that the middle one meets the change
# to or from summer time.
_DAYS = 54
# Traces are large: so many devices' are held at once.
_DEVICES_AT_ONCE = 3
# Notes that decide a finding; the log alone is to be judged.
_DECIDING = ("clamp_trial", "confirmed_occlusion", "refuted")


FLAGS = (
    "tilted",
    "paused",
    "suction_shortfall",
    "line_open",
    "clamped",
    "flow_stopped",
    "occlusion_suspected",
    "leak",
    "cough",
    "motion",
    "output_surge",
)
GRADED = ("line_open", "clamped", "occlusion_suspected")


@dataclass(frozen=True)
class Fleet:
    """Drains of some sites with one kind of evidence: a trace every so many minutes, or none."""

    evidence: str
    traces_every_min: int | None
    sites: tuple[Site, ...]
    start: date


FLEETS = (
    Fleet("every minute", 1, (LAKESIDE, UPLAND), date(2031, 2, 25)),
    Fleet("every 5 min", 5, (LAKESIDE, UPLAND), date(2031, 9, 25)),
    Fleet("every 10 min", 10, (LAKESIDE, UPLAND), date(2031, 2, 25)),
    Fleet("untraced", None, (NORTH, HARBOUR, LAKESIDE), date(2031, 9, 25)),
)


@dataclass(frozen=True)
class Beside:
    """
    What the ledger says beside what is true; every frame has `evidence`, `site`, `stay` and `scenario`.

    Parameters
    ----------
    minutes
        One row a true minute that the ledger has, in its order: `use_id`, `minute` as the ledger puts
        it, the course's columns, the grades of three flags (`line_open_grade` …), each flag as a column, `traced`
        (whether the minute has a pressure trace), `clamped_noted` (clamped when what staff noted is heeded), `drain_output_ml` (since the
        drain began; null outside the drain), and the truth as `true_…` with `true_minute`.
    logged
        One row a true minute that the device wrote and did not lose: `through`, whether the ledger has
        it; `on_time`, whether at its true time; `clock`, how the device's clock goes.
    unlogged
        True minutes that no log holds: `true_minute`.
    gaps
        One row a minute of a use that its log truly lacks (`true_no_data`) or that is told so (`no_data`), of
        devices whose clock goes right.
    alerts, canisters
        As the course has them.
    drains
        The truth's row of each stay beside the published one (`…_told`).
    """

    minutes: pl.DataFrame
    logged: pl.DataFrame
    unlogged: pl.DataFrame
    gaps: pl.DataFrame
    alerts: pl.DataFrame
    canisters: pl.DataFrame
    drains: pl.DataFrame

    def only(self, wanted: pl.Expr) -> Beside:
        """The same with the rows of some evidence, site or stay."""
        return Beside(*(getattr(self, field.name).filter(wanted) for field in fields(self)))


def beside_truth(
    drains: int,
    seed: int,
    said: Callable[[str], None] = lambda line: None,
    fleets: tuple[Fleet, ...] = FLEETS,
) -> Beside:
    """Simulate `drains` stays shared out over the fleets, and put the ledger beside the truth."""
    found = []
    for number, fleet in enumerate(fleets):
        count = max(len(fleet.sites), drains // len(fleets))
        with tempfile.TemporaryDirectory() as folder:
            made = simulate(
                Path(folder) / "fleet",
                count,
                seed * len(FLEETS) + number,
                start=fleet.start,
                traces_every_min=fleet.traces_every_min,
                days=_DAYS,
                sites=fleet.sites,
                draw=draw_hard_plan,
            )
            said(f"{fleet.evidence}: {count} drains simulated")
            found.append(_one_fleet(made, fleet.evidence, load_definitions()))
            said(f"{fleet.evidence}: worked out")
    return Beside(*(pl.concat([getattr(one, field.name) for one in found]) for field in fields(Beside)))


def _one_fleet(made: Simulation, evidence_kind: str, definitions: Definitions) -> Beside:
    resolved, uses, evidence = (pl.concat(frames) for frames in zip(*_uses(made, definitions), strict=True))
    registry = pl.concat([read_registry(path.read_bytes()).rows for path in made.registries])
    notes = pl.concat([read_annotations(path.read_bytes()).rows for path in made.annotations])
    cuts, noted = cuts_of(uses, registry), use_annotations(uses, registry, notes)
    # What staff noted would decide the very findings that are to be judged here.
    unaided = noted.filter(~pl.col("kind").is_in(_DECIDING))
    course = course_of(resolved, uses, evidence, cuts, unaided, definitions)
    aided = course_of(resolved, uses, evidence, cuts, noted, definitions).minutes.select(
        "use_id", "minute", clamped_noted=pl.col("flags").list.contains("clamped")
    )
    claims = claim(uses, registry, b"a secret of the evaluation", notes)
    tables = summarise(
        claims,
        uses,
        course.minutes,
        evidence,
        course.periods,
        course.alerts,
        course.canisters,
        notes.filter(~pl.col("kind").is_in(_DECIDING)),
        definitions,
        load_rules(),
    )
    traced = evidence.select("use_id", "minute", traced=pl.lit(True)).unique(["use_id", "minute"])
    logged, unlogged = truth_minutes(made, resolved, evidence_kind)
    minutes = (
        logged.filter("through")
        .join(course.minutes.drop("site", "device", "session"), on=["use_id", "minute"], how="left")
        .pipe(_with_grades, course.periods)
        .join(aided, on=["use_id", "minute"], how="left")
        .join(traced, on=["use_id", "minute"], how="left")
        .with_columns(pl.col("traced").fill_null(False))
        .sort("use_id", "minute")
    )
    drains = _drains(made, tables.drain, tables.drain_use, claims.drains, evidence_kind)
    stays = minutes.select("use_id", "evidence", "site", "stay").unique("use_id", maintain_order=True)
    scenarios = named(pl.read_parquet(made.truth / "drain.parquet"), evidence_kind)
    scenarios = scenarios.select("stay", "scenario").unique("stay")
    frames = (
        _with_drain_output(minutes, tables.drain_use, drains),
        logged.select("evidence", "site", "stay", "through", "on_time", "clock_kind"),
        unlogged,
        gaps_told(logged, unlogged, course.minutes),
        _of_stays(course.alerts.drop("site"), minutes, stays),
        course.canisters.drop("site").join(stays, on="use_id"),
        drains.drop("scenario"),
    )
    return Beside(*(frame.join(scenarios, on="stay", how="left", maintain_order="left") for frame in frames))


def _of_stays(alerts: pl.DataFrame, minutes: pl.DataFrame, stays: pl.DataFrame) -> pl.DataFrame:
    """Alerts with the stay in which they began: a use may hold two patients."""
    names = ["evidence", "site", "stay"]
    began = minutes.select("use_id", *names, started_at="minute").unique(
        ["use_id", "started_at"], keep="last"
    )
    found = alerts.join(began, on=["use_id", "started_at"], how="left", maintain_order="left")
    other = found.select("use_id").join(stays, on="use_id", how="left", maintain_order="left")
    return found.with_columns(found[name].fill_null(other[name]) for name in names)


def _uses(
    made: Simulation, definitions: Definitions
) -> Iterator[tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]]:
    """A few devices at a time: traces are large, and a device's result is its own."""
    profiles = load_profiles()
    files = pl.read_parquet(made.truth / "file.parquet").sort("site", "device", "name")
    devices = files.select("site", "device").unique(maintain_order=True)
    bare = [name for name in RESOLVED.empty().columns if name != "samples_cmh2o"]
    for some in devices.iter_slices(_DEVICES_AT_ONCE):
        names = files.join(some, on=["site", "device"], maintain_order="left")
        logs = [
            read_log((made.logs / row["site"] / row["name"]).read_bytes(), row["name"], profiles, definitions)
            for row in names.iter_rows(named=True)
        ]
        listed = pl.DataFrame(
            [log.file | {"loaded_at": None} for log in logs], schema_overrides=LOAD_FILE.dtypes
        )
        found = resolve(
            pl.concat([log.minutes for log in logs]),
            pl.concat([log.traces for log in logs]),
            LOAD_FILE.conform(listed),
            definitions,
        )
        evidence = evidence_of(found.minutes, definitions)
        without = found.minutes.select(
            *bare, pl.lit(None, RESOLVED.dtypes["samples_cmh2o"]).alias("samples_cmh2o")
        )
        yield RESOLVED.conform(without), USE_TABLE.conform(found.uses), EVIDENCE.conform(evidence)


def _with_grades(minutes: pl.DataFrame, periods: pl.DataFrame) -> pl.DataFrame:
    """Add `<flag>_grade` of the flags that have one, and every flag as a column of its own."""
    for kind in GRADED:
        graded = periods.filter(pl.col("kind") == kind, pl.col("grade").is_not_null()).select(
            "use_id",
            pl.col("grade").alias(f"{kind}_grade"),
            minute=pl.datetime_ranges("started_at", "ended_at", "1m", closed="left"),
        )
        minutes = minutes.join(graded.explode("minute"), on=["use_id", "minute"], how="left")
    return minutes.with_columns(pl.col("flags").list.contains(kind).alias(kind) for kind in FLAGS)


def _drains(
    made: Simulation, told: pl.DataFrame, drain_use: pl.DataFrame, claimed: pl.DataFrame, evidence_kind: str
) -> pl.DataFrame:
    """Each stay's truth beside the published drain: by the hospital's key, or by its use where unlinked."""
    truth = pl.read_parquet(made.truth / "drain.parquet").unique(["site", "number"], maintain_order=True)
    keys = claimed.filter("linked").select("drain_id", "site", "drain_key")
    by_key = truth.filter(pl.col("drain_key").is_not_null()).join(keys, on=["site", "drain_key"])
    by_use = (
        truth.filter(pl.col("drain_key").is_null())
        .with_columns(use=pl.col("uses").list.first())
        .join(
            drain_use.join(claimed.filter(~pl.col("linked")).select("drain_id"), on="drain_id").select(
                "drain_id",
                site=pl.col("use_id").str.extract("^([^:]*):"),
                use=pl.col("use_id").str.extract("^[^:]*:(.*)@"),
            ),
            on=["site", "use"],
        )
        .drop("use")
        .unique(["site", "number"], maintain_order=True)
    )
    return (
        pl.concat([by_key, by_use.select(by_key.columns)])
        .join(told, on=["drain_id", "site"], suffix="_told")
        .pipe(named, evidence_kind)
        .sort("site", "number")
    )


def _with_drain_output(minutes: pl.DataFrame, drain_use: pl.DataFrame, drains: pl.DataFrame) -> pl.DataFrame:
    """Add what the published minute view would show as the drain's output at the minute."""
    held = drain_use.join(drains.select("drain_id", "stay"), on="drain_id").select(
        "stay", "use_id", "from_at", "until_at", "output_before_ml"
    )
    return (
        minutes.with_row_index("place")
        .join(held, on=["stay", "use_id"], how="left")
        .with_columns(
            inside=(
                (pl.col("minute") >= pl.col("from_at")) & (pl.col("minute") < pl.col("until_at"))
            ).fill_null(False)
        )
        .sort("place", pl.col("inside").not_())
        .unique("place", keep="first", maintain_order=True)
        .with_columns(
            # Unknown where what an earlier device held is: a swap whose last reading nobody took.
            drain_output_ml=pl.when("inside").then(
                (pl.col("output_ml") + pl.col("output_before_ml")).clip(lower_bound=0.0)
            )
        )
        .drop("place", "from_at", "until_at", "output_before_ml", "inside")
    )
