"""A bucket on a local S3 server, and homes that keep their raw files and lake there."""

from __future__ import annotations

import json
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from pyarrow import fs

from flows.keeping.storing import begin_store
from pipeline.store import Home
from tests.laws.conftest import write_small
from tests.support.homes import load, make_home

ROOT = Path(__file__).parent.parent.parent
KEYS = {"AWS_ACCESS_KEY_ID": "planted-key-id-7301", "AWS_SECRET_ACCESS_KEY": "planted-secret-9284"}


@dataclass(frozen=True)
class Server:
    """The server, and a way to make it fail."""

    port: int

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def files(self) -> fs.S3FileSystem:
        """As its owner sees it."""
        return fs.S3FileSystem(
            access_key="owner",
            secret_key="owner",
            scheme="http",
            endpoint_override=f"127.0.0.1:{self.port}",
            region="us-east-1",
            allow_bucket_creation=True,
        )

    def fail(self, status: int, code: str, times: int, **plan: object) -> None:
        """Answer the next so many requests (`methods`, `only`: path holds this) with an error."""
        plan |= {"status": status, "code": code, "times": times}
        request = urllib.request.Request(f"{self.url}/__fail__", data=json.dumps(plan).encode(), method="PUT")
        urllib.request.urlopen(request).close()

    def failures_left(self) -> int:
        with urllib.request.urlopen(f"{self.url}/__fail__") as answer:
            return int(json.load(answer)["times"])


@pytest.fixture(scope="session")
def s3_server() -> Iterator[Server]:
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.support.s3_server"], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert process.stdout is not None
    server = Server(int(process.stdout.readline()))
    server.files.create_dir("wards")
    yield server
    process.kill()
    process.wait()


def address_it(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put credentials and address where every S3 client looks for them."""
    for name, value in (KEYS | {"AWS_ENDPOINT_URL": server.url, "AWS_REGION": "eu-central-1"}).items():
        monkeypatch.setenv(name, value)


def begin(root: Path, prefix: str, retries: int = 2) -> Home:
    """A home whose raw files and lake lie below that prefix, with the key of all test homes."""
    home = Home(root)
    begin_store(home, f"s3://wards/{prefix}")
    text = home.store_file.read_text()
    home.store_file.write_text(text.replace("retries = 6", f"retries = {retries}"))
    return make_home(home.root)


@pytest.fixture
def s3(s3_server: Server, monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """The server, with credentials and address in the environment."""
    address_it(s3_server, monkeypatch)
    yield s3_server
    s3_server.fail(500, "InternalError", 0)


@pytest.fixture(scope="session")
def few(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two exports of one device that overlap, one of another with damage, a registry."""
    every = write_small(tmp_path_factory.mktemp("few") / "landing")
    return [path for path in every if path.name in ("a first.csv", "a second.csv", "b.csv", "registry.csv")]


@pytest.fixture(scope="session")
def on_disk(tmp_path_factory: pytest.TempPathFactory, few: list[Path]) -> Home:
    """The few files in a home on a disk."""
    home = make_home(tmp_path_factory.mktemp("on-disk") / "home")
    load(home, few)
    return home


@pytest.fixture(scope="session")
def in_bucket(tmp_path_factory: pytest.TempPathFactory, few: list[Path], s3_server: Server) -> Home:
    """The few files in a home on an object store; for looking at, not for changing."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        address_it(s3_server, monkeypatch)
        home = begin(tmp_path_factory.mktemp("in-bucket") / "home", "pre-1/whole")
        load(home, few)
    return home
