"""Every word that a table may hold is told in the glossary."""

from __future__ import annotations

from enum import StrEnum

import pytest

from schemas import vocabulary
from schemas.published import CHANGE
from schemas.table import words_of
from shared import SHARED

GLOSSARY = (SHARED / "guides" / "glossary.md").read_text(encoding="utf-8")
ENUMS = [
    enum
    for enum in vars(vocabulary).values()
    if isinstance(enum, type) and issubclass(enum, StrEnum) and enum is not StrEnum
]
# `yes` and `no` of an outcome, and kinds of artefact, are told by the tables and the guide to tidaling.
ELSEWHERE = {vocabulary.ArtefactKind, vocabulary.Side}


@pytest.mark.parametrize("enum", [e for e in ENUMS if e not in ELSEWHERE], ids=lambda e: e.__name__)
def test_each_word_of_the_tables_is_told(enum: type[StrEnum]) -> None:
    for word in words_of(enum):
        assert f"`{word}`" in GLOSSARY, word


def test_each_kind_of_period_is_shown_in_the_guide_to_the_course() -> None:
    guide = (SHARED / "guides" / "course.md").read_text(encoding="utf-8")
    for kind in vocabulary.PeriodKind:
        assert f"(pictures/course-{kind.value.replace('_', '-')}.svg)" in guide, kind


def test_each_cause_of_a_change_is_told() -> None:
    for word in CHANGE.column("cause").words:
        assert f"`{word}`" in GLOSSARY, word
