"""The command line. Each command parses, calls one function of `flows` and says what came of it."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import App, CycloptsError, Group, Parameter

from schemas.errors import CallError, DrainledgerError, InputError, LedgerError

if TYPE_CHECKING:
    from pipeline.store import Home

DONE, SOME_REJECTED, WRONG_CALL, FAILED = 0, 1, 2, 3
_INTERRUPTED = 130

CAUTION = (
    "Looks back at finished therapy, for audit, teaching and research. Not a monitor or a medical device: "
    "it decides nothing at the bedside. Whoever is licensed to treat the patient decides, under "
    "local protocol."
)

app = App(
    name="drainledger",
    help=f"A ledger of finished chest drainage: from exported per-minute logs to a database.\n\n{CAUTION}",
    version_flags=["--version"],
    version=lambda: _version(),
    help_format="plaintext",
    result_action="return_value",
    suppress_keyboard_interrupt=False,
    exit_on_error=False,
    print_error=False,
)
app.meta.group_parameters = Group("Everywhere", sort_key=0)

HomeDir = Annotated[Path, Parameter(parse=False)]
Json = Annotated[bool, Parameter(name="--json", negative="", help="Print JSON for a script.")]
Profile = Annotated[str | None, Parameter(help="Read every file with this profile: a name or a TOML file.")]
Site = Annotated[str | None, Parameter(help="Site of files that do not say theirs.")]


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; exit status 0: done, 1: some input rejected, 2: wrong call, 3: failed."""
    sys.exit(run(sys.argv[1:] if arguments is None else arguments))


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit status."""
    os.umask(0o077)  # what a load writes is its owner's alone
    try:
        status = app.meta(arguments)
        sys.stdout.flush()
    except (CycloptsError, CallError) as error:
        return _say(error, WRONG_CALL)
    except DrainledgerError as error:
        return _say(error, FAILED)
    except KeyboardInterrupt:
        return _say(
            "stopped; readers still see the ledger as it was before; load again to go on", _INTERRUPTED
        )
    except BrokenPipeError:  # the reader of our output has gone, as in `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        return _say(f"{error.strerror or error}{place}; mend that and run the command again.", FAILED)
    return status if isinstance(status, int) else DONE


def _say(message: object, status: int) -> int:
    print(f"drainledger: {' '.join(str(message).split())}", file=sys.stderr)
    return status


@app.meta.default
def _everywhere(
    *tokens: Annotated[str, Parameter(show=False, allow_leading_hyphen=True)],
    home: Annotated[
        Path, Parameter(name="--home", env_var="DRAINLEDGER_HOME", help="Where everything is kept.")
    ] = Path("ledger"),
) -> Any:
    command: Callable[..., Any]
    command, bound, ignored = app.parse_args(tokens)
    extra = {"home": home} if "home" in ignored else {}
    try:
        return command(*bound.args, **bound.kwargs, **extra)
    except (DrainledgerError, CycloptsError, OSError):
        raise
    except Exception as error:
        raise LedgerError(_unforeseen(error, home)) from error


def _unforeseen(error: Exception, home: Path) -> str:
    """One sentence for a fault nobody foresaw; the whole of it goes where values may stand."""
    said = str(error).strip().splitlines()
    what = f"{type(error).__name__}: {said[0][:200]}" if said else type(error).__name__
    private = home / "private"
    if not private.is_dir():
        return f"something failed that should not ({what}); please report it."
    details = private / "last-fault.txt"
    details.write_text("".join(traceback.format_exception(error)), encoding="utf-8")
    return (
        f"something failed that should not ({what}); the details are in {details}. "
        "If it comes again, `drainledger rebuild` makes everything anew from the raw files."
    )


@app.command
def demo(*, home: HomeDir, json_: Json = False) -> int:
    """Load the sample logs into a fresh home (else ./demo-ledger) and print the main figures."""
    from flows.demo import run_demo

    return run_demo(home if home != Path("ledger") else Path("demo-ledger"), as_json=json_)


@app.command
def load(
    *paths: Path,
    profile: Profile = None,
    site: Site = None,
    registry: Annotated[
        list[Path] | None,
        Parameter(negative="", help="Registry or annotation file, where it does not lie among PATHS."),
    ] = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Take files in, compute what they touch, publish. Again with the same files changes nothing.

    Parameters
    ----------
    paths
        Files and folders. Logs, registries and annotations are told apart by their first line.
    """
    from flows.meter import Meter
    from flows.show import show_load

    every = [*paths, *(registry or [])]
    if not every:
        raise CallError("load: no path given; name the files or folders to load.")
    ledger = _home(home)
    if os.environ.get("PREFECT_API_URL"):  # without one nobody should wait for a server to start
        from flows.prefect_load import load_under_prefect

        summary = load_under_prefect(ledger, every, profile, site)
    else:
        from flows.load import run_load
        from flows.request import request_for

        request = request_for(ledger, profile, site)
        with Meter() as progress:
            summary = run_load(ledger, every, request, _now(), progress=progress)
    show_load(summary, ledger, as_json=json_)
    return DONE if summary.clean else SOME_REJECTED


