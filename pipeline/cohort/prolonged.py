"""
Was the air leak prolonged? Yes and no both need proof; everything else is unknown, with its reason.

The threshold τ is `threshold` hours after the origin, or the local midnight that ends the postoperative day
`through_day` (day 0 is the day of the origin). The first line that holds decides:

 1. No minute can be assessed: unknown, `no_log` where no minute was observed, else `too_little_data`.
 2. A UTC time of one of its uses rests on a guess: unknown, `clock_uncertain`.
 3. A leak began before τ and was seen on after it, or there are at least `leak_after` hours of leak
    after τ: **yes**.
 4. The log begins after τ: unknown, `late_entry`.
 5. Nothing was assessable before τ, or a leak began or ended in a hole that contains τ: unknown,
    `gap_spans_threshold`.
 6. On at the last assessable minute, and the registry says `died`, `transferred_with_drain`,
    `discharged_with_drain`, `replaced` or `accidental`: unknown, that word.
 7. On at the last assessable minute, within `removal_window` of a planned removal: unknown,
    `removed_leaking`.
 8. Else on at the last assessable minute: unknown, `log_ends_leaking`.
 9. Watched past τ, `watched_share` of the minutes from τ to the removal assessable, without leak, and the
    use is over: **no**.
10. A planned removal after τ, `watched_share` of its last `removal_window` hours assessable, no leak seen
    after τ: **no**.
11. The registry says one of the five words of line 6: unknown, that word.
12. A planned removal by τ, with an assessable minute within `removal_window` before it: **no**.
13. Else a planned removal at a known time: unknown, `too_little_data`.
14. The removal may be presumed, and the definition presumes: **no**, `removal_presumed`.
15. It might be presumed, but the definition is strict: unknown, `still_in`; where the tube is known to be
    out, `too_little_data`.
16. Nothing shows that the use is over: unknown, `still_in`.
17. Else unknown, `too_little_data`.

A blip that the unseen minutes in and beside it could make a leak is neither: it gives no yes, but a hole at
its edge counts like one of a leak (line 5), and so do its minutes after τ (lines 9 and 10). What was on at
the first assessable minute may have been on since the origin. Much air of which nobody can tell whether it
came from the lung (`doubtful_leaks`) is neither, in the same way; where the log ends in it, what was going
on at the end is unknown, and lines 9 to 17 give way to the registry's word of line 6 or `too_little_data`.

Some leak after τ, but less than `leak_after` hours and none across τ, still gives line 9 if the minutes
that cannot be assessed could not fill it up to `leak_after`. Where nobody recorded the time of removal,
line 9 looks up to the last minute of the log, wants `leak_after` leak-free hours after τ, and that the
registry has a reason for the removal or something else shows that the use is over.

A removal may be presumed where nobody recorded why or when the tube came out (no registry, no reason or
`other`, or no time). The log must end with `confirm` assessable minutes without leak, within
`removal_window` of the removal if its time is known, and something must show that the use is over: that
time, a later session on the device, or an export made `presumed_after` hours or more after the last minute.

A clock step puts every duration across it in doubt: in truth the leak may have ended as much earlier as the
clock leapt, or as much later as it was set back (`clock_doubt`). So does a clock set back in an earlier use
of the device, where the origin comes from the registry and its clock: such a device tells the end of a leak
too early, however well its own log goes on. Where there is such a step, a yes or a no stands only if the
table says the same for a τ earlier by all that was set back and for one later by all that leapt; else it is
unknown, `clock_uncertain`. Three verdicts need no such proof: a yes whose leak was
seen on after τ before the first step, a no whose last leak was seen to end before it, and a no by line 12
whose removal lies within `removal_window` even if no time passed in the leaps, for the registry has its
times from other clocks.

Exactly τ is not prolonged: a leak that ends with the minute before τ does not span it.
"""

from __future__ import annotations

import polars as pl

from pipeline.cohort.around_threshold import MINUTE, WINDOW, seen_around
from pipeline.cohort.judgements import CASE_KEY
from schemas.vocabulary import OutcomeReason, ProlongedLeak, RemovalReason

