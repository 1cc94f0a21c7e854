"""What [match] and [decisions] may say."""

import pytest

from geoqa.core.errors import RecipeError
from geoqa.readers.recipe.recipe import job_from_table, read_recipe

RULES = [
    ({"by": "pattern"}, '[match] pattern: must be stated beside by = "pattern". Add pattern = \'^(?P<point>'),
    ({"by": "lookup"}, '[match] file: must be stated beside by = "lookup". Add file ='),
    ({"by": "place"}, '[match] radius_m: must be stated beside by = "place".'),
    ({"by": "note", "pattern": "CK (?P<point>.+)"}, '[match] by: is "note", and no column holds one. Add note ='),
    ({"by": "name", "file": "x.csv"}, '[match] file: says nothing where by = "name"'),
    ({"by": "lookup", "file": "x.csv", "offset": 5}, '[match] offset: says nothing where by = "lookup"'),
    ({"by": "pattern", "pattern": r"(\d+)"}, "[match] pattern: '(\\\\d+)' is not a pattern that can be used"),
    ({"by": "pattern", "pattern": "(?P<point>"}, "is not a pattern that can be used"),
    ({"by": "pattern", "pattern": "(?P<name>x)"}, "has no group called point. Put (?P<point>...)"),
    ({"by": "pattern", "pattern": r"(?P<point>a)|(?P<point>\d+)"}, "has two groups called point. Write (?:...|...)"),
    ({"by": "pattern", "pattern": r"(?P<point>a)(?P<x>b)?(?P<x>c)"}, "has two groups called x. Write (?:...|...)"),
    ({"by": "pattern", "pattern": r"(?P<point>.\C)"}, r"holds \C, which cuts letters into bytes. Write . for any sign"),
    ({"by": "pattern", "pattern": "(?P<point>\ud800)"}, "is not a pattern that can be used"),
    ({"by": "pattern", "offset": 0}, "[match] offset: 0 is not a whole number, at least 1"),
    ({"by": "place", "radius_m": 0}, "[match] radius_m: 0 is not a number in m, at most 100 and above 0"),
]


@pytest.mark.parametrize(("table", "expected"), RULES, ids=range(len(RULES)))
def test_a_fault_says_what_to_write(full, table, expected):
    with pytest.raises(RecipeError) as caught:
        job_from_table(full(match=table), "site.toml")
    assert expected in str(caught.value)
    assert len(caught.value.faults) == 1


def test_each_way_of_matching_is_taken_and_recorded(full):
    for table in (
        {"by": "pattern", "pattern": r"^(?P<point>\d+)(?:CHK|[A-Z])?$"}, {"by": "pattern", "offset": 1000},
        {"by": "lookup", "file": "names.csv"}, {"by": "place", "radius_m": 0.5},
    ):  # fmt: skip
        job = job_from_table(full(match=table), "site.toml")
        assert job.as_table()["match"] == table
        assert job_from_table(job.as_table()) == job


def test_only_by_place_needs_no_names(full):
    with pytest.raises(RecipeError, match="point: must be stated"):
        job_from_table(full(input__columns__point=None))
    job_from_table(full(input__columns__point=None, match={"by": "place", "radius_m": 0.5}))


def test_files_are_found_from_the_recipes_folder(full, tmp_path):
    job = job_from_table(full(decisions={"file": "d.csv"}))
    assert str(job.beside("d.csv")) == "d.csv"
    assert job.as_table()["decisions"] == {"file": "d.csv"}
    path = tmp_path / "site.toml"
    path.write_text(
        '[site]\ncrs = "EPSG:2193"\n[input]\nunit = "m"\ninitialization = "unknown"\n[input.columns]\npoint = "P"\n'
        'easting = "E"\nnorthing = "N"\n[tolerance]\nhorizontal_m = 0.05\n[decisions]\nfile = "d.csv"\n'
    )
    assert read_recipe(path).beside("d.csv") == tmp_path / "d.csv"
