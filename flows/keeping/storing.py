"""Begin a home whose raw files and lake lie in an object store."""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping

from pydantic import ValidationError

from flows.app import VARIABLE
from pipeline.store import Home
from pipeline.store.bucket import Bucket
from pipeline.store.durable import make_folder
from pipeline.store.home import STORE_FILE
from pipeline.store.store_file import ObjectStore, write_store_file
from schemas.errors import CallError, StoreError


def begin_store(home: Home, url: str | None, environment: Mapping[str, str] | None = None) -> None:
    """
    Say, once, that a new home's raw files and lake lie in an object store; null: nothing is done.

    The server and the region are taken from where every S3 client takes them (`AWS_ENDPOINT_URL_S3`,
    `AWS_ENDPOINT_URL`, `AWS_REGION`, `AWS_DEFAULT_REGION`) and noted in the home's `store.toml`, so that
    later calls need only the credentials. A home that has one keeps it: the same url again changes nothing.

    Raises
    ------
    CallError
        When the url is none, when the home has another store or keeps its files beside it already.
    StoreError
        When the store cannot be reached, or something lies under the prefix already.
    """
    if url is None:
        return
    environ = os.environ if environment is None else environment
    url = url.rstrip("/")
    if (had := home.store) is not None:
        if had.url != url:
            raise CallError(
                f"home {home.root}: keeps its raw files and lake in {had.url}, not in {url}; leave --store "
                f"(and {VARIABLE}) out, or name another home."
            )
        return
    if home.exists():
        raise CallError(
            f"home {home.root}: keeps its raw files and lake beside it already; --store (and {VARIABLE}) is "
            "for a new home. Load the raw files anew into one."
        )
    store = _store(url, environ)
    if Bucket(store).sizes():
        raise StoreError(
            f"object store {url}: something lies there already; give the home a prefix of its own, or "
            f"restore the {STORE_FILE} of the home it belongs to."
        )
    make_folder(home.root)
    write_store_file(home.store_file, store)


def _store(url: str, environ: Mapping[str, str]) -> ObjectStore:
    said = {
        "url": url,
        "owner": secrets.token_hex(16),
        "endpoint": environ.get("AWS_ENDPOINT_URL_S3") or environ.get("AWS_ENDPOINT_URL"),
        "region": environ.get("AWS_REGION") or environ.get("AWS_DEFAULT_REGION"),
    }
    try:
        return ObjectStore.model_validate({key: value for key, value in said.items() if value})
    except ValidationError as error:
        key = error.errors()[0]["loc"][0]
        if key == "url":
            raise CallError(f"store {url}: is no address of a store; write s3://bucket/prefix.") from None
        raise CallError(
            f"store {url}: the {key} in the environment ({said[str(key)]}) is none; mend AWS_ENDPOINT_URL or "
            "AWS_REGION."
        ) from None
