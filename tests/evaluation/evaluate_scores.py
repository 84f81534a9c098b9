"""
The figures of the evaluation: from what the ledger says beside what is true to one line each.

Every function takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s. What cannot be measured on
the minutes or drains given (nothing of the kind happened) yields a figure without a value.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import polars as pl

from tests.evaluation import evaluate_claimable as claimable
from tests.evaluation.evaluate_fleets import Beside

DAY = 1440
_CODE = pl.col("code").str.strip_prefix("other:")


@dataclass(frozen=True)
class Figure:
    """
    One measured figure: `value` (None: nothing to measure), what it stands on, and its target.

    `of`: the denominator or count in words.
    """

    what: str
    value: float | None
    of: str
    at_least: float | None = None
    at_most: float | None = None

    @property
    def reached(self) -> bool | None:
        """Whether the target was reached; None without a target or a value."""
        if self.value is None or (self.at_least is None and self.at_most is None):
            return None
        return (self.at_least is None or self.value >= self.at_least) and (
            self.at_most is None or self.value <= self.at_most
        )


def precision_and_recall(
    minutes: pl.DataFrame, told: pl.Expr, true: pl.Expr, name: str, target: float | None = 0.95
) -> Iterator[Figure]:
    """Precision and recall of one flag by minutes."""
    both, said, was = minutes.select(
        both=(told & true).sum(), said=told.fill_null(False).sum(), was=true.fill_null(False).sum()
    ).row(0)
    yield Figure(f"{name}: precision", both / said if said else None, f"{said} min told", target)
    yield Figure(f"{name}: recall", both / was if was else None, f"{was} min true", target)


def flags(beside: Beside) -> Iterator[Figure]:
    """The flags that are scored by minutes, on minutes where the log could tell."""
    m = beside.minutes
    running = m.filter(pl.col("state") == "run")
    upright = m.filter(pl.col("tilt_deg").is_not_null())
    yield from precision_and_recall(upright, pl.col("tilted"), pl.col("true_tilted"), "tilted")
    yield from precision_and_recall(m, pl.col("paused"), pl.col("true_paused"), "paused")
    # Where the log cannot tell an open line from a large leak, it says so; those minutes are scored apart.
    resolved = pl.col("line_open_grade").is_null()
    yield from precision_and_recall(
        running.filter(resolved),
        pl.col("suction_shortfall"),
        pl.col("true_suction_short"),
        "suction_shortfall",
    )
    yield from precision_and_recall(
        running, pl.col("line_open") & resolved, pl.col("true_line_open") & resolved, "line_open"
    )
    asked = running.filter("line_open", ~resolved)
    yield Figure(
        "line_open: unresolved minutes that were open",
        asked.select(pl.col("true_line_open").mean()).item() if asked.height else None,
        f"{asked.height} min told unresolved",
    )
    missed = running.filter("true_line_open").select(pl.col("line_open").mean()).item()
    yield Figure(
        "line_open: recall, unresolved minutes counted",
        missed,
        f"{running.filter('true_line_open').height} min",
    )
    shut = pl.col("true_clamped")
    yield from clamps(beside)
    yield from precision_and_recall(
        running, pl.col("clamped_noted"), shut, "clamped, with what staff noted", None
    )
    left_open = pl.any_horizontal("clamped", "flow_stopped", "occlusion_suspected")
    while_shut = running.filter(shut)
    yield Figure(
        "clamped: told clamped, stopped or suspected",
        while_shut.select(left_open.mean()).item() if while_shut.height else None,
        f"{while_shut.height} min true",
    )
    counted = while_shut.filter("assessable")
    yield Figure(
        "clamped: minutes that count for the lung's leak",
        counted.height / while_shut.height if while_shut.height else None,
        f"{while_shut.height} min true",
    )
    known = m.filter(pl.col("leak_on").is_not_null())
    yield from precision_and_recall(known, pl.col("leak"), pl.col("true_leaking"), "leak on")


def clamps(beside: Beside) -> Iterator[Figure]:
    """Clamped minutes told: of all true ones, and of those that the definition can claim (see there)."""
    running = beside.minutes.filter(pl.col("state") == "run")
    _, recall = precision_and_recall(running, pl.col("clamped"), pl.col("true_clamped"), "clamped", None)
    precision, _ = precision_and_recall(
        running, pl.col("clamped"), pl.col("true_clamped") | _shut_for_a_change(), "clamped", None
    )
    told = true = episodes = 0
    for frame, one in claimable.clamps(beside.minutes, beside.unlogged):
        if one.claimable:
            shut = frame[one.first : one.last + 1].filter(pl.col("state") == "run")
            told, true, episodes = told + int(shut["clamped"].sum()), true + shut.height, episodes + 1
    yield Figure(precision.what, precision.value, precision.of, 0.95)
    share = told / true if true else None
    yield Figure(
        "clamped: recall, what the definition can claim", share, f"{true} min, {episodes} clamps", 0.95
    )
    yield Figure("clamped: recall, of all true", recall.value, recall.of)


def _shut_for_a_change() -> pl.Expr:
    """A line shut while a canister is changed on a running drain: a clamp, though the truth has no word for it."""
    open_tube = ~(pl.col("true_occluded") | pl.col("true_line_open"))
    return pl.col("true_running") & open_tube & (pl.col("true_swing_cmh2o") == 0)


def occlusions(beside: Beside) -> Iterator[Figure]:
    """Occlusions found, by the log alone, and suspicions of none."""
    could = [
        bool(frame[one.first : one.last + 1]["occlusion_suspected"].any())
        for frame, one in claimable.occlusions(beside.minutes, beside.unlogged)
        if one.claimable
    ]
    yield Figure(
        "occlusion_suspected: found, what the definition can claim",
        sum(could) / len(could) if could else None,
        f"{len(could)} occlusions of 45 min or more",
        0.90,
    )
    m = beside.minutes.sort("stay", "true_minute")
    shut = _runs(m.filter(pl.col("true_occluded") & ~pl.col("true_kinked")), apart=60).agg(
        length=(pl.col("true_minute").max() - pl.col("true_minute").min()).dt.total_minutes() + 1,
        running=pl.col("true_running").sum(),
        found=pl.col("occlusion_suspected").any(),
        stopped=pl.col("flow_stopped").any(),
    )
    shut = shut.filter(pl.col("length") >= 45, pl.col("running") >= 45)
    of = f"{shut.height} occlusions of 45 min or more"
    yield Figure("occlusion_suspected: found, of all true", shut["found"].mean(), of)
    yield Figure(
        "occlusion_suspected: found or shown as flow stopped", (shut["found"] | shut["stopped"]).mean(), of
    )
    obstructed = pl.any_horizontal("true_occluded", "true_damped", "true_clamped")
    raised = _runs(m.filter("occlusion_suspected"), apart=1).agg(
        right=obstructed.any(), scenario=pl.col("scenario").first()
    )
    false = raised.filter(~pl.col("right"))
    days = m.height / DAY
    yield Figure(
        "occlusion_suspected: false per 100 drain-days",
        100 * false.height / days if days else None,
        f"{raised.height} raised in {days:.0f} drain-days",
        at_most=1.0,
    )
    for scenario, target in (("re_expansion", 0.0), ("seals_at_once", None)):
        seen = m.filter(pl.col("scenario") == scenario)
        yield Figure(
            f"occlusion_suspected: false in {scenario.replace('_', ' ')}",
            float(false.filter(pl.col("scenario") == scenario).height) if seen.height else None,
            f"{seen['stay'].n_unique()} drains",
            at_most=target,
        )


def _runs(minutes: pl.DataFrame, apart: int) -> pl.dataframe.group_by.GroupBy:
    """Minutes of one stay, sorted, as runs: a new one where the next is more than so many minutes later."""
    new = (pl.col("stay") != pl.col("stay").shift(1)) | (
        pl.col("true_minute") - pl.col("true_minute").shift(1) > pl.duration(minutes=apart)
    )
    return minutes.with_columns(run=new.fill_null(True).cast(pl.Int64).cum_sum()).group_by(
        "run", maintain_order=True
    )


def fluid(beside: Beside) -> Iterator[Figure]:
    """The drain's output at the end of every hour, and that it never falls."""
    m = beside.minutes.filter(pl.col("drain_output_ml").is_not_null()).sort("stay", "true_minute")
    allowed = pl.max_horizontal(pl.lit(10.0), pl.col("true_output_ml") * 0.02)
    # What a canister took between its last reading and its change is in no log, whether the change is told.
    read_before = pl.when("volume_read").then("true_minute").forward_fill().shift(1).over("stay")
    changed = (pl.col("true_canister_no") > pl.col("true_canister_no").shift(1)) & (
        pl.col("stay") == pl.col("stay").shift(1)
    )
    unread_for = pl.col("true_minute") - read_before
    m = m.with_columns(unread_change=(changed & (unread_for > pl.duration(minutes=10))).fill_null(False))
    hours = (
        m.group_by("stay", hour=pl.col("true_minute").dt.truncate("1h"), maintain_order=True)
        .agg(
            pl.col("drain_output_ml", "true_output_ml").last(),
            read=pl.col("volume_read").any(),
            unread_change=pl.col("unread_change").any(),
        )
        .with_columns(pl.col("unread_change").cum_max().over("stay"))
        .with_columns(good=(pl.col("drain_output_ml") - pl.col("true_output_ml")).abs() <= allowed)
    )
    of = f"{hours.height} drain-hours"
    yield Figure("fluid: drain-hours within max(10 mL, 2 %)", hours["good"].mean(), of, 0.98)
    known = pl.col("drain_output_ml").is_not_null()
    untold = beside.minutes.filter(known.any().over("stay") & ~known.any().over("stay", "use_id")).select(
        "stay", pl.col("true_minute").dt.truncate("1h")
    )
    yield Figure("fluid: drain-hours in which the output is told unknown", float(untold.unique().height), of)
    read = hours.filter("read")
    yield Figure("fluid: the same, hours with a reading", read["good"].mean(), f"{read.height} drain-hours")
    whole = read.filter(~pl.col("unread_change"))
    yield Figure(
        "fluid: the same, no canister changed unread before",
        whole["good"].mean(),
        f"{whole.height} drain-hours",
    )
    late = beside.logged.filter(~pl.col("on_time"))["stay"].unique()
    timely = whole.filter(~pl.col("stay").is_in(late.implode()))
    yield Figure(
        "fluid: the same, every minute at its true time",
        timely["good"].mean(),
        f"{timely.height} drain-hours",
    )
    drains = hours.group_by("stay").agg(pl.col("good").mean())
    yield Figure(
        "fluid: drains with 98 % of their hours within",
        (drains["good"] >= 0.98).mean(),
        f"{drains.height} drains",
    )
    falls = m.sort("stay", "use_id", "minute").select(
        (pl.col("drain_output_ml").diff() < 0).fill_null(False)
        & (pl.col("stay") == pl.col("stay").shift(1)).fill_null(False)
        & (pl.col("use_id") == pl.col("use_id").shift(1)).fill_null(False)
    )
    yield Figure("fluid: minutes at which the output falls", float(falls.to_series().sum()), of, at_most=0)
    # What is told beyond the truth, and never was before: catching up after tilt is no jump.
    beyond = (pl.col("drain_output_ml") - pl.col("true_output_ml")).cum_max().over("stay")
    wide = m.select(
        jump=beyond - beyond.shift(5).over("stay"),
        around=pl.col("true_tilted").cast(pl.Int8).rolling_max(11, min_samples=1).over("stay") > 0,
        sensed=pl.col("tilt_deg").is_not_null().any().over("stay"),
    )
    jumps = wide.filter("around", pl.col("jump") >= 20)
    yield Figure(
        "fluid: minutes of a jump of 20 mL made of tilt", float(jumps["sensed"].sum()), of, at_most=0
    )
    yield Figure("fluid: the same on devices that log no tilt", float((~jumps["sensed"]).sum()), of)


