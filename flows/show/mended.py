"""What came of withdrawing, reading again, erasing, keeping and restoring: for people, and as JSON."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import asdict

from flows.keeping.backup import Kept
from flows.keeping.erase import Erased
from flows.keeping.withdraw import Withdrawal
from flows.loading.doubted import doubted_words
from flows.loading.load import Summary
from flows.loading.meaning import names_of
from flows.loading.outcome import READ_AGAIN, named_apart
from flows.loading.reread import waiting_files
from flows.show.plain import plain
from flows.show.results import show_json
from pipeline.store import Home
from schemas.vocabulary import FileStatus


def show_withdrawals(found: Sequence[Withdrawal], *, as_json: bool) -> None:
    """List the withdrawn files, with names and reasons: for the house only."""
    if as_json:
        show_json([asdict(one) for one in found])
        return
    if not found:
        print("No file is withdrawn.")
    for one in found:
        print(f"{one.digest[:12]}  {one.withdrawn_on}  {one.kind}  {one.name}")
        print(f"    {one.why}")


def show_withdrawn(summary: Summary, home: Home, *, undone: bool, as_json: bool) -> None:
    """Say what was withdrawn, or taken back, and what that moved."""
    if as_json:
        show_json(_facts(summary, home))
        return
    for outcome in summary.outcomes:
        if outcome.status == FileStatus.WITHDRAWN:
            fate = "withdrawn; its record stays"
        else:
            fate = (
                f"taken back, {outcome.status}: {outcome.rows_kept} of {outcome.rows_read} rows count again"
            )
        print(f"{outcome.name} ({outcome.digest[:12]}): {fate}.")
        others = [name for name in names_of(home, outcome.digest) if name != outcome.name]
        if others:
            print(f"  The same bytes are also {', '.join(map(plain, others))}: one file under several names.")
    _say_moved(summary, home)
    if not undone:
        gone = [o.digest[:12] for o in summary.outcomes if o.status == FileStatus.WITHDRAWN]
        what = "it" if len(gone) == 1 else "them"
        command = f"drainledger --home {shlex.quote(str(home.root))} withdraw {' '.join(gone)} --undo"
        print(f"To take {what} back: {command}")


def show_reread(summary: Summary, home: Home, *, as_json: bool, profile: str | None = None) -> None:
    """Say what was read again and what that moved; `profile`: what was said as --profile."""
    left = waiting_files(home)
    if as_json:
        show_json(_facts(summary, home) | {"waiting": left})
        return
    for outcome in summary.again:
        rows = f"{outcome.rows_kept} of {outcome.rows_read} rows kept"
        reason = f" {outcome.reason}" if outcome.reason else ""
        why = f"read again, {READ_AGAIN[outcome.again_for]}" if outcome.again_for else "read again"
        print(f"{outcome.name} ({outcome.digest[:12]}): {outcome.status}, {rows}; {why}.{reason}")
    for line in doubted_words(summary.again, named_apart(summary.again), home.root, profile):
        print(line)
    if not summary.again:
        print("Nothing was due to be read again: no profile has changed, nor what reads.")
    if left:
        print(
            f"Waiting, as `status` has it: {_count(len(left), 'file')}, read again once the profiles change."
        )
    for one in left:
        name = f"{plain(one['name'])} ({one['file_sha256'][:12]})"
        print(f"    {name} waits for {one['waits_for']}: {plain(one['reason'])}")
    _say_moved(summary, home)


def show_erased(done: Erased, *, as_json: bool) -> None:
    """Say what went, or would go, and what is left to do by hand."""
    plan, record = done.plan, done.record
    if as_json:
        facts = {
            "dry_run": record is None,
            "record": None if record is None else record.name,
            "counts": dict(plan.counts),
            "extracts": list(plan.extracts),
            "extracts_unsure": list(plan.unsure),
            "rows_of_others": plan.beside,
            "unread_files_looked_into": plan.unread,
        }
        show_json(facts)
        return
    if not plan.marks:
        print("No drain here ended so long ago; nothing to do.")
        return
    would = "would go" if record is None else "erased"
    counts = plan.counts
    if "rows" in counts:
        print(
            f"{_count(counts['drains'], 'drain')}, {_count(counts['uses'], 'device use')}, "
            f"{_count(counts['rows'], 'row')} of logs, {_count(counts['paper_rows'], 'row')} of registries "
            f"and annotations in {_count(counts['files'], 'file')} looked into: {would}."
        )
    else:
        print(f"{_count(counts['files'], 'file')}: {would}.")
    if plan.beside:
        print(
            f"{_count(plan.beside, 'row')} of others at the very same minutes of the same session with them."
        )
    if plan.unread:
        print(
            f"{_count(plan.unread, 'file')} nobody could read rows from: erased where a key is named; "
            "look at the others yourself (`drainledger rejected`) and name them with --file."
        )
    for name in plan.extracts:
        print(
            f"Extract {name} holds some of it: tell whoever has it. A copy below the home's extracts/ goes."
        )
    for name in plan.unsure:
        print(f"Extract {name} may hold some of it: the house never noted whom it holds.")
    if record is None:
        print("Nothing was changed. Without --dry-run and with --why it is carried out, for good.")
        return
    print(f"Record {record.name} of {record.erased_on}: private/erased/{record.name}.json; it names nobody.")
    print("Not touched: backups, extracts given away, the landing folder, reports kept elsewhere.")


def show_kept(kept: Kept, *, restored: bool, as_json: bool) -> None:
    """Say what was copied, or brought back, and what to do with it."""
    if as_json:
        show_json({name: str(v) if name == "folder" else v for name, v in asdict(kept).items()})
        return
    size = f"{_count(kept.files, 'file')}, {kept.size / 2**20:.1f} MiB"
    if not restored:
        print(f"Kept: {size} in {kept.folder}.")
        print(
            "It holds the secret and patients' keys: keep it as you keep the home. Destroy it once something"
        )
        print("in it is to be erased; an erasure does not reach it.")
        return
    print(f"Brought back: {size}, as the home was on {kept.made_at}, to {kept.folder}.")
    if kept.from_store:
        print("The home lay on an object store; raw files and lake now lie on this disk.")
    print("Had anything been erased since: put those records into private/erased/ and run")
    print("`drainledger erase --again`.")


def _facts(summary: Summary, home: Home) -> dict[str, object]:
    return {
        "files": [o.__dict__ for o in summary.outcomes],
        "read_again": [o.__dict__ for o in summary.again],
        "finished": [o.__dict__ for o in summary.finished],
        "devices_computed": summary.devices,
        "drains_summarised": summary.drains,
        "published": summary.published,
        "database": str(home.database),
    }


def _say_moved(summary: Summary, home: Home) -> None:
    print(f"{_count(summary.devices, 'device')} computed, {_count(summary.drains, 'drain')} summarised.")
    print(f"Published: {home.database}" if summary.published else f"Nothing changed in {home.database}")


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
