"""
From a device's wall clock to UTC.

A log is cut into runs inside which wall clock and record go forward together. Over a run the clock is
ahead of UTC by one constant amount, whatever the zone did meanwhile: if it followed a change of the
official time, it jumped, and a new run began. So a clock is dated run by run, from what the jump before
the run shows, and the few runs decide for the many rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.course.zones import Zone, zone_of

SEQUENCE = ["dev", "counted"]


def date_rows(rows: pl.DataFrame, hole: int) -> pl.DataFrame:
    """
    Date every row of every device, and say where the clock was set and where the date is a guess.

    - The repeated hour in autumn is told apart by the clock falling back in the order of the records
      (without records, of the lines). A single pass through it is dated by what it is continuous with;
      continuous with nothing, as the earlier one, uncertain.
    - A clock that goes on through a change of the official time does not follow it: its old offset holds
      until it is seen to be corrected, which counts as a clock step. Neither seen nor said, the clock
      is taken to follow, and the use's minutes after the change are uncertain.
    - A clock that is said not to follow summer time shows the zone's standard time.
    - A fall of the clock that no change of the official time explains is a step; so is a leap while the
      records go on one by one inside a use, for the device may have been off or its clock set.

    Parameters
    ----------
    rows
        In order of devices and their records: `dev`, `counted`, `epoch`, `seq`, `session`, `wall`
        (minutes since 1970), `zone`, `follows` (true, false, null: unsaid).
    hole
        Minutes without a row that end a use.

    Returns
    -------
    `rows` with `instant` (minutes since 1970, UTC), `clock_step` (one lies just before the row) and
    `clock_uncertain`.
    """
    rows = _with_runs(rows)
    runs = rows.group_by("run", maintain_order=True).agg(
        pl.col("dev", "counted", "session", "zone", "follows").first(),
        first=pl.col("wall").first(),
        last=pl.col("wall").last(),
        jump=pl.col("jump").first(),
        records=pl.col("records").first(),
    )
    dated = pl.DataFrame(
        _date_runs([_Run(**row) for row in runs.drop("run").iter_rows(named=True)], hole),
        schema={"offset": pl.Int64, "step": pl.Boolean, "uncertain": pl.Boolean},
        orient="row",
    )
    of_row = dated[rows["run"]]
    starts = rows["run"].diff().fill_null(1) != 0
    return rows.drop("jump", "records", "run").with_columns(
        instant=rows["wall"] - of_row["offset"],
        clock_step=starts & of_row["step"],
        clock_uncertain=of_row["uncertain"],
    )


def _with_runs(rows: pl.DataFrame) -> pl.DataFrame:
    """Cut the rows into runs; `jump` and `records` are how far wall clock and record went to each row."""
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in SEQUENCE)
    rows = rows.with_columns(
        jump=pl.when(same).then(pl.col("wall").diff()),
        records=pl.when(same & pl.col("counted") & (pl.col("epoch").diff() == 0)).then(pl.col("seq").diff()),
    )
    stays = pl.all_horizontal(
        pl.col(name).eq_missing(pl.col(name).shift()) for name in (*SEQUENCE, "session", "zone", "follows")
    )
    in_step = (
        pl.when("counted").then(pl.col("jump") == pl.col("records")).otherwise(pl.col("jump").is_in([0, 1]))
    )
    return rows.with_columns(run=(~(stays & in_step.fill_null(False))).cum_sum().cast(pl.Int64) - 1)


@dataclass
class _Run:
    """Rows over which the clock was ahead of UTC by one amount."""

    dev: int
    counted: bool
    session: int
    zone: str
    follows: bool | None
    first: int
    last: int
    jump: int | None  # how far the wall clock went from the run before; null: another device's run
    records: int | None  # how far the record went; null: it does not say


@dataclass
class _Clock:
    """What is known about one device's clock on the way through its runs."""

    offset: int
    until: int  # last instant dated so far
    assumed: list[int]  # runs taken to be right without proof: they may have had the old offset
    old: int | None  # that old offset
    doubt: bool  # a change inside this use without evidence on either side
    unproved: list[int]  # runs dated with a lagging clock's offset over a hole