def canisters(beside: Beside) -> Iterator[Figure]:
    """Canister changes found, missed and made up; a change inside an unread stretch may be told at its end."""
    m = beside.minutes.sort("use_id", "minute")
    same = (pl.col("use_id") == pl.col("use_id").shift(1)) & (pl.col("stay") == pl.col("stay").shift(1))
    marked = m.with_columns(
        read_before=pl.when("volume_read").then("true_minute").forward_fill().over("use_id").shift(1),
        true_change=(same & (pl.col("true_canister_no") > pl.col("true_canister_no").shift(1))).fill_null(
            False
        ),
        told_change=(same & (pl.col("canister_no") > pl.col("canister_no").shift(1))).fill_null(False),
        seen_before=pl.col("true_minute").shift(1),
    )
    told = marked.filter("told_change").select("use_id", "true_minute", "read_before").rows()
    true = marked.filter("true_change").select("use_id", "true_minute", "seen_before").rows()
    slack = pl.select(pl.duration(minutes=5)).item()
    hit = [
        any(u == use and before - slack <= at and earlier <= now + slack for u, now, before in told)
        for use, at, earlier in true
    ]
    real = [
        any(u == use and before - slack <= at and earlier <= now + slack for u, at, earlier in true)
        for use, now, before in told
    ]
    yield Figure("canister changes: found", sum(hit) / len(hit) if hit else None, f"{len(hit)} true", 0.98)
    yield Figure("canister changes: made up", float(len(real) - sum(real)), f"{len(told)} told", at_most=0)


