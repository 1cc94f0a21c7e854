"""``[[file]]``: what single files have otherwise, from the recipe to the review."""

import json

import pytest

import geoqa
from geoqa.core import job as core_job
from geoqa.core.errors import RecipeError
from geoqa.readers.recipe.recipe import job_from_table

RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
    "input": {
        "unit": "m", "precision": "sigma", "timezone": "UTC", "where": "Deleted != 'Y'",
        "columns": {
            "point": "Mark", "easting": "E", "northing": "N", "height": "H", "precision_h": "sH", "start": "T",
            "initialization": "Init", "role": "Role", "solution": "Sol",
        },
        "values": {"solution": {"RTK": "fixed"}},
    },
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10},
    "roles": {"corner": {"tolerance": {"horizontal_m": 0.02}}},
    "file": [
        {
            "path": "day2*.csv",
            "input": {
                "unit": "ft", "where": False, "initialization": "asserted", "asserted_by": "K. R.",
                "columns": {
                    "point": 1, "northing": 2, "easting": 3, "height": 4, "precision_h": False, "start": False,
                    "initialization": False, "solution": False, "role": 5,
                },
                "header": False,
            },
            "tolerance": {"horizontal_m": 0.20},
        }
    ],
}  # fmt: skip
DAY1 = (
    "Mark,E,N,H,sH,T,Init,Role,Sol,Deleted\n"
    "P1,1600000.000,5400000.000,100.000,0.01,2026-02-02T08:00:00,i1,,RTK,N\n"
    "P2,1600010.000,5400000.000,100.000,0.01,2026-02-02T08:10:00,i2,corner,RTK,N\n"
    "P3,1600020.000,5400000.000,100.000,0.01,2026-02-02T08:20:00,i3,,RTK,Y\n"
)


def feet(metres):
    return f"{metres / 0.3048:.4f}"


def day2(*rows):
    return "".join(f"{p},{feet(n)},{feet(e)},{feet(h)},{role}\n" for p, e, n, h, role in rows)


@pytest.fixture
def site(tmp_path):
    (tmp_path / "day1.csv").write_text(DAY1, encoding="utf-8")
    rows = [
        (p, 1600000 + east, 5400000.0, 100.0, role)
        for p, east, role in (("P1", 0.1, ""), ("P4", 30, ""), ("P5", 40, "corner"))
    ]
    (tmp_path / "day2-b.csv").write_text(day2(*rows), encoding="utf-8")
    return [tmp_path / "day1.csv", tmp_path / "day2-b.csv"]


def test_two_files_with_their_own_units_columns_and_tolerance(site):
    review = geoqa.review(site, RECIPE)
    rows = review.frames["occupations"].set_index("source_file")
    own = rows.loc["day2-b.csv"].set_index("point")
    # an international foot is 0.3048 m exactly; the file writes a ten-thousandth of one
    assert own.loc["P1", "easting_m"] == pytest.approx(1600000.1, abs=0.3048e-4)
    assert own["sigma_e_m"].isna().all()
    assert own["initialization"].nunique() == 3
    assert review.accounts["day1.csv"]["rows"] == {"read": 3, "used": 2, "set_aside": 1}
    assert review.accounts["day2-b.csv"]["rows"] == {"read": 3, "used": 3, "set_aside": 0}
    points = review.frames["points"].set_index("point")
    assert points.loc["P4", "role"] == "(day2*.csv)"
    assert points.loc["P5", "role"] == "corner"  # its tolerance is stated for the role, in every file
    assert review.job.role("(day2*.csv)").tolerance.horizontal_m == 0.20
    assert review.job.role("(day2*.csv)").tolerance.vertical_m == 0.08
    closure = review.frames["closures"].iloc[0]
    assert closure["horizontal_m"] == pytest.approx(0.1, abs=1e-4)
    told = " ".join(review.messages)
    assert "day2-b.csv: its rows without a role have rules of their own, as '(day2*.csv)'" in told
    assert "day2-b.csv: that every row is a fresh initialization is asserted by K. R., not shown" in told


def test_a_role_of_one_file_takes_a_name_of_its_own(site):
    recipe = json.loads(json.dumps(RECIPE))
    recipe["file"][0]["roles"] = {"corner": {"tolerance": {"horizontal_m": 0.5}}}
    review = geoqa.review(site, recipe)
    points = review.frames["points"].set_index("point")
    assert (points.loc["P2", "role"], points.loc["P5", "role"]) == ("corner", "corner (day2*.csv)")
    assert review.job.role("corner (day2*.csv)").tolerance.horizontal_m == 0.5


