"""What `verify` says of an extract that is not the same: where it differs, so that it can be seen."""

from __future__ import annotations

from pipeline.extract.comparing import differences

HEADER = "drain_id,site,note,tube_french\n"
LONG = "x" * 100


def said(before: str, again: str, path: str = "csv/drain.csv") -> str:
    (found,) = differences({path: before.encode()}, {path: again.encode()})
    return found


def test_a_changed_cell_of_a_csv_file_is_shown_with_its_column() -> None:
    before, again = (f"{HEADER}D1,east,{LONG},28\nD2,east,{LONG},{size}\n" for size in (24, 28))
    assert said(before, again) == (
        "csv/drain.csv: line 3, column tube_french, differs: '24', made again '28'"
    )


def test_a_long_cell_is_shown_around_the_first_difference() -> None:
    before, again = (f'{HEADER}D1,east,"{LONG},{word}{LONG}",28\n' for word in ("was", "is"))
    found = said(before, again)
    assert "line 2, column note, differs: '..." in found
    assert "xx,wasxx" in found
    assert "made again '..." in found
    assert "xx,isxx" in found


def test_a_line_that_does_not_fit_the_header_or_is_no_table_is_shown_as_a_piece() -> None:
    assert said(f"{HEADER}{LONG}a,1\n", f"{HEADER}{LONG}b,1\n").endswith(
        "xxa,1', made again '..." + "x" * 20 + "b,1'"
    )
    assert said(f"{LONG}, old\n", f"{LONG}, new\n", "README.md").startswith(
        "README.md: line 1 differs: '...x"
    )


def test_an_emptied_cell_and_other_quotes_are_told() -> None:
    assert "column site, differs: '', made again 'east'" in said(
        f"{HEADER}D1,,n,2\n", f"{HEADER}D1,east,n,2\n"
    )
    assert "line 2 differs: " in said(f'{HEADER}D1,"east",n,2\n', f"{HEADER}D1,east,n,2\n")
