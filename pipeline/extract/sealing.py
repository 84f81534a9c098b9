"""A cohort as it may stand in a manifest: the sites' own words sealed, everything else as written."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any

import polars as pl

from pipeline.extract.cohort_file import Cohort
from pipeline.extract.cohort_reading import written_cohort
from pipeline.extract.keys import ExtractKey
from pipeline.extract.own_words import words_of

_NAMED = {"sites": "site", "units": "unit"}


def sealed(cohort: Cohort, key: ExtractKey) -> Cohort:
    """
    The cohort with each of the sites' own words (wards, procedures as written) behind a keyed digest.

    A manifest goes where the extract goes, and free text does not; but the manifest must say enough for
    the extract to be made again, which takes the secret anyway. Names of sites stay where the extract
    gives them too.
    """
    open_sites = cohort.give.site == "name"

    def seal(column: str, words: Sequence[str]) -> list[str]:
        if column == "site" and open_sites:
            return list(words)
        return [key.seal(column, word) for word in words]

    return _reworded(cohort, seal)


def unsealed(cohort: Cohort, key: ExtractKey, drains: pl.DataFrame) -> Cohort:
    """The cohort in the clear again, by the words that the ledger's drains have; it selects the same."""
    return _reworded(cohort, lambda column, words: key.unsealed(column, words, words_of(drains, column)))


def _reworded(cohort: Cohort, change: Callable[[str, Sequence[str]], list[str]]) -> Cohort:
    content: dict[str, Any] = json.loads(cohort.canonical())
    who = content.get("who", {})
    for name, column in _NAMED.items():
        if name in who:
            who[name] = change(column, who[name])
    mapping = content.get("mapping", {})
    for column, words in mapping.items():
        mapping[column] = dict(zip(change(column, list(words)), words.values(), strict=True))
    return written_cohort(content, cohort.name)
