"""The tidaling verdict of every minute of a use, from its traces, else from its envelope."""

from __future__ import annotations

import polars as pl

from pipeline.course.envelope import envelope_of
from pipeline.course.grid import latest_row, next_row, on_rows
from pipeline.definitions import Definitions, TidalingRules
from schemas.vocabulary import TidalingBasis, Verdict

_DECIDED = [Verdict.PRESENT.value, Verdict.ABSENT.value]
_LAST = (
    "tidaling",
    "tidaling_basis",
    "swing_cmh2o",
    "breath_rate_per_min",
    "artefact_kind",
    "artefact_fraction",
)
_NONE = pl.lit(Verdict.NOT_ASSESSABLE.value)


def tidaling_of(grid: pl.DataFrame, evidence: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Give each minute its tidaling verdict.

    A running minute has the verdict of its own trace, or of the last trace before it for at most `hold`
    minutes. A trace that shows nothing assessable does not count; a single undecided one does not
    end the hold of one that decided, a second in a row does. A pause ends every hold: the line may
    have been clamped in it. Minutes that no trace reaches are judged by their envelope; but at most
    `hold` minutes behind a hole, which may have taken the trace that would hold there, an envelope that
    says other than the traces beside it is `indeterminate`: a hole must not turn what traces show.
    Minutes that are missing or do not run are `not_assessable`.

    Then the hysteresis, looking back over the finished use: a verdict in force for fewer than `settle`
    minutes between others is not believed and takes the verdict before it (at the beginning of a
    stretch, the one after), and an undecided stretch shorter than `bridge` between two of the same verdict
    takes theirs. Beside a hole, where no verdict is in force for that long, there is none: what would have
    been believed lies in the hole. What is believed begins at its first minute, not `settle` minutes later,
    so edges are where the evidence has them. All of it stays within (use, span). A hidden Markov model on
    the same evidence was wrong in more minutes, however far apart the traces were
    (`tests/evaluation/tidaling_periods.py` prints the comparison).

    Parameters
    ----------
    grid
        As from `dense_grid`, with what `envelope_of` needs.
    evidence
        EVIDENCE rows of these uses.
    definitions
        Takes `[tidaling]` and what `envelope_of` takes.

    Returns
    -------
    The grid with `tidaling`, `tidaling_basis`, `swing_cmh2o` and `breath_rate_per_min` (of the minute's own
    trace), `artefact_kind` and `artefact_fraction` (null without a trace); what `envelope_of` adds; and
    what the verdict was made of: `evidence_verdict` (before the hysteresis) and `held_from_row`, the
    grid's row number (from 0) of the trace that holds at this minute.
    """
    rules = definitions.tidaling
    marked = _with_traces(envelope_of(grid, definitions), evidence)
    held = _hold(marked, rules)
    by_trace = pl.col("_held").is_not_null()
    raw = (
        pl.when(~pl.col("running") | ~pl.col("observed"))
        .then(_NONE)
        .when(by_trace)
        .then("_held")
        .when(pl.col("envelope_verdict").is_not_null())
        .then("envelope_verdict")
        .otherwise(_NONE)
    )
    if not grid["observed"].all():
        raw = pl.when(_gainsaid(rules)).then(pl.lit(Verdict.INDETERMINATE.value)).otherwise(raw)
    settled = _settle(held.with_columns(evidence_verdict=raw), rules)
    told = pl.col("tidaling") != Verdict.NOT_ASSESSABLE.value
    basis = (
        pl.when(told & by_trace)
        .then(pl.lit(TidalingBasis.TRACE.value))
        .when(told)
        .then(pl.lit(TidalingBasis.ENVELOPE.value))
    )
    return settled.with_columns(tidaling_basis=basis).select(
        pl.exclude("^_.*$", *_LAST, "evidence_verdict", "held_from_row"),
        "evidence_verdict",
        "held_from_row",
        *_LAST,
    )


def _with_traces(grid: pl.DataFrame, evidence: pl.DataFrame) -> pl.DataFrame:
    """The grid with what each minute's own trace shows."""
    traces = evidence.select(
        "use_id",
        "minute",
        "swing_cmh2o",
        "breath_rate_per_min",
        "artefact_kind",
        "artefact_fraction",
        _trace="verdict",
    )
    breathes = pl.col("_trace") == Verdict.PRESENT.value
    return grid.join(on_rows(grid, traces), on="row", how="left", maintain_order="left").with_columns(
        swing_cmh2o=pl.when(breathes).then("swing_cmh2o"),
        breath_rate_per_min=pl.when(breathes).then("breath_rate_per_min"),
    )


def _hold(grid: pl.DataFrame, rules: TidalingRules) -> pl.DataFrame:
    """Add `_held`: the verdict of the trace that still holds; null where none does."""
    # A pause or a new stretch begins a new run of holding; a missing minute does not: the evidence
    # before it is no older for the log's hole than it is by the clock.
    halted = (pl.col("observed") & ~pl.col("running")).fill_null(False)
    run = "_run"
    new = halted | (pl.col("span_no") != pl.col("span_no").shift(1)).fill_null(True)
    with_runs = grid.with_columns(_run=new.cast(pl.Int64).cum_sum().set_sorted())
    counts = _counts()
    verdict = pl.when(counts).then("_trace")
    at = pl.when(counts).then("row")
    decided = counts & pl.col("_trace").is_in(_DECIDED)
    latest = with_runs.with_columns(
        _last=verdict.forward_fill().over(run),
        _last_at=at.forward_fill().over(run),
        _decided=pl.when(decided).then("_trace").forward_fill().over(run),
        _decided_at=pl.when(decided).then("row").forward_fill().over(run),
        _seen=counts.cast(pl.Int64).cum_sum(),
    ).with_columns(_seen_when_decided=pl.when(decided).then("_seen").forward_fill().over(run))
    age, decided_age = pl.col("row") - pl.col("_last_at"), pl.col("row") - pl.col("_decided_at")
    undecided_since = pl.col("_seen") - pl.col("_seen_when_decided")
    stands = (decided_age <= rules.hold) & (undecided_since <= 1)
    return latest.with_columns(
        _held=pl.when(stands.fill_null(False)).then("_decided").when(age <= rules.hold).then("_last"),
        held_from_row=pl.when(stands.fill_null(False))
        .then("_decided_at")
        .when(age <= rules.hold)
        .then("_last_at"),
    )


def _counts() -> pl.Expr:
    """Whether the minute has a trace that shows something."""
    assessed = pl.col("_trace") != Verdict.NOT_ASSESSABLE.value
    return (assessed & pl.col("running")).fill_null(False)


def _gainsaid(rules: TidalingRules) -> pl.Expr:
    """Whether a trace that would hold here may lie in a hole, and the traces beside it say otherwise."""
    row, span = pl.col("row"), "span_no"
    counted = _counts()
    lately = row - latest_row(~pl.col("observed")) <= rules.hold
    trace = pl.when(counted).then("_trace")
    # The next trace tells, if it is not long after those that the hole may have taken; else the last.
    soon = next_row(counted) - row <= 2 * rules.hold
    beside = pl.coalesce(
        pl.when(soon).then(trace.backward_fill().over(span)), trace.forward_fill().over(span)
    )
    decided = pl.col("envelope_verdict").is_in(_DECIDED)
    running = pl.col("observed") & pl.col("running")
    gainsaid = running & pl.col("_held").is_null() & lately & decided & (pl.col("envelope_verdict") != beside)
    return gainsaid.fill_null(False)


def _settle(grid: pl.DataFrame, rules: TidalingRules) -> pl.DataFrame:
    """Add `tidaling`: `evidence_verdict` without the stretches that are too short to be believed."""
    none = pl.col("evidence_verdict") == Verdict.NOT_ASSESSABLE.value
    new_stretch = pl.col("span_no") != pl.col("span_no").shift(1)
    # A block is an unbroken stretch of assessable minutes: beliefs do not cross what nobody saw.
    blocks = grid.with_columns(
        _block=((none != none.shift(1)) | new_stretch).fill_null(True).cast(pl.Int64).cum_sum()
    )
    firm = pl.when(pl.col("_length") >= rules.settle).then("_verdict")
    lone = pl.col("_holed").any().over("_block") & pl.col("_verdict").is_in(_DECIDED)
    believed = _over_runs(
        blocks.with_columns(_verdict="evidence_verdict", _holed=_beside_a_hole(grid)),
        pl.coalesce(
            firm.forward_fill().over("_block"),
            firm.backward_fill().over("_block"),
            pl.when(lone).then(pl.lit(Verdict.INDETERMINATE.value)).otherwise("_verdict"),
        ),
    )
    before, after = (pl.col("_verdict").shift(by).over("_block") for by in (1, -1))
    gap = (
        (pl.col("_verdict") == Verdict.INDETERMINATE.value)
        & (pl.col("_length") < rules.bridge)
        & (before == after)
    ).fill_null(False)
    bridged = _over_runs(believed, pl.when(gap).then(before).otherwise("_verdict"))
    return bridged.rename({"_verdict": "tidaling"})


def _beside_a_hole(grid: pl.DataFrame) -> pl.Expr:
    """Whether the log lacks the minute just before or just after."""
    if grid["observed"].all():
        return pl.lit(False)
    return pl.any_horizontal(
        (~pl.col("observed").shift(by) & (pl.col("span_no").shift(by) == pl.col("span_no"))).fill_null(False)
        for by in (1, -1)
    )


def _over_runs(grid: pl.DataFrame, verdict: pl.Expr) -> pl.DataFrame:
    """Give each run of equal `_verdict` a new one: an expression over its `_verdict`, `_length`, `_block`."""
    begins = (pl.col("_verdict") != pl.col("_verdict").shift(1)) | (
        pl.col("_block") != pl.col("_block").shift(1)
    )
    minutes = grid.select(
        "_verdict", "_block", "_holed", _run=begins.fill_null(True).cast(pl.Int64).cum_sum().set_sorted()
    )
    runs = minutes.group_by("_run", maintain_order=True).agg(
        pl.col("_verdict", "_block").first(), pl.col("_holed").any(), _length=pl.len()
    )
    return grid.with_columns(runs.select(_verdict=verdict)["_verdict"].gather(minutes["_run"] - 1))
