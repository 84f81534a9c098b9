"""A file and a profile → canonical minutes and traces, and a record of whatever could not be kept.

Comes in: the bytes of one exported log, and the profiles. Goes out: rows of `minute`, `trace`,
`rejected_row`, `rejected_value` and `load_file`. `flows` calls it, once a file.
"""

from pipeline.ingest.outcome import ReadLog
from pipeline.ingest.profile import Profile
from pipeline.ingest.read import read_log
from pipeline.ingest.rules import Rule
from pipeline.ingest.shelf import load_profiles, parse_profile, read_profile

__all__ = ["Profile", "ReadLog", "Rule", "load_profiles", "parse_profile", "read_log", "read_profile"]
