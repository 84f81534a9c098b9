"""Tables as files, as text on a terminal and as parts of the guide."""

from __future__ import annotations

import tomllib
from pathlib import Path

import polars as pl

SHARED = Path(__file__).parents[2] / "shared"
GUIDE = SHARED / "guides" / "tidaling.md"
DEFINITIONS = SHARED / "definitions.toml"
WORDS = ("unit", "meaning", "source")


def written(frame: pl.DataFrame, folder: Path, name: str) -> Path:
    """A table as CSV: a name a column, the unit in the name, empty where nothing is known."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.csv"
    path.write_text(frame.write_csv(), encoding="utf-8")
    return path


def printed(frame: pl.DataFrame) -> str:
    """A table as text, a row a line, every column as wide as it must be."""
    rows = [frame.columns, *([_shown(v) for v in row] for row in frame.iter_rows())]
    wide = [max(len(row[k]) for row in rows) for k in range(frame.width)]
    return "\n".join(
        "  ".join(cell.ljust(w) for cell, w in zip(row, wide, strict=True)).rstrip() for row in rows
    )


def marked_down(frame: pl.DataFrame) -> str:
    """A table in Markdown, numbers to the right."""
    rule = ["--:" if dtype.is_numeric() else ":--" for dtype in frame.dtypes]
    rows = [frame.columns, rule, *([_shown(v) for v in row] for row in frame.iter_rows())]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def filled_in(guide: str, parts: dict[str, str]) -> str:
    """
    A guide's text with the parts between its marks put in anew.

    A part `x` stands between the lines `<!-- x: made by make characterise -->` and `<!-- x: end -->`.

    Raises
    ------
    ValueError
        When a part has no place in the guide.
    """
    for name, text in parts.items():
        begin, end = f"<!-- {name}: made by make characterise -->", f"<!-- {name}: end -->"
        if begin not in guide or end not in guide:
            raise ValueError(
                f"the guide has no place for {name}: put the lines {begin} and {end} where it belongs."
            )
        head, rest = guide.split(begin, 1)
        guide = f"{head}{begin}\n\n{text}\n\n{end}{rest.split(end, 1)[1]}"
    return guide


def thresholds(*sections: str) -> pl.DataFrame:
    """The shipped thresholds of some sections: value, unit, meaning and source, as the definitions have them."""
    with DEFINITIONS.open("rb") as file:
        read = tomllib.load(file)
    return pl.DataFrame(
        [
            {"threshold": f"{section}.{name}", "value": f"{one['value']:g}", **{k: one[k] for k in WORDS}}
            for section in sections
            for name, one in read[section].items()
        ]
    )


def _shown(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return "" if value != value else f"{value:.4g}"
    return str(value).replace("|", "\\|")
