"""Several files become one site: rows numbered, words united, geographic input on its local grid."""

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from geoqa.core.errors import InputError
from geoqa.core.job import Job, Recipe, Role
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.core.site import assembly

JOB = Job(
    site=Site(crs="EPSG:2193"), input=InputFormat(unit="m", initialization="column"), columns={},
    tolerance=Tolerance(horizontal_m=0.05), requirement=Requirement(),
)  # fmt: skip


def part(points, **more):
    count = len(points)
    return pd.DataFrame({
        "occupation_id": np.arange(1, count + 1), "point": pd.Categorical(points),
        "easting_m": 1_600_000.0 + np.arange(count),
        "northing_m": np.full(count, 5_400_000.0), "base_distance_m": np.full(count, np.nan),
        "start_utc": pd.to_datetime(pd.Series(["2026-02-02"] * count, dtype="datetime64[us, UTC]")),
        "source_file": pd.Categorical(["a.csv"] * count), "source_line": np.arange(2, count + 2),
        "initialization": pd.Categorical([None] * count), "role": pd.Categorical([None] * count),
    } | more)  # fmt: skip


def assembled(parts, job=JOB):
    frame, placed, *_ = assembly.occupations(parts, job)
    return frame, placed


def test_rows_are_numbered_in_reading_order_over_all_files_and_stand_by_point():
    frame, _ = assembled([part(["B", "A"]), part(["C", "A"])])
    assert frame["point"].tolist() == ["A", "A", "B", "C"]
    assert frame["occupation_id"].tolist() == [2, 4, 1, 3]
    assert list(frame.index) == [0, 1, 2, 3]


def test_the_rows_of_a_point_stand_by_time_those_without_one_last():
    times = pd.to_datetime(pd.Series([None, "2026-02-03", "2026-02-01", "2026-02-03"], dtype="datetime64[us, UTC]"))
    frame, _ = assembled([part(["A"] * 4, start_utc=times)])
    assert frame["occupation_id"].tolist() == [3, 2, 4, 1]


def test_a_role_belongs_to_the_point_and_disagreement_is_told():
    roles = pd.Categorical(["corner", None, "check", None])
    frame, _, messages, _ = assembly.occupations([part(["A", "A", "A", "B"], role=roles)], JOB)
    assert frame["role"].tolist()[:3] == ["corner"] * 3
    assert frame["role"].isna().tolist() == [False, False, False, True]
    assert len(messages) == 1
    assert "A" in messages[0]
    assert "several roles" in messages[0]


def test_words_of_several_files_are_one_set_of_categories():
    frame = assembly.stack([part(["B", "A"]), part(["A", "C"])])
    assert isinstance(frame["point"].dtype, pd.CategoricalDtype)
    assert frame["point"].cat.categories.tolist() == ["A", "B", "C"]


def test_a_word_column_without_a_word_joins_one_that_has_some():
    labelled = part(["A"], initialization=pd.Categorical(["fix 1"]))
    frame = assembly.stack([part(["B"]), labelled])
    assert frame["initialization"].isna().tolist() == [True, False]
    assert frame["initialization"].cat.categories.tolist() == ["fix 1"]


@pytest.mark.parametrize("order", [1, -1])
def test_columns_that_one_file_lacks_are_null_there(order):
    one = part(["A"], remark=pd.Categorical(["mossy"]), fence_m=[1.5], seen=pd.to_datetime(["2026-02-02"], utc=True))
    frame = assembly.stack([one, part(["B", "C"])][::order])
    there = (frame["point"] == "A").to_numpy()
    for column in ("remark", "fence_m", "seen"):
        assert (frame[column].notna().to_numpy() == there).all()
    assert isinstance(frame["remark"].dtype, pd.CategoricalDtype)
    assert frame["fence_m"].dtype == float
    assert frame["seen"].dt.tz is not None


def test_no_usable_row_is_an_error():
    with pytest.raises(InputError, match="no row can be used"):
        assembly.occupations([part([])], JOB)


def test_the_frames_given_stay_as_they_were():
    given = [part(["B", "A"]), part(["C"])]
    before = [frame.copy(deep=True) for frame in given]
    assembled(given)
    for one, other in zip(given, before, strict=True):
        pd.testing.assert_frame_equal(one, other)


def test_asserted_initializations_give_every_row_a_label_of_its_own():
    job = replace(JOB, input=InputFormat(unit="m", initialization="asserted", asserted_by="A. Surveyor"))
    frame, _ = assembled([part(["A", "A"]), part(["A"])], job)
    assert frame["initialization"].nunique() == 3
    assert frame["initialization"].notna().all()


