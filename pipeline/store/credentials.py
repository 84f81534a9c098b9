"""The keys of an object store, from where every S3 client looks for them; never written, never printed."""

from __future__ import annotations

import configparser
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from schemas.errors import StoreError


@dataclass(frozen=True)
class Credentials:
    """A key pair and, where it is a temporary one, its token; a print of it shows none of them."""

    key_id: str = field(repr=False)
    secret: str = field(repr=False)
    token: str | None = field(default=None, repr=False)


def find_credentials(environment: Mapping[str, str] | None = None) -> Credentials:
    """
    The keys in force: those of the environment, else those of the shared credentials file.

    The environment: `AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY` and, with temporary keys,
    `AWS_SESSION_TOKEN`. The file: `AWS_SHARED_CREDENTIALS_FILE`, else `~/.aws/credentials`, section
    `AWS_PROFILE`, else `default`. Every library that speaks to the store is handed these, so that all of
    them come as the same user. Roles of a machine or a cluster are not asked for: put what they give into
    the environment.

    Raises
    ------
    StoreError
        When there are none, or only half a pair.
    """
    environ = os.environ if environment is None else environment
    key_id, secret = environ.get("AWS_ACCESS_KEY_ID"), environ.get("AWS_SECRET_ACCESS_KEY")
    if key_id and secret:
        return Credentials(key_id, secret, environ.get("AWS_SESSION_TOKEN") or None)
    if key_id or secret:
        raise StoreError(
            "object store: of AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY only one is set; set both or "
            "neither."
        )
    home = Path(environ.get("HOME", "~")).expanduser()
    path = Path(environ.get("AWS_SHARED_CREDENTIALS_FILE") or home / ".aws" / "credentials")
    section = environ.get("AWS_PROFILE") or "default"
    return _from_file(path, section)


def _from_file(path: Path, section: str) -> Credentials:
    parser = configparser.ConfigParser(interpolation=None)
    try:
        parser.read(path, encoding="utf-8")
        found = dict(parser[section]) if parser.has_section(section) else {}
    except (configparser.Error, OSError, UnicodeDecodeError):
        # Not a word of what is in it: the error of the parser would quote a line.
        raise StoreError(f"object store: {path} cannot be read as a credentials file; mend it.") from None
    key_id, secret = found.get("aws_access_key_id"), found.get("aws_secret_access_key")
    if not key_id or not secret:
        raise StoreError(
            "object store: there are no credentials; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or "
            f"write them into {path}, section [{section}]."
        )
    return Credentials(key_id, secret, found.get("aws_session_token") or None)
