"""How results are printed: tables for people, JSON for scripts, plain lines where there is no terminal."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

import polars as pl

from flows.loading.doubted import doubted_words
from flows.loading.findings import DOES_NOT_ADD_UP, EVERY_FINDING, findings_words
from flows.loading.forced import forced_words
from flows.loading.outcome import again_words, named_apart, unended_words, unread_words
from flows.show.as_json import json_text
from flows.show.broken import broken_lines
from flows.show.fates import MOST_LINES, counted, fate, show_broken
from flows.show.plain import plain
from schemas.findings import SET_ASIDE
from schemas.vocabulary import FileStatus

if TYPE_CHECKING:  # what is shown here comes from loads; other commands show without them
    from flows.loading.load import Summary
    from pipeline.store import Home


def show_json(value: Any) -> None:
    """Print a value as JSON; times as ISO 8601."""
    print(json_text(value))


def show_load(
    summary: Summary, home: Home, *, as_json: bool, rebuilt: bool = False, profile: str | None = None
) -> None:
    """Print what a load, or a rebuild, did; `profile`: what was said as --profile."""
    if as_json:
        show_json(
            {
                "files": [o.__dict__ for o in summary.outcomes],
                "finished": [o.__dict__ for o in summary.finished],
                "read_again": [o.__dict__ for o in summary.again],
                "devices_computed": summary.devices,
                "drains_summarised": summary.drains,
                "published": summary.published,
                "findings": dict(summary.findings),
                "profiles_set_aside": list(summary.set_aside),
                "remarks": summary.found.remarks() if not rebuilt else [],
                "database": str(home.database),
            }
        )
        return
    for sentence in summary.set_aside:
        print(f"Set aside, files of its layout wait: {plain(sentence)}")
    for outcome, name in zip(summary.outcomes, named_apart(summary.outcomes), strict=True):
        if outcome.remark is not None:
            print(f"{name}: {outcome.remark}")
        elif outcome.status == FileStatus.REJECTED or not (outcome.known or outcome.clean):
            print(fate(outcome, name))
    if (forced := forced_words(summary.outcomes, named_apart(summary.outcomes))) is not None:
        print(forced)
    if summary.again:
        print(f"{again_words(summary.again)}.")
    if summary.finished:
        print(f"{counted(len(summary.finished), 'file')} left half-written by an earlier load: finished.")
    for remark in () if rebuilt else summary.found.remarks():
        print(remark)
    new = summary.new
    kept, cut = sum(o.rows_kept for o in new), sum(o.rows_rejected for o in new)
    rejected = sum(o.status == FileStatus.REJECTED for o in new)
    known = len(summary.outcomes) - len(new)
    said = f"{counted(len(new), 'file')} read again" if rebuilt else counted(len(new), "new file")
    others = "" if rebuilt else f", {known} known already"
    print(
        f"{said} ({rejected} rejected){others}; {kept} rows kept, {cut} rejected; "
        f"{counted(summary.devices, 'device')} computed, {counted(summary.drains, 'drain')} summarised."
    )
    if (unread := unread_words(summary.outcomes, named_apart(summary.outcomes))) is not None:
        print(unread)
    read = [] if rebuilt else [*summary.outcomes, *summary.again]  # of a rebuild they were told before
    for line in doubted_words(read, named_apart(read), home.root, profile):
        print(line)
    unsaid = sum(o.wholeness_unsaid for o in new)
    if unsaid:
        print(f"{unended_words(unsaid)}: where one breaks off, nothing here can tell.")
    if summary.findings:
        kinds = findings_words(summary.findings)
        call = shlex.join(["drainledger", "--home", str(home.root)])
        print(
            f"{DOES_NOT_ADD_UP}: {kinds}. With an example of each: {plain(call)} status; all of them: "
            f'{plain(call)} sql "{EVERY_FINDING}"'
        )
        aside = [
            f"{SET_ASIDE[finding]} ({number})" for finding, number in summary.findings if finding in SET_ASIDE
        ]
        if aside:
            print(f"Nothing was rejected for it; taken as not recorded: {', '.join(aside)}.")
    print(f"Published: {home.database}" if summary.published else f"Nothing changed in {home.database}")


def show_rejected(rows: pl.DataFrame, *, as_json: bool, every: bool = False) -> None:
    """Print rejected files, rows and cells; of a file its first lines, or, if `every`, all."""
    if as_json:
        show_json(rows.to_dicts())
    elif rows.height == 0:
        print("Nothing was rejected.")
    else:
        for name, digest in rows.select("name", "file_sha256").unique(maintain_order=True).rows():
            theirs = rows.filter(pl.col("file_sha256") == digest)
            whole = theirs.filter(pl.col("scope") == "file")
            print(f"{name}  ({digest[:12]})")
            for said in dict.fromkeys(row["reason"] or row["rule"] for row in whole.iter_rows(named=True)):
                print(f"    whole file: {said}")
            for line in broken_lines(whole.filter(pl.col("value").is_not_null())):
                print("    " + line)
            most = None if every else MOST_LINES
            show_broken(theirs.filter(pl.col("scope") != "file"), most, f"--file {digest[:12]} shows all")
