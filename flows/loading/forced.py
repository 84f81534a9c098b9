"""Files read with the profile that was named, although another is the one that recognises them."""

from __future__ import annotations

from collections.abc import Sequence

from flows.loading.outcome import Outcome
from flows.loading.reading import head_of
from flows.loading.request import Request
from pipeline.ingest.recognise import matches
from schemas.vocabulary import FileStatus

_MOST_NAMES = 3


def recognised_as(data: bytes, kind: str, request: Request) -> str | None:
    """Profiles that recognise a log by its first lines where the one that was named does not; null: none."""
    if request.profile is None or kind != "log":
        return None
    head = head_of(data)
    fitting = sorted(p.name for p in request.profiles if matches(p, head))
    return None if request.profile in fitting else " or ".join(fitting) or None


def forced_words(outcomes: Sequence[Outcome], names: Sequence[str]) -> str | None:
    """
    One sentence on the files of other layouts that a named profile was put upon; null: there are none.

    Examples
    --------
    >>> forced_words([Outcome("a.csv", "1f", "rejected", forced="mill", recognised_as="v1")], ["a.csv"])
    '--profile mill was used for 1 file that another profile recognises (a.csv as v1), 1 of them rejected;
    leave --profile out, and each file is read by the one that recognises it, yours once it lies in profiles/
    of the home.'
    """
    put = [(o, name) for o, name in zip(outcomes, names, strict=True) if o.recognised_as]
    if not put:
        return None
    told = [f"{name} as {o.recognised_as}" for o, name in put[:_MOST_NAMES]]
    more = f" and {len(put) - _MOST_NAMES} more" if len(put) > _MOST_NAMES else ""
    rejected = sum(o.status == FileStatus.REJECTED for o, _ in put)
    files = f"{len(put)} file{'' if len(put) == 1 else 's'}"
    forced = put[0][0].forced
    return (
        f"--profile {forced} was used for {files} that another profile recognises "
        f"({', '.join(told)}{more}), {rejected} of them rejected; leave --profile out, and each file is read "
        "by the one that recognises it, yours once it lies in profiles/ of the home."
    )
