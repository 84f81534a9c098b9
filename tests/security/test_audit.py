"""A dependency that nobody could be asked about does not pass for one without holes."""

from __future__ import annotations

import pytest

from tests.support.audit import CLEAN, HOLES, NOT_ASKED, read

KNOWN = {"name": "a", "version": "1", "vulns": []}
SKIPPED = {"name": "b", "skip_reason": "not found"}
HOLE = {"name": "c", "version": "1", "vulns": [{"id": "X-1", "fix_versions": ["2"]}]}


@pytest.mark.parametrize(
    ("every", "status", "said"),
    [
        ([KNOWN], CLEAN, "No known hole in any of 1 pinned dependencies."),
        ([SKIPPED, SKIPPED], NOT_ASKED, "none of 2 pinned dependencies was looked at"),
        ([KNOWN, SKIPPED], NOT_ASKED, "No known hole in 1 dependencies; 1 could not be looked up."),
        ([KNOWN, HOLE, SKIPPED], HOLES, "c 1: X-1, mended in 2"),
        ([], NOT_ASKED, "No advisory service could be reached"),
    ],
)
def test_what_was_asked_and_what_came_of_it(every: list[dict[str, object]], status: int, said: str) -> None:
    audit = read({"dependencies": every})
    assert audit.status == status
    assert said in audit.said()