def leak_end(beside: Beside) -> Iterator[Figure]:
    """The end of the last leak, in minutes from the truth; and the two sides of the five days."""
    d = beside.drains.filter(~pl.col("story").is_in(["wrong_dates", "no_log"]))
    ended = d.filter(pl.col("leak_ended_at").is_not_null(), ~pl.col("leaking_at_end"))
    told = ended.filter(pl.col("leak_ended_at_told").is_not_null())
    off = told.select(_minutes_outside("leak_ended_at_told", "leak_ended_at_told")).to_series()
    of = f"{told.height} of {ended.height} ended leaks told"
    interval = (told["leak_end_latest_at"] > told["leak_end_earliest_at"]).fill_null(False)
    outside = told.select(
        pl.min_horizontal(
            _minutes_outside("leak_end_earliest_at", "leak_end_latest_at"),
            _minutes_outside("leak_ended_at_told", "leak_ended_at_told"),
        )
    ).to_series()
    yield Figure("leak end: median error, min", outside.median(), of, at_most=15)
    yield Figure("leak end: 95th percentile of the error, min", outside.quantile(0.95), of, at_most=60)
    yield Figure("leak end: the same, an interval taken at its early end", off.quantile(0.95), of)
    yield Figure("leak end: told as an interval", interval.mean(), of)
    made_up = d.filter("leaking_at_end", pl.col("leak_ended_at_told").is_not_null())
    yield Figure(
        "leak end: told of a lung that leaks on", float(made_up.height), f"{d.height} drains", at_most=0
    )
    margin = (pl.col("leak_hours") - 120) * 60
    near = d.filter(margin.abs() <= 150, pl.col("story") != "late_entry").with_columns(margin=margin)
    for side, some in (
        ("before", near.filter(pl.col("margin") < 0)),
        ("after", near.filter(pl.col("margin") > 0)),
    ):
        decided = some.filter(pl.col("prolonged_leak") != "unknown", pl.col("margin").abs() > 15)
        right = decided["prolonged_leak"] == ("no" if side == "before" else "yes")
        yield Figure(
            f"five days: right, leak ends 15 to 150 min {side}",
            right.mean(),
            f"{decided.height} decided of {some.filter(pl.col('margin').abs() > 15).height}",
            1.0,
        )
    edge = near.filter(pl.col("margin").abs() <= 15, pl.col("prolonged_leak") != "unknown")
    right = (
        edge["prolonged_leak"]
        == edge.select(pl.when(pl.col("margin") > 0).then(pl.lit("yes")).otherwise(pl.lit("no"))).to_series()
    )
    yield Figure("five days: right, within 15 min", right.mean(), f"{edge.height} decided")


