"""Removal rules over a loaded ledger: the bedside minutes are read once, whatever the number of rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl

from flows.loading.derive import claims_now
from flows.loading.stale import read_ward
from flows.loading.survey import batches
from pipeline.cohort.readiness import readiness_followed
from pipeline.cohort.rule_grid import RuleGrid, read_axis, read_grid, rule_named, spread
from pipeline.cohort.rules import RemovalRule, load_rules
from pipeline.cohort.whatif import whatif
from pipeline.definitions import Definitions, load_definitions
from pipeline.meant import meant
from pipeline.store import Home
from schemas.errors import CallError, InputError
from schemas.lake import BEDSIDE
from schemas.published import DRAIN
from schemas.whatif import FOLLOWED

BATCH_MINUTES = 6_000_000  # of bedside minutes held at once; bounds the memory
_AFTERWARDS = ("reinserted_at", "readmitted_at", "pneumothorax_after")


@dataclass(frozen=True)
class WhatIf:
    """`figures`: WHATIF. `drains` were looked at; `unlogged` have no minute and are not among them."""

    figures: pl.DataFrame
    drains: int
    unlogged: int


def run_whatif(
    home: Home,
    rules: Sequence[RemovalRule],
    site: str | None = None,
    definitions: Definitions | None = None,
    on_drains: Callable[[int, int], None] = lambda done, total: None,
) -> WhatIf:
    """
    How rules would have done over the drains of a ledger; nothing is written.

    Parameters
    ----------
    site
        Only drains of this site.

    Raises
    ------
    InputError
        Where no drain is loaded.
    CallError
        Where none is of the site.
    """
    known = definitions or load_definitions()
    drains = home.lake.scan(DRAIN).collect().sort("drain_id")
    if drains.is_empty() or not home.lake.has(BEDSIDE):
        raise InputError(f"home {home.root}: no drains are loaded; load files first.")
    if site is not None:
        sites = drains["site"].drop_nulls().unique().sort().to_list()
        drains = drains.filter(site=site)
        if drains.is_empty():
            raise CallError(f"whatif: --site {site}: no drains of it are loaded; {meant(site, sites)}")
    logged = drains.filter(pl.col("minutes_observed") > 0)
    weights = dict(logged.select("drain_id", "minutes_observed").iter_rows())
    parts: list[pl.DataFrame] = [FOLLOWED.empty()]
    done = 0
    for owners in batches(weights.items(), BATCH_MINUTES):
        minutes = home.lake.scan_owners(BEDSIDE, owners).collect().sort(BEDSIDE.key)
        some = logged.filter(pl.col("drain_id").is_in(owners))
        parts.append(readiness_followed(minutes, some, known, rules))
        done += len(owners)
        on_drains(done, logged.height)
    paper = claims_now(home, read_ward(home)).drains.select("drain_id", *_AFTERWARDS)
    with_paper = logged.join(paper, on="drain_id", how="left")
    figures = whatif(pl.concat(parts), with_paper, rules, known)
    return WhatIf(figures, logged.height, drains.height - logged.height)


def asked(rules: Sequence[str], grid: Path | None, axes: Sequence[str]) -> RuleGrid:
    """
    The rules a person asked for: files and names, or a grid, or one rule spread over axes; else all shipped.

    Raises
    ------
    CallError
        Where these do not go together.
    InputError
        Where a rule or grid is wrong, naming file and key.
    """
    if grid is not None and (rules or axes):
        raise CallError("whatif: --grid stands alone; leave out the rules and --axis.")
    if grid is not None:
        if "=" in grid.name and not grid.exists():
            raise CallError(
                f"whatif: --grid takes a TOML file; for one rule over values: RULE --axis {grid}."
            )
        return read_grid(grid)
    if axes:
        if len(rules) != 1:
            raise CallError("whatif: --axis spreads one rule; name just one RULE.")
        return _spread(rule_named(rules[0]).model_dump(), axes)
    found = tuple(rule_named(name) for name in rules) or load_rules()
    names = [rule.name for rule in found]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise CallError(f"whatif: rule {twice[0]} is named twice; name it once.")
    return RuleGrid(found, {})


def _spread(base: Mapping[str, Any], axes: Sequence[str]) -> RuleGrid:
    """One rule over axes as typed: what is wrong with them is a wrong call."""
    read = [read_axis(axis) for axis in axes]
    keys = [key for key, _ in read]
    twice = sorted({key for key in keys if keys.count(key) > 1})
    if twice:
        raise CallError(f"whatif: --axis {twice[0]} comes twice; give all its values in one.")
    try:
        grid = spread(base, dict(read), "--axis")
    except InputError as error:
        raise CallError(f"whatif: {error}") from error
    # The rest of the rule stands behind its name: two rules may differ in what is not an axis.
    told = (rule.model_copy(update={"title": f"{base['name']} with {rule.title}"}) for rule in grid.rules)
    return replace(grid, rules=tuple(told))


def draw(found: WhatIf, axes: Mapping[str, tuple[float | None, ...]], path: Path) -> Path:
    """
    Draw the rules' map.

    Raises
    ------
    CallError
        Where the file is to be neither SVG nor PNG, or its folder does not exist.
    """
    from pipeline.report.look import picture
    from pipeline.report.rule_map import rule_map

    if path.suffix not in (".svg", ".png"):
        raise CallError(f"whatif: {path.name}: a picture is an .svg or a .png; name it so.")
    if not path.parent.is_dir():
        raise CallError(f"whatif: {path.parent}: there is no such folder; make it first.")
    return picture(rule_map(found.figures, axes), path)
