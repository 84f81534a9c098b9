"""The pressure traces that stand → evidence of breathing, a row a trace."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.definitions import Definitions, TraceRules
from pipeline.signal import assess
from schemas.lake import EVIDENCE, EVIDENCE_COLUMNS
from schemas.vocabulary import ArtefactKind, State, Verdict

_AT_ONCE = 8192  # traces turned into one matrix; bounds memory, changes no result


def evidence_of(resolved: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Assess every trace of these minutes.

    Traces of `run` and `pause` are assessed. With suction paused a patent tube still tidals, so such a
    trace is worth a row; but the line may be clamped during a pause, so the course makes no verdict
    of it. A trace of a self-check is the device looking at itself with the line held shut: it never
    becomes evidence. An empty trace is no trace.

    Traces are grouped by rate and length, never padded; as `assess` looks at one trace at a time, the
    grouping changes nothing.

    Parameters
    ----------
    resolved
        RESOLVED rows of any uses, in any order.
    definitions
        Takes `[trace]`.

    Returns
    -------
    EVIDENCE rows in key order.
    """
    traces = (
        resolved.lazy()
        .select(*EVIDENCE.key, "site", "device", "state", "rate_hz", "samples_cmh2o")
        .filter(
            pl.col("state").is_in([State.RUN.value, State.PAUSE.value]),
            pl.col("samples_cmh2o").list.len() > 0,
        )
        .with_columns(length=pl.col("samples_cmh2o").list.len())
        .collect()
        .sort(EVIDENCE.key)
    )
    known = (pl.col("rate_hz") > 0) & pl.col("rate_hz").is_finite()
    parts = [EVIDENCE.empty(), _unknown_rate(traces.filter(known.fill_null(False).not_()))]
    for (rate, _), group in traces.filter(known).group_by("rate_hz", "length", maintain_order=True):
        for chunk in group.iter_slices(_AT_ONCE):
            parts.append(_assessed(chunk, float(str(rate)), definitions.trace))
    return pl.concat(parts).sort(EVIDENCE.key)


def _assessed(traces: pl.DataFrame, rate: float, rules: TraceRules) -> pl.DataFrame:
    values = traces["samples_cmh2o"].explode(empty_as_null=True, keep_nulls=True).cast(pl.Float64)
    matrix = values.fill_null(float("nan")).to_numpy().reshape(traces.height, -1)
    found = assess(np.asarray(matrix), rate, rules=rules)
    return EVIDENCE.conform(traces.select("use_id", "site", "device", "minute").hstack(found))


def _unknown_rate(traces: pl.DataFrame) -> pl.DataFrame:
    """A trace without a sampling rate shows nothing that can be dated."""
    nothing = {c.name: pl.lit(None, c.dtype) for c in EVIDENCE_COLUMNS}
    nothing["verdict"] = pl.lit(Verdict.NOT_ASSESSABLE.value)
    nothing["artefact_kind"] = pl.lit(ArtefactKind.NONE.value)
    return EVIDENCE.conform(traces.select("use_id", "site", "device", "minute").with_columns(**nothing))
