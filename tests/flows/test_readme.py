"""What the README shows is what the product prints, and each of its commands runs."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import pytest

from flows import cli
from pipeline.marts import select
from pipeline.store import Home
from shared import SHARED
from tests.evaluation.front_pictures import CURVE, STRIP, drawn_of
from tests.flows.test_help import COMMANDS
from tests.support.guides import ROOT, Call, calls, follow
from tests.support.nights import LONG_AGO, aged

README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = (SHARED / "examples" / "README.md").read_text(encoding="utf-8")
NEW_SITE = (SHARED / "guides" / "new-site.md").read_text(encoding="utf-8")
MADE_BY_MAKE = ("demo", "test")  # the demo is run below, and this is the test

REGISTRY = """# drain-registry: 1
# exported_at: 2031-03-13T06:00:00+01:00
drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,procedure_end_at,removal_reason
M-1,P-1,mill,surgical,2031-03-12T11:00:00+01:00,2031-03-12T13:00:00+01:00,MG-07/3,2031-03-12T11:00:00+01:00,planned
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where a reader stands: beside the project's folders, with exports and a registry of their own."""
    at = tmp_path_factory.mktemp("desk")
    (at / "shared").symlink_to(SHARED)
    shown = dict(
        re.findall(r"^File `exports/([^`]+)`:\n\n```text\n(.*?)```", NEW_SITE, re.DOTALL | re.MULTILINE)
    )
    for folder in ("my_exports", "dropped"):
        (at / folder).mkdir()
        for name, text in shown.items():
            (at / folder / name).write_text(text, encoding="utf-8")
            aged(at / folder / name, 3650 * LONG_AGO)
    (at / "my_registry.csv").write_text(REGISTRY, encoding="utf-8")
    return at


@pytest.fixture(scope="module")
def printed(desk: Path) -> str:
    """What `make demo` would print, places as seen from the desk."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert cli.run(["--home", str(desk / "demo-ledger"), "demo"]) == cli.DONE
    return said.getvalue().replace(f"{desk}/", "")


@pytest.fixture
def demo(desk: Path, printed: str) -> Path:
    """The home that `make demo` would have made."""
    return desk / "demo-ledger"


def test_the_demo_prints_what_the_readme_shows(printed):
    shown = README.split("## What the demo prints")[1].split("```")[1].strip().splitlines()
    assert printed.strip().splitlines()[: len(shown)] == shown


def test_every_command_runs_in_the_order_in_which_it_is_read(desk, demo, monkeypatch, capsys):
    monkeypatch.chdir(desk)
    wanted = calls(README)
    assert [call.words[1] for call in wanted if call.program == "make"] == list(MADE_BY_MAKE)
    assert {call.words[1] for call in wanted if call.program == "drainledger"} >= {
        "check", "profile", "load", "status", "rejected", "sql", "report", "explain", "extract", "verify", "nightly",
    }  # fmt: skip
    names = {"my_exports/export.csv": lambda: "my_exports/MG-07_mill.csv", "DX62": first_drain}
    for call in wanted:
        follow([call], capsys, ends=(cli.DONE, cli.SOME_REJECTED), names=names)
        if "suggest" in call.words:
            settle_the_doubts(call)
    assert not select(Home(Path("ledger")).database, "FROM drain", Path("ledger/lake")).is_empty()


def first_drain() -> str:
    return str(
        select(Home(Path("ledger")).database, "SELECT drain_id FROM drain", Path("ledger/lake")).item()
    )[:8]


def settle_the_doubts(call: Call) -> None:
    """What a reader does between the draft of a profile and its use, as the guide to a new site shows it."""
    settled = re.findall(r"^File `mill.toml`:\n\n```toml\n(.*?)```", NEW_SITE, re.DOTALL | re.MULTILINE)[0]
    draft = Path(call.words[-1])
    assert "doubt" in draft.read_text(encoding="utf-8").lower()
    draft.write_text(settled.replace('name = "mill"', f'name = "{draft.stem}"'), encoding="utf-8")


def test_every_command_of_the_product_is_in_the_table():
    table = README.split("## Commands")[1].split("\n## ")[0]
    for name in COMMANDS:
        assert re.search(rf"[`|,] ?`?{name}\b", table), name


def test_the_pictures_are_of_what_the_demo_loads(demo, tmp_path):
    drawn_of(Home(demo), tmp_path)
    for name in (STRIP, CURVE):
        kept = (SHARED / "guides" / "pictures" / name).read_text(encoding="utf-8")
        new = (tmp_path / name).read_text(encoding="utf-8")
        assert marks(new) == marks(kept), f"{name}: run make guides"


def marks(svg: str) -> list[tuple[str, str]]:
    """What a picture shows, wherever the machine's fonts put it: its words and its lines."""
    return re.findall(r">([^<>]+)</text>|\bd=\"([^\"]+)\"", svg)


def test_the_examples_draw_a_figure_from_the_demo(desk, demo, monkeypatch, capsys):
    monkeypatch.chdir(desk)
    wanted = calls(EXAMPLES)
    assert len(wanted) == 2
    follow(wanted, capsys)
    for call in wanted:
        svg = Path(call.words[-1]).read_text(encoding="utf-8")
        assert ">at risk</text>" in svg or ">lakeside, T4  (1 of 6, 1 unknown)</text>" in svg
