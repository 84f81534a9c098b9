"""The cookbook's answers against the same figures computed from the base tables, without SQL."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from pipeline.definitions import load_definitions
from pipeline.marts import select
from shared import SHARED
from tests.marts.busy_ward import busy_ward

WARD = ["site", "unit"]
BUILT = datetime(2031, 6, 1, 3, tzinfo=UTC)
LONG_ALERT = load_definitions().handling.alert_long
APART = load_definitions().handling.alarm_apart
LONG_CLAMP = load_definitions().handling.clamp_long
FEWEST = load_definitions().chart.least_evaluable
STAYED = ["died", "replaced", "transferred_with_drain", "discharged_with_drain"]


@pytest.fixture(scope="module", params=[1])
def ward(request, new_cohort, tmp_path_factory):
    """An invented ward as published, and its frames."""
    cohort = new_cohort()
    for name, rows in busy_ward(request.param).items():
        cohort.put(name, rows)
    cohort.put(
        "provenance",
        [{"code_version": "1", "settings_digest": "x", "lake_versions": "{}", "built_at": BUILT}],
    )
    folder = tmp_path_factory.mktemp("ward")
    cohort.publish(folder / "drainledger.duckdb")
    return folder, cohort.frames


def answer(ward, name: str, rule: str | None = None) -> pl.DataFrame:
    """What a question answers; with a rule put in where its opening says."""
    folder, _ = ward
    query = (SHARED / "sql" / f"{name}.sql").read_text(encoding="utf-8")
    if rule is not None:
        first = "readiness.rule = (SELECT min(every.rule) FROM readiness AS every)"
        assert query.count(first) == 1
        query = query.replace(first, f"readiness.rule = '{rule}'")
    return select(folder / "drainledger.duckdb", query, folder)


def same(got: pl.DataFrame, expected: pl.DataFrame, by: list[str]) -> None:
    """Whether the columns expected are there with these values, rows in any order."""
    assert expected.height > 1
    both = [frame.select(expected.columns).sort(by, nulls_last=True) for frame in (got, expected)]
    assert_frame_equal(*both, check_dtypes=False, rel_tol=1e-9, abs_tol=1e-9)


def best_first_few_last(got: pl.DataFrame, by: str) -> None:
    """Whether wards stand by a figure, the greatest first, and those that say too little after the rest."""
    assert got["too_few"].is_sorted()
    for _, rows in got.group_by("too_few", maintain_order=True):
        assert rows[by].drop_nulls().is_sorted(descending=True)


def out_of_the_patient(drain: pl.DataFrame) -> pl.DataFrame:
    reason = pl.col("removal_reason").fill_null("")
    return drain.filter(pl.col("tube_out_at").is_not_null() & ~reason.is_in(STAYED))


def poisson(events: int, exposure: float) -> tuple[float, float]:
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    return low / exposure, stats.chi2.ppf(0.975, 2 * events + 2) / 2 / exposure


def with_poisson_bounds(wards: pl.DataFrame, events: str) -> pl.DataFrame:
    bounds = [poisson(n, days / 100) for n, days in wards.select(events, "drain_days").rows()]
    return wards.with_columns(
        per_100_days_low=pl.Series([b[0] for b in bounds]),
        per_100_days_high=pl.Series([b[1] for b in bounds]),
    )


def test_prolonged_leak_by_ward_and_month(ward):
    frames = ward[1]
    shared = ["site", "unit", "origin_day", "prolonged_leak"]
    counted = pl.concat(
        [frames["operation"].select(shared), frames["drain"].filter(~pl.col("linked")).select(shared)]
    ).with_columns(month=pl.col("origin_day").dt.truncate("1mo"))
    verdict = pl.col("prolonged_leak")
    expected = counted.group_by("site", "unit", "month").agg(
        counted=pl.len(),
        evaluable=(verdict != "unknown").sum(),
        prolonged=(verdict == "yes").sum(),
        unknown=(verdict == "unknown").sum(),
    )
    bounds = [
        proportion_confint(k, n, method="wilson") if n else (None, None)
        for k, n in expected.select("prolonged", "evaluable").rows()
    ]
    expected = expected.with_columns(
        rate=pl.when(pl.col("evaluable") > 0).then(pl.col("prolonged") / pl.col("evaluable")),
        rate_low=pl.Series([b[0] for b in bounds], dtype=pl.Float64),
        rate_high=pl.Series([b[1] for b in bounds], dtype=pl.Float64),
        rate_if_unknown_yes=(pl.col("prolonged") + pl.col("unknown")) / pl.col("counted"),
    )
    same(answer(ward, "prolonged_leak_by_ward_and_month"), expected, ["site", "unit", "month"])


def test_longest_after_ready_by_ward(ward):
    frames = ward[1]
    hours = pl.col("hours_ready_before_removal")
    expected = (
        out_of_the_patient(frames["drain"])
        .join(frames["readiness"], on="drain_id")
        .group_by("rule", *WARD)
        .agg(
            removed=pl.len(),
            ready=hours.count(),
            removed_before_ready=pl.col("removed_before_ready").fill_null(False).sum(),
            delay_median_hours=hours.median(),
            untold=(hours.is_null() & ~pl.col("removed_before_ready").fill_null(False)).sum(),
            delay_p90_hours=hours.quantile(0.9, "linear"),
        )
        .with_columns(too_few=pl.col("ready") < FEWEST)
    )
    got = answer(ward, "longest_after_ready_by_ward")
    assert got["rule"].unique().to_list() == [min(frames["readiness"]["rule"])]
    same(got, expected.filter(pl.col("rule") == pl.col("rule").min()), WARD)
    for rule in expected["rule"].unique():
        same(answer(ward, "longest_after_ready_by_ward", rule), expected.filter(rule=rule), WARD)
    best_first_few_last(got, "delay_median_hours")


def test_suspected_occlusions_by_ward_with_exact_poisson_bounds(ward):
    frames = ward[1]
    suspected = frames["period"].filter(pl.col("kind") == "occlusion_suspected")
    grade = pl.col("grade")  # pieces of these drains are hours apart: each is an event
    found = suspected.group_by("drain_id").agg(
        n=pl.len(), sure=(grade == "probable").sum(), noted=(grade == "annotated").sum()
    )
    assessed = pl.col("occlusion_minutes").is_not_null()
    expected = (
        frames["drain"]
        .join(found, on="drain_id", how="left")
        .group_by(WARD)
        .agg(
            drains=pl.len(),
            drains_assessed=assessed.sum(),
            drains_suspected=pl.col("n").count(),
            drain_days=pl.col("minutes_observed").filter(assessed).sum() / 1440,
            suspected=pl.col("n").sum(),
            annotated=pl.col("noted").sum(),
            probable=pl.col("sure").sum(),
        )
        .with_columns(too_few=(pl.col("drains_assessed") < FEWEST) | (pl.col("drain_days") < FEWEST))
    )
    assert expected["annotated"].sum() > 0
    expected = with_poisson_bounds(
        expected.with_columns(suspected_per_100_days=pl.col("suspected") / pl.col("drain_days") * 100),
        "suspected",
    )
    got = answer(ward, "suspected_occlusions_by_ward")
    same(got, expected, WARD)
    best_first_few_last(got, "suspected_per_100_days")


def test_tilted_minutes_by_ward(ward):
    tilted, known = pl.col("tilted_minutes"), pl.col("tilt_known_minutes")
    expected = (
        ward[1]["drain"]
        .group_by(WARD)
        .agg(
            drains=pl.len(),
            drains_read=tilted.count(),
            drain_days=known.sum() / 1440,
            tilted_minutes=tilted.sum(),
            tilted_minutes_per_day=tilted.sum() / known.sum() * 1440,
        )
        .with_columns(too_few=(pl.col("drains_read") < FEWEST) | (pl.col("drain_days") < FEWEST))
    )
    got = answer(ward, "tilted_minutes_by_ward")
    same(got, expected, WARD)
    best_first_few_last(got, "tilted_minutes_per_day")


def test_drains_of_a_ward_are_as_many_in_every_question_that_counts_them(ward):
    questions = ("handling_by_ward", "tilted_minutes_by_ward", "suspected_occlusions_by_ward")
    counts = [answer(ward, name).select(*WARD, "drains").sort(WARD, nulls_last=True) for name in questions]
    assert_frame_equal(counts[0], counts[1])
    assert_frame_equal(counts[0], counts[2])


def test_files_that_did_not_load(ward):
    files = ward[1]["load_file"].filter(
        pl.col("status").is_in(["rejected", "partial"]), pl.col("loaded_at") > BUILT - timedelta(hours=24)
    )
    expected = files.select("file_sha256", "status", "rows_read", "rows_rejected", "loaded_at")
    same(answer(ward, "files_that_did_not_load"), expected, ["file_sha256"])


def alarms(frames: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Alerts of one code on one drain less than an interval apart, as one."""
    each = ["drain_id", "code"]
    start, end = pl.col("started_at"), pl.col("ended_at")
    last = end.cum_max().shift(1).over(each)
    begins = last.is_null() | (start - last >= timedelta(minutes=APART))
    numbered = (
        frames["alert"].sort(*each, "started_at", "ended_at").with_columns(no=begins.cum_sum().over(each))
    )
    seen = pl.col("minutes_to_clear").is_not_null()
    return (
        numbered.group_by(*each, "no")
        .agg(
            minutes=(end.max() - start.min()).dt.total_minutes(),
            seen=seen.filter(start == start.min()).any() & seen.filter(end == end.max()).any(),
        )
        .with_columns(minutes_to_clear=pl.when("seen").then("minutes"))
    )