_EXITS = (
    RemovalReason.DIED,
    RemovalReason.TRANSFERRED_WITH_DRAIN,
    RemovalReason.DISCHARGED_WITH_DRAIN,
    RemovalReason.REPLACED,
    RemovalReason.ACCIDENTAL,
)


def prolonged_leak(
    cases: pl.DataFrame, known: pl.DataFrame, leaks: pl.DataFrame, doubtful: pl.DataFrame | None = None
) -> pl.DataFrame:
    """
    Decide each case, a drain as one definition judges it, by the table above.

    More than 5 days is the definition of the Society of Thoracic Surgeons database and of the Delphi
    consensus of Zaraca et al. 2022; the rest of the table, the 6 hours above all, is our judgement.

    Parameters
    ----------
    cases
        `definition`, `leak_set` and the definition's figures (from `figures_of`); `drain_id`, `origin_at`,
        `threshold_at` (τ), `started_at`, `ended_at` (first and last minute observed), `tube_out_at`,
        `removal_reason`, `first_known`, `last_known`, `off_behind`, `leak_ongoing_at_end`,
        `clock_uncertain`, `later_session`, `last_export_at` (of the uses), `first_step_at`, `leapt`,
        `set_back` (from `clock_doubt`; null where there is no step).
    known, leaks
        From `leak_stretches` and `leaks_of`, for every set of the cases.
    doubtful
        From `doubtful_leaks`; without it there are none.

    Returns
    -------
    `definition`, `drain_id`, `prolonged_leak`, `prolonged_leak_reason`.
    """
    perhaps = leaks.clear() if doubtful is None else doubtful
    stepped = cases.filter(pl.col("first_step_at").is_not_null())
    looks = [
        cases.with_columns(look=pl.lit("told"), shift=pl.lit(0, pl.Int64)),
        stepped.with_columns(look=pl.lit("earlier"), shift=-pl.col("set_back").cast(pl.Int64)),
        stepped.with_columns(look=pl.lit("later"), shift=pl.col("leapt").cast(pl.Int64)),
    ]
    verdict, reason = _decision()
    decided = seen_around(pl.concat(looks), known, leaks, perhaps).with_columns(
        verdict=verdict, reason=reason
    )
    earlier, later = (
        decided.filter(look=look).lazy().select(*CASE_KEY, pl.col("verdict").alias(look))
        for look in ("earlier", "later")
    )
    doubted = _doubted().fill_null(False)
    return (
        decided.filter(look="told")
        .lazy()
        .join(earlier, on=CASE_KEY, how="left")
        .join(later, on=CASE_KEY, how="left")
        .select(
            *CASE_KEY,
            prolonged_leak=pl.when(doubted).then(pl.lit(ProlongedLeak.UNKNOWN.value)).otherwise("verdict"),
            prolonged_leak_reason=pl.when(doubted)
            .then(pl.lit(OutcomeReason.CLOCK_UNCERTAIN.value))
            .otherwise("reason"),
        )
        .collect()
    )


def _doubted() -> pl.Expr:
    """Whether a verdict does not stand because of the steps of the clock."""
    said, out, step = pl.col("verdict"), pl.col("tube_out_at"), pl.col("first_step_at")
    yes, no = said == ProlongedLeak.YES.value, said == ProlongedLeak.NO.value
    near = pl.col("last_known") + MINUTE - pl.duration(minutes=pl.col("leapt")) >= out - WINDOW
    planned = pl.col("removal_reason") == RemovalReason.PLANNED.value
    sure = pl.any_horizontal(
        yes & pl.col("spans") & (pl.col("first_on_after") < step),
        no & pl.col("possibly_on_until").is_not_null() & (pl.col("possibly_on_until") < step),
        no & planned & (out <= pl.col("tau")) & near,
    ).fill_null(False)
    same = (pl.col("earlier") == said) & (pl.col("later") == said)
    return step.is_not_null() & (yes | no) & ~same & ~sure


