"""A real browser that is let see nothing but the file it was given."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser

from tests.pages.chromium import installed, started
from tests.pages.opened import Opened

# Read before the tests' environment is tidied. CI sets it: there a missing browser is a failure.
_REQUIRED = os.environ.get("DRAINLEDGER_BROWSER") == "required"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """
    The system's Chromium without a window.

    Ended with each module: while Playwright runs, this thread looks to others as if it were inside an
    event loop, and Prefect's test server then waits for ever when it is taken down.
    """
    chromium = installed()
    if chromium is None:
        missing = "no chromium on this machine; install the package chromium to test the pages in a browser"
        if _REQUIRED:
            pytest.fail(missing)
        pytest.skip(missing)
    with started(chromium) as browser:
        yield browser


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
