"""What leaves the house, and how far readers agree: `extract verify sample score`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from flows.app import RESEARCH, HomeDir, Json, app, examples, open_home
from flows.exits import DONE, SOME_REJECTED


@app.command(group=RESEARCH, help_epilogue=examples("extract shared/cohorts/samples.toml --out study"))
def extract(
    cohort: Path,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder to write; must be new or empty.")],
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Write a cohort, de-identified, with its dictionary and manifest.

    Exit status 0: written; 2: wrong option; 3: the cohort file or the ledger cannot be used.

    Parameters
    ----------
    cohort
        TOML file that says whose drains and in what form; worked ones are in shared/cohorts/.
    """
    from flows.research.extract import run_extract
    from flows.show.extracts import show_extract

    show_extract(run_extract(open_home(home), cohort, out), out, as_json=json_)
    return DONE


@app.command(group=RESEARCH, help_epilogue=examples("verify study"))
def verify(
    folder: Path,
    /,
    *,
    from_raw: Annotated[
        bool, Parameter(negative="", help="Make everything anew from the raw files, whatever is quicker.")
    ] = False,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Make an extract again and say whether it is the same, byte for byte.

    Exit status 0: the same; 1: not the same; 2: wrong option; 3: cannot be told (a raw file is gone, …).

    Parameters
    ----------
    folder
        The extract's folder.
    """
    from flows.research.verify import run_verify
    from flows.show.extracts import show_verdict

    verdict = run_verify(open_home(home), folder, from_raw=from_raw)
    show_verdict(verdict, folder, as_json=json_)
    return DONE if verdict.same else SOME_REJECTED


@app.command(group=RESEARCH, help_epilogue=examples("sample --strips 40 --out strips"))
def sample(
    *,
    strips: Annotated[int, Parameter(help="How many strips.")],
    seed: Annotated[int, Parameter(help="The same seed draws the same strips.")] = 1,
    out: Annotated[Path, Parameter(help="Folder to write; must be new or empty.")],
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Draw blinded strips for two human readers, with score sheets.

    Exit status 0: drawn; 2: wrong option (too many strips, …); 3: the ledger cannot be used.
    """
    from flows.research.sample import run_sample
    from flows.show.meter import Meter
    from flows.show.results import show_json

    with Meter() as progress:
        drawn = run_sample(open_home(home), strips, seed, out, progress)
    if json_:
        show_json({"sample": drawn.sample, "strips": drawn.strips, "strata": dict(drawn.strata)})
        return DONE
    print(f"{drawn.strips} strips in {out} (sample {drawn.sample}); the answer key stays in the home")
    print("  " + ", ".join(f"{stratum} {count}" for stratum, count in drawn.strata.items()))
    return DONE


@app.command(
    group=RESEARCH, help_epilogue=examples("score strips/sheet_reader_1.csv strips/sheet_reader_2.csv")
)
def score(sheet1: Path, sheet2: Path, /, *, home: HomeDir, json_: Json = False) -> int:
    """How far two readers agree, and the ledger beside them.

    Exit status 0: done; 2: wrong call (one sheet twice, …); 3: a sheet or the ledger cannot be used.

    Parameters
    ----------
    sheet1
        A filled-in score sheet of a sample.
    sheet2
        That of the other reader.
    """
    from flows.research.score import run_score, show_score

    show_score(run_score(open_home(home), sheet1, sheet2), as_json=json_)
    return DONE
