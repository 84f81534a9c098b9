"""The demonstration: the sample logs into a fresh home, and the main figures from the published database."""

from __future__ import annotations

import shutil
import textwrap
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from flows.loading.load import run_load
from flows.loading.request import request_for
from flows.looking.report import run_report
from flows.research.extract import run_extract
from flows.research.verify import Verdict, run_verify
from flows.show.meter import Meter
from flows.show.results import show_json
from pipeline.extract import Extract
from pipeline.marts import select
from pipeline.store import Home
from schemas.errors import CallError, InputError
from shared import SHARED

SAMPLES = SHARED.parent / "sample_logs"
# With a page of its own: enough to see one, and nobody waits. What is first to look at may have no log.
_DRAIN_SHOWN = """
SELECT drain_id
FROM period
WHERE kind = 'occlusion_suspected'
GROUP BY drain_id
ORDER BY sum(minutes) DESC, drain_id
LIMIT 1
"""
_MARK = ".demo"  # a home this command made and may make afresh

_FIGURES = """
WITH counted AS (
  SELECT
    sum(counted)::BIGINT AS counted,
    sum(prolonged)::BIGINT AS prolonged,
    sum(evaluable)::BIGINT AS evaluable,
    sum(unknown)::BIGINT AS unknown
  FROM prolonged_leak_rate
)
SELECT
  (SELECT count(*) FROM drain) AS drains,
  (SELECT count(*) FILTER (WHERE linked) FROM drain) AS linked,
  counted.counted,
  counted.prolonged,
  counted.evaluable,
  counted.unknown,
  wilson_low(counted.prolonged, counted.evaluable) AS low,
  wilson_high(counted.prolonged, counted.evaluable) AS high,
  (SELECT sum(tidaling_present_minutes) FROM drain) AS tidaling_present,
  (SELECT sum(tidaling_absent_minutes) FROM drain) AS tidaling_absent,
  (SELECT sum(tidaling_indeterminate_minutes) FROM drain) AS tidaling_indeterminate,
  (SELECT sum(tidaling_not_assessable_minutes) FROM drain) AS tidaling_not_assessable,
  (SELECT count(*) FROM period WHERE kind = 'occlusion_suspected') AS occlusions,
  (SELECT count(*) FROM load_file) AS files,
  (SELECT count(*) FILTER (WHERE status = 'rejected') FROM load_file) AS files_rejected,
  (SELECT sum(rows_read) FROM load_file) AS rows_read,
  (SELECT sum(rows_rejected) FROM load_file) AS rows_rejected,
  (SELECT count(*) FILTER (WHERE scope = 'cell') FROM rejected_row) AS cells_rejected
FROM counted
"""


def sample_folders() -> list[Path]:
    """
    The folders with sample logs and registry; the README beside them is for people.

    Raises
    ------
    InputError
        When the samples are not there.
    """
    if not SAMPLES.is_dir():
        raise InputError(
            f"{SAMPLES}: the sample logs are not there; run the demo from a clone of the project."
        )
    return sorted(path for path in SAMPLES.iterdir() if path.is_dir())


def run_demo(home_dir: Path, *, as_json: bool = False) -> int:
    """
    Load the samples into a fresh home, write the pages, print the main figures and where everything is.

    Raises
    ------
    InputError
        When the samples are not there.
    CallError
        When the home holds a ledger that the demonstration did not make.
    """
    if not SAMPLES.is_dir():
        raise InputError(
            f"{SAMPLES}: the sample logs are not there; run the demo from a clone of the project."
        )
    folders = sample_folders()
    home = _fresh(home_dir)
    with Meter() as progress:
        summary = run_load(home, folders, request_for(home), datetime.now(UTC), progress=progress)
        shown = select(home.database, _DRAIN_SHOWN, home.lake.root)["drain_id"].to_list()
        pages = run_report(home, home.root / "report", drains=shown, most=0, progress=progress)
    figures: dict[str, Any] = select(home.database, _FIGURES, home.lake.root).row(0, named=True)
    made, verdict = _extract(home)
    where = {
        "database": str(home.database),
        "lake": str(home.lake.root),
        "raw files": str(home.raw.root),
        "extract": str(_extract_folder(home)),
        "report": str(pages.index),
    }
    if as_json:
        extract = {"extract_drains": made.rows["drain"], "extract_same_when_made_again": verdict.same}
        rejected = [o.name for o in summary.new if not o.clean]
        show_json(figures | extract | {"where": where, "rejected": rejected})
        return 0
    _show(figures)
    _show_extract(made, verdict, figures["drains"])
    print("\nWritten")
    for what, path in where.items():
        print(f"  {what:<20}  {path}")
    print(f"\nLook at it: open {where['report']} in a browser")
    print(f'Ask it: drainledger --home {home_dir} sql "SELECT * FROM prolonged_leak_rate"\n')
    print(textwrap.fill("The data are invented. " + _caution(), 100))
    return 0


def _extract_folder(home: Home) -> Path:
    return home.root / "extracts" / "samples"


def _extract(home: Home) -> tuple[Extract, Verdict]:
    """A cohort of the samples, de-identified, and the same made again to see that it is the same."""
    made = run_extract(home, SHARED / "cohorts" / "samples.toml", _extract_folder(home))
    return made, run_verify(home, _extract_folder(home))


def _show_extract(made: Extract, verdict: Verdict, drains: int) -> None:
    again = "the same, byte for byte" if verdict.same else "NOT THE SAME: " + "; ".join(verdict.differ)
    print(f"  {'extract':<20}  {made.rows['drain']} of {drains} drains, de-identified")
    print(f"  {'made again':<20}  {again} ({verdict.files} files)")


def _fresh(home_dir: Path) -> Home:
    home = Home(home_dir)
    if home_dir.exists() and any(home_dir.iterdir()):
        if not (home_dir / _MARK).exists():
            raise CallError(
                f"demo: {home_dir} holds something the demo did not make; name another with --home."
            )
        with home.locked():
            for entry in home_dir.iterdir():
                if entry.is_dir():
                    shutil.rmtree(entry)
                elif entry.name != ".lock":
                    entry.unlink()
    home.create()
    (home_dir / _MARK).touch()
    return home


def _show(f: dict[str, Any]) -> None:
    rate = (
        f"{f['prolonged']} of {f['evaluable']} evaluable operations "
        f"({100 * f['prolonged'] / f['evaluable']:.0f} %, 95 % interval {100 * f['low']:.0f} to "
        f"{100 * f['high']:.0f} %), {f['unknown']} unknown"
        if f["evaluable"]
        else f"none evaluable, {f['unknown']} unknown"
    )
    rows = [
        ("drains", f"{f['drains']}, {f['linked']} of them linked to a registry"),
        ("prolonged air leak", rate),
        (
            "tidaling minutes",
            f"{f['tidaling_present']:,} present, {f['tidaling_absent']:,} absent, "
            f"{f['tidaling_indeterminate']:,} indeterminate, {f['tidaling_not_assessable']:,} not assessable",
        ),
        ("suspected occlusions", f"{f['occlusions']}"),
        (
            "rejected",
            f"{f['files_rejected']} of {f['files']} files; {f['rows_rejected']} of {f['rows_read']:,} rows; "
            f"{f['cells_rejected']} cells made null",
        ),
    ]
    print("What the sample logs say")
    for what, figure in rows:
        print(f"  {what:<20}  {figure}")


def _caution() -> str:
    from flows.app import CAUTION

    return CAUTION
