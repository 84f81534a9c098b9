"""A log without an end line may be cut off anywhere; whoever loads it is told that nothing can tell."""

import os
from pathlib import Path

import pytest

from flows.cli import DONE, run

WHOLE = Path(__file__).parents[3] / "sample_logs" / "lakeside"


@pytest.fixture
def cut(tmp_path: Path) -> tuple[Path, Path]:
    """A log that ends with its end line, and the same broken off between two rows."""
    log = next(
        path
        for path in sorted(WHOLE.rglob("*.csv"))
        if (text := path.read_text()).startswith("# drain-log: 1") and "# end: rows=" in text
    )
    lines = log.read_text().splitlines(keepends=True)
    (broken := tmp_path / "broken.csv").write_text("".join(lines[: len(lines) // 2]))
    (whole := tmp_path / "whole.csv").write_text("".join(lines))
    return whole, broken


def test_check_doubts_a_log_without_an_end_line(
    cut: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(tmp_path / "home")]
    assert run([*home, "check", str(cut[1])]) == DONE
    said = capsys.readouterr().out
    assert "doubtful: it has no end line although its layout has one" in said
    last = cut[1].read_text().splitlines()[-1].split(",")[1].replace("T", " ")[:16]
    assert f"cut off after its last row ({last}); export it again or compare that row" in said
    assert run([*home, "check", str(cut[0])]) == DONE
    assert "no end line" not in capsys.readouterr().out


def test_load_counts_the_logs_that_do_not_say_whether_they_are_whole(
    cut: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(tmp_path / "home")]
    assert run([*home, "load", *map(str, cut)]) == DONE
    assert "1 log without an end line" in capsys.readouterr().out
    assert run([*home, "load", *map(str, cut)]) == DONE
    assert "end line" not in capsys.readouterr().out


def test_a_night_and_status_count_them_and_the_night_is_done(
    cut: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home, landing = ["--home", str(tmp_path / "home")], tmp_path / "landing"
    landing.mkdir()
    for log in cut:
        os.utime(log.rename(landing / log.name), (0, 0))
    assert run([*home, "nightly", "--plain", "--landing", str(landing)]) == DONE
    assert "; 1 log without an end line; " in capsys.readouterr().out
    assert run([*home, "status"]) == DONE
    assert "2 loaded; 1 log without an end line; last taken in" in capsys.readouterr().out
