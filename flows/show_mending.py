"""What came of withdrawing, reading again, erasing, keeping and restoring: for people, and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from flows.load import Summary
from flows.show import show_json
from flows.withdraw import Withdrawal
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
    _say_moved(summary, home)
    if not undone:
        print("Taken back with `drainledger withdraw DIGEST --undo`.")


def show_reread(summary: Summary, home: Home, *, as_json: bool) -> None:
    """Say what was read again and what that moved."""
    if as_json:
        show_json(_facts(summary, home))
        return
    for outcome in summary.again:
        rows = f"{outcome.rows_kept} of {outcome.rows_read} rows kept"
        reason = f" {outcome.reason}" if outcome.reason else ""
        print(f"{outcome.name} ({outcome.digest[:12]}): {outcome.status}, {rows}.{reason}")
    if not summary.again:
        print("Nothing waits to be read again.")
    _say_moved(summary, home)


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
