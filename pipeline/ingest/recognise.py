"""Which profile a file is read with: the one that is named, or the only one its first lines match."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.ingest.encoding import is_wide
from pipeline.ingest.pattern import holding, holds
from pipeline.ingest.profile import Profile
from pipeline.ingest.rules import FileRejected, Rule
from pipeline.meant import meant
from schemas.errors import CallError

_HEAD_BYTES = 16_384
_HEAD_LINES = 40
# What files that are no text begin with (their formats' own published signatures).
_NO_TEXT = {
    b"PK\x03\x04": "a ZIP archive or a spreadsheet",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet or document",
    b"%PDF": "a PDF",
    b"PAR1": "a Parquet file",
    b"SQLite format 3": "an SQLite database",
}


def recognise(data: bytes, profiles: Sequence[Profile], named: str | None = None) -> Profile:
    """
    The profile to read a file with.

    Without a name, each profile's `match` is searched in the first 40 lines, decoded as that profile
    says; a profile without `match` is only ever used by name.

    Raises
    ------
    FileRejected
        When none or several match; names them.
    CallError
        When no profile bears the name asked for.
    """
    if named is not None:
        return _by_name(profiles, named)
    looking = [(profile, profile.match) for profile in profiles if profile.match is not None]
    fits = holding([(match, first_lines(data, profile.encoding)) for profile, match in looking])
    fitting = [profile for (profile, _), fit in zip(looking, fits, strict=True) if fit]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        names = ", ".join(sorted(profile.name for profile in fitting))
        raise FileRejected(
            Rule.SEVERAL_PROFILES,
            f"Several profiles match its first lines ({names}); name one with --profile.",
        )
    _refuse_foreign(data)
    known = ", ".join(sorted(profile.name for profile in profiles))
    raise FileRejected(
        Rule.NO_PROFILE,
        f"No profile matches its first lines{', which are UTF-16 text' if is_wide(data) else ''} "
        f"(known: {known}); name one with --profile or add one.",
    )


def refuse_no_text(data: bytes, profile: Profile) -> None:
    """
    Refuse what a named profile cannot read whatever it says: no text, or UTF-16 where it says otherwise.

    Raises
    ------
    FileRejected
        Says what the file is.
    """
    wide = is_wide(data) and not profile.encoding.startswith(("utf-16", "utf-32"))
    if not (wide or _foreign(data)) or matches(profile, data):
        return
    _refuse_foreign(data)
    raise FileRejected(
        Rule.NO_PROFILE,
        f"It is UTF-16 text, and profile '{profile.name}' says {profile.encoding}; export it like that, "
        'or write a profile with encoding = "utf-16".',
    )


def _refuse_foreign(data: bytes) -> None:
    if (what := _foreign(data)) is not None:
        raise FileRejected(
            Rule.NO_PROFILE, f"It is {what} and no text; export the log as text (CSV) and load that."
        )


def _foreign(data: bytes) -> str | None:
    """What a file is that is no text, by its first bytes."""
    return next((what for sign, what in _NO_TEXT.items() if data.startswith(sign)), None)


def _by_name(profiles: Sequence[Profile], named: str) -> Profile:
    for profile in profiles:
        if profile.name == named:
            return profile
    names = sorted(profile.name for profile in profiles)
    hint = meant(named, names, "'")
    raise CallError(f"There is no profile '{named}'; {hint}")


def matches(profile: Profile, data: bytes) -> bool:
    """Whether a file's first lines are such as the profile looks for."""
    if profile.match is None:
        return False
    return holds(profile.match, first_lines(data, profile.encoding))


def first_lines(data: bytes, encoding: str) -> str:
    """The first lines as text, without byte-order mark; what cannot be decoded shows as U+FFFD."""
    text = data[:_HEAD_BYTES].decode(encoding, errors="replace")
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").split("\n", _HEAD_LINES)
    return "\n".join(lines[:_HEAD_LINES])
