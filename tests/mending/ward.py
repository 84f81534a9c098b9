"""A small ward whose patients can be told apart by their readings: shared devices, overlaps, all kinds of paper."""

from __future__ import annotations

import gzip
from pathlib import Path

from tests.laws.conftest import v1

# Readings that only the named patient has: air leak, mL/min.
# Hers is no whole number: it is searched for in whole homes, where random names hold all kinds of digits.
ANNA, BERT, CARA, DORA = 7317.5, 2221.5, 1993, 1559
ANNA_KEYS = ["PAT-ANNA", "TUBE-A1", "TUBE-A2"]

REGISTRY = """# drain-registry: 1
# exported_at: 2031-04-01T06:00:00+02:00
# remark: asked for by the team of PAT-ANNA
drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,procedure,procedure_end_at,side,removal_reason,remark
TUBE-A1,PAT-ANNA,lakeside,ward 4,2031-03-10T08:00:00+01:00,2031-03-10T12:00:00+01:00,DV-1/1,wedge,2031-03-10T08:00:00+01:00,left,planned,
TUBE-B1,PAT-BERT,lakeside,ward 4,2031-03-10T08:00:00+01:00,2031-03-10T10:00:00+01:00,DV-2/1,lobectomy,2031-03-10T07:00:00+01:00,right,planned,neighbour of PAT-ANNA
TUBE-A2,PAT-ANNA,lakeside,ward 4,2031-03-10T10:00:00+01:00,2031-03-10T12:00:00+01:00,DV-2/1,wedge,2031-03-10T08:00:00+01:00,right,planned,
TUBE-C1,PAT-CARA,lakeside,ward 5,2031-03-10T12:30:00+01:00,2031-03-10T14:00:00+01:00,DV-2/1,lobectomy,2031-03-10T12:00:00+01:00,right,planned,
"""

ANNOTATIONS = """# drain-annotations: 1
# exported_at: 2031-04-01T06:00:00+02:00
drain_key,site,started_at,ended_at,kind,author_role,note
TUBE-A1,lakeside,2031-03-10T09:00:00+01:00,2031-03-10T09:30:00+01:00,clamp_trial,nurse,went well
TUBE-B1,lakeside,2031-03-10T09:00:00+01:00,2031-03-10T09:10:00+01:00,note,nurse,looked after with TUBE-A1
"""


def shared_log() -> bytes:
    """DV-2, one session for three patients, for nobody declared them: 08:00 Bert, 10:00 Anna, 12:30 Cara."""
    text = v1("DV-2", 0, 359, "2031-03-10T15:00:00+01:00").decode()
    lines = []
    for line in text.splitlines():
        if line[:1].isdigit():
            minute = int(line.split(",", 1)[0]) - 1000
            leak = BERT if minute < 120 else ANNA if minute < 265 else CARA
            line = line.replace(",60,", f",{leak},")
        lines.append(line)
    # A remark in the preamble, and a row nobody can read among Anna's.
    lines.insert(2, "# remark: shared with PAT-ANNA, see DR HOUSEMAN")
    at = next(k for k, line in enumerate(lines) if line.startswith("1180,"))
    lines[at] = lines[at].replace(",run,", ",walk,")
    return ("\n".join(lines) + "\n").encode()


def write_ward(folder: Path) -> list[Path]:
    """Write the ward's files: two exports of Anna's own device, one of a shared one, registry, annotations."""
    folder.mkdir(parents=True)
    files = {
        "PAT-ANNA first.csv": v1("DV-1", 0, 200, "2031-03-10T12:00:00+01:00", leak=ANNA),
        "second.csv.gz": gzip.compress(v1("DV-1", 100, 239, "2031-03-10T13:00:00+01:00", leak=ANNA), mtime=0),
        "shared.csv": shared_log(),
        "dora.csv": v1("DV-9", 0, 90, "2031-03-10T21:00:00+01:00", site="hillside", leak=DORA),
        "registry.csv": REGISTRY.encode(),
        "annotations.csv": ANNOTATIONS.encode(),
        "old registry of TUBE-A1.csv": REGISTRY.encode("utf-16"),
    }
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in files]
