"""A raw file that went missing from the vault is named by its place, and heals when its bytes are given again."""

from pathlib import Path

import pytest

from flows.cli import DONE, FAILED, run
from pipeline.store import Home
from pipeline.store.vault import digest_of
from tests.support.homes import load, make_home

SAMPLES = Path(__file__).parents[3] / "sample_logs" / "lakeside"


@pytest.fixture
def robbed(tmp_path: Path) -> tuple[Home, Path]:
    """A home from whose vault one log's bytes were taken, and that log."""
    log = next(
        path for path in sorted(SAMPLES.rglob("*.csv")) if path.read_text().startswith("# drain-log: 1")
    )
    home = Home(tmp_path / "home")
    assert run(["--home", str(home.root), "load", str(log)]) == DONE
    digest = digest_of(log.read_bytes())
    (home.root / "raw" / digest[:2] / digest).unlink()
    return home, log


def test_a_missing_raw_file_is_named_by_the_place_it_belongs_to(
    robbed: tuple[Home, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    home, log = robbed
    assert run(["--home", str(home.root), "rebuild"]) == FAILED
    digest = digest_of(log.read_bytes())
    assert f"{home.root}/raw/{digest[:2]}/{digest}" in capsys.readouterr().err


def test_the_same_bytes_given_again_put_it_back(robbed: tuple[Home, Path]) -> None:
    home, log = robbed
    assert run(["--home", str(home.root), "load", str(log)]) == DONE
    assert home.raw.has(digest_of(log.read_bytes()))
    assert run(["--home", str(home.root), "rebuild"]) == DONE


def test_bytes_under_a_name_that_tells_nothing_are_read_under_the_one_that_does(tmp_path: Path) -> None:
    given = tmp_path / "given"
    given.mkdir()
    whole = next(
        (Path(__file__).parents[3] / "sample_logs" / "north").glob("north_NK-0101_20310313*")
    ).read_bytes()
    for name in ("A copy.csv", "north_NK-0101_20310313.csv", "z copy.csv"):
        (given / name).write_bytes(whole)
    home = make_home(tmp_path / "home")
    first = load(home, [given])
    assert [(o.status, o.rows_kept) for o in first.new] == [("loaded", 3870)]
    again = load(home, [given])
    assert (again.new, again.published) == ((), False)