@pytest.mark.parametrize("input_", ["column", "unknown"])
def test_no_other_job_invents_labels(input_):
    job = replace(JOB, input=InputFormat(unit="m", initialization=input_))
    frame, _ = assembled([part(["A", "A"])], job)
    assert frame["initialization"].isna().all()


def geographic(lon, lat):
    count = len(lon)
    return part([f"P{i}" for i in range(count)], lon_deg=np.array(lon), lat_deg=np.array(lat))


def test_geographic_input_gets_a_local_grid_and_a_job_that_knows_it():
    job = replace(JOB, site=Site(crs="EPSG:4167"))
    frame, placed = assembled([geographic([173.21, 173.2101], [-41.52, -41.52])], job)
    assert placed.local_origin == (pytest.approx(173.2), pytest.approx(-41.5))
    assert job.local_origin is None
    # A ten-thousandth of a degree of longitude at latitude 41.52 south is 8.35 m on the ellipsoid.
    assert np.diff(frame["easting_m"])[0] == pytest.approx(8.348, abs=0.002)
    assert np.diff(frame["northing_m"])[0] == pytest.approx(0, abs=0.001)


@pytest.mark.parametrize("lons", [[179.9999, -179.9999], [-179.9999, 179.9999], [179.9999, 180.0001]])
def test_a_site_on_the_date_line_is_one_site(lons):
    job = replace(JOB, site=Site(crs="EPSG:4326"))
    frame, placed = assembled([geographic(lons, [-17.0, -17.0])], job)
    assert abs(placed.local_origin[0]) == pytest.approx(180.0)
    assert np.ptp(frame["easting_m"]) == pytest.approx(21.3, abs=0.1)


def test_rows_a_quarter_of_the_earth_away_are_refused_and_the_first_is_named():
    job = replace(JOB, site=Site(crs="EPSG:4326"))
    rows = geographic([10.0, 101.0, 10.001, 10.002, -80.0], [0.0, 1.0, 0.001, 0.0, -2.0])
    with pytest.raises(InputError) as caught:
        assembly.occupations([rows], job)
    assert "2 of 5 rows lie a quarter of the Earth from the middle of the others" in str(caught.value)
    assert "point 'P1', longitude 101, latitude 1" in str(caught.value)


def test_ppm_without_any_base_distance_is_refused_and_every_place_is_named():
    wet = Tolerance(horizontal_m=0.05, horizontal_ppm=1.0)
    job = replace(JOB, roles={"corner": Role(tolerance=wet, requirement=Requirement())})
    with pytest.raises(InputError, match=r"\[roles.corner.tolerance\] adds ppm") as caught:
        assembly.occupations([part(["A"])], job)
    assert "base_distance" in str(caught.value)
    frame, _ = assembled([part(["A"], base_distance_m=[1200.0])], job)
    assert len(frame) == 1


@pytest.mark.parametrize(
    ("crs", "east", "north", "words"),
    [
        ("EPSG:2193", 5_400_000.0, 1_600_000.0, "right columns"),  # east and north swapped
        ("EPSG:3857", 600_000.0, 5_400_000.0, "stretches lengths by the factor 1.38"),
    ],
)
def test_a_grid_that_stretches_lengths_is_refused(crs, east, north, words):
    rows = part(["A", "A"], easting_m=np.full(2, east), northing_m=np.full(2, north))
    with pytest.raises(InputError, match=words):
        assembly.occupations([rows], replace(JOB, site=Site(crs=crs)))


def test_an_initialization_that_stands_in_several_files_is_told():
    one = part(["A", "B"], initialization=pd.Categorical(["1", "2"]))
    other = part(["A", "B"], initialization=pd.Categorical(["1", "3"]), source_file=pd.Categorical(["b.csv"] * 2))
    said = " ".join(assembly.occupations([one, other], JOB).messages)
    assert "the initializations 1 stand in several files and count as one each" in said
    assert not assembly.occupations([one], JOB).messages
    assert not assembly.occupations([part(["A"]), part(["A"], source_file=pd.Categorical(["b.csv"]))], JOB).messages


def test_a_recipe_becomes_the_job_with_what_its_files_settle():
    recipe = Recipe(**{one.name: getattr(JOB, one.name) for one in fields(Recipe)})
    assert not isinstance(recipe, Job)
    settled = {"input": replace(JOB.input, unit="ft"), "roles": {"check": JOB.default_role}}
    made = assembly.occupations([part(["A"])], recipe, **settled).job
    assert type(made) is Job and (made.grid.unit, made.roles) == ("ft", settled["roles"])
    assert recipe.input == JOB.input and not recipe.roles
