"""A log without an end line may be cut off anywhere; whoever loads it is told that nothing can tell."""

from pathlib import Path

import pytest

from flows.cli import DONE, run

WHOLE = Path(__file__).parents[2] / "sample_logs" / "lakeside"


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
    assert "doubtful: it has no end line" in capsys.readouterr().out
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
