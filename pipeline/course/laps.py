"""
Laps of a wall clock in files without a record counter: told again in a later export, or begun by a step?

A device that still remembered minutes repeats them with the same readings. A clock that was set back
brings new minutes under old times, and their readings differ nearly everywhere.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.course.pieces import Pieces
from pipeline.definitions import OverlapRules


def join_laps(pieces: Pieces, told: pl.DataFrame, rules: OverlapRules) -> pl.DataFrame:
    """
    Unite the pieces that repeat one another; set apart, in order, those between which the clock stepped.

    Pieces are the same lap where (nearly) all the minutes that tell agree, or none contradicts. What the
    earlier exports hold of a later export's minutes says together whether it goes on behind a step:

    - (Nearly) all of them differ, they are enough, and the piece begins among the earlier ones: it is the
      head of an export after the clock was set back. It is another lap, and a later one.
    - All of them differ, be they ever so few, but the clock is known to have fallen back behind the earlier
      pieces, and this one goes on where those end: it cannot be the same lap.
    - Else nobody can tell. They are taken for the same minutes, which are in doubt; but for a single one with
      which the earlier export ends and the later begins: it was made in that minute, and told half of it.

    Parameters
    ----------
    pieces
        All pieces; those of files without a counter are united, set apart (`apart`) and ordered (`after`).
    told
        From `told_twice`.
    rules
        How many minutes are enough, and what nearly all is.

    Returns
    -------
    The minutes in doubt: `one` and `other` (the pieces that contradict one another), `session`, `wall`.
    """
    if told.is_empty():
        return told.select("one", "other", "session", "wall")
    same = _weighed(told, "one", "other").filter(_repeats(rules) & (pl.col("rows") > 0))
    for pair in same.sort("rows", "one", "other", descending=[True, False, False]).iter_rows(named=True):
        _unite(pieces, pair["one"], pair["other"])
    open_ = _between_laps(pieces, told)
    pairs = _weighed(open_, "later", "earlier")
    doubted = []
    for lap in _weighed(open_, "later").sort("later").iter_rows(named=True):
        beside = pairs.filter(later=lap["later"]).sort("rows", "earlier", descending=[True, False])
        against = beside.filter(pl.col("differing") > 0)["earlier"].to_list()
        if not against:
            continue
        if _begins_behind_a_step(pieces, lap, against, rules):
            _set_apart(pieces, lap["later"], against)
            continue
        if not _half_told(pieces, lap, against):
            doubted.append(lap["later"])
        for earlier in beside.filter(pl.col("rows") > 0)["earlier"].to_list():
            _unite(pieces, lap["later"], earlier)
    return open_.filter(pl.col("later").is_in(doubted), ~pl.col("agrees").fill_null(True)).select(
        "one", "other", "session", "wall"
    )


def mark_doubtful(lines: pl.DataFrame, doubted: pl.DataFrame, united: str) -> pl.DataFrame:
    """
    Mark every line of the doubted minutes (`doubtful`), where the pieces that contradict each other became
    one.

    Elsewhere their rows stand side by side, and nothing was merged that may not be the same.

    Parameters
    ----------
    lines
        With `dev`, `session`, `wall`, `segment` and what the segments became: the column named `united`.
    doubted
        From `join_laps`.
    """
    doubted = doubted.drop_nulls()  # rows of two sessions are never merged
    if doubted.is_empty():
        return lines.with_columns(doubtful=pl.lit(False))
    became = lines.select("segment", "dev", united).unique("segment")
    row = ["dev", united, "session", "wall"]
    merged = (
        doubted.join(became, left_on="one", right_on="segment")
        .join(became.drop("dev"), left_on="other", right_on="segment", suffix="_other")
        .filter(pl.col(united) == pl.col(f"{united}_other"))
        .select(*row, doubtful=pl.lit(True))
        .unique()
    )
    marked = lines.drop("doubtful", strict=False).join(merged, on=row, how="left", maintain_order="left")
    return marked.with_columns(pl.col("doubtful").fill_null(False))


def _weighed(told: pl.DataFrame, *of: str) -> pl.DataFrame:
    """How many minutes agree, differ, and may be the same rows (`rows`); copies of an export count once."""
    minutes = told.group_by(*of, "wall").agg(
        agreed=pl.col("agrees").any(), differs=(~pl.col("agrees")).any(), joins=pl.col("joins").any()
    )
    return minutes.group_by(of).agg(
        agreed=pl.col("agreed").sum(),
        differing=(pl.col("differs") & ~pl.col("agreed")).sum(),
        rows=pl.col("joins").sum(),
    )


def _repeats(rules: OverlapRules) -> pl.Expr:
    telling = pl.col("agreed") + pl.col("differing")
    nearly_all = (telling >= rules.least) & (pl.col("agreed") >= rules.nearly_all * telling)
    return (pl.col("differing") == 0) | nearly_all


def _unite(pieces: Pieces, one: int, other: int) -> None:
    # Rows of one file lie in different laps for a reason.
    if not pieces.share_file(one, other) and pieces[one].apart.isdisjoint(pieces[other].members):
        pieces.unite(one, other)


def _between_laps(pieces: Pieces, told: pl.DataFrame) -> pl.DataFrame:
    """What `earlier` and `later` pieces both tell that are not one by now, nor cut apart by a file."""
    roots = pl.DataFrame(
        [(n, pieces.find(n), min(pieces[n].files)) for n in pieces.numbers()],
        schema={"piece": pl.Int64, "root": pl.Int64, "seen": pl.Int64},
        orient="row",
    )
    pairs = (
        told.select("one", "other")
        .unique()
        .join(roots.rename({"piece": "one"}), on="one")
        .join(roots.rename({"piece": "other"}), on="other", suffix="_other")
        .filter(pl.col("root") != pl.col("root_other"))
    )
    first = pl.col("seen") < pl.col("seen_other")
    pairs = pairs.select(
        "one",
        "other",
        earlier=pl.when(first).then("root").otherwise("root_other"),
        later=pl.when(first).then("root_other").otherwise("root"),
    )
    cut = [pieces.share_file(one, other) for one, other in pairs.select("one", "other").iter_rows()]
    return told.join(pairs.filter(~pl.Series(cut, dtype=pl.Boolean)), on=["one", "other"])


def _begins_behind_a_step(
    pieces: Pieces, lap: dict[str, Any], against: list[int], rules: OverlapRules
) -> bool:
    """Whether a lap is the head of an export after the clock was set back behind those it contradicts."""
    here, earlier = pieces[lap["later"]], [pieces[number] for number in against]
    telling = lap["agreed"] + lap["differing"]
    among = min(piece.first for piece in earlier) <= here.first
    if among and lap["differing"] >= max(rules.least, rules.nearly_all * telling):
        return True
    fallen = set[int]().union(*(pieces.before(root) for root in pieces.roots()))
    goes_on = all(pieces.find(number) in fallen and pieces[number].last < here.last for number in against)
    return goes_on and not lap["agreed"]


def _half_told(pieces: Pieces, lap: dict[str, Any], against: list[int]) -> bool:
    """Whether all that differs is the minute in which the earlier export was made, half told by it."""
    begins = pieces[lap["later"]].first
    return lap["differing"] == 1 and all(pieces[number].last == begins for number in against)


def _set_apart(pieces: Pieces, later: int, against: list[int]) -> None:
    """Make a lap another one than those it contradicts, and a later one than all it lies beside in time."""
    here = pieces[later]
    for number in against:
        here.apart |= set(pieces[number].members)
        pieces[number].apart |= set(here.members)
    for number in pieces.roots():
        piece = pieces[number]
        same_clock = (piece.dev, piece.counted) == (here.dev, here.counted)
        shown_before = min(piece.files) < min(here.files) and not pieces.share_file(number, later)
        beside = same_clock and shown_before and piece.last >= here.first
        if beside and not pieces.precedes(later, number):
            here.after.add(number)
