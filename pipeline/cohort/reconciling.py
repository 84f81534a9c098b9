"""Registry, logs and files against each other: who fell silent, which devices only one side knows."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import Definitions
from pipeline.ingest.far_dates import far_from_others
from pipeline.ingest.rules import Rule
from schemas.published import DATA_QUALITY

_DEVICE = ["site", "device"]
_WAITS_FOR = {
    Rule.NO_PROFILE.value: "a profile that fits it",
    Rule.SEVERAL_PROFILES.value: "profiles of which one alone fits it",
}


def reconcile(
    files: pl.DataFrame,
    rejected: pl.DataFrame,
    uses: pl.DataFrame,
    registry: pl.DataFrame,
    definitions: Definitions,
) -> pl.DataFrame:
    """
    List what does not add up beyond single drains, as DATA_QUALITY rows.

    - `site_silent`: a site's newest log was exported longer before the newest file of the whole ledger than
      a multiple of the site's own habit: the gap between its days with an export that nine in ten do not
      exceed. A site whose habit nobody knows yet is not judged. No machine's clock takes part, nor does a
      file whose export lies years from those of most others.
    - `dates_far_off`: a use of a device whose newest minute lies years from those of most other uses.
    - `device_not_in_registry`: a device with logs, at a site that keeps a registry, that no row names.
    - `device_without_log`: a device that rows name and no log in force is of.
    - `file_waiting`: a file that no profile fits, or several; it is read again once the profiles change.
    - `columns_ignored`: a site's files have columns that their profile does not name, so nobody reads them.

    Parameters
    ----------
    files
        LOAD_FILE rows of the files in force.
    rejected
        REJECTED_ROW of files that are not withdrawn.
    uses
        USE_TABLE.
    registry
        The standing rows of the registries.
    """
    found = pl.concat(
        [
            _silent(_of_their_time(files), definitions),
            _far_off(uses),
            *_devices(files, uses, registry),
            _waiting(rejected),
            _ignored(files),
        ],
        how="diagonal_relaxed",
    )
    return DATA_QUALITY.conform(found).sort("scope", "site", "device", "finding", "detail", nulls_last=True)


def _of_their_time(files: pl.DataFrame) -> pl.DataFrame:
    """The files but those of which a clock set wrong wrote the export: to them every site would be silent."""
    exports = files.select("file_sha256", "exported_at").drop_nulls().sort("file_sha256")
    far = far_from_others(dict(exports.iter_rows()))
    return files.filter(~pl.col("file_sha256").is_in(list(far)))


def _far_off(uses: pl.DataFrame) -> pl.DataFrame:
    ends = uses.select("use_id", "ended_at").sort("use_id")
    said = far_from_others(dict(ends.iter_rows()))
    far = pl.DataFrame(list(said.items()), schema={"use_id": pl.String, "said": pl.String}, orient="row")
    return far.join(uses, on="use_id", maintain_order="left").select(
        *_DEVICE,
        scope=pl.lit("device"),
        finding=pl.lit("dates_far_off"),
        minutes=pl.col("minutes_observed"),
        detail=pl.format("session {}: {}", "session", "said"),
    )


def _silent(files: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    rules = definitions.reconciliation
    newest = files["exported_at"].max()
    days = (
        files.filter(pl.col("device").is_not_null(), pl.col("exported_at").is_not_null())
        .select("site", day=pl.col("exported_at").dt.date())
        .unique()
        .sort("site", "day")
    )
    gap = pl.col("day").diff().dt.total_days()
    habits = days.group_by("site", maintain_order=True).agg(
        last=pl.col("day").last(),
        gaps=gap.count(),
        habit=gap.drop_nulls()
        .sort()
        .get(((gap.count() * rules.silent_quantile).ceil().cast(pl.Int64) - 1).clip(0), null_on_oob=True),
    )
    since = (pl.lit(newest, files.schema["exported_at"]).dt.date() - pl.col("last")).dt.total_days()
    return (
        habits.filter(pl.col("gaps") >= rules.silent_gaps)
        .with_columns(since=since)
        .filter(
            pl.col("since")
            > pl.max_horizontal(pl.col("habit") * rules.silent_times, pl.lit(rules.silent_least))
        )
        .select(
            "site",
            scope=pl.lit("site"),
            finding=pl.lit("site_silent"),
            minutes=pl.col("since") * 24 * 60,
            detail=pl.format(
                "newest log exported on {}, {} days before the newest file; its habit is {} at most",
                pl.col("last").dt.to_string("%Y-%m-%d"),
                "since",
                "habit",
            ),
        )
    )


def _devices(files: pl.DataFrame, uses: pl.DataFrame, registry: pl.DataFrame) -> list[pl.DataFrame]:
    named = (
        registry.select(
            "site",
            "drain_key",
            device=pl.concat_list(
                pl.col("uses").fill_null([]).list.eval(pl.element().str.split("/").list.first()),
                pl.col("devices").fill_null([]),
            ).list.unique(),
        )
        .explode("device")
        .drop_nulls("device")
        .group_by(_DEVICE)
        .agg(drains=pl.col("drain_key").n_unique())
    )
    logged = (
        files.select("site", device=pl.col("device").str.split(";")).explode("device").drop_nulls().unique()
    )
    minutes = uses.group_by(_DEVICE).agg(minutes=pl.col("minutes_observed").sum())
    scope = pl.lit("device")
    return [
        logged.join(registry.select("site").unique(), on="site", how="semi")
        .join(named, on=_DEVICE, how="anti")
        .join(minutes, on=_DEVICE, how="left")
        .select(
            *_DEVICE,
            "minutes",
            scope=scope,
            finding=pl.lit("device_not_in_registry"),
            detail=pl.lit("has logs, and no row of the registry names it"),
        ),
        named.join(logged, on=_DEVICE, how="anti").select(
            *_DEVICE,
            scope=scope,
            finding=pl.lit("device_without_log"),
            detail=pl.format(
                "the registry names it for {}, and no log is of it",
                pl.when(pl.col("drains") == 1)
                .then(pl.lit("1 drain"))
                .otherwise(pl.format("{} drains", "drains")),
            ),
        ),
    ]


def waiting(rejected: pl.DataFrame) -> pl.DataFrame:
    """
    Files that no profile fits, or several do, and what each waits for: `file_sha256`, `waits_for`.

    Parameters
    ----------
    rejected
        REJECTED_ROW of files that are not withdrawn.
    """
    return rejected.filter(pl.col("scope") == "file", pl.col("rule").is_in(list(_WAITS_FOR))).select(
        "file_sha256", waits_for=pl.col("rule").replace_strict(_WAITS_FOR, return_dtype=pl.String)
    )


def _waiting(rejected: pl.DataFrame) -> pl.DataFrame:
    return waiting(rejected).select(
        scope=pl.lit("file"),
        finding=pl.lit("file_waiting"),
        detail=pl.format("file {} waits for {}", pl.col("file_sha256").str.head(12), "waits_for"),
    )


def _ignored(files: pl.DataFrame) -> pl.DataFrame:
    return (
        files.filter(pl.col("columns_ignored") > 0)
        .group_by("site", "profile")
        .agg(pl.col("device").first(), files=pl.len(), columns=pl.col("columns_ignored").max())
        .select(
            "site",
            scope=pl.lit("site"),
            finding=pl.lit("columns_ignored"),
            detail=pl.format(
                "{} does not name up to {} of {}",
                pl.when(pl.col("device").is_null())
                .then(pl.format("the layout {}", "profile"))
                .otherwise(pl.format("profile {}", "profile")),
                _counted("columns", "column"),
                _counted("files", "file"),
            ),
        )
    )


def _counted(number: str, thing: str) -> pl.Expr:
    """A count in words: 1 file, 2 files."""
    many = pl.when(pl.col(number) == 1).then(pl.lit("")).otherwise(pl.lit("s"))
    return pl.format(f"{{}} {thing}{{}}", number, many)
