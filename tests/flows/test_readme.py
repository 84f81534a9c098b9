"""What the README shows is what the product prints."""

from pathlib import Path

from flows import cli

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def test_the_demo_prints_what_the_readme_shows(tmp_path, capsys):
    shown = README.split("## What the demo prints")[1].split("```")[1].strip().splitlines()
    assert cli.run(["--home", str(tmp_path / "demo-ledger"), "demo"]) == cli.DONE
    printed = capsys.readouterr().out.replace(f"{tmp_path}/", "").strip().splitlines()
    assert printed[: len(shown)] == shown
