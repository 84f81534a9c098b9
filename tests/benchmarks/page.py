"""
The guide's tables and picture, from the newest figures of each bench: `python -m tests.benchmarks.page`.

Every figure of shared/guides/performance.md stands between two marks and is written there by this, from the
dated files that `make bench` keeps. A row that was never measured here is not in the table.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl

from pipeline.report.look import picture

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "shared" / "guides" / "performance.md"
PICTURE = ROOT / "shared" / "guides" / "pictures" / "performance-growth.svg"
GROUP_DRAINS, GROUP_SITES, DAYS_A_YEAR = 1_000_000, 50, 365

Figures = dict[str, dict[str, Any]]


def newest(kept: Path) -> Figures:
    """Of every row that was ever measured here the latest figure, with the day and the machine."""
    found: Figures = {}
    for path in sorted(kept.glob("bench-*.json")):
        record = json.loads(path.read_text())
        for row in record["rows"]:
            name = f"{row['what']} against {row['peer']}" if row["peer"] else row["what"]
            found[name] = {**row, "at": record["at"], "machine": record["machine"]}
    return found


def bench_table(figures: Figures) -> str:
    """Measured against target, a row a figure."""
    lines = ["| what | measured | target | | against, and details |", "|:--|--:|--:|:--|:--|"]
    for row in figures.values():
        target = f"≥ {row['at_least']:g}" if row["at_least"] is not None else ""
        target = f"≤ {row['at_most']:g}" if row["at_most"] is not None else target
        verdict = {True: "reached", False: "**missed**", None: ""}[row["reached"]]
        told = "; ".join(part for part in (row["peer"], row["detail"]) if part)
        lines.append(
            f"| {row['what']} | {row['measured']:.3g} {row['unit']} | {target} | {verdict} | {told} |"
        )
    machines = sorted({f"{row['machine']}, {row['at'][:10]}" for row in figures.values()})
    return "\n".join([*lines, "", f"Measured on: {'; '.join(machines)}."])


def growth_table(figures: Figures) -> str:
    """The picture, and seconds and most memory of each stage, a row a size."""
    lines = [
        f"![Seconds and most memory of each stage of a load over the number of drains](pictures/{PICTURE.name})",
        "",
        "| drains | traces | stage | seconds | of which computing | most memory, MiB |",
        "|--:|:--|:--|--:|--:|--:|",
    ]
    for kind, points in _growth(figures).items():
        for point in points:
            for stage, took in point["stages"].items():
                computing = f"{took['computing']:.1f}" if took["computing"] else ""
                lines.append(
                    f"| {point['drains']} | {kind} | {stage} | {took['seconds']:.1f} | {computing} | "
                    f"{took['peak_mib']:.0f} |"
                )
    return "\n".join(lines)


def growth_picture(figures: Figures, path: Path) -> None:
    """Time and most memory of each stage over the number of drains, both on logarithmic scales."""
    rows = [
        {"kind": kind, "drains": point["drains"], "stage": stage, "what": what, "value": took[field]}
        for kind, points in _growth(figures).items()
        for point in points
        for stage, took in point["stages"].items()
        for what, field in (("seconds", "seconds"), ("most memory, MiB", "peak_mib"))
    ]
    base = alt.Chart(pl.DataFrame(rows)).encode(
        alt.X("drains:Q", title="drains", scale=alt.Scale(type="log")),
        alt.Y("value:Q", title=None, scale=alt.Scale(type="log")),
        alt.Color("stage:N", title="stage"),
        alt.Shape("kind:N", title="logs"),
        alt.StrokeDash("kind:N", title="logs"),
    )
    panel = (base.mark_line() + base.mark_point(size=60)).properties(width=330, height=260)
    picture(panel.facet(alt.Facet("what:N", title=None), columns=2).resolve_scale(y="independent"), path)


def group(figures: Figures) -> str:
    """What a million drains of fifty hospitals would take, by the largest load measured without traces."""
    point = next(iter(_growth(figures).values()))[-1]
    times = GROUP_DRAINS / point["drains"]
    stages = point["stages"]
    hours = {name: took["seconds"] * times / 3600 for name, took in stages.items()}
    computing = sum(took["computing"] for took in stages.values()) * times / 3600
    computed = sum(took["seconds"] for took in stages.values() if took["computing"]) * times / 3600
    writing = computed - computing
    sized = {
        row["what"]: row["measured"]
        for row in figures.values()
        if row["what"].startswith("bytes a drain-day")
    }
    days = point["minutes"] * times / 1440

    def tb(what: str) -> str:
        return f"{sized[f'bytes a drain-day, {what} (envelope only)'] * days / 1e12:.2f} TB"

    workers = 16
    lines = [
        "| what | arithmetic | gives |",
        "|:--|:--|--:|",
        f"| minutes | {point['minutes']:,} of {point['drains']:,} drains × {times:,.0f} | {point['minutes'] * times / 1e9:.1f} billion |",
        f"| exports, uncompressed | {point['raw_bytes'] / 1e9:.2f} GB × {times:,.0f} | {point['raw_bytes'] * times / 1e12:.1f} TB |",
    ]
    if sized:
        lines += [
            f"| lake, as loaded | bytes a drain-day × {days / 1e6:.1f} million drain-days | {tb('the lake, as loaded')} |",
            f"| lake, derived | likewise | {tb('the lake, derived')} |",
            f"| database | likewise | {tb('the database')} |",
        ]
    lines += [
        f"| reading files, one process | {stages['reading files']['seconds']:.0f} s × {times:,.0f} | {hours['reading files']:.0f} h |",
        f"| computing, one process | × {times:,.0f} | {computing:.0f} h |",
        f"| computing, {workers} workers of one thread, at best | ÷ {workers} | {computing / workers:.1f} h |",
        f"| writing results, one process | stages that compute, less computing | {writing:.0f} h |",
        f"| a site of {GROUP_DRAINS // GROUP_SITES:,} drains in a home of its own, all stages, one process | "
        f"÷ {GROUP_SITES} | {sum(hours.values()) / GROUP_SITES:.1f} h |",
        f"| what a day brings to such a site | ÷ {DAYS_A_YEAR} | {60 * sum(hours.values()) / GROUP_SITES / DAYS_A_YEAR:.1f} min |",
    ]
    return "\n".join(lines)


def _growth(figures: Figures) -> dict[str, list[dict[str, Any]]]:
    return {row["data"]["kind"]: row["data"]["points"] for row in figures.values() if row["data"]}


def filled(text: str, name: str, content: str) -> str:
    """
    The text with what stands between two marks of that name replaced.

    >>> filled("<!-- a -->old<!-- /a -->", "a", "new")
    '<!-- a -->\\nnew\\n<!-- /a -->'
    """
    begin, end = f"<!-- {name} -->", f"<!-- /{name} -->"
    before, _, rest = text.partition(begin)
    _, _, after = rest.partition(end)
    return f"{before}{begin}\n{content}\n{end}{after}"


def main(kept: Path) -> None:
    """Write the guide's tables and picture anew."""
    figures = newest(kept)
    text = GUIDE.read_text(encoding="utf-8")
    text = filled(text, "bench", bench_table(figures))
    if _growth(figures):
        text = filled(text, "growth", growth_table(figures))
        text = filled(text, "group", group(figures))
        growth_picture(figures, PICTURE)
    GUIDE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "build" / "bench")
