"""The system's Chromium, started without a window and with nothing to fetch on its own account."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

_ALONE = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def installed() -> str | None:
    """Where it is; None where there is none."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def started(chromium: str) -> Iterator[Browser]:
    """A browser for as long as it is needed."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(_ALONE))
        try:
            yield browser
        finally:
            browser.close()
