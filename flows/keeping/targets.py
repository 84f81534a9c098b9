"""Whose data an erasure is asked for: what was typed, made sure of."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from flows.keeping.erasure_plan import Target
from flows.loading.meaning import find_file
from pipeline.store import Home
from schemas.errors import CallError

_DAYS_OF_A_YEAR = 365.25
_FIRST_LETTERS = ("D", "U")  # of a published drain_id
_LENGTH = 17


def target_of(
    home: Home,
    patient: str | None,
    drain: str | None,
    site: str | None,
    files: Sequence[str],
    older_than: float | None,
    moment: datetime,
) -> Target:
    """
    The one target that a call names.

    Parameters
    ----------
    older_than
        Years before `moment`; without an offset that is taken as UTC.

    Raises
    ------
    CallError
        When none or several are named, a key comes without its site, or years are not positive.
    """
    said = [thing for thing in (patient, drain, files or None, older_than) if thing is not None]
    if len(said) != 1:
        raise CallError("erase: name just one of --patient, --drain, --file and --older-than.")
    if patient is not None:
        if site is None:
            raise CallError("erase: a patient's key is known at one site only; name it with --site.")
        return Target("patient", site, patient)
    if drain is not None:
        published = len(drain) == _LENGTH and drain.startswith(_FIRST_LETTERS)
        if site is None and not published:
            raise CallError("erase: a drain's key needs its --site; a published drain_id does not.")
        return Target("drain", site, drain)
    if files:
        return Target("file", files=tuple(sorted({find_file(home, name) for name in files})))
    assert older_than is not None
    if not 0 < older_than < 1000:
        raise CallError("erase: --older-than takes years, more than 0.")
    at = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
    return Target("age", before=at - timedelta(days=older_than * _DAYS_OF_A_YEAR))
