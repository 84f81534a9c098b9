"""Score sheets: what a reader fills in, and reading it back with what is wrong in one sentence."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

import polars as pl

from pipeline.extract.strip_frame import QUESTIONS
from schemas.errors import InputError, of_named_path

_FIXED = ("sample", "strip")
_FREE = ("remark",)
COLUMNS = (*_FIXED, *QUESTIONS, *_FREE)


def blank_sheet(sample: str, strips: Sequence[str]) -> bytes:
    """An empty sheet: one row a strip, a column a question."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows([sample, strip, *[""] * (len(COLUMNS) - 2)] for strip in strips)
    return out.getvalue().encode()


def read_sheet(path: Path) -> tuple[str, dict[str, dict[str, str | None]]]:
    """
    Read a filled-in sheet, as it is or as a spreadsheet saved it (`;`, a byte-order mark, blanks).

    Returns
    -------
    The sample's name, and strip → question → answer; null where the cell was left empty.

    Raises
    ------
    InputError
        Naming the sheet, the line and what is wrong: a column missing or unknown, an answer that is not
        allowed, a strip twice, two samples mixed, or a file that is no sheet.
    """
    rows = _rows(path)
    header = [cell.strip().lower() for cell in rows[0]]
    missing = [name for name in (*_FIXED, *QUESTIONS) if name not in header]
    if missing:
        raise InputError(f"{path.name}: the column {missing[0]} is missing; start from the sheet as written.")
    unknown = [name for name in header if name and name not in COLUMNS]
    if unknown:
        raise InputError(f"{path.name}: there is no column {unknown[0]!r} in a sheet; take it out.")
    answers: dict[str, dict[str, str | None]] = {}
    samples: set[str] = set()
    for number, cells in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            raise InputError(
                f"{path.name}, line {number}: {len(cells)} cells for {len(header)} columns; mend it."
            )
        row = dict(zip(header, (cell.strip() for cell in cells), strict=True))
        strip = row["strip"].upper()
        if strip in answers:
            raise InputError(f"{path.name}, line {number}: strip {strip} is there twice; keep one.")
        samples.add(row["sample"])
        answers[strip] = {question: _answer(path, number, row, question) for question in QUESTIONS}
    if len(samples) != 1:
        raise InputError(f"{path.name}: holds rows of {len(samples)} samples; a sheet is of one.")
    return samples.pop(), answers


def _answer(path: Path, number: int, row: Mapping[str, str], question: str) -> str | None:
    said = row[question].lower().replace(" ", "_")
    if not said:
        return None
    if said not in QUESTIONS[question]:
        raise InputError(
            f"{path.name}, line {number}: {question} is {row[question]!r}; allowed are "
            f"{', '.join(QUESTIONS[question])}."
        )
    return said


def _rows(path: Path) -> list[list[str]]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        said = f"{path}: cannot be read ({error.strerror}); check the path."
        raise of_named_path(error, said) from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name}: is not UTF-8 text; save it as CSV in UTF-8.") from error
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise InputError(f"{path.name}: is not CSV ({error}); save the sheet as CSV.") from error
    if not rows or not any(cell.strip() for cell in rows[0]):
        raise InputError(f"{path.name}: is empty; start from the sheet as written.")
    return rows


def side_by_side(
    key: pl.DataFrame, sheets: Sequence[tuple[str, Mapping[str, Mapping[str, str | None]]]]
) -> pl.DataFrame:
    """
    Two readers' answers beside the pipeline's: one row a strip and question.

    Parameters
    ----------
    key
        The answer key: `strip`, `stratum`, `weight` and a column a question.
    sheets
        Name and answers of each of the two sheets.

    Returns
    -------
    `strip`, `stratum`, `weight`, `question`, `pipeline`, `reader_1`, `reader_2` (null: not answered).

    Raises
    ------
    InputError
        When a sheet lacks a strip of the sample, or has one that is not of it.
    """
    strips = key["strip"].to_list()
    for name, answers in sheets:
        for strip in answers:
            if strip not in strips:
                raise InputError(f"{name}: strip {strip} is not of this sample; check the name.")
        lacking = [strip for strip in strips if strip not in answers]
        if lacking:
            raise InputError(
                f"{name}: {len(lacking)} of {len(strips)} strips are missing, {lacking[0]} the first; "
                "leave a row in, with empty cells, where a reader did not answer."
            )
    rows = [
        (
            *(row[name] for name in ("strip", "stratum", "weight")),
            question,
            row[question],
            *(answers[row["strip"]][question] for _, answers in sheets),
        )
        for row in key.sort("strip").iter_rows(named=True)
        for question in QUESTIONS
    ]
    return pl.DataFrame(
        rows,
        schema={
            "strip": pl.String,
            "stratum": pl.String,
            "weight": pl.Float64,
            "question": pl.String,
            "pipeline": pl.String,
            "reader_1": pl.String,
            "reader_2": pl.String,
        },
        orient="row",
    )