def test_alarms_left_ringing_by_ward(ward):
    frames = ward[1]
    rang = alarms(frames).group_by("drain_id").agg(n=pl.len(), left=(pl.col("minutes") > LONG_ALERT).sum())
    telling = frames["drain"].filter(pl.col("alert_count").is_not_null())
    expected = (
        telling.join(rang, on="drain_id", how="left")
        .group_by(WARD)
        .agg(
            alarms=pl.col("n").sum(),
            left_ringing=pl.col("left").sum(),
            drain_days=pl.col("alerts_known_minutes").sum() / 1440,
        )
        .with_columns(left_ringing_per_100_days=pl.col("left_ringing") / pl.col("drain_days") * 100)
    )
    expected = with_poisson_bounds(expected, "left_ringing")
    got = answer(ward, "alarms_left_ringing_by_ward")
    same(got, expected, WARD)
    best_first_few_last(got, "left_ringing_per_100_days")


def test_minutes_to_clear_by_alert(ward):
    cleared = pl.col("minutes_to_clear")
    expected = (
        alarms(ward[1])
        .group_by("code")
        .agg(
            alarms=pl.len(),
            drains=pl.col("drain_id").n_unique(),
            not_seen_to_clear=cleared.null_count(),
            minutes_to_clear_median=cleared.median(),
            minutes_to_clear_p90=cleared.quantile(0.9, "linear"),
            too_few=cleared.count() < FEWEST,
        )
    )
    got = answer(ward, "minutes_to_clear_by_alert")
    same(got, expected, ["code"])
    best_first_few_last(got, "minutes_to_clear_median")


