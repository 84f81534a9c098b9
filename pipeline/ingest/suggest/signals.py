"""The words of an unknown export for states, alerts and power: by a list of words, else left open."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

import numpy as np

from pipeline.ingest.suggest.columns import Column, is_missing_word
from pipeline.ingest.suggest.draft import FILL_IN, Draft
from pipeline.ingest.suggest.words import folded, meaning, state_of

_SEPARATORS = (";", "|", "/", ",", "+", "&", " ")
_MOST_CODES = 40
_QUIET = ("", "-", "--", "0", "n", "no", "false", "off")
_FLAG_WORDS = 2  # an alert's own column knows ringing and quiet


def states_of(draft: Draft, column: Column | None, pressure: Column | None, decimal: str) -> None:
    """Add [states]: what each word means; of an unknown one what the pressure did meanwhile."""
    if column is None:
        return
    for word in column.distinct:
        said = state_of(word)
        doubt = None
        if said is None:
            rows = sum(cell == word for cell in column.cells)
            meanwhile = _pressure_meanwhile(word, column, pressure, decimal)
            doubt = f"run, pause or check? in {rows} of the rows read{meanwhile}"
        draft.say("states", word, said or FILL_IN, doubt)
    meant = {state_of(word) for word in column.distinct}
    if None not in meant and "pause" not in meant:
        draft.remark(
            "states",
            "DOUBT: no pause in this file; ask the site for its words, a row with an unknown one is lost",
        )


def mains_of(draft: Draft, column: Column | None) -> None:
    """Add [mains]."""
    if column is None:
        return
    for word in column.distinct:
        said = {"1": "true", "0": "false"}.get(word) or meaning("mains", word)
        doubt = "1 is taken for: on mains" if word in ("0", "1") else None
        if said is None:
            draft.say("mains", word, FILL_IN, "true or false: is the drain on mains?")
        else:
            draft.say("mains", word, said == "true", doubt)


def alerts_of(draft: Draft, column: Column | None, others: Sequence[Column]) -> list[str]:
    """Add [alerts]: the separator and codes of one column, or a column each; returns those columns' names."""
    if column is not None:
        _codes(draft, column)
        return []
    flags = {c.name: meant for c in others if (meant := _flag(c)) is not None}
    if not flags:
        return []
    cells = Counter(cell for c in others if c.name in flags for cell in c.cells)
    words = [w for w, _ in cells.most_common() if w and (folded(w) in _QUIET or not is_missing_word(w))]
    quiet = [word for word in words if folded(word) in _QUIET] or words[:1]
    ringing = [word for word in words if word not in quiet]
    if ringing:
        draft.say("alerts", "ringing", ringing)
    else:
        draft.remark("alerts", 'DOUBT: none rings in this file; the word that says so is taken to be "1"')
    draft.say("alerts", "quiet", quiet)
    for name, meant in flags.items():
        draft.say("alerts.flags", name, meant, "by its name")
    return list(flags)


def _codes(draft: Draft, column: Column) -> None:
    cells = [c for c in column.filled if folded(c) not in _QUIET and not is_missing_word(c)]
    separator = next((s for s in _SEPARATORS if s != " " and any(s in cell for cell in cells)), None)
    if separator is None and cells and all(re.fullmatch(r"\w+( \w+)*", cell) for cell in cells):
        several = [cell for cell in cells if " " in cell]
        alone = {cell for cell in cells if " " not in cell}
        if several and all(set(cell.split()) <= alone for cell in several):
            separator = " "
    if separator is None:
        draft.say(
            "alerts", "separator", ";", "no minute has two alerts, so what stands between them is not seen"
        )
        parts = Counter(cells)
    else:
        draft.say("alerts", "separator", separator)
        parts = Counter(part.strip() for cell in cells for part in cell.split(separator) if part.strip())
    for code, minutes in parts.most_common(_MOST_CODES):
        said = meaning("alerts", code.replace("_", " "))
        if said is not None:
            draft.say("alerts.codes", code, said, "by its word")
        elif re.fullmatch(r"[\w.+/-]{1,40}", code):
            draft.remark(
                "alerts.codes",
                f'"{code}" ({minutes} of the rows read): left out, it is kept as other:{code}, in no count',
            )
        elif slug := re.sub(r"[^a-z0-9]+", "_", folded(code)).strip("_")[:40]:
            draft.say("alerts.codes", code, f"other:{slug}", "left out, the whole cell would be unknown")


def _flag(column: Column) -> str | None:
    if len(column.distinct) > _FLAG_WORDS:
        return None
    return meaning("alerts", column.name.replace("_", " "))


def _pressure_meanwhile(word: str, column: Column, pressure: Column | None, decimal: str) -> str:
    if pressure is None:
        return ""
    read = [
        float(p.replace(decimal, "."))
        for s, p in zip(column.cells, pressure.cells, strict=True)
        if s == word and re.fullmatch(r"[+-]?\d+([.,]\d+)?", p) and ("," if decimal == "." else ".") not in p
    ]
    return f", {pressure.name} at {np.median(read):.4g} then" if read else ""
