"""Pages of a ledger in a folder: the cohort's, and one a drain."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from flows.looking.drain_pages import beside
from pipeline.query.lending import lend_minutes
from pipeline.query.reader import reader
from pipeline.report import Ask
from pipeline.report.cohort_page import cohort_page
from pipeline.report.drain_page import drain_page
from pipeline.report.worth_looking import worth_looking
from pipeline.store import Home
from schemas.errors import CallError, InputError, LedgerError

INDEX, DRAINS, LIST = "index.html", "drains", "report.json"
UP = ("All drains together", f"../{INDEX}")
_NAME_LETTERS = 12
_MAKING = ".making-"
_ASKED_FOR = """
SELECT drain_id, site, unit, started_at, minutes_observed, prolonged_leak
FROM drain
WHERE starts_with(drain_id, ?)
ORDER BY drain_id
"""


@dataclass(frozen=True)
class Report:
    """What was written: the cohort's page, and the pages of drains by pseudonym."""

    folder: Path
    index: Path
    drains: dict[str, Path]
    chosen: int

    def record(self) -> dict[str, Any]:
        """For a script."""
        return {
            "folder": str(self.folder),
            "index": str(self.index),
            "drains": {drain: str(path) for drain, path in self.drains.items()},
        }


def run_report(
    home: Home,
    out: Path,
    *,
    drains: Sequence[str] = (),
    most: int,
    rules: Sequence[str] = (),
    progress: Callable[[str, int, int], None] = lambda what, done, of: None,
) -> Report:
    """
    Write the cohort's page, and a page for each drain asked for or worth looking at.

    Reads the published database, and the lake's minutes for drains, while loads are kept away. The same
    ledger gives the same bytes; pages of an earlier report in the folder are replaced, anything else there is
    a reason to refuse. The pages are made aside and take their places when all of them are there.

    Parameters
    ----------
    out
        Folder to write; new, empty, or an earlier report.
    drains
        Drain ids, or enough of the beginning of each; without any, up to `most` worth looking at.
    most
        How many drains are chosen where none is named.
    rules
        Run rules of the month-by-month chart.
    progress
        Told what is being written, how many are done and of how many.

    Raises
    ------
    CallError
        When the folder holds something else or lies where the ledger keeps its own, or no drain or rule is
        called so.
    InputError
        When nothing is published.
    LedgerError
        When a load is running, or the pages cannot be written.
    """
    _fit(home, out)
    with home.reading(), _asking(home) as ask:
        shown = _named(ask, drains) if drains else worth_looking(ask, most)
        names = {drain: f"{DRAINS}/{drain[:_NAME_LETTERS]}.html" for drain in shown["drain_id"].to_list()}
        total = 1 + len(names)
        progress("writing pages", 0, total)
        how = "" if drains else _how_chosen(shown.height, most)
        pages = {INDEX: cohort_page(ask, shown, names, how_chosen=how, rules=rules)}
        progress("writing pages", 1, total)
        for place, (drain, name) in enumerate(names.items()):
            pages[name] = drain_page(ask, drain, up=UP, **beside(home, drain))
            progress("writing pages", place + 2, total)
    _write(out, pages)
    written = {drain: out / name for drain, name in names.items()}
    return Report(out, out / INDEX, written, 0 if drains else shown.height)


def _fit(home: Home, out: Path) -> None:
    place, root = out.resolve(), home.root.resolve()
    own = [root / folder for folder in ("raw", "lake", home.private.name)]
    if root.is_relative_to(place) or any(place.is_relative_to(folder) for folder in own):
        raise CallError(f"report: {out} is where the ledger keeps its own; write elsewhere.")
    if out.exists() and not out.is_dir():
        raise CallError(f"report: {out} is a file; name a folder with --out.")
    if out.is_dir() and _there(out) and _earlier(out) is None:
        raise CallError(
            f"report: {out} holds something that is not an earlier report; name another folder with --out."
        )


def _earlier(out: Path) -> list[str] | None:
    """The pages of the report in a folder; None where there is none, or more than a report."""
    try:
        listed = json.loads((out / LIST).read_text(encoding="utf-8"))["pages"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not isinstance(listed, list):
        return None
    return listed if _there(out) <= {LIST, *listed} else None


def _there(out: Path) -> set[str]:
    """What lies in the folder, but for what a report that was killed had begun."""
    paths = (path.relative_to(out) for path in out.rglob("*") if not path.is_dir())
    empty = {f"{path.name}/" for path in out.iterdir() if path.is_dir() and path.name != DRAINS}
    named = {str(path) for path in paths} | empty
    return {name for name in named if not name.startswith(_MAKING)}


@contextmanager
def _asking(home: Home) -> Iterator[Ask]:
    if not home.database.exists():
        raise InputError(f"home {home.root}: nothing is published yet; load files first.")
    with reader(home.database) as connection:
        if not isinstance(home.lake.root, Path):
            lend_minutes(connection, home.lake)

        def ask(sql: str, *values: Any) -> pl.DataFrame:
            answer: pl.DataFrame = connection.sql(sql, params=list(values)).pl()
            return answer

        yield ask


def _named(ask: Ask, drains: Sequence[str]) -> pl.DataFrame:
    found = []
    for beginning in dict.fromkeys(drains):
        rows = ask(_ASKED_FOR, beginning)
        if rows.is_empty() or not beginning:
            raise CallError(
                f'report: no drain begins with {beginning!r}; drainledger sql "SELECT drain_id FROM drain" '
                "lists them."
            )
        if rows.height > 1:
            raise CallError(
                f"report: {rows.height} drains begin with {beginning!r}; write more letters of the one you "
                "mean."
            )
        found.append(rows)
    return pl.concat(found).unique("drain_id", maintain_order=True).with_columns(why=pl.lit("asked for"))


def _how_chosen(chosen: int, most: int) -> str:
    return (
        f"Chosen: up to {most:,} {'drain' if most == 1 else 'drains'}, by turns from each reason, the "
        "clearest of each first, what is worth a talk at the bedside before what a desk has to settle: a "
        "probable occlusion, a clamp that nobody noted and left on, a leak that came back, another suspected "
        "occlusion, a leak beyond the threshold, tilt; then registry and log in contradiction, an outcome "
        "unknown that paper may tell, no log, an outcome a fuller log may tell. Of tilt and each unknown no "
        "more than a quarter. "
        f"{chosen} found."
    )


def _write(out: Path, pages: dict[str, str]) -> None:
    listed = json.dumps({"drainledger": "report", "pages": sorted(pages)}, indent=1) + "\n"
    try:
        out.mkdir(parents=True, exist_ok=True)
        for begun in out.glob(f"{_MAKING}*"):
            shutil.rmtree(begun, ignore_errors=True)
        with tempfile.TemporaryDirectory(prefix=_MAKING, dir=out) as name:
            made = Path(name)
            (made / DRAINS).mkdir()
            for page, html in pages.items():
                (made / page).write_text(html, encoding="utf-8", newline="\n")
            for page in _earlier(out) or []:
                (out / page).unlink(missing_ok=True)
            shutil.rmtree(out / DRAINS, ignore_errors=True)
            # The list first: a report cut off half-way is an earlier report to the next one.
            (out / LIST).write_text(listed, encoding="utf-8", newline="\n")
            if len(pages) > 1:
                (made / DRAINS).rename(out / DRAINS)
            (made / INDEX).rename(out / INDEX)
    except OSError as error:
        raise LedgerError(
            f"report: {out} cannot be written ({error.strerror}); name another folder with --out."
        ) from error
