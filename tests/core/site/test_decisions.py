"""A reviewer's decisions on rows: what each does, in which order, and what no longer fits."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from geoqa.core.errors import InputError
from geoqa.core.job import FileRule, Job
from geoqa.core.recipe import InputFormat, Requirement, Site, Source, Tolerance
from geoqa.core.site import decisions


def job(crs="EPSG:2193", unit="m"):
    return Job(
        site=Site(crs=crs), input=InputFormat(unit=unit, initialization="column"), columns={},
        tolerance=Tolerance(horizontal_m=0.05), requirement=Requirement(),
    )  # fmt: skip


def frame(**more):
    return pd.DataFrame({
        "occupation_id": [1, 2, 3, 4], "point": pd.Categorical(["A", "A", "B", "C"]),
        "easting_m": [1600000.123, 1600000.5, 1600010.0, 1600020.0],
        "northing_m": [5400000.456, 5400000.5, 5400000.0, 5400000.0],
        "source_file": pd.Categorical(["a:b.csv", "a:b.csv", "a:b.csv", "other.csv"]), "source_line": [2, 3, 4, 2],
    } | more)  # fmt: skip


def entries(*rows):
    names = ("action", "kind", "target", "guard", "new_point")
    table = {name: pd.Series([row[i] or None for row in rows], dtype="str") for i, name in enumerate(names)}
    more = {"source_file": "decisions.csv", "source_line": np.arange(2, len(rows) + 2)}
    return pd.DataFrame(table | {"decision_id": np.arange(1, len(rows) + 1)}).assign(**more)


def applied(*rows, given=None, made=None):
    return decisions.apply(frame() if given is None else given, entries(*rows), made or job())


def test_without_decisions_the_frame_stays_as_it_is():
    given = frame()
    found, told = decisions.apply(given, entries(), job())
    assert found is given
    assert {"point", "point_before", "occupations", "occupation_id"} <= set(told.columns)


def test_a_row_is_rejected_by_its_line_under_the_name_it_was_meant_for():
    given = frame()
    before = given.copy(deep=True)
    found, told = applied(("reject", "occupation", "a:b.csv:3", "A", ""), given=given)
    pd.testing.assert_frame_equal(given, before)
    assert found["decision"].astype("object").fillna("-").tolist() == ["-", "rejected", "-", "-"]
    assert found["name_read"].tolist() == ["A", "A", "B", "C"]
    assert told[["point", "occupations", "occupation_id"]].to_numpy().tolist() == [["A", 1, 2]]


@pytest.mark.parametrize(
    ("guard", "fits"),
    [("1600000.123 5400000.456", True), ("1600000.1 5400000.5", True), ("1600000; 5400000", True),
     ("1600000.12,5400000.46", True), ("1600000.124 5400000.456", False), ("1600000.123 5400000.457", False),
     ("B", False), ("a", False)],
)  # fmt: skip
def test_a_coordinate_guards_to_the_digits_it_gives(guard, fits):
    entry = ("reject", "occupation", "a:b.csv:2", guard, "")
    if fits:
        assert applied(entry)[0]["decision"].notna().sum() == 1
        return
    with pytest.raises(InputError, match=r"decisions.csv: line 2: 'a:b.csv:2' was meant for .* and is 'A' at 1600000"):
        applied(entry)


def test_a_coordinate_guard_is_in_the_files_own_unit():
    feet = frame(easting_m=np.full(4, 6400000 * 1200 / 3937), northing_m=np.full(4, 1800000.25 * 1200 / 3937))
    entry = ("accept", "occupation", "a:b.csv:2", "6400000.00 1800000.25", "")
    assert applied(entry, given=feet, made=job("EPSG:2229", "ftUS"))[0]["decision"].iloc[0] == "accepted"
    degrees = frame(lon_deg=np.full(4, 170.1234567), lat_deg=np.full(4, -45.5))
    entry = ("accept", "occupation", "a:b.csv:2", "170.123457 -45.500000", "")
    assert applied(entry, given=degrees, made=job("EPSG:4167"))[0]["decision"].iloc[0] == "accepted"


def test_a_row_is_reassigned_also_to_a_name_nobody_has():
    found, told = applied(
        ("reassign", "occupation", "a:b.csv:2", "A", "B"), ("reassign", "occupation", "other.csv:2", "C", "Aa")
    )
    assert found["point"].tolist() == ["B", "A", "B", "Aa"]
    assert found["point"].cat.categories.tolist() == ["A", "Aa", "B"]
    assert found["name_read"].tolist() == ["A", "A", "B", "C"]
    assert told[["point_before", "point"]].to_numpy().tolist() == [["A", "B"], ["C", "Aa"]]


def test_the_name_as_read_guards_a_row_that_matching_renamed():
    given = frame(name_read=pd.Categorical(["A", "A2", "B", "C"]))
    assert applied(("reject", "occupation", "a:b.csv:3", "A2", ""), given=given)[0]["decision"].notna().sum() == 1
    with pytest.raises(InputError, match="was meant for 'A'"):
        applied(("reject", "occupation", "a:b.csv:3", "A", ""), given=given)


def test_of_a_point_every_row_is_decided_and_acceptance_comes_last():
    found, told = applied(
        ("accept", "point", "D", "", ""), ("reject", "occupation", "a:b.csv:2", "A", ""),
        ("reassign", "point", "A", "", "D"), ("reject", "point", "C", "", ""),
    )  # fmt: skip
    assert found["point"].tolist() == ["D", "D", "B", "C"]
    assert found["decision"].astype("object").fillna("-").tolist() == ["rejected", "reassigned", "-", "rejected"]
    assert told["occupations"].tolist() == [2, 1, 2, 1]


def test_an_accepted_point_leaves_no_mark_on_its_rows():
    found, told = applied(("accept", "point", "A", "", ""))
    assert found["decision"].isna().all()
    assert told["occupations"].tolist() == [2]


def test_every_decision_that_no_longer_fits_is_named_at_once():
    with pytest.raises(InputError) as caught:
        applied(
            ("reject", "occupation", "gone.csv:2", "A", ""), ("reject", "occupation", "a:b.csv:99", "A", ""),
            ("reject", "occupation", "a:b.csv:4", "A", ""), ("accept", "point", "Z", "", ""),
            ("accept", "point", "A", "1 2", ""), ("reassign", "point", "B", "", "B"),
        )  # fmt: skip
    assert [fault.where for fault in caught.value.faults] == [f"decisions.csv: line {k}" for k in (7, 2, 3, 4, 5, 6)]
    text = str(caught.value)
    for word in ("'gone.csv:2': no such file or line", "'a:b.csv:99'", "is 'B' at 1600010", "point 'Z'", "B' already"):
        assert word in text


def test_a_coordinate_guard_is_also_in_the_unit_that_one_file_or_column_has_for_itself():
    whole = job()
    feet = replace(whole, input=InputFormat(unit="ftUS", initialization="column"))
    column = replace(
        whole, columns={"easting": Source(column="E", unit="ft"), "northing": Source(column="N", unit="ft")}
    )
    for own, size in ((feet, 1200 / 3937), (column, 0.3048)):
        made = replace(whole, files=(FileRule(path="crew2/*.csv", recipe=own),))
        guard = f"{1600020 / size:.3f} {5400000 / size:.3f}"
        found, _ = applied(("reject", "occupation", "other.csv:2", guard, ""), made=made)
        assert found["decision"].astype("object").fillna("-").tolist() == ["-", "-", "-", "rejected"]
        with pytest.raises(InputError, match="was meant for"):
            applied(("reject", "occupation", "other.csv:2", guard, ""))
