"""Drawing strips for human readers: by chance, but the same chance each time, and some of everything."""

from __future__ import annotations

import base64
import hashlib
import hmac

import polars as pl

from pipeline.definitions import StripRules
from pipeline.extract.strip_frame import QUIET
from schemas.errors import CallError

_CELL = ["stratum", "site", "traced"]


def draw_strips(
    frame: pl.DataFrame, number: int, seed: int, secret: bytes, rules: StripRules
) -> pl.DataFrame:
    """
    Draw a stratified sample of windows, in an order and under names that tell nothing.

    A share `quiet_share` of the strips are windows without a finding, as controls; the others are spread
    evenly over the kinds of finding, so that rare ones are seen at all, and within each evenly over sites,
    traced and untraced. Where a stratum is exhausted the others get its share. Within a stratum every
    window has the same chance: they are ranked by a keyed digest of the seed. Common findings are thus
    under-represented; `weight`, the windows of the stratum for each one drawn, gives them back.

    Parameters
    ----------
    frame
        From `strip_frame`.
    secret
        The ledger's secret: who knows the seed but not the secret cannot tell a strip's drain.

    Returns
    -------
    The windows drawn with `strip` (a name), `in_stratum`, `drawn` and `weight`, in the order of the names.

    Raises
    ------
    CallError
        When there are fewer windows than strips asked for.
    """
    if frame.height < number:
        raise CallError(
            f"sample: the ledger has {frame.height} stretches of {rules.minutes} observed minutes, fewer "
            f"than the {number} strips asked for; ask for fewer."
        )
    ranks = [_rank(secret, seed, *row) for row in frame.select("drain_id", "window").rows()]
    ranked = frame.with_columns(rank=pl.Series(ranks, dtype=pl.String)).sort(*_CELL, "rank")
    cells = ranked.group_by(_CELL, maintain_order=True).len("in_stratum")
    taken = _allocate([(*row,) for row in cells.rows()], number, rules.quiet_share)
    cells = cells.with_columns(drawn=pl.Series(taken, dtype=pl.UInt32))
    drawn = (
        ranked.with_columns(place=pl.int_range(pl.len()).over(_CELL))
        .join(cells, on=_CELL, maintain_order="left")
        .filter(pl.col("place") < pl.col("drawn"))
        .with_columns(
            pl.col("in_stratum").cast(pl.Int64),
            pl.col("drawn").cast(pl.Int64),
            weight=pl.col("in_stratum") / pl.col("drawn"),
        )
    )
    names = _names(drawn["rank"].to_list())
    return drawn.with_columns(strip=pl.Series(names, dtype=pl.String)).drop("rank", "place").sort("strip")


def _allocate(cells: list[tuple[str, str, bool, int]], number: int, quiet_share: float) -> list[int]:
    """How many of each cell: one at a time to the kind, and in it to the cell, that has the fewest so far."""
    taken = [0] * len(cells)
    kinds = sorted({cell[0] for cell in cells})
    for _ in range(number):
        open_kinds = [k for k in kinds if any(c[0] == k and taken[i] < c[3] for i, c in enumerate(cells))]
        of_kind = {k: sum(n for c, n in zip(cells, taken, strict=True) if c[0] == k) for k in open_kinds}
        quiet = of_kind.get(QUIET)
        others = [k for k in open_kinds if k != QUIET]
        if quiet is not None and (not others or quiet < quiet_share * (sum(taken) + 1)):
            kind = QUIET
        else:
            kind = min(others, key=lambda k: (of_kind[k], k))
        here = [i for i, c in enumerate(cells) if c[0] == kind and taken[i] < c[3]]
        taken[min(here, key=lambda i: (taken[i], i))] += 1
    return taken


def _rank(secret: bytes, seed: int, drain_id: str, window: int) -> str:
    return hmac.new(secret, f"strip\0{seed}\0{drain_id}\0{window}".encode(), hashlib.sha256).hexdigest()


def _names(ranks: list[str]) -> list[str]:
    """Short names from other digits than those the draw went by, so that order tells nothing of strata."""
    for letters in range(4, 17):
        names = [base64.b32encode(hashlib.sha256(r.encode()).digest()).decode()[:letters] for r in ranks]
        if len(set(names)) == len(names):
            return names
    raise AssertionError("strips of one digest")
