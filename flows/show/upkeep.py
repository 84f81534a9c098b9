"""What `doctor` and `maintain` say, to a person or a script."""

from __future__ import annotations

from dataclasses import asdict

from flows.keeping.finding import Finding, Grade
from flows.keeping.upkeep import Upkeep
from flows.show.as_json import json_text
from flows.show.plain import plain

_SIGNS = {Grade.FINE: "ok    ", Grade.ADVICE: "look  ", Grade.BROKEN: "BROKEN"}


def show_examination(findings: list[Finding], *, as_json: bool) -> None:
    """Print findings, what is fine in one line each."""
    if as_json:
        print(json_text([asdict(finding) for finding in findings]))
        return
    for one in findings:
        where = f" ({one.where})" if one.where and one.where not in one.what else ""
        do = f"; {one.do}" if one.do else ""
        line = f"{_SIGNS[one.grade]}  {one.check:13}  {one.what}{where}{do}"
        print(plain(line if line.endswith("?") else f"{line}."))
    counts = {grade: sum(one.grade is grade for one in findings) for grade in Grade}
    print(f"{counts[Grade.BROKEN]} broken, {counts[Grade.ADVICE]} to look at, {counts[Grade.FINE]} fine.")


def show_upkeep(upkeep: Upkeep, *, as_json: bool) -> None:
    """Print what maintenance did."""
    if as_json:
        print(json_text(upkeep.facts()))
        return
    for tended in upkeep.tables:
        done = []
        if tended.files_after != tended.files_before:
            done.append(f"{tended.files_before} files put together as {tended.files_after}")
        if tended.removed:
            done.append(f"{tended.removed} files out of use removed ({_kib(tended.removed_bytes)})")
        if tended.log_removed:
            done.append(f"{tended.log_removed} entries of its log removed")
        if done:
            print(f"{tended.table}: {', '.join(done)}.")
    if upkeep.swept:
        print(f"Swept {len(upkeep.swept)} leftovers of processes that died.")
    kept = sum(len(tended.kept) for tended in upkeep.tables)
    print(
        f"Freed {_kib(upkeep.freed)}; {kept} versions are kept for the database and for extracts. "
        f"The lake holds {_kib(upkeep.bytes_after)}."
    )


def _kib(size: int) -> str:
    return f"{size / 2**20:.1f} MiB" if size >= 2**20 else f"{size / 2**10:.1f} KiB"
