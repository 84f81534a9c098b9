"""How removal rules would have done over a cohort: when ready, what it would have saved, what came back."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.cohort.intervals import wilson
from pipeline.cohort.quantities import hours, in_units
from pipeline.cohort.rules import RemovalRule
from pipeline.definitions import Definitions
from schemas.vocabulary import RemovalReason
from schemas.whatif import EVENTS, RULE_FIGURES, WHATIF

_WENT_WITH_IT = (
    RemovalReason.DIED.value,
    RemovalReason.TRANSFERRED_WITH_DRAIN.value,
    RemovalReason.DISCHARGED_WITH_DRAIN.value,
    RemovalReason.REPLACED.value,
)
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
      `readiness.return_least` minutes in the 24 h after ready. Its rate is among drains watched fully then
      (`drain.watched_share` of the minutes). Those watched in part or not, most of them because the tube was
      out, are counted beside it: the bounds take all of them as not come back, and as come back.
    - Reinsertion, pneumothorax and readmission after the removal as it was, where the site's registry has
      them: apart for drains that left before the rule held and for those that were ready. These had other
      reasons to stay in, so the two are not comparable groups; no rule changed what was done.

    Each share with a Wilson interval. The figures count drains; drains of one patient are not independent,
    which no interval here allows for.

    Parameters
    ----------
    ready
        READINESS of these drains under these rules.
    drains
        DRAIN columns `drain_id`, `site`, `origin_at`, `tube_out_at`, `removal_reason`, and of the registry
        `reinserted_at`, `readmitted_at`, `pneumothorax_after`.
    """
    told = ready.join(_with_events(drains), on="drain_id").with_columns(_facts(definitions))
    figures = told.group_by("rule").agg(_tallies())
    order = pl.DataFrame(
        [{"order": n} | rule.model_dump() for n, rule in enumerate(rules)], infer_schema_length=None
    ).select("order", "title", *RULE_FIGURES, rule="name")
    rows = order.join(figures, on="rule", how="left").sort("order")
    return WHATIF.conform(_with_shares(rows, definitions.statistics.level))


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
        came_out=out.is_not_null() & ~pl.col("removal_reason").is_in(_WENT_WITH_IT).fill_null(False),
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
        (pl.col("back") & pl.col("fully")).sum().alias("leak_back"),
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
        "leak_back": ("leak_back", "watched_fully"),
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
    back = pl.col("leak_back") + pl.col("leak_back_partly")
    unknown = pl.col("ready") - pl.col("watched_fully") - pl.col("leak_back_partly")
    some = pl.col("ready") > 0
    return rows.with_columns(
        leak_back_if_unknown_no=pl.when(some).then(back / pl.col("ready")),
        leak_back_if_unknown_yes=pl.when(some).then((back + unknown) / pl.col("ready")),
    )
