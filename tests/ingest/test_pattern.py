"""A profile's patterns end in time, whatever the file says, and say clearly what they cannot do."""

from __future__ import annotations

import pytest

from pipeline.ingest.pattern import every, first, groups_of, holds
from pipeline.ingest.shelf import parse_profile
from schemas.errors import InputError


@pytest.mark.parametrize(
    "pattern", [r"^(a+)+$", r"^(a|aa)+$", r"^(\w+\s?)*$", r"^(.*a){20}$", r"^(([a-z])+.)+[A-Z]$"]
)
def test_a_pattern_that_python_would_never_end_with_is_answered(pattern: str) -> None:
    # Each takes a backtracking engine longer than anybody waits; a test that did not pass would not end.
    assert not holds(pattern, "a" * 10_000 + "!!")


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        (r"(?<=x)y", "look-around"),
        (r"(?P<q>['\"]).*(?P=q)", "not a regular expression"),
        (r"(unclosed", "unclosed group"),
        (r"((\w{1,1000}){1,1000}){1,1000}", "not a regular expression"),
    ],
)
def test_a_pattern_that_is_none_says_why(pattern: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        groups_of(pattern)


def test_lines_have_ends_and_groups_their_words() -> None:
    text = "% drain A-1\n% drain B-2\nother"
    assert every(r"^% drain (?P<device>\S+)$", text, "device") == ["A-1", "B-2"]
    assert first(r"^% drain (?P<device>\S+)$", text, "device") == "A-1"
    assert first(r"^% none (?P<device>\S+)$", text, "device") is None
    assert every(r"^(% drain (?P<device>\d+))|other$", text, "device") == [""]
    assert not holds(r"\Aother", text)


def test_a_profile_nested_beyond_reason_is_one_sentence() -> None:
    with pytest.raises(InputError, match="the profile is not valid TOML: maximum recursion depth"):
        parse_profile("name = " + "[" * 100_000)
