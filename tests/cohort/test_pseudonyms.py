"""Pseudonyms: stable, keyed, and never two things under one name."""

from __future__ import annotations

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cohort.pseudonyms import Kind, pseudonym

PARTS = st.lists(st.none() | st.text(max_size=4) | st.integers(0, 99), max_size=4)


@settings(deadline=None)
@given(PARTS, PARTS)
def test_different_things_have_different_names(one: list, other: list) -> None:
    as_texts = [tuple(p if p is None else str(p) for p in parts) for parts in (one, other)]
    same = pseudonym(b"s", Kind.DRAIN, *one) == pseudonym(b"s", Kind.DRAIN, *other)
    assert same == (as_texts[0] == as_texts[1])


def test_kind_and_secret_are_part_of_the_name() -> None:
    names = {pseudonym(secret, kind, "lakeside", "1") for secret in (b"a", b"b") for kind in Kind}
    assert len({name[1:] for name in names}) == 2 * len(Kind)


def test_a_name_is_readable_and_short() -> None:
    assert re.fullmatch(r"D[A-Z2-7]{16}", pseudonym(b"s", Kind.DRAIN, "lakeside", "Ü/1;2"))