def _minutes_outside(earliest: str, latest: str) -> pl.Expr:
    """How far the true end lies outside what was told."""
    early = (pl.col(earliest) - pl.col("leak_ended_at")).dt.total_minutes()
    late = (pl.col("leak_ended_at") - pl.col(latest)).dt.total_minutes()
    return pl.max_horizontal(early, late, pl.lit(0)).cast(pl.Float64)


def outcomes(beside: Beside) -> Iterator[Figure]:
    """Prolonged leak: what an honest ledger can know, against what is said."""
    d = beside.drains.filter(~pl.col("story").is_in(["wrong_dates"]))
    told, can = pl.col("prolonged_leak"), pl.col("expected_prolonged_leak")
    for was in ("yes", "no", "unknown"):
        for said in ("yes", "no", "unknown"):
            count = d.filter(can == was, told == said).height
            wrong = {was, said} == {"yes", "no"}
            yield Figure(
                f"outcome: knowable {was}, told {said}",
                float(count),
                f"{d.filter(can == was).height} drains",
                at_most=0 if wrong else None,
            )


def alerts(beside: Beside) -> Iterator[Figure]:
    """Alerts whose start, end and time to clear were all to be seen, and times to clear that nobody saw."""
    stepped = beside.logged.filter(pl.col("clock_kind") == "stepped")["stay"].unique()
    m = beside.minutes.filter(~pl.col("stay").is_in(stepped.implode())).sort("use_id", "minute")
    rings = (
        m.select("use_id", "true_minute", "minute", alert=pl.col("true_alerts"), place=pl.int_range(pl.len()))
        .explode("alert")
        .drop_nulls("alert")
        .with_columns(code=pl.col("alert").str.strip_prefix("other:"))
        .sort("use_id", "code", "place")
    )
    new = (
        (pl.col("use_id") != pl.col("use_id").shift(1))
        | (pl.col("code") != pl.col("code").shift(1))
        | (pl.col("true_minute") - pl.col("true_minute").shift(1) != pl.duration(minutes=1))
    ).fill_null(True)
    true = (
        rings.with_columns(run=new.cast(pl.Int64).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("use_id", "code").first(),
            first=pl.col("place").first(),
            last=pl.col("place").last(),
            started_at=pl.col("minute").first(),
            length=pl.len().cast(pl.Int32),
        )
    )
    # Seen whole: the minutes just before and after are in the log, of the same use.
    around = m.select("use_id", "true_minute")

    def beside_it(column: str, by: int) -> pl.Series:
        at = (true[column] + by).clip(0, max(m.height - 1, 0))
        near, own = around[at], around[true[column]]
        apart = (near["true_minute"] - own["true_minute"]).dt.total_minutes()
        return (near["use_id"] == own["use_id"]) & (apart == by)

    if true.height:
        true = true.with_columns(whole=beside_it("first", -1) & beside_it("last", 1))
    else:
        true = true.with_columns(whole=pl.lit(True))
    told = beside.alerts.filter(~pl.col("stay").is_in(stepped.implode())).select(
        "use_id", _CODE, "started_at", "minutes_to_clear", ended="ended_at"
    )
    met = true.filter("whole").join(told, on=["use_id", "code", "started_at"], how="left")
    exact = ((pl.col("ended") - pl.col("started_at")).dt.total_minutes() == pl.col("length")) & (
        pl.col("minutes_to_clear") == pl.col("length")
    )
    of = f"{met.height} alerts seen whole"
    share = met.select(exact.fill_null(False).mean()).item() if met.height else None
    yield Figure("alerts: start, end and time to clear exact", share, of, 0.98)
    starts = true.select("use_id", "code", "started_at").with_columns(true=pl.lit(True))
    made_up = told.join(starts, on=["use_id", "code", "started_at"], how="anti")
    yield Figure("alerts: made up", float(made_up.height), f"{told.height} told", at_most=0)
    cleared = told.filter(pl.col("minutes_to_clear").is_not_null()).join(
        true.filter("whole"), on=["use_id", "code", "started_at"], how="left"
    )
    unseen = cleared.filter(pl.col("length").is_null() | (pl.col("length") != pl.col("minutes_to_clear")))
    # A use that begins with its self-check was seen to begin: what rings from its first minute is whole.
    yield Figure(
        "alerts: times to clear that nobody saw", float(unseen.height), f"{cleared.height} told", at_most=None
    )


