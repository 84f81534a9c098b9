"""A real browser that is let see nothing but the file it was given."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.pages.opened import Opened

# Read before the tests' environment is tidied. CI sets it: there a missing browser is a failure.
_REQUIRED = os.environ.get("DRAINLEDGER_BROWSER") == "required"
_ALONE = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's Chromium without a window."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        missing = "no chromium on this machine; install the package chromium to test the pages in a browser"
        if _REQUIRED:
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium, args=list(_ALONE))
        yield started
        started.close()


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Opened]]:
    """Opens a file as a person would from a share; closes it after the test."""
    opened: list[Opened] = []

    def open_one(*args: object, **options: object) -> Opened:
        opened.append(Opened(browser, *args, **options))  # type: ignore[arg-type]
        return opened[-1]

    yield open_one
    for page in opened:
        page.close()
