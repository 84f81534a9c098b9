"""What `extract` and `verify` say, to people and to scripts."""

from __future__ import annotations

import textwrap
from pathlib import Path

from flows.show import show_json
from flows.verify import Verdict
from pipeline.extract import Extract
from schemas.extract import UNMAPPED


def show_extract(made: Extract, out: Path, *, as_json: bool) -> None:
    """Print what an extract holds and, for the house alone, exactly who was left out by what."""
    if as_json:
        show_json(
            {
                "extract_id": made.extract_id,
                "out": str(out),
                "rows": dict(made.rows),
                "patients": made.patients,
                "flow": made.flow.to_dicts(),
                "unmapped": dict(made.unmapped),
                "registry_findings": dict(made.findings),
            }
        )
        return
    print(f"{made.rows['drain']} drains of {made.patients} patients in {out} (extract {made.extract_id})")
    print("  " + ", ".join(f"{name} {rows}" for name, rows in made.rows.items()) + " rows")
    print("Who was left out, exact counts for the house:")
    for row in made.flow.iter_rows(named=True):
        if row["what"] == "all":
            print(f"  {row['drains']:>6}  drains of the ledger")
        elif row["what"] == "included":
            print(f"  {row['drains']:>6}  drains of the extract")
        elif row["drains"]:
            why = "does not hold" if row["what"] == "outside" else "cannot be told"
            print(f"  {-row['drains']:>6}  {row['step']}. {row['criterion']}: {why}")
    for column, count in made.unmapped.items():
        print(f'{column}: words of {count} drains are in no mapping and leave as "{UNMAPPED}".')
    if made.findings:
        listed = ", ".join(f"{finding} {count}" for finding, count in made.findings.items())
        print(f"Drains of the extract on which registry and logs disagree: {listed}; see data_quality.")


def show_verdict(verdict: Verdict, folder: Path, *, as_json: bool) -> None:
    """Print whether an extract made again is the same, or where it is not."""
    if as_json:
        show_json(
            {
                "extract_id": verdict.extract_id,
                "same": verdict.same,
                "files": verdict.files,
                "made_again_from": verdict.how,
                "differ": list(verdict.differ),
                "beside": list(verdict.beside),
            }
        )
        return
    if verdict.same:
        print(f"{folder}: the same, byte for byte: {verdict.files} files, made again from {verdict.how}.")
    else:
        print(f"{folder}: not the same; made again from {verdict.how}:")
        for line in verdict.differ:
            print(textwrap.indent(line, "  "))
    for line in verdict.beside:
        print(f"  Beside: {line}.")