def tidaling(beside: Beside) -> Iterator[Figure]:
    """Running minutes by verdict; a swing between 0.35 and 0.75 cm[H2O] is called neither way."""
    m = beside.minutes.filter("true_running", pl.col("state") == "run")
    swing = pl.col("true_swing_cmh2o")
    m = m.with_columns(
        truth=pl.when(swing >= 0.75).then(pl.lit("present")).when(swing <= 0.35).then(pl.lit("absent"))
    )
    for verdict in ("present", "absent"):
        told = m.filter(pl.col("tidaling") == verdict, pl.col("truth").is_not_null())
        yield Figure(
            f"tidaling {verdict}: true where told",
            (told["truth"] == verdict).mean(),
            f"{told.height} min told",
        )
        true = m.filter(pl.col("truth") == verdict)
        yield Figure(
            f"tidaling {verdict}: told where true",
            (true["tidaling"] == verdict).mean(),
            f"{true.height} min true",
        )
    for verdict in ("indeterminate", "not_assessable"):
        yield Figure(
            f"tidaling {verdict}: share of running", (m["tidaling"] == verdict).mean(), f"{m.height} min"
        )
    decided = m.filter(pl.col("tidaling").is_in(["present", "absent"])).sort("stay", "true_minute")
    switched = decided.filter(
        pl.col("tidaling") != pl.col("tidaling").shift(1), pl.col("stay") == pl.col("stay").shift(1)
    )
    false = switched.filter(pl.col("truth").is_not_null(), pl.col("tidaling") != pl.col("truth")).height
    days = m.height / DAY
    yield Figure(
        "tidaling: false switches per day",
        false / days if days else None,
        f"{days:.0f} days running",
        at_most=1.0,
    )
    yield from _edges(m)


