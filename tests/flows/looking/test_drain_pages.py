"""What a drain's page is told beside the database, from a ledger of the sample logs."""

from __future__ import annotations

from pathlib import Path

from flows.looking.drain_pages import beside
from pipeline.report.drain_page import drain_page
from pipeline.store import Home
from tests.support.asking import asking
from tests.support.homes import load, make_home


def sample_home(root: Path, samples: list[Path], device: str) -> Home:
    """A home with one device's logs, the registry and the annotations."""
    files = [path for folder in samples for path in sorted(folder.rglob("*")) if path.is_file()]
    home = make_home(root)
    load(home, [p for p in files if device in p.name or p.name in ("registry.csv", "annotations.csv")])
    return home


def test_zone_and_notes_reach_the_page_and_a_notes_words_do_not(tmp_path: Path, samples: list[Path]) -> None:
    home = sample_home(tmp_path / "home", samples, "DV-0007")
    with asking(home.database) as ask:
        drain = ask("SELECT drain_id FROM drain WHERE started_at IS NOT NULL")["drain_id"][0]
        other = ask("SELECT drain_id FROM drain WHERE started_at IS NULL ORDER BY 1")["drain_id"][0]
        found = beside(home, drain)
        page = drain_page(ask, drain, **found)
        unseen = drain_page(ask, other, **beside(home, other))
    assert found["zone"] == "Europe/Zurich"
    assert found["annotations"]["kind"].to_list() == ["clamp_trial"]
    assert "Staff noted: clamp trial." in page
    assert "One stretch with the line clamped: day 2 (Sun 30 Mar, 17:00), 50 min, as noted by staff." in page
    assert "No log of this drain was found" in unseen
    assert "drainledger explain" in page
    assert "drainledger explain" not in unseen  # it has no minute to take apart
