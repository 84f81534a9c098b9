"""The guides for the quality team and for who teaches do what they say, from their first command to their last."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from flows.cli import DONE, SOME_REJECTED
from pipeline.marts import select
from pipeline.store import Home
from shared import SHARED
from tests.flows.nights.test_operations_nights import PARTS as NIGHTS
from tests.mending.test_operations_mending import PARTS as MENDING
from tests.store.test_operations_guide import OURS as STORE
from tests.support.guides import ROOT, Call, calls, copy_of, follow, pictures_of, section

GUIDES = SHARED / "guides"
# Pages whose commands a test follows: these here, of the guide to operations its sections where they belong.
SHORT_PAGES = ("shared/guides/course.md", "shared/guides/pages.md", "shared/sql/README.md")
FOLLOWED = {
    *SHORT_PAGES,
    "README.md",
    "shared/guides/faq.md",
    "shared/guides/new-site.md",
    "shared/guides/operations.md",
    "shared/guides/quality.md",
    "shared/guides/research.md",
    "shared/guides/teaching.md",
}


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where a reader of a guide stands: beside what the project ships."""
    for name in ("shared", "sample_logs"):
        (tmp_path / name).symlink_to(ROOT / name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def drain_with(home: Home, found: str) -> Callable[[], str]:
    """Looks up, when asked, the first letters of the first drain of which that was found."""

    def first() -> str:
        query = f"SELECT drain_id FROM period WHERE {found} ORDER BY started_at LIMIT 1"
        return str(select(home.database, query, home.lake.root).item())[:8]

    return first


def test_the_quality_team_follows_its_guide_from_the_files_to_the_meeting(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wanted = calls((GUIDES / "quality.md").read_text(encoding="utf-8"))
    assert len(wanted) >= 12
    follow(wanted, capsys, ends=(DONE, SOME_REJECTED))


def test_an_educator_prepares_a_teaching_day_from_the_demo(
    desk: Path, demo_made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wanted = calls((GUIDES / "teaching.md").read_text(encoding="utf-8"))
    assert len(wanted) >= 13
    demo = Home(desk / "demo-ledger")
    names = {
        "CLAMPED": drain_with(demo, "kind = 'clamped' AND grade = 'possible'"),
        "BLOCKED": drain_with(demo, "kind = 'occlusion_suspected' AND grade = 'probable'"),
    }
    follow(wanted, capsys, names=names, demo_made=demo_made)


def test_what_trips_people_is_said_as_the_answers_show_it(
    desk: Path, demo_made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wanted = calls((GUIDES / "faq.md").read_text(encoding="utf-8"))
    assert len(wanted) >= 9
    copy_of(demo_made / "home", desk / "demo-ledger")
    follow(wanted, capsys, ends=(DONE, SOME_REJECTED))


@pytest.mark.parametrize("page", SHORT_PAGES)
def test_the_commands_of_a_page_that_explains_run_on_the_demo(
    page: str, desk: Path, demo_made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wanted = _commands(ROOT / page)
    home = desk / "ledger"
    copy_of(demo_made / "home", home)
    then = "TIMESTAMPTZ '2031-03-27 20:30:00+00'"
    names = {"DRAIN": drain_with(Home(home), f"started_at <= {then} AND ended_at > {then}")}
    follow(wanted, capsys, names=names)


def test_a_test_follows_every_page_that_shows_commands() -> None:
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *SHARED.rglob("*.md")]
    assert {str(page.relative_to(ROOT)) for page in pages if _commands(page)} == FOLLOWED
    guide = GUIDES / "operations.md"
    sections = re.findall(r"^## (.+)$", guide.read_text(encoding="utf-8"), re.MULTILINE)
    shown = {name for name in sections if calls(section(guide.read_text(encoding="utf-8"), name))}
    assert shown == {*MENDING, *STORE, *NIGHTS}


def _commands(page: Path) -> list[Call]:
    """What a page has its reader type, of this program."""
    return [call for call in calls(page.read_text(encoding="utf-8")) if call.program == "drainledger"]


@pytest.mark.parametrize("name", ["quality.md", "teaching.md", "glossary.md", "dictionary.md"])
def test_each_of_these_pages_carries_the_caution(name: str) -> None:
    opening = " ".join(
        (GUIDES / name).read_text(encoding="utf-8").split("\n## ")[0].replace("\n> ", " ").split()
    )
    for part in ("decide", "bedside", "still leaks", "up and sealed", "licensed to", "protocol"):
        assert part in opening.replace("sealed lung that is up", "up and sealed"), part


def test_every_picture_and_page_a_guide_points_to_is_there() -> None:
    pages = [*GUIDES.glob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md", *SHARED.glob("*/README.md")]
    for page in pages:
        assert all(picture.is_file() for picture in pictures_of(page)), page
        text = page.read_text(encoding="utf-8")
        headings = {
            found: {
                re.sub(r"[^\w\- ]", "", line.lstrip("# ").lower()).strip().replace(" ", "-")
                for line in found.read_text(encoding="utf-8").splitlines()
                if line.startswith("#")
            }
            for found in {page, *(page.parent / link for link in re.findall(r"\]\(([^)#:]+\.md)", text))}
        }
        for link, anchor in re.findall(r"\]\(([^)#:]*)(?:#([^)]*))?\)", text):
            target = page.parent / link if link else page
            assert target.exists(), (page.name, link)
            assert not anchor or anchor in headings[target], (page.name, link, anchor)
