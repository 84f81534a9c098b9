"""`score`: two readers' sheets beside the pipeline's answers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.research.extract_source import require_published
from flows.research.sample import answer_key
from flows.show.results import show_json
from flows.show.rows import print_table
from pipeline.definitions import load_definitions
from pipeline.extract.agreement import accuracy, agreement, disagreements
from pipeline.extract.score_sheet import read_sheet, side_by_side
from pipeline.store import Home
from schemas.errors import CallError, InputError


@dataclass(frozen=True)
class Score:
    """What two sheets say: agreement of the readers, accuracy of the pipeline, and where they differ."""

    sample: str
    agreement: pl.DataFrame
    accuracy: pl.DataFrame
    disagreements: pl.DataFrame


def run_score(home: Home, one: Path, other: Path) -> Score:
    """
    Score two readers' sheets of one sample.

    Raises
    ------
    CallError
        When one sheet is given twice.
    InputError
        When a sheet is malformed, the two are not of one sample, or that is not from here.
    """
    require_published(home)
    sheets = [(path.name, *read_sheet(path)) for path in (one, other)]
    if one.resolve() == other.resolve():
        raise CallError(f"score: {one} is given twice; give the sheets of two readers.")
    samples = [sample for _, sample, _ in sheets]
    if samples[0] != samples[1]:
        raise InputError(
            f"score: {one.name} is of sample {samples[0]}, {other.name} of {samples[1]}; give two of one."
        )
    key = answer_key(home, samples[0])
    beside = side_by_side(key, [(name, answers) for name, _, answers in sheets])
    level = load_definitions().statistics.level
    return Score(samples[0], agreement(beside, level), accuracy(beside, level), disagreements(beside))


def show_score(score: Score, *, as_json: bool) -> None:
    """Print a score."""
    if as_json:
        show_json(
            {
                "sample": score.sample,
                "agreement": score.agreement.to_dicts(),
                "accuracy": score.accuracy.to_dicts(),
                "disagreements": score.disagreements.to_dicts(),
            }
        )
        return
    print_table(score.agreement, "Readers (Cohen's kappa, 95 % interval)")
    columns = ["finding", "measure", "consensus", "untold", "right", "told"]
    shares = ["estimate", "wilson_low", "wilson_high", "exact_low", "exact_high"]
    print_table(
        score.accuracy.select(*columns, *shares), "Pipeline beside the readers' consensus, in the sample"
    )
    weighed = ["if_untold_wrong", "if_untold_right", "weighted", "weighted_low", "weighted_high"]
    print_table(
        score.accuracy.select("finding", "measure", *weighed), "Bounds, and weighed back to the ledger"
    )
    print_table(score.disagreements, "Where they differ (this ends the blinding)")
