"""What the lines above an unknown export's column names say: of what, what, and where each value ends."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.ingest.pattern import literal
from pipeline.ingest.suggest.sheet import Sheet
from pipeline.ingest.suggest.words import plain_words

_LABEL = r"^(?P<label>\W{0,3}[^\W\d_][^:;=,\t]{0,30}?)"
_BEFORE_A_SIGN = re.compile(_LABEL + r"(?P<between>\s*[:;=,\t]\s*)(?P<value>\S.*)$")
_BEFORE_A_BLANK = re.compile(_LABEL + r"(?P<between>\s+)(?P<value>\S.*)$")
_ALONE = re.compile(_LABEL + r"\s*[:=]?\s*$")
_MOST_WORDS = 3  # of a label: a longer one is a sentence, and may hold a name
_WIDTH = 300


@dataclass(frozen=True)
class Said:
    """
    A label and its value.

    `lead`: pattern of what stands before the value, from the line's begin; `end`: of what ends it, the line's
    end or the next delimiter, so that no value is ever read in part; `inside`: a sign of the value;
    `by_sign`: whether more than a blank parts the two.
    """

    label: str
    value: str
    lead: str
    end: str
    inside: str
    by_sign: bool


def said_above(sheet: Sheet) -> list[Said]:
    """Each label with a value: both in one cell, or in two in a row; a line may have several."""
    found = [said for line in sheet.above for said in _said(line.rstrip()[:_WIDTH], sheet.delimiter)]
    return [said for said in found if len(plain_words(said.label)) <= _MOST_WORDS]


def _said(line: str, delimiter: str) -> Iterator[Said]:
    sign = literal(delimiter)
    inside, end = f"[^{sign}]", rf" *(?:{sign}|$)"
    cells = line.split(delimiter)
    for at, cell in enumerate(cells):
        start = "^" if at == 0 else f"^(?:{inside}*{sign}){{{at}}}"
        following = cells[at + 1] if at + 1 < len(cells) else ""
        if (parted := _BEFORE_A_SIGN.match(cell)) is not None:
            by_sign = True
        elif following.strip() and (alone := _ALONE.match(cell)) is not None:
            blanks = following[: len(following) - len(following.lstrip())]
            lead = start + literal(cell + delimiter + blanks)
            yield Said(alone["label"], following.strip(), lead, end, inside, True)
            continue
        elif (parted := _BEFORE_A_BLANK.match(cell)) is not None:
            by_sign = False
        else:
            continue
        lead = start + literal(parted["label"] + parted["between"])
        yield Said(parted["label"], parted["value"].rstrip(), lead, end, inside, by_sign)