def _date_runs(runs: list[_Run], hole: int) -> list[tuple[int, bool, bool]]:
    """Offset, step before it and uncertainty of each run."""
    offsets: list[int] = []
    steps: list[bool] = []
    uncertain: list[bool] = []
    clock: _Clock | None = None
    before: _Run | None = None
    for i, run in enumerate(runs):
        zone = zone_of(run.zone)
        if run.jump is None or before is None or before.zone != run.zone or before.follows != run.follows:
            clock = None
        following = runs[i + 1] if i + 1 < len(runs) and runs[i + 1].jump is not None else None
        new_use = (
            clock is None or before is None or before.session != run.session or (run.jump or 0) - 1 >= hole
        )
        if clock is not None and new_use:
            clock.doubt = False
        step, unsure = False, False
        if run.follows is False:
            offset = zone.standard(run.first)
            if clock is not None and run.jump != _elapsed(run):
                step = _stepped(run, run.first - offset, clock, new_use)
            clock = clock or _Clock(offset, 0, [], None, False, [])
        elif clock is None:
            offset, unsure, old = _at_sight(zone, run, following)
            clock = _Clock(offset, 0, [i], old, False, [])
        else:
            known = _elapsed(run)
            if known is not None and run.jump == known:
                offset = clock.offset
            elif known is not None and _put_right(zone, clock, run, known):
                now = clock.until + known
                offset, step = zone.at(now), not zone.changes_between(clock.until, now)
                for j in clock.unproved:
                    uncertain[j] = False
                clock = _Clock(offset, now, [], None, False, [])
            elif known is not None and _late_correction(zone, clock, run, known):
                assert clock.old is not None
                for j in clock.assumed:
                    offsets[j], uncertain[j] = clock.old, False
                offset, step = zone.at(clock.until + clock.offset - clock.old + known), True
                clock = _Clock(offset, 0, [], None, False, [])
            elif run.jump is not None and run.jump > 0 and clock.offset != zone.at(clock.until):
                offset, unsure = clock.offset, True
                clock.unproved.append(i)
                step = _stepped(run, run.first - offset, clock, new_use)
            else:
                offset, unsure, _ = _at_sight(zone, run, following, clock)
                step = _stepped(run, run.first - offset, clock, new_use)
                if run.first - offset <= clock.until:
                    clock = _Clock(offset, 0, [], None, False, [])
                elif zone.changes_between(clock.until, run.first - offset):
                    in_use = not new_use and run.follows is None and offset == zone.at(run.first - offset)
                    clock = _Clock(offset, 0, [], clock.offset, in_use and not _proof(run, offset, clock), [])
        if clock.old is not None and offset != clock.old and i not in clock.assumed:
            clock.assumed.append(i)
        clock.offset, clock.until = offset, run.last - offset
        offsets.append(offset)
        steps.append(step)
        uncertain.append(unsure or clock.doubt)
        before = run
    return list(zip(offsets, steps, uncertain, strict=True))


def _elapsed(run: _Run) -> int | None:
    """Minutes from the row before the run to its first row, if its records or a fall of the clock tell."""
    if run.counted:
        return run.records
    assert run.jump is not None
    return 1 if run.jump != 0 else 0


def _put_right(zone: Zone, clock: _Clock, run: _Run, known: int) -> bool:
    """Whether the jump makes the clock show the official time: at its change, or corrected later."""
    assert run.jump is not None
    official = zone.at(clock.until + known)
    return official != clock.offset and run.jump - known == official - clock.offset


def _late_correction(zone: Zone, clock: _Clock, run: _Run, known: int) -> bool:
    """
    Whether the jump corrects a clock that had only been taken to follow the last change.

    A leap forward could as well be a device that was off: it counts only where the date is in doubt.
    """
    if clock.old is None or not clock.assumed or run.jump is None:
        return False
    amount = clock.offset - clock.old
    return run.jump - known == amount and (amount < 0 or clock.doubt)


def _at_sight(
    zone: Zone, run: _Run, following: _Run | None, clock: _Clock | None = None
) -> tuple[int, bool, int | None]:
    """Offset of a run by its wall time, whether that is a guess, and the offset before the last change."""
    options = zone.readings(run.first)
    if not options:
        return zone.before_skip(run.first), False, None
    if clock is not None:
        options = (
            [o for o in options if run.first - o > clock.until]
            or [o for o in options if o == clock.offset]
            or options[:1]
        )
    if len(options) == 1:
        offset, unsure = options[0], False
    elif run.last >= zone.repeats_until(run.first):
        offset, unsure = options[-1], False
    else:
        again = (
            following is not None
            and (following.jump or 0) < 0
            and run.last < zone.repeats_until(following.first)
        )
        offset, unsure = options[0], not again
    last = zone.last_change(run.first - offset)
    return offset, unsure, None if last is None else zone.offsets[last]


def _proof(run: _Run, offset: int, clock: _Clock) -> bool:
    """Whether the clock was seen to follow a change inside a hole: it fell, though time went on."""
    return run.jump is not None and run.jump <= 0 and run.first - offset > clock.until


def _stepped(run: _Run, instant: int, clock: _Clock, new_use: bool) -> bool:
    """Whether a clock step, or what may be one, lies before the run."""
    if instant <= clock.until:
        return True
    return run.counted and not new_use and run.records is not None and instant - clock.until != run.records
