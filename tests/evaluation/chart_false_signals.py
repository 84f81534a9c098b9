"""How often the chart marks a month of a ward where nothing ever changes: `python -m tests.evaluation.chart_false_signals`.

Invented sites with one rate for two years, some operations a month (Poisson): the share of sites with at least one
month marked in the second year, held against the first year as baseline.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.definitions import load_definitions
from pipeline.marts import publish, select
from pipeline.marts.build import GIVEN
from schemas.published import DRAIN

ASKED = {
    "beyond exact limits": "rules := ['beyond_limits']",
    "beyond three standard deviations": "rules := ['beyond_limits'], deviations := 3",
    "beyond exact limits, and long runs": "rules := ['beyond_limits', 'long_run']",
    "all five rules": "rules := ['beyond_limits', 'long_run', 'trend', 'two_of_three', 'four_of_five']",
}


def stable_sites(sites: int, a_month: float, rate: float, seed: int) -> pl.DataFrame:
    """Unlinked drains of sites whose rate never changes, over 24 months."""
    random = np.random.default_rng(seed)
    numbers = random.poisson(a_month, (sites, 24))
    site, month = np.indices(numbers.shape)
    of_site, of_month = (np.repeat(index.ravel(), numbers.ravel()) for index in (site, month))
    prolonged = random.random(of_site.size) < rate
    days = pl.Series([date(2031 + m // 12, m % 12 + 1, 1) for m in range(24)])
    rows = pl.DataFrame({"site": of_site, "month": of_month, "yes": prolonged}).with_row_index()
    return DRAIN.conform(
        rows.select(
            drain_id=pl.format("D{}", "index"),
            site=pl.format("site {}", "site"),
            linked=pl.lit(False),
            shared_use=pl.lit(False),
            uses=pl.lit(1),
            minutes_observed=pl.lit(1440),
            origin_day=days.gather(rows["month"]),
            origin_at=days.gather(rows["month"]).cast(pl.Datetime("us", "UTC")),
            ended_at=pl.lit(date(2034, 1, 1)).cast(pl.Datetime("us", "UTC")),
            prolonged_leak=pl.when("yes").then(pl.lit("yes")).otherwise(pl.lit("no")),
        )
    )


def share_marked(drain: pl.DataFrame) -> dict[str, tuple[int, int]]:
    """For each set of rules, of how many sites how many have a month marked after their baseline."""
    frames = {t.name: t.empty() for t in GIVEN} | {"drain": drain}
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "drainledger.duckdb"
        publish(target, frames, [], load_definitions())
        found = {}
        for what, rules in ASKED.items():
            query = (
                f"SELECT DISTINCT site FROM prolonged_leak_signals({rules}) WHERE month >= DATE '2032-01-01'"
            )
            found[what] = (select(target, query, Path(folder)).height, drain["site"].n_unique())
    return found


def main() -> None:
    """Print the table of the cookbook's guide."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sites", type=int, default=400)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    print("| operations a month | rate |", " | ".join(ASKED), "|")
    print("|---|---|" + "---|" * len(ASKED))
    for a_month, rate in ((8, 0.1), (20, 0.1), (60, 0.1)):
        found = share_marked(stable_sites(given.sites, a_month, rate, given.seed))
        shares = " | ".join(f"{100 * k / n:.0f} %" for k, n in found.values())
        print(f"| {a_month} | {100 * rate:.0f} % | {shares} |", flush=True)


if __name__ == "__main__":
    main()