def test_the_record_holds_everything_and_reads_as_the_same_job(site, tmp_path):
    review = geoqa.review(site, RECIPE)
    review.write(tmp_path / "out")
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    own = record["recipe"]["file"][0]
    assert (own["path"], own["input"]["unit"], own["input"]["where"]) == ("day2*.csv", "ft", False)
    assert own["input"]["columns"]["precision_h"] is False
    again = geoqa.review(site, record["recipe"])
    assert again.job == review.job
    assert again.counts == review.counts
    job = job_from_table(RECIPE)
    assert job_from_table(json.loads(json.dumps(job.as_table()))) == job


def test_a_rule_that_matches_nothing_is_said_and_two_that_match_are_refused(site):
    recipe = json.loads(json.dumps(RECIPE))
    recipe["file"][0]["path"] = "day3*.csv"
    review = geoqa.review(site[:1], recipe)
    assert any("[[file]] 'day3*.csv' matches none of the input files" in text for text in review.messages)
    recipe["file"] = [{"path": "day1*.csv"}, {"path": "*.csv"}]
    with pytest.raises(RecipeError, match=r"'day1\*.csv' and '\*.csv': match day1.csv. Narrow the paths"):
        geoqa.review(site[:1], recipe)


def test_a_path_is_matched_from_the_right(tmp_path):
    job = job_from_table(RECIPE | {"file": [{"path": "b/day*.csv", "input": {"unit": "ft"}}]})
    assert core_job.recipe_of(tmp_path / "b" / "day1.csv", job).input.unit == "ft"
    assert core_job.recipe_of(tmp_path / "a" / "day1.csv", job) is job


def refused(*entries, **changes):
    with pytest.raises(RecipeError) as caught:
        job_from_table(RECIPE | {"file": list(entries)} | changes, "site.toml")
    return [str(fault) for fault in caught.value.faults]


def test_all_faults_of_the_files_at_once():
    faults = refused(
        {"path": "a.csv", "input": {"unit": "yd", "columns": {"heigth": "H"}}, "tolerance": {"horizontal_m": -1}},
        {"input": {"unit": "ft"}},
        {"path": "a.csv"},
        {"path": "b.csv", "site": {"crs": "EPSG:4167"}, "imput": {}},
        {"path": "c.csv", "input": {"columns": {"sigma_e": "x", "sigma_n": "y"}}},
    )
    for expected in (
        "site.toml: [[file]] 'a.csv': [input] unit: 'yd' is not one of 'm', 'ft', 'ftUS'",
        "site.toml: [[file]] 'a.csv': [input.columns] heigth: is not a column here. Did you mean 'height'?",
        "site.toml: [[file]] 'a.csv': [tolerance] horizontal_m: -1 is not a number in m",
        "site.toml: [[file]] number 2 path: must be stated. Add path =",
        "site.toml: [[file]] 'a.csv': stands twice.",
        "site.toml: [[file]] 'b.csv' [site]: holds for the whole site and cannot differ by file.",
        "site.toml: [[file]] 'b.csv' imput: is not a key or a table here. Did you mean 'input'?",
        "site.toml: [[file]] 'c.csv': [input.columns] precision_h: stands beside sigma_e.",
    ):
        assert any(fault.startswith(expected) for fault in faults), (expected, faults)
    assert any("precision_h = false" in fault for fault in faults if "c.csv" in fault)


def test_a_fault_of_the_whole_recipe_is_told_once():
    faults = refused({"path": "a.csv"}, {"path": "b.csv"}, base={"sigma_h_m": "small"})
    assert len(faults) == 1


@pytest.mark.parametrize("entries", [3, {"path": "a.csv"}, [3]])
def test_what_is_no_list_of_files(entries):
    with pytest.raises(RecipeError, match=r"\[\[file\]\]: is not a list of tables. Write \[\[file\]\], then path"):
        job_from_table(RECIPE | {"file": entries})


def test_a_purpose_stands_alone():
    job = job_from_table(RECIPE | {"file": [{"path": "a.csv", "tolerance": {"purpose": "rt2"}}]})
    assert job.files[0].recipe.tolerance.purpose == "rt2"
    assert job_from_table(job.as_table()) == job


@pytest.mark.parametrize("path", ["", " ", ".", 3, None])
def test_what_is_no_path(path):
    with pytest.raises(RecipeError, match=r"must be stated\. Add path"):
        job_from_table(RECIPE | {"file": [{"path": path}]})
