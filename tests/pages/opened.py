"""A page opened from a file: what it asked for, what it complained of, what an accessibility checker says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Locator, Request, Route

DESK, PHONE = (1280, 900), (360, 740)
_RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


class Opened:
    """
    One page in a browser of its own context.

    Anything it asks for but itself is refused and noted in `requests`; errors and warnings it prints, and
    errors nobody caught, in `complaints`.

    Parameters
    ----------
    path
        The HTML file.
    size
        Of the window: `DESK` or `PHONE`.
    scripts
        Whether scripts run at all.
    wait
        Until every chart is drawn.
    """

    def __init__(
        self,
        browser: Browser,
        path: Path,
        size: tuple[int, int] = DESK,
        *,
        scripts: bool = True,
        wait: bool = True,
    ) -> None:
        self.path = path
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self._context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, java_script_enabled=scripts
        )
        self.page = self._context.new_page()
        self._home = path.resolve().as_uri()
        self.page.on("request", self._note)
        self.page.on(
            "console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None
        )
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.route("**/*", self._let_through)
        self.page.goto(self._home)
        if scripts and wait and self.page.locator("[data-chart]").count():
            self.page.wait_for_function("document.documentElement.dataset.drawn === 'all'", timeout=20_000)

    def close(self) -> None:
        """Close the page and forget it."""
        self._context.close()

    def _note(self, request: Request) -> None:
        if request.url.split("#")[0] != self._home:
            self.requests.append(request.url)

    def _let_through(self, route: Route) -> None:
        if route.request.url.split("#")[0] == self._home:
            route.continue_()
        else:
            route.abort()

    @property
    def charts(self) -> list[str]:
        """Names of the charts on the page."""
        names: list[str] = self.page.eval_on_selector_all(
            "[data-chart]", "all => all.map(c => c.dataset.chart)"
        )
        return names

    def chart(self, name: str) -> Locator:
        """The place of a chart."""
        return self.page.locator(f"[data-chart='{name}']")

    def marks(self, name: str, kind: str = "") -> Locator:
        """The drawn marks of a chart; `kind` as Vega calls it: symbol, line, rect, rule, area, text."""
        return self.chart(name).locator(f".mark-{kind}.role-mark > *" if kind else ".role-mark > *")

    def hover(self, name: str, kind: str, place: int = 0) -> dict[str, str]:
        """Point at a mark: what the box beside it then says, by name."""
        mark = self.marks(name, kind).nth(place)
        mark.scroll_into_view_if_needed()
        box = mark.bounding_box()
        assert box is not None
        self.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        tip = self.page.locator("#vg-tooltip-element.visible")
        tip.wait_for(timeout=3_000)
        rows = tip.locator("tr").all()
        return {
            row.locator("td").nth(0).inner_text().rstrip(":"): row.locator("td").nth(1).inner_text()
            for row in rows
        }

    def table(self, selector: str) -> list[list[str]]:
        """The cells of a table's body, row by row, folded up or not."""
        rows: list[list[str]] = self.page.eval_on_selector_all(
            f"{selector} tbody tr", "all => all.map(r => Array.from(r.cells, c => c.textContent.trim()))"
        )
        return rows

    def violations(self) -> list[str]:
        """What axe-core objects to: rule and the elements concerned."""
        found: Any = Axe().run(self.page, options=_RULES).response["violations"]
        return [
            f"{v['id']}: " + "; ".join(" ".join(map(str, n["target"])) for n in v["nodes"]) for v in found
        ]

    def overflow(self) -> int:
        """By how many pixels the page is wider than its window."""
        wide: int = self.page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        return wide

    def shot(self, path: Path, *, media: str = "screen", grey: bool = False) -> Path:
        """A picture of the whole page, as on screen or on paper, in colour or in grey."""
        self.page.emulate_media(media=media)  # type: ignore[arg-type]
        if grey:
            self.page.add_style_tag(content="html { filter: grayscale(1); }")
        self.page.screenshot(path=path, full_page=True)
        return path

    def printed(self, path: Path) -> Path:
        """The page as it would come from the printer."""
        self.page.pdf(path=path, prefer_css_page_size=True, print_background=True)
        return path