def _decision() -> tuple[pl.Expr, pl.Expr]:
    """The table's lines as (condition, verdict, reason), turned into two expressions."""
    leak_after, share = pl.col("leak_after"), pl.col("watched_share")
    tau, out = pl.col("tau"), pl.col("tube_out_at")
    why = pl.col("removal_reason")
    exit_word = why.is_in([word.value for word in _EXITS]).fill_null(False)
    planned = (why == RemovalReason.PLANNED.value).fill_null(False)
    ongoing = pl.col("leak_ongoing_at_end")
    near_removal = (pl.col("last_known") + MINUTE >= out - WINDOW).fill_null(False)
    after_tau = (out > tau).fill_null(False)

    over = (
        out.is_not_null()
        | pl.col("later_session")
        | (pl.col("last_export_at") >= pl.col("ended_at") + MINUTE + pl.duration(minutes="presumed_after"))
    )
    unknown_after = pl.col("span_after") - pl.col("known_after")
    maybe_on = pl.col("maybe_on_after")
    none_seen = (maybe_on == 0) & (pl.col("doubtful_after") == 0)
    little_leak = none_seen | (maybe_on + unknown_after < leak_after)
    watched = (
        (pl.col("span_after") > 0)
        & (pl.col("known_after") >= share * pl.col("span_after"))
        & little_leak
        & (over | why.is_not_null())
        & (out.is_not_null() | (pl.col("off_after") >= leak_after))
    )
    watched_end = (
        planned & after_tau & (pl.col("known_in_window") >= share * pl.col("removal_window")) & none_seen
    )
    presumable = (out.is_null() | near_removal) & (pl.col("off_behind") >= pl.col("confirm")) & over
    presumes = pl.col("presume_removal")

    yes, no, unknown = ProlongedLeak.YES, ProlongedLeak.NO, ProlongedLeak.UNKNOWN
    lines: list[tuple[pl.Expr, ProlongedLeak, OutcomeReason | pl.Expr | None]] = [
        (pl.col("last_known").is_null() & pl.col("started_at").is_null(), unknown, OutcomeReason.NO_LOG),
        (pl.col("last_known").is_null(), unknown, OutcomeReason.TOO_LITTLE_DATA),
        (pl.col("clock_uncertain"), unknown, OutcomeReason.CLOCK_UNCERTAIN),
        (pl.col("spans") | (pl.col("on_after") >= leak_after), yes, None),
        (pl.col("started_at") > tau, unknown, OutcomeReason.LATE_ENTRY),
        ((pl.col("first_known") > tau) | pl.col("edge_in_hole"), unknown, OutcomeReason.GAP_SPANS_THRESHOLD),
        (ongoing & exit_word, unknown, why),
        (ongoing & planned & near_removal, unknown, OutcomeReason.REMOVED_LEAKING),
        (ongoing, unknown, OutcomeReason.LOG_ENDS_LEAKING),
        (
            pl.col("ends_in_doubt"),
            unknown,
            pl.when(exit_word).then(why).otherwise(pl.lit(OutcomeReason.TOO_LITTLE_DATA.value)),
        ),
        (watched, no, None),
        (watched_end, no, None),
        (exit_word, unknown, why),
        (planned & (out <= tau) & near_removal, no, None),
        (planned & out.is_not_null(), unknown, OutcomeReason.TOO_LITTLE_DATA),
        (presumable & presumes, no, OutcomeReason.REMOVAL_PRESUMED),
        (presumable & out.is_null(), unknown, OutcomeReason.STILL_IN),
        (~over, unknown, OutcomeReason.STILL_IN),
    ]
    verdict: pl.Expr = pl.lit(unknown.value)
    reason: pl.Expr = pl.lit(OutcomeReason.TOO_LITTLE_DATA.value)
    for condition, decided, because in reversed(lines):
        held = condition.fill_null(False)
        word = because if isinstance(because, pl.Expr) else pl.lit(None if because is None else because.value)
        verdict = pl.when(held).then(pl.lit(decided.value)).otherwise(verdict)
        reason = pl.when(held).then(word).otherwise(reason)
    return verdict, reason
