"""A home kept and brought back is the same home; whatever is missing or changed is said before it is used."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.cli import DONE, WRONG_CALL, run
from flows.keeping.backup import LIST, run_backup, run_restore
from flows.research.extract import run_extract
from flows.research.verify import run_verify
from pipeline.store import Home
from schemas.errors import CallError, InputError, LedgerError
from tests.support.homes import NOW, differences, load, published


@pytest.fixture(scope="module")
def kept(loaded_ward: Home, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("backups") / "kept"
    run_backup(loaded_ward, folder, NOW)
    return folder


def test_a_home_brought_back_gives_the_same_database_and_pseudonyms(
    kept: Path, loaded_ward: Home, tmp_path: Path
) -> None:
    home = Home(tmp_path / "restored")
    run_restore(kept, home, NOW)
    assert differences(published(home), published(loaded_ward)) == []
    assert home.secret() == loaded_ward.secret()
    assert not load(home, []).published  # and asks for nothing more
    raw = next(path for path in (home.root / "raw").rglob("*") if path.is_file())
    assert raw.stat().st_mode & 0o777 == 0o400
    assert (home.private / "secret").stat().st_mode & 0o777 == 0o600


def test_an_extract_made_before_is_verified_in_the_home_brought_back(ward: Home, tmp_path: Path) -> None:
    cohort = tmp_path / "all.toml"
    cohort.write_text('cohort = 1\nname = "all"\ntitle = "All"\n')
    load(ward, [])
    run_extract(ward, cohort, tmp_path / "out")
    run_backup(ward, tmp_path / "kept", NOW)
    home = Home(tmp_path / "restored")
    run_restore(tmp_path / "kept", home, NOW)
    assert run_verify(home, tmp_path / "out").same


def test_a_home_that_is_there_is_never_restored_over(kept: Path, ward: Home) -> None:
    before = published(ward)
    with pytest.raises(CallError, match="is there already and not empty"):
        run_restore(kept, ward, NOW)
    assert differences(published(ward), before) == []


def test_a_backup_goes_to_a_new_folder_outside_the_home(ward: Home, tmp_path: Path) -> None:
    with pytest.raises(CallError, match="lies in the home itself"):
        run_backup(ward, ward.root / "backup", NOW)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "something").touch()
    with pytest.raises(CallError, match="not empty"):
        run_backup(ward, tmp_path / "full", NOW)


def test_a_backup_is_not_put_where_a_drive_is_missing(ward: Home, tmp_path: Path) -> None:
    with pytest.raises(CallError, match="check that its drive is mounted"):
        run_backup(ward, tmp_path / "drive" / "kept", NOW)
    assert not (tmp_path / "drive").exists()


def test_no_backup_is_made_while_a_load_runs(ward: Home, tmp_path: Path) -> None:
    with ward.locked(), pytest.raises(LedgerError, match="a load is running"):
        run_backup(ward, tmp_path / "kept", NOW)
    assert list(tmp_path.glob(".kept*")) == []


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        ("lost secret", "key of the pseudonyms is missing"),
        ("other secret", "is not the key this backup was made with"),
        ("lost raw file", "is missing from the backup"),
        ("changed file", "is not what was kept"),
        ("lost list", "name the folder of a backup"),
        ("path outside", "names files outside the home"),
    ],
)
def test_harm_to_a_backup_is_said_and_no_home_appears(
    harm: str, said: str, loaded_ward: Home, tmp_path: Path
) -> None:
    folder, home = tmp_path / "kept", Home(tmp_path / "restored")
    run_backup(loaded_ward, folder, NOW)
    raw = next(path for path in sorted((folder / "raw").rglob("*")) if path.is_file())
    secret = folder / "private" / "secret"
    match harm:
        case "lost secret":
            secret.unlink()
        case "other secret":
            secret.write_text(bytes(32).hex())
        case "lost raw file":
            raw.unlink()
        case "changed file":
            raw.chmod(0o600)
            raw.write_bytes(raw.read_bytes()[:-1] + b"x")
        case "lost list":
            (folder / LIST).unlink()
        case "path outside":
            told = (folder / LIST).read_text().replace('"private/secret"', '"../secret"')
            (folder / LIST).write_text(told)
    with pytest.raises(InputError, match=said):
        run_restore(folder, home, NOW)
    assert not home.root.exists()
    assert list(tmp_path.glob(".restored*")) == []


def test_a_home_that_lost_its_secret_is_not_loaded_into(ward: Home) -> None:
    (ward.private / "secret").unlink()
    with pytest.raises(LedgerError, match=r"key of the pseudonyms|restore it"):
        load(ward, [])


def test_the_commands_say_what_was_kept(
    ward: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["backup", "--to", str(tmp_path / "kept"), "--home", str(ward.root)]) == DONE
    assert "keep it as you keep the home" in capsys.readouterr().out
    assert run(["restore", str(tmp_path / "kept"), "--home", str(ward.root)]) == WRONG_CALL
    assert run(["restore", str(tmp_path / "kept"), "--home", str(tmp_path / "new")]) == DONE
    assert "Brought back" in capsys.readouterr().out
