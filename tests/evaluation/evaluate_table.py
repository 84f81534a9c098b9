"""The evaluation's figures as lines on a terminal, as CSV and as Markdown."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping

from tests.evaluation.evaluate_figures import Figure


def printed(figures: Iterable[Figure]) -> Iterator[str]:
    """Measured, target, verdict."""
    yield f"{'figure':62}{'measured':>10}{'target':>9}  {'':8}  of"
    for figure in figures:
        yield (
            f"{figure.what:62}{value_text(figure):>10}{target_text(figure):>9}  {_verdict(figure):8}  {figure.of}"
        )


def as_csv(found: Mapping[str, list[Figure]]) -> str:
    """One row a figure and split."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["figure", "split", "measured", "at_least", "at_most", "reached", "of"])
    for split, figures in found.items():
        for one in figures:
            value = "" if one.value is None else f"{one.value:.6g}"
            limits = ["" if limit is None else f"{limit:g}" for limit in (one.at_least, one.at_most)]
            reached = {True: "yes", False: "no", None: ""}[one.reached]
            rows.writerow([one.what, split, value, *limits, reached, one.of])
    return out.getvalue()


def as_markdown(found: Mapping[str, list[Figure]], drains: int, seed: int) -> str:
    """A table with a column a split; a figure that misses its target is set in bold."""
    names = list(found)
    lines = [
        f"Measured on {drains} simulated drains, seed {seed}; printed again by "
        f'`make evaluate DRAINS="--drains {drains} --seed {seed}"`.',
        "Figures in bold miss their target; a dash: nothing of the kind happened.",
        "",
        "| figure | target | " + " | ".join(names) + " | of (all) |",
        "|---|---|" + "---|" * (len(names) + 1),
    ]
    for place, whole in enumerate(found["all"]):
        cells = [_cell(found[name][place]) for name in names]
        lines.append(f"| {whole.what} | {target_text(whole)} | {' | '.join(cells)} | {whole.of} |")
    return "\n".join(lines) + "\n"


def value_text(figure: Figure) -> str:
    """The figure with as many digits as it deserves."""
    if figure.value is None:
        return "–"
    return f"{figure.value:.4f}" if abs(figure.value) <= 1 and figure.value % 1 else f"{figure.value:.4g}"


def target_text(figure: Figure) -> str:
    """The target with its direction; empty without one."""
    if figure.at_least is not None:
        return f"≥ {figure.at_least:g}"
    return f"≤ {figure.at_most:g}" if figure.at_most is not None else ""


def _cell(figure: Figure) -> str:
    text = value_text(figure)
    return f"**{text}**" if figure.reached is False else text


def _verdict(figure: Figure) -> str:
    return {True: "reached", False: "MISSED", None: ""}[figure.reached]
