"""How removal rules would have done over a cohort: when ready, what it would have saved, what came back."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.cohort.curves import counts_of, kaplan_meier, reaches, value_at
from pipeline.cohort.intervals import wilson
from pipeline.cohort.quantities import hours, in_units
from pipeline.cohort.removal import came_out
from pipeline.cohort.rules import RemovalRule
from pipeline.definitions import Definitions
from schemas.whatif import EVENTS, RULE_FIGURES, WHATIF

_RETURN = ("leak_back_share", "leak_back_low", "leak_back_high")
_NO = ("no", "none", "n", "0", "false")
_YES = ("yes", "y", "1", "true")


def whatif(
    ready: pl.DataFrame, drains: pl.DataFrame, rules: Sequence[RemovalRule], definitions: Definitions
) -> pl.DataFrame:
    """
    Figures of removal rules over drains, a row a rule in the order given (WHATIF).

    - Hours from ready to removal are counted where the tube is known to have come out (not where the patient
      died, left or had it replaced): hours the tube stayed after the rule first held.
    - The leak came back: m(t) above the greater of the rule's limit and `readiness.return_above` for
      `readiness.return_least` minutes in the 24 h after ready. What is asked is in what share of all drains
      that became ready it would have been seen back by 24 h, had each been watched so long: `leak_return`.
      Drains watched in part (below `drain.watched_share` of the minutes) or not, most of them because the
      tube was out, are counted beside it. The bounds take those of them not seen to come back as not come
      back, and as come back; the estimate lies between them.
    - Reinsertion, pneumothorax and readmission after the removal as it was, where the site's registry has
      them: apart for drains that left before the rule held and for those that were ready. These had other
      reasons to stay in, so the two are not comparable groups; no rule changed what was done.

    Each other share with a Wilson interval. The figures count drains; drains of one patient are not
    independent, which no interval here allows for.

    Parameters
    ----------
    ready
        FOLLOWED: READINESS of these drains under these rules, with the times of `readiness_followed`.
    drains
        DRAIN columns `drain_id`, `site`, `origin_at`, `tube_out_at`, `removal_reason`, and of the registry
        `reinserted_at`, `readmitted_at`, `pneumothorax_after`.
    """
    told = ready.join(_with_events(drains), on="drain_id").with_columns(_facts(definitions))
    figures = told.group_by("rule").agg(_tallies())
    order = pl.DataFrame(
        [{"order": n} | rule.model_dump() for n, rule in enumerate(rules)], infer_schema_length=None
    ).select("order", "title", *RULE_FIGURES, rule="name")
    span = round(definitions.readiness.return_within * 60)
    level = definitions.statistics.level
    returns = pl.DataFrame(
        [
            {"rule": name} | dict(zip(_RETURN, leak_return(own, span, level), strict=True))
            for (name,), own in told.filter("was_ready").partition_by("rule", as_dict=True).items()
        ],
        schema={"rule": pl.String} | dict.fromkeys(_RETURN, pl.Float64),
    )
    rows = order.join(figures.join(returns, on="rule", how="left"), on="rule", how="left").sort("order")
    return WHATIF.conform(_with_shares(rows, definitions.statistics.level))


def leak_return(
    ready: pl.DataFrame, span: int, level: float
) -> tuple[float | None, float | None, float | None]:
    """
    Share of ready drains whose leak is seen back within a span, and its interval: 1 − Kaplan–Meier.

    A drain is in the curve from ready to where its leak was seen back, or is censored where it was last
    watched: a tube taken out after 10 h tells of 10 h. Counting only those watched throughout would leave
    these out; adding only those of them whose leak came back would count returns without their denominator.
    Stays unbiased where who was watched how long has nothing to do with what would have come, which tubes
    taken out for good reason do not promise: the bounds of `whatif` need no such thing. A drain seen again
    after a hole counts as watched through it, its leak as back when seen.

    Each drain's return weighs at least 1/n (a censored drain's weight passes to those watched longer), and
    so does each that was watched to the end without: the share lies within those bounds.

    The interval is Wilson's at the effective number p(1 − p)/Greenwood's variance (Dorey and Korn 1987, from
    memory); at 0 the number watched to the end, at 1 that of returns. With nobody censored it is Wilson's.

    Parameters
    ----------
    ready
        FOLLOWED rows of drains that were ready.
    span
        Minutes.

    Returns
    -------
    Share, low and high; null where nobody was watched to the end and not all had come back.

    Examples
    --------
    >>> seen = {"returned_after_minutes": [60, None, None, None], "followed_minutes": [900, 30, 1440, 1440]}
    >>> [round(x, 3) for x in leak_return(pl.DataFrame(seen), 1440, 0.95)]
    [0.333, 0.061, 0.792]
    """
    back = pl.col("returned_after_minutes")
    rows = ready.select(exit=pl.coalesce(back, "followed_minutes"), event=back.is_not_null()).filter(
        pl.col("exit") > 0
    )
    exits = rows["exit"].to_numpy().astype(np.int64)
    counts = counts_of(np.zeros_like(exits), exits, rows["event"].to_numpy().astype(np.int64))
    still, _, _ = kaplan_meier(counts, level)
    if not len(exits) or not reaches(span, counts, still):
        return None, None, None
    share = 1 - value_at(span, counts, still, 1.0)
    d, n = counts.ended.astype(float), counts.at_risk.astype(float)
    if 0 < share < 1:
        variance = (1 - share) ** 2 * float(np.cumsum(d / (n * (n - d)))[-1])
        number = share * (1 - share) / variance
    else:
        number = float(n[-1]) if share <= 0 else float(d.sum())
    low, high = wilson([share * number], [number], level)
    return share, float(low[0]), float(high[0])


def _with_events(drains: pl.DataFrame) -> pl.DataFrame:
    """Add what happened after removal: yes, no, or null where the registry cannot tell."""
    word = pl.col("pneumothorax_after").str.strip_chars().str.to_lowercase()
    out = pl.col("tube_out_at")

    def dated(column: str) -> pl.Expr:
        # A site that never filled the column does not record it; one that did leaves it empty for a no.
        kept = pl.col(column).is_not_null().any().over("site")
        return pl.when(kept).then((pl.col(column) >= out).fill_null(False))

    return drains.with_columns(
        reinserted=dated("reinserted_at"),
        readmitted=dated("readmitted_at"),
        pneumothorax=pl.when(word.is_in(_YES)).then(True).when(word.is_in(_NO)).then(False),
        came_out=came_out(),
    )


def _facts(definitions: Definitions) -> list[pl.Expr]:
    at, out = pl.col("ready_at"), pl.col("tube_out_at")
    was_ready = at.is_not_null()
    fully = (pl.col("watched_24h_share") >= definitions.drain.watched_share).fill_null(False)
    in_time = (pl.col("came_out") & (at < out)).fill_null(False)
    return [
        was_ready.alias("was_ready"),
        hours(at - pl.col("origin_at")).alias("after"),
        pl.when(in_time).then(hours(out - at)).alias("stayed"),
        pl.when(in_time).then((out - at).dt.total_seconds()).alias("stayed_s"),
        fully.alias("fully"),
        (was_ready & ~fully & (pl.col("watched_24h_share") > 0)).alias("partly"),
        (was_ready & (pl.col("watched_24h_share") == 0)).alias("unwatched"),
        pl.col("leak_returned_within_24h").fill_null(False).alias("back"),
        in_time.alias("left_ready"),
        (pl.col("came_out") & pl.col("removed_before_ready").fill_null(False)).alias("left_before"),
    ]


def _tallies() -> list[pl.Expr]:
    after, stayed = pl.col("after"), pl.col("stayed")
    found = [
        pl.len().alias("drains"),
        pl.col("was_ready").sum().alias("ready"),
        *_quartiles(after, "ready_after_hours"),
        pl.col("left_ready").sum().alias("removed_after_ready"),
        *_quartiles(stayed, "hours_to_removal"),
        in_units(pl.col("stayed_s").sum(), 3_600).alias("hours_to_removal_total"),
        (pl.col("came_out") & pl.col("removed_before_ready").is_not_null()).sum().alias("removal_told"),
        pl.col("left_before").sum().alias("removed_before_ready"),
        pl.col("fully").sum().alias("watched_fully"),
        pl.col("partly").sum().alias("watched_partly"),
        pl.col("unwatched").sum().alias("watched_not"),
        pl.col("back").sum().alias("leak_back"),
        (pl.col("back") & pl.col("partly")).sum().alias("leak_back_partly"),
    ]
    for event in EVENTS:
        for group in ("left_before", "left_ready"):
            name = f"{event}_{'before' if group == 'left_before' else 'after'}_ready"
            found += [
                (pl.col(event).is_not_null() & pl.col(group)).sum().alias(f"{name}_told"),
                (pl.col(event).fill_null(False) & pl.col(group)).sum().alias(name),
            ]
    return found


def _quartiles(what: pl.Expr, name: str) -> list[pl.Expr]:
    shares = {"p25": 0.25, "median": 0.5, "p75": 0.75}
    return [what.quantile(share, "linear").alias(f"{name}_{word}") for word, share in shares.items()]


def _with_shares(rows: pl.DataFrame, level: float) -> pl.DataFrame:
    pairs = {
        "ready": ("ready", "drains"),
        "removed_before_ready": ("removed_before_ready", "removal_told"),
    }
    for event in EVENTS:
        for group in ("before", "after"):
            pairs[f"{event}_{group}_ready"] = (f"{event}_{group}_ready", f"{event}_{group}_ready_told")
    for name, (k, n) in pairs.items():
        low, high = wilson(rows[k].to_numpy(), rows[n].to_numpy(), level)
        rows = rows.with_columns(
            pl.when(pl.col(n) > 0).then(pl.col(k) / pl.col(n)).alias(f"{name}_share"),
            pl.Series(f"{name}_low", low, nan_to_null=True),
            pl.Series(f"{name}_high", high, nan_to_null=True),
        )
    unknown = pl.col("ready") - pl.col("watched_fully") - pl.col("leak_back_partly")
    some = pl.col("ready") > 0
    return rows.with_columns(
        leak_back_if_unknown_no=pl.when(some).then(pl.col("leak_back") / pl.col("ready")),
        leak_back_if_unknown_yes=pl.when(some).then((pl.col("leak_back") + unknown) / pl.col("ready")),
    ).with_columns(
        # They order themselves; this only keeps the last digit of a product from saying otherwise.
        leak_back_share=pl.col("leak_back_share").clip("leak_back_if_unknown_no", "leak_back_if_unknown_yes")
    )
