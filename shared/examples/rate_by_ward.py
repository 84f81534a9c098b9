"""
From the published database to a figure for a paper, with plain SQL: prolonged leak by ward.

    python shared/examples/rate_by_ward.py ledger/drainledger.duckdb rate_by_ward.svg

Each ward's rate with its Wilson interval; dashed below, where the rate would lie if all unknown were a no,
and if all were a yes. The numbers are printed as well. Needs duckdb, altair and vl-convert-python, nothing of
drainledger: the query runs in any client of DuckDB.

Looks back at finished therapy and decides nothing at a bedside. Not a league table: wards differ in whom they
take in, and nothing here is adjusted.
"""

import sys
from pathlib import Path

import altair as alt
import duckdb

# Counted are operations where patients are known, drains where not. Unknown outcomes stand beside the rate,
# never in it.
QUERY = """
SELECT
    concat_ws(', ', site, coalesce(unit, 'no ward named')) AS ward,
    sum(counted)::INTEGER AS counted,
    sum(evaluable)::INTEGER AS evaluable,
    sum(prolonged)::INTEGER AS prolonged,
    sum(unknown)::INTEGER AS unknown,
    sum(prolonged) / nullif(sum(evaluable), 0) AS rate,
    wilson_low(sum(prolonged), sum(evaluable)) AS low,
    wilson_high(sum(prolonged), sum(evaluable)) AS high,
    sum(prolonged) / sum(counted) AS if_unknown_no,
    (sum(prolonged) + sum(unknown)) / sum(counted) AS if_unknown_yes
FROM prolonged_leak_rate
GROUP BY ALL
ORDER BY ward
"""


def read(database: Path) -> list[dict[str, object]]:
    """A row a ward, as a dictionary a column."""
    with duckdb.connect(str(database), read_only=True) as connection:
        answer = connection.execute(QUERY)
        names = [column[0] for column in answer.description]
        return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]


def draw(wards: list[dict[str, object]]) -> alt.LayerChart:
    """A line a ward, in the order of their names, with how many stand behind it."""
    rows = [
        row | {"said": f"{row['ward']}  ({row['prolonged']} of {row['evaluable']}, {row['unknown']} unknown)"}
        for row in wards
    ]
    y = alt.Y(
        "said:N",
        sort=None,
        title=None,
        axis=alt.Axis(labelLimit=400, labelPadding=14, ticks=False, domain=False),
    )
    x = alt.Scale(domain=[0, 1])
    axis = alt.Axis(title="prolonged air leak, of those evaluable", format="%", tickCount=5)
    base = alt.Chart(alt.Data(values=rows)).encode(y=y)
    unknown = base.mark_rule(strokeDash=[2, 2], color="#595959", yOffset=7).encode(
        x=alt.X("if_unknown_no:Q", scale=x, axis=axis), x2="if_unknown_yes:Q"
    )
    interval = base.mark_rule(strokeWidth=2, color="#0072B2").encode(
        x=alt.X("low:Q", scale=x, axis=axis), x2="high:Q"
    )
    rate = base.mark_point(filled=True, size=80, opacity=1, color="#0072B2").encode(
        x=alt.X("rate:Q", scale=x, axis=axis)
    )
    return (
        (unknown + interval + rate)
        .properties(width=420, height=alt.Step(40), background="white")
        .configure_axis(labelFontSize=12, titleFontSize=12, titleFontWeight="normal")
        .configure_view(stroke=None)
    )


if __name__ == "__main__":
    if len(sys.argv) != 3 or not Path(sys.argv[1]).is_file():
        files = "a published drainledger.duckdb that is there, and the .svg or .png to write"
        print(f"usage: python {sys.argv[0]} DATABASE PICTURE: {files}", file=sys.stderr)
        sys.exit(2)
    database, picture = map(Path, sys.argv[1:])
    try:
        found = read(database)
    except duckdb.Error as error:
        print(f"{database}: not a published database ({str(error).splitlines()[0]})", file=sys.stderr)
        sys.exit(2)
    for ward in found:
        print(*(f"{value:.3g}" if isinstance(value, float) else value for value in ward.values()), sep="  ")
    draw(found).save(picture, scale_factor=2)
    print(picture)