def test_clamps_left_on_by_ward(ward):
    frames = ward[1]
    unnoted = pl.col("grade").is_null() | (pl.col("grade") != "annotated")
    could_tell = pl.col("line_open_minutes").is_not_null() | pl.col("occlusion_minutes").is_not_null()
    clamps = (
        frames["period"]
        .filter((pl.col("kind") == "clamped") & unnoted)
        .group_by("drain_id")
        .agg(left=(pl.col("minutes") > LONG_CLAMP).sum(), longest=pl.col("minutes").max())
    )
    expected = (
        frames["drain"]
        .join(clamps, on="drain_id", how="left")
        .group_by(WARD)
        .agg(
            drains=pl.len(),
            drains_that_could_tell=could_tell.sum(),
            drain_days=pl.col("minutes_observed").filter(could_tell).sum() / 1440,
            clamps_left_on=pl.col("left").sum(),
            longest_minutes=pl.col("longest").max(),
        )
        .with_columns(
            left_on_per_100_days=pl.col("clamps_left_on") / pl.col("drain_days") * 100,
            too_few=(pl.col("drains_that_could_tell") < FEWEST) | (pl.col("drain_days") < FEWEST),
        )
    )
    got = answer(ward, "clamps_left_on_by_ward")
    same(got, with_poisson_bounds(expected, "clamps_left_on"), WARD)
    best_first_few_last(got, "left_on_per_100_days")


def test_output_before_removal(ward):
    frames = ward[1]
    last = frames["drain_day"].group_by("drain_id").agg(day=pl.col("day").max() - timedelta(days=1))
    volume = pl.col("output_ml")
    expected = (
        out_of_the_patient(frames["drain"])
        .select("drain_id", *WARD)
        .join(last, on="drain_id")
        .join(frames["drain_day"].select("drain_id", "day", "output_ml"), on=["drain_id", "day"], how="left")
        .group_by(WARD)
        .agg(
            drains=pl.len(),
            unread=volume.null_count(),
            output_ml_median=volume.median(),
            output_ml_p75=volume.quantile(0.75, "linear"),
            output_ml_most=volume.max(),
        )
    )
    same(answer(ward, "output_before_removal"), expected, WARD)


