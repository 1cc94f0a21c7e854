import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import GeoqaError, RecipeError
from geoqa.core.recipe import PRESETS
from geoqa.readers.recipe.recipe import job_from_table, read_recipe

GOOD = """
[site]
name = "Totara Saddle"
crs = "EPSG:2193"
height = "ellipsoidal"
[input]
unit = "m"
precision = "drms"
where = "Deleted != 'Y'"
[input.columns]
point = "Mark"
easting = "E"
northing = 3
height = "H"
precision_h = "sH"
initialization = "Init"
solution = "Sol"
[input.values.solution]
"RTK FIX" = "fixed"
[roles.corner]
single_by_plan = true
[roles.corner.tolerance]
horizontal_m = 0.02
[tolerance]
horizontal_m = 0.05
vertical_m = 0.08
[requirement]
horizontal_m = 0.05
vertical_m = 0.10
[step.visits]
anything = 3
"""


def refused(table, *expected):
    """Check that the recipe is refused and that each expected text is in a fault; return the faults."""
    with pytest.raises(RecipeError) as caught:
        job_from_table(table, "site.toml")
    faults = [str(fault) for fault in caught.value.faults]
    for text in expected:
        assert any(text in fault for fault in faults), (text, faults)
    return faults


def test_reads_a_recipe(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(GOOD, encoding="utf-8")
    job = read_recipe(path)
    assert job.site.crs == "EPSG:2193"
    assert job.input.initialization == "column"  # implied by the column
    assert job.columns["northing"] == 3
    assert job.values == {"solution": {"RTK FIX": "fixed"}}
    assert job.steps == {"visits": {"anything": 3}}
    assert job.requirement.confidence == 0.95
    assert job.requirement.judge == "hv"


def test_a_role_takes_from_the_whole_job_what_it_does_not_state(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(GOOD, encoding="utf-8")
    corner = read_recipe(path).role("corner")
    assert (corner.tolerance.horizontal_m, corner.tolerance.vertical_m) == (0.02, 0.08)
    assert corner.requirement.horizontal_m == 0.05
    assert corner.single_by_plan
    assert not read_recipe(path).role("track").single_by_plan


def test_a_completed_recipe_reads_as_the_same_job(full):
    table = full(
        roles={"corner": {"single_by_plan": True, "tolerance": {"horizontal_m": 0.02}}, "peg": {}},
        base={"sigma_h_m": 0.01},
        step={"visits": {"x": 1}},
    )
    job = job_from_table(table)
    assert job_from_table(job.as_table()) == job


def test_a_completed_preset_reads_as_the_same_job(full):
    job = job_from_table(full(tolerance={"purpose": "rt2"}))
    assert job.tolerance == PRESETS["rt2"]
    assert job_from_table(job.as_table()) == job


def test_a_role_that_changes_a_preset_says_where_each_value_comes_from(full):
    job = job_from_table(full(tolerance={"purpose": "rt2"}, roles={"corner": {"tolerance": {"horizontal_m": 0.01}}}))
    corner = job.role("corner").tolerance
    assert corner.purpose is None
    assert corner.vertical_m == PRESETS["rt2"].vertical_m
    assert corner.reference.startswith("stated in the recipe for this role; what it does not state: National Geodetic")


def test_the_requirement_may_be_left_out(full):
    job = job_from_table(full(requirement=None))
    assert job.requirement.horizontal_m is None
    assert (job.requirement.confidence, job.requirement.judge) == (0.95, "hv")


def test_no_tolerance_is_refused_not_chosen(full):
    (fault,) = refused(full(tolerance=None))
    assert fault.startswith("site.toml: [tolerance]: must be stated: geoqa does not choose a tolerance")
    assert "rt1" in fault


def test_purpose_and_values_together(full):
    (fault,) = refused(full(tolerance={"purpose": "rt1", "horizontal_m": 0.5}))
    assert "State the purpose or the values, not both." in fault
    refused(full(tolerance={"purpose": "rt9"}), "'rt9' is not a preset. Did you mean 'rt")


def test_all_faults_at_once(full):
    table = full(
        file=[{"path": "x"}, {"path": "y", "input": {"unit": "yd"}}], decisions={"fiel": "d.csv"}, tolerence={},
        match={"by": "nearness"},
        input__unit="yards", input__angle="grads", input__timezone="Pacific/Aukland", input__where="a == 1",
        input__time_format="%H:%M", input__columns__note={"column": "Note", "pattern": "x"}, input__columns__heigth="H",
        roles={"corner": {"singel_by_plan": True, "tolerance": {"horizontal_m": -1}}},
        base={"sigma_h_m": "small"}, tolerance__horizontal_ppm=1.0,
    )  # fmt: skip
    faults = refused(
        table,
        "site.toml: [[file]] 'y': [input] unit: 'yd' is not one of",
        "[decisions] fiel: is not a key here. Did you mean 'file'?",
        "[tolerence]: is not a table here. Did you mean 'tolerance'?",
        "[match] by: 'nearness' is not one of",
        "[input] unit: 'yards' is not one of",
        "[input] angle: 'grads' is not one of 'dd', 'dms', 'packed-dms'.",
        "[input] timezone: 'Pacific/Aukland' is not a known time zone. Did you mean 'Pacific/Auckland'?",
        "[input] where: character 3: '==' stands where",
        "[input] time_format: '%H:%M' does not give a full date",
        "[input.columns] note pattern: 'x' has no groups. Write a pattern with one group in round brackets",
        "[input.columns] heigth: is not a column here. Did you mean 'height'?",
        "[roles.corner] singel_by_plan: is not a key here. Did you mean 'single_by_plan'?",
        "[roles.corner.tolerance] horizontal_m: -1 is not a number in m",
        "[base] sigma_h_m: 'small' is not a number",
        "[tolerance] horizontal_ppm: needs the distances to the base.",
    )
    assert len(faults) == 15


OPEN = {
    "site__crs": "[site] crs", "site__height": "[site] height", "input__unit": "[input] unit",
    "input__precision": "[input] precision", "input__timezone": "[input] timezone",
    "input__time_format": "[input] time_format", "input__initialization": "[input] initialization",
    "input__columns__point": "[input.columns] point", "tolerance__horizontal_m": "[tolerance] horizontal_m",
    "tolerance__vertical_m": "[tolerance] vertical_m", "tolerance__convention": "[tolerance] convention",
    "requirement__horizontal_m": "[requirement] horizontal_m", "requirement__confidence": "[requirement] confidence",
}  # fmt: skip


@pytest.mark.parametrize("path", OPEN)
def test_an_open_line_is_refused_by_name(full, path):
    faults = refused(full(**{path: "?"}), f"{OPEN[path]}: must be stated.")
    assert sum("must be stated" in fault for fault in faults) == 1


def test_an_open_word_is_refused(full):
    table = full(input__columns__solution="Sol", input__values__solution={"RTK": "?", "FIX": "fixd"})
    refused(
        table, "[input.values.solution] 'RTK': must be stated. Write one of fixed", "'fixd' is not one of fixed, float"
    )


RULES = [
    ({"input__columns__point": None}, "[input.columns] point: must be stated"),
    ({"input__columns__northing": None}, "[input.columns] northing: must be stated beside the other"),
    ({"input__columns__longitude": "x"}, "holds both easting, northing and longitude, latitude"),
    ({"site__crs": "EPSG:4167"}, "[site] crs: 'EPSG:4167' (NZGD2000) counts in degrees, and the columns are easting"),
    ({"site__crs": "EPSG:99999999"}, "[site] crs: 'EPSG:99999999' is not a known coordinate system"),
    ({"site__combined_factor": 0.9998}, "[site] combined_factor: belongs to a local frame, and crs is 'EPSG:2193'"),
    ({"site__crs": 2193}, "[site] crs: 2193 is not text."),
    ({"site__height": None}, 'Add height = "ellipsoidal", or a label such as height = "NZVD2016".'),
    ({"tolerance__vertical_m": None}, "[tolerance] vertical_m: must be stated: the input has heights"),
    ({"tolerance__vertical_ppm": 1.0}, "[tolerance] vertical_ppm: needs the distances to the base"),
    ({"tolerance__reference": " "}, "[tolerance] reference: is empty."),
    ({"input__columns__height": None}, "[input.columns] precision_v: needs height beside it"),
    ({"input__columns__start": None}, "[input.columns] end: needs start beside it"),
    ({"input__columns__sigma_e": "x"}, "[input.columns] precision_h: stands beside sigma_e"),
    ({"input__columns__cov_en": "x"}, "[input.columns] cov_en: needs sigma_e beside it"),
    ({"input__columns__sigma_u": "x"}, "[input.columns] precision_v: stands beside sigma_u"),
    ({"input__precision": None}, "precision_h and precision_v can mean several things. Add precision ="),
    ({"input__precision": "none"}, '[input] precision: is "none", and a column is mapped (precision_h, precision_v)'),
    ({"input__columns__initialization": None}, "[input] initialization: must be stated: nothing in the file shows"),
    ({"input__initialization": "asserted"}, 'is "asserted", and a column is mapped'),
    ({"input__asserted_by": "K. R."}, "[input] asserted_by: asserts nothing here"),
    ({"input__header": False}, "[input.columns] point: 'Mark' is a heading, and header = false. Write a 1-based"),
    ({"input__delimiter": ",", "input__decimal": ","}, "[input] delimiter: is a comma, and so is the decimal sign."),
    ({"input__delimiter": "fixed"}, "[input.columns] point: 'Mark' is no fixed column, and delimiter = \"fixed\"."),
    ({"input__date": "9.2.2026"}, "[input] date: '9.2.2026' is not a date. Write year-month-day: 2026-02-09."),
    ({"input__columns__easting": True}, "[input.columns] easting: True is not a heading or a 1-based position"),
    ({"input__columns__easting": 0}, "[input.columns] easting: 0 is not a position. The first column is 1."),
    ({"input__values__solution": {"a": "fixed"}}, "[input.values.solution]: there is no column 'solution'"),
    ({"input__values__height": {"a": "b"}}, "[input.values.height]: is not a column with words"),
    ({"input__columns": 3}, "[input.columns]: '3' is not a table."),
    ({"input__max_bad_rows": 10**400}, "is not a number, at least 0 and at most 1"),
    ({"input__skip": 10**400}, "is not a whole number, at least 0"),
    (
        {"match__radius_m": 3},
        '[match] radius_m: says nothing where by = "name". Remove the line, or write by = "place".',
    ),
    ({"roles": {"corner": 3}}, "[roles] corner: must be a table of its own: [roles.corner]."),
    ({"step": 3}, "[step]: holds tables, such as [step.NAME]."),
]


@pytest.mark.parametrize(("changes", "expected"), RULES, ids=[next(iter(changes)) for changes, _ in RULES])
def test_rules_across_keys(full, changes, expected):
    refused(full(**changes), expected)


def test_asserted_needs_a_name(plain):
    refused(plain(input__initialization="asserted"), '[input] asserted_by: must be stated. Add asserted_by = "name of')
    job = job_from_table(plain(input__initialization="asserted", input__asserted_by="K. R."))
    assert job.input.asserted_by == "K. R."


def test_geographic_columns_need_a_geographic_system(plain):
    columns = {"point": "Mark", "longitude": "Lon", "latitude": "Lat"}
    job_from_table(plain(site__crs="EPSG:4167", input__columns=columns))
    refused(plain(input__columns=columns), "is projected, and the columns are longitude and latitude")


def test_heights_that_are_not_judged_need_no_tolerance(full):
    job = job_from_table(full(tolerance__vertical_m=None, requirement__judge="h"))
    assert job.tolerance.vertical_m is None
    refused(
        full(tolerance__vertical_m=None, requirement__judge="h", roles={"corner": {"requirement": {"judge": "hv"}}}),
        "[roles.corner.tolerance] vertical_m: must be stated",
    )


def test_judging_heights_that_are_not_there(plain):
    refused(plain(requirement={"judge": "v"}), '[requirement]: judge = "v", and there is no height.')


def test_a_fault_of_the_whole_job_is_not_repeated_by_its_roles(full):
    table = full(tolerance__vertical_m=None, roles={"corner": {}, "peg": {"tolerance": {"horizontal_m": 0.1}}})
    assert len(refused(table)) == 1


def test_sigmas_need_no_convention(full):
    columns = {"point": 1, "easting": 2, "northing": 3, "sigma_e": 4, "sigma_n": 5, "cov_en": 6}
    table = full(
        input__columns=columns, input__precision=None, input__initialization="unknown", tolerance__vertical_m=None
    )
    assert job_from_table(table).input.precision is None


BAD_FILES = {
    "syntax": (b'[site]\nname = "x\n', "is not TOML"),
    "line": (b"[site]\ncrs = EPSG:2193\n", "(at line 2, column 7)"),
    "utf16": ("[site]".encode("utf-16"), "is not UTF-8 text"),
    "latin1": (b'[site]\nname = "T\xf4tara"\n', "is not UTF-8 text"),
    "binary": (b"\x00\x01\x02", "is not TOML"),
    "deep": (b"a = " + b"[" * 100_000, "too deep"),
    "twice": (b"[site]\n[site]\n", "is not TOML"),
    "huge number": (b"a = " + b"9" * 10_000, "is not TOML"),
    "empty": (b"", "[site] crs: must be stated"),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_hostile_recipe_files(tmp_path, case):
    content, expected = BAD_FILES[case]
    path = tmp_path / "site.toml"
    path.write_bytes(content)
    with pytest.raises(RecipeError) as caught:
        read_recipe(path)
    assert expected in str(caught.value)
    assert "site.toml" in str(caught.value)


def test_missing_file_and_directory(tmp_path):
    with pytest.raises(RecipeError, match="there is no such recipe"):
        read_recipe(tmp_path / "none.toml")
    with pytest.raises(RecipeError, match="is a directory"):
        read_recipe(tmp_path)


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert read_recipe(path).site.name == "Totara Saddle"


def test_not_a_table():
    with pytest.raises(RecipeError, match="a recipe is a table of tables, not list"):
        job_from_table([])


leaves = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.just("?"))
keys = st.one_of(
    st.sampled_from(
        ["unit", "crs", "columns", "values", "point", "easting", "tolerance", "horizontal_m", "where", "role"]
    ),
    st.text(max_size=4),
)
trees = st.recursive(leaves, lambda inner: st.lists(inner, max_size=2) | st.dictionaries(keys, inner, max_size=4))
tables = st.dictionaries(
    st.sampled_from(["site", "input", "match", "roles", "tolerance", "requirement", "base", "step", "file", "x"]), trees
)


@given(tables)
def test_any_table_gives_a_job_or_a_recipe_error(table):
    try:
        job_from_table(table)
    except GeoqaError as error:
        assert isinstance(error, RecipeError)
        assert error.faults
