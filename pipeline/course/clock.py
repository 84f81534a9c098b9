"""
From a device's wall clock to UTC.

A log is cut into runs inside which wall clock and record go forward together. Over a run the clock is
ahead of UTC by one constant amount, whatever the zone did meanwhile: if it followed a change of the
official time, it jumped, and a new run began. So a clock is dated run by run, from what the jump before
the run shows, and the few runs decide for the many rows.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.course.zones import Zone, zone_of

SEQUENCE = ["dev"]


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
    - A fall of the clock that no change of the official time explains is a step; so is a leap, of whatever
      length, while the records go on one by one inside a session, for the device may have been off or its
      clock set. By how much the clock moved against the records is the size of the step; without records,
      or where the counter began anew, nobody can tell, for the device may have been off besides.
    - Where exports of one session give the clock another zone than those before, and the clock did not move
      by the zones' difference, one of them is wrong: a step, and what comes after it is uncertain.

    Parameters
    ----------
    rows
        In order of devices and their records: `dev`, `counted`, `epoch`, `lap`, `seq`, `session`, `wall`
        (minutes since 1970), `zone`, `follows` (true, false, null: unsaid).
    hole
        Minutes without a row that end a use.

    Returns
    -------
    `rows` with `instant` (minutes since 1970, UTC), `clock_step` (one lies just before the row),
    `clock_step_minutes` (how far it moved the row's instant; negative: back; 0: put right, and the instants
    go on as they should; null: no step, or unknown) and `clock_uncertain`.
    """
    rows = _with_runs(rows)
    runs = rows.group_by("run", maintain_order=True).agg(
        pl.col("dev", "told", "session", "zone", "follows").first(),
        first=pl.col("wall").first(),
        last=pl.col("wall").last(),
        jump=pl.col("jump").first(),
        records=pl.col("records").first(),
    )
    every = [_Run(**row) for row in runs.drop("run").iter_rows(named=True)]
    dates = _date_runs(every, hole)
    dated = pl.DataFrame(
        [
            (date.offset, date.step, moved, date.uncertain)
            for date, moved in zip(dates, _moved(every, dates), strict=True)
        ],
        schema={"offset": pl.Int64, "step": pl.Boolean, "moved": pl.Int64, "uncertain": pl.Boolean},
        orient="row",
    )
    of_row = dated[rows["run"]]
    starts = rows["run"].diff().fill_null(1) != 0
    return rows.drop("jump", "records", "told", "run").with_columns(
        instant=rows["wall"] - of_row["offset"],
        clock_step=starts & of_row["step"],
        clock_step_minutes=pl.when(starts & of_row["step"]).then(of_row["moved"]),
        clock_uncertain=of_row["uncertain"],
    )


def _with_runs(rows: pl.DataFrame) -> pl.DataFrame:
    """
    Cut the rows into runs; `jump` and `records` are how far wall clock and record went to each row.

    The counter has `told` how far it went where both rows have it, in one epoch of it.
    """
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in SEQUENCE)
    counted, before = pl.col("counted"), pl.col("counted").shift()
    here = same & (pl.col("epoch").diff() == 0) & (counted == before)
    here |= same & (counted != before) & (pl.col("lap").diff() == 0)
    rows = rows.with_columns(
        jump=pl.when(same).then(pl.col("wall").diff()), told=(here & counted & before).fill_null(False)
    ).with_columns(
        records=pl.when("told")
        .then(pl.col("seq").diff())
        .when(same & ~(counted & before))
        .then(pl.when(here & (pl.col("jump") == 0)).then(0).otherwise(1))
    )
    stays = pl.all_horizontal(
        pl.col(name).eq_missing(pl.col(name).shift()) for name in (*SEQUENCE, "session", "zone", "follows")
    )
    in_step = pl.col("jump") == pl.col("records")
    return rows.with_columns(run=(~(stays & in_step.fill_null(False))).cum_sum().cast(pl.Int64) - 1)


@dataclass
class _Run:
    """Rows over which the clock was ahead of UTC by one amount."""

    dev: int
    told: bool  # whether the counter tells how far the record went
    session: int
    zone: str
    follows: bool | None
    first: int
    last: int
    jump: int | None  # how far the wall clock went from the run before; null: another device's run
    records: int | None  # how far the record went; without records, the least that can have passed


@dataclass
class _Dated:
    """What was found for a run."""

    offset: int
    step: bool = False
    uncertain: bool = False


@dataclass
class _Clock:
    """What is known about one device's clock on the way through its runs."""

    offset: int
    until: int = 0  # last instant dated so far
    old: int | None = None  # the offset it has if it did not follow the last change, which was not seen
    assumed: list[_Dated] = field(default_factory=list)  # runs that rest on its having followed
    doubt: bool = False  # that change lay inside this use
    unproved: list[_Dated] = field(default_factory=list)  # runs dated as still lagging after a hole


