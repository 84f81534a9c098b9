"""The evaluation's figures as lines on a terminal, as CSV and as Markdown."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping

from tests.evaluation.evaluate_figures import Figure, misses


def printed(found: Mapping[str, list[Figure]]) -> Iterator[str]:
    """Measured, target, verdict over everything; then every target missed, with the subsets that miss it."""
    width = max(len(figure.what) for figure in found["all"])
    yield f"{'figure':{width}}{'measured':>10}{'target':>9}  {'':11}  of"
    for figure in found["all"]:
        line = f"{figure.what:{width}}{value_text(figure):>10}{target_text(figure):>9}  {_verdict(figure):11}"
        yield f"{line}  {_of(figure)}"
    yield ""
    for missed in misses(found):
        yield _of_one(missed)


def as_csv(found: Mapping[str, list[Figure]]) -> str:
    """One row a figure and split."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["figure", "split", "measured", "at_least", "at_most", "reached", "of", "why"])
    for split, figures in found.items():
        for one in figures:
            value = "" if one.value is None else f"{one.value:.6g}"
            limits = ["" if limit is None else f"{limit:g}" for limit in (one.at_least, one.at_most)]
            reached = {True: "yes", False: "no", None: ""}[one.reached]
            rows.writerow([one.what, split, value, *limits, reached, one.of, one.why])
    return out.getvalue()


def as_markdown(found: Mapping[str, list[Figure]], drains: int, seed: int) -> str:
    """
    A table with a column a split, and below it every target missed, with what the figure stands on there.

    In the table a figure that misses its target is bold and carries a cross.
    """
    names = list(found)
    lines = [
        f"Measured on {drains} simulated drains, seed {seed}; printed again by "
        f'`make evaluate DRAINS="--drains {drains} --seed {seed}"`.',
        "**Bold ✗** misses its target, in whichever column; all of these are listed below the table with what they stand",
        "on there. A dash: nothing of the kind happened.",
        "",
        "| figure | target | " + " | ".join(names) + " | of (all) |",
        "|---|---|" + "---|" * (len(names) + 1),
    ]
    for place, whole in enumerate(found["all"]):
        cells = [_cell(found[name][place]) for name in names]
        lines.append(f"| {whole.what} | {target_text(whole)} | {' | '.join(cells)} | {_of(whole)} |")
    return "\n".join([*lines, "", *_missed(found)]) + "\n"


def _missed(found: Mapping[str, list[Figure]]) -> Iterator[str]:
    held = sum(figure.at_least is not None or figure.at_most is not None for figure in found["all"])
    missed = misses(found)
    yield f"## Targets missed over everything or in a subset: {len(missed)} of {held}"
    yield ""
    yield from (f"- {_of_one(one)}" for one in missed)


def _of_one(missed: Mapping[str, Figure]) -> str:
    """A figure and where it misses its target, each with what it stands on there."""
    one = next(iter(missed.values()))
    places = "; ".join(f"{split} {value_text(it)} ({it.of})" for split, it in missed.items())
    why = f". Why: {one.why}" if one.why else ""
    return f"{one.what}, target {target_text(one)}, missed by: {places}{why}"


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
    return f"**{text} ✗**" if figure.reached is False else text


def _of(figure: Figure) -> str:
    """What it stands on, and what explains it."""
    if not figure.why:
        return figure.of
    return f"{figure.of}; {'not reached, and why: ' if figure.reached is False else ''}{figure.why}"


def _verdict(figure: Figure) -> str:
    missed = "MISSED" if figure.failed else "NOT REACHED"
    return {True: "reached", False: missed, None: ""}[figure.reached]
