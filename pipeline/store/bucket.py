"""A place in an S3-compatible object store, and what its errors mean."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from pyarrow import fs

from pipeline.store.credentials import Credentials, find_credentials
from pipeline.store.place import speaking_of
from pipeline.store.store_file import ObjectStore
from schemas.errors import LakeError, LedgerError, StoreError

_CONNECT_SECONDS, _REQUEST_SECONDS = 5, 60
_RETRY_SECONDS = 180
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_NO_BUCKET = "there is no bucket {bucket}; make it, or mend url in store.toml"
# Words by which the engines name a fault, each its own way; the first that fits is taken.
_MEANINGS: tuple[tuple[str, str, bool], ...] = (
    (
        r"NoSuchBucket|NO_SUCH_BUCKET|bucket does not exist",
        _NO_BUCKET,
        False,
    ),
    (
        r"InvalidAccessKeyId|INVALID_ACCESS_KEY_ID|SignatureDoesNotMatch|SIGNATURE_DOES_NOT_MATCH|ExpiredToken|"
        r"InvalidToken|INVALID_CLIENT_TOKEN|InvalidClientTokenId|ACCESS_DENIED|AccessDenied|AuthFailure|"
        r"\b40[13] (?:Forbidden|Unauthorized)|HTTP status 40[13]",
        "it does not accept the credentials; look at AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY or the "
        "credentials file, and at what they may do in this bucket",
        False,
    ),
    (
        r"PermanentRedirect|AuthorizationHeaderMalformed|incorrectly configured region|301 Moved",
        "the bucket lies in another region; mend region in store.toml",
        False,
    ),
    (
        r"SlowDown|SLOW_DOWN|503 Service|SERVICE_UNAVAILABLE|429 Too Many|HTTP status (?:503|429)|"
        r"reduce your request rate",
        "it is overloaded and asks to slow down; wait and run the command again",
        True,
    ),
    (
        r"InternalError|INTERNAL_FAILURE|\b50[0-9] (?:Internal|Bad Gateway|Gateway)|HTTP status 50[0-9]",
        "it fails on its own side; wait and run the command again, and ask whoever keeps it if it goes on",
        True,
    ),
    (
        r"NETWORK_CONNECTION|Connection refused|error sending request|timed out|dns error|connect error|"
        r"Connection reset|REQUEST_TIMEOUT|connection closed|error decoding response body",
        "it does not answer; see that it runs, that this machine reaches it, and that endpoint in store.toml "
        "is right",
        True,
    ),
)
_GONE = re.compile(r"NoSuchKey|NO_SUCH_KEY|Object at location|Path does not exist|not found", re.IGNORECASE)
_OF_A_STORE = re.compile(r"s3://|\bS3\b|AWS Error|object-store|Kernel error|object store", re.IGNORECASE)


@dataclass(frozen=True)
class Bucket:
    """
    A prefix of a bucket.

    Parameters
    ----------
    store
        What `store.toml` says.
    prefix
        Path below the store's url, `lake/course`; empty: the url itself.
    credentials
        Null: looked for when first needed.
    """

    store: ObjectStore
    prefix: str = ""
    credentials: Credentials | None = field(default=None, repr=False)

    @property
    def address(self) -> str:
        """`s3://bucket/prefix`."""
        return f"s3://{self._root}"

    @property
    def _root(self) -> str:
        return f"{self.store.root}/{self.prefix}".rstrip("/")

    @property
    def engine(self) -> dict[str, str]:
        """Options for Delta Lake: a commit is a put that fails where its version is there already."""
        return self._common | {
            "aws_conditional_put": "etag",
            "max_retries": str(self.store.retries),
            "retry_timeout": f"{_RETRY_SECONDS}s",
            "connect_timeout": f"{_CONNECT_SECONDS}s",
            "timeout": f"{_REQUEST_SECONDS}s",
        }

    @property
    def scan(self) -> dict[str, Any]:
        """Options for Polars."""
        return self._common | {
            "max_retries": self.store.retries,
            "retry_timeout_ms": _RETRY_SECONDS * 1000,
        }

    @property
    def _common(self) -> dict[str, str]:
        keys = self._keys
        options = {
            "aws_region": self.store.region,
            "aws_access_key_id": keys.key_id,
            "aws_secret_access_key": keys.secret,
        }
        if keys.token:
            options["aws_session_token"] = keys.token
        if self.store.endpoint:
            options["aws_endpoint_url"] = self.store.endpoint
            if self.store.endpoint.startswith("http://"):
                options["aws_allow_http"] = "true"
        return options

    @property
    def _keys(self) -> Credentials:
        return self.credentials or find_credentials()

    @property
    def filesystem(self) -> fs.S3FileSystem:
        """The store as Arrow sees it."""
        return _filesystem(self.store, self._keys)

    def child(self, name: str) -> Bucket:
        """The prefix of that name below this one."""
        return Bucket(self.store, f"{self.prefix}/{name}".lstrip("/"), self.credentials)

    def make(self) -> None:
        """A prefix need not be made."""

    def has(self, name: str) -> bool:
        """Whether there is an object of that name."""
        with speaking_of(self):
            found = self.filesystem.get_file_info(f"{self._root}/{name}")
            return bool(found.type == fs.FileType.File)

    def has_table(self) -> bool:
        """Whether the log's first entry is there or, where that was trimmed, its latest summary."""
        # Not a listing: a log may have thousands of entries, and Arrow leaves marks that look like folders.
        return any(self.has(f"_delta_log/{name}") for name in (f"{0:020}.json", "_last_checkpoint"))

    def log_entries(self) -> None:
        """A listing takes a store as long as the log itself."""
        return None

    def read(self, name: str) -> bytes:
        """The bytes of an object."""
        with speaking_of(self):
            try:
                with self.filesystem.open_input_file(f"{self._root}/{name}") as file:
                    return bytes(file.read())
            except FileNotFoundError:
                raise LedgerError(
                    f"{self.address}/{name}: is gone from the object store; bring it back from the "
                    "store's own versions or a backup."
                ) from None

    def write_once(self, name: str, data: bytes) -> None:
        """Write an object; it appears whole, when its last byte has been acknowledged."""
        with speaking_of(self), self.filesystem.open_output_stream(f"{self._root}/{name}") as file:
            file.write(data)

    def write_all_once(self, files: Mapping[str, bytes]) -> None:
        """Write objects one after the other; each appears whole."""
        for name, data in files.items():
            self.write_once(name, data)

    def remove(self, name: str) -> None:
        """Take an object away."""
        with speaking_of(self):
            try:
                self.filesystem.delete_file(f"{self._root}/{name}")
            except FileNotFoundError:
                return

    def sizes(self) -> Mapping[str, int]:
        """Every object below with its bytes."""
        with speaking_of(self):
            below = self.filesystem.get_file_info(
                fs.FileSelector(self._root, recursive=True, allow_not_found=True)
            )
            if not below and self.filesystem.get_file_info(self.store.bucket).type == fs.FileType.NotFound:
                raise StoreError(
                    f"object store {self.store.url}: {_NO_BUCKET.format(bucket=self.store.bucket)}."
                )
        start = len(self._root) + 1
        return {info.path[start:]: info.size for info in below if info.type == fs.FileType.File}

    def set_aside(self) -> str | None:
        """Copy every object to a prefix beside, then take it away here: a store knows no renaming."""
        names = sorted(self.sizes())
        if not names:
            return None
        number = 1
        while self._beside(number).sizes():
            number += 1
        aside = self._beside(number)
        with speaking_of(self):
            for name in names:
                self.filesystem.copy_file(f"{self._root}/{name}", f"{aside._root}/{name}")
            for name in names:
                self.filesystem.delete_file(f"{self._root}/{name}")
        return aside.address

    def _beside(self, number: int) -> Bucket:
        return Bucket(self.store, f"{self.prefix}.broken-{number}", self.credentials)

    def explained(self, error: BaseException) -> LedgerError | None:
        """What an error of Arrow, Delta Lake or Polars means here; null where no object store is in it."""
        text = " ".join(_COLOUR.sub("", str(error)).split())
        if not _OF_A_STORE.search(text) and not text.startswith(("When ", "[Errno 2] Path does not exist")):
            return None
        gone = isinstance(error, FileNotFoundError) and "bucket does not exist" not in text
        for words, meaning, passing in _MEANINGS:
            if not gone and re.search(words, text):
                said = meaning.format(bucket=self.store.bucket)
                where = f" at {self.store.endpoint}" if self.store.endpoint else ""
                return StoreError(f"object store {self.store.url}{where}: {said}.", passing=passing)
        if gone or _GONE.search(text):
            named = re.search(r"[^\s'\"]+\.(?:parquet|json)\b", text)
            what = named[0].rpartition("/")[2] if named else "an object"
            return LakeError(
                f"object store {self.store.url}: {what} of the lake is gone; bring it back from the store's "
                "own versions, or run `drainledger rebuild`."
            )
        return StoreError(f"object store {self.store.url}: {text[:300]}; look at the store, then try again.")


@lru_cache(maxsize=8)
def _filesystem(store: ObjectStore, keys: Credentials) -> fs.S3FileSystem:
    scheme, _, server = (store.endpoint or "https://").partition("://")
    return fs.S3FileSystem(
        access_key=keys.key_id,
        secret_key=keys.secret,
        session_token=keys.token,
        region=store.region,
        scheme=scheme,
        endpoint_override=server or None,
        connect_timeout=_CONNECT_SECONDS,
        request_timeout=_REQUEST_SECONDS,
        allow_delayed_open=True,  # one request for a small object instead of three
        retry_strategy=fs.AwsStandardS3RetryStrategy(max_attempts=store.retries + 1),
    )
