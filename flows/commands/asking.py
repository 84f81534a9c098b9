"""Ask the ledger: `sql explain outcomes whatif`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from flows.app import LOOK, RESEARCH, HomeDir, Json, app, examples, open_ledger
from flows.exits import DONE
from schemas.errors import CallError, InputError, of_named_path


@app.command(
    group=LOOK,
    help_epilogue=examples(
        'sql "SELECT * FROM prolonged_leak_rate"', 'sql "SELECT * FROM drain" -o drains.csv'
    ),
)
def sql(
    query: Annotated[str, Parameter(allow_leading_hyphen=True)],
    /,
    *,
    format_: Annotated[
        Literal["table", "csv", "json", "parquet"] | None,
        Parameter(
            name="--format", help="How to print or write; unsaid: by the file's ending, printed a table."
        ),
    ] = None,
    output: Annotated[
        Path | None,
        Parameter(
            name=["--output", "-o"],
            help="File to write: .csv, .json, .parquet or .txt. One that is there already is replaced.",
        ),
    ] = None,
    rows: Annotated[int, Parameter(help="Most rows a printed table shows.")] = 200,
    home: HomeDir,
) -> int:
    """Run one SELECT on the published database, and nothing else.

    Times are UTC. Nothing can be written by it and no file but the database and its minutes is read. Ctrl-C
    stops it.

    Parameters
    ----------
    query
        For example: "SELECT * FROM prolonged_leak_rate"; or the path of a file that ends in .sql.
    """
    from flows.exits import INTERRUPTED
    from flows.show.rows import format_for, show_frame, show_rows
    from flows.stopping import stoppable
    from pipeline.query import select, select_rows
    from pipeline.query.remarks import remark_on

    if query.endswith(".sql") and len(query.split()) == 1:
        try:
            query = Path(query).read_text(encoding="utf-8")
        except OSError as error:
            said = f"sql: {query}: cannot be read ({error.strerror}); check the path."
            raise of_named_path(error, said) from error
    ledger = open_ledger(home)
    if not ledger.database.exists():
        wait = (
            "the first load is still running; wait for it"
            if ledger.load_in_progress()
            else "load files first"
        )
        raise InputError(f"home {home}: nothing is published yet; {wait}.")
    if output is not None and output.resolve().is_relative_to(home.resolve()):
        raise CallError(f"sql: {output} lies in the ledger's own home; write elsewhere.")
    if rows < 1:
        raise CallError(f"sql: --rows {rows}: a table shows at least one row.")
    how = format_for(format_, output)
    stopped = "drainledger: sql: the query was stopped; nothing was written."
    try:
        with stoppable(stopped):
            if how == "table" and output is None:
                # One more than are shown tells whether there are more.
                answer = select_rows(ledger.database, query, ledger.lake_lies, most=rows + 1)
                show_rows(answer, rows)
                columns = answer.columns
            else:
                frame = select(ledger.database, query, ledger.lake_lies)
                show_frame(frame, how, output)
                columns = frame.columns
            if how == "table" and (remark := remark_on(query, columns)) is not None:
                print(f"drainledger: sql: {remark}", file=sys.stderr)
    except KeyboardInterrupt:
        print(stopped, file=sys.stderr)
        return INTERRUPTED
    return DONE


@app.command(
    group=LOOK,
    help_epilogue=examples("explain DX62 2031-03-12 14:05", "explain DX62 2031-03-12 14:05 --brief"),
)
def explain(
    drain: str,
    /,
    *time: str,
    brief: Annotated[bool, Parameter(negative="", help="What is in force and why, on one screen.")] = False,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Why each flag holds or not at a minute of a drain.

    Every clause with its value, its limit and the lines of the files it rests on.

    Parameters
    ----------
    drain
        Its drain_id, or enough of the beginning to be the only one.
    time
        For example 2031-03-10 14:00, local to the site; in UTC, as tables have it, 2031-03-10T13:00Z.
    """
    from flows.looking.explain import explain_drain
    from flows.show.explained import show_explained
    from flows.show.explained_briefly import show_briefly
    from pipeline.definitions import load_definitions

    if brief and json_:
        raise CallError("explain: --brief is for reading and --json for a script; name one of them.")
    ledger = open_ledger(home)
    minute = explain_drain(ledger, drain, " ".join(time), load_definitions())
    if brief:
        show_briefly(minute)
    else:
        show_explained(minute, ledger, as_json=json_)
    return DONE


@app.command(
    group=RESEARCH,
    help_epilogue=examples("outcomes --by procedure", "outcomes --by age_years --cuts 65,75 --suppress"),
)
def outcomes(
    *,
    by: Annotated[str, Parameter(help="Registry column that makes the groups: procedure, age_years, …")],
    cuts: Annotated[str | None, Parameter(help="Where numbers go to the next group: 65,75.")] = None,
    definition: Annotated[str | None, Parameter(help="A name in drain_outcome; else the first.")] = None,
    suppress: Annotated[bool, Parameter(negative="", help="Leave out groups too small to publish.")] = False,
    home: HomeDir,
    json_: Json = False,
) -> int:
    """Prolonged-leak rate and leak duration by group.

    By any column of the registry, with intervals and a log-rank test between the groups.
    """
    from flows.research.outcomes import run_outcomes, suppressed
    from flows.show.outcomes import show_outcomes
    from pipeline.definitions import load_definitions

    try:
        edges = None if cuts is None else [float(cut) for cut in cuts.split(",")]
    except ValueError:
        raise CallError(f"outcomes: --cuts {cuts}: not numbers; write e.g. --cuts 65,75.") from None
    found = run_outcomes(open_ledger(home), by, edges, definition)
    least = load_definitions().statistics.suppress_below
    show_outcomes(suppressed(found, least) if suppress else found, as_json=json_)
    return DONE


@app.command(
    group=RESEARCH,
    help_epilogue=examples(
        "whatif", "whatif leak_20_output_300 --axis leak_at_most=10,20,40 --picture rules.svg"
    ),
)
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
    """How removal rules would have done; none is a recommendation.

    On the drains of the ledger, each judged by what was known at the bedside up to each minute.

    Parameters
    ----------
    rules
        Rule files, or names of shipped rules; without any, all that are shipped.
    """
    from flows.research.whatif import asked, draw, run_whatif
    from flows.show.whatifs import show_whatif

    wanted = asked(rules, grid, axis or [])
    ledger = open_ledger(home)
    found = run_whatif(ledger, wanted.rules, site)
    if picture is not None:
        draw(found, wanted.axes, picture)
    show_whatif(found, as_json=json_, left_out=wanted.left_out)
    return DONE