@app.command
def check(
    *paths: Path, profile: Profile = None, site: Site = None, home: HomeDir, json_: Json = False
) -> int:
    """Say what `load` would do with the files, row by row where it matters. Writes nothing.

    Parameters
    ----------
    paths
        Files and folders.
    """
    from flows.checking import check_files
    from flows.request import request_for
    from flows.show import show_check
    from flows.survey import survey

    if not paths:
        raise CallError("check: no path given; name the files or folders to check.")
    found = survey(paths, home)
    clean = show_check(found, check_files(found, request_for(_home(home), profile, site)), as_json=json_)
    return DONE if clean else SOME_REJECTED


@app.command
def status(*, home: HomeDir, json_: Json = False) -> int:
    """Say what is loaded, how fresh, what was rejected, what is running."""
    from flows.show import show_status
    from flows.status import ledger_status

    show_status(ledger_status(_ledger(home)), as_json=json_)
    return DONE


@app.command
def rejected(
    *,
    file: Annotated[str | None, Parameter(help="First digits of a file's SHA-256, or its name.")] = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """List rejected files, rows and cells with the reasons and the values."""
    from flows.show import show_rejected
    from flows.status import rejected_rows

    show_rejected(rejected_rows(_ledger(home), file), as_json=json_)
    return DONE


@app.command
def explain(drain: str, time: str, /, *, home: HomeDir, json_: Json = False) -> int:
    """Say why each flag holds or not at a minute of a drain: every clause with its values.

    Parameters
    ----------
    drain
        Its drain_id, or enough of the beginning to be the only one.
    time
        For example 2031-03-10T14:00, local to the site, or with an offset: 2031-03-10T14:00+01:00.
    """
    from flows.explain import explain_drain
    from flows.show_explain import show_explained
    from pipeline.definitions import load_definitions

    ledger = _ledger(home)
    show_explained(explain_drain(ledger, drain, time, load_definitions()), ledger, as_json=json_)
    return DONE


@app.command
def sql(
    query: Annotated[str, Parameter(allow_leading_hyphen=True)],
    /,
    *,
    format_: Annotated[
        Literal["table", "csv", "json", "parquet"], Parameter(name="--format", help="How to print.")
    ] = "table",
    output: Annotated[Path | None, Parameter(name=["--output", "-o"], help="File to write.")] = None,
    home: HomeDir,
) -> int:
    """Run one SELECT on the published database, and nothing else. Times are UTC.

    Parameters
    ----------
    query
        For example: "SELECT * FROM prolonged_leak_rate".
    """
    from flows.show import show_frame
    from pipeline.marts import select

    ledger = _ledger(home)
    if not ledger.database.exists():
        wait = (
            "the first load is still running; wait for it"
            if ledger.load_in_progress()
            else "load files first"
        )
        raise InputError(f"home {home}: nothing is published yet; {wait}.")
    if output is not None and output.resolve().is_relative_to(home.resolve()):
        raise CallError(f"sql: {output} lies in the ledger's own home; write elsewhere.")
    show_frame(select(ledger.database, query, ledger.lake.root), format_, output)
    return DONE


@app.command
def extract(
    cohort: Path,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder to write; must be new or empty.")],
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Write a cohort's drains, de-identified, with dictionary, flow counts and manifest.

    Exit status 0: written; 2: wrong option; 3: the cohort file or the ledger cannot be used.

    Parameters
    ----------
    cohort
        TOML file that says whose drains and in what form; worked ones are in shared/cohorts/.
    """
    from flows.extract import run_extract
    from flows.show_extract import show_extract

    show_extract(run_extract(_home(home), cohort, out), out, as_json=json_)
    return DONE


@app.command
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
    """Make an extract again from its manifest and say whether it is the same, byte for byte.

    Exit status 0: the same; 1: not the same; 2: wrong option; 3: cannot be told (a raw file is gone, …).

    Parameters
    ----------
    folder
        The extract's folder.
    """
    from flows.show_extract import show_verdict
    from flows.verify import run_verify

    verdict = run_verify(_home(home), folder, from_raw=from_raw)
    show_verdict(verdict, folder, as_json=json_)
    return DONE if verdict.same else SOME_REJECTED


@app.command
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
    from flows.meter import Meter
    from flows.sample import run_sample
    from flows.show import show_json

    with Meter() as progress:
        drawn = run_sample(_home(home), strips, seed, out, progress)
    if json_:
        show_json({"sample": drawn.sample, "strips": drawn.strips, "strata": dict(drawn.strata)})
        return DONE
    print(f"{drawn.strips} strips in {out} (sample {drawn.sample}); the answer key stays in the home")
    print("  " + ", ".join(f"{stratum} {count}" for stratum, count in drawn.strata.items()))
    return DONE


@app.command
def score(sheet1: Path, sheet2: Path, /, *, home: HomeDir, json_: Json = False) -> int:
    """Say how far two readers agree, and how the pipeline does beside them.

    Exit status 0: done; 2: wrong call (one sheet twice, …); 3: a sheet or the ledger cannot be used.

    Parameters
    ----------
    sheet1
        A filled-in score sheet of a sample.
    sheet2
        That of the other reader.
    """
    from flows.score import run_score, show_score

    show_score(run_score(_home(home), sheet1, sheet2), as_json=json_)
    return DONE


@app.command
def rebuild(*, home: HomeDir, json_: Json = False) -> int:
    """Make everything derived again from the raw files."""
    from flows.load import run_rebuild
    from flows.meter import Meter
    from flows.request import request_for
    from flows.show import show_load

    ledger = _ledger(home)
    with Meter() as progress:
        summary = run_rebuild(ledger, request_for(ledger), _now(), progress=progress)
    show_load(summary, ledger, as_json=json_, rebuilt=True)
    return DONE


@app.command
def outcomes(
    *,
    by: Annotated[str, Parameter(help="Registry column that makes the groups: procedure, age_years, …")],
    cuts: Annotated[str | None, Parameter(help="Where numbers go to the next group: 65,75.")] = None,
    definition: Annotated[str | None, Parameter(help="A name in drain_outcome; else the first.")] = None,
    suppress: Annotated[bool, Parameter(negative="", help="Leave out groups too small to publish.")] = False,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Say prolonged-leak rate and leak duration by group, with the log-rank test between the groups."""
    from flows.outcomes import run_outcomes, suppressed
    from flows.show_outcomes import show_outcomes
    from pipeline.definitions import load_definitions

    try:
        edges = None if cuts is None else [float(cut) for cut in cuts.split(",")]
    except ValueError:
        raise CallError(f"outcomes: --cuts {cuts}: not numbers; write e.g. --cuts 65,75.") from None
    found = run_outcomes(_ledger(home), by, edges, definition)
    least = load_definitions().statistics.suppress_below
    show_outcomes(suppressed(found, least) if suppress else found, as_json=json_)
    return DONE


@app.command
def whatif(
    *rules: str,
    grid: Annotated[
        Path | None, Parameter(help="A rule file in which numbers may be lists: every combination.")
    ] = None,
    axis: Annotated[
        list[str] | None,
        Parameter(negative="", help="Spread one RULE over values: leak_at_most=10,20,40. May come again."),
    ] = None,
    picture: Annotated[Path | None, Parameter(help="Draw a map of the rules: .svg or .png.")] = None,
    site: Annotated[str | None, Parameter(help="Only drains of this site.")] = None,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Say how removal rules would have done on the loaded drains. No rule is a recommendation.

    Parameters
    ----------
    rules
        Rule files, or names of shipped rules; without any, all that are shipped.
    """
    from flows.show_whatif import show_whatif
    from flows.whatif import asked, draw, run_whatif

    wanted = asked(rules, grid, axis or [])
    ledger = _ledger(home)
    found = run_whatif(ledger, wanted.rules, site)
    if picture is not None:
        draw(found, wanted.axes, picture)
    show_whatif(found, as_json=json_, skipped=wanted.skipped)
    return DONE


@app.command
def simulate(
    *,
    drains: Annotated[int, Parameter(help="How many drains.")],
    seed: Annotated[int, Parameter(help="The same seed gives the same files.")],
    out: Annotated[Path, Parameter(help="Folder to write; must be new or empty.")],
    json_: Json = False,
) -> int:
    """Write synthetic logs, a registry and the truth behind them."""
    from flows.meter import Meter
    from flows.show import show_json
    from pipeline.simulate import simulate as write

    with Meter() as progress:
        made = write(out, drains, seed, on_drain=lambda done: progress("simulating drains", done, drains))
    if json_:
        show_json(
            {
                "logs": str(made.logs),
                "log_files": len(made.log_files),
                "registries": [str(path) for path in made.registries],
                "annotations": [str(path) for path in made.annotations],
                "truth": str(made.truth),
            }
        )
        return DONE
    registries = " ".join(str(path.parent) for path in made.registries[:1])
    notes = " ".join(str(path.parent) for path in made.annotations[:1])
    print(
        f"{len(made.log_files)} logs of {drains} drains in {made.logs}; the truth behind them in {made.truth}"
    )
    print(f"Load them: drainledger load {made.logs} {registries} {notes}".rstrip())
    return DONE


def _home(path: Path) -> Home:
    from pipeline.store import Home

    return Home(path)


def _ledger(path: Path) -> Home:
    home = _home(path)
    if not home.exists():
        raise InputError(
            f"home {path}: there is no ledger here; load files first, or name another with --home."
        )
    return home


def _now() -> Any:
    from datetime import UTC, datetime

    return datetime.now(UTC)


def _version() -> str:
    from pipeline.provenance import code_version

    return code_version()


if __name__ == "__main__":
    main()
