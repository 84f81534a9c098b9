"""A raw file that went missing from the vault is named by its place, and heals when its bytes are given again."""

from pathlib import Path

import pytest

from flows.cli import DONE, FAILED, run
from pipeline.store import Home
from pipeline.store.vault import digest_of

SAMPLES = Path(__file__).parents[2] / "sample_logs" / "lakeside"


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
