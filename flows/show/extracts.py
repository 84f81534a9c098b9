"""What `extract` and `verify` say, to people and to scripts."""

from __future__ import annotations

import textwrap
from pathlib import Path

from flows.loading.findings import findings_words
from flows.research.verify import Verdict
from flows.show.results import show_json
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
                "drains_of_unknown_patient": made.patient_unknown,
                "flow": made.flow.to_dicts(),
                "unmapped": dict(made.unmapped),
                "unmapped_left_out": dict(made.unmapped_out),
                "mapping_words_no_drain_has": _idle_counts(made),
                "registry_findings": dict(made.findings),
            }
        )
        return
    print(f"{made.rows['drain']} drains in {out}: {_patients(made)} (extract {made.extract_id})")
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
    for column, count in made.unmapped_out.items():
        print(f"{column}: of the drains left out by it, {count} have a word that no mapping names.")
    for column, count in made.unmapped.items():
        print(f'{column}: words of {count} drains are in no mapping and leave as "{UNMAPPED}".')
    for idle in made.idle:
        meant = f', did you mean "{idle.near}"?' if idle.near else "."
        print(f'[mapping.{idle.column}]: no drain of the ledger has "{idle.word}"{meant}')
    if made.findings:
        listed = findings_words(tuple(made.findings.items()))
        print(f"Drains of the extract on which registry and logs disagree: {listed}; see data_quality.")


def _patients(made: Extract) -> str:
    """Patients and drains of unknown patient, apart: how many people those are nobody can tell."""
    known = f"{made.patients} known patient{'' if made.patients == 1 else 's'}"
    unknown = made.patient_unknown
    return f"{known}, {unknown} drain{'' if unknown == 1 else 's'} of unknown patient" if unknown else known


def _idle_counts(made: Extract) -> dict[str, int]:
    """How many words of each mapping no drain has; the words themselves stay on the terminal."""
    counts: dict[str, int] = {}
    for idle in made.idle:
        counts[idle.column] = counts.get(idle.column, 0) + 1
    return counts


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
