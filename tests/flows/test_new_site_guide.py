"""The guide to a new site does what it says, and the way it shows leads with layouts it does not show as well."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from flows.cli import DONE, SOME_REJECTED, run
from pipeline.marts import select
from pipeline.store import Home
from shared import SHARED
from tests.support.guides import calls, follow

GUIDE = SHARED / "guides" / "new-site.md"
LAYOUTS = Path(__file__).parent / "new_site"


def _files() -> dict[str, str]:
    text = GUIDE.read_text(encoding="utf-8")
    return dict(re.findall(r"^File `([^`]+)`:\n\n```\w+\n(.*?)```", text, re.DOTALL | re.MULTILINE))


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the files that the guide shows."""
    for name, content in _files().items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(content, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_command_of_the_guide_runs_and_prints_what_is_shown(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    commands = calls(GUIDE.read_text(encoding="utf-8"))
    assert len(commands) >= 12
    follow(commands, capsys, ends=(DONE, SOME_REJECTED))
    assert [(desk / f).stat().st_mode & 0o777 for f in ("ledger", "ledger/profiles")] == [0o700, 0o700]


def test_the_folder_for_profiles_is_private_where_nothing_is_loaded_yet(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    follow([c for c in calls(GUIDE.read_text(encoding="utf-8")) if c.program == "install"], capsys)
    assert [(desk / f).stat().st_mode & 0o777 for f in ("ledger", "ledger/profiles")] == [0o700, 0o700]


SLIPS = {
    "the greatest air_leak is 0.1 mL/min: see [units] air_leak": (
        'air_leak = "L/min"',
        'air_leak = "mL/min"',
    ),
    "every pressure is above zero": ('measured = "positive"', 'measured = "negative"'),
    'has a "," in it: see decimal': ('decimal = ","', 'decimal = "."'),
    "kept as other: A4; see [alerts.codes]": ("[alerts.codes]\nA4 = ", "[alerts.codes]\nA5 = "),
    "the profile's own match does not fit": ("match = '^Mill", "match = '^Hill"),
    "value_out_of_range: '1,96'": ('ordered = "positive"', 'ordered = "negative"'),
    "clock_unreadable: '12.03.2031 11:50 AM'": (
        '[clock]\nformat = "%d.%m.%Y %I:%M %p"',
        '[clock]\nformat = "%d.%m.%Y %H:%M"',
    ),
    "clock_after_export": ('[clock]\nformat = "%d.%m', '[clock]\nformat = "%m.%d'),
    "state_unknown: 'Pause'": ("Pause = ", "Halt = "),
    "value_unreadable: '---'": ('missing = ["---"]', "missing = []"),
    'column "Tilt" is not in the file; of those it has the profile does not name "Lean (deg)"': (
        'tilt = "Lean (deg)"',
        'tilt = "Tilt"',
    ),
    "No device serial stands in its file name": ("_mill\\.csv", "_hill\\.csv"),
    "not read, for the profile does not name them: Lean (deg)": ('tilt = "Lean (deg)"\n', ""),
}


@pytest.mark.parametrize("said", SLIPS)
def test_check_leads_from_each_slip_to_its_key(
    said: str, desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    right, wrong = SLIPS[said]
    text = (desk / "mill.toml").read_text(encoding="utf-8")
    assert right in text
    (desk / "mill.toml").write_text(text.replace(right, wrong, 1), encoding="utf-8")
    run(["--home", "ledger", "check", "exports", "--profile", "mill.toml"])
    assert said in capsys.readouterr().out
    assert not (desk / "ledger").exists()


def test_day_and_month_exchanged_show_against_the_date_of_export(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (desk / "mill.toml").read_text(encoding="utf-8")
    log = desk / "exports" / "MG-07_mill.csv"
    log.write_text(log.read_text().replace("12.03.2031;", "06.03.2031;").replace("Printed;06", "Printed;12"))
    (desk / "mill.toml").write_text(text.replace('[clock]\nformat = "%d.%m', '[clock]\nformat = "%m.%d'))
    log.write_text(
        log.read_text().replace("06.03.2031;", "03.01.2031;").replace("Printed;03.01", "Printed;12.03")
    )
    run(["--home", "ledger", "check", "exports", "--profile", "mill.toml"])
    said = capsys.readouterr().out
    assert "its last minute, 2031-03-01, is further" not in said  # 3 January read as 1 March lies nearer
    log.write_text(
        log.read_text().replace("03.01.2031;", "02.03.2031;").replace("12.03.2031 06", "12.03.2031 06")
    )
    run(["--home", "ledger", "check", "exports", "--profile", "mill.toml"])
    assert (
        "its last minute, 2031-02-03, is further from the export than 2031-03-02 would be"
        in capsys.readouterr().out
    )


def _loaded(name: str, log: Path, tmp_path: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    profile, folder = LAYOUTS / f"{name}.toml", tmp_path / "exports"
    folder.mkdir()
    (folder / log.name).write_bytes(log.read_bytes())
    home = Home(tmp_path / "ledger")
    arguments = ["--home", str(home.root), "load", str(folder), "--profile", str(profile)]
    assert run(arguments) in (DONE, SOME_REJECTED)
    minutes = select(home.database, "FROM minute ORDER BY minute", home.lake.root)
    return minutes, select(home.database, "SELECT code, minutes FROM alert ORDER BY code", home.lake.root)


def test_a_layout_with_tabs_units_in_headers_and_the_serial_in_the_name(tmp_path: Path) -> None:
    minutes, _ = _loaded("fen", next(LAYOUTS.glob("FD-311*")), tmp_path)
    assert minutes.height == 12
    # By hand: 14.7 mmHg = 19.98 cm[H2O]; 3.6 L/h = 60 mL/min; 0.6 rad = 34.4 degrees.
    assert minutes["set_pressure_cmh2o"].unique().to_list() == [-19.98]
    assert minutes["air_leak_ml_min"].to_list() == [60.0] * 6 + [20.0] * 6
    assert minutes["tilt_deg"].max() == pytest.approx(34.4, abs=0.05)
    assert minutes["state"].to_list() == ["run"] * 5 + ["pause"] + ["run"] * 6
    assert minutes["minute"][0].isoformat() == "2031-03-12T22:00:00+00:00"


def test_a_layout_with_a_column_for_each_alert(tmp_path: Path) -> None:
    minutes, alerts = _loaded("quay", LAYOUTS / "quay_dump.csv", tmp_path)
    assert minutes.height == 12
    assert alerts.rows() == [("battery_low", 1), ("line_blocked", 2)]
    assert minutes["minute"][0].isoformat() == "2031-04-12T02:30:00+00:00"


def test_a_layout_with_units_under_the_header_a_sum_below_and_a_clock_without_summer_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = next(LAYOUTS.glob("Auszug*"))
    run(["--home", str(tmp_path / "none"), "check", str(log), "--profile", str(LAYOUTS / "birkhain.toml")])
    said = capsys.readouterr().out
    assert "(Europe/Berlin, standard time all year)" in said
    assert "1 file, 1 clean; 14 of 14 rows would be kept." in said
    assert "doubtful" not in said
    minutes, alerts = _loaded("birkhain", log, tmp_path)
    # By hand: 2 kPa = 20.39 cm[H2O], 1.95 and 2.3 kPa 19.88 and 23.45; 0.12 L/min = 120 mL/min.
    assert minutes["minute"][0].isoformat() == "2031-07-14T05:30:00+00:00"  # in July too an hour before UTC
    assert minutes["state"].to_list() == ["check"] * 2 + ["run"] * 6 + ["pause"] * 2 + ["run"] * 4
    assert minutes["pressure_mean_cmh2o"][2] == -19.88
    assert minutes["pressure_min_cmh2o"][2] == -23.45
    assert (
        minutes["air_leak_ml_min"].to_list() == [0] * 2 + [120] * 3 + [None] + [120] * 2 + [0] * 2 + [120] * 4
    )
    assert alerts.rows() == [("battery_low", 1), ("canister_full", 1), ("other:stoerung-3", 1)]
    home = Home(tmp_path / "ledger")
    asked = "SELECT exported_at, status, rows_read FROM load_file"
    ((exported_at, status, rows_read),) = select(home.database, asked, home.lake.root).rows()
    assert (exported_at.isoformat(), status, rows_read) == ("2031-07-14T05:55:00+00:00", "loaded", 14)


def test_a_date_of_export_that_cannot_be_read_is_shown(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = desk / "exports" / "MG-07_mill.csv"
    log.write_text(log.read_text().replace("06:00 PM", "06:00 PM;;;"))
    run(["--home", "ledger", "check", "exports", "--profile", "mill.toml"])
    shown = "whole file: exported_at exported_at_unreadable: '12.03.2031 06:00 PM;;;'"
    assert shown in capsys.readouterr().out
    run(["--home", "ledger", "load", "exports", "--profile", "mill.toml"])
    run(["--home", "ledger", "rejected"])
    assert shown in capsys.readouterr().out


def test_a_word_in_an_alert_column_that_is_none_makes_the_minute_unknown_and_is_on_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(
        [
            "--home",
            str(tmp_path),
            "check",
            str(LAYOUTS / "quay_dump.csv"),
            "--profile",
            str(LAYOUTS / "quay.toml"),
        ]
    )
    assert "line 13: alerts value_unreadable: 'Filter=?' (cell made null)" in capsys.readouterr().out


def test_the_guide_speaks_of_the_caution_and_names_every_rule_it_explains() -> None:
    text = " ".join(GUIDE.read_text(encoding="utf-8").split())
    for part in ("several causes", "under their own protocol", "invented", "clock_follows_dst"):
        assert part in text
