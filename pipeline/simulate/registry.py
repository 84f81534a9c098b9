"""Registry and annotation files: what the ward wrote down beside the logs."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import datetime


@dataclass(frozen=True)
class RegistryDrain:
    """One drain in the registry; texts, and times with a zone. Column order is that of the fields."""

    drain_key: str
    patient_key: str
    site: str
    unit: str
    tube_in_at: datetime
    tube_out_at: datetime | None = None
    uses: str = ""
    device: str = ""
    procedure: str = ""
    procedure_end_at: datetime | None = None
    side: str = ""
    tube_french: int | None = None
    removal_reason: str = ""
    age_years: int | None = None
    sex: str = ""
    bmi: float | None = None
    fev1_pct: int | None = None
    adhesions: str = ""
    reinserted_at: datetime | None = None
    readmitted_at: datetime | None = None
    pneumothorax_after: str = ""


@dataclass(frozen=True)
class Annotation:
    """One note by staff beside a drain."""

    drain_key: str
    site: str
    started_at: datetime
    ended_at: datetime | None
    kind: str
    author_role: str = ""
    note: str = ""


def write_registry(drains: Iterable[RegistryDrain], exported_at: datetime) -> bytes:
    """
    A registry file: preamble, header, one row a drain.

    Examples
    --------
    >>> at = datetime.fromisoformat("2031-04-01T08:00:00+02:00")
    >>> write_registry([], at).decode().splitlines()[:2]
    ['# drain-registry: 1', '# exported_at: 2031-04-01T08:00:00+02:00']
    """
    return _write("drain-registry", RegistryDrain, drains, exported_at)


def write_annotations(annotations: Iterable[Annotation], exported_at: datetime) -> bytes:
    """An annotations file: preamble, header, one row a note."""
    return _write("drain-annotations", Annotation, annotations, exported_at)


def _write(kind: str, row_type: type, rows: Iterable[object], exported_at: datetime) -> bytes:
    names = [field.name for field in fields(row_type)]
    text = io.StringIO()
    text.write(f"# {kind}: 1\n# exported_at: {exported_at.isoformat(timespec='seconds')}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([_cell(getattr(row, name)) for name in names] for row in rows)
    return text.getvalue().encode()


def _cell(value: object) -> str:
    if value is None:
        return ""
    return value.isoformat(timespec="seconds") if isinstance(value, datetime) else str(value)
