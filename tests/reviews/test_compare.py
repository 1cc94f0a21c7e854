"""`geoqa compare A B`: what differs between two reviews, in words and as a table."""

from __future__ import annotations

import pandas as pd
import pytest
import sites

from geoqa.cli import main


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """One file reviewed with two tolerances, and a third time with a point fewer."""
    folder = tmp_path_factory.mktemp("two")
    data, toml = sites.write(folder)
    main(["review", str(data), "-r", str(toml), "-o", str(folder / "a")])
    toml.write_text(
        sites.RECIPE.replace("horizontal_m = 0.05\nvertical_m = 0.08", "horizontal_m = 0.008\nvertical_m = 0.08")
    )
    main(["review", str(data), "-r", str(toml), "-o", str(folder / "b")])
    fewer = folder / "fewer.csv"
    fewer.write_text(
        "\n".join((sites.HEAD, *sites.ROWS[:-1], "=9,1600040.000,5400000.000,102.000,0.010,0.015,,,")) + "\n"
    )
    main(["review", str(fewer), "-r", str(toml), "-o", str(folder / "c")])
    return folder


def said(capsys, folder, *names):
    capsys.readouterr()
    code = main(["compare", *(str(folder / name) for name in names)])
    return code, capsys.readouterr().out.splitlines()


def test_the_key_that_differs_and_the_point_that_moved_are_named(two, capsys):
    code, lines = said(capsys, two, "a", "b")
    assert code == 1
    assert "  [tolerance] horizontal_m: 0.05 → 0.008" in lines
    assert "  the same files, the same geoqa" in lines
    point = next(line for line in lines if line.startswith("  A1 "))
    status = pd.read_csv(two / "b" / "points.csv").set_index("point").loc["A1", "status"]
    assert f"confirmed → {status}" in point and status != "confirmed"
    assert "May be delivered: 1 in A, 0 in B; 1 only in A, 0 only in B" in lines


def test_a_review_is_like_itself(two, capsys):
    code, lines = said(capsys, two, "a", "a")
    assert code == 0
    assert lines[-1] == "No point differs in status, delivery or coordinate."
    assert "  the same" in lines


def test_points_that_one_lacks_are_told_and_the_table_is_safe(two, tmp_path):
    out = tmp_path / "both.csv"
    main(["compare", str(two / "b"), str(two / "c"), "--out", str(out)])
    table = pd.read_csv(out).set_index("point")
    assert table.loc["A3", "change"] == "gone" and table.loc["'=9", "change"] == "new"
    assert main(["compare", str(two / "b"), str(two / "c"), "--out", str(out)]) == 2


def test_the_files_only_one_was_made_of_are_named(two, capsys):
    _, lines = said(capsys, two, "b", "c")
    assert "  only A: occupations.csv" in lines and "  only B: fewer.csv" in lines


def test_a_folder_that_is_no_review_is_refused(two, tmp_path, capsys):
    assert main(["compare", str(two / "a"), str(tmp_path)]) == 2
    assert "geoqa review" in capsys.readouterr().err
