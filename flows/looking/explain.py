"""Why each flag of a drain holds or not at one minute: what `drainledger explain` answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from flows.loading.derive import made_digest
from flows.loading.stale import IN_FORCE, Ward, read_ward, stale_devices
from flows.looking.when import When, when_of
from pipeline.cohort import cuts_of, use_annotations
from pipeline.course import marked_course, resolve
from pipeline.course.sources import lines_behind
from pipeline.definitions import Definitions
from pipeline.explain import Explained, FlagAnswer, explain_minute
from pipeline.store import Home
from schemas.derivation import MADE
from schemas.errors import CallError, InputError, LedgerError
from schemas.lake import COURSE, EVIDENCE, LOAD_FILE, MINUTE, TRACE, USE_TABLE
from schemas.published import DRAIN, DRAIN_USE, PERIOD
from schemas.vocabulary import PeriodKind

_LEAST_PREFIX = 4
_MOST_NAMED = 5
_CAUSES = {
    "code": "another version of the code",
    "definitions": "other definitions",
    "registry": "other registry rows",
    "annotations": "other annotations",
    "files": "other log files",
}


@dataclass(frozen=True)
class MinuteOfDrain:
    """
    One minute of a drain, explained.

    Parameters
    ----------
    drain
        Of the published drain: `drain_id`, `site`, `unit`, `started_at`, `ended_at`.
    use
        The device use that served it: `use_id`, `device`, `session`, `timezone`; null where none did.
    sources
        From `lines_behind`: the lines of the exports that speak of the minute.
    periods
        The published periods of the drain that cover the minute.
    join_below
        Stretches of leak less than so many minutes apart are one leak of the drain.
    """

    drain: dict[str, object]
    use: dict[str, object] | None
    when: When
    explained: Explained | None
    sources: pl.DataFrame
    periods: pl.DataFrame
    join_below: int


def explain_drain(home: Home, drain: str, time: str, definitions: Definitions) -> MinuteOfDrain:
    """
    Explain one minute of a published drain.

    Only the device that served the drain at that minute is read again from the lake and computed anew; what
    comes of it is compared with what is published before anything is shown.

    Parameters
    ----------
    drain
        `drain_id`, or enough of its beginning to be the only one.
    time
        ISO 8601: with an offset, else local to the site.

    Raises
    ------
    CallError
        When there is no such drain, or more than one, or the time is none, or lies outside the drain.
    InputError
        When nothing is published yet, or what is published was made from something else than is here now.
    """
    if not home.database.exists():
        raise InputError(f"home {home.root}: nothing is published yet; load files first.")
    found = _drain(home, drain)
    drain_id = str(found["drain_id"])
    spans = home.lake.scan_owners(DRAIN_USE, [drain_id]).collect().sort("from_at", "use_id")
    uses = home.lake.scan(USE_TABLE).filter(pl.col("use_id").is_in(spans["use_id"].implode())).collect()
    spans = spans.join(uses, on="use_id", how="left", maintain_order="left")
    if spans.is_empty():
        raise CallError(f"explain: drain {drain_id} has no log; there is no minute to explain.")
    when = when_of(time, str(spans["timezone"][0]))
    minute = when.minute
    first, last = spans["from_at"].min(), spans["until_at"].max()
    assert isinstance(first, datetime)
    assert isinstance(last, datetime)
    if not first <= minute < last:
        raise CallError(
            f"explain: {when.told} lies outside drain {drain_id}; its first minute is "
            f"{when.local(first)}, its last {when.local(last - timedelta(minutes=1))} ({when.zone})."
        )
    periods = (
        home.lake.scan_owners(PERIOD, [drain_id])
        .filter(pl.col("started_at") <= minute, pl.col("ended_at") > minute)
        .collect()
        .sort("kind", "started_at")
    )
    here = spans.filter(pl.col("from_at") <= minute, pl.col("until_at") > minute)
    if here.is_empty():  # between the uses that served the drain
        return MinuteOfDrain(found, None, when, None, pl.DataFrame(), periods, definitions.leak.join_below)
    use = here.row(0, named=True)
    anew = use_anew(home, use, definitions)
    explained = anew.explain(minute, definitions)
    lines = anew.lines(minute, definitions)
    return MinuteOfDrain(found, use, when, explained, lines, periods, definitions.leak.join_below)


def _drain(home: Home, asked: str) -> dict[str, object]:
    names = ["drain_id", "site", "unit", "started_at", "ended_at"]
    drains = home.lake.scan(DRAIN).select(names).collect().sort("drain_id")
    asked = asked.upper()  # ids are in capitals
    exact = drains.filter(pl.col("drain_id") == asked)
    if exact.height:
        return exact.row(0, named=True)
    if len(asked) < _LEAST_PREFIX:
        raise CallError(
            f"explain: {asked!r} is too short to name a drain; give at least {_LEAST_PREFIX} signs of its "
            'drain_id (drainledger sql "SELECT drain_id FROM drain" lists them).'
        )
    found = drains.filter(pl.col("drain_id").str.starts_with(asked))
    if found.is_empty():
        raise CallError(
            f"explain: there is no drain {asked}; "
            'drainledger sql "SELECT drain_id FROM drain" lists those there are.'
        )
    if found.height > 1:
        some = ", ".join(found["drain_id"].head(_MOST_NAMED))
        more = f" and {found.height - _MOST_NAMED} more" if found.height > _MOST_NAMED else ""
        raise CallError(f"explain: {found.height} drains begin with {asked}: {some}{more}; give more of it.")
    return found.row(0, named=True)


@dataclass(frozen=True)
class UseAnew:
    """One use computed again from the lake's rows of its device."""

    marked: pl.DataFrame
    evidence: pl.DataFrame
    annotations: pl.DataFrame
    published: pl.DataFrame  # COURSE rows: `minute`, `flags`
    minutes: pl.DataFrame
    traces: pl.DataFrame
    files: pl.DataFrame
    session: int

    def explain(self, minute: datetime, definitions: Definitions) -> Explained:
        """
        One minute of the use.

        Raises
        ------
        LedgerError
            When the published flags are not those that the log gives now.
        """
        explained = explain_minute(self.marked, self.evidence, self.annotations, minute, definitions)
        flags = self.published.filter(pl.col("minute") == minute)["flags"].to_list()
        if flags != [explained.in_force]:
            raise LedgerError(
                f"explain: at {minute:%Y-%m-%dT%H:%MZ} the published flags are not those that the log gives "
                "now; run `drainledger rebuild`."
            )
        return explained

    def lines(self, minute: datetime, definitions: Definitions) -> pl.DataFrame:
        """The lines of the device's exports that speak of the minute."""
        return lines_behind(self.minutes, self.traces, self.files, definitions, self.session, minute)


