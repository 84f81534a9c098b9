"""Which profile that is there already recognises a file, and what it makes of it."""

from __future__ import annotations

from pipeline.definitions import Definitions
from pipeline.ingest import Profile, read_log
from pipeline.ingest.container import unpack
from pipeline.ingest.recognise import matches
from pipeline.ingest.rules import FileRejected


def profiles_fitting(
    data: bytes, name: str, profiles: tuple[Profile, ...], definitions: Definitions
) -> dict[str, str]:
    """
    Profiles that recognise a log by its first lines, each with a sentence on what comes of it.

    A second profile that fits as well would have the file rejected, for exactly one may match.
    """
    try:
        plain = unpack(data, definitions.plausible.file_most).data
    except FileRejected:
        return {}
    found = {}
    for profile in profiles:
        if not matches(profile, plain):
            continue
        file = read_log(data, name, profiles, definitions, profile=profile.name).file
        kept, read = file["rows_kept"], file["rows_read"]
        if kept:
            found[profile.name] = (
                f"profile '{profile.name}' fits this file already, {kept} of {read} rows kept: load it as it "
                "is; a second profile that fits has it rejected."
            )
        else:
            found[profile.name] = (
                f"profile '{profile.name}' recognises this file already and reads no row of it "
                f"({str(file['reason']).rstrip('.')}): mend that one, or a `match` that keeps the two apart."
            )
    return found
