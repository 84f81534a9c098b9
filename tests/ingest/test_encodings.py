"""A file in another encoding than its profile says: told apart by its match, and else named as the likely cause."""

from __future__ import annotations

import pytest

from pipeline.definitions import load_definitions
from pipeline.ingest import Profile, ReadLog, read_log
from pipeline.ingest.shelf import parse_profile

LOG = "Gerät;B-22\nZeit;Sitzung;Zustand\n12.03.2031 10:00;17;ein\n"
PROFILE = """
name = "{}"
encoding = "{}"
match = '^Gerät;'
delimiter = ";"
header_starts = "Zeit;"
site = "mill"
[device]
line = '^Gerät;(?P<device>[A-Za-z0-9._-]+)$'
[clock]
format = "%d.%m.%Y %H:%M"
timezone = "Europe/Zurich"
[columns]
clock = "Zeit"
session = "Sitzung"
state = "Zustand"
[states]
ein = "run"
"""


def profile(encoding: str) -> Profile:
    return parse_profile(PROFILE.format(encoding, encoding))


def read(data: bytes, *encodings: str, named: str | None = None) -> ReadLog:
    return read_log(data, "log.csv", [profile(e) for e in encodings], load_definitions(), profile=named)


@pytest.mark.parametrize("encoding", ["utf-8", "windows-1252", "utf-16"])
def test_a_match_on_an_umlaut_tells_one_layout_in_two_encodings_apart(encoding: str) -> None:
    file = read(LOG.encode(encoding), "utf-8", "windows-1252", "utf-16").file
    assert (file["profile"], file["status"], file["device"]) == (encoding, "loaded", "B-22")


@pytest.mark.parametrize(
    ("data", "named", "said"),
    [
        (LOG.encode("cp1252"), "utf-8", "do not decode as utf-8"),
        (LOG.encode(), "windows-1252", "read as utf-8, and the profile's encoding is windows-1252"),
        (LOG.encode().decode("cp1252").encode(), "utf-8", "hold signs like Ã¤"),
    ],
)
def test_with_a_named_profile_the_encoding_is_said_to_be_the_likely_cause(
    data: bytes, named: str, said: str
) -> None:
    reason = read(data, named, named=named).file["reason"]
    assert reason.startswith("No device serial stands in its preamble")
    assert said in reason
    assert "that is the likely cause" in reason


def test_a_line_that_is_missing_in_the_right_encoding_is_no_matter_of_encodings() -> None:
    for encoding in ("utf-8", "windows-1252"):
        reason = read(LOG.replace("Gerät", "Gürät").encode(encoding), encoding, named=encoding).file["reason"]
        assert reason.startswith("No device serial stands in its preamble")
        assert "cause" not in reason


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"PK\x03\x04\x14\x00\x06\x00", "It is a ZIP archive or a spreadsheet and no text"),
        (LOG.encode("utf-16"), "It is UTF-16 text, and profile 'utf-8' says utf-8"),
        (("Zeitplan der Woche mit Angaben;1\n" + LOG).encode("utf-16-le"), "It is UTF-16 text"),
    ],
)
def test_a_named_profile_says_what_the_file_is_instead(data: bytes, said: str) -> None:
    assert read(data, "utf-8", named="utf-8").file["reason"].startswith(said)
    assert (
        read(data, "utf-8")
        .file["reason"]
        .startswith(("It is a", "No profile matches its first lines, which are"))
    )
