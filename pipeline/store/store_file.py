"""`store.toml` in a home: where its raw files and its lake lie, when not beside it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.store.durable import write_whole
from schemas.errors import InputError

_URL = r"^s3://[a-z0-9][a-z0-9.\-]{1,61}[a-z0-9](/[A-Za-z0-9_][A-Za-z0-9._\-]*)*$"
_ENDPOINT = r"^https?://[A-Za-z0-9.\-]+(:[0-9]{1,5})?$"


class ObjectStore(BaseModel):
    """
    Where on an object store a home keeps its raw files and its lake.

    Parameters
    ----------
    url
        `s3://bucket` or `s3://bucket/prefix`.
    owner
        The home that the prefix belongs to; the same word lies in the store, so that no two write there.
    endpoint
        Address of the store's server, for stores that are not Amazon's: `https://store.hospital.example:9000`.
    region
        Region, as the store names it.
    retries
        How often a request that failed in passing (no answer, 500, "slow down") is made again, each time
        after about twice the wait.

    Examples
    --------
    >>> ObjectStore(url="s3://wards/ledger", owner="0" * 32).bucket
    'wards'
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    url: Annotated[str, Field(pattern=_URL)]
    owner: Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]
    endpoint: Annotated[str | None, Field(pattern=_ENDPOINT)] = None
    region: Annotated[str, Field(pattern=r"^[A-Za-z0-9\-]{1,40}$")] = "us-east-1"
    retries: Annotated[int, Field(ge=0, le=20)] = 6

    @field_validator("url", mode="before")
    @classmethod
    def _without_last_slash(cls, value: object) -> object:
        return value.rstrip("/") if isinstance(value, str) else value

    @property
    def bucket(self) -> str:
        """Name of the bucket."""
        return self.url.removeprefix("s3://").partition("/")[0]

    @property
    def root(self) -> str:
        """Bucket and prefix, with no scheme before them."""
        return self.url.removeprefix("s3://")


def read_store_file(path: Path) -> ObjectStore | None:
    """
    What a home's `store.toml` says; null where there is none and everything lies in the home.

    Raises
    ------
    InputError
        When the file is there and cannot be used; the sentence names the key.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}); restore it from a backup.") from error
    try:
        return ObjectStore.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: is no TOML ({error}); mend it or restore it from a backup.") from error
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise InputError(f"{path}: {key}: {first['msg']}; see the guide to operations.") from error


def write_store_file(path: Path, store: ObjectStore) -> None:
    """Write, durably, where a home's raw files and lake lie."""
    lines = [
        "# Where raw/ and lake/ of this home lie. Credentials never stand here: they come from the",
        "# environment (AWS_ACCESS_KEY_ID, …) or from ~/.aws/credentials.",
        *(
            f"{key} = {value if isinstance(value, int) else _quoted(value)}"
            for key, value in store.model_dump(exclude_none=True).items()
        ),
    ]
    write_whole(path, ("\n".join(lines) + "\n").encode())


def _quoted(text: str) -> str:
    return f'"{text}"'  # the patterns above let no quote and no backslash in