def _date_runs(runs: list[_Run], hole: int) -> list[_Dated]:
    """Date the runs of all devices, one after another."""
    dates: list[_Dated] = []
    clock: _Clock | None = None
    before: _Run | None = None
    for run, following in zip(runs, [*runs[1:], None], strict=True):
        if following is not None and following.jump is None:
            following = None
        zone = zone_of(run.zone)
        restarts = before is None or run.jump is None
        last = None if clock is None or restarts else clock.until
        same_session = before is not None and not restarts and before.session == run.session
        rezoned = before is not None and (before.zone, before.follows) != (run.zone, run.follows)
        if restarts or rezoned:
            clock = None
        same_use = same_session and not rezoned and (run.jump or 0) - 1 < hole
        if run.follows is False:
            dated = _Dated(zone.standard(run.first))
            if clock is not None and run.jump != run.records:
                dated.step = _stepped(run, dated, clock, same_session)
            clock = clock or _Clock(dated.offset)
        elif clock is None:
            dated, old = _at_sight(zone, run, following)
            clock = _Clock(dated.offset, old=old)
        else:
            clock.doubt &= same_use
            dated, clock = _go_on(zone, clock, run, following, same_session, same_use)
        if rezoned and same_session and last is not None:
            dated.step = dated.uncertain = _contradicted(run, dated, last)
        if clock.old is not None and dated.offset != clock.old:
            clock.assumed.append(dated)
        clock.offset, clock.until = dated.offset, run.last - dated.offset
        dated.uncertain |= clock.doubt
        dates.append(dated)
        before = run
    return dates


def _moved(runs: list[_Run], dates: list[_Dated]) -> list[int | None]:
    """How far each run's first instant lies off what the records make it; null where they cannot tell."""
    moved: list[int | None] = []
    until = 0
    for run, date in zip(runs, dates, strict=True):
        moved.append(run.first - date.offset - until - (run.records or 0) if run.told else None)
        until = run.last - date.offset
    return moved


def _go_on(
    zone: Zone, clock: _Clock, run: _Run, following: _Run | None, same_session: bool, same_use: bool
) -> tuple[_Dated, _Clock]:
    """Date a run by the jump of the clock before it; with what is then known of the clock."""
    assert run.jump is not None
    known = run.records
    if known is not None and run.jump == known:
        return _Dated(clock.offset), clock
    if known is not None and _put_right(zone, clock, run.jump, known):
        for earlier in clock.unproved:
            earlier.uncertain = False
        now = clock.until + known
        corrected_late = not zone.changes_between(clock.until, now)
        return _Dated(zone.at(now), step=corrected_late), _Clock(zone.at(now))
    if known is not None and clock.old is not None and _corrected(clock, run.jump, known):
        for earlier in clock.assumed:
            earlier.offset, earlier.uncertain = clock.old, False
        now = clock.until + clock.offset - clock.old + known
        return _Dated(zone.at(now), step=True), _Clock(zone.at(now))
    lagging = clock.offset != zone.at(clock.until)
    if lagging and run.jump > 0:
        dated = _Dated(clock.offset, uncertain=True)
        dated.step = _stepped(run, dated, clock, same_session)
        clock.unproved.append(dated)
        return dated, clock
    dated, _ = _at_sight(zone, run, following, clock)
    dated.step = _stepped(run, dated, clock, same_session)
    now = run.first - dated.offset
    if now <= clock.until:
        return dated, _Clock(dated.offset)
    if zone.changes_between(clock.until, now):
        # A fall of the clock, though time went on, shows that it followed; a skipped time, that it did not.
        seen = run.jump <= 0 or dated.offset != zone.at(now)
        doubt = same_use and run.follows is None and not seen
        return dated, _Clock(dated.offset, old=clock.offset, doubt=doubt)
    return dated, clock


def _put_right(zone: Zone, clock: _Clock, jump: int, known: int) -> bool:
    """Whether a jump makes the clock show the official time: at its change, or corrected later."""
    official = zone.at(clock.until + known)
    return official != clock.offset and jump - known == official - clock.offset


def _corrected(clock: _Clock, jump: int, known: int) -> bool:
    """
    Whether a jump corrects a clock that had only been taken to follow the last change.

    A leap forward could as well be a device that was off: it counts only where the date is in doubt.
    """
    if clock.old is None or not clock.assumed:
        return False
    amount = clock.offset - clock.old
    return jump - known == amount and (amount < 0 or clock.doubt)


def _at_sight(
    zone: Zone, run: _Run, following: _Run | None, clock: _Clock | None = None
) -> tuple[_Dated, int | None]:
    """Date a run by its wall time; with the offset that held before the last change."""
    options = zone.readings(run.first)
    if not options:
        return _Dated(zone.before_skip(run.first)), None
    if clock is not None:
        options = (
            [o for o in options if run.first - o > clock.until]
            or [o for o in options if o == clock.offset]
            or options[:1]
        )
    if len(options) == 1:
        dated = _Dated(options[0])
    elif run.last >= zone.repeats_until(run.first):
        dated = _Dated(options[-1])  # goes on past the repeated hour: this was its second pass
    else:
        again = (
            following is not None
            and (following.jump or 0) < 0
            and len(zone.readings(following.first)) > 1
            and run.last < zone.repeats_until(following.first)
        )
        dated = _Dated(options[0], uncertain=not again)
    last = zone.last_change(run.first - dated.offset)
    return dated, None if last is None else zone.offsets[last]


def _contradicted(run: _Run, dated: _Dated, last: int) -> bool:
    """Whether the instants before and after a change of zone do not go on as the records, or time, must."""
    elapsed = run.first - dated.offset - last
    in_step = run.records is not None and (run.told or run.jump == run.records)
    return elapsed <= 0 or (in_step and elapsed != run.records)


def _stepped(run: _Run, dated: _Dated, clock: _Clock, same_session: bool) -> bool:
    """Whether a clock step, or what may be one, lies before the run."""
    elapsed = run.first - dated.offset - clock.until
    if elapsed <= 0:
        return True
    return run.told and same_session and run.records is not None and elapsed != run.records