def test_completeness_by_site(ward):
    drain = ward[1]["drain"]
    known = pl.col("minutes_expected").is_not_null()
    expected = drain.group_by("site").agg(
        drains=pl.len(),
        unlinked=(~pl.col("linked")).sum(),
        without_log=(pl.col("minutes_observed") == 0).sum(),
        completeness=pl.col("minutes_observed").filter(known).sum() / pl.col("minutes_expected").sum(),
    )
    same(answer(ward, "completeness_by_site"), expected, ["site"])


def test_unknown_outcomes_by_reason(ward):
    drain = ward[1]["drain"]
    sizes = drain.group_by("site").agg(size=pl.len())
    expected = (
        drain.filter(pl.col("prolonged_leak") == "unknown")
        .rename({"prolonged_leak_reason": "reason"})
        .group_by("site", "reason")
        .agg(drains=pl.len(), linked=pl.col("linked").sum())
        .join(sizes, on="site")
        .with_columns(share_of_site=pl.col("drains") / pl.col("size"))
        .drop("size")
    )
    same(answer(ward, "unknown_outcomes_by_reason"), expected, ["site", "reason"])


def test_canister_changes_by_ward(ward):
    frames = ward[1]
    removed = frames["canister"].filter(pl.col("removed_at").is_not_null())
    volumes = (
        removed.join(frames["drain"].select("drain_id", *WARD), on="drain_id")
        .group_by(WARD)
        .agg(volume_ml_median=pl.col("volume_ml").median())
    )
    read = frames["drain"].filter(pl.col("canister_changes").is_not_null())
    expected = (
        read.group_by(WARD)
        .agg(
            drains_read=pl.len(),
            changes=pl.col("canister_changes").sum(),
            drain_days=pl.col("minutes_observed").sum() / 1440,
            changes_per_10_days=pl.col("canister_changes").sum() / pl.col("minutes_observed").sum() * 14400,
        )
        .with_columns(too_few=(pl.col("drains_read") < FEWEST) | (pl.col("drain_days") < FEWEST))
        .join(volumes, on=WARD, how="left", nulls_equal=True)
    )
    same(answer(ward, "canister_changes_by_ward"), expected, WARD)


def test_removal_by_weekday(ward):
    frames = ward[1]
    last = frames["drain_day"].group_by("drain_id").agg(weekday_no=pl.col("day").max().dt.weekday())
    hours = pl.col("hours_ready_before_removal")
    expected = (
        out_of_the_patient(frames["drain"])
        .join(frames["readiness"], on="drain_id")
        .join(last, on="drain_id")
        .group_by("rule", "weekday_no")
        .agg(removed=pl.len(), ready=hours.count(), delay_median_hours=hours.median())
    )
    same(answer(ward, "removal_by_weekday"), expected, ["rule", "weekday_no"])


def test_handling_by_ward(ward):
    drain = ward[1]["drain"]

    def per_day(part: str, known: str) -> pl.Expr:
        told = pl.col(part).is_not_null().any()
        return pl.when(told).then(pl.col(part).sum() / pl.col(known).sum() * 1440)

    expected = (
        drain.with_columns(pause=(pl.col("pause_hours") * 60).round())
        .group_by(WARD)
        .agg(
            drains=pl.len(),
            tilted_minutes_per_day=per_day("tilted_minutes", "tilt_known_minutes"),
            pause_minutes_per_day=per_day("pause", "state_known_minutes"),
            shortfall_minutes_per_day=per_day("suction_shortfall_minutes", "suction_known_minutes"),
            alerts_per_day=per_day("alert_count", "alerts_known_minutes"),
            drain_days=pl.col("minutes_observed").sum() / 1440,
        )
        .with_columns(too_few=(pl.col("drains") < FEWEST) | (pl.col("drain_days") < FEWEST))
    )
    same(answer(ward, "handling_by_ward"), expected, WARD)


def test_leaks_that_came_back_after_ready(ward):
    back = pl.col("leak_returned_within_24h")
    expected = (
        ward[1]["readiness"]
        .group_by("rule")
        .agg(
            became_ready=pl.col("ready_at").count(),
            told=back.count(),
            came_back=back.fill_null(False).sum(),
            share=back.fill_null(False).sum() / back.count(),
        )
    )
    bounds = [
        stats.binomtest(k, n).proportion_ci(0.95, "exact")
        for k, n in expected.select("came_back", "told").rows()
    ]
    expected = expected.with_columns(
        share_low=pl.Series([b.low for b in bounds]), share_high=pl.Series([b.high for b in bounds])
    )
    same(answer(ward, "leaks_that_came_back_after_ready"), expected, ["rule"])