def _edges(m: pl.DataFrame) -> Iterator[Figure]:
    """Where breathing stops or begins at a stroke: how far from it the verdict changes."""
    m = m.sort("stay", "true_minute")
    steady = 15
    key = ["stay"]
    ahead = pl.col("truth").shift(-steady + 1).over(key)
    edges = m.with_row_index("at").filter(
        pl.col("truth").is_not_null(),
        pl.col("truth") != pl.col("truth").shift(1).over(key),
        pl.col("truth").shift(1).over(key) == pl.col("truth").shift(steady).over(key),
        ahead == pl.col("truth"),
        (pl.col("true_minute") - pl.col("true_minute").shift(steady).over(key))
        == pl.duration(minutes=steady),
    )
    times = m["true_minute"]
    verdicts, stays, errors = m["tidaling"], m["stay"], []
    for at, truth, stay in edges.select("at", "truth", "stay").iter_rows():
        window = range(max(at - 30, 0), min(at + 31, m.height))
        offs = [
            (times[place] - times[at]).total_seconds() / 60
            for place in window
            if stays[place] == stay and place and verdicts[place] == truth and verdicts[place - 1] != truth
        ]
        errors.append(min((abs(off) for off in offs), default=30.0))
    told = pl.Series(errors, dtype=pl.Float64)
    of = f"{len(told)} edges; one not told within half an hour counts 30"
    yield Figure("tidaling: edge error, median, min", told.median(), of)
    yield Figure("tidaling: edge error, 95th percentile, min", told.quantile(0.95), of)


def time(beside: Beside) -> Iterator[Figure]:
    """Logged minutes that the ledger has, and has where they belong."""
    logged = beside.logged
    yield Figure(
        "time: logged minutes that came through", logged["through"].mean(), f"{logged.height} min", 0.999
    )
    for kind, target in (("right", 0.999), ("no summer time", None), ("stepped", None)):
        some = logged.filter(pl.col("clock_kind") == kind, "through")
        yield Figure(
            f"time: at their true minute, clock {kind}",
            some["on_time"].mean(),
            f"{some.height} min",
            target,
        )


def surges(beside: Beside) -> Iterator[Figure]:
    """More than 200 mL/h over two hours, on minutes whose volume is read."""
    # The window is of two hours, all of them logged: across a hole as many rows are more time.
    m = beside.minutes.sort("stay", "true_minute").with_columns(
        rise=pl.when(pl.col("true_minute").diff(120) == pl.duration(minutes=120))
        .then(pl.col("true_output_ml").diff(120))
        .over("stay")
    )
    known = m.filter("volume_read", pl.col("rise").is_not_null(), (pl.col("rise") - 400).abs() > 10)
    yield from precision_and_recall(known, pl.col("output_surge"), pl.col("rise") > 400, "output_surge", None)


SCORES: tuple[Callable[[Beside], Iterator[Figure]], ...] = (
    flags,
    occlusions,
    fluid,
    canisters,
    leak_end,
    outcomes,
    alerts,
    tidaling,
    surges,
    time,
)


def scored(beside: Beside) -> list[Figure]:
    """All figures, in order."""
    return [figure for score in SCORES for figure in score(beside)]