def use_anew(home: Home, use: Mapping[str, object], definitions: Definitions) -> UseAnew:
    """
    Compute a use again, from the lake's rows of its device alone.

    Parameters
    ----------
    use
        `use_id`, `site`, `device`, `session`.

    Raises
    ------
    InputError
        When what is published was made from something else than is here now.
    """
    owner = f"{use['site']}:{use['device']}"
    ward = read_ward(home)
    _refuse_stale(home, owner, ward, definitions)
    files = home.lake.scan(LOAD_FILE).filter(pl.col("status").is_in(IN_FORCE)).collect()
    theirs = (
        (pl.col("site") == use["site"])
        & (pl.col("device") == use["device"])
        & pl.col("file_sha256").is_in(files["file_sha256"].implode())
    )
    minutes = home.lake.scan(MINUTE).filter(theirs).collect()
    traces = home.lake.scan(TRACE).filter(theirs).collect()
    resolved = resolve(minutes, traces, files, definitions)
    this = pl.col("use_id") == use["use_id"]
    evidence = home.lake.scan_owners(EVIDENCE, [owner]).filter(this).collect().sort(EVIDENCE.key)
    notes = use_annotations(resolved.uses, ward.registry, ward.annotations).filter(this)
    marked, _, _ = marked_course(
        resolved.minutes.filter(this),
        resolved.uses.filter(this),
        evidence,
        cuts_of(resolved.uses, ward.registry).filter(this),
        notes,
        definitions,
    )
    published = home.lake.scan_owners(COURSE, [owner]).filter(this).select("minute", "flags").collect()
    session = use["session"]
    assert isinstance(session, int)
    return UseAnew(marked, evidence, notes, published, minutes, traces, files, session)


def _refuse_stale(home: Home, owner: str, ward: Ward, definitions: Definitions) -> None:
    """Say so where what is published was made from something else than is here now."""
    stale = stale_devices(home, ward, definitions)
    cause = stale.causes.get(owner)
    if cause is not None:
        how = (
            "`drainledger rebuild` makes it anew"
            if cause in ("code", "definitions")
            else "a load has not finished; load again"
        )
        raise InputError(
            f"home {home.root}: what is published of {owner} was made from {_CAUSES[cause]} than what is "
            f"here now, so its flags cannot be explained by them; {how}."
        )
    made = home.lake.scan(MADE).filter(pl.col("stage") == "database").collect()
    if made.height != 1 or made["annotations"][0] != made_digest(home):
        raise InputError(f"home {home.root}: a load was cut short before it published; load again, then ask.")


def period_of(minute: MinuteOfDrain, kind: PeriodKind | str) -> dict[str, object] | None:
    """The published period of that kind that the minute belongs to, if any."""
    found = minute.periods.filter(pl.col("kind") == str(kind))
    return found.row(0, named=True) if found.height else None


def inside_leak(flag: FlagAnswer, minute: MinuteOfDrain) -> str | None:
    """Said of a minute without the flag `leak` inside a leak of the drain; null where it is not so."""
    period = period_of(minute, flag.kind)
    if period is None or flag.in_force or flag.kind != PeriodKind.LEAK:
        return None
    return (
        f"not on at this minute; inside the drain's leak of {period_line(minute, period)}, "
        f"which joins stretches less than {minute.join_below / 60:g} h apart"
    )


def period_line(minute: MinuteOfDrain, period: Mapping[str, object]) -> str:
    """From when to when, how long and of what grade, in the site's own time."""
    started, ended = period["started_at"], period["ended_at"]
    assert isinstance(started, datetime)
    assert isinstance(ended, datetime)
    grade = f", grade {period['grade']}" if period["grade"] else ""
    return f"{minute.when.local(started)} to {minute.when.local(ended)}, {period['minutes']} min{grade}"
